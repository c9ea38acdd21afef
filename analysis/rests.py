"""Where the line rests, at which level, and where it goes from one level to another, seen on means over `BIN_S`.

Shots and air drawn pull the line away from its level and let it come back; a regulator that is turned moves the level itself. So the
level is held while they are under way, and given up only for another one at which the line has come to rest. Compiled, in order, with
absolute positions: blocks of any size find the same.
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
OFF_SIGMA, OFF_SHARE, OFF_BINS = 3.0, 0.003, 4  # a line at rest has left its level when so many bins are so far off it
STAYS_BINS = 8  # near the level in a row, and as flat, and the line has come back to it
FLAT_SIGMA, FLAT_SHARE = 2.0, 0.001  # of noise, and of absolute pressure, within which the two halves of these agree
FOLLOWS = 0.01  # of what a bin is off, by which the level follows a line that drifts
REST_BINS, MOST_BINS = 9, 15  # a rest is told from so many
LASTS_BINS, HELD_SHARE = 40.0, 0.3  # at the slope of a rest the line goes no further, within so long, than this share of how far it went
WIDEST_SIGMA = 6.0  # nor apart by more than that, or so much noise
LARGE_PA = 25_000.0  # which counts for no more than this
DRIFT_SHARE = 0.004  # of absolute pressure: or than this
PATIENCE_BINS = 550  # a level is forgotten when the line has not rested for so long
SUNK_SHARE = 0.75  # of its level; a line that falls below it without a draw being known is told
EMPTY_SHARE, EMPTY_PA = 0.15, 60_000.0  # a line that falls below both has been pulled off

MOVED, FILLED, SUNK = 1, 2, 3
# Slots of the state: next bin, first after a gap, what the line does, first bin of this quiet stretch, first bin off the level or -1 where
# shots hide that, last bin at the level and at the one before, bins in a row that are off it and that are near, bins at rest at the level
# and at the one before, and in the whole record how often the line came back to its level after a shot, and how often not.
NEXT, FIRST, STATE, QUIET, LEFT, LAST, HELD, OFF, NEAR, COUNT, COUNTED, BACK, AWAY = range(13)
INTS = 13
LEVEL, FROM, LOWEST = range(3)  # level now, level before, lowest of an empty line [Pa]
FLOATS = 3
UNKNOWN, RESTS, MOVES, EMPTY = range(4)


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
def moves(t: Floats, p: Floats, busy: Floats, sigmas: Floats, base: int, until: int, places: Ints, levels: Floats) -> int:
    """Advance through the bins up to one where the line rests at another level, or has been filled, or has left
    its level and sinks far below it: `MOVED`, `FILLED`, `SUNK`, or 0 at the end.

    Parameters
    ----------
    t, p, busy : ndarray, shape (n,)
        Mean times [s] and pressures [Pa] of the bins kept, and 1 where a shot or the like was under way; the first has the absolute
        position `base`.
    sigmas : ndarray, shape (n,)
        Filled: usual noise of a bin [Pa].
    until : int
        Absolute position after the last bin there is.
    places, levels : ndarray, shape (INTS,) and (FLOATS,)
        The state.
    """
    steps = np.empty(STEPS)
    while places[NEXT] < until:
        i = places[NEXT]
        k = i - base
        places[NEXT] = i + 1
        if i == 0 or t[k] - t[k - 1] > GAP_BINS * BIN_S:
            places[FIRST] = places[QUIET] = i
            places[STATE] = UNKNOWN
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
        if p[k] < EMPTY_PA and (places[STATE] == UNKNOWN or p[k] < EMPTY_SHARE * levels[LEVEL]):
            if places[STATE] != EMPTY:
                places[STATE] = EMPTY
                levels[LOWEST] = p[k]
            levels[LOWEST] = min(levels[LOWEST], p[k])
            places[QUIET] = i + 1
            continue
        if places[STATE] == EMPTY:
            levels[LOWEST] = min(levels[LOWEST], p[k])
            if p[k] < levels[LOWEST] + EMPTY_PA:
                continue
            places[STATE] = UNKNOWN
            places[QUIET] = i
            return FILLED
        if busy[k] != 0.0:
            places[QUIET] = i + 1
            places[OFF] = places[NEAR] = 0
            continue
        off = abs(p[k] - levels[LEVEL])
        apart = max(OFF_SIGMA * sigmas[k], OFF_SHARE * (levels[LEVEL] + 1e5))
        if places[STATE] != UNKNOWN and i - places[LAST] > PATIENCE_BINS:
            places[STATE] = UNKNOWN
        if places[STATE] == RESTS:
            if off <= apart:
                places[OFF] = 0
                places[NEAR] += 1
                if places[NEAR] >= STAYS_BINS and flat(p, k, max(FLAT_SIGMA * sigmas[k], FLAT_SHARE * (levels[LEVEL] + 1e5))):
                    places[BACK] += places[LAST] < places[QUIET]
                    places[LAST] = i
                    places[COUNT] += 1
                    levels[LEVEL] += FOLLOWS * (p[k] - levels[LEVEL])
                continue
            places[NEAR] *= places[NEAR] >= STAYS_BINS
            if places[LAST] >= places[QUIET]:
                places[OFF] += 1
                if places[OFF] >= OFF_BINS:
                    places[STATE] = MOVES
                    places[LEFT] = i - OFF_BINS + 1
                continue
        if places[STATE] == MOVES and p[k] < SUNK_SHARE * levels[LEVEL]:
            return SUNK
        # Whether it rests here, by the line through the last bins.
        n = min(i - places[QUIET] + 1, MOST_BINS)
        if n < REST_BINS:
            continue
        mean = 0.0
        slope = 0.0
        low, high = p[k], p[k]
        for j in range(n):
            mean += p[k - j] / n
            slope += p[k - j] * (0.5 * (n - 1) - j)
            low, high = min(low, p[k - j]), max(high, p[k - j])
        slope *= 12.0 / (n * (n * n - 1.0))
        went = abs(mean - levels[LEVEL]) if places[STATE] != UNKNOWN else 0.0
        least = max(HELD_SHARE * min(went, LARGE_PA), DRIFT_SHARE * (mean + 1e5))
        if abs(slope) * LASTS_BINS > least or high - low > max(least, WIDEST_SIGMA * sigmas[k]):
            continue
        if places[STATE] == UNKNOWN:
            places[COUNT] = 0
            levels[LEVEL] = mean
        elif went > apart:
            levels[FROM] = levels[LEVEL]
            levels[LEVEL] = mean
            if places[STATE] == RESTS:
                places[LEFT] = -1
                places[AWAY] += 1
            places[STATE] = RESTS
            places[HELD] = places[LAST]
            places[LAST] = i
            places[COUNTED] = places[COUNT]
            places[OFF] = places[COUNT] = 0
            places[NEAR] = STAYS_BINS
            return MOVED
        places[STATE] = RESTS
        places[LAST] = i
        places[OFF] = 0
        places[NEAR] = STAYS_BINS
    return 0


@jit
def flat(p: Floats, k: int, within_pa: float) -> bool:
    """Whether the two halves of the last bins up to k agree."""
    rise = 0.0
    for j in range(STAYS_BINS // 2):
        rise += p[k - j] - p[k - j - STAYS_BINS // 2]
    return abs(rise) < within_pa * (STAYS_BINS // 2)


def settle(places: Ints, levels: Floats, i: int, level_pa: float) -> None:
    """Let the line rest at a level by bin i, as was seen otherwise."""
    places[STATE], places[LAST], places[COUNT], places[NEAR], places[OFF] = RESTS, i, STAYS_BINS, STAYS_BINS, 0
    levels[LEVEL] = level_pa
