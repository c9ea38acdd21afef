"""Compile with numba, keeping the machine code where a cache can be written and compiling afresh where it cannot."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar

import numba

F = TypeVar("F", bound=Callable[..., object])


def jit(function: F) -> F:
    """Compile a function lazily at its first call (``numba.njit``), cached on disk if possible.

    numba refuses ``cache=True`` at import where neither the package's folder nor the user's cache folder is writable.
    """
    compiled: Any
    try:
        compiled = numba.njit(cache=True)(function)
    except RuntimeError:
        compiled = numba.njit(function)
    result: F = compiled
    return result
