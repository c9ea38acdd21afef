"""Nothing fired, but noise that is not as noise usually is: no shots. And shots among such noise."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

from analysis.noise_here import LAST_T, SLOTS, TAIL, tail
from analysis.shots import find_shots
from analysis.swings import lost_pa_s
from tests.shot_scores import Scene, record, score

Floats = NDArray[np.float64]
Noise = Callable[[Floats, np.random.Generator], Floats]
NOISE_PA = 800.0
LEARNT_S, FEW = 30.0, 5  # by when the noise is known, and shots that it may still make within some minutes


def far_off(t: Floats, rng: np.random.Generator) -> Floats:
    """Student's t with 3 degrees of freedom."""
    return rng.standard_t(3, t.size)


def exponential(t: Floats, rng: np.random.Generator) -> Floats:
    """Laplace's."""
    return rng.laplace(0.0, 0.8, t.size)


def filtered(t: Floats, rng: np.random.Generator) -> Floats:
    """A logger with a first-order filter of 50 ms."""
    weights = np.exp(-np.arange(0.0, 0.5, float(t[1] - t[0])) / 0.05)
    mean = np.convolve(rng.normal(0.0, 1.0, t.size), weights)[: t.size]
    return np.asarray(mean / mean.std())


def two_levels(t: Floats, rng: np.random.Generator) -> Floats:
    """A sensor that hops between two levels (burst noise)."""
    hops = np.cumsum(rng.exponential(0.7, int(t[-1])))
    return 3.0 * (hops.searchsorted(t) % 2) + rng.normal(0.0, 1.0, t.size)


def kicks(t: Floats, rng: np.random.Generator) -> Floats:
    """A relay that kicks the readings up or down about every 3 s; they come back in 30 ms."""
    kicked = np.arange(2.0, t[-1], 3.0) + rng.uniform(-1.0, 1.0, np.arange(2.0, t[-1], 3.0).size)
    last = np.maximum(kicked.searchsorted(t) - 1, 0)
    size = 10.0 * rng.choice([-1.0, 1.0], kicked.size)[last] * (t >= kicked[0])
    return np.asarray(size * np.exp(-np.abs(t - kicked[last]) / 0.03) + rng.normal(0.0, 1.0, t.size))


def radio(t: Floats, rng: np.random.Generator) -> Floats:
    """A supply that sags for 12 ms about each second, while a radio sends."""
    return rng.normal(0.0, 1.0, t.size) - 4.0 * (t % 1.024 < 0.012)


NOISES: list[tuple[Noise, float]] = [
    (far_off, 1000.0), (exponential, 1000.0), (filtered, 200.0), (two_levels, 200.0), (kicks, 200.0),
    (radio, 1000.0),
]  # fmt: skip


@pytest.mark.parametrize(("noise", "rate_hz"), NOISES)
def test_noise_fires_no_shots(noise: Noise, rate_hz: float) -> None:
    rng = np.random.default_rng(3)
    t = np.arange(240.0 * rate_hz) / rate_hz
    found = find_shots(t, np.round((620e3 + NOISE_PA * noise(t, rng)) / 300.0) * 300.0)
    assert sum(s.time_s > LEARNT_S for s in found.shots) <= FEW


@pytest.mark.parametrize(("noise", "rate_hz"), NOISES)
def test_shots_among_it_are_found(noise: Noise, rate_hz: float) -> None:
    made = record(Scene(name="among noise", rate_hz=rate_hz, noise_pa=1.0), 4)
    p = made.p_pa + NOISE_PA * noise(made.t_s, np.random.default_rng(5))
    assert score(find_shots(made.t_s, np.round(p / 300.0) * 300.0), made).f1 > 0.98


def swung(rise_pa: float, back_pa: float, before_pa: float, bumps: int = 2) -> float:
    """How many times the usual threshold of 100 Pa a fall has to be after a fall, a rise 5 s later, and another fall, so often."""
    state = np.zeros(SLOTS)
    state[TAIL], state[LAST_T] = 1.0, -np.inf
    falls = np.tile(np.zeros(700), bumps)
    for k in range(bumps):
        falls[[700 * k, 700 * k + 500, 700 * k + 520]] = before_pa, -rise_pa, back_pa
    for i, fall_pa in enumerate(falls):
        known = tail(state, 0, 0.01 * i, 0.01, fall_pa, 100.0, 150.0)
    return float(known)


def test_a_bump_raises_what_a_fall_must_be() -> None:
    assert swung(160.0, 100.0, 0.0) == pytest.approx(1.5, rel=0.01)  # so much at most at once
    assert swung(160.0, 100.0, 0.0, bumps=4) == pytest.approx(2.0, rel=0.02)
    assert swung(160.0, 100.0, 0.0, bumps=1) == 1.0  # chance
    assert swung(110.0, 100.0, 0.0) == 1.0  # white noise does as much
    assert swung(160.0, 0.0, 0.0) == 1.0  # a line that is raised
    assert swung(160.0, 100.0, 5000.0) == 1.0  # one that comes back from a shot, before the next


def test_what_a_dip_loses_is_summed_over_it() -> None:
    t = np.arange(1000, dtype=np.float64) / 1000.0
    p = np.full(1000, 620e3)
    p[500:512] -= 4000.0
    assert lost_pa_s(t, p, 0.5, 0.5, 620e3, 4000.0, 90.0) == pytest.approx(4000.0 * 0.012)
