"""Telling a tool that is plugged in, whose chamber fills at once, from a shot, whose valve takes milliseconds to open.

After the first jump the filling goes on slowly, while a shot goes on falling as it began. How fast this line's shots fall, though,
depends on the line and on the sensor, so the fall must stand out against them; and a tool is changed in a pause. A shot that is not
counted does more harm than a tool that is counted as one: what does not stand out is a shot.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass, replace

from analysis.measures import Fall

HIDDEN = 2.1  # times the noise: what it may hide of the difference of two readings
PLUG_SIGMA = 12.0  # in more noise than this the shape of a fall is not seen
CONSTANT_S, LATE = 0.009, 0.2  # time constant of the first jump, and the most that is left for after it
SEEN_S = 0.016  # readings further apart show only the size of the jump
PAUSE_S = 8.0  # nobody changes a tool faster
OTHERS = 0.5  # of what this line's shots leave for later: no more than this share of the least of them
FEWEST = 6  # falls that show how this line's shots begin


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

    def plugged(self, fall: Fall, noise_pa: float) -> bool:
        """Whether this fall is surely a tool that was plugged in; else it is remembered as one that may be a shot."""
        late = late_share(fall) + HIDDEN * noise_pa / max(fall.jump * fall.dip_pa, 1e-9)
        doubtful = fall.time_s - self._last_s > PAUSE_S and sharp(fall, noise_pa)
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


def sharp(fall: Fall, noise_pa: float) -> bool:
    """Whether a fall begins as sharply as a chamber fills, whatever the noise hides."""
    if fall.dip_pa < PLUG_SIGMA * noise_pa or fall.jump <= 0.0 or fall.low_s < (0.05 if fall.jump_s < 0.011 else 0.08):
        return False
    if fall.jump_s > SEEN_S:
        return late_share(fall) < LATE
    u = HIDDEN * noise_pa / fall.dip_pa
    constant_s = -fall.jump_s / math.log(max(1.0 - fall.jump, 1e-6))
    return fall.next_jump + u < LATE * fall.jump and 0.0 < constant_s < CONSTANT_S
