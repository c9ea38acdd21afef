"""Whether something has changed from session to session, beyond what sessions differ by anyway."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike
from scipy.stats import theilslopes

from analysis.estimate import Estimate

LEAST: Final = 5  # sessions; of fewer no interval can leave zero out
MATTERS: Final = 0.10  # a smaller change is not worth a walk; common practice, no source


@dataclass(frozen=True, slots=True, kw_only=True)
class Trend:
    """Change of a positive quantity from the first to the last session.

    Attributes
    ----------
    change : Estimate
        Ratio of the end to the beginning, minus 1; None where there are too few sessions.
    verdict : str
        "rises", "falls", "steady" or "cannot tell": said only where the whole interval lies beyond 10 %, or within it.
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
        By the slopes between all pairs of the logarithms: their median, and the interval of Sen.

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
    return Trend(change=change, verdict=_verdict(change), count=int(t.size))


def _verdict(change: Estimate) -> str:
    assert change.value is not None
    assert change.low is not None
    assert change.high is not None
    # A change is named where it is surely one and most likely matters; steady, where it surely does not matter.
    if change.low > 0.0 and change.value >= MATTERS:
        return "rises"
    if change.high < 0.0 and change.value <= -MATTERS:
        return "falls"
    return "steady" if change.low > -MATTERS and change.high < MATTERS else "cannot tell"
