"""Censored times and resampling: Kaplan-Meier, log-rank, and a bootstrap over blocks that belong together."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import chdtrc

from analysis.estimate import Estimate

Z_95 = 1.959963984540054  # two-sided 95 % point of the standard normal distribution


@dataclass(frozen=True, slots=True, kw_only=True)
class Survival:
    """Kaplan-Meier curve: the share of cases still open after a time.

    Attributes
    ----------
    time : ndarray, shape (k,)
        Distinct times at which a case ended, ascending, in the unit of the input.
    at_risk, ended : ndarray, shape (k,)
        Cases observed up to that time, and cases that ended at it.
    share : ndarray, shape (k,)
        Share still open just after each time, 0..1.
    standard_error : ndarray, shape (k,)
        Greenwood's standard error of the share.
    low, high : ndarray, shape (k,)
        Pointwise 95 % band on the log(-log) scale; it stays within 0..1. NaN where the share is 0.
    """

    time: NDArray[np.float64]
    at_risk: NDArray[np.int64]
    ended: NDArray[np.int64]
    share: NDArray[np.float64]
    standard_error: NDArray[np.float64]
    low: NDArray[np.float64]
    high: NDArray[np.float64]

    def quantile(self, q: float) -> Estimate:
        """Time by which a share `q` of the cases has ended, with its 95 % interval (Brookmeyer and Crowley, log-log scale).

        An end of the interval, or the value, is None where the curve never gets that far.
        """
        level = 1.0 - q

        def first(curve: NDArray[np.float64]) -> float | None:
            reached = np.flatnonzero(curve <= level + 1e-12)
            return float(self.time[reached[0]]) if reached.size else None

        return Estimate(
            value=first(self.share),
            low=first(np.where(np.isnan(self.low), 0.0, self.low)),
            high=first(np.where(np.isnan(self.high), 1.0, self.high)),
        )

    @property
    def median(self) -> Estimate:
        """Median time with its 95 % interval."""
        return self.quantile(0.5)

    def mean_until(self, limit: float) -> float:
        """Area under the curve from 0 to `limit`: the mean of the times, none counted beyond `limit`."""
        knots = np.concatenate([[0.0], self.time[self.time < limit], [limit]])
        steps = np.concatenate([[1.0], self.share[self.time < limit]])
        return float(np.sum(np.diff(knots) * steps))


def band(value: float, u: float) -> Estimate:
    """95 % interval of a quantity above zero from its relative standard uncertainty."""
    return Estimate(value=value, low=value * math.exp(-Z_95 * u), high=value * math.exp(Z_95 * u))


def kaplan_meier(times: ArrayLike, ended: ArrayLike) -> Survival:
    """Estimate the share of cases still open against time, some of them observed only for a while (right-censored).

    Parameters
    ----------
    times : array_like, shape (n,)
        Time of the end, or time observed without one.
    ended : array_like of bool, shape (n,)
        True where the end was seen, False where the case was cut off.

    Raises
    ------
    ValueError
        If there is no case, shapes differ, or a time is negative or not finite.

    References
    ----------
    .. [1] Kaplan and Meier, J. Am. Stat. Assoc. 53 (1958) 457; Greenwood's variance (1926);
       log(-log) band after Kalbfleisch and Prentice (1980).
    """
    t, e = _cases(times, ended)
    order = np.argsort(t, kind="stable")
    t, e = t[order], e[order]
    time = np.unique(t[e])
    at_risk = t.size - np.searchsorted(t, time, side="left")
    deaths = np.searchsorted(np.sort(t[e]), time, side="right") - np.searchsorted(np.sort(t[e]), time, side="left")
    share = np.cumprod(1.0 - deaths / at_risk).astype(np.float64)
    left = at_risk - deaths
    with np.errstate(divide="ignore", invalid="ignore"):
        greenwood = np.cumsum(np.where(left > 0, deaths / (at_risk * np.maximum(left, 1)), np.inf))
        standard_error = np.where(share > 0.0, share * np.sqrt(greenwood), 0.0).astype(np.float64)
        log_share = np.log(share)
        theta = np.where((share > 0.0) & (share < 1.0), Z_95 * np.sqrt(greenwood) / np.abs(log_share), np.nan)
        low = (share ** np.exp(theta)).astype(np.float64)
        high = (share ** np.exp(-theta)).astype(np.float64)
    return Survival(
        time=time,
        at_risk=at_risk.astype(np.int64),
        ended=deaths.astype(np.int64),
        share=share,
        standard_error=standard_error,
        low=low,
        high=high,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class LogRank:
    """Log-rank test of two groups of censored times.

    Attributes
    ----------
    observed, expected, variance : float
        Ends seen in the first group, ends expected there were both groups alike, and the hypergeometric variance.
    chi_square, p_value : float
        Test statistic with one degree of freedom, and its p-value.
    """

    observed: float
    expected: float
    variance: float
    chi_square: float
    p_value: float


def log_rank(times_a: ArrayLike, ended_a: ArrayLike, times_b: ArrayLike, ended_b: ArrayLike) -> LogRank:
    """Test whether two groups of censored times could come from one distribution (Mantel-Haenszel form).

    Raises
    ------
    ValueError
        If a group is empty, or no end was seen at all so that there is nothing to compare.

    References
    ----------
    .. [1] Mantel, Cancer Chemother. Rep. 50 (1966) 163.
    """
    ta, ea = _cases(times_a, ended_a)
    tb, eb = _cases(times_b, ended_b)
    time = np.unique(np.concatenate([ta[ea], tb[eb]]))
    if not time.size:
        msg = "No end was seen in either group; a log-rank test needs at least one."
        raise ValueError(msg)
    n_a = ta.size - np.searchsorted(np.sort(ta), time, side="left")
    n_b = tb.size - np.searchsorted(np.sort(tb), time, side="left")
    d_a, d_b = (np.searchsorted(s, time, "right") - np.searchsorted(s, time, "left") for s in (np.sort(ta[ea]), np.sort(tb[eb])))
    n, d = n_a + n_b, d_a + d_b
    expected = float(np.sum(d * n_a / n))
    variance = float(np.sum(d * (n_a / n) * (n_b / n) * (n - d) / np.maximum(n - 1, 1)))
    observed = float(d_a.sum())
    chi_square = (observed - expected) ** 2 / variance if variance > 0.0 else 0.0
    return LogRank(observed=observed, expected=expected, variance=variance, chi_square=chi_square, p_value=float(chdtrc(1, chi_square)))


def bootstrap_blocks(
    statistic: Callable[[NDArray[np.int64]], float], block: ArrayLike, *, times: int = 1000, seed: int = 1
) -> NDArray[np.float64]:
    """Resample whole blocks, such as bursts of shots, with replacement and evaluate a statistic on each resample.

    Cases within a block are not independent, so drawing them one by one would give an interval that is too short.

    Parameters
    ----------
    statistic : callable
        Takes the indices of the cases drawn and returns a number; NaN where it cannot.
    block : array_like, shape (n,)
        Label of the block that each case belongs to.
    times, seed : int
        Number of resamples and seed of the generator; the same seed gives the same answer.

    Returns
    -------
    ndarray, shape (times,)
        The statistic of each resample.
    """
    labels = np.asarray(block)
    groups = [np.flatnonzero(labels == b) for b in np.unique(labels)]
    rng = np.random.default_rng(seed)
    return np.array(
        [statistic(np.concatenate([groups[k] for k in rng.integers(0, len(groups), len(groups))])) for _ in range(times)], dtype=float
    )


def percentile_interval(value: float, resampled: ArrayLike) -> Estimate:
    """Give a value the central 95 % of its resamples as interval; NaNs are left out."""
    r = np.asarray(resampled, dtype=float)
    r = r[np.isfinite(r)]
    if r.size < 20:
        return Estimate(value=value)
    low, high = np.percentile(r, [2.5, 97.5])
    return Estimate(value=value, low=float(min(low, value)), high=float(max(high, value)))


def median_interval(values: ArrayLike) -> Estimate:
    """Median with its distribution-free 95 % interval from order statistics; no value where there are no cases.

    Below six cases no two order statistics enclose the median with 95 % confidence; then the interval stays open.
    """
    v = np.sort(np.asarray(values, dtype=float))
    v = v[np.isfinite(v)]
    n = v.size
    if not n:
        return Estimate(value=None)
    value = float(np.median(v))
    if n < 6:
        return Estimate(value=value)
    rank = int(np.floor(0.5 * n - 0.5 * Z_95 * np.sqrt(n)))  # normal approximation to the binomial ranks, rounded outwards
    rank = max(rank, 0)
    return Estimate(value=value, low=float(v[rank]), high=float(v[n - 1 - rank]))


def _cases(times: ArrayLike, ended: ArrayLike) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    t, e = np.asarray(times, dtype=float).ravel(), np.asarray(ended, dtype=bool).ravel()
    if t.size != e.size:
        msg = f"{t.size} times but {e.size} marks of whether the end was seen; each time needs one."
        raise ValueError(msg)
    if not t.size:
        msg = "No cases: at least one time is needed."
        raise ValueError(msg)
    if not np.all(np.isfinite(t)) or np.any(t < 0.0):
        msg = "Times must be finite and not negative."
        raise ValueError(msg)
    return t, e


def matern(apart: NDArray[np.float64], pace: float) -> NDArray[np.float64]:
    """Correlation of a process that is smooth but not stiff (Matern 3/2)."""
    x = np.sqrt(3.0) * apart / pace
    return np.asarray((1.0 + x) * np.exp(-x), dtype=np.float64)
