"""Telling a tool that is plugged in, whose chamber fills at once, from a shot, whose valve takes milliseconds to open.

After the first jump the filling goes on slowly, while a shot goes on falling as it began. How fast this line's shots fall, though,
depends on the line and on the sensor, so the fall must stand out against them; and a tool is changed in a pause. A shot that is not
counted does more harm than a tool that is counted as one: what does not stand out is a shot.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from analysis.jit import jit
from analysis.measures import Fall, position

Floats = NDArray[np.float64]

HIDDEN = 2.1  # times the noise: what it may hide of the difference of two readings
PLUG_SIGMA = 12.0  # in more noise than this the shape of a fall is not seen
CONSTANT_S, LATE = 0.009, 0.2  # time constant of the first jump, and the most that is left for after it
SEEN_S = 0.016  # readings further apart show only the size of the jump
PAUSE_S = 8.0  # nobody changes a tool faster
OTHERS = 0.5  # of what this line's shots leave for later: no more than this share of the least of them
FEWEST = 6  # falls that show how this line's shots begin
# A fit of the fall tells it however the readings lie on it: a chamber that fills, with any of these time constants, and the line that
# gives way more slowly, from just before the onset on.
CONSTANTS_S, SLOW_S, JUMP_S = (0.0015, 0.0025, 0.0035, 0.005, 0.007, 0.009, 0.012, 0.016, 0.022), 0.03, 0.008
LEVEL_S, FIT_S, TRIED = 0.012, 0.045, 17  # before the onset, after it, and onsets tried
FITTED_LATE, FITTED_JUMP, FIT_SIGMA = 0.14, 0.55, 2.0
MISFIT = 2.5  # times the noise: where clocks are rough no fit tells anything


@dataclass(frozen=True, slots=True)
class _Seen:
    """One fall: when it began and was lowest [s], what of it came late at most, whether it may have been a tool plugged in."""

    time_s: float
    until_s: float
    late: float
    fine: bool  # read often enough to hold it against others: else how it falls between two readings is chance
    doubtful: bool


class PlugWatch:
    """Hold each fall against the line's other falls; one that comes before enough of them is doubtful until they are known."""

    def __init__(self) -> None:
        self._seen: deque[_Seen] = deque(maxlen=15)
        self._last_s = -math.inf

    def plugged(self, fall: Fall, noise_pa: float, t: Floats, p: Floats) -> bool:
        """Whether this fall in these readings is surely a tool that was plugged in; else it is remembered as one that may be a shot."""
        late = late_share(fall) + HIDDEN * noise_pa / max(fall.jump * fall.dip_pa, 1e-9)
        doubtful = False
        if fall.time_s - self._last_s > PAUSE_S and stays_low(fall, noise_pa):
            doubtful = sharp(fall, noise_pa)
            if fall.jump_s <= SEEN_S:
                fitted = fitted_late(t, p, fall.time_s, fall.minimum_s, fall.before_pa, fall.dip_pa, noise_pa)
                doubtful = doubtful or fitted < FITTED_LATE
                late = min(late, fitted)
        self._last_s = fall.time_s
        seen = _Seen(fall.time_s, fall.minimum_s, late, fall.jump_s <= SEEN_S, doubtful)
        if doubtful and len(self._seen) >= FEWEST:
            if self._stands_out(seen):
                return True
            seen = replace(seen, doubtful=False)
        self._seen.append(seen)
        return False

    def settle(self, *, last: bool) -> list[tuple[float, float]]:
        """Give the falls taken for shots that turn out to have been a tool plugged in: when each began and was lowest [s]."""
        if not last and len(self._seen) <= FEWEST:
            return []
        doubtful = [seen for seen in self._seen if seen.doubtful]
        plugs = [seen for seen in doubtful if self._stands_out(seen)]
        if doubtful:
            left = [replace(s, doubtful=False) for s in self._seen if s not in plugs]
            self._seen = deque(left, maxlen=15)
        return [(seen.time_s, seen.until_s) for seen in plugs]

    def _stands_out(self, fall: _Seen) -> bool:
        others = [seen.late for seen in self._seen if seen is not fall]
        return not others or (fall.fine and fall.late < OTHERS * min(others))


