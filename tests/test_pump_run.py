"""A pump that raises the line slowly, a line that only seems to be pumped, and a regulator that is turned up."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from analysis.pump_run import PumpWatch
from analysis.rests import BIN_S

Floats = NDArray[np.float64]


def watched(at_s: list[float], pa: list[float], until_s: float, *, seed: int = 0) -> PumpWatch:
    """Let a line be watched that goes straight from point to point in noise."""
    t: Floats = BIN_S * np.arange(0.5, until_s / BIN_S)
    p = np.interp(t, at_s, pa) + np.random.default_rng(seed).normal(0.0, 300.0, t.size)
    return seen(t, p)


def seen(t: Floats, p: Floats) -> PumpWatch:
    """Let a line without shots be watched, in blocks of odd size."""
    watch, busy = PumpWatch(), np.zeros(t.size)
    for until in (*range(7, t.size, 13), t.size):
        watch.look(t, p, busy, (), 0, until)
    watch.end(t, p, ())
    return watch


@pytest.mark.parametrize("pa_per_s", [700.0, 2e3, 8e3])
def test_a_pump_is_seen_however_slowly_it_fills_the_tank(pa_per_s: float) -> None:
    stop_s = 40.0 + 120e3 / pa_per_s
    watch = watched([0.0, 40.0, stop_s, stop_s + 60.0], [680e3, 660e3, 780e3, 750e3], stop_s + 60.0)
    assert [e.kind for e in watch.events] == ["pump start", "pump stop"]
    assert [e.time_s for e in watch.events] == pytest.approx([40.0, stop_s], abs=1.0)


def test_a_line_that_eases_off_to_where_it_is_held_is_not_pumped() -> None:
    t: Floats = BIN_S * np.arange(0.5, 1500.0)
    noise = np.random.default_rng(1).normal(0.0, 300.0, t.size)
    back = np.where(t < 60.0, 1.2e3 * np.maximum(t - 20.0, 0.0), 48e3 * np.exp(-np.maximum(t - 60.0, 0.0) / 8.0))
    watch = seen(t, 650e3 - back + noise)
    assert watch.events == []


def test_a_rise_that_is_known_to_be_a_hands_is_no_pump() -> None:
    t: Floats = BIN_S * np.arange(0.5, 1200.0)
    p = np.interp(t, [0.0, 40.0, 50.0, 120.0], [660e3, 650e3, 720e3, 700e3]) + np.random.default_rng(0).normal(0.0, 300.0, t.size)
    assert [e.kind for e in seen(t, p).events] == ["pump start", "pump stop"]
    watch = PumpWatch()
    watch.by_hand(40.5)
    watch.look(t, p, np.zeros(t.size), (), 0, t.size)
    watch.end(t, p, ())
    assert watch.events == []
