"""Recoveries that many shots agree on. The shots are made here; how their hose swings is invented."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.agreed import agreed
from analysis.mean_dip import Seen
from analysis.record import Shot, ShotRecord
from analysis.recovered import RECOVERED, recovery
from analysis.settled import Trace, settled_shots
from analysis.shots import find_shots, summarise

STEP_S, BEFORE_PA, DIP_PA = 0.005, 6.2e5, 8e4
AFTER_RISE_S = 0.167  # a dip is over then if its hose swings back by less than a tenth of it
SWINGS_S, SWING_S = 0.22, 0.12


def lost(x: np.ndarray, swing: np.ndarray | float) -> np.ndarray:
    """Share of a dip that is lost at a time after the onset [s]: all at 40 ms, none at 200 ms, then once more a part."""
    fall = 0.5 * (1.0 - np.cos(np.pi * np.clip(x / 0.04, 0.0, 1.0)))
    rise = 0.5 * (1.0 + np.cos(np.pi * np.clip((x - 0.04) / 0.16, 0.0, 1.0)))
    return np.minimum(fall, rise) + swing * np.sin(np.pi * np.clip((x - SWINGS_S) / SWING_S, 0.0, 1.0))


def over_s(swing: float) -> float:
    """When such a dip is over, from its onset [s]."""
    tenth = 1.0 - RECOVERED
    return AFTER_RISE_S if swing < tenth else SWINGS_S + SWING_S * (1.0 - float(np.arcsin(tenth / swing)) / np.pi)


def readings(times_s: np.ndarray, swings: np.ndarray, noise_pa: float, dip_pa: float = DIP_PA) -> tuple[np.ndarray, np.ndarray]:
    """A record of shots."""
    rng = np.random.default_rng(7)
    t = np.arange(0.0, times_s[-1] + 4.0, STEP_S) + rng.uniform(0.0, 0.1 * STEP_S)
    p = np.full(t.size, BEFORE_PA) + rng.normal(0.0, noise_pa, t.size)
    for at, swing in zip(times_s, swings, strict=True):
        p -= dip_pa * np.where(t > at, lost(t - at, swing), 0.0)
    return t, p


def alone(record: ShotRecord, t: np.ndarray, p: np.ndarray) -> np.ndarray:
    """Recoveries that each shot shows by itself [s]."""
    out = []
    for s in record.shots:
        a, z = np.searchsorted(t, [s.time_s + 0.04, s.time_s + 1.5])
        level = s.before_pa - (1.0 - RECOVERED) * s.dip_pa
        out.append(recovery(t[a:z], p[a:z], level, record.noise_pa, s.dip_pa, STEP_S, until_s=float(t[z])) - s.time_s)
    return np.array(out)


def test_a_swing_that_noise_hides_in_one_shot_shows_in_many() -> None:
    swing = 0.135
    t, p = readings(5.0 + 2.0 * np.arange(60), np.full(60, swing), 0.06 * DIP_PA)
    found = find_shots(t, p)
    assert len(found.shots) == 60
    near = 0.1 * over_s(swing)
    assert np.mean(np.abs(alone(found, t, p) - over_s(swing)) < near) < 0.5
    assert np.mean([abs(s.recovery_s - over_s(swing)) < near for s in found.shots]) > 0.9


def test_shots_that_differ_keep_what_is_their_own() -> None:
    swings = np.where(np.arange(60) % 3 == 0, 0.05, 0.17)
    found = find_shots(*readings(5.0 + 2.0 * np.arange(60), swings, 0.01 * DIP_PA))
    assert [s.recovery_s for s in found.shots] == pytest.approx([over_s(s) for s in swings], rel=0.06)


def test_a_shot_is_cut_off_where_the_next_comes_before_it_is_over_for_long_enough() -> None:
    times_s = np.sort(np.concatenate([5.0 + 2.0 * np.arange(60), 5.4 + 6.0 * np.arange(20)]))
    found = find_shots(*readings(times_s, np.full(80, 0.135), 0.06 * DIP_PA))
    assert len(found.shots) == 80
    soon = np.diff([s.time_s for s in found.shots], append=np.inf) < 0.5
    assert np.mean([s.outcome == "cut off" for s in found.shots] == soon) > 0.95


def few_or_shallow(count: int, dip_pa: float) -> tuple[list[Seen], list[Shot]]:
    """Shots whose recovery is told too early, and their readings."""
    x = STEP_S * np.arange(-3, 190)
    seen, told = [], []
    for at in 2.0 * np.arange(count):
        shot = Shot(
            time_s=float(at), before_pa=BEFORE_PA, minimum_pa=BEFORE_PA - dip_pa, dip_pa=dip_pa,
            recovery_s=AFTER_RISE_S, censored_s=AFTER_RISE_S, outcome="recovered",
        )  # fmt: skip
        p = BEFORE_PA - dip_pa * np.where(x > 0.0, lost(x, 0.2), 0.0)
        seen.append(Seen(shot=shot, decided=shot, slope_pa_per_s=0.0, drift_pa_per_s=0.0, noise_pa=300.0, t_s=at + x, p_pa=p))
        told.append(shot)
    return seen, told


def test_shots_that_are_few_or_shallow_stay_as_they_are() -> None:
    many, told = few_or_shallow(12, DIP_PA)
    assert [s.recovery_s for s in agreed(many, told, STEP_S)[0]] == pytest.approx([over_s(0.2)] * 12, rel=0.02)
    for seen, told in (few_or_shallow(7, DIP_PA), few_or_shallow(12, 5e3)):
        assert agreed(seen, told, STEP_S) == (told, None)


def test_before_and_after_takes_each_shot_by_itself() -> None:
    swing = 0.135
    t, p = readings(5.0 + 3.0 * np.arange(60), np.full(60, swing), 0.06 * DIP_PA)
    together = np.array([s.recovery_s for s in find_shots(t, p).shots])
    by_itself = settled_shots(Trace(t_s=t, p_pa=p)).time_s
    assert np.mean(np.abs(together - over_s(swing)) < 0.03) > 0.9
    assert np.mean(np.abs(by_itself - over_s(swing)) < 0.03) < 0.5


@pytest.mark.parametrize(("swing", "told"), [(0.1, True), (0.02, False)])
def test_the_reader_is_told_where_little_decides_when_dips_are_over(swing: float, *, told: bool) -> None:
    found = find_shots(*readings(5.0 + 2.0 * np.arange(30), np.full(30, swing), 0.01 * DIP_PA))
    assert any("counts as over" in w for w in found.warnings) == told
    median = summarise(found).median_recovery_s
    assert median.low is not None
    assert median.high is not None
    assert (median.low < over_s(0.08) + 0.01 and median.high > over_s(0.12) - 0.01) == told
