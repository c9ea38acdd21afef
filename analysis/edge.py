"""The falling edge of a dip: where it begins, among many readings or hidden by noise, and how steep it is."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from analysis.jit import jit
from analysis.step_fit import EDGE_POWER, EXPLAINED, fallen, fit_steps
from analysis.stretch import highest, position

Floats = NDArray[np.float64]

MATCHED_S, MATCHED_STEPS, MATCHED_STEP_S = (0.02, 0.04, 0.07, 0.1, 0.14), 20, 0.008
TRIED = 45  # onsets
UNSURE_SHARE = 0.5  # of the edge: so far noise may hide where it begins
CLIMB_S = 0.04  # a falling edge has no level stretch this long
JUMP_S = 0.008


@jit
def climb(t: Floats, y: Floats, start: int, first: int, noise_pa: float) -> int:
    """Walk back up the falling edge to where it begins: until nothing within `CLIMB_S` before is higher."""
    i = start
    while i > first:
        a = max(position(t, t[i] - CLIMB_S), first)
        if a >= i:
            return i
        j = highest(y, a, i)
        if y[j] <= y[i] + 2.0 * noise_pa:
            return i
        i = j
    return i


@jit
def hinge(t: Floats, p: Floats, before_pa: float, slope_pa_per_s: float, onset_s: float, middle_s: float, high_s: float) -> float:
    """Onset of a fall that has many readings on its edge: where a line that turns into a power of time fits best [s].

    Parameters
    ----------
    before_pa, slope_pa_per_s : float
        The line before the fall, at `onset_s` [Pa, Pa/s].
    onset_s, middle_s : float
        First guess of the onset, and when half of the dip is lost [s].
    high_s : float
        Where the edge begins as far as noise lets it show [s]: much before that, what lies low is the swing of a hose.
    """
    edge = max(middle_s - onset_s, 1e-6)
    a, z = position(t, onset_s - 1.2 * edge), position(t, middle_s)
    step = 1.4 * edge / (TRIED - 1)
    explained = np.zeros(TRIED)
    for k in range(TRIED):
        from_s = onset_s - 0.8 * edge + k * step
        if from_s < high_s - UNSURE_SHARE * edge:
            continue
        both, weight = 0.0, 0.0
        for i in range(a, z):
            if t[i] > from_s:
                shape = (t[i] - from_s) ** EDGE_POWER
                both += shape * (before_pa + slope_pa_per_s * (t[i] - onset_s) - p[i])
                weight += shape * shape
        if weight > 0.0:
            explained[k] = both * both / weight
    k = highest(explained, 0, TRIED)
    best = onset_s - 0.8 * edge + k * step
    if 0 < k < TRIED - 1:
        bend = explained[k - 1] - 2.0 * explained[k] + explained[k + 1]
        if bend < 0.0:
            best += 0.5 * (explained[k - 1] - explained[k + 1]) / bend * step
    return best


@jit
def matched(t: Floats, p: Floats, a: int, z: int, onset_s: float, slope_pa_per_s: float) -> tuple[float, float, float, float, float]:
    """Fit falls of several widths, each at every moment near the first guess, to readings in which noise hides the edge.

    Parameters
    ----------
    a, z : int
        The readings: from a level stretch before the fall to its bottom.
    onset_s, slope_pa_per_s : float
        First guess of the onset [s]; slope of the line before it [Pa/s], on which the fall is laid.

    Returns
    -------
    tuple of float
        Onset [s], level before it [Pa], how far the pressure has fallen at the end [Pa], and by how many of its own standard
        deviations that differs from no fall at all; width [s].
    """
    x = t[a:z] - t[a]
    y = p[a:z] - p[a] - slope_pa_per_s * x
    onsets = onset_s - t[a] + MATCHED_STEP_S * np.arange(-MATCHED_STEPS, MATCHED_STEPS + 1)
    around, steps = fit_steps(x, y, onsets, np.array(MATCHED_S), False, 1.0)
    explained, onset, width, level, depth, _ = steps[:, highest(steps[EXPLAINED], 0, steps.shape[1])]
    if depth <= 0.0:
        return onset_s, p[a], 0.0, 0.0, 0.0
    n, since = x.size, x[x.size - 1] - onset
    sure = math.sqrt(explained * max(n - 4, 1) / max(around - explained, 1e-9))
    lost = depth * fallen(since, width) - slope_pa_per_s * since
    return t[a] + onset, p[a] + level + slope_pa_per_s * onset, lost, sure, width


@jit
def sharpest(t: Floats, p: Floats, first: int, end: int, step_s: float) -> tuple[float, float, float]:
    """Largest drop within `JUMP_S` [Pa], the time it took [s], and the drop in the same time after it [Pa]."""
    n = max(1, round(JUMP_S / step_s))
    size = end - first
    if size < 2 * n + 1:
        return 0.0, step_s, 0.0
    best = first
    for i in range(first, end - 2 * n):
        if p[i] - p[i + n] > p[best] - p[best + n]:
            best = i
    return p[best] - p[best + n], t[best + n] - t[best], p[best + n] - p[best + 2 * n]
