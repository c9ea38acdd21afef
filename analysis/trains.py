"""A train of falls: how many shots of a burst make one slope, where the falls of a line are too slow for any of them to stand free.

A tool fires at a nearly even pace and takes about the same air each time. So falls of the shape that shots of this line have shown, nearly
as deep and nearly as far apart as each other, are laid over the slope, one more each time, all at once and beside a drift of the line.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from analysis.jit import jit
from analysis.overlapping import CLOSEST_S, lost
from analysis.small_system import solve

Floats = NDArray[np.float64]

MOST = 12  # falls
PACES_S = 0.19 * 1.07 ** np.arange(12)  # apart, tried: no slope shows whether it is one of quicker ones
DEPTHS = 0.6, 1.5  # of the usual one, that each must go
FIRST_S = np.array([0.0, -0.04, 0.04, -0.08, 0.08])  # of the first, from where the slope was seen to begin
# Depths differ by such a share of the usual one, and times from one to the next by such a share of the usual; what one more fall explains
# has to be so many variances of the noise.
DEPTHS_DIFFER, PACES_DIFFER, ONE_MORE = 0.15, 0.12, 6.0
STEPS_S = (0.032, 0.016, 0.008, 0.004)  # by which falls are moved to where they fit best
WORSE = 4  # trains in a row, each longer and no better, end the search


def fit_train(x: Floats, y: Floats, shape: Floats, dip_pa: float, start_s: float, variance: float) -> tuple[Floats, float, float]:
    """Lay trains of falls over a slope.

    Parameters
    ----------
    x, y : ndarray, shape (n,)
        Times [s] and pressure [Pa].
    shape : ndarray
        Share of a dip that is lost at times `NODE_S` apart.
    dip_pa : float
        How deep shots go [Pa].
    start_s : float
        About when the first of them begins [s].
    variance : float
        Of the noise of a reading [Pa2].

    Returns
    -------
    onsets_s : ndarray
        Of the best train [s].
    left : float
        Sum of squares that it leaves [Pa2].
    margin : float
        How much worse the best train of another number of falls is, in variances of what this one leaves.
    """
    u = (2.0 * x - x[0] - x[-1]) / (x[-1] - x[0])
    drift = np.stack([np.ones(x.size), u, u * u])
    trains: list[tuple[float, Floats]] = []
    for count in range(1, MOST + 1):
        onsets = _even(x, y, shape, drift, count, start_s, dip_pa, variance)
        if onsets is None:
            break
        onsets, cost = _moved(x, y, shape, drift, onsets, dip_pa, variance)
        _, depths = _laid(x, y, shape, drift, onsets, dip_pa, variance)
        alike = DEPTHS[0] * dip_pa < depths.min() and depths.max() < DEPTHS[1] * dip_pa
        trains.append((cost + ONE_MORE * count * variance if alike else math.inf, onsets))
        if count - 1 - min(range(count), key=lambda k: trains[k][0]) >= WORSE:
            break
    if all(math.isinf(cost) for cost, _ in trains):
        return np.empty(0), math.inf, 0.0
    best = min(range(len(trains)), key=lambda k: trains[k][0])
    onsets = trains[best][1]
    left, _ = _laid(x, y, shape, drift, onsets, dip_pa, 0.0)
    others = [cost for k, (cost, _) in enumerate(trains) if k != best and cost < math.inf]
    spread = left / max(x.size - 3 - 2 * onsets.size, 1)
    return onsets, left, (min(others) - trains[best][0]) / spread if others else math.inf


def _even(x: Floats, y: Floats, shape: Floats, drift: Floats, count: int, start_s: float, dip_pa: float, variance: float) -> Floats | None:
    """The best of the trains at an even pace; None where none ends within the readings."""
    best, least = None, math.inf
    for pace_s in PACES_S if count > 1 else PACES_S[:1]:
        for first_s in FIRST_S:
            onsets = start_s + first_s + pace_s * np.arange(count)
            if onsets[-1] > x[-1] - CLOSEST_S:
                continue
            cost = _cost(x, y, shape, drift, onsets, dip_pa, variance)
            if cost < least:
                best, least = onsets, cost
    return best


@jit
def _moved(x: Floats, y: Floats, shape: Floats, drift: Floats, onsets: Floats, dip_pa: float, variance: float) -> tuple[Floats, float]:
    """Move each fall to where all fit best, and what that leaves."""
    onsets = onsets.copy()
    best = _cost(x, y, shape, drift, onsets, dip_pa, variance)
    for step_s in STEPS_S:
        for _ in range(3):
            better = False
            for k in range(onsets.size):
                for by in (-2.0, -1.0, 1.0, 2.0):
                    was = onsets[k]
                    onsets[k] = was + by * step_s
                    close = (k > 0 and onsets[k] - onsets[k - 1] < CLOSEST_S) or (
                        k < onsets.size - 1 and onsets[k + 1] - onsets[k] < CLOSEST_S
                    )
                    cost = best if close else _cost(x, y, shape, drift, onsets, dip_pa, variance)
                    if cost < best:
                        best, better = cost, True
                    else:
                        onsets[k] = was
            if not better:
                break
    return onsets, best


@jit
def _cost(x: Floats, y: Floats, shape: Floats, drift: Floats, onsets: Floats, dip_pa: float, variance: float) -> float:
    """Sum of squares that a fit leaves, and by how much depths and paces differ from what is known of them, in the same unit [Pa2]."""
    cost, depths = _laid(x, y, shape, drift, onsets, dip_pa, variance)
    for depth in depths:
        cost += variance * (depth / dip_pa - 1.0) ** 2 / DEPTHS_DIFFER**2
    if onsets.size > 2:
        pace = (onsets[-1] - onsets[0]) / (onsets.size - 1)
        for k in range(onsets.size - 1):
            cost += variance * ((onsets[k + 1] - onsets[k]) / pace - 1.0) ** 2 / PACES_DIFFER**2
    return cost


@jit
def _laid(x: Floats, y: Floats, shape: Floats, drift: Floats, onsets: Floats, dip_pa: float, variance: float) -> tuple[float, Floats]:
    """Fit drift and depths, the latter held to the usual one as far as it is known: sum of squares left [Pa2], and depths [Pa]."""
    n, d = x.size, drift.shape[0]
    m = d + onsets.size
    columns = np.empty((m, n))
    for j in range(m):
        for i in range(n):
            columns[j, i] = drift[j, i] if j < d else -lost(shape, x[i] - onsets[j - d])
    held = variance / (DEPTHS_DIFFER * dip_pa) ** 2
    normal, right = np.zeros((m, m)), np.zeros(m)
    for j in range(m):
        for k in range(j + 1):
            for i in range(n):
                normal[j, k] += columns[j, i] * columns[k, i]
        for i in range(n):
            right[j] += columns[j, i] * y[i]
        if j >= d:
            normal[j, j] += held
            right[j] += held * dip_pa
    solve(normal, right)
    left = 0.0
    for i in range(n):
        off = y[i]
        for j in range(m):
            off -= columns[j, i] * right[j]
        left += off * off
    return left, right[d:]
