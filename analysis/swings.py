"""What the line does around a fall: swings as deep, slides on, or comes up again."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from analysis.jit import jit
from analysis.stretch import ROUNDLY, highest, lowest, position, smooth, width_for

Floats = NDArray[np.float64]

FEWEST_STRAIGHT = 12
SLID, SLID_SIGMA = 1.3, 8.0  # dips, and times the noise, that a slope goes on to fall
# Hum counts as noise but leaves means over this long alone, which shots bend: by more than this share of what noise would leave in them.
CALM_S, CALM = 0.08, 6.0
SWING_MEAN_S = 0.03
LONGEST_LOSS_S = 0.3


@jit
def swing_s(t: Floats, p: Floats, at_s: float, view_s: float, before_pa: float, dip_pa: float, noise_pa: float, step_s: float) -> float:
    """Time to the nearest other fall of like size, before or after the one that is half over at `at_s` [s].

    The line's slope is taken out. Infinite where there is none within the view, or where noise alone would swing as much.
    """
    n = width_for(noise_pa, dip_pa, step_s, SWING_MEAN_S, 0.05)
    if noise_pa > 0.06 * n**0.5 * dip_pa:
        return np.inf
    a, z = position(t, at_s - view_s), position(t, at_s + view_s)
    y = smooth(p[a:z], n)
    size = z - a
    x_mean, x2, both = 0.0, 0.0, 0.0
    for i in range(size):
        x_mean += (t[a + i] - at_s) / size
    for i in range(size):
        x = t[a + i] - at_s - x_mean
        x2 += x * x
        both += x * (y[i] - y[0])
    slope = both / x2 if x2 > 0.0 else 0.0
    # A fall runs from above the upper to below the lower level.
    upper, lower = before_pa - 0.38 * dip_pa, before_pa - 0.62 * dip_pa
    nearest = np.inf
    stage = 0
    for i in range(position(t, at_s) - a, size):
        v = y[i] - slope * (t[a + i] - at_s)
        if stage == 0 and v >= upper:
            stage = 1
        elif stage == 1 and v <= lower:
            nearest = t[a + i] - at_s
            break
    stage = 0
    for i in range(min(position(t, at_s) - a, size - 1), -1, -1):
        v = y[i] - slope * (t[a + i] - at_s)
        if (stage == 0 and v >= upper) or (stage == 1 and v <= lower):
            stage += 1
        elif stage == 2 and v >= upper:
            nearest = min(nearest, at_s - t[a + i])
            break
    return nearest


@jit
def slides(t: Floats, p: Floats, onset_s: float, until_s: float, dip_pa: float, noise_pa: float) -> bool:
    """Whether the pressure goes on falling after a dip in so straight a line that noise alone lies around it."""
    a, z = position(t, onset_s), position(t, until_s)
    n = z - a
    if n < FEWEST_STRAIGHT:
        return False
    x_mean, level = 0.0, 0.0
    for i in range(a, z):
        x_mean += t[i] - onset_s
        level += p[i] - p[a]
    x_mean, level = x_mean / n, level / n
    x2, both, y2 = 0.0, 0.0, 0.0
    for i in range(a, z):
        x, y = t[i] - onset_s - x_mean, p[i] - p[a] - level
        x2 += x * x
        both += x * y
        y2 += y * y
    slope = both / x2
    rest = (y2 - slope * both) / (n - 2)
    if -slope * (until_s - onset_s) <= max(SLID * dip_pa, SLID_SIGMA * noise_pa):
        return False
    if rest >= (ROUNDLY + 2.0 * (2.0 / n) ** 0.5) * noise_pa**2:
        return False
    k = max(2, round(CALM_S * (n - 1) / (t[z - 1] - t[a])))
    blocks = n // k
    between, within = 0.0, 0.0
    for block in range(blocks):
        mean = 0.0
        for i in range(a + block * k, a + (block + 1) * k):
            away = p[i] - p[a] - level - slope * (t[i] - onset_s - x_mean)
            mean += away / k
            within += away * away
        between += k * mean * mean
    within -= between
    return blocks < 4 or between / (blocks - 2) < CALM * within / (blocks * (k - 1))


@jit
def lost_pa_s(t: Floats, p: Floats, onset_s: float, half_s: float, before_pa: float, dip_pa: float, least_pa_s: float) -> float:
    """How much a dip loses, below the level before it and summed over time [Pa s]: the most by any time soon after it is half over.

    Soon is three times as long as the whole dip would take to lose `least_pa_s`: over a longer time the level is not known well enough.
    """
    most, lost = 0.0, 0.0
    until_s = min(half_s + 3.0 * least_pa_s / dip_pa, onset_s + LONGEST_LOSS_S)
    for i in range(max(position(t, onset_s), 1), min(position(t, until_s) + 1, t.size)):
        lost += (before_pa - p[i]) * (t[i] - t[i - 1])
        most = max(most, lost)
    return most


@jit
def comes_back(p: Floats, a: int, b: int, lag: int, size_pa: float, noise_pa: float) -> bool:
    """Whether the pressure comes up again between a fall that ends at `a` and another near `b`."""
    low = lowest(p, a, b + 1)
    back = p[highest(p, low, b + 1)] - p[low]
    fallen = p[highest(p, max(a - lag, 0), a + 1)] - p[low]
    return back > max(0.3 * size_pa, 0.3 * fallen, 4.0 * noise_pa)
