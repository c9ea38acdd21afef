"""What else than the line differs between two days and can be read from the shots themselves: the pace of the work, the supply.

Regressed on the shots within each side, so that the line's own change stays out of it, and taken out of the comparison: a measure of a
shot, in logarithms, goes with each of these in a straight line. A prior holds the slope where all shots of a side are alike in it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.constants import ATMOSPHERE_ABS_PA
from analysis.estimate import Estimate
from analysis.statistics import Z_95

Floats = NDArray[np.float64]
Sides = tuple[Floats, Floats]  # before and after, each of shape (n, k): k quantities of n shots

PACE_S = 4.0  # the air of tool and line forgets the shot before over about this time
STRAY = 4.0  # usual spreads from the median, beyond which a shot that went astray must not turn the slope
ROUNDS = 3  # in which the scatter that is left tells how much the shots count against the prior
SUPPLY_S = 0.5  # before a shot, over which the supply is read
KNOWN = 0.9  # of the shots, and the supply of a side is known
FEEDS = 0.95  # a supply stands no lower than this share of the line's pressure, both absolute; the rest is what two sensors may differ


@dataclass(frozen=True, slots=True, kw_only=True)
class Prior:
    """How a measure goes with a quantity before any shot is seen: mean of the slope and its standard uncertainty, in logarithms."""

    slope: float
    u: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Effect:
    """How a measure goes with k quantities.

    Attributes
    ----------
    slope : ndarray, shape (k,)
        Change of the logarithm of the measure for each unit of them.
    covariance : ndarray, shape (k, k)
        Of these.
    middle, apart : ndarray, shape (k,)
        Mean of the two sides' means, and the one after less the one before.
    """

    slope: Floats
    covariance: Floats
    middle: Floats
    apart: Floats

    def taken_out(self, quantities: Floats) -> Floats:
        """Factors that bring shots to the middle of both sides."""
        factors: Floats = np.exp(-(quantities - self.middle) @ self.slope)
        return factors

    @property
    def u_between(self) -> float:
        """Standard uncertainty that is left in the logarithm of a ratio of the two sides."""
        return float(self.apart @ self.covariance @ self.apart) ** 0.5

    def between(self, which: int) -> Estimate:
        """Ratio that one of the quantities alone makes between the sides, less 1."""
        shift = float(self.slope[which] * self.apart[which])
        half = Z_95 * float(self.covariance[which, which]) ** 0.5 * abs(float(self.apart[which]))
        return Estimate(value=float(np.expm1(shift)), low=float(np.expm1(shift - half)), high=float(np.expm1(shift + half)))


def effect(quantities: Sides, logs: Sides, priors: Sequence[Prior]) -> Effect:
    """Regress the logarithm of a measure on quantities within each side.

    Parameters
    ----------
    quantities : pair of ndarray, shape (n, k)
        Of the shots before and after.
    logs : pair of ndarray, shape (n,)
        The measure; NaN where it was not seen.
    priors : sequence of Prior
        One for each quantity.
    """
    parts_x, parts_y = [], []
    for x, y in zip(quantities, logs, strict=True):
        good = np.isfinite(y)
        rest = y[good] - np.median(y[good])
        limit = STRAY * max(1.4826 * float(np.median(np.abs(rest))), 1e-4)
        rest = np.clip(rest, -limit, limit)
        parts_x.append(x[good] - x[good].mean(axis=0))
        parts_y.append(rest - rest.mean())
    dx, dy = np.concatenate(parts_x), np.concatenate(parts_y)
    slope, weight = np.array([p.slope for p in priors]), np.diag([p.u**-2 for p in priors])
    prior, left = weight @ slope, dy
    for _ in range(ROUNDS):
        noise = max(float(left.var()), 1e-6)
        covariance = np.linalg.inv(dx.T @ dx / noise + weight)
        slope = covariance @ (dx.T @ dy / noise + prior)
        left = dy - dx @ slope
    means = [x.mean(axis=0) for x in quantities]
    return Effect(slope=slope, covariance=covariance, middle=0.5 * (means[0] + means[1]), apart=means[1] - means[0])


def pace(since_s: Floats) -> Floats:
    """How much of the shot before is still in the air of tool and line: 1 right after it, 0 long after."""
    held: Floats = np.exp(-since_s / PACE_S)
    return held


def supply_at(t_s: ArrayLike, supply_pa: ArrayLike | None, time_s: Floats, line_pa: Floats) -> Floats:
    """Absolute pressure of the supply just before each shot [Pa abs]; NaN where it was not read, or by a sensor that cannot be right.

    Parameters
    ----------
    t_s, supply_pa : array_like, shape (n,)
        Times [s], ascending, and the supply's pressure [Pa gauge].
    time_s, line_pa : ndarray, shape (m,)
        When the shots were fired [s], and the pressure of the line that it feeds [Pa gauge].
    """
    at = np.full(time_s.size, np.nan)
    if supply_pa is None:
        return at
    t, p = np.asarray(t_s, dtype=float), np.asarray(supply_pa, dtype=float)
    good = np.isfinite(t) & np.isfinite(p)
    t, p = t[good], p[good]
    for i, (a, z) in enumerate(zip(*np.searchsorted(t, [time_s - SUPPLY_S, time_s]), strict=True)):
        if z > a:
            at[i] = max(float(np.median(p[a:z])) + ATMOSPHERE_ABS_PA, 1.0)
    return np.where(at > FEEDS * (line_pa + ATMOSPHERE_ABS_PA), at, np.nan)
