"""A fall of about one step of the resolution, in noise far below it: told from a drift across a step by the likelihood of readings."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from analysis.faint_fall import FaintFall
from analysis.rounded_fall import RoundedFalls
from analysis.shots import find_shots
from tests.shot_scores import Scene, dip_shape, matched_sigma, pump, record, score

Floats = NDArray[np.float64]

STEP_PA = 1000.0
T_S = np.arange(-1.3, 0.65, 0.005)
RECEIVER = Scene(name="receiver", fall_s=0.07, bottom_s=0.2, recovery_s=0.15, kept=0.6, overshoot=0.0)
NEAR = FaintFall(time_s=0.01, width_s=0.06, before_pa=6e5, dip_pa=1.2 * STEP_PA, sure=6.0, unlike_line=4.0)


def rounded(p_pa: Floats, noise_pa: float, rng: np.random.Generator) -> Floats:
    readings: Floats = STEP_PA * np.round((p_pa + rng.normal(0.0, noise_pa, p_pa.size)) / STEP_PA)
    return readings


@pytest.mark.parametrize("noise_pa", [100.0, 250.0])
def test_a_fall_little_deeper_than_a_step_is_told_wherever_in_a_step_it_begins(noise_pa: float) -> None:
    rng = np.random.default_rng(1)
    levels = 6e5 + STEP_PA * np.linspace(-0.5, 0.5, 20)
    fits = [RoundedFalls().fit(T_S, rounded(p + 1500.0 * dip_shape(T_S, RECEIVER), noise_pa, rng), NEAR, STEP_PA, noise_pa) for p in levels]
    found = [fit for fit in fits if fit is not None]
    assert len(found) >= 19
    assert np.mean([abs(f.time_s) < 0.03 for f in found]) > 0.8
    assert np.median([f.dip_pa for f in found]) == pytest.approx(1500.0, rel=0.1)


@pytest.mark.parametrize("noise_pa", [10.0, 40.0, 100.0, 250.0])
def test_a_drift_across_steps_is_no_fall(noise_pa: float) -> None:
    rng = np.random.default_rng(2)
    for slope in STEP_PA * np.geomspace(0.1, 5.0, 40):
        p = rounded(6e5 + 0.5 * STEP_PA - slope * T_S, noise_pa, rng)  # crosses at 0
        assert RoundedFalls().fit(T_S, p, NEAR, STEP_PA, noise_pa) is None


def test_the_turn_where_a_pump_stops_is_no_fall() -> None:
    rng = np.random.default_rng(3)
    for rise in STEP_PA * np.geomspace(0.5, 10.0, 20):
        p = 6e5 + rise * np.minimum(T_S + 0.1, 0.0) - 0.1 * rise * np.maximum(T_S + 0.1, 0.0)
        assert RoundedFalls().fit(T_S, rounded(p, 70.0, rng), NEAR, STEP_PA, 70.0) is None


def test_a_fall_that_goes_on_more_slowly_is_told() -> None:
    rng = np.random.default_rng(4)
    goes_on = np.clip((T_S - 0.15) / 0.4, 0.0, 1.0)
    p = 6e5 + 2500.0 * dip_shape(T_S, replace(RECEIVER, kept=1.0)) - 650.0 * goes_on
    for level_pa in STEP_PA * np.linspace(-0.5, 0.5, 10):
        assert RoundedFalls().fit(T_S, rounded(p + level_pa, 380.0, rng), NEAR, STEP_PA, 100.0) is not None


def test_noise_that_readings_share_shows_few_falls() -> None:
    rng = np.random.default_rng(8)
    noise, falls, found = np.zeros(T_S.size), RoundedFalls(), 0
    for _ in range(150):
        for i in range(T_S.size):
            noise[i] = 0.92 * noise[i - 1] + rng.normal(0.0, 0.16 * STEP_PA)  # over 60 ms
        found += falls.fit(T_S, rounded(6e5 + noise, 50.0, rng), NEAR, STEP_PA, 50.0) is not None
    assert found <= 4


def test_too_few_readings_show_nothing() -> None:
    assert RoundedFalls().fit(T_S[:10], np.full(10, 6e5), NEAR, STEP_PA, 100.0) is None


@pytest.mark.parametrize(
    ("step_pa", "dip_pa", "noise_pa", "rate_hz"),
    [(1222.0, 1600.0, 240.0, 250.0), (1953.0, 3300.0, 200.0, 500.0), (977.0, 1500.0, 300.0, 125.0), (1562.0, 1900.0, 400.0, 1000.0)],
)
def test_shots_of_one_to_two_steps_are_found(step_pa: float, dip_pa: float, noise_pa: float, rate_hz: float) -> None:
    scene = Scene(name="near a step", rate_hz=rate_hz, step_pa=step_pa, dip_pa=dip_pa, noise_pa=noise_pa, fall_s=0.07, bottom_s=0.18,
                  recovery_s=0.2, overshoot=0.0, kept=0.6, every_s=0.6)  # fmt: skip
    made = record(scene, 5)
    assert np.nanpercentile(matched_sigma(scene, made), 10) > 8.0
    assert score(find_shots(made.t_s, made.p_pa), made).f1 >= 0.95


@pytest.mark.parametrize(
    ("step_pa", "dip_pa", "noise_pa", "rate_hz"),
    [
        (1562.0, 1700.0, 470.0, 400.0),
        (1222.0, 1750.0, 290.0, 500.0),
        (977.0, 1100.0, 380.0, 1000.0),
        (1562.0, 2100.0, 830.0, 500.0),
        (1000.0, 1700.0, 450.0, 200.0),
    ],
)
def test_brief_dips_of_about_a_step_that_come_back_whole_are_found(step_pa: float, dip_pa: float, noise_pa: float, rate_hz: float) -> None:
    scene = Scene(name="brief", rate_hz=rate_hz, step_pa=step_pa, dip_pa=dip_pa, noise_pa=noise_pa, fall_s=0.01, bottom_s=0.05, every_s=0.5)
    made = record(scene, 7)
    assert np.nanpercentile(matched_sigma(scene, made), 10) > 8.0
    assert score(find_shots(made.t_s, made.p_pa), made).f1 >= 0.95


@pytest.mark.parametrize(
    ("rate_hz", "step_pa", "dip_pa", "noise_pa", "fall_s", "bottom_s", "kept"),
    [(350.0, 1465.0, 1600.0, 600.0, 0.11, 0.28, 0.9), (270.0, 1953.0, 1550.0, 590.0, 0.035, 0.09, 0.0)],
)
def test_shots_as_faint_as_a_matched_filter_can_tell_are_found_and_placed(
    rate_hz: float, step_pa: float, dip_pa: float, noise_pa: float, fall_s: float, bottom_s: float, kept: float
) -> None:
    scene = Scene(name="faint", rate_hz=rate_hz, step_pa=step_pa, dip_pa=dip_pa, noise_pa=noise_pa, fall_s=fall_s, bottom_s=bottom_s,
                  recovery_s=0.25, overshoot=0.0, kept=kept, bursts=4, every_s=0.8, apart_s=(1.5, 5.0))  # fmt: skip
    made = record(scene, 5)
    assert np.nanpercentile(matched_sigma(scene, made), 10) > 8.0
    assert score(find_shots(made.t_s, made.p_pa), made).f1 >= 0.95


@pytest.mark.parametrize("noise", [0.03, 0.1, 0.3, 0.6])
def test_an_idle_line_on_coarse_steps_fires_no_shots(noise: float) -> None:
    rng = np.random.default_rng(6)
    t = np.arange(0.0, 900.0, 0.01)
    tank = pump(Scene(name="idle", pump_pa_per_s=4000.0), [], np.empty(0), 900.0)
    warms = 5.0 * STEP_PA * np.sin(2.0 * np.pi * t / 240.0)
    for p in (6e5 + warms, 6e5 + tank.at(t)):
        assert find_shots(t, rounded(p, noise * STEP_PA, rng)).shots == ()
