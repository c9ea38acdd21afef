"""Shape of a fall as a valve makes it that opens in milliseconds, for a shot, or a chamber that fills at once: how well each fits.

A shot's fall is rounded, and how fast it is depends on the line, the tool and the sensor; a chamber that fills makes the pressure jump, and
then fall on slowly.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from analysis.jit import jit
from analysis.measures import Fall
from analysis.stretch import position

Floats = NDArray[np.float64]

# Shapes of a fall. A shot's: by its width, the power of time with which it begins, and how much of it is slow, as the hose gives way. A
# tool's: by how much of it is the jump, and by the jump's time constant, of valve and sensor. Such as the line model and others give.
SLOW_S = 0.05
WIDTHS_S, POWERS, TAILS = tuple(0.005 * 1.2**k for k in range(10)), (1.0, 1.3), (0.0, 0.15, 0.3)
JUMPS, JUMPS_S = (0.55, 0.65, 0.75, 0.85, 0.95), (0.001, 0.002, 0.0035, 0.0055)
USUAL_S, SPREAD = 0.009, 0.25  # median of the widths of shots of all tools, and their spread in logarithms
TABLE_S, LONGEST_S = 0.00025, 0.1  # spacing and end of the table of shapes
LEVEL_S, FIT_S = 0.012, 0.06  # readings that are fitted, before the onset and after it
FEWEST_AFTER, FEWEST_FITTED = 2, 3  # of these after it, and of them all; fewer tell nothing
CLOSE_S = 0.0015  # readings closer than this are averaged
ONSETS, LEAST_STEP_S = 17, 0.004  # onsets tried, over some readings or as many such steps
MISFIT, APART_S = 0.02, 0.004  # of the dip: what a real fall differs from such shapes, independently over times so far apart
LEAST_DEPTH, MOST_DEPTH = 0.8, 1.25  # of the shape fitted, beside the dip


def _shapes() -> Floats:
    x = np.arange(0.0, LONGEST_S, TABLE_S)
    slow = 1.0 - np.exp(-x / SLOW_S)
    shots = [
        (1.0 - tail) * (1.0 - np.exp(-((x / width) ** power))) + tail * slow for width in WIDTHS_S for power in POWERS for tail in TAILS
    ]
    tools = [jump * (1.0 - np.exp(-x / constant)) + (1.0 - jump) * slow for jump in JUMPS for constant in JUMPS_S]
    return np.array([*shots, *tools])


SHAPES = _shapes()
SHOTS = len(WIDTHS_S) * len(POWERS) * len(TAILS)
USUAL = -0.5 * (np.log(np.array(WIDTHS_S) / USUAL_S) / SPREAD) ** 2
USUAL -= np.logaddexp.reduce(USUAL)  # logarithm of the share of tools of each width


def likelihoods(fall: Fall, noise_pa: float, t_s: Floats, p_pa: Floats) -> tuple[Floats, float]:
    """Logarithms of how likely the readings of a fall are.

    Parameters
    ----------
    fall : Fall
        As it was measured in these readings.
    noise_pa : float
        Noise of a reading [Pa].
    t_s, p_pa : ndarray, shape (n,)
        Times [s] and gauge pressure [Pa].

    Returns
    -------
    ndarray, shape (k,)
        Of a shot of each width in `WIDTHS_S`.
    float
        Of a tool that is plugged in. All are 0 where there are too few readings.
    """
    until_s = min(fall.minimum_s, fall.time_s + FIT_S)
    fits = _fits(t_s, p_pa, fall.time_s, until_s, fall.before_pa, fall.dip_pa, noise_pa, MISFIT * fall.dip_pa, SHAPES)
    return mean_of(fits[:SHOTS].reshape(len(WIDTHS_S), -1)), float(mean_of(fits[SHOTS:]))


def mean_of(logarithms: Floats) -> Floats:
    """Logarithm of the mean likelihood, over the last axis."""
    return np.logaddexp.reduce(logarithms, axis=-1) - math.log(logarithms.shape[-1])


@jit
def _fits(
    t: Floats, p: Floats, onset_s: float, until_s: float, before_pa: float, dip_pa: float, noise_pa: float, misfit_pa: float, shapes: Floats
) -> Floats:
    """Logarithm of the likelihood of each shape, over onsets near the first guess; zeros where there are too few readings."""
    found = np.zeros(shapes.shape[0])
    a, z = position(t, onset_s - LEVEL_S), position(t, until_s)
    if z - position(t, onset_s) < FEWEST_AFTER or z - a < FEWEST_FITTED:
        return found
    step_s = (t[z - 1] - t[a]) / (z - 1 - a)
    a = max(min(a, position(t, onset_s - 2.5 * step_s)), 0)
    per = max(int(CLOSE_S / step_s), 1)
    n = (z - a) // per
    x, y = np.zeros(n), np.zeros(n)
    for i in range(n):
        for k in range(a + i * per, a + (i + 1) * per):
            x[i] += (t[k] - onset_s) / per
            y[i] += (before_pa - p[k]) / per
    variance = noise_pa**2 / per + misfit_pa**2 * max(APART_S / (per * step_s), 1.0)
    each = np.empty(ONSETS)
    for j in range(shapes.shape[0]):
        best = -np.inf
        for k in range(ONSETS):
            from_s = (k - ONSETS // 2) * max(step_s, LEAST_STEP_S) / 6.0
            ff, fy, yy = 0.0, 0.0, 0.0
            for i in range(n):
                yy += y[i] * y[i]
                if x[i] > from_s:
                    at = (x[i] - from_s) / TABLE_S
                    m = min(int(at), shapes.shape[1] - 2)
                    f = shapes[j, m] + (at - m) * (shapes[j, m + 1] - shapes[j, m])
                    ff += f * f
                    fy += f * y[i]
            deep = min(max(fy / ff if ff > 0.0 else 0.0, LEAST_DEPTH * dip_pa), MOST_DEPTH * dip_pa)
            each[k] = -0.5 * (yy - 2.0 * deep * fy + deep * deep * ff) / variance
            best = max(best, each[k])
        for k in range(ONSETS):
            found[j] += math.exp(each[k] - best) / ONSETS
        found[j] = best + math.log(found[j])
    return found
