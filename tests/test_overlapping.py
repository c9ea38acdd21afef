"""Falls that overlap are told apart by their common shape, and slopes, noise and what is known already are none."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest

from analysis.overlapping import NODE_S, Shape, common_shape, drift, fit_falls
from analysis.shots import find_shots
from tests.shot_scores import Floats, Scene, dip_shape, drawn, record, refilled, score
from tests.test_mean_dip import seen

RECEIVER = Scene(name="receiver", fall_s=0.08, bottom_s=0.2, recovery_s=0.2, kept=0.6, overshoot=0.0)
DIP_PA, NOISE_PA = 4000.0, 500.0
SHAPE = Shape(lost=-dip_shape(NODE_S * np.arange(101.0), RECEIVER), dip_pa=DIP_PA)
T_S = np.arange(0.0, 2.3, 0.008)
PUMP_PA_PER_S = 3600.0


def readings(onsets_s: list[float], seed: int) -> Floats:
    noise = np.random.default_rng(seed).normal(0.0, NOISE_PA, T_S.size)
    course: Floats = 6e5 + PUMP_PA_PER_S * T_S + noise + DIP_PA * sum(dip_shape(T_S - s, RECEIVER) for s in onsets_s)
    return course


@pytest.mark.parametrize("seed", range(5))
def test_a_burst_on_a_line_that_a_pump_fills_is_told_fall_by_fall(seed: int) -> None:
    onsets = [0.6, 0.81, 1.05, 1.26, 1.5]
    found = fit_falls(T_S, readings(onsets, seed), SHAPE, NOISE_PA, 0.0, [], 0.2, 2.0)
    assert [f.time_s for f in found] == pytest.approx(onsets, abs=0.03)
    assert all(f.sure > 5.5 for f in found)
    assert found[0].before_pa - found[0].minimum_pa == pytest.approx(0.8 * DIP_PA, rel=0.2)  # the pump, too, has pushed


def test_falls_that_are_known_or_begin_later_are_not_told() -> None:
    found = fit_falls(T_S, readings([0.6, 0.81, 1.05, 1.26], 6), SHAPE, NOISE_PA, 0.0, [0.6, 1.05], 0.2, 1.2)
    assert [f.time_s for f in found] == pytest.approx([0.81], abs=0.03)


@pytest.mark.parametrize("over_s", [0.4, 0.8, 1.5])
def test_a_slope_is_no_burst(over_s: float) -> None:
    for seed in range(4):
        p = readings([], seed) - 4.0 * DIP_PA * np.clip((T_S - 0.6) / over_s, 0.0, 1.0)
        assert fit_falls(T_S, p, SHAPE, NOISE_PA, 0.0, [], 0.2, 2.0) == []


@pytest.mark.parametrize("seed", range(6))
def test_air_that_a_blow_gun_draws_for_a_moment_is_no_run_of_shots_faster_than_a_tool_fires(seed: int) -> None:
    since = NODE_S * np.arange(101.0)
    shape = Shape(lost=np.minimum(since / 0.045, 1.0) * np.exp(-np.maximum(since - 0.045, 0.0) / 0.12), dip_pa=1e5)
    t = np.arange(0.0, 2.3, 0.0025)
    open_s = np.clip(t - 0.6, 0.0, 0.3)
    drawn_pa = 55e3 * (1.0 - np.exp(-open_s / 0.01)) + 212e3 * (1.0 - np.exp(-open_s / 0.2))
    p = 6e5 - drawn_pa * np.exp(-np.maximum(t - 0.9, 0.0) / 0.15) + np.random.default_rng(seed).normal(0.0, 4e3, t.size)
    assert fit_falls(t, p, shape, 4e3, 0.0, [], 0.2, 2.0) == []


def test_noise_alone_is_no_fall() -> None:
    for seed in range(40):
        assert fit_falls(T_S, readings([], seed), SHAPE, NOISE_PA, 0.0, [], 0.2, 2.0) == []


@pytest.mark.parametrize("level_pa", np.linspace(6e5, 6e5 + 2000.0, 5, endpoint=False))
def test_falls_of_two_steps_of_the_resolution_are_told_and_a_drift_over_steps_is_none(level_pa: float) -> None:
    step = 2000.0
    quiet = np.random.default_rng(7).normal(0.0, 0.04 * step, T_S.size) + level_pa
    falls = np.round((quiet + DIP_PA * (dip_shape(T_S - 0.8, RECEIVER) + dip_shape(T_S - 1.5, RECEIVER))) / step) * step
    found = fit_falls(T_S, falls, SHAPE, 0.45 * step, step, [], 0.2, 2.0)
    assert [f.time_s for f in found] == pytest.approx([0.8, 1.5], abs=0.04)
    drifts = np.round((quiet - 0.7 * step * T_S) / step) * step
    assert fit_falls(T_S, drifts, SHAPE, 0.45 * step, step, [], 0.2, 2.0) == []


def test_the_common_shape_is_that_of_shots_before_which_the_line_was_seen_to_drift() -> None:
    shots = seen([replace(RECEIVER, kept=1.0)] * 9, 0.02, np.linspace(-0.5, 0.5, 9), np.full(9, DIP_PA))
    shape = common_shape(shots)
    assert shape is not None
    true = -dip_shape(NODE_S * np.arange(101.0), replace(RECEIVER, kept=1.0))
    assert np.max(np.abs(shape.lost - true)) < 0.2
    assert shape.dip_pa == pytest.approx(DIP_PA, rel=0.1)
    assert common_shape([replace(s, drift_pa_per_s=float("nan")) for s in shots]) is None


def test_a_drift_is_read_where_the_line_has_come_back_from_the_shot_before() -> None:
    assert drift(T_S, 6e5 + 3000.0 * T_S, 0.1, 2.0) == pytest.approx(3000.0)
    assert np.isnan(drift(T_S, 6e5 + 3000.0 * T_S, 1.4, 2.0))


def test_quick_bursts_on_a_receiver_that_a_pump_fills_are_found() -> None:
    shots, wrong = 0, 0
    for seed in (102, 103, 109, 1310):
        made = record(drawn("receiver, 11 gal", seed), seed)
        found = score(find_shots(made.t_s, made.p_pa), made)
        shots, wrong = shots + made.times_s.size, wrong + found.missed + found.false
    assert wrong < 0.05 * shots


@pytest.mark.parametrize("seed", [3, 4])
def test_a_fall_that_noise_makes_begin_too_early_is_told_once(seed: int) -> None:
    scene = replace(RECEIVER, rate_hz=62.0, dip_pa=6000.0, noise_pa=700.0, step_pa=90.0, kept=0.5, single=12, bursts=6, every_s=0.9,
                    apart_s=(1.5, 5.0))  # fmt: skip
    made = record(scene, seed)
    found = find_shots(made.t_s, made.p_pa).shots
    assert len(found) == made.times_s.size
    assert min(b.time_s - a.time_s for a, b in itertools.pairwise(found)) > 0.5


def test_a_stapler_fired_seven_times_a_second_on_a_receiver_is_counted() -> None:
    scene = Scene(name="stapler", rate_hz=250.0, dip_pa=3000.0, noise_pa=250.0, step_pa=100.0, fall_s=0.05, bottom_s=0.12, recovery_s=0.1,
                  overshoot=0.0, kept=0.8, jitter=0.1, per_burst=12, every_s=1.0 / 7.0)  # fmt: skip
    recordings = [refilled(record(scene, seed), 2400.0, 0.8) for seed in (1, 2, 3, 4)]
    assert np.mean([score(find_shots(made.t_s, made.p_pa), made).f1 for made in recordings]) > 0.9  # 0.73 where a ripple was taken out
