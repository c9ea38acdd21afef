"""Kinks in the slope of the line's pressure: a pump that starts or stops, seen through the shots.

Works on means over `BIN_S`. Single large steps between them are shots or the like and are taken out, so that what remains is the
slow course of the tank. Compiled, in order, with absolute positions: blocks of any size give the same kinks.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from analysis.jit import jit

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

BIN_S = 0.1
GAP_BINS = 3.5  # between means, from which on readings are missing
SIDE = 20  # bins on each side of a kink over which slopes are fitted
LATER = 12  # bins after the kink at which the new slope must still hold
STEPS = 40  # bins over which a usual step is known
LEAST_PA_PER_S = 1200.0
MOST_PA_PER_S = 40_000.0  # no pump raises a line faster; a regulator that is turned does

RISE_FROM, RISE_UNTIL, RISE_NOW = 45, 15, 5  # bins back: where the level before a rise is read, and the level after it
RISE_SHARE = 0.02  # of absolute pressure

START, STOP, RISE, SINK = 1, 2, 3, 4
# Slots of the integer state: next bin, first bin of the stretch, running (1, 0; -1 where not known), best position, kind of the best
NEXT, FIRST, RUNNING, BEST, KIND, ROSE, QUIET, SANK = 0, 1, 2, 3, 4, 5, 6, 7
INTS = 8
# Slots of the float state: course, size of the best kink, slope while running
COURSE, SIZE, USUAL, SPREAD, RECENT = 0, 1, 2, 3, 4
FLOATS = 5


@jit
def slope(course: Floats, a: int, z: int) -> float:
    """Least-squares slope of course[a:z] per bin."""
    n = z - a
    middle = 0.5 * (n - 1)
    up = 0.0
    down = 0.0
    for i in range(n):
        up += (i - middle) * course[a + i]
        down += (i - middle) ** 2
    return up / down


@jit
def middle_of(values: Floats, n: int) -> float:
    """Sort the first n values in place and return the one in the middle; few values, and this compiles faster than numpy's."""
    for i in range(1, n):
        x = values[i]
        j = i - 1
        while j >= 0 and values[j] > x:
            values[j + 1] = values[j]
            j -= 1
        values[j + 1] = x
    return values[n // 2]


@jit
def kinks(
    t: Floats, p: Floats, busy: Floats, course: Floats, sigmas: Floats, base: int, until: int, places: Ints, state: Floats, found: Ints
) -> int:
    """Advance through the bins up to one with kinks or rises and write them (kind, position); returns how many.

    Parameters
    ----------
    t, p, busy : ndarray, shape (n,)
        Mean times [s] and pressures [Pa] of the bins kept, and 1 where a shot or the like was under way; the first has the absolute
        position `base`.
    course, sigmas : ndarray, shape (n,)
        Filled: pressure with shots and single steps taken out, counted from 0 [Pa]; usual noise of a bin [Pa].
    until : int
        Absolute position after the last bin there is.
    """
    count = 0
    steps = np.empty(STEPS)
    while places[NEXT] < until and count == 0:
        i = places[NEXT]
        k = i - base
        places[NEXT] = i + 1
        if i == 0 or t[k] - t[k - 1] > GAP_BINS * BIN_S:
            places[FIRST] = i
            places[BEST] = -1
            state[SIZE] = 0.0
            course[k] = state[COURSE]
            continue
        if i % 2 == 0 or i - places[FIRST] < STEPS:
            n = 0
            for j in range(min(STEPS, i - places[FIRST])):
                if busy[k - j] == 0.0 and busy[k - j - 1] == 0.0:
                    steps[n] = p[k - j] - p[k - j - 1]
                    n += 1
            places[QUIET] = n
            if n > 0:
                recent = 0.0
                m = min(n, 10)
                for j in range(m):
                    recent += steps[j]
                state[USUAL] = middle_of(steps, n)
                state[RECENT] = recent / m if m >= 3 else state[USUAL]
                for j in range(n):
                    steps[j] = abs(steps[j] - state[USUAL])
                state[SPREAD] = 1.4826 * middle_of(steps, n)
        n = places[QUIET]
        middle = state[USUAL]
        spread = state[SPREAD] if n > 0 else 0.0
        sigmas[k] = state[SPREAD] / 1.414
        step = p[k] - p[k - 1]
        if busy[k] != 0.0 or busy[k - 1] != 0.0 or (n >= 8 and abs(step - middle) > 5.0 * spread + 1.0):
            step = state[RECENT]  # the slope of the last few quiet steps carries on through a shot
        state[COURSE] += step
        course[k] = state[COURSE]
        length = i - places[FIRST]
        # A rise that is no pump's: the lowest of the last bins stands above the highest of some seconds ago. The other way round for
        # a line that sinks.
        if length > RISE_FROM + 1:
            was_low, was_high = lowest(p, k - RISE_FROM + 1, k - RISE_UNTIL + 1), highest(p, k - RISE_FROM + 1, k - RISE_UNTIL + 1)
            least = max(RISE_SHARE * (was_high + 1e5), 10.0 * sigmas[k])
            if i - places[ROSE] > RISE_FROM and lowest(p, k - RISE_NOW + 1, k + 1) - was_high > least:
                places[ROSE] = i
                found[count, 0] = RISE
                found[count, 1] = i
                count += 1
            elif i - places[SANK] > RISE_FROM and was_low - highest(p, k - RISE_NOW + 1, k + 1) > least:
                places[SANK] = i
                found[count, 0] = SINK
                found[count, 1] = i
                count += 1
        if length < 2 * SIDE + LATER + 1:
            continue
        e = k - SIDE - LATER
        before = slope(course, e - SIDE, e + 1) / BIN_S
        after = slope(course, e, e + SIDE + 1) / BIN_S
        later = slope(course, e + LATER, e + LATER + SIDE + 1) / BIN_S
        doubt = max(sigmas[k], sigmas[e]) * 3.46 / SIDE**1.5 / BIN_S * 1.414
        least = max(LEAST_PA_PER_S, 6.0 * doubt)
        kind = 0
        kink = after - before
        if kink > least and after > least and later > 0.6 * after and later < 1.7 * after and after < MOST_PA_PER_S:
            kind = START
        elif kink < -least and before > least and later < 0.35 * before and before < MOST_PA_PER_S:
            kind = STOP
        if kind != 0 and (abs(kink) > state[SIZE] or kind != places[KIND]):
            state[SIZE] = abs(kink)
            places[BEST] = e + base
            places[KIND] = kind
        elif places[BEST] >= 0 and e + base - places[BEST] > SIDE // 2:
            running = places[KIND] == START
            if places[RUNNING] != (1 if running else 0):
                places[RUNNING] = 1 if running else 0
                found[count, 0] = places[KIND]
                found[count, 1] = places[BEST]
                count += 1
            places[BEST] = -1
            state[SIZE] = 0.0
    return count


@jit
def lowest(p: Floats, a: int, z: int) -> float:
    """Lowest of p[a:z]."""
    low = p[a]
    for i in range(a, z):
        low = min(low, p[i])
    return low


@jit
def highest(p: Floats, a: int, z: int) -> float:
    """Highest of p[a:z]."""
    top = p[a]
    for i in range(a, z):
        top = max(top, p[i])
    return top