def late_share(fall: Fall) -> float:
    """How much of a fall comes after its first jump, beside that jump; where the readings are too far apart, beside the whole fall."""
    if fall.jump_s > SEEN_S:
        return 1.0 - fall.jump
    return fall.next_jump / fall.jump if fall.jump > 0.0 else 1.0


def stays_low(fall: Fall, noise_pa: float) -> bool:
    """Whether a fall stands out of the noise and lasts, as one of a chamber that fills does."""
    return fall.dip_pa > PLUG_SIGMA * noise_pa and fall.low_s > (0.05 if fall.jump_s < 0.011 else 0.08)


def sharp(fall: Fall, noise_pa: float) -> bool:
    """Whether a fall begins as sharply as a chamber fills, whatever the noise hides."""
    if fall.jump <= 0.0:
        return False
    if fall.jump_s > SEEN_S:
        return late_share(fall) < LATE
    u = HIDDEN * noise_pa / fall.dip_pa
    constant_s = -fall.jump_s / math.log(max(1.0 - fall.jump, 1e-6))
    return fall.next_jump + u < LATE * fall.jump and 0.0 < constant_s < CONSTANT_S


@jit
def fitted_late(t: Floats, p: Floats, onset_s: float, until_s: float, before_pa: float, dip_pa: float, noise_pa: float) -> float:
    """What falls in the second `JUMP_S` beside the first, the most that a fit of these readings leaves possible; infinite without one."""
    a, z = position(t, onset_s - LEVEL_S), position(t, min(until_s, onset_s + FIT_S))
    n = z - a
    if n < 6:
        return np.inf
    step_s = (t[z - 1] - t[a]) / (n - 1)
    a = max(min(a, position(t, onset_s - 2.5 * step_s)), 0)
    n = z - a
    rest, late = np.full((TRIED, len(CONSTANTS_S)), np.inf), np.zeros((TRIED, len(CONSTANTS_S)))
    least = np.inf
    slow, quick = np.empty(n), np.empty(n)
    for k in range(TRIED):
        from_s = onset_s + (k - TRIED // 2) * max(step_s, 0.004) / 6.0
        for i in range(n):
            slow[i] = 1.0 - math.exp(-max(t[a + i] - from_s, 0.0) / SLOW_S)
        for j, constant_s in enumerate(CONSTANTS_S):
            qq, qs, ss, qy, sy, yy = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
            for i in range(n):
                quick[i] = 1.0 - math.exp(-max(t[a + i] - from_s, 0.0) / constant_s)
                y = before_pa - p[a + i]
                qq += quick[i] * quick[i]
                qs += quick[i] * slow[i]
                ss += slow[i] * slow[i]
                qy += quick[i] * y
                sy += slow[i] * y
                yy += y * y
            both = qq * ss - qs * qs
            if both <= 1e-9 * qq * ss or qq * ss == 0.0:
                continue
            filled, gave = (qy * ss - sy * qs) / both, (sy * qq - qy * qs) / both
            if gave < 0.0:
                filled, gave = qy / qq, 0.0
            elif filled < 0.0:
                filled, gave = 0.0, sy / ss
            rest[k, j] = yy - filled * qy - gave * sy
            least = min(least, rest[k, j])
            left, kept = math.exp(-JUMP_S / constant_s), math.exp(-JUMP_S / SLOW_S)
            first = filled * (1.0 - left) + gave * (1.0 - kept)
            if first > FITTED_JUMP * dip_pa:
                late[k, j] = (filled * left * (1.0 - left) + gave * kept * (1.0 - kept)) / first
            else:
                late[k, j] = np.inf
    if least > (MISFIT * noise_pa) ** 2 * max(n - 4, 1):
        return np.inf
    allowed = least + FIT_SIGMA**2 * max(noise_pa**2, least / max(n - 4, 1))
    most = -np.inf
    for k in range(TRIED):
        for j in range(len(CONSTANTS_S)):
            if rest[k, j] <= allowed:
                most = max(most, late[k, j])
    return most if most >= 0.0 else np.inf
