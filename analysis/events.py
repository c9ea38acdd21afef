"""Slow events: air draws, the regulator turned, the hose pulled off or connected, the pump started or stopped.

They are followed on means over 0.1 s, in order, one bin after the other, so that blocks of any size give the same events.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis import slopes
from analysis.constants import ATMOSPHERE_ABS_PA
from analysis.measures import Fall
from analysis.pump_run import PumpWatch
from analysis.record import Event, Kind

Floats = NDArray[np.float64]

EMPTY_SHARE, EMPTY_PA = 0.15, 60_000.0  # a line that falls below both has been pulled off
BACK_SHARE = 0.3  # a draw has ended when less of the drop than this is left
REBOUND_SHARE = 0.15  # of the drop; what comes up by so much was let go, where a regulator that is turned down does not come up at all
SAME_FALL_S = 0.05  # apart, marks are of one fall
SWING_S = 0.7  # a fall that begins this soon after a shot and is over this soon is the hose that rings, not a blow gun
FALLING_S, TAIL_SHARE = 0.1, 0.4  # after the bottom that is known of a drop, what falls on and is so much smaller belongs to it,
REGAINS = 0.1  # and what regains no more than this share of itself
DRAW_MAX_S = 60.0
COMES_BACK_S = 1.5  # a rise that begins this soon after a draw, to no more than before it, is the line that comes back
STEADY_BINS, RESTS_BINS = 15, 8  # a level is held before a regulator is turned, and after it, for so long at least
LONGEST_TURN_BINS = 80  # a rise or fall that still goes on is waited for, up to so long
STEADY_SHARE = 0.2  # of its change, which a level that a regulator holds wanders less than
GOES_ON = 0.5  # of the slope, with which a change has not ended
TURN_S = 1.0  # a regulator is turned, or drained through a leak, in more than this; a valve opens faster
LET_GO_S, HALF_WAY = 0.45, 0.6  # what rises so far within so short a time after it began was let go, and not turned up by hand
EASED = 0.53  # of the time of the whole, by which `HALF_WAY` is reached: 0.67 where it goes evenly, 0.4 as it decays
REGULATOR_PA_PER_S = 25_000.0  # a rise faster than this is no pump's
BUSY_BEFORE_S, BUSY_AFTER_S = 0.1, 0.6  # around a shot, not looked at for the pump
KEEP_BINS = 600
RISE_BINS, SINK_BINS = 25, 45  # a rise, and a slow fall, are judged this much later, when they are over


@dataclass(slots=True)
class _Drop:
    """A fall that was no shot and whose end is awaited."""

    time_s: float
    low_s: float  # bottom of the fall as far as it is known
    from_pa: float
    low_pa: float


class SlowWatch:
    """Follow the line's slow course and name what happens to it."""

    def __init__(self) -> None:
        self._t, self._p, self._busy, self._sigma = (np.empty(0) for _ in range(4))
        self._base = 0
        self._next = 0
        self._places = np.zeros(slopes.INTS, dtype=np.int64)
        self._places[slopes.ROSE] = self._places[slopes.SANK] = -slopes.RISE_FROM
        self._drop: _Drop | None = None
        self._rose: int | None = None
        self._sank: int | None = None
        self._pump = PumpWatch()
        self._until_s = -np.inf  # end of the last event
        self._stood_pa = -np.inf  # pressure before the last draw
        self._lowered: _Drop | None = None  # the last drop that was taken for a regulator turned down
        self._events: list[Event] = []
        self.shot_times: list[float] = []
        self._masked: list[float] = []  # those before, of the bins that are kept

    @property
    def events(self) -> list[Event]:
        """What has been named so far."""
        known = [e for e in self._events if e.kind != "regulator change" or not self._pump.starts_near(e.time_s)]
        turned = [e for e in self._pump.turned_up if not any(e.time_s < o.until_s + COMES_BACK_S and o.time_s < e.until_s for o in known)]
        return [*known, *turned, *self._pump.events]

    def drop(self, fall: Fall) -> bool:
        """Take note of a fall that was judged to be no shot; False where it belongs to one that is known already."""
        if self._drop is not None and fall.time_s < self._drop.low_s:
            self._drop.low_s = max(self._drop.low_s, fall.minimum_s)
        if self._drop is not None or fall.time_s < self._until_s or fall.before_pa < EMPTY_PA:
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
                self._busy[max(i, a) : j] = 1.0
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
            cut = min(cut, int(np.searchsorted(self._t, self._drop.time_s)) - slopes.RISE_FROM)
        if cut > KEEP_BINS:
            self._t, self._p, self._busy, self._sigma = (a[cut:].copy() for a in (self._t, self._p, self._busy, self._sigma))
            self._base += cut

    def _follow(self, z: int) -> None:
        """Go on to bin z, in one go up to what is found or, where something is awaited, bin by bin."""
        shots_s = (*self._masked, *self.shot_times)
        while self._places[slopes.NEXT] < self._base + z:
            waits = self._drop is not None or self._rose is not None or self._sank is not None
            until = int(self._places[slopes.NEXT]) + 1 if waits else self._base + z
            found = slopes.moves(self._t, self._p, self._busy, self._sigma, self._base, until, self._places)
            k = int(self._places[slopes.NEXT]) - 1 - self._base
            self._pump.look(self._t, self._p, self._busy, shots_s, self._base, self._base + k + 1)
            if found and self._drop is None:
                if found == slopes.RISE:
                    self._rose = self._base + k
                else:
                    self._sank = self._base + k
            if self._drop is not None and self._t[k] > self._drop.time_s:
                self._look(k)
            if self._rose is not None and not self._goes_on(self._rose - self._base, k, RISE_BINS):
                self._rise(self._rose - self._base, k)
                self._rose = None
            if self._sank is not None and not self._goes_on(self._sank - self._base, k, SINK_BINS):
                self._sink(self._sank - self._base, k)
                self._sank = None

    def _emit(self, kind: Kind, time_s: float, until_s: float) -> None:
        self._events.append(Event(kind=kind, time_s=time_s, until_s=until_s))
        self._until_s = until_s

    def _look(self, k: int) -> None:
        """See whether the drop that is under way has come to an end."""
        drop = self._drop
        if drop is None:
            return
        now, level = float(self._t[k]), float(self._p[k])
        drop.low_pa = min(drop.low_pa, level)
        size = drop.from_pa - drop.low_pa
        if level < EMPTY_SHARE * drop.from_pa and level < EMPTY_PA:
            self._emit("disconnected", drop.time_s, now)
            self._drop = None
        elif now > max(drop.time_s + 0.3, drop.low_s) and level >= drop.from_pa - BACK_SHARE * size:
            swing = now < drop.time_s + SWING_S and any(s - BUSY_BEFORE_S < drop.time_s < s + SWING_S for s in self.shot_times)
            if not swing:
                self._emit("air draw", drop.time_s, now)
                self._stood_pa = drop.from_pa
            self._drop = None
        elif now > drop.time_s + 2.0 + STEADY_BINS * slopes.BIN_S and k > STEADY_BINS:
            steady = self._p[k - STEADY_BINS : k + 1]
            if steady.max() - steady.min() > max(0.1 * size, 6.0 * self._sigma[k]):
                return
            # It may have begun slowly, before it was noticed.
            a = max(int(np.searchsorted(self._t, drop.time_s)) - slopes.RISE_FROM, 0)
            course = self._p[a : k + 1]
            high = min(float(course[: slopes.RISE_FROM + 1].max()), drop.from_pa + size)
            begin = int(np.flatnonzero(course >= high - 0.1 * (high - drop.low_pa))[-1])
            fell = begin + int(np.argmax(course[begin:] < high - 0.9 * (high - drop.low_pa)))
            took = float(self._t[a + fell] - self._t[a + begin])
            eased = _eases(high - course[begin : fell + 1])
            began_s = min(drop.time_s, float(self._t[a + begin]))
            # By the slow course: a valve that opens fast shows a deeper dip for an instant, and is still open.
            lowest_pa = float(course[begin:].min())
            rebound = float(np.median(steady)) - lowest_pa
            if rebound > max(REBOUND_SHARE * size, 6.0 * self._sigma[k]):
                let_go = a + int(np.flatnonzero(course < lowest_pa + 0.5 * rebound)[-1])
                self._emit("air draw", drop.time_s, float(self._t[let_go]))
                self._drop = None
            elif took > TURN_S and not eased and not self._pump.seen:
                self._lower(began_s, took)
            elif self._pump.seen:
                # No regulator holds this line: air that was drawn does not come back.
                self._emit("air draw", drop.time_s, drop.time_s + took)
                self._drop = None
            elif now > drop.time_s + DRAW_MAX_S:
                self._lower(began_s, took)

    def _lower(self, began_s: float, took_s: float) -> None:
        """Take the drop that is under way for a regulator turned down."""
        self._emit("regulator change", began_s, began_s + took_s)
        self._lowered, self._drop = self._drop, None

    def _draws(self, level_pa: float, let_go_s: float) -> bool:
        """Whether the regulator that was turned down last was air drawn, as the line has just come back from it to a level."""
        drop, self._lowered = self._lowered, None
        if drop is None or let_go_s > drop.time_s + DRAW_MAX_S or self._events[-1].kind != "regulator change":
            return False
        if level_pa < drop.from_pa - BACK_SHARE * (drop.from_pa - drop.low_pa):
            return False
        self._events.pop()
        self._emit("air draw", drop.time_s, let_go_s)
        self._stood_pa = drop.from_pa
        return True

    def _rise(self, k: int, now: int) -> None:
        """Name a rise that was seen at bin k, looking from bin `now`."""
        a, now = max(k - slopes.RISE_FROM, 0), max(self._quiet(k, now + 1) - 1, k)
        course, level = self._p[a : now + 1], float(np.median(self._p[now - slopes.RISE_NOW : now + 1]))
        low, lowest = float(self._p[a : k - slopes.RISE_UNTIL].max()), float(course.min())
        if lowest < min(EMPTY_PA, EMPTY_SHARE * level):
            low = lowest  # it may have been emptied just before
        size = level - low
        if size <= 0.0:
            return
        last_low = int(np.flatnonzero(course[: k - a + 1] <= low + 0.1 * size)[-1])
        began_s = float(self._t[a + last_low])
        if began_s < self._until_s or (began_s < self._until_s + COMES_BACK_S and low + 0.9 * size < self._stood_pa):
            return  # the end of what is known already
        high = last_low + int(np.argmax(course[last_low:] >= low + 0.9 * size))
        took = max(float(self._t[a + high] - self._t[a + last_low]), slopes.BIN_S)
        half_way = last_low + int(np.argmax(course[last_low:] >= low + HALF_WAY * size))
        let_go = self._t[a + half_way] - began_s < LET_GO_S or _eases(course[last_low : high + 1] - low)
        if let_go and self._draws(level, began_s):
            return
        if 0.8 * size / took < REGULATOR_PA_PER_S and not self._turned(a + last_low, a + high, now):
            return
        if self._pump.seen and low > EMPTY_PA:
            return  # no regulator holds this line: it is a draw that ends
        kind: Kind = "connected" if low < EMPTY_PA and low < EMPTY_SHARE * (low + size) else "regulator change"
        self._emit(kind, float(self._t[a + last_low]), float(self._t[a + high]))

    def _sink(self, k: int, now: int) -> None:
        """Name a slow fall that was seen at bin k, looking from bin `now`: a regulator that is turned down, air drawn, or nothing."""
        a = max(k - slopes.RISE_FROM, 0)
        z = self._quiet(k, now + 1)
        if self._drop is not None or self._pump.seen or z <= k or self._busy[a:k].any():
            return
        high, course = float(np.median(self._p[a : k - slopes.RISE_UNTIL])), self._p[a:z]
        bottom = int(course.argmin())
        size = high - float(course[bottom])
        upper = np.flatnonzero(course[:bottom] >= high - 0.1 * size)
        if size <= 0.0 or not upper.size:
            return
        begin = int(upper[-1])
        end = begin + int(np.argmax(course[begin:] <= high - 0.9 * size))
        begins_s = float(self._t[a + begin])
        if begins_s < self._until_s:
            return
        if course[-1] > high - BACK_SHARE * size:
            let_go = int(np.flatnonzero(course < high - 0.5 * size)[-1])
            if self._t[a + let_go] - begins_s > TURN_S:  # a shorter one falls fast, and is seen as a drop
                self._emit("air draw", begins_s, float(self._t[a + let_go]))
                self._stood_pa = high
        elif _eases(high - course[begin : end + 1]):
            self._drop = _Drop(begins_s, float(self._t[a + end]), high, high - size)
        elif self._turned(a + begin, a + end, now):
            self._emit("regulator change", begins_s, float(self._t[a + end]))

    def _turned(self, begin: int, end: int, now: int) -> bool:
        """Whether the line went from one steady level to another between two bins, without a shot or a pump: a regulator was turned."""
        if self._busy[begin:end].any():
            return False
        rested = max(begin - STEADY_BINS, 0)
        before = self._p[rested if self._quiet(rested, begin) == begin else begin : begin]
        after = self._p[end + 2 : self._quiet(end, now + 1)][:STEADY_BINS]
        if before.size < STEADY_BINS or after.size < RESTS_BINS:
            return False
        size = abs(float(self._p[end]) - float(self._p[begin]))
        if float(np.ptp(after)) > GOES_ON * size * after.size / max(end - begin, 1):
            return False
        return max(float(np.ptp(before)), float(np.ptp(after))) < STEADY_SHARE * size

    def _quiet(self, k: int, z: int) -> int:
        """The first bin after bin k, or z, in which a shot is under way."""
        taken = np.flatnonzero(self._busy[k:z])
        return k + int(taken[0]) if taken.size else z

    def _goes_on(self, seen: int, k: int, bins: int) -> bool:
        """Whether it is too early, at bin k, to judge what was seen to rise or sink: so many bins have not passed, or it still does."""
        if k < seen + bins:
            return True
        size = abs(float(self._p[k]) - float(self._p[max(seen - slopes.RISE_FROM, 0)]))
        moves = abs(float(self._p[k]) - float(self._p[k - RESTS_BINS])) > STEADY_SHARE * size
        return moves and k < seen + LONGEST_TURN_BINS and self._quiet(k - RESTS_BINS, k) == k

    def _end(self) -> None:
        self._pump.end(self._t, self._p, (*self._masked, *self.shot_times))
        if self._drop is not None and self._t.size:
            now = float(self._t[-1])
            if now > self._drop.time_s + 1.0:
                self._emit("air draw", self._drop.time_s, now)
            self._drop = None


def _eases(change: Floats) -> bool:
    """Whether a change that begins at 0 slows down from early on, as where a valve was opened or shut, and not as a hand turns."""
    return bool(np.argmax(change >= HALF_WAY * change[-1]) < EASED * (change.size - 1))


def ends(draw: Event, rise: Event) -> bool:
    """Whether a rise is but the end of air that was drawn."""
    return draw.time_s <= rise.time_s < draw.until_s + COMES_BACK_S


def disturbs(fall: Fall, noise_pa: float) -> bool:
    """Whether a fall that is no shot is large enough to be something."""
    return fall.dip_pa > max(8.0 * noise_pa, 0.01 * (fall.before_pa + ATMOSPHERE_ABS_PA))
