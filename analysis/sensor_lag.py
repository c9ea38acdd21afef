"""Taking the lag of a slow sensor out of its readings: the pressure is the reading and the lag times its slope.

A sensor that answers as a first-order system shows a dip too shallow and too late; where the slopes beside a sharp bottom are a down
and b up, it loses b tau ln(1 + a / b) of it. The slope is taken over about one lag, so noise grows by little more than twice.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from analysis.jit import jit

Floats = NDArray[np.float64]

LONGEST_S = 0.1  # a sensor slower than this shows no shot as it is


def checked_lag(lag_s: float) -> float:
    """Give back a sensor's time constant [s] that can be taken out.

    Raises
    ------
    ValueError
        If it is negative, no number, or so long that no shot is seen through it.
    """
    if not (math.isfinite(lag_s) and 0.0 <= lag_s <= LONGEST_S):
        msg = f"A sensor's lag of {1e3 * lag_s:g} ms cannot be taken out of shots; give 0 ms to {1e3 * LONGEST_S:g} ms."
        raise ValueError(msg)
    return lag_s


def span(lag_s: float, step_s: float) -> int:
    """Readings on each side over which the slope is taken."""
    return max(1, round(0.5 * lag_s / step_s))


def grown(noise_pa: float, lag_s: float, step_s: float) -> float:
    """What the noise of single readings becomes [Pa]."""
    return noise_pa * math.sqrt(1.0 + 2.0 * (0.5 * lag_s / (span(lag_s, step_s) * step_s)) ** 2)


@jit
def unlagged(t: Floats, p: Floats, lag_s: float, n: int) -> Floats:
    """Pressure before the sensor [Pa], from its readings: each with the slope between the readings `n` before and after it."""
    out = np.empty(p.size)
    for i in range(p.size):
        a, z = max(i - n, 0), min(i + n, p.size - 1)
        # As many readings on either side, so that the slope is that of the middle; at the very ends there is but one side.
        reach = min(i - a, z - i)
        if reach > 0:
            a, z = i - reach, i + reach
        out[i] = p[i] + lag_s * (p[z] - p[a]) / (t[z] - t[a]) if z > a else p[i]
    return out
