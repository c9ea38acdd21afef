"""What happens around a compilation, once `analysis.jit` is there."""

from __future__ import annotations

import gc
import subprocess
import sys
from pathlib import Path
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


@pytest.mark.parametrize("how", ["jit", "inlined"])
@pytest.mark.parametrize("changed", ["def part(x):\n    return 3.0 * x\nUNIT = 1.0\n", "def part(x):\n    return 2.0 * x\nUNIT = 1.5\n"])
def test_kept_machine_code_is_made_again_when_what_it_takes_in_from_another_file_changes(tmp_path: Path, changed: str, how: str) -> None:
    use = f"from analysis.jit import {how}\n"
    (tmp_path / "parts.py").write_text(use + f"@{how}\ndef part(x):\n    return 2.0 * x\nUNIT = 1.0\n")
    (tmp_path / "whole.py").write_text(
        "from analysis.jit import jit\nfrom parts import UNIT, part\n@jit\ndef whole(x):\n    return part(x) * UNIT\n"
    )
    run = "import whole; print(whole.whole(1.0), sum(whole.whole.stats.cache_hits.values()))"

    def answer() -> list[float]:
        said = subprocess.run([sys.executable, "-c", run], cwd=tmp_path, capture_output=True, text=True, check=True).stdout
        return [float(word) for word in said.split()]

    assert answer() == [2.0, 0]
    assert answer() == [2.0, 1]
    (tmp_path / "parts.py").write_text(use + f"@{how}\n" + changed)
    assert answer() == [3.0, 0]
