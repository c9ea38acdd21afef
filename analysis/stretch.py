"""Plain arithmetic on a stretch of readings, compiled: find, average, cross a level, lay a parabola."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from analysis.jit import jit

Floats = NDArray[np.float64]

ROUNDLY = 1.15  # of the variance of the noise, as well as it is known


@jit
def position(t: Floats, at_s: float) -> int:
    """First position of ascending times that is not before `at_s`; compiles faster than numpy's."""
    a, z = 0, t.size
    while a < z:
        middle = (a + z) // 2
        if t[middle] < at_s:
            a = middle + 1
        else:
            z = middle
    return a


@jit
def lowest(y: Floats, a: int, z: int) -> int:
    """Position of the lowest of y[a:z], the first where several are."""
    low = a
    for i in range(a + 1, z):
        if y[i] < y[low]:
            low = i
    return low


@jit
def highest(y: Floats, a: int, z: int) -> int:
    """Position of the highest of y[a:z], the first where several are."""
    high = a
    for i in range(a + 1, z):
        if y[i] > y[high]:
            high = i
    return high


@jit
def smooth(p: Floats, n: int) -> Floats:
    """Centred moving average over an odd number of readings, narrower at the ends so that it never shifts."""
    half = n // 2
    if half < 1 or p.size < 3:
        return p
    size = p.size
    averaged = np.empty(size)
    # The window grows by two readings at the start, slides, and shrinks by two at the end.
    total, w = 0.0, 1
    for i in range(size):
        h = min(half, i, size - 1 - i)
        if i == 0:
            total = 0.0
        elif 2 * h + 1 > w:
            total += (p[i + h] - p[0]) + (p[i + h - 1] - p[0])
        elif 2 * h + 1 < w:
            total -= (p[i - h - 1] - p[0]) + (p[i - h - 2] - p[0])
        else:
            total += p[i + h] - p[i - h - 1]
        w = 2 * h + 1
        averaged[i] = total / w + p[0]
    return averaged


@jit
def width_for(noise_pa: float, dip_pa: float, step_s: float, longest_s: float, share: float) -> int:
    """Odd number of readings to average so that the noise falls below a share of the dip, no longer than `longest_s`."""
    if dip_pa <= 0.0:
        return 1
    n = math.ceil(min((noise_pa / (share * dip_pa)) ** 2, 1e6))
    return max(1, min(n, int(longest_s / step_s))) | 1


@jit
def crossing(t: Floats, y: Floats, level: float, first: int, low: int) -> float:
    """Time at which the falling edge between two positions crosses a level for the last time [s]."""
    i = low
    while i >= first and not y[i] > level:
        i -= 1
    if i < first:
        return t[first]
    if i >= low:
        return t[low]
    return t[i] + (t[i + 1] - t[i]) * (y[i] - level) / max(y[i] - y[i + 1], 1e-9)


@jit
def parabola(t: Floats, p: Floats, at_s: float) -> tuple[float, float, float, float, float, float, float]:
    """Least squares in orthogonal polynomials of x = t - at_s - m: p = level + c1 x + c2 (x^2 - q1 x - q0).

    Returns
    -------
    tuple of float
        m, level, c1, c2, q1, q0, and the sum of the squared residuals.
    """
    n = t.size
    m, level = 0.0, 0.0
    for i in range(n):
        m += t[i] - at_s
        level += p[i] - p[0]
    m, level = m / n, level / n + p[0]
    x2, x3, both1 = 0.0, 0.0, 0.0
    for i in range(n):
        x = t[i] - at_s - m
        x2 += x * x
        x3 += x**3
        both1 += x * (p[i] - level)
    q1, q0, c1 = x3 / x2, x2 / n, both1 / x2
    bend2, both2 = 0.0, 0.0
    for i in range(n):
        x = t[i] - at_s - m
        bend = x * x - q1 * x - q0
        bend2 += bend * bend
        both2 += bend * (p[i] - level)
    c2 = both2 / bend2 if bend2 > 0.0 else 0.0
    rest = 0.0
    for i in range(n):
        x = t[i] - at_s - m
        rest += (p[i] - level - c1 * x - c2 * (x * x - q1 * x - q0)) ** 2
    return m, level, c1, c2, q1, q0, rest
