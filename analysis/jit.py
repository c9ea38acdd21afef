"""Compile with numba, keeping the machine code where a cache can be written and compiling afresh where it cannot."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar

import numba

F = TypeVar("F", bound=Callable[..., object])


def jit(function: F) -> F:
    """Compile a function lazily at its first call (``numba.njit``), cached on disk if possible; other threads run beside it.

    numba refuses ``cache=True`` at import where neither the package's folder nor the user's cache folder is writable.
    """
    compiled: Any
    try:
        compiled = numba.njit(cache=True, nogil=True)(function)
    except RuntimeError:
        compiled = numba.njit(nogil=True)(function)
    result: F = compiled
    return result
