"""Sensors whose supply gives way for a moment."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from analysis.detector import ShotDetector
from analysis.outages import Outages
from analysis.shots import find_shots
from tests.shot_scores import Scene, Scored, record, score

Floats = NDArray[np.float64]


def silenced(rate_hz: float, off_s: Floats, long_s: Floats) -> tuple[Scored, Floats]:
    """A recording of shots, and what its sensor shows without a supply for so long at those times."""
    made = record(Scene(name="outages", rate_hz=rate_hz, per_burst=3, every_s=0.5), 5)
    p = made.p_pa.copy()
    for at, lasts in zip(off_s, long_s, strict=True):
        off = (made.t_s > at) & (made.t_s <= at + lasts)
        p[off] = np.random.default_rng(1).normal(0.0, 500.0, off.sum())
    return made, p


@pytest.mark.parametrize("rate_hz", [50.0, 200.0, 1000.0])
def test_a_sensor_that_falls_silent_fires_no_shots_and_hides_none_after_it(rate_hz: float) -> None:
    made, _ = silenced(rate_hz, np.empty(0), np.empty(0))
    long_s = np.array([0.06, 0.1, 0.3, 1.0, 2.0])
    off_s = made.times_s[[2, 4, 6, 8, 10]] + 1.2  # the line has recovered, and the next shot may follow at once
    found = find_shots(made.t_s, silenced(rate_hz, off_s, long_s)[1])
    hidden = [any(at - 0.1 < s < at + lasts + 0.1 for at, lasts in zip(off_s, long_s, strict=True)) for s in made.times_s]
    seen = made.times_s[~np.array(hidden)]
    near = np.array([np.abs(seen - s.time_s).min() for s in found.shots])
    assert near.size == seen.size
    assert near.max() < 0.05
    assert {e.kind for e in found.events} == {"gap"}
    assert any(w.startswith("The sensor fell silent 5 times") for w in found.warnings)


def test_a_hose_that_is_pulled_off_is_no_outage() -> None:
    t = np.arange(0.0, 20.0, 0.005)
    p = 6e5 * np.where(t < 8.0, 1.0, np.exp(-(t - 8.0) / 0.05)) + np.random.default_rng(2).normal(0.0, 500.0, t.size)
    p[(t > 9.5) & (t < 12.0)] += 6e5
    assert not any("silent" in w for w in find_shots(t, p).warnings)
    assert next(e.kind for e in find_shots(t, p).events) == "disconnected"


@pytest.mark.parametrize("size", [1, 3, 50, 700])
def test_blocks_of_any_size_leave_out_the_same(size: int) -> None:
    made, _ = silenced(200.0, np.empty(0), np.empty(0))
    made, p = silenced(200.0, made.times_s[[2, 5, 8, -1]] + 1.0, np.array([0.05, 0.5, 3.0, 60.0]))
    whole, parts = Outages(), Outages()
    t_s, p_pa = whole.take(made.t_s, p)
    blocks = [parts.take(made.t_s[a : a + size], p[a : a + size]) for a in range(0, p.size, size)]
    rest = np.empty(0)
    assert np.array_equal(
        np.concatenate([*(b[0] for b in blocks), parts.take(rest, rest, last=True)[0]]),
        np.concatenate([t_s, whole.take(rest, rest, last=True)[0]]),
    )
    stream = ShotDetector()
    for a in range(0, p.size, size):
        stream.feed(made.t_s[a : a + size], p[a : a + size])
    assert stream.finish() == find_shots(made.t_s, p)
    assert p_pa.size < p.size


def test_readings_without_an_outage_go_through_as_they_are() -> None:
    made, p = silenced(200.0, np.empty(0), np.empty(0))
    assert score(find_shots(made.t_s, p), made).f1 == 1.0
    t_s, p_pa = Outages().take(made.t_s, p, last=True)
    assert np.array_equal(t_s, made.t_s)
    assert np.array_equal(p_pa, p)
