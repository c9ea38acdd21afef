"""Taking the lag of a slow sensor out of its readings: the pressure is the reading and the lag times its slope.

A sensor that answers as a first-order system shows a dip too shallow and too late; where the slopes beside a sharp bottom are a down
and b up, it loses b tau ln(1 + a / b) of it. The slope is taken over about one lag, so noise grows by little more than twice.

A lag that nobody stated shows in how slowly dips begin: the sensor makes the front longer, and the dip itself shallower.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from analysis.constants import ATMOSPHERE_ABS_PA
from analysis.jit import jit
from analysis.mean_dip import Seen

Floats = NDArray[np.float64]

LONGEST_S = 0.1  # a sensor slower than this shows no shot as it is

# Time from a quarter to three quarters of a dip at the tool: 8 to 15 ms in 146 recordings of simulated lines, 19 to 34 ms through a lag of
# 20 ms, more through a longer. That a nailer's valve takes some milliseconds is common practice, no source.
SLOW_FRONT_S, VALVE_FRONT_S, SLOW_LAG_S = 0.017, 0.01, 0.02
FROM, TO = 0.25, 0.75
WIDEST_STEP_S = 0.0105  # between readings that show such a front
DEEP_SHARE = 0.04  # of absolute pressure; less may be a receiver, or a place from which the hose has rounded the front
CLEAR_SIGMA, FEWEST, MOST = 8.0, 5, 256  # times the noise that such a dip is; dips that tell, and that are kept
RISE_LAGS = math.log(9.0)  # of a first-order response from 10 to 90 %, in lags


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


class Fronts:
    """Follow how fast dips begin, and say where a sensor at the tool must be slow."""

    def __init__(self) -> None:
        self._fronts_s: list[float] = []

    def add(self, seen: Seen) -> None:
        """Take note of a shot."""
        shot = seen.shot
        if len(self._fronts_s) < MOST and shot.dip_pa > max(CLEAR_SIGMA * seen.noise_pa, DEEP_SHARE * (shot.before_pa + ATMOSPHERE_ABS_PA)):
            front_s = _front_s(seen.t_s, (shot.before_pa - seen.p_pa) / shot.dip_pa)
            if math.isfinite(front_s):
                self._fronts_s.append(front_s)

    def doubts(self, step_s: float) -> list[str]:
        """Say what was seen of readings so far apart [s], and what to do."""
        if len(self._fronts_s) < FEWEST or step_s > WIDEST_STEP_S:
            return []
        front_s = float(np.median(self._fronts_s))
        if front_s < SLOW_FRONT_S:
            return []
        took, valve, lag = (f"{1e3 * x:.0f} ms" for x in (front_s, VALVE_FRONT_S, SLOW_LAG_S))
        return [
            f"Dips go from a quarter to three quarters of their depth in {took}, where a tool's valve takes about {valve}. "
            f"If this sensor sits at the tool, it lags by about {lag} or more: dips are at least as deep as told, and may be far deeper. "
            f"Look up its response time from 10 to 90 %; divided by {RISE_LAGS:.1f} it is the lag that `farend shots --lag` takes out. "
            "Or fit a faster sensor."
        ]


def _front_s(t: Floats, lost: Floats) -> float:
    """Time that the loss of a dip takes from `FROM` to `TO` of it [s]; NaN where it does not show."""
    low = int(np.argmax(lost))
    crossed = []
    for share in (FROM, TO):
        above = np.flatnonzero(lost[:low] < share)
        if not above.size:
            return math.nan
        i = int(above[-1])
        crossed.append(float(t[i] + (share - lost[i]) / (lost[i + 1] - lost[i]) * (t[i + 1] - t[i])))
    return crossed[1] - crossed[0]
