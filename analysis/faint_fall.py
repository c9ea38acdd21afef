"""A fall in so much noise that only all of its readings together show it: the best fit of a step that is rounded, and how sure it is."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.edge import EDGE_POWER, HALF_WIDTH
from analysis.jit import jit
from analysis.measures import Fall

Floats = NDArray[np.float64]

BIN_S = 0.008  # readings closer than this are averaged: it is the wide falls that are faint
WIDTHS_S = (0.03, 0.05, 0.075, 0.11)
ONSET_S = 0.008  # between onsets tried
FEWEST = 3  # bins before the onset, and after it
TO_FALL = 1.77  # from a width to the time over which the middle 60 % is lost, scaled to all of it
FEWEST_STRAIGHT, STRAIGHT_S, SLOPE_SIGMA = 12, 0.4, 3.0  # readings, time and standard deviations that show a slope
OVER = math.log(20.0) ** (1.0 / EDGE_POWER)  # widths until 95 % of a fall is over


@dataclass(frozen=True, slots=True, kw_only=True)
class FaintFall:
    """The mean of the steps that fit.

    Attributes
    ----------
    time_s, width_s : float
        When it begins, and over which time it falls [s].
    before_pa, dip_pa : float
        Level before it, and depth [Pa].
    sure : float
        Depth over its standard deviation.
    unlike_line : float
        By how many standard deviations of the noise it fits better than a straight line does.
    """

    time_s: float
    width_s: float
    before_pa: float
    dip_pa: float
    sure: float
    unlike_line: float

    @property
    def half_s(self) -> float:
        """When half of the depth is lost [s]."""
        return self.time_s + HALF_WIDTH * self.width_s

    @property
    def over_s(self) -> float:
        """When nearly all of it is lost [s]."""
        return self.time_s + OVER * self.width_s

    def as_fall(self) -> Fall:
        """Its shape as far as it can be seen."""
        return Fall.fitted(
            time_s=self.time_s,
            before_pa=self.before_pa,
            minimum_pa=self.before_pa - self.dip_pa,
            minimum_s=self.over_s,
            half_s=self.half_s,
            fall_s=TO_FALL * self.width_s,
            sure=self.sure,
        )


def fit_faint_fall(t: Floats, p: Floats, noise_pa: float) -> FaintFall | None:
    """Fit a step down to readings that hold one and are level, but for noise, before and after it.

    Parameters
    ----------
    t, p : ndarray, shape (n,)
        Times [s] and pressure [Pa].
    noise_pa : float
        Standard deviation of the noise of a reading [Pa]; what the fit leaves counts where it is more, and so does noise that readings
        next to each other share.

    Returns
    -------
    FaintFall or None
        None where there are too few readings or none fits.
    """
    if t.size < 2 * FEWEST:
        return None
    step_s = float(t[-1] - t[0]) / (t.size - 1)
    per = max(round(BIN_S / step_s), 1)
    bins = t.size // per
    if bins < 2 * FEWEST + 2:
        return None
    x = (t[: bins * per] - t[0]).reshape(bins, per).mean(axis=1)
    y = (p[: bins * per] - p[0]).reshape(bins, per).mean(axis=1)
    onset_s, width_s, level_pa, depth_pa, sure, unlike = _best(x, y, noise_pa / per**0.5)
    if depth_pa <= 0.0:
        return None
    return FaintFall(
        time_s=float(t[0]) + onset_s,
        width_s=width_s,
        before_pa=float(p[0]) + level_pa,
        dip_pa=depth_pa,
        sure=sure,
        unlike_line=unlike,
    )


def falling(t: Floats, p: Floats, from_s: float, until_s: float, noise_pa: float) -> float:
    """Slope of a line that falls before a time, as a tank does that cools after its pump has stopped [Pa/s]; 0 where none stands out."""
    return min(sloping(t, p, from_s, until_s, noise_pa), 0.0)


def sloping(t: Floats, p: Floats, from_s: float, until_s: float, noise_pa: float, least_s: float = STRAIGHT_S) -> float:
    """Slope of a line between two times, of readings over so long at least [Pa/s]; 0 where none stands out of the noise."""
    a, z = t.searchsorted([from_s, until_s])
    if z - a < FEWEST_STRAIGHT or t[z - 1] - t[a] < least_s:
        return 0.0
    x = t[a:z] - t[a:z].mean()
    spread = float(x @ x)
    slope = float(x @ (p[a:z] - p[a])) / spread
    return slope if abs(slope) > SLOPE_SIGMA * noise_pa / spread**0.5 else 0.0


@jit
def _best(x: Floats, y: Floats, noise_pa: float) -> tuple[float, float, float, float, float, float]:
    """Onset [s], width [s], level [Pa], depth [Pa], depth over its standard deviation, and how unlike a line."""
    n = x.size
    v1, v2, x1, x2, xv = 0.0, 0.0, 0.0, 0.0, 0.0
    for i in range(n):
        v1 += y[i]
        v2 += y[i] * y[i]
        x1 += x[i]
        x2 += x[i] * x[i]
        xv += x[i] * y[i]
    around = v2 - v1 * v1 / n
    line = around - (xv - x1 * v1 / n) ** 2 / (x2 - x1 * x1 / n)
    tried = max(int((x[n - FEWEST] - x[FEWEST - 1]) / ONSET_S) + 1, 1)
    shape, rests = np.empty(n), np.full((len(WIDTHS_S), tried), np.inf)
    levels, depths = np.zeros((len(WIDTHS_S), tried)), np.zeros((len(WIDTHS_S), tried))
    least = np.inf
    for w, width_s in enumerate(WIDTHS_S):
        for k in range(tried):
            from_s = x[FEWEST - 1] + k * ONSET_S
            s1, s2, both = 0.0, 0.0, 0.0
            for i in range(n):
                shape[i] = 1.0 - math.exp(-(max((x[i] - from_s) / width_s, 0.0) ** EDGE_POWER))
                s1 += shape[i]
                s2 += shape[i] * shape[i]
                both += shape[i] * y[i]
            spread = s2 - s1 * s1 / n
            fallen = -(both - s1 * v1 / n) / spread if spread > 0.0 else 0.0
            if fallen > 0.0:
                rests[w, k] = around - fallen * fallen * spread
                levels[w, k], depths[w, k] = (v1 + fallen * s1) / n, fallen
                least = min(least, rests[w, k])
    if least == np.inf:
        return 0.0, WIDTHS_S[0], 0.0, 0.0, 0.0, 0.0
    # The mean of all that may be, each as likely as the noise allows, is hardly ever as far off as the one that fits best.
    variance = max(noise_pa**2, least / max(n - 4, 1))
    total, onset, width, level, depth = 0.0, 0.0, 0.0, 0.0, 0.0
    for w, width_s in enumerate(WIDTHS_S):
        for k in range(tried):
            likely = math.exp(-0.5 * (rests[w, k] - least) / variance)
            total += likely
            onset += likely * (x[FEWEST - 1] + k * ONSET_S)
            width += likely * width_s
            level += likely * levels[w, k]
            depth += likely * depths[w, k]
    onset, width, level, depth = onset / total, width / total, level / total, depth / total
    # What readings next to each other share is averaged away more slowly.
    last, shared, rest = 0.0, 0.0, 1e-9
    for i in range(n):
        away = y[i] - level + depth * (1.0 - math.exp(-(max((x[i] - onset) / width, 0.0) ** EDGE_POWER)))
        shared += away * last
        rest += away * away
        last = away
    alike = min(max(shared / rest, 0.0), 0.9)
    variance *= (1.0 + alike) / (1.0 - alike)
    return onset, width, level, depth, math.sqrt((around - least) / variance), math.sqrt(max(line - least, 0.0) / variance)
