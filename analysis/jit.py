"""Compile with numba, keeping the machine code where a cache can be written and compiling afresh where it cannot."""

from __future__ import annotations

import gc
import hashlib
import importlib
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final, TypeVar

import numba
from numba.core import event
from numba.core.compiler import CompilerBase, DefaultPassBuilder
from numba.core.dispatcher import Dispatcher

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


def _keep(compiled: Any, function: Callable[..., object]) -> None:
    """Keep the machine code for as long as all that went into it is what it was.

    numba goes by the function's own file alone, and would run on with what an older version of another file had put in.
    """
    compiled.enable_caching()
    kept = compiled._cache._cache_file
    kept._source_stamp = hashlib.sha256(repr((kept._source_stamp, _from_elsewhere(function))).encode()).digest()


def _from_elsewhere(function: Callable[..., object]) -> list[Any]:
    """What a function takes from other files: the compiled functions that it may call, with all that went into them, and constants."""
    found: list[Any] = []
    for name, value in sorted(function.__globals__.items()):
        if isinstance(value, Dispatcher):
            called = value.py_func
            if called.__module__ != function.__module__:
                file = Path(called.__code__.co_filename).stat()
                found.append((name, file.st_mtime, file.st_size, _from_elsewhere(called)))
        elif name.isupper() and isinstance(value, int | float | tuple):
            found.append((name, value))
    return found


def jit(function: F, **options: Any) -> F:
    """Compile a function lazily at its first call (``numba.njit``), cached on disk if possible; other threads run beside it.

    Nothing is kept where neither the package's folder nor the user's cache folder is writable (numba refuses), nor by a version of
    numba that keeps its stamp elsewhere.
    """
    compiled: Any = numba.njit(nogil=True, **options)(function)
    try:
        _keep(compiled, function)
    except (RuntimeError, AttributeError):
        compiled = numba.njit(nogil=True, **options)(function)
    result: F = compiled
    return result


# IEEE division, so that loops vectorise, and liberties with rounding (NaN and infinity stay what they are). Such code makes no
# arrays: counting the references to those that it is given would cost a quarter of the time. No C calls it: no bridge for that.
PLAIN_LOOPS: Final[dict[str, Any]] = {
    "error_model": "numpy",
    "fastmath": {"contract", "arcp", "nsz", "reassoc"},
    "_nrt": False,
    "no_cfunc_wrapper": True,
    "pipeline_class": Plain,
}


def loops(function: F) -> F:
    """Compile plain loops over numbers for Python (`jit`)."""
    return jit(function, **PLAIN_LOOPS)


def inlined(function: F) -> F:
    """Compile as a part of what `loops` compiles: never called from Python, so without the bridges that would take as long again.

    It is put in where it is called: in a call each array would be handed over as seven numbers and more, which took a tenth of the time.
    """
    result: F = numba.njit(no_cpython_wrapper=True, forceinline=True, **PLAIN_LOOPS)(function)
    return result
