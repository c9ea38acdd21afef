"""Where the line stood just before a fall, while it rests, rises, comes back from the shot before or rings."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from analysis.jit import jit
from analysis.stretch import highest, position

Floats = NDArray[np.float64]

BEFORE_S = 0.1  # pressure before a shot is averaged over up to this long
# Or, where the last shot is long enough ago and readings are many, the line is followed for so long, in such means.
LONGEST_BEFORE_S, SHORTEST_WANDER_S, FEWEST_WANDER, WANDER_BIN_S = 0.7, 0.35, 24, 0.005
# Ways a line may go, in dips: how steep it may be when first seen, per second; how far its slope drifts by chance, per root of a second
# cubed; and how fast it fades, per second. It stands still, rises straight as a tank does while its pump runs, comes back from the shot
# before, or rings.
WANDERS = ((0.0, 0.0, 0.0), (0.3, 0.0, 0.0), (5.0, 0.0, 2.0), (5.0, 0.0, 5.0), (5.0, 0.5, 0.0), (5.0, 2.5, 0.0), (5.0, 12.0, 0.0))
STEEPEST_RING_PER_S = 4.0  # dips a second: a hose that rings with a quarter of the dip at 2.5 Hz


@jit
def level_before(
    t: Floats, p: Floats, onset_s: float, guard_s: float, earliest_s: float, noise_pa: float, dip_pa: float
) -> tuple[float, float]:
    """Pressure just before the fall and its slope; a steady line is averaged, a recovering one extrapolated.

    Returns
    -------
    tuple of float
        Pressure at the onset [Pa] and slope there [Pa/s], 0 where the line is steady.
    """
    z = position(t, onset_s - guard_s)
    a = position(t, max(onset_s - LONGEST_BEFORE_S, earliest_s))
    if z - a >= FEWEST_WANDER and t[z - 1] - t[a] > SHORTEST_WANDER_S:
        return _wandering(t[a:z], p[a:z], onset_s, noise_pa, dip_pa)
    level, slope = p[max(z - 1, 0)], 0.0
    level_wider, slope_wider = level, slope
    reach = BEFORE_S
    for narrower in range(4):
        a = position(t, max(onset_s - reach, earliest_s))
        n = z - a
        if n < (1 if narrower == 0 else 4):
            break
        xm, vm = 0.0, 0.0
        for i in range(a, z):
            xm += t[i] - onset_s
            vm += p[i] - level
        xm, vm = xm / n, level + vm / n
        if n < 4:
            return vm, 0.0
        spread, both = 0.0, 0.0
        for i in range(a, z):
            x = t[i] - onset_s - xm
            spread += x * x
            both += x * (p[i] - vm)
        slope = both / spread
        if narrower > 0 and slope < -STEEPEST_RING_PER_S * dip_pa:
            return level_wider, slope_wider  # that is the fall itself
        # No more slope than stands out of the noise: to leave it out where it is not sure would place a recovering line too low.
        slope *= max(0.0, 1.0 - 2.0 * (noise_pa / slope) ** 2 / spread) if abs(slope) * reach > 0.005 * dip_pa else 0.0
        level = vm - slope * xm
        rest = 0.0
        for i in range(a, z):
            rest += (p[i] - level - slope * (t[i] - onset_s)) ** 2
        # A line that rings or recovers bends; then only the last part says where it stood.
        if rest / n < (1.0 + 2.0 / n**0.5) * noise_pa**2 + (0.003 * dip_pa) ** 2:
            break
        reach *= 0.5
        level_wider, slope_wider = level, slope
    return level, slope


@jit
def _wandering(t: Floats, p: Floats, at_s: float, noise_pa: float, dip_pa: float) -> tuple[float, float]:
    """Level and slope that a line has at a time just after some readings: the mean of what lines that wander more and less would have.

    Each has a slope that drifts by chance, and counts for as much as it foretells each reading from those before it: Kalman's filter.

    Returns
    -------
    tuple of float
        Level [Pa] and slope [Pa/s].
    """
    ways = len(WANDERS)
    levels, slopes, fits = np.empty(ways), np.empty(ways), np.empty(ways)
    per = max(int(WANDER_BIN_S * (t.size - 1) / (t[t.size - 1] - t[0])), 1)
    bins = t.size // per
    x, y = np.zeros(bins), np.zeros(bins)
    for i in range(bins * per):
        j = t.size - bins * per + i
        x[i // per] += (t[j] - at_s) / per
        y[i // per] += (p[j] - p[0]) / per
    variance = noise_pa**2 / per + (0.002 * dip_pa) ** 2
    for k in range(ways):
        slope_u, drift, fades = WANDERS[k][0] * dip_pa, (WANDERS[k][1] * dip_pa) ** 2, WANDERS[k][2]
        level, slope, fit = y[0], 0.0, 0.0
        v00, v01, v11 = variance, 0.0, slope_u * slope_u
        for i in range(1, bins):
            passed = x[i] - x[i - 1]
            left = math.exp(-fades * passed)
            gone = (1.0 - left) / fades if fades > 0.0 else passed
            level += gone * slope
            slope *= left
            v00 += gone * (2.0 * v01 + gone * v11) + drift * passed**3 / 3.0
            v01 = left * (v01 + gone * v11) + 0.5 * drift * passed**2
            v11 = left * left * v11 + drift * passed
            spread = v00 + variance
            away = y[i] - level
            fit -= 0.5 * (math.log(spread) + away * away / spread)
            by_level, by_slope = v00 / spread, v01 / spread
            level += by_level * away
            slope += by_slope * away
            v11 -= by_slope * v01
            v01 -= by_slope * v00
            v00 -= by_level * v00
        left = math.exp(fades * x[bins - 1])
        gone = (1.0 - left) / fades if fades > 0.0 else -x[bins - 1]
        levels[k], slopes[k], fits[k] = level + gone * slope, left * slope, fit
    best = fits[highest(fits, 0, ways)]
    total, level, slope = 0.0, 0.0, 0.0
    for k in range(ways):
        weight = math.exp(fits[k] - best)
        total += weight
        level += weight * levels[k]
        slope += weight * slopes[k]
    return p[0] + level / total, slope / total
