"""Whether something has changed from session to session, beyond what sessions differ by anyway."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike
from scipy.stats import theilslopes

from analysis.estimate import Estimate
from analysis.statistics import Z_95

LEAST: Final = 5  # sessions; of fewer no interval can leave zero out
MATTERS: Final = 0.10  # a smaller change is not worth a walk; common practice, no source
MATTERS_SURE: Final = 0.05  # likewise of what is known with an interval; by choice
STEADY_SURE: Final = 0.25  # what a few sessions must exclude to be called steady; by choice


@dataclass(frozen=True, slots=True, kw_only=True)
class Trend:
    """Change of a positive quantity from the first to the last session.

    Attributes
    ----------
    change : Estimate
        Ratio of the end to the beginning, minus 1; None where there are too few sessions.
    verdict : str
        "rises", "falls", "steady" or "cannot tell".
    count : int
        Sessions that entered.
    """

    change: Estimate
    verdict: str
    count: int


def trend(time_s: ArrayLike, value: ArrayLike) -> Trend:
    """Fit a constant rate of growth to values of sessions, so that one odd session does not decide.

    Parameters
    ----------
    time_s : array_like, shape (n,)
        When each session was [s].
    value : array_like, shape (n,)
        What was measured, above zero; NaN where it could not be.

    Returns
    -------
    Trend
        By the slopes between all pairs of the logarithms: their median, and the interval of Sen. A direction is named where it is sure
        and the change 10 % at least; "steady" where it surely is less.

    References
    ----------
    .. [1] P. K. Sen, Estimates of the regression coefficient based on Kendall's tau, J. Am. Stat. Assoc. 63 (1968) 1379-1389.
    """
    t, v = np.asarray(time_s, dtype=np.float64), np.asarray(value, dtype=np.float64)
    good = np.isfinite(t) & np.isfinite(v) & (v > 0.0)
    t, v = t[good], v[good]
    if t.size < LEAST or t.max() <= t.min():
        return Trend(change=Estimate(value=None), verdict="cannot tell", count=int(t.size))
    span = float(t.max() - t.min())
    fit = theilslopes(np.log(v), (t - t.min()) / span, alpha=0.95)
    change = Estimate(value=math.expm1(fit.slope), low=math.expm1(fit.low_slope), high=math.expm1(fit.high_slope))
    return Trend(change=change, verdict=_verdict(change, matters=MATTERS, steady=MATTERS), count=int(t.size))


def trend_of_estimates(time_s: Sequence[float], values: Sequence[Estimate]) -> Trend:
    """Lay a straight line through values whose uncertainty is known, so that two sessions can tell.

    Parameters
    ----------
    time_s : sequence of float
        When each session was [s].
    values : sequence of Estimate
        The quantity, above zero, with intervals; sessions that cannot tell it are passed over.

    Returns
    -------
    Trend
        By weighted least squares; what the values differ from the line beyond their own intervals widens its interval. A direction is
        named where it is sure and the change 5 % at least; "steady" where it surely is less than a quarter.
    """
    known = [
        (t, e.value, (e.high - e.low) / (2.0 * Z_95))
        for t, e in zip(time_s, values, strict=True)
        if e.value and e.low is not None and e.high is not None
    ]
    nothing = Trend(change=Estimate(value=None), verdict="cannot tell", count=len(known))
    if len(known) < 2:
        return nothing
    t, y, u = (np.array(column, dtype=np.float64) for column in zip(*known, strict=True))
    if not float(np.ptp(t)) > 0:
        return nothing
    x = (t - t[0]) / float(np.ptp(t))
    w = np.maximum(u, 1e-3 * np.abs(y)) ** -2.0
    design = np.column_stack((np.ones_like(x), x))
    covariance = np.linalg.inv(design.T @ (design * w[:, None]))
    start, slope = covariance @ design.T @ (w * y)
    rest = (y - start - slope * x) * np.sqrt(w)
    if y.size > 2:
        covariance = covariance * max(float(rest @ rest) / (y.size - 2), 1.0)
    if not start > 0:
        return nothing
    ratio = float(slope / start)
    # Of the ratio slope/start, to first order.
    to = np.array([-ratio, 1.0]) / start
    reach = Z_95 * float(np.sqrt(to @ covariance @ to))
    change = Estimate(value=ratio, low=ratio - reach, high=ratio + reach)
    return Trend(change=change, verdict=_verdict(change, matters=MATTERS_SURE, steady=STEADY_SURE), count=len(known))


def _verdict(change: Estimate, *, matters: float, steady: float) -> str:
    assert change.value is not None
    assert change.low is not None
    assert change.high is not None
    # A change is named where it is surely one and most likely matters; steady, where it surely does not matter.
    if change.low > 0.0 and change.value >= matters:
        return "rises"
    if change.high < 0.0 and change.value <= -matters:
        return "falls"
    return "steady" if change.low > -steady and change.high < steady else "cannot tell"
