"""Means of values that drift, against processes drawn with a known mean."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from analysis.slow_drift import FEWEST, widening

Floats = NDArray[np.float64]


def drawn(rng: np.random.Generator, n: int, share: float, over_s: float) -> tuple[Floats, Floats]:
    """Times 3 to 6 s apart, and values about 0 of which a share of the variance drifts."""
    t = np.cumsum(rng.uniform(3.0, 6.0, n))
    drift = np.empty(n)
    drift[0] = rng.normal()
    for i in range(1, n):
        fades = math.exp(-(t[i] - t[i - 1]) / over_s)
        drift[i] = fades * drift[i - 1] + math.sqrt(1.0 - fades**2) * rng.normal()
    return t, math.sqrt(share) * drift + math.sqrt(1.0 - share) * rng.normal(size=n)


def held(n: int, share: float, over_s: float, *, widened: bool) -> float:
    """How often an interval of two standard uncertainties holds the mean."""
    rng, hits = np.random.default_rng(1), 0
    for _ in range(300):
        t, y = drawn(rng, n, share, over_s)
        half = 2.0 * y.std(ddof=1) / math.sqrt(n) * (widening(t, y) if widened else 1.0)
        hits += abs(y.mean()) < half
    return hits / 300.0


@pytest.mark.parametrize(("n", "over_s", "least"), [(30, 20.0, 0.87), (60, 20.0, 0.92), (60, 60.0, 0.88)])
def test_an_interval_of_values_that_drift_holds_their_mean(n: int, over_s: float, least: float) -> None:
    assert held(n, 0.9, over_s, widened=True) >= least
    assert held(n, 0.9, over_s, widened=False) < 0.6


def test_independent_values_are_hardly_less_sure() -> None:
    rng = np.random.default_rng(2)
    for n, most in ((20, 1.35), (60, 1.15)):
        assert np.median([widening(*drawn(rng, n, 0.0, 20.0)) for _ in range(100)]) < most


def test_scale_level_and_missing_values_change_nothing() -> None:
    t, y = drawn(np.random.default_rng(3), 40, 0.9, 60.0)
    wide = widening(t, y)
    assert wide > 3.0
    assert widening(t + 1e4, 5.0 - 0.01 * y) == pytest.approx(wide)
    assert widening(np.append(t, t[-1] + 4.0), np.append(y, np.nan)) == pytest.approx(wide)


def test_too_few_or_equal_values_show_no_drift() -> None:
    t = np.arange(20.0)
    assert widening(t[: FEWEST - 1], t[: FEWEST - 1]) == 1.0
    assert widening(t, np.full(20, 2.0)) == 1.0
