"""How deep a dip is between two readings: a parabola through its bottom, or two flanks that meet."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from analysis.jit import jit
from analysis.stretch import ROUNDLY, parabola

Floats = NDArray[np.float64]

FLANK_NOISE = 0.05  # of the dip; in more, flanks are not told from a round bottom
FLANK_SHARES, FEWEST_ON_FLANKS, MOST_ON_FLANKS = (0.25, 0.4), 6, 24  # of the dip; readings


@jit
def bottom(
    t: Floats, p: Floats, y: Floats, low: int, high: int, end: int, noise_pa: float, dip_pa: float, step_s: float
) -> tuple[float, float]:
    """Lowest true pressure and its time: a parabola through the bottom of the dip, which neither noise nor spacing pulls down."""
    if noise_pa < 0.003 * dip_pa:
        return y[low], t[low]
    for reach_s, share in ((0.06, 0.12), (0.03, 0.12), (0.02, 0.1), (0.012, 0.08), (0.008, 0.06)):
        level = y[low] + max(share * dip_pa, 2.0 * noise_pa)
        reach = max(2, int(reach_s / step_s))
        a = z = low
        while a > high + 1 and low - a < reach and y[a - 1] < level:
            a -= 1
        while z < end - 1 and z - low < reach and y[z + 1] < level:
            z += 1
        n = z + 1 - a
        if n < 4:
            break
        mean_s, level_pa, c1, c2, q1, q0, rest = parabola(t[a : z + 1], p[a : z + 1], t[low])
        # Where the bottom is no parabola, a narrower piece of it is.
        if rest / (n - 3) > 1.5 * noise_pa**2 + (0.004 * dip_pa) ** 2 and reach > 2:
            continue
        if c2 <= 0.0:
            about_level = 0.0
            for i in range(a, z + 1):
                about_level += (p[i] - level_pa) ** 2
            if about_level > (n - 1) * (ROUNDLY + 2.0 * (2.0 / n) ** 0.5) * noise_pa**2:
                continue  # a flank, and no level bottom
            if n >= 8:
                return level_pa, mean_s + t[low]
            return y[low], t[low]
        # p = level + c1 x + c2 (x^2 - q1 x - q0), x from the mean time
        vertex = min(max((q1 - c1 / c2) / 2.0, t[a] - t[low] - mean_s), t[z] - t[low] - mean_s)
        fitted = level_pa + c1 * vertex + c2 * (vertex**2 - q1 * vertex - q0)
        if y[low] < fitted - 2.0 * noise_pa:
            break  # a bottom sharper than the parabola
        return fitted, t[low] + mean_s + vertex
    # A bottom too sharp for that many readings: two straight flanks that meet, as far up as they must reach to be seen.
    for share in FLANK_SHARES:
        level = y[low] + share * dip_pa
        a = z = low
        while a > high and y[a] < level:
            a -= 1
        while z < end - 1 and y[z + 1] < level:
            z += 1
        n = z + 1 - a
        if FEWEST_ON_FLANKS <= n <= MOST_ON_FLANKS and noise_pa < FLANK_NOISE * dip_pa:
            fitted, at_s, rest = _corner(t, p, a, z, noise_pa)
            if rest < (n - 4) * (1.5 * noise_pa**2 + (0.01 * dip_pa) ** 2):
                return fitted, at_s
    # Too few readings even so: the lowest, less what the lowest of about two noisy readings is too low, and with what a
    # corner between two flanks goes on falling, on average, between two readings.
    left, right = max(y[max(low - 2, high)] - y[low], 0.0), max(y[min(low + 2, end - 1)] - y[low], 0.0)
    corner = 0.25 * left * right / max(left + right, 1e-9)
    return y[low] + 0.3 * noise_pa - corner, t[low]


@jit
def _corner(t: Floats, p: Floats, a: int, z: int, noise_pa: float) -> tuple[float, float, float]:
    """Fit two straight flanks that meet at a corner to readings a to z.

    The corner is tried at readings and between them; what noise cannot tell apart counts by its likelihood.

    Returns
    -------
    tuple of float
        Level [Pa] and time [s] of the corner, and the least sum of squared residuals; infinite where none goes down and up again.
    """
    n = z + 1 - a
    mean = 0.0
    for i in range(a, z + 1):
        mean += (p[i] - p[a]) / n
    mean += p[a]
    whole = 0.0
    for i in range(a, z + 1):
        whole += (p[i] - mean) ** 2
    tried = 2 * (n - 3) + 1
    levels, rests = np.empty(tried), np.empty(tried)
    least = np.inf
    for k in range(tried):
        at = a + 1 + k // 2
        c = t[at] if k % 2 == 0 else 0.5 * (t[at] + t[at + 1])
        left, left2, left_p, right, right2, right_p = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
        for i in range(a, z + 1):
            x = t[i] - c
            if x < 0.0:
                left -= x
                left2 += x * x
                left_p -= x * (p[i] - mean)
            else:
                right += x
                right2 += x * x
                right_p += x * (p[i] - mean)
        level = -(left * left_p / left2 + right * right_p / right2) / (n - left * left / left2 - right * right / right2)
        down, up = (left_p - left * level) / left2, (right_p - right * level) / right2
        levels[k] = level
        # The sums of p about its mean vanish.
        rests[k] = whole - down * left_p - up * right_p if down > 0.0 and up > 0.0 else np.inf
        least = min(least, rests[k])
    if not least < np.inf:
        return 0.0, 0.0, np.inf
    weight, level, time = 0.0, 0.0, 0.0
    for k in range(tried):
        w = math.exp(-0.5 * (rests[k] - least) / noise_pa**2)
        at = a + 1 + k // 2
        weight += w
        level += w * levels[k]
        time += w * (t[at] if k % 2 == 0 else 0.5 * (t[at] + t[at + 1]))
    return mean + level / weight, time / weight, least
