"""A fall in so much noise that only all of its readings together show it: the best fit of a step that is rounded, and how sure it is."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.measures import Fall
from analysis.step_fit import EXPLAINED, HALF_WIDTH, OVER, TO_FALL, fallen, fit_steps, likely_step

Floats = NDArray[np.float64]

BIN_S = 0.008  # readings closer than this are averaged: it is the wide falls that are faint
WIDTHS_S = np.array([0.03, 0.05, 0.075, 0.11])
ONSET_S = 0.008  # between onsets tried
FEWEST = 3  # bins before the onset, and after it
FEWEST_STRAIGHT, STRAIGHT_S, SLOPE_SIGMA = 12, 0.4, 3.0  # readings, time and standard deviations that show a slope


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
    x, y, per = binned(t - t[0], p - p[0])
    bins = x.size
    if bins < 2 * FEWEST + 2:
        return None
    onsets = np.arange(x[FEWEST - 1], x[-FEWEST] + 1e-9, ONSET_S)
    around, steps = fit_steps(x, y, onsets, WIDTHS_S, False, 0.0)
    best = float(steps[EXPLAINED].max())
    if best <= 0.0:
        return None
    variance = max(noise_pa**2 / per, (around - best) / max(bins - 4, 1))
    onset_s, width_s, level_pa, depth_pa, _ = likely_step(steps, variance)
    # What readings next to each other share is averaged away more slowly.
    away = y - level_pa + depth_pa * np.array([fallen(since_s, width_s) for since_s in x - onset_s])
    alike = min(max(float(away[1:] @ away[:-1]) / (float(away @ away) + 1e-9), 0.0), 0.9)
    variance *= (1.0 + alike) / (1.0 - alike)
    x -= x.mean()
    line = float(x @ y) ** 2 / float(x @ x)
    return FaintFall(
        time_s=float(t[0]) + onset_s,
        width_s=width_s,
        before_pa=float(p[0]) + level_pa,
        dip_pa=depth_pa,
        sure=(best / variance) ** 0.5,
        unlike_line=(max(best - line, 0.0) / variance) ** 0.5,
    )


def binned(x: Floats, y: Floats) -> tuple[Floats, Floats, int]:
    """Means of times and pressure over `BIN_S` each, and of how many readings."""
    per = max(round(BIN_S * (x.size - 1) / float(x[-1] - x[0])), 1)
    bins = x.size // per
    return x[: bins * per].reshape(bins, per).mean(axis=1), y[: bins * per].reshape(bins, per).mean(axis=1), per


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
