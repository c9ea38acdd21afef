"""A pump's runs: the line rises from where a switch starts the pump to where it stops it, as straight as a pump delivers.

Followed on levels, one a second, of what the line shows between shots. From its lowest to its highest level, a line rises once for
each run, however the work pulls it about meanwhile; a refill, by a regulator or through a hose, looks different:

- it eases off towards the level that is held, where a pump raises the line almost as fast at the end as at first;
- it rests at that level, where a tank whose pump has stopped sinks, as its air cools, leaks and is used;
- it comes back to where the line stood just before, where a switch lets the pump raise the line by 1 to 2 bar (common practice, no
  source) within half a minute or more.

When it began and ended is then fitted to the means over 0.1 s together with what shots leave in them (`pump_turn.py`).
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field
from statistics import median

import numpy as np
from numpy.typing import NDArray

from analysis.pump_turn import Turn, fit_turn
from analysis.record import Event

Floats = NDArray[np.float64]

PER_LEVEL, FEWEST = 10, 2  # means over 0.1 s to a level, and without a shot among them
RISES_PA, RISES_SIGMA = 12_000.0, 8.0  # above its lowest, or so many usual changes from level to level, and the line is rising
USUAL = 60  # levels that tell the usual change
STANDS = 0.1  # of that; a line so little above its lowest has not begun to rise
CREEPS = 0.02  # of its rise; a line that goes up by less rests
LEAST_PA, SHORTEST_S = 20_000.0, 7.0  # no switch lets a pump run for less
MOST = 0.4  # of its highest pressure; what rises by more was empty
HIGHER = 0.25  # of its rise, by which a pump takes the line above where it stood `STOOD_S` before
STOOD_S = 12.0
EVEN, EASES = 0.35, 0.68  # mean of a rise, as a share: 0.5 where it is straight, 1 where it is over at once
OVER_S, FALLS = 20.0, 0.5  # no higher for so long, or fallen by this share of it: a rise is over
SINKS = 0.01  # of the slope before it, at least so steeply does a tank sink when its pump has stopped
PATIENCE_S = 60.0  # a pump that runs on is told after so long
NEAR_S, BEYOND_S = 25.0, 12.0  # looked at before and after a turn
SURE, SURE_STOP = 13.0, 8.0  # standard deviations of a turn; shots that were not found make smaller ones
LEAST_PA_PER_S, MOST_PA_PER_S = 300.0, 40_000.0  # change of slope as a pump turns
REACHED, ALIKE = 0.08, 0.5  # of a run's rise, so near to where it began the pump starts again; and of its turn, as large is that at least
BEGINS_S = 5.0  # a turn is no further from where the levels begin to rise
NO_LEVEL_S = 20.0  # without a level, from which on nothing is known of before


@dataclass(slots=True)
class _Rise:
    """A line on its way up, or down to where it will rise from."""

    low_pa: float
    begin_s: float  # last time at which it stood there
    stood_pa: float  # highest shortly before that
    high_pa: float
    high_s: float
    up: bool = False
    whole: bool = False  # it was seen to begin
    told: bool = False
    sought: bool = False  # whether its start was looked for
    start: Turn | None = None
    levels: int = 0
    sum_pa: float = 0.0  # of the levels up to the highest
    rest: list[tuple[float, float]] = field(default_factory=list)  # levels since the highest, with their times


class PumpWatch:
    """Name the starts and stops of a pump that the line shows."""

    def __init__(self) -> None:
        self.events: list[Event] = []
        self._recent: deque[tuple[float, float]] = deque(maxlen=USUAL)  # times and levels
        self._changes: deque[float] = deque(maxlen=USUAL - 1)  # from level to level
        self._rise: _Rise | None = None
        self._next = 0
        self._run: _Rise | None = None  # the last that was told
        self._by_hand_s = -np.inf
        self._reached_s = np.inf  # when the line had come down to where the pump starts

    @property
    def seen(self) -> bool:
        """Whether a pump has been seen to turn: no regulator holds this line."""
        return bool(self.events)

    def starts_near(self, time_s: float) -> bool:
        """Whether the pump starts at about a time."""
        return any(e.kind == "pump start" and abs(e.time_s - time_s) < BEGINS_S for e in self.events)

    def by_hand(self, time_s: float) -> None:
        """Take note that a regulator was turned up: the rise that began then is no pump's."""
        self._by_hand_s = time_s

    def look(self, t: Floats, p: Floats, busy: Floats, shots_s: Sequence[float], base: int, until: int) -> None:
        """Go on up to a mean; the first of those given has the position `base`."""
        while self._next + PER_LEVEL <= until:
            a = self._next - base
            self._next += PER_LEVEL
            z = a + PER_LEVEL
            free = np.flatnonzero(busy[a:z] == 0.0) + a
            if free.size >= FEWEST:
                self._level(float(t[free].sum()) / free.size, median(p[free].tolist()), (t[:z], p[:z], shots_s))

    def end(self, t: Floats, p: Floats, shots_s: Sequence[float]) -> None:
        """Name what the record ends in."""
        if self._rise is not None and self._rise.up:
            self._over((t, p, shots_s))

    def _level(self, now: float, level: float, seen: tuple[Floats, Floats, Sequence[float]]) -> None:
        rise = self._rise
        if rise is None or now > self._recent[-1][0] + NO_LEVEL_S:
            self._recent.clear()
            self._changes.clear()
            self._recent.append((now, level))
            self._rise = _Rise(level, now, level, level, now)
            return
        self._changes.append(abs(level - self._recent[-1][1]))
        self._recent.append((now, level))
        rises_pa = max(RISES_PA, RISES_SIGMA * median(self._changes))
        if not rise.up:
            rise.whole |= level < rise.low_pa
            rise.low_pa = min(rise.low_pa, level)
            if level <= rise.low_pa + STANDS * rises_pa:
                rise.begin_s, rise.levels, rise.sum_pa, rise.high_pa, rise.high_s = now, 0, 0.0, level, now
                rise.rest.clear()
                rise.stood_pa = max(pa for s, pa in self._recent if s > now - STOOD_S)
            rise.up = level > rise.low_pa + rises_pa
        rise.rest.append((now, level))
        if level > rise.high_pa + CREEPS * (rise.high_pa - rise.low_pa):
            rise.high_pa, rise.high_s = level, now
            rise.levels += len(rise.rest)
            rise.sum_pa += sum(pa for _, pa in rise.rest)
            rise.rest.clear()
        if not rise.up:
            self._hold(rise, now, level, seen)
            if now > rise.high_s + OVER_S and not rise.told:  # it rests a little above its lowest
                self._rise = _Rise(level, now, level, level, now, whole=True)
            return
        self._reached_s = np.inf
        if now >= rise.begin_s + NEAR_S:
            self._seek_start(rise, seen)
        if not rise.told and now > rise.begin_s + PATIENCE_S and self._pumped(rise) and rise.start is not None:
            self._tell_start(rise)
        if now > rise.high_s + OVER_S or level < rise.high_pa - FALLS * (rise.high_pa - rise.low_pa):
            self._over(seen)
            low = min(rise.rest, key=lambda x: x[1])
            self._rise = _Rise(low[1], low[0], rise.high_pa, level, now, whole=True)

    def _hold(self, rise: _Rise, now: float, level: float, seen: tuple[Floats, Floats, Sequence[float]]) -> None:
        """Tell a start where the line has come down to that of the last run, and the work takes all that the pump gives."""
        run = self._run
        if run is None or run.start is None or rise.told:
            return
        if level < run.low_pa + REACHED * (run.high_pa - run.low_pa):
            self._reached_s = min(self._reached_s, now)
        if now < self._reached_s + NEAR_S:
            return
        turn = self._turn(seen, self._reached_s - NEAR_S, now, up=True)
        self._reached_s = np.inf
        if turn is not None and turn.after_pa_per_s - turn.before_pa_per_s > ALIKE * (run.start.after_pa_per_s - run.start.before_pa_per_s):
            rise.sought, rise.start = True, turn
            self._tell_start(rise)

    def _turn(self, seen: tuple[Floats, Floats, Sequence[float]], from_s: float, until_s: float, *, up: bool) -> Turn | None:
        """Find the turn between two times."""
        t, p, shots_s = seen
        a, z = np.searchsorted(t, [from_s, until_s])
        turn = fit_turn(t[a:z], p[a:z], shots_s, up=up)
        if turn is None or turn.sure < (SURE if up else SURE_STOP):
            return None
        return turn if LEAST_PA_PER_S < abs(turn.after_pa_per_s - turn.before_pa_per_s) < MOST_PA_PER_S else None

    def _pumped(self, rise: _Rise) -> bool:
        """Whether a rise is as large, as long and as straight as a pump's."""
        size = rise.high_pa - rise.low_pa
        if abs(self._by_hand_s - rise.begin_s) < BEGINS_S:
            return False
        if not LEAST_PA < size < MOST * rise.high_pa or not rise.levels:
            return False
        return EVEN * size < rise.sum_pa / rise.levels - rise.low_pa < EASES * size and rise.high_pa - rise.stood_pa > HIGHER * size

    def _over(self, seen: tuple[Floats, Floats, Sequence[float]]) -> None:
        """Name a rise that is over."""
        rise = self._rise
        if rise is None or not (rise.told or self._pumped(rise)):
            return
        self._seek_start(rise, seen)
        stop = self._turn(seen, max(rise.high_s - NEAR_S, rise.begin_s + BEGINS_S), rise.high_s + BEYOND_S, up=False)
        after = [x for x in rise.rest[:-1] if x[0] > rise.high_s + 1.0]
        if len(after) >= 4 and not rise.told:
            half = len(after) // 2
            (t0, p0), (t1, p1) = np.median(after[:half], axis=0), np.median(after[-half:], axis=0)
            slope = (rise.high_pa - rise.low_pa) / (rise.high_s - rise.begin_s)
            if (p1 - p0) / (t1 - t0) > -SINKS * slope:
                return
        if rise.high_s < rise.begin_s + SHORTEST_S:
            return
        if rise.start is not None and rise.whole and not rise.told:
            self._tell_start(rise)
        if stop is not None and (rise.told or not rise.whole):
            self.events.append(Event(kind="pump stop", time_s=stop.time_s, until_s=stop.time_s))

    def _seek_start(self, rise: _Rise, seen: tuple[Floats, Floats, Sequence[float]]) -> None:
        if not rise.sought and rise.high_pa - rise.low_pa > 0.5 * LEAST_PA:
            rise.sought = True
            turn = self._turn(seen, rise.begin_s - NEAR_S, min(rise.high_s, rise.begin_s + NEAR_S), up=True)
            rise.start = turn if turn is not None and abs(turn.time_s - rise.begin_s) < BEGINS_S else None

    def _tell_start(self, rise: _Rise) -> None:
        if rise.start is not None:
            rise.told, self._run = True, rise
            self.events.append(Event(kind="pump start", time_s=rise.start.time_s, until_s=rise.start.time_s))
