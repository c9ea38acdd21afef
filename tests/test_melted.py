"""Bursts that melt into one slope: their shots are counted, and air that is drawn is not."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from analysis.detector import ShotDetector
from analysis.record import ShotRecord
from analysis.shots import find_shots

RATE_HZ, DIP_PA, NOISE_PA, FALL_S, BACK_S = 200.0, 3000.0, 350.0, 0.25, 6.0
ALONE_S = np.arange(3.0, 30.0, 2.7)
SPAN_S = 60.0


def readings(
    shots_s: NDArray[np.float64], drawn_s: tuple[float, float] | None = None, hose: float = 0.0
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """A receiver: each shot takes `DIP_PA` within `FALL_S`, and it is filled again within seconds. Air is drawn as fast as by a burst.

    A hose gives so many dips more when air begins to be drawn.
    """
    t = np.arange(0.0, SPAN_S, 1.0 / RATE_HZ)
    p = 6e5 + np.random.default_rng(3).normal(0.0, NOISE_PA, t.size)
    for at, share in [*((at, 1.0) for at in shots_s), *([(drawn_s[0], hose)] if drawn_s is not None else [])]:
        since = np.maximum(t - at, 0.0)
        p -= share * DIP_PA * (1.0 - np.cos(np.pi * np.minimum(since / FALL_S, 1.0))) / 2.0 * np.exp(-since / BACK_S)
    if drawn_s is not None:
        lost = DIP_PA * 4.0 * (np.clip(t, *drawn_s) - drawn_s[0])
        p -= lost * np.exp(-np.maximum(t - drawn_s[1], 0.0) / BACK_S)
    return t, p


@pytest.mark.parametrize("pace_s", [0.24, 0.21])
def test_counts_the_shots_of_a_burst_that_melts_into_one_slope(pace_s: float) -> None:
    burst_s = 38.0 + pace_s * np.arange(6) + np.array([0.0, 0.01, -0.015, 0.01, 0.02, 0.0])
    record = find_shots(*readings(np.concatenate([ALONE_S, burst_s])))
    found = np.array([s.time_s for s in record.shots if s.time_s > 36.0])
    assert found.size == burst_s.size
    assert np.abs(found - burst_s).max() < 0.05
    assert not [e for e in record.events if e.kind == "air draw"]
    assert any("melt into one slope" in w for w in record.warnings)


@pytest.mark.parametrize("hose", [0.0, 0.4])
def test_takes_air_drawn_as_fast_for_no_burst(hose: float) -> None:
    record = find_shots(*readings(ALONE_S, (38.0, 39.5), hose))
    assert not [s for s in record.shots if s.time_s > 36.0]


@pytest.mark.parametrize("block", [37, 5000])
def test_tells_the_same_in_blocks(block: int) -> None:
    t, p = readings(np.concatenate([ALONE_S, 38.0 + 0.24 * np.arange(6)]))
    assert repr(in_blocks(t, p, block)) == repr(find_shots(t, p))


def in_blocks(t: NDArray[np.float64], p: NDArray[np.float64], block: int) -> ShotRecord:
    detector = ShotDetector()
    for a in range(0, t.size, block):
        detector.feed(t[a : a + block], p[a : a + block])
    return detector.finish()
