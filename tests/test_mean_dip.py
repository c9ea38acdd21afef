"""Brief dips, of which one shot shows a few readings, measured between them by the mean dip of many shots."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analysis.mean_dip import Seen, superimpose
from analysis.record import Shot
from analysis.sharpened import sharpened
from analysis.shots import find_shots, summarise
from tests.shot_scores import Scene, Scored, dip_shape, drawn, record, score

# Below half of its depth for 20, 29 and 38 ms.
SHARP = Scene(name="sharp", fall_s=0.005, bottom_s=0.015, recovery_s=0.012, overshoot=0.05, noise_pa=800.0, bursts=8)
ROUND = replace(SHARP, name="round", fall_s=0.012, bottom_s=0.02, recovery_s=0.02)
LONGER = replace(SHARP, name="longer", bottom_s=0.03, recovery_s=0.016)


def errors(scene: Scene, seed: int) -> tuple[float, float]:
    """Median size of the error of the dip, as a share, and of the recovery [s]."""
    made = record(scene, seed)
    found = find_shots(made.t_s, made.p_pa)
    s = score(found, made)
    return s.dip, s.recovery * float(np.nanmedian(made.recoveries_s))


@pytest.mark.parametrize(
    ("scene", "rate_hz"), [(SHARP, 130.0), (SHARP, 160.0), (ROUND, 80.0), (ROUND, 160.0), (LONGER, 70.0), (LONGER, 160.0)]
)
def test_brief_dips_are_measured_between_their_readings(scene: Scene, rate_hz: float) -> None:
    dip, recovery_s = np.mean([errors(replace(scene, rate_hz=rate_hz), seed) for seed in (1, 2, 3)], axis=0)
    assert dip <= 0.03
    assert recovery_s <= 0.01


@pytest.mark.parametrize("noise_pa", [600.0, 2000.0])
@pytest.mark.parametrize("seed", [1, 2])
def test_longer_dips_are_placed_beside_the_others_where_there_is_little_noise(seed: int, noise_pa: float) -> None:
    made = record(Scene(name="tool", rate_hz=100.0, noise_pa=noise_pa), seed)  # 13 readings below half; by itself each is placed to 2 ms
    found = find_shots(made.t_s, made.p_pa)
    assert np.std([s.time_s for s in found.shots] - made.times_s) < 0.001


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_dips_in_noise_are_placed_by_the_mean_dip(seed: int) -> None:
    made = record(Scene(name="wide", rate_hz=80.0, noise_pa=4000.0, bottom_s=0.08, recovery_s=0.12), seed)  # 5 % of a dip
    found = find_shots(made.t_s, made.p_pa)
    assert np.std([s.time_s for s in found.shots] - made.times_s) < 0.002  # each by itself 0.0031 to 0.0033
    assert score(found, made).dip < 0.03  # 0.032 to 0.040


@pytest.mark.parametrize("seed", [2, 4])
def test_shots_of_quick_bursts_have_a_mean_dip_of_their_own(seed: int) -> None:
    bursts = Scene(name="q", rate_hz=50.0, noise_pa=800.0, bottom_s=0.045, recovery_s=0.09, overshoot=0.2, every_s=0.28, bursts=10)
    dip, _ = errors(bursts, seed)
    assert dip <= 0.025  # one mean dip for those and for shots from rest: 0.030 and 0.052


@pytest.mark.parametrize("rate_hz", [60.0, 80.0])
def test_shots_of_a_burst_begin_where_the_ringing_line_stands(rate_hz: float) -> None:
    ringing = Scene(name="r", noise_pa=400.0, bottom_s=0.045, recovery_s=0.05, overshoot=0.25, every_s=0.25, bursts=10, single=4)
    errors = []
    for seed in (2, 3, 4):
        made = record(replace(ringing, rate_hz=rate_hz), seed)
        line = record(replace(ringing, rate_hz=4000.0, noise_pa=0.0), seed)
        before = np.interp(made.times_s - 0.0003, line.t_s, line.p_pa)
        found = find_shots(made.t_s, made.p_pa).shots
        assert len(found) == made.times_s.size
        soon = np.flatnonzero(np.diff(made.times_s) < 0.5) + 1
        errors += [(found[i].before_pa - before[i]) / made.dips_pa[i] for i in soon]
    assert abs(np.median(errors)) < 0.012  # without what the shot before tells: 0.031 and 0.019


@pytest.mark.parametrize("rate_hz", [42.0, 50.0, 62.5])
def test_falls_faster_than_readings_follow_are_not_told_too_early(rate_hz: float) -> None:
    quick = Scene(name="q", rate_hz=rate_hz, noise_pa=500.0, recovery_s=0.05, overshoot=0.15, bursts=14)
    errors = []
    for seed in (2, 3, 4):
        made = record(quick, seed)
        shots = find_shots(made.t_s, made.p_pa).shots
        assert len(shots) == made.times_s.size
        errors.append(float(np.median([s.time_s - at for s, at in zip(shots, made.times_s, strict=True)])))
    assert abs(np.mean(errors)) < 0.0018  # by the drawn curve alone 2.0 to 4.0 ms


@pytest.mark.parametrize(("place", "seed"), [("tool, 11 gal", 31), ("tool, 1/2 in", 31), ("tool, 5 gal", 31), ("tool, 11 gal", 38)])
def test_noise_does_not_mislead_the_mean_dip(place: str, seed: int) -> None:
    scene = drawn(place, seed)  # 80 to 100 readings a second, noise of 7 % of the dip
    found = score(find_shots((made := record(scene, seed)).t_s, made.p_pa), made)
    assert abs(found.onset_s) <= 0.5 / scene.rate_hz
    assert found.dip <= scene.noise_pa / scene.dip_pa


@pytest.mark.parametrize("rate_hz", [60.0, 80.0, 100.0])
def test_dips_too_brief_for_their_readings_are_told_with_their_doubt(rate_hz: float) -> None:
    made = record(replace(SHARP, rate_hz=rate_hz), 4)
    found = find_shots(made.t_s, made.p_pa)
    assert any("how deep" in w and "Log" in w for w in found.warnings)
    true = float(np.median(made.dips_pa))
    told = summarise(found).median_dip_pa
    assert told.low is not None
    assert told.high is not None
    assert told.low < true < told.high


@pytest.mark.parametrize(("place", "seed"), [("receiver, 5 gal", 303), ("receiver, 11 gal", 301)])
def test_the_usual_dip_is_as_unsure_as_noise_leaves_all_alike(place: str, seed: int) -> None:
    made = record(drawn(place, seed), seed)  # noise of 8 and 9 % of the dip
    told = summarise(find_shots(made.t_s, made.p_pa)).median_dip_pa
    assert told.low is not None
    assert told.high is not None
    assert told.low < float(np.median(made.dips_pa)) < told.high


def test_few_shots_have_no_mean_dip_and_say_so() -> None:
    made = record(replace(SHARP, rate_hz=100.0, single=7, bursts=0), 2)
    many = record(replace(SHARP, rate_hz=100.0), 2)
    few, enough = (find_shots(m.t_s, m.p_pa) for m in (made, many))
    assert few.depth_u > 2.0 * enough.depth_u
    assert any("more shots" in w for w in few.warnings)


def test_readings_close_enough_leave_no_doubt() -> None:
    made = record(replace(SHARP, rate_hz=1000.0), 2)
    found = find_shots(made.t_s, made.p_pa)
    assert found.depth_u == 0.0
    assert found.warnings == ()


def shown_by(scene: Scene, lag_s: float, seed: int) -> Scored:
    """A recording as a sensor of first order shows it, without noise."""
    fine = record(replace(scene, rate_hz=5000.0, noise_pa=0.0, step_pa=0.0, jitter=0.0), seed)
    shown, p = fine.p_pa.copy(), fine.p_pa[0]
    share = 1.0 - np.exp(-1.0 / 5000.0 / lag_s)
    for i, x in enumerate(fine.p_pa):
        p += share * (x - p)
        shown[i] = p
    return replace(fine, p_pa=shown)


@pytest.mark.parametrize("rate_hz", [100.0, 160.0])
def test_a_sensors_lag_is_taken_out_of_the_mean_dip(rate_hz: float) -> None:
    lag_s = 0.006
    fine = shown_by(ROUND, lag_s, 3)
    rng = np.random.default_rng(6)
    keep = np.unique(np.searchsorted(fine.t_s, np.arange(0.0, fine.t_s[-1], 1.0 / rate_hz) + rng.uniform(0.0, 0.1 / rate_hz)))
    t, p = fine.t_s[keep], fine.p_pa[keep] + rng.normal(0.0, 500.0, keep.size)
    slow, freed = score(find_shots(t, p), fine), score(find_shots(t, p, lag_s=lag_s), fine)
    assert slow.dip > 0.08
    assert freed.dip < 0.025


def seen(scenes: list[Scene], step_s: float, phases: np.ndarray, depths: np.ndarray, readings: int = 12) -> list[Seen]:
    """Shots whose readings lie on them at given phases, measured to the nearest reading."""
    out = []
    for i, (scene, phase, depth) in enumerate(zip(scenes, phases, depths, strict=True)):
        t = 10.0 * i + step_s * (np.arange(-3, readings) + phase)
        p = 6e5 + depth * dip_shape(t - 10.0 * i, scene)
        shot = Shot(
            time_s=float(t[2]), before_pa=6e5, minimum_pa=float(p.min()), dip_pa=float(6e5 - p.min()),
            recovery_s=0.1, censored_s=0.1, outcome="recovered",
        )  # fmt: skip
        out.append(Seen(shot=shot, decided=shot, slope_pa_per_s=0.0, drift_pa_per_s=0.0, noise_pa=100.0, t_s=t, p_pa=p))
    return out


def test_shots_are_laid_over_each_other_and_scaled() -> None:
    rng = np.random.default_rng(1)
    depths = rng.uniform(7e4, 9e4, 40)
    mean = superimpose(seen([LONGER] * 40, 0.01, rng.uniform(0.0, 1.0, 40), depths), 0.01)
    shift = mean.at_s - 10.0 * np.arange(40)
    apart = np.abs(shift - np.median(shift))  # a shot without a reading on its edges may lie a little off
    assert np.median(apart) < 0.0005
    assert np.percentile(apart, 90) < 0.002
    assert mean.depth_pa == pytest.approx(depths * np.median(mean.depth_pa / depths), rel=0.03)
    assert mean.width_s == pytest.approx(0.038, abs=0.003)


def notched(seed: int, step_s: float) -> tuple[list[Seen], np.ndarray]:
    """60 shots that differ a little, with a notch 6 ms wide at the bottom, in noise of 0.5 %; and how deep each truly goes [Pa]."""
    rng = np.random.default_rng(seed)
    depths, falls = rng.uniform(7e4, 9e4, 60), rng.uniform(0.009, 0.011, 60)
    plain = [replace(LONGER, fall_s=f, bottom_s=0.045, recovery_s=0.05) for f in falls]
    made = seen(plain, step_s, rng.uniform(0.0, 1.0, 60), 0.85 * depths)
    for i, s in enumerate(made):
        notch = np.maximum(1.0 - np.abs(s.t_s - 10.0 * i - 0.045) / 0.006, 0.0)
        made[i] = replace(s, noise_pa=400.0, p_pa=s.p_pa - 0.2 * depths[i] * notch + rng.normal(0.0, 400.0, s.t_s.size))
    x = np.arange(0.0, 0.1, 1e-4)
    notch = np.maximum(1.0 - np.abs(x - 0.045) / 0.006, 0.0)
    return made, depths * np.array([np.max(0.2 * notch - 0.85 * dip_shape(x, scene)) for scene in plain])


@pytest.mark.parametrize(("step_s", "rounded"), [(0.01, 0.016), (0.0125, 0.016), (0.02, 0.03)])
def test_a_notch_between_readings_is_little_rounded(step_s: float, rounded: float) -> None:
    errors = []
    for seed in (1, 2, 3):
        made, true = notched(seed, step_s)
        errors.append(np.median(superimpose(made, step_s).depth_pa / true - 1.0))
    assert abs(np.mean(errors)) < rounded  # of a curve twice as stiff 0.018, 0.022 and 0.041; as stiff everywhere 0.039, 0.053 and 0.077


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_shots_that_come_back_differently_are_laid_over_each_other_by_their_falls(seed: int) -> None:
    rng = np.random.default_rng(seed)
    slow = Scene(name="slow", fall_s=0.012, bottom_s=0.045, recovery_s=0.13, overshoot=0.05)
    scenes = [replace(slow, recovery_s=slow.recovery_s * k) for k in rng.uniform(0.7, 1.4, 60)]
    mean = superimpose(seen(scenes, 0.02, rng.uniform(0.0, 1.0, 60), np.full(60, 8e4)), 0.02)
    true = np.array([-dip_shape(np.arange(0.0, 0.3, 1e-4), scene).min() for scene in scenes])
    assert np.median(np.abs(mean.depth_pa / (8e4 * true) - 1.0)) < 0.02  # where they bunch up to share what follows: 0.03 to 0.15
    assert np.std(mean.at_s - 10.0 * np.arange(60)) < 0.002  # a tenth of a reading; there 0.003 to 0.004


@pytest.mark.parametrize("fall_s", [0.008, 0.012])
def test_the_way_back_bends_to_no_place_where_readings_bunch_up(fall_s: float) -> None:
    rng = np.random.default_rng(1)
    like, late = rng.uniform(0.7, 1.3, 60), 1.0 + 0.3 * rng.uniform(-0.3, 0.3, 60)  # how fast each comes back, and how late
    scenes = [
        Scene(name="m", fall_s=fall_s, bottom_s=0.045 * b, recovery_s=0.09 * k, overshoot=0.05) for k, b in zip(like, late, strict=True)
    ]
    made = seen(scenes, 0.008, rng.uniform(0.0, 1.0, 60), rng.uniform(7e4, 9e4, 60), 43)
    made = [replace(s, noise_pa=500.0, p_pa=s.p_pa + rng.normal(0.0, 500.0, s.t_s.size)) for s in made]
    share = superimpose(made, 0.008).share
    assert np.sum(np.abs(np.diff(share))) < 3.4  # down, up and ringing 2.2; of a curve as soft everywhere 3.6 and 6.7


def test_a_step_on_a_receiver_has_no_mean_dip() -> None:
    rng = np.random.default_rng(3)
    shots = seen([replace(LONGER, kept=0.7)] * 40, 0.01, rng.uniform(0.0, 1.0, 40), np.full(40, 8e4))
    now, _ = sharpened(shots, 0.01)
    assert all(a is b.shot for a, b in zip(now, shots, strict=True))


def test_a_shot_unlike_the_others_stays_as_it_was_measured() -> None:
    rng = np.random.default_rng(2)
    shots = seen([LONGER] * 40, 0.01, rng.uniform(0.0, 1.0, 40), np.full(40, 8e4))
    at = shots[7].t_s - 70.0
    shots[7] = replace(shots[7], p_pa=shots[7].p_pa + np.where((at > 0.015) & (at < 0.03), 4e4, 0.0))  # it comes back at half-time
    now, _ = sharpened(shots, 0.01)
    assert now[7] is shots[7].shot
    assert sum(a is not b.shot for a, b in zip(now, shots, strict=True)) >= 37
