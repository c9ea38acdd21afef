"""A sensor's lag: known, it is taken out of onset, dip and recovery."""

from __future__ import annotations

import math

import numpy as np
import pytest

from analysis.sensor_lag import span, unlagged
from analysis.sensor_view import seen
from analysis.shots import ShotDetector, find_shots
from tests.shot_scores import Scene, record


def test_a_sharp_bottom_loses_what_the_formula_says_and_gets_it_back() -> None:
    # y' = (p - y) / tau on a corner with slopes -a and b: the lowest reading is b tau ln(1 + a / b) above the corner.
    t = np.arange(0.0, 0.4, 1e-3)
    a, b, tau = 4e6, 1e6, 0.005
    p = np.where(t < 0.2, -a * (t - 0.2), b * (t - 0.2))
    shown = seen(t, p, lag_s=tau)
    after = t > 0.1  # settled on the first slope
    assert shown[after].min() == pytest.approx(b * tau * math.log(1.0 + a / b), rel=0.02)
    assert unlagged(t, shown, tau, span(tau, 1e-3))[after].min() < 0.35 * shown[after].min()


@pytest.mark.parametrize("rate_hz", [200.0, 1000.0])
@pytest.mark.parametrize("lag_s", [0.003, 0.008])
def test_dip_onset_and_recovery_of_the_line_model_behind_a_slow_sensor(rate_hz: float, lag_s: float, deck: tuple[np.ndarray, ...]) -> None:
    fine, p, fired, true = deck
    t = np.arange(fine[0], fine[-1], 1.0 / rate_hz)
    shown = np.interp(t, fine, seen(fine, p, lag_s=lag_s)) + np.random.default_rng(4).normal(0.0, 300.0, t.size)
    plain, told, exact = find_shots(t, shown), find_shots(t, shown, lag_s=lag_s), find_shots(fine, p)
    assert len(plain.shots) == len(told.shots) == len(exact.shots) == fired.size
    lost = [float(np.median([s.dip_pa / x - 1.0 for s, x in zip(found.shots, true, strict=True)])) for found in (plain, told)]
    # The bottom is a few milliseconds wide, and may lie between two readings.
    assert abs(lost[1]) < max(0.02, 0.4 * abs(lost[0]))
    assert abs(float(np.median([s.time_s - x for s, x in zip(told.shots, fired, strict=True)]))) < 0.002
    late = [s.recovery_s - x.recovery_s for s, x in zip(told.shots, exact.shots, strict=True)]
    assert abs(float(np.nanmedian(late))) < 0.004


@pytest.fixture(scope="module")
def deck() -> tuple[np.ndarray, ...]:
    """Shots of the invented deck line with a receiver at the tool: times, pressure, when each was fired and how deep its dip is."""
    from analysis.model import simulate
    from analysis.sensor_view import Sensor, view
    from sample_data.make import deck_line

    fired = np.array([1.0, 3.0013, 5.0029, 5.4041, 5.8007, 8.0023])  # anywhere between two readings
    simulation = simulate(deck_line(receiver=True), fired, duration_s=10.0, output_rate_hz=2000.0)
    shots = view(simulation, Sensor(place="tool")).shots
    return simulation.t_s, simulation.tool_pa, fired, np.array([s.dip_pa for s in shots])


def test_block_sizes_do_not_matter_without_the_lag() -> None:
    made = record(Scene(name="all", single=3, bursts=1, spikes_per_min=6.0, gaps=1), 3)
    detector = ShotDetector(lag_s=0.006)
    for a in range(0, made.t_s.size, 61):
        detector.feed(made.t_s[a : a + 61], made.p_pa[a : a + 61])
    assert repr(detector.finish()) == repr(find_shots(made.t_s, made.p_pa, lag_s=0.006))


def test_a_lag_that_is_not_possible_is_refused() -> None:
    with pytest.raises(ValueError, match=r"lag of 2000 ms cannot be taken out.*0 ms to 100 ms"):
        ShotDetector(lag_s=2.0)
    with pytest.raises(ValueError, match="lag of -1 ms"):
        ShotDetector(lag_s=-1e-3)


@pytest.mark.parametrize("rate_hz", [100.0, 500.0])
@pytest.mark.parametrize("lag_s", [0.0, 0.005, 0.03, 0.08])
def test_a_lag_that_nobody_stated_is_said_where_it_flattens_dips_at_the_tool(rate_hz: float, lag_s: float) -> None:
    made = record(Scene(name="at the tool", rate_hz=rate_hz, jitter=0.0, noise_pa=0.0, step_pa=0.0), 2)
    shown = seen(made.t_s, made.p_pa, lag_s=lag_s) + np.random.default_rng(5).normal(0.0, 700.0, made.t_s.size)
    said = [any("at least as deep as told" in w for w in find_shots(made.t_s, shown, lag_s=given).warnings) for given in (0.0, lag_s)]
    assert said == [lag_s > 0.01, False]


@pytest.mark.parametrize("dip_pa", [5e3, 20e3])
def test_slow_small_dips_as_on_a_receiver_are_no_slow_sensor(dip_pa: float) -> None:
    made = record(Scene(name="receiver", dip_pa=dip_pa, noise_pa=200.0, step_pa=50.0, fall_s=0.08, bottom_s=0.2, recovery_s=0.15), 3)
    assert not any("at least as deep as told" in w for w in find_shots(made.t_s, made.p_pa).warnings)
