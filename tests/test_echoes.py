"""Echoes of shots from the other end of a wide hose, and second shots that are none."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from analysis.detector import ShotDetector
from analysis.record import ShotRecord

Floats = NDArray[np.float64]

SINGLES_S = 4.0 + np.cumsum(np.random.default_rng(5).uniform(2.0, 4.0, 24))


def dip(since_s: Floats, fall_s: float) -> Floats:
    """Dip of unit depth that falls within a time and is back after 0.2 s."""
    since_s = np.maximum(since_s, 0.0)
    return 1.05 * (1.0 - np.exp(-((since_s / fall_s) ** 1.3))) * np.exp(-np.maximum(since_s - 0.04, 0.0) / 0.06)


def recorded(falls: list[tuple[float, float, float]], rate_hz: float, block: int = 4096) -> ShotRecord:
    """What is found in a line with dips [s, Pa, s]."""
    rng = np.random.default_rng(2)
    t = np.arange(0.0, max(at for at, _, _ in falls) + 4.0, 1.0 / rate_hz)
    p = 650e3 + rng.normal(0.0, 600.0, t.size)
    for at, depth_pa, fall_s in falls:
        p -= depth_pa * dip(t - at, fall_s)
    detector = ShotDetector()
    for a in range(0, t.size, block):
        detector.feed(t[a : a + block], p[a : a + block])
    return detector.finish()


def echoing(after_s: float, share: float, times_s: Floats = SINGLES_S) -> list[tuple[float, float, float]]:
    return [fall for at in times_s for fall in ((float(at), 40e3, 0.008), (float(at) + after_s, share * 40e3, 0.02))]


@pytest.mark.parametrize("rate_hz", [100.0, 200.0, 1000.0])
@pytest.mark.parametrize(("after_s", "share"), [(0.21, 0.55), (0.24, 0.5), (0.35, 0.6)])
def test_the_echo_of_a_shot_is_none_from_the_first_on(rate_hz: float, after_s: float, share: float) -> None:
    found = recorded(echoing(after_s, share), rate_hz)
    assert [s.time_s for s in found.shots] == pytest.approx(SINGLES_S.tolist(), abs=0.015)
    assert any("have an echo" in w for w in found.warnings)


def test_a_shot_fired_into_an_echo_counts() -> None:
    late = SINGLES_S + 0.24
    falls = echoing(0.24, 0.45) + [(float(at), 40e3, 0.008) for at in late[12::3]]
    found = recorded(falls, 500.0)
    assert [s.time_s for s in found.shots] == pytest.approx(sorted([*SINGLES_S, *late[12::3]]), abs=0.02)


def test_second_shots_of_a_hand_are_no_echoes() -> None:
    rng = np.random.default_rng(3)
    pairs = [fall for at in SINGLES_S for fall in ((at, 40e3, 0.008), (at + 0.26 * rng.normal(1.0, 0.07), 27e3, 0.008))]
    found = recorded(pairs, 500.0)
    assert len(found.shots) == len(pairs)
    assert not found.warnings


def test_blocks_make_no_difference_to_echoes() -> None:
    whole, pieces = (recorded(echoing(0.24, 0.5), 250.0, block) for block in (10**6, 37))
    assert [repr(s) for s in whole.shots] == [repr(s) for s in pieces.shots]
