"""A fall of pressure as a step that is rounded, fitted to readings by least squares at every onset and of every width tried."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from analysis.jit import jit

Floats = NDArray[np.float64]

EDGE_POWER = 1.4  # of the time since the onset, in which a fall begins
HALF_WIDTH = math.log(2.0) ** (1.0 / EDGE_POWER)  # widths until half of it is lost
OVER = math.log(20.0) ** (1.0 / EDGE_POWER)  # and until 95 % are
TO_FALL = 1.77  # from a width to the time over which the middle 60 % is lost, scaled to all of it
EXPLAINED, ONSET, WIDTH, LEVEL, DEPTH, SLOPE = range(6)  # rows of `fit_steps`


@jit
def fallen(since_s: float, width_s: float) -> float:
    """Share of a fall that is lost some time after its onset: 1 - exp(-(t / width) ** EDGE_POWER)."""
    return 1.0 - math.exp(-((max(since_s, 0.0) / width_s) ** EDGE_POWER))


@jit
def fit_steps(x: Floats, y: Floats, onsets: Floats, widths: Floats, leans: bool, least: float) -> tuple[float, Floats]:
    """Fit y = level + slope (x - onset) - depth fallen(x - onset, width), with level and depth free for each onset and width.

    Parameters
    ----------
    x, y : ndarray, shape (n,)
        Times [s] and pressure [Pa].
    onsets, widths : ndarray, shapes (k,) and (m,)
        Those to be tried [s].
    leans : bool
        Whether the slope is free too; else it is 0.
    least : float
        A step is not told where the sum of squares of its shape, without a level and a slope that are like it, is less than this.

    Returns
    -------
    around : float
        Sum of squares that the level, and the slope if it is free, leave by themselves [Pa2].
    steps : ndarray, shape (6, m * k)
        For each width in turn, at each onset: how much of that sum the step explains besides [Pa2], minus infinity where it is none or
        a rise; onset, width [s]; level at the onset, depth [Pa], slope [Pa/s].
    """
    n = x.size
    x1, y1, xx, xy, around = x.mean(), y.mean(), 0.0, 0.0, 0.0
    for i in range(n):
        xx += (x[i] - x1) ** 2
        xy += (x[i] - x1) * (y[i] - y1)
        around += (y[i] - y1) ** 2
    lean = 1.0 / xx if leans else 0.0
    around -= xy * xy * lean
    steps = np.zeros((6, widths.size * onsets.size))
    for j in range(steps.shape[1]):
        width_s, onset_s = widths[j // onsets.size], onsets[j % onsets.size]
        s1, s2, sx, sy = 0.0, 0.0, 0.0, 0.0
        for i in range(n):
            if x[i] > onset_s:
                share = fallen(x[i] - onset_s, width_s)
                s1 += share
                s2 += share * share
                sx += share * (x[i] - x1)
                sy += share * (y[i] - y1)
        own = s2 - s1 * s1 / n - sx * sx * lean
        depth = -(sy - sx * xy * lean) / own if own > least else 0.0
        slope = (xy + depth * sx) * lean
        steps[0, j] = depth * depth * own if depth > 0.0 else -np.inf
        steps[1, j], steps[2, j], steps[4, j], steps[5, j] = onset_s, width_s, depth, slope
        steps[3, j] = y1 + depth * s1 / n + slope * (onset_s - x1)
    return around, steps


def likely_step(steps: Floats, variance: float) -> list[float]:
    """Mean of all that may be, each as likely as the noise allows: it is hardly ever as far off as the one that fits best.

    Parameters
    ----------
    steps : ndarray, shape (6, n)
        As from `fit_steps`, of which one at least is a step.
    variance : float
        Of the noise of a reading [Pa2].

    Returns
    -------
    list of float
        Onset, width [s], level, depth [Pa], slope [Pa/s].
    """
    likely = np.exp(0.5 * (steps[EXPLAINED] - steps[EXPLAINED].max()) / variance)
    mean: list[float] = (steps[ONSET:] @ likely / likely.sum()).tolist()
    return mean
