"""When a dip is over: the pressure is back above a level, timed between two readings, and stays there."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from analysis.jit import jit
from analysis.pump_ripple import without_ripple
from analysis.stretch import lowest, parabola, position, smooth, width_for

Floats = NDArray[np.float64]

RECOVERED = 0.9  # share of the dip that must be regained
HELD_S = 0.15  # and for how long
RIPPLE_SHARE = 0.02  # of a dip; less ripple is left in
# A pump's ripple is sought for so long before the pressure seems to be back, and after.
RIPPLE_BEFORE_S, RIPPLE_AFTER_S = 1.2, 0.6
CROSSING_S, FEWEST_CROSSING = (0.1, 0.06, 0.04, 0.025, 0.016, 0.01), 4  # reach of a parabola about the crossing; readings


def recovery(t: Floats, p: Floats, level_pa: float, noise_pa: float, dip_pa: float, step_s: float, *, until_s: float) -> float:
    """Time at which the pressure comes back above a level and stays there for `HELD_S`; NaN where these readings do not show it.

    Parameters
    ----------
    t, p : ndarray
        Times [s] and cleaned pressure [Pa], from the bottom of the dip on.
    until_s : float
        When what comes next begins, up to one spacing after the last of these readings [s]; infinite while readings are still to come,
        which may widen the averages near the end.
    """
    return float(_recovery(t, p, level_pa, noise_pa, dip_pa, step_s, until_s))


def recovery_in_ripple(t: Floats, p: Floats, level_pa: float, noise_pa: float, dip_pa: float, step_s: float, *, until_s: float) -> float:
    """As `recovery`, where a pump may run: its strokes take the pressure below the level until it has risen by as much as they do.

    Their ripple is taken out where the pressure seems to be back; NaN, too, while the readings that show it are still to come.
    """
    at = recovery(t, p, level_pa, noise_pa, dip_pa, step_s, until_s=until_s)
    end_s = until_s if np.isnan(at) else min(at + RIPPLE_AFTER_S, until_s)
    if end_s == np.inf or (until_s == np.inf and t[-1] < end_s):
        return float("nan")
    a, z = t.searchsorted([end_s - RIPPLE_AFTER_S - RIPPLE_BEFORE_S, end_s])
    seen = p[a:z]
    calm = without_ripple(t[a:z], seen, RIPPLE_SHARE * dip_pa)
    if calm is seen:
        return at
    calm_at = recovery(t[a:z], calm, level_pa, noise_pa, dip_pa, step_s, until_s=end_s)
    return at if np.isnan(calm_at) else calm_at


@jit
def _recovery(t: Floats, p: Floats, level_pa: float, noise_pa: float, dip_pa: float, step_s: float, until_s: float) -> float:
    at = np.nan
    for longest_s in (0.03, 0.09, 0.24):
        n = max(width_for(noise_pa, dip_pa, step_s, longest_s, 0.01), int(0.006 / step_s) | 1)
        y = smooth(p, n)
        u = noise_pa / n**0.5
        # An average is late on a rise that slows down: what it holds for too late may not be.
        at = held(t, y, level_pa, 2.0 * min(u, 0.03 * dip_pa), until_s + 0.5 * longest_s, n // 2)
        if n < int(longest_s / step_s) or (np.isnan(at) and until_s == np.inf):
            break
        if np.isnan(at):
            continue
        # A steep rise is timed well by a short average; on a slow one noise crosses the level too early, so average longer.
        a = position(t, at - 0.5 * longest_s)
        z = min(position(t, at + 0.5 * longest_s), t.size - 1)
        if y[z] - y[a] > 6.0 * u:
            break
    if np.isnan(at):
        return at
    at = crossed(t, p, at, level_pa, noise_pa, dip_pa)
    return at if at + HELD_S <= until_s else np.nan


@jit
def crossed(t: Floats, p: Floats, at: float, level_pa: float, noise_pa: float, dip_pa: float) -> float:
    """Time at which a parabola through the readings about a rise crosses a level, the longest that noise alone lies around [s]."""
    for reach_s in CROSSING_S:
        a, z = position(t, at - reach_s), position(t, at + reach_s)
        n = z - a
        if n < FEWEST_CROSSING:
            break
        m, mean, c1, c2, q1, q0, rest = parabola(t[a:z], p[a:z], at)
        if rest / (n - 3) > (1.0 + (2.0 / (n - 3)) ** 0.5) * noise_pa**2 + (0.002 * dip_pa) ** 2:
            continue
        x = -m
        for _ in range(4):  # Newton
            slope = c1 + c2 * (2.0 * x - q1)
            if slope <= 0.0:
                break
            x += (level_pa - mean - c1 * x - c2 * (x * x - q1 * x - q0)) / slope
        if slope > 0.0 and abs(x + m) < 0.5 * reach_s:
            return at + m + x
    return at


@jit
def held(t: Floats, y: Floats, level_pa: float, slack_pa: float, until_s: float, unsure: int) -> float:
    """Time at which averages first rise over a level, and then for `HELD_S` lie below it by no more than some slack [s]; NaN if never.

    While readings are still to come (`until_s` infinite), as many of the newest averages as are `unsure` may still change.
    """
    for i in range(1, y.size):
        if not (y[i] >= level_pa > y[i - 1]):
            continue
        at = t[i - 1] + (level_pa - y[i - 1]) / max(y[i] - y[i - 1], 1e-9) * (t[i] - t[i - 1])
        z = position(t, at + HELD_S)
        if at + HELD_S > until_s or (until_s == np.inf and z + unsure >= t.size):
            return np.nan
        if y[lowest(y, i, max(z, i + 1))] >= level_pa - slack_pa:
            return at
    return np.nan
