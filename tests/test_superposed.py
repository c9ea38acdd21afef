"""Shots fired while the line still rings from the one before, told as one answer of the line laid over another."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.signal import lfilter

from analysis.mean_dip import Seen
from analysis.record import Shot
from analysis.superposed import RINGS_S, freed

Floats = NDArray[np.float64]

FINE_HZ = 4000.0


def ringing(times: Floats, depths: Floats, *, for_s: float = 0.03) -> tuple[Floats, Floats]:
    """Pressure at a tool that draws air for so long, on a hose that answers with a swing of 3.5 Hz: a linear line [s, Pa]."""
    t = np.arange(0.0, times[-1] + 3.0, 1.0 / FINE_HZ)
    drawn = np.zeros(t.size)
    for at, deep in zip(times, depths, strict=True):
        on = (t >= at) & (t < at + for_s)
        drawn[on] += deep * np.sin(np.pi * (t[on] - at) / for_s) * np.pi / (2.0 * for_s * FINE_HZ)
    fades, turn = np.exp(-1.0 / (FINE_HZ * 0.2)), np.cos(2.0 * np.pi * 3.5 / FINE_HZ)
    return t, 6.5e5 - lfilter([1.0, -fades * turn], [1.0, -2.0 * fades * turn, fades**2], drawn)


def bursts(seed: int, every_s: float) -> tuple[Floats, Floats]:
    """Times of shots, by fives, and how deep they would go [s, Pa]."""
    rng = np.random.default_rng(seed)
    times, start = [], 2.0
    for _ in range(14):
        times += (start + np.concatenate([[0.0], np.cumsum(every_s * rng.uniform(0.88, 1.12, 4))])).tolist()
        start = times[-1] + rng.uniform(2.0, 4.0)
    return np.array(times), rng.uniform(7.5e4, 8.5e4, len(times))


def read(t: Floats, p: Floats, rate_hz: float, seed: int) -> tuple[Floats, Floats]:
    """The line as a slow logger reads it."""
    rng = np.random.default_rng(seed)
    n = int((t[-1] - 0.1) * rate_hz)
    at = (np.arange(n) + rng.uniform(0.0, 1.0) + 0.05 * rng.uniform(-1.0, 1.0, n)) / rate_hz
    return at, np.interp(at, t, p) + rng.normal(0.0, 500.0, n)


def measured(times: Floats, t: Floats, p: Floats) -> list[Seen]:
    """Shots as they are measured one by one: placed to a reading, and the level that of the last reading before."""
    out = []
    for i, at in enumerate(times):
        first = int(t.searchsorted(at))
        a, z = first - 3, int(t.searchsorted(min(at + 0.45, times[i + 1] if i + 1 < times.size else np.inf)))
        deep = float(p[first - 1] - p[a:z].min())
        shot = Shot(
            time_s=float(t[first - 1]), before_pa=float(p[first - 1]), minimum_pa=float(p[a:z].min()), dip_pa=deep,
            recovery_s=0.1, censored_s=0.1, outcome="recovered",
        )  # fmt: skip
        out.append(Seen(shot=shot, decided=shot, slope_pa_per_s=0.0, drift_pa_per_s=0.0, noise_pa=500.0, t_s=t[a:z], p_pa=p[a:z]))
    return out


@pytest.mark.parametrize("every_s", [0.24, 0.33])
def test_what_shots_leave_behind_is_taken_out_from_under_the_next(every_s: float) -> None:
    times, depths = bursts(1, every_s)
    t, p = ringing(times, depths)
    free, under = freed(measured(times, *read(t, p, 60.0, 1)), 1.0 / 60.0)
    soon = np.flatnonzero(np.diff(times) < RINGS_S) + 1
    stood = np.interp(times[soon] - 0.0005, t, p)
    told = np.array([free[i].shot.before_pa - under[i].lost_pa(times[i : i + 1])[0] for i in soon])
    assert np.std(stood) > 3e3  # it rings
    assert np.percentile(np.abs(told - stood), 90) < 0.02 * np.median(depths)
    assert np.percentile(np.abs([free[i].shot.before_pa - 6.5e5 for i in soon]), 90) < 0.02 * np.median(depths)


def test_shots_far_apart_are_left_as_they_were() -> None:
    times = np.arange(2.0, 40.0, 2.5)
    shots = measured(times, *read(*ringing(times, np.full(times.size, 8e4)), 60.0, 2))
    free, under = freed(shots, 1.0 / 60.0)
    assert free == shots
    assert not any(u.times_s.size for u in under)
