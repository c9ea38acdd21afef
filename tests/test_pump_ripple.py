"""A pump's ripple is taken out of a stretch of readings, and nothing else is."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.pump_ripple import without_ripple
from analysis.shots import find_shots
from tests.shot_scores import Floats, Scene, dip_shape, drawn, record, score

T_S = np.arange(0.0, 2.3, 0.005)


def noise(pa: float, size: int = T_S.size, seed: int = 1) -> Floats:
    return np.random.default_rng(seed).normal(0.0, pa, size)


@pytest.mark.parametrize("rate_hz", [50.0, 125.0, 400.0, 2000.0])
@pytest.mark.parametrize("hz", [6.5, 9.3, 14.2, 20.0])
def test_a_ripple_with_a_harmonic_is_taken_out_beside_a_dip(hz: float, rate_hz: float) -> None:
    t = np.arange(0.0, 2.3, 1.0 / rate_hz)
    dip = 6e5 + 2e3 * t + 4e3 * dip_shape(t - 1.5, Scene(name="receiver", fall_s=0.08, bottom_s=0.2, kept=0.6, overshoot=0.0))
    second = 200.0 * np.sin(4.0 * np.pi * hz * t + 1.0) if 2.0 * hz < 0.4 * rate_hz else 0.0
    swing = 800.0 * (1.0 + 0.1 * t) * np.sin(2.0 * np.pi * (hz * t + 0.05 * t**2)) + second
    calm = without_ripple(t, dip + swing + noise(100.0, t.size), 10.0)
    assert np.std(calm - dip) < 0.3 * np.std(swing)


def test_noise_and_what_does_not_matter_are_left_as_they_are() -> None:
    for seed in range(20):
        p = 6e5 + noise(500.0, seed=seed)
        assert without_ripple(T_S, p, 0.0) is p
    p = 6e5 + 800.0 * np.sin(2.0 * np.pi * 12.0 * T_S)
    assert without_ripple(T_S, p, 1e3) is p
    assert without_ripple(T_S[:20], p[:20], 0.0) is not None


@pytest.mark.parametrize("every_s", [0.2, 0.23, 0.27, 0.33])
def test_a_burst_at_a_tool_is_no_ripple(every_s: float) -> None:
    scene = Scene(name="tool")
    p = 6e5 + sum(8e4 * dip_shape(T_S - at, scene) for at in np.arange(0.3, 2.2, every_s)) + noise(800.0)
    assert without_ripple(T_S, p, 0.0) is p


@pytest.mark.parametrize(("place", "seed"), [("receiver, 5 gal", 604), ("compressor end", 711)])
def test_a_ripple_is_no_row_of_spikes_and_hides_no_spike(place: str, seed: int) -> None:
    made = record(drawn(place, seed), seed)
    assert score(find_shots(made.t_s, made.p_pa), made).f1 > 0.99


def test_a_hose_that_rings_under_a_quick_burst_swings_more_than_any_pump() -> None:
    p = 6e5 + 12e3 * np.sin(2.0 * np.pi * 8.4 * T_S) + noise(500.0)
    assert without_ripple(T_S, p, 0.0) is p


@pytest.mark.parametrize("every_s", [0.125, 0.15])
def test_a_stapler_on_a_receiver_is_no_ripple_though_as_even(every_s: float) -> None:
    scene = Scene(name="stapler", fall_s=0.04, bottom_s=0.08, recovery_s=0.1, overshoot=0.0, kept=0.7)
    p = 6e5 + sum(3e3 * dip_shape(T_S - at, scene) for at in np.arange(0.5, 2.3, every_s)) + noise(100.0)
    assert without_ripple(T_S, p, 0.0) is p
