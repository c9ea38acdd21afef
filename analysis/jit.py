"""Compile with numba, keeping the machine code where a cache can be written and compiling afresh where it cannot."""

from __future__ import annotations

import gc
import importlib
import sys
from collections.abc import Callable
from typing import Any, Final, TypeVar

import numba
from numba.core import event
from numba.core.compiler import CompilerBase, DefaultPassBuilder

F = TypeVar("F", bound=Callable[..., object])

_BLAS: Final = "scipy.linalg.cython_blas"


def _load_without_blas() -> None:
    """Load the part of numba that asks for scipy's linear algebra, which no compiled code here calls: half of scipy would come along."""
    if _BLAS in sys.modules:
        return
    modules: dict[str, Any] = sys.modules
    modules[_BLAS] = None  # to import it is now an error, after which numba does without
    try:
        importlib.import_module("numba.np.arraymath")
    finally:
        del modules[_BLAS]


_load_without_blas()


class _WithoutCollector(event.Listener):
    """Keeps Python's collector of garbage away while numba compiles: what that makes is many, and nearly all of it stays.

    numba tells of one compilation at a time, and of those within it.
    """

    def __init__(self) -> None:
        self.depth, self.collects = 0, False

    def on_start(self, _event: event.Event) -> None:
        if self.depth == 0:
            self.collects = gc.isenabled()
            gc.disable()
        self.depth += 1

    def on_end(self, _event: event.Event) -> None:
        self.depth -= 1
        if self.depth == 0 and self.collects:
            gc.enable()


event.register("numba:compile", _WithoutCollector())


# What numba does for closures, comprehensions, generators, `with` and whole arrays.
_NEEDLESS: Final = frozenset(
    {
        "inline_closure_likes",
        "inline_overloads",
        "inline_inlinables",
        "with_lifting",
        "dead_branch_prune",
        "literal_unroll",
        "find_literally",
        "make_function_op_code_to_jit_function",
        "nopython_rewrites",
    }
)


class Plain(CompilerBase):
    """Compiler of plain loops over numbers (option ``pipeline_class``): without the passes that find nothing there, 7 % of the time."""

    def define_pipelines(self) -> list[Any]:
        """Take numba's own pipeline, and leave those passes out."""
        pipeline: Any = DefaultPassBuilder.define_nopython_pipeline(self.state)
        pipeline.passes = [step for step in pipeline.passes if step[0].name() not in _NEEDLESS]
        pipeline.finalize()
        return [pipeline]


def jit(function: F, **options: Any) -> F:
    """Compile a function lazily at its first call (``numba.njit``), cached on disk if possible; other threads run beside it.

    numba refuses ``cache=True`` at import where neither the package's folder nor the user's cache folder is writable.
    """
    compiled: Any
    try:
        compiled = numba.njit(cache=True, nogil=True, **options)(function)
    except RuntimeError:
        compiled = numba.njit(nogil=True, **options)(function)
    result: F = compiled
    return result
