"""What a timer draws is no shot, and what a person fires is one, however regular."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.record import ShotRecord
from analysis.shots import ShotDetector, find_shots
from tests.shot_scores import Floats, Scene, dip_shape

RECEIVER = Scene(name="receiver", fall_s=0.07, bottom_s=0.18, recovery_s=0.3, overshoot=0.0)
TOOL = Scene(name="tool")


def line(until_s: float, times_s: Floats, dips_pa: float | Floats, scene: Scene, seed: int = 1) -> tuple[Floats, Floats]:
    """Readings of a line with such falls; the noise is a fortieth of the shallowest."""
    t = np.arange(0.0, until_s, 0.01)
    deep = np.broadcast_to(dips_pa, times_s.shape)
    p = 620e3 + np.random.default_rng(seed).normal(0.0, deep.min() / 40.0, t.size)
    for at, dip in zip(times_s, deep, strict=True):
        near = (t > at) & (t < at + 9.0)
        p[near] += dip * dip_shape(t[near] - at, scene)
    return t, p


def times(found: ShotRecord, kind: str = "air draw") -> list[float]:
    return [e.time_s for e in found.events if e.kind == kind]


@pytest.mark.parametrize("dip_pa", [3e3, 15e3])
@pytest.mark.parametrize("strokes", [3, 4, 9])
def test_lone_falls_by_the_clock_are_what_a_timer_draws(strokes: int, dip_pa: float) -> None:
    at = 12.3 + 27.0 * np.arange(strokes, dtype=np.float64)
    t, p = line(at[-1] + 12.0, at, dip_pa, RECEIVER)
    found = find_shots(t, p)
    assert found.shots == ()
    assert times(found) == pytest.approx(at, abs=0.1)
    assert any(f"{strokes} falls came alone and alike every 27" in w for w in found.warnings)
    for size in (500, 1777):
        detector = ShotDetector()
        for a in range(0, t.size, size):
            detector.feed(t[a : a + size], p[a : a + size])
        assert detector.finish() == found


def test_two_lone_falls_cannot_be_told_and_are_said_to_be_so() -> None:
    found = find_shots(*line(60.0, np.array([12.3, 39.3]), 6e3, RECEIVER))
    assert found.shots == ()
    assert len(found.unvouched) == 2
    assert any("the fall at 12.3 s, or the fall at 39.3 s" in w and "cannot be told" in w for w in found.warnings)
    assert not any("counts as a shot" in w for w in found.warnings)


@pytest.mark.parametrize(
    ("until_s", "at", "dips_pa"),
    [(60.0, [12.3, 39.3], [3e3, 8e3]), (90.0, [12.3, 31.3, 70.3], [9e3, 4e3, 9e3]), (1300.0, [12.3, 939.3], [6e3, 6e3])],
)
def test_a_few_lone_falls_that_differ_or_have_long_to_themselves_are_draws(until_s: float, at: list[float], dips_pa: list[float]) -> None:
    found = find_shots(*line(until_s, np.array(at), np.array(dips_pa), RECEIVER))
    assert found.shots == ()
    assert times(found) == pytest.approx(at, abs=0.1)
    assert any("The fall at 12.3 s, or the fall at" in w and "counts as an air draw" in w for w in found.warnings)


@pytest.mark.parametrize(
    ("scene", "at"),
    [
        (TOOL, 10.0 + 20.0 * np.arange(6)),  # as quick as only a tool
        (RECEIVER, 10.0 + 4.0 * np.arange(20)),  # steady work
        (RECEIVER, np.concatenate([10.0 + 25.0 * k + np.array([0.0, 0.5, 1.0]) for k in range(6)])),  # a burst each time
        (RECEIVER, 10.0 + np.cumsum([0.0, 21.0, 16.0, 19.0, 24.0, 18.0])),  # single shots of a person
    ],
)
def test_shots_are_not_taken_for_a_timer(scene: Scene, at: Floats) -> None:
    found = find_shots(*line(at[-1] + 8.0, at, 15e3, scene))
    assert [s.time_s for s in found.shots] == pytest.approx(at, abs=0.05)
    assert times(found) == []
    assert found.warnings == ()


def test_a_dryer_before_the_work_hides_none_of_it() -> None:
    dryer, work = 9.0 + 30.0 * np.arange(9), 140.0 + np.cumsum([0.0, 5.0, 7.0, 4.0, 8.5, 6.0, 3.0])
    at = np.concatenate([dryer, work])
    order = np.argsort(at)
    dips = np.concatenate([np.full(9, 30e3), np.full(7, 5e3)])
    t, p = line(280.0, at[order], dips[order], RECEIVER)
    found = find_shots(t, p)
    assert [s.time_s for s in found.shots] == pytest.approx(work, abs=0.05)
    assert times(found) == pytest.approx(dryer, abs=0.1)
