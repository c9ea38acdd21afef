"""A faint fall of a line that rises before it and goes on to rise after it, as a tank does while its pump runs or its hose refills it.

What is a shot is decided by a step on a level line, as where a rise only ends no air was drawn. Such a step begins late and is too small
where the line rose, so what was found is laid on the rise.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from analysis.edge import EDGE_POWER
from analysis.faint_fall import FEWEST_STRAIGHT, FaintFall, sloping
from analysis.jit import jit

Floats = NDArray[np.float64]

BEFORE_S, AFTER_S = 0.5, 0.1  # looked at, before the onset and after nearly all is lost
WIDTHS_S = (0.03, 0.05, 0.075, 0.11, 0.16, 0.22)
ONSET_S, ONSETS = 0.008, 20  # between onsets tried, and how many on either side
LEAST_S = 0.2  # of the line before the fall


def laid_on_the_rise(t: Floats, p: Floats, fall: FaintFall, noise_pa: float, from_s: float, until_s: float) -> FaintFall:
    """Fit a fall again that was found on a level line, if the line rises before it.

    Parameters
    ----------
    t, p : ndarray, shape (n,)
        Times [s] and pressure [Pa].
    fall : FaintFall
        What was found.
    noise_pa : float
        Standard deviation of the noise of a reading [Pa].
    from_s, until_s : float
        From when on the line has come back from the last shot, and when the next begins [s].

    Returns
    -------
    FaintFall
        The same where no rise stands out.
    """
    from_s = max(from_s, fall.time_s - BEFORE_S)
    a, k, z = (int(i) for i in t.searchsorted([from_s, fall.time_s, min(until_s, fall.over_s + AFTER_S)]))
    if z - k < FEWEST_STRAIGHT or sloping(t, p, from_s, fall.time_s, noise_pa, LEAST_S) <= 0.0:
        return fall
    onset_s, width_s, before_pa, depth_pa, slope = _laid(t[a:z] - fall.time_s, p[a:z] - p[a], noise_pa)
    if depth_pa <= 0.0:
        return fall
    since_s = np.arange(0.0, 3.0 * width_s, 0.1 * width_s)
    dip_pa = float((depth_pa * (1.0 - np.exp(-((since_s / width_s) ** EDGE_POWER))) - slope * since_s).max())
    return replace(fall, time_s=fall.time_s + onset_s, width_s=width_s, before_pa=float(p[a]) + before_pa, dip_pa=dip_pa)


@jit
def _laid(x: Floats, y: Floats, noise_pa: float) -> tuple[float, float, float, float, float]:
    """Onset [s], width [s], level at the onset [Pa], depth [Pa] and slope [Pa/s]: the mean of all that may be, as likely as each is."""
    n = x.size
    x1, v1 = x.mean(), y.mean()
    xx, xy, yy = 0.0, 0.0, 0.0
    for i in range(n):
        xx += (x[i] - x1) ** 2
        xy += (x[i] - x1) * (y[i] - v1)
        yy += (y[i] - v1) ** 2
    tried = 2 * ONSETS + 1
    rests, depths = np.full((len(WIDTHS_S), tried), np.inf), np.zeros((len(WIDTHS_S), tried))
    slopes, levels = np.zeros((len(WIDTHS_S), tried)), np.zeros((len(WIDTHS_S), tried))
    least = np.inf
    for w, width_s in enumerate(WIDTHS_S):
        for k in range(tried):
            from_s = (k - ONSETS) * ONSET_S
            s1, s2, sx, sy = 0.0, 0.0, 0.0, 0.0
            for i in range(n):
                shape = 1.0 - math.exp(-(max((x[i] - from_s) / width_s, 0.0) ** EDGE_POWER))
                s1 += shape
                s2 += shape * shape
                sx += shape * (x[i] - x1)
                sy += shape * (y[i] - v1)
            own = s2 - s1 * s1 / n - sx * sx / xx
            depth = -(sy - sx * xy / xx) / own if own > 1e-6 else 0.0
            if depth <= 0.0:
                continue
            slope = (xy + depth * sx) / xx
            rests[w, k], depths[w, k], slopes[w, k] = yy - xy * xy / xx - depth * depth * own, depth, slope
            levels[w, k] = v1 + depth * s1 / n + slope * (from_s - x1)
            least = min(least, rests[w, k])
    if least == np.inf:
        return 0.0, 0.0, 0.0, 0.0, 0.0
    variance = max(noise_pa**2, least / max(n - 5, 1))
    total, onset, width, level, depth, slope = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
    for w, width_s in enumerate(WIDTHS_S):
        for k in range(tried):
            likely = math.exp(-0.5 * (rests[w, k] - least) / variance)
            total += likely
            onset += likely * (k - ONSETS) * ONSET_S
            width += likely * width_s
            level += likely * levels[w, k]
            depth += likely * depths[w, k]
            slope += likely * slopes[w, k]
    return onset / total, width / total, level / total, depth / total, slope / total
