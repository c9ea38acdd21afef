"""Slow events: air draws, the regulator turned, the hose pulled off or connected, the pump started or stopped.

They are followed on means over 0.1 s, in order, one bin after the other, so that blocks of any size give the same events. A regulator is
known by the level at which the line rests (`rests.py`): shots and draws leave it where it is.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis import rests
from analysis.constants import ATMOSPHERE_ABS_PA
from analysis.lasting_drop import BEFORE_BINS, STEADY_BINS, emptying_since, settled, shut_at_once
from analysis.level_change import TURN_S, level_change
from analysis.measures import Fall
from analysis.pump_run import PumpWatch
from analysis.record import Event, Kind

Floats = NDArray[np.float64]

BACK_SHARE = 0.3  # a draw has ended when less of the drop than this is left
SAME_FALL_S = 0.05  # apart, marks are of one fall
SWING_S = 0.7  # a fall that begins this soon after a shot and is over this soon is the hose that rings, not a blow gun
FALLING_S, TAIL_SHARE = 0.1, 0.4  # after the bottom that is known of a drop, what falls on and is so much smaller belongs to it,
REGAINS = 0.1  # and what regains no more than this share of itself
LET_GO_FIRST_S = 3.0  # what falls so long after a drop that has not come back is another
DRAW_MAX_S, HIDDEN_MAX_S = 60.0, 10.0  # the second where shots hide how it began, and it took as long as a hand
COMES_BACK_S = 1.5  # a rise that begins this soon after a draw, to no more than before it, is the line that comes back
AMONG_BINS = 80  # so long may shots hide when a regulator was turned, and so long before others were fired
LEAST_PA, LEAST_SHARE, LEAST_SIGMA = 10_000.0, 0.0125, 8.0  # change of a level, also of absolute pressure and in noise of a bin
STAYED_BINS = 15  # before it is left, a level is held for so long
NO_PUMP_S = 4.0  # no pump raises the line so far in less
GOES_ON_S = 3.0  # what moves on the same way so soon after a regulator was turned is the same turn
# A line that comes back from shots to its level so many times as often as not is held by a regulator; where it is less often than the
# second, and some were not, it is held by none.
HOLDS, WANDERS, FEWEST_AWAY = 3, 2, 4
FILLS_PA_PER_S, FILL_BINS = 15_000.0, 60  # a line that is connected fills faster than any pump fills it, or was seen to be pulled off
BUSY_BEFORE_S, BUSY_AFTER_S = 0.1, 0.6  # around a shot, not looked at for the pump
SHOT, DRAWN = 2.0, 1.0  # what makes a bin busy
KEEP_BINS = 600


@dataclass(slots=True)
class _Drop:
    """A fall that was no shot and whose end is awaited."""

    time_s: float
    low_s: float  # bottom of the fall as far as it is known
    from_pa: float
    low_pa: float
    rested: tuple[float, float, int] | None = None  # where it has not come back: when it began, what it took [s], and when that was seen


class SlowWatch:
    """Follow the line's slow course and name what happens to it."""

    def __init__(self) -> None:
        self._t, self._p, self._busy, self._sigma = (np.empty(0) for _ in range(4))
        self._base = 0
        self._next = 0
        self._places, self._levels = np.zeros(rests.INTS, dtype=np.int64), np.zeros(rests.FLOATS)
        self._drop: _Drop | None = None
        self._pump = PumpWatch()
        self._until_s = -np.inf  # end of the last event
        self._up = False  # whether the last regulator was turned up
        self._lowered: _Drop | None = None  # the last drop that was taken for a regulator turned down
        self._events: list[Event] = []
        self.shot_times: list[float] = []
        self._masked: list[float] = []  # those before, of the bins that are kept

    @property
    def events(self) -> list[Event]:
        """What has been named so far."""
        if self._holds:  # what shows of the pump behind a regulator does not tell when it turns
            return list(self._events)
        known = [e for e in self._events if e.kind != "regulator change" or not self._pump.starts_near(e.time_s)]
        return [*known, *self._pump.events]

    def drop(self, fall: Fall) -> bool:
        """Take note of a fall that was judged to be no shot; False where it belongs to one that is known already."""
        if self._drop is not None and self._drop.rested is not None and fall.time_s > self._drop.low_s + LET_GO_FIRST_S:
            self._lower(*self._drop.rested)  # nobody opens another valve before he has shut this one
        if self._drop is not None and fall.time_s < self._drop.low_s:
            self._drop.low_s = max(self._drop.low_s, fall.minimum_s)
        empty = self._places[rests.STATE] == rests.EMPTY or fall.before_pa < rests.EMPTY_PA
        if self._drop is not None or fall.time_s < self._until_s or empty:
            return False
        self._drop = _Drop(fall.time_s, fall.minimum_s, fall.before_pa, fall.minimum_pa)
        return True

    def shot(self, time_s: float) -> None:
        """Take note of a shot, also of one that seemed to be a drop where less of it was in view."""
        self.shot_times.append(time_s)
        if self._drop is not None and abs(self._drop.time_s - time_s) < SAME_FALL_S:
            self._drop = None

    def tail(self, fall: Fall) -> bool:
        """Whether a fall is but the rest of a larger one that was no shot and is still on its way down."""
        drop = self._drop
        if drop is None or fall.time_s < drop.time_s:
            return False
        if fall.time_s >= drop.low_s + FALLING_S and fall.before_pa > drop.low_pa:
            return False
        if fall.back > REGAINS and fall.dip_pa > TAIL_SHARE * (drop.from_pa - drop.low_pa):
            return False
        drop.low_s = max(drop.low_s, fall.minimum_s)
        return True

    def take(self, t: Floats, p: Floats) -> None:
        """Append bins."""
        self._t, self._p = np.concatenate([self._t, t]), np.concatenate([self._p, p])
        self._busy, self._sigma = (np.concatenate([a, np.zeros(t.size)]) for a in (self._busy, self._sigma))

    def advance(self, until_s: float, *, last: bool = False) -> None:
        """Look at all bins before a time; every shot before it must be known by now."""
        ahead = self._next - self._base
        if not last and (ahead >= self._t.size or self._t[ahead] >= until_s):
            return
        z = int(np.searchsorted(self._t, until_s))
        if z > self._next - self._base:
            a = self._next - self._base
            for shot_s in self.shot_times:
                i, j = np.searchsorted(self._t, [shot_s - BUSY_BEFORE_S, shot_s + BUSY_AFTER_S])
                self._busy[max(i, a) : j] = SHOT
            if z:
                done_s = float(self._t[z - 1]) - BUSY_AFTER_S - 1.0
                self._masked = [s for s in (*self._masked, *self.shot_times) if self._t[0] < s <= done_s]
                self.shot_times = [s for s in self.shot_times if s > done_s]
            self._follow(z)
            self._next = self._base + z
        if last:
            self._end()
        cut = self._next - self._base - KEEP_BINS
        if self._drop is not None:
            cut = min(cut, int(np.searchsorted(self._t, self._drop.time_s)) - BEFORE_BINS)
        if cut > KEEP_BINS:
            self._t, self._p, self._busy, self._sigma = (a[cut:].copy() for a in (self._t, self._p, self._busy, self._sigma))
            self._base += cut

    def _follow(self, z: int) -> None:
        """Go on to bin z, in one go up to what is found or, while air is drawn, bin by bin."""
        shots_s = (*self._masked, *self.shot_times)
        while self._places[rests.NEXT] < self._base + z:
            ahead = int(self._places[rests.NEXT]) - self._base
            drawn = self._drop is not None and self._t[ahead] > self._drop.time_s
            if drawn:
                self._busy[ahead] = max(self._busy[ahead], DRAWN)
            until = self._base + (ahead + 1 if self._drop is not None else z)
            found = rests.moves(self._t, self._p, self._busy, self._sigma, self._base, until, self._places, self._levels)
            k = int(self._places[rests.NEXT]) - 1 - self._base
            self._pump.look(self._t, self._p, self._busy, shots_s, self._base, self._base + k + 1)
            if found == rests.FILLED:
                self._filled(k)
            elif found == rests.MOVED:
                self._moved(k)
            elif found == rests.SUNK and self._drop is None:
                left_s = float(self._t[max(int(self._places[rests.LEFT]) - self._base, 0)])
                self._drop = _Drop(left_s, float(self._t[k]), float(self._levels[rests.LEVEL]), float(self._p[k]))
            if drawn:
                self._look(k)

    def _emit(self, kind: Kind, time_s: float, until_s: float) -> None:
        self._events.append(Event(kind=kind, time_s=time_s, until_s=until_s))
        self._until_s = until_s

    def _look(self, k: int) -> None:
        """See whether the drop that is under way has come to an end."""
        drop = self._drop
        if drop is None or self._busy[k] == SHOT:
            return
        now, level = float(self._t[k]), float(self._p[k])
        drop.low_pa = min(drop.low_pa, level)
        size = drop.from_pa - drop.low_pa
        if level < rests.EMPTY_SHARE * drop.from_pa and level < rests.EMPTY_PA:
            self._emit("disconnected", drop.time_s, now)
            self._drop = None
        elif level < rests.SUNK_SHARE * drop.from_pa and (since_s := emptying_since(*self._course(drop, k)[:2], drop.from_pa)) is not None:
            self._emit("disconnected", min(drop.time_s, since_s), now)
            self._places[rests.STATE], self._levels[rests.LOWEST] = rests.EMPTY, level
            self._drop = None
        elif now > max(drop.time_s + 0.3, drop.low_s) and level >= drop.from_pa - BACK_SHARE * size:
            apart_s = [drop.time_s - s for s in (*self._masked, *self.shot_times) if abs(drop.time_s - s) < SWING_S]
            within = now < drop.time_s + SWING_S or any(s < -SAME_FALL_S for s in apart_s)  # or shots go on
            swing = within and any(s > -BUSY_BEFORE_S for s in apart_s)
            if not swing:
                self._drawn_until(now)
            self._drop = None
        elif now > drop.time_s + 2.0 + STEADY_BINS * rests.BIN_S and k > STEADY_BINS:
            self._lasts(drop, k)

    def _lasts(self, drop: _Drop, k: int) -> None:
        """See what a drop is from which the line has not come back by bin k."""
        t, p, busy = self._course(drop, k)
        sigma_pa = float(self._sigma[k])
        if shut_at_once(p, busy == SHOT, drop.from_pa - drop.low_pa, sigma_pa):
            self._drawn_until(float(t[-1]))
            return
        rest = settled(t, p, busy == SHOT, drop.from_pa, drop.low_pa, sigma_pa)
        if rest is None:
            return
        drop.rested = min(drop.time_s, rest.began_s), rest.took_s, self._base + k
        evenly = rest.took_s > TURN_S and not rest.eased
        if rest.let_go_s is not None:
            self._drawn_until(rest.let_go_s)
        elif self._free:  # no regulator holds this line: air that was drawn does not come back
            self._drawn_until(drop.time_s + rest.took_s)
            self._settle(self._base + k)
        elif (evenly and rest.seen) or self._t[k] > drop.time_s + (HIDDEN_MAX_S if evenly else DRAW_MAX_S):
            self._lower(*drop.rested)
            if evenly and rest.seen:  # what comes back from it is turned as well
                self._lowered = None

    def _course(self, drop: _Drop, k: int) -> tuple[Floats, Floats, Floats]:
        """Give times, means and what makes them busy up to bin k, from before the drop was noticed: it may have begun slowly."""
        a = max(int(np.searchsorted(self._t, drop.time_s)) - BEFORE_BINS, 0)
        return self._t[a : k + 1], self._p[a : k + 1], self._busy[a : k + 1]

    def _drawn_until(self, until_s: float) -> None:
        """Take the drop that is under way for air that was drawn."""
        if self._drop is not None:
            self._emit("air draw", self._drop.time_s, until_s)
            self._drop = None

    def _lower(self, began_s: float, took_s: float, i: int) -> None:
        """Take the drop that is under way for a regulator turned down, as it rests by an absolute bin."""
        self._turned(began_s, began_s + took_s, up=False)
        self._lowered, self._drop = self._drop, None
        self._settle(i)

    def _settle(self, i: int) -> None:
        """Let the line rest where it is by an absolute bin."""
        k = i - self._base
        rests.settle(self._places, self._levels, i, float(np.median(self._p[k - STEADY_BINS : k + 1])))

    def _draws(self, level_pa: float, let_go_s: float) -> bool:
        """Whether the regulator that was turned down last was air drawn, as the line has just come back from it to a level."""
        drop, self._lowered = self._lowered, None
        if drop is None or let_go_s > drop.time_s + DRAW_MAX_S or self._events[-1].kind != "regulator change":
            return False
        if level_pa < drop.from_pa - BACK_SHARE * (drop.from_pa - drop.low_pa):
            return False
        self._events.pop()
        self._emit("air draw", drop.time_s, let_go_s)
        return True

    def _filled(self, k: int) -> None:
        """Name what has filled an empty line by bin k."""
        a = max(k - FILL_BINS, 0)
        course = self._p[a : k + 1]
        low = float(course.min())
        began = int(np.flatnonzero(course <= low + 0.1 * (course[-1] - low))[-1])
        pulled = bool(self._events) and self._events[-1].kind == "disconnected"
        if pulled or 0.9 * (course[-1] - low) > FILLS_PA_PER_S * float(self._t[k] - self._t[a + began]):
            self._emit("connected", float(self._t[a + began]), float(self._t[k]))

    @property
    def _holds(self) -> bool:
        """Whether a regulator is known to hold the line: after shots it comes back to its level."""
        return bool(self._places[rests.BACK] > HOLDS * (self._places[rests.AWAY] + 1))

    @property
    def _free(self) -> bool:
        """Whether no regulator holds the line: a pump drives it, or shots take it to ever other levels."""
        back, away = self._places[rests.BACK], self._places[rests.AWAY]
        return (self._pump.seen and not self._holds) or bool(away >= FEWEST_AWAY and back < WANDERS * away)

    def _moved(self, k: int) -> None:
        """Name what has brought the line to rest at another level by bin k: a regulator that was turned, air that is drawn, or nothing."""
        level, before = float(self._levels[rests.LEVEL]), float(self._levels[rests.FROM])
        size, left = level - before, int(self._places[rests.LEFT]) - self._base
        small = abs(size) < max(LEAST_PA, LEAST_SHARE * (before + ATMOSPHERE_ABS_PA), LEAST_SIGMA * self._sigma[k])
        if small:  # it drifts, and is held
            self._places[rests.COUNT] += self._places[rests.COUNTED]
        if small or self._places[rests.COUNTED] < STAYED_BINS or self._free:
            return
        if self._places[rests.LEFT] < 0:  # shots hide when it began
            held = int(self._places[rests.HELD]) - self._base
            among = held >= 0 and self._busy[max(held - AMONG_BINS, 0) : held].any()  # a line that stood for long sinks a little when used
            if among and self._holds and self._t[held] > max(self._until_s, self._t[k] - rests.BIN_S * AMONG_BINS):
                self._turned(float(self._t[held]), float(self._t[k - rests.REST_BINS]), up=size > 0.0)
            return
        change = level_change(self._t[: k + 1], self._p[: k + 1], self._busy[: k + 1], left, before, level)
        if change is None or change.time_s < self._until_s or (change.eased and size > 0.0 and self._draws(level, change.time_s)):
            return
        fall = _Drop(change.time_s, change.until_s, before, level) if size < 0.0 else None
        if fall is not None and change.eased:
            self._drop = fall
        else:
            self._lowered = fall
            self._turned(change.time_s, change.until_s, up=size > 0.0)

    def _turned(self, began_s: float, until_s: float, *, up: bool) -> None:
        """Name a regulator that was turned up or down, or go on with it."""
        if up == self._up and began_s < self._until_s + GOES_ON_S and self._events and self._events[-1].kind == "regulator change":
            began_s = self._events.pop().time_s
        self._emit("regulator change", began_s, until_s)
        self._up = up
        if up and until_s - began_s < NO_PUMP_S:
            self._pump.by_hand(began_s)

    def _end(self) -> None:
        self._pump.end(self._t, self._p, (*self._masked, *self.shot_times))
        if self._drop is not None and self._t.size and self._t[-1] > self._drop.time_s + 1.0:
            self._drawn_until(float(self._t[-1]))


def ends(draw: Event, rise: Event) -> bool:
    """Whether a rise is but the end of air that was drawn."""
    return draw.time_s <= rise.time_s < draw.until_s + COMES_BACK_S


def disturbs(fall: Fall, noise_pa: float) -> bool:
    """Whether a fall that is no shot is large enough to be something."""
    return fall.dip_pa > max(8.0 * noise_pa, 0.01 * (fall.before_pa + ATMOSPHERE_ABS_PA))
