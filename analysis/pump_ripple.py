"""Taking a pump's ripple, or hum, out of a stretch of readings: a steady swing whose pace no tool keeps up with.

Each stroke of a pump lifts its tank by as much as a shot may pull a receiver down, but the strokes go on and on. The swing is fitted
with an amplitude and a phase that may drift in a straight line, since a pump comes up to speed and slows down against pressure.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from analysis.constants import ATMOSPHERE_ABS_PA
from analysis.jit import jit
from analysis.stretch import smooth

Floats = NDArray[np.float64]

SLOWEST_HZ, FASTEST_HZ, GRID_HZ = 6.0, 65.0, 0.125  # mains hum is at 50 or 60
# A stapler may be fired at a pace below this. Then the line goes down by this share of a swing with each, while it swings most; a pump's
# swings go on where it rises. Of 0.9 in the middle for shots, and 0.1 for ripple.
FIRED_HZ, SINKS, MOST_SINK = 9.0, 0.3, 0.55
BIN_S = 0.006  # readings closer than this are averaged to find the pace
SLOW_S = 0.12  # what lasts longer is no ripple
FEWEST = 40  # bins that show a pace
MOST_SWINGS = 3  # strokes and their harmonics
MOST_SHARE = 0.006  # of absolute pressure, as a usual deviation: strokes that lift a tank by more would fill it within seconds
# Noise and shots are not so even: of the power, at least so much must lie at one pace, and of the usual deviation at most so much be left.
EVEN, LEFT = 0.12, 0.8
MOST_RIPPLE = 0.009  # of absolute pressure or less swings: beyond a tank a pump makes no more; common practice, no source


def without_ripple(t: Floats, p: Floats, least_pa: float) -> Floats:
    """Return readings without the ripple in them; the very same array where there is none.

    Parameters
    ----------
    t, p : ndarray, shape (n,)
        Times [s] and cleaned pressure [Pa] of a second or two without a gap.
    least_pa : float
        Where the usual deviation from the slow course is less, it does not matter what it is [Pa].
    """
    if t.size < FEWEST:
        return p
    step_s = float(t[-1] - t[0]) / (t.size - 1)
    per = max(round(BIN_S / step_s), 1)
    bins, wide = t.size // per, int(SLOW_S / (per * step_s)) | 1
    y, course, usual = _deviations(p, per, wide)
    calm = p
    if usual > MOST_SHARE * (float(p.mean()) + ATMOSPHERE_ABS_PA):
        return p
    for _ in range(MOST_SWINGS):
        hz = _pace(y, per * step_s) if usual > least_pa else 0.0
        if hz == 0.0:
            break
        # What averaging over a bin leaves of the swing.
        gain = np.sinc(hz * per * step_s) / np.sinc(hz * step_s)
        swings = gain * _swings((t[: bins * per] - t[0]).reshape(bins, per).mean(axis=1), hz)
        for column in swings:
            column -= smooth(column, wide)
        fitted = np.linalg.solve(swings @ swings.T, swings @ y)
        rest = y - fitted @ swings
        left = float(np.median(np.abs(rest)))
        if left > LEFT * usual or (hz < FIRED_HZ and _fired(y - rest, course, wide, round(1.0 / (hz * per * step_s)))):
            break
        y, usual = rest, left
        calm = calm - fitted @ _swings(t - t[0], hz)
    return calm


def _swings(x_s: Floats, hz: float) -> Floats:
    cos, sin = np.cos(2.0 * np.pi * hz * x_s), np.sin(2.0 * np.pi * hz * x_s)
    return np.stack([cos, sin, cos * x_s, sin * x_s])


def _deviations(p: Floats, per: int, wide: int) -> tuple[Floats, Floats, float]:
    """What means over `per` readings deviate from a mean over `wide` of them [Pa], that mean, and by how much they usually do."""
    y = p[: p.size // per * per].reshape(-1, per).mean(axis=1) - p[0]
    course = smooth(y, wide)
    y -= course
    return y, course, float(np.median(np.abs(y)))


def _fired(swing: Floats, course: Floats, wide: int, per_swing: int) -> bool:
    """Whether the slow course goes down with a swing [Pa], of so many values each: then what swings are shots."""
    power = smooth(swing**2, wide)[per_swing // 2 : per_swing // 2 - per_swing]
    sinks = course[:-per_swing] - course[per_swing:] > SINKS * 8.0**0.5 * np.std(swing)
    return bool(power[sinks].sum() > MOST_SINK * power.sum())


@jit
def _pace(y: Floats, bin_s: float) -> float:
    """Frequency at which even readings swing most [Hz]; 0 where they do so at no pace more than at others."""
    count = int((min(0.45 / bin_s, FASTEST_HZ) - SLOWEST_HZ) / GRID_HZ) + 1
    if y.size < FEWEST or count < 3:
        return 0.0
    twice, now, past = np.empty(count), np.zeros(count), np.zeros(count)
    for f in range(count):
        twice[f] = 2.0 * math.cos(2.0 * math.pi * (SLOWEST_HZ + f * GRID_HZ) * bin_s)
    total = 0.0
    for v in y:  # Goertzel's recurrence
        total += v * v
        for f in range(count):
            now[f], past[f] = v + twice[f] * now[f] - past[f], now[f]
    best, most = 0, -1.0
    for f in range(count):
        power = now[f] * now[f] + past[f] * past[f] - twice[f] * now[f] * past[f]
        if power > most:
            best, most = f, power
    return SLOWEST_HZ + best * GRID_HZ if most > EVEN * y.size * total else 0.0
