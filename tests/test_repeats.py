"""Loggers that ask more often than the sensor answers."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from analysis.detector import ShotDetector
from analysis.repeats import answered_step
from analysis.shots import find_shots

Floats = NDArray[np.float64]
SHOTS_S = 3.0 + np.cumsum(np.random.default_rng(0).uniform(1.3, 2.1, 15))


def answers(answer_hz: float, seed: int, *, jitter: float = 0.1, noise_pa: float = 700.0) -> tuple[Floats, Floats]:
    """Times of a sensor's answers, and what it says, of deep and brief dips that come back within 0.2 s."""
    rng = np.random.default_rng(seed)
    t = (np.arange(int(31.0 * answer_hz)) + rng.random() + jitter * rng.random(int(31.0 * answer_hz))) / answer_hz
    since = np.maximum(t[:, None] - SHOTS_S, 0.0)
    dips = (1.0 - np.exp(-((since / 0.012) ** 1.4))) * np.exp(-((since / 0.13) ** 2))
    return t, 620_000.0 - 90_000.0 * dips.sum(axis=1) + rng.normal(0.0, noise_pa, t.size)


def asked(asked_hz: float, answer_hz: float, seed: int, *, step_pa: float = 50.0, noise_pa: float = 700.0) -> tuple[Floats, Floats]:
    """What a logger writes that asks so often."""
    made, says = answers(answer_hz, seed, noise_pa=noise_pa)
    t = np.arange(made[0] + 0.01, made[-1], 1.0 / asked_hz)
    return t, step_pa * np.round(says[made.searchsorted(t, side="right") - 1] / step_pa)


@pytest.mark.parametrize(("asked_hz", "answer_hz"), [(200.0, 50.0), (400.0, 97.0), (200.0, 100.0), (100.0, 80.0), (1000.0, 100.0)])
def test_shots_are_where_they_are_however_often_a_slow_sensor_is_asked(asked_hz: float, answer_hz: float) -> None:
    found = find_shots(*asked(asked_hz, answer_hz, 1))
    late = np.array([s.time_s for s in found.shots]) - SHOTS_S
    assert abs(np.median(late)) < max(0.004, 0.5 / answer_hz)
    assert found.rate_hz == pytest.approx(answer_hz, rel=0.05)
    assert any(f"only {answer_hz:.0f}"[:7] in w and "Readings repeat" in w for w in found.warnings)


def test_a_slow_sensor_asked_often_fires_no_shots_of_its_own() -> None:
    rng = np.random.default_rng(3)
    t = np.arange(0.0, 60.0, 0.005)
    assert not find_shots(t, 6e5 + 50.0 * np.round(np.repeat(rng.normal(0.0, 12.0, t.size // 4), 4))).shots


@pytest.mark.parametrize("noise_steps", [0.2, 0.5, 1.0, 3.0, 20.0])
@pytest.mark.parametrize("rate_hz", [50.0, 400.0])
def test_readings_that_rounding_or_rest_makes_alike_are_no_repetitions(noise_steps: float, rate_hz: float) -> None:
    t, p = answers(rate_hz, 2, jitter=0.0)
    step_pa = 700.0 / noise_steps
    p = step_pa * np.round(p / step_pa)
    for a in range(0, t.size - 256, 64):
        assert answered_step(t[a : a + 256], p[a : a + 256]) == 0.0


@pytest.mark.parametrize("size", [1, 7, 300])
def test_repetitions_are_left_out_alike_in_blocks_of_any_size(size: int) -> None:
    t, p = asked(200.0, 60.0, 4)
    stream = ShotDetector()
    for a in range(0, t.size, size):
        stream.feed(t[a : a + size], p[a : a + size])
    assert stream.finish() == find_shots(t, p)


@pytest.mark.parametrize(("asked_hz", "answer_hz"), [(200.0, 50.0), (130.0, 50.0), (100.0, 80.0), (1000.0, 100.0)])
def test_a_coarse_quiet_sensor_that_repeats_is_seen_in_the_falls(asked_hz: float, answer_hz: float) -> None:
    said = find_shots(*asked(asked_hz, answer_hz, 5, step_pa=1200.0, noise_pa=240.0)).warnings
    assert sum("In falls readings repeat" in w for w in said) == 1
    rate = next(float(w.split(" about ")[1].split()[0]) for w in said if "In falls readings repeat" in w)
    assert rate == pytest.approx(answer_hz, rel=0.2)


@pytest.mark.parametrize("noise_steps", [0.0, 0.2, 1.0, 3.0])
def test_falls_that_are_read_anew_each_time_show_no_repetition(noise_steps: float) -> None:
    t, p = answers(100.0, 6, noise_pa=1200.0 * noise_steps)
    assert not any("In falls" in w for w in find_shots(t, 1200.0 * np.round(p / 1200.0)).warnings)
