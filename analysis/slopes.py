"""Where the line rises or sinks for good between shots, and how noisy it is, seen on means over `BIN_S`.

Compiled, in order, with absolute positions: blocks of any size find the same.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from analysis.jit import jit

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

BIN_S = 0.1
GAP_BINS = 3.5  # between means, from which on readings are missing
STEPS = 40  # bins over which a usual step is known
RISE_FROM, RISE_UNTIL, RISE_NOW = 45, 15, 5  # bins back: where the level before a rise is read, and the level after it
RISE_SHARE = 0.02  # of absolute pressure

RISE, SINK = 1, 2
NEXT, FIRST, ROSE, SANK = 0, 1, 2, 3  # slots of the state: next bin, first after a gap, last that rose and that sank
INTS = 4


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
def moves(t: Floats, p: Floats, busy: Floats, sigmas: Floats, base: int, until: int, places: Ints) -> int:
    """Advance through the bins up to one where the line has risen or sunk, for which it returns `RISE` or `SINK`, or 0 at the end.

    Parameters
    ----------
    t, p, busy : ndarray, shape (n,)
        Mean times [s] and pressures [Pa] of the bins kept, and 1 where a shot or the like was under way; the first has the absolute
        position `base`.
    sigmas : ndarray, shape (n,)
        Filled: usual noise of a bin [Pa].
    until : int
        Absolute position after the last bin there is.
    """
    steps = np.empty(STEPS)
    while places[NEXT] < until:
        i = places[NEXT]
        k = i - base
        places[NEXT] = i + 1
        if i == 0 or t[k] - t[k - 1] > GAP_BINS * BIN_S:
            places[FIRST] = i
            continue
        length = i - places[FIRST]
        if i % 2 == 0 or length < STEPS:
            n = 0
            for j in range(min(STEPS, length)):
                if busy[k - j] == 0.0 and busy[k - j - 1] == 0.0:
                    steps[n] = p[k - j] - p[k - j - 1]
                    n += 1
            usual = middle_of(steps, n) if n > 0 else 0.0
            for j in range(n):
                steps[j] = abs(steps[j] - usual)
            sigmas[k] = 1.4826 * middle_of(steps, n) / 1.414 if n > 0 else sigmas[k - 1]
        else:
            sigmas[k] = sigmas[k - 1]
        # The lowest of the last bins stands above the highest of some seconds ago, or the other way round.
        if length > RISE_FROM + 1:
            was_low, was_high = lowest(p, k - RISE_FROM + 1, k - RISE_UNTIL + 1), highest(p, k - RISE_FROM + 1, k - RISE_UNTIL + 1)
            least = max(RISE_SHARE * (was_high + 1e5), 10.0 * sigmas[k])
            if i - places[ROSE] > RISE_FROM and lowest(p, k - RISE_NOW + 1, k + 1) - was_high > least:
                places[ROSE] = i
                return RISE
            if i - places[SANK] > RISE_FROM and was_low - highest(p, k - RISE_NOW + 1, k + 1) > least:
                places[SANK] = i
                return SINK
    return 0


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
