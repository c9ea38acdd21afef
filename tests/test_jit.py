"""What happens around a compilation, once `analysis.jit` is there."""

from __future__ import annotations

import gc
from typing import Any

import numba
import pytest
from numba.core import event

import analysis.jit


def twice(x: float) -> float:
    return 2.0 * x


def unheard_of(x: float) -> float:
    return twice(x) + unknown  # type: ignore[name-defined]  # noqa: F821


class _Collects(event.Listener):
    """Notes whether garbage is collected when a compilation within begins."""

    def __init__(self) -> None:
        self.seen: list[bool] = []

    def on_start(self, _event: Any) -> None:
        self.seen.append(gc.isenabled())

    def on_end(self, _event: Any) -> None:
        pass


def test_no_garbage_is_collected_while_a_function_is_compiled() -> None:
    assert analysis.jit
    with event.install_listener("numba:run_pass", _Collects()) as passes:
        assert numba.njit(twice)(2.0) == 4.0
    assert passes.seen
    assert not any(passes.seen)
    assert gc.isenabled()


def test_after_a_compilation_the_collector_is_as_before() -> None:
    with pytest.raises(Exception, match="unknown"):
        numba.njit(unheard_of)(2.0)
    assert gc.isenabled()
    gc.disable()
    try:
        assert numba.njit(twice)(2) == 4
        assert not gc.isenabled()
    finally:
        gc.enable()
