"""Finding shots in a stream of readings: feed blocks of any size, the answer is the same as for the whole record in one piece."""

from __future__ import annotations

import itertools
from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis import triggers
from analysis.clumps import Unclump, clumped_step
from analysis.constants import ATMOSPHERE_ABS_PA
from analysis.events import SAME_FALL_S, SlowWatch, disturbs, ends
from analysis.faint_fall import FaintFall, falling, fit_faint_fall
from analysis.held_down import held_down
from analysis.mean_dip import AFTER_S, LEAD_STEPS, LONGEST_S, Seen
from analysis.measures import DEEP_SHARE, Fall, comes_back, measure, on_slope, slides, swing_s
from analysis.overlapping import Shape, common_shape, drift, fit_falls
from analysis.plugged import PlugWatch
from analysis.pump_ripple import without_ripple
from analysis.record import Event, Outcome, Shot, ShotRecord
from analysis.recovered import RECOVERED, recovery, recovery_in_ripple
from analysis.rounded_fall import fit_rounded_fall
from analysis.sensor_lag import checked_lag, grown, span, unlagged
from analysis.sharpened import sharpened
from analysis.timed_draws import TimerWatch
from analysis.units import significant
from analysis.usual import Usual

Floats = NDArray[np.float64]

FIRST_READINGS = 256  # settle the rate, the noise and the resolution
SLAB = 1 << 16  # readings taken in at once, so that memory stays small whatever is fed
SLOW_S = 0.6  # the slow course is followed up to this long before a fall
UNJUDGED_S = 1.0  # so much of the newest readings may hide a fall that is not judged yet
VIEW_S = 0.8  # a fall is judged this long after it happened
LOOK_BACK_S = 1.5  # and seen with so much of what came before
RIPPLE_SHARE = 0.02  # of a fall; less ripple is left in
HISTORY_S = 3.0
KEPT_S = 0.5  # before the shot whose recovery is watched
LONGEST_RECOVERY_S = 60.0
TOGETHER = 64  # shots that are measured again by their mean dip and that of as many after them
RING_S = 1.5  # for so long after a shot the hose may ring
SWING_BACK_S = 0.35  # and so soon it swings back from above where the line stood
RING_SHARE = 0.4  # and no swing of it is this large, compared with the dip
UNSURE_U, TOLD_U = 0.02, 0.012  # of a dip, as a share: what the reader is warned of, and what is good enough
RISEN_FROM_GAP, FAINT_SIGMA = 1.4, 6.0
BESIDE_S = 0.06
GOES_ON = -0.4  # of the dip: further down than its fitted bottom at the end of the view
ROUGHEST = 6.0
BRIEF_SIGMA = 9.0
LEAST_SIGMA, LEAST_STEPS, SURE_SIGMA, LEAST_PA = 2.8, 1.5, 8.0, 600.0
SURE_FIT = 8.0  # so sure is a fit of the whole fall, where noise smears the steps of the resolution:
DITHER = 0.46
DITHER_SEEN, SLOPE_SIGMA = 0.6, 40.0  # noise over the resolution, and dip over the noise, between which a straight slope can be told
UNSURE_FIT = 4.0  # standard deviations of a fit; less is the noise or ripple that it was made in
CLOSE_STEPS_S = 0.2
TREAD_S, TREAD_SHARE = 0.04, 0.4  # between two falls of a staircase the means over so long fall less than this share of the steepest
# A wide fall of less than so many times the noise of the means that it was seen in is fitted as a whole, from so long before it on and
# until so long after it (a short dip is over sooner), and must be so sure, and so much unlike a slope.
FAINT, FAINT_BEFORE_S, FAINT_AFTER_S, SURE_FAINT, UNLIKE_LINE = 16.0, 0.3, (0.12, 0.0), 6.0, 2.5
FAINT_VIEW_S, FAINT_END_S = 0.45, 0.15  # where it stands so long after it shows whether it goes on falling
BURST_FAINT_S = 0.45  # the falls of a burst follow each other so closely that they look like a slope, where the line would recover
SMEARED_STEPS = 0.7  # noise shows dips of less than a step
ROUNDED_STEPS, ROUNDED_SURE = 0.5, 6.0  # so many steps at least has one that rounded readings show, and so many times how sure it is
# A wide fall of so few steps that noise does not smear is weighed as rounded readings, seen until so long after it. A narrower mark of it
# is no larger than this times the wide one, and none as large follows so long after it or later, as in a burst, of which the wide sees two.
NEAR_STEPS, NEAR_AFTER_S, NO_LARGER, AGAIN_S = 3.0, 0.45, 1.1, 0.1
FASTEST_S = 0.14  # no tool is fired twice within this, or so it is held where
STROKE_S, STROKES, STROKE_SHARE = 0.09, 4, 0.4  # no tool is fired more often than so soon and so many times, by falls of this share of one
MOST_RIPPLE = 0.009  # of absolute pressure or less swings: beyond a tank a pump makes no more; common practice, no source
# Where shots fall slowly, those of a burst overlap: so long after each, and at each mark that shows none by itself, those from so long
# before to so long after are fitted together. Their shape is found anew after so many shots.
SLOW_FALL_S, LOOK_S, LOOK_BEHIND_S, LOOK_AHEAD_S, RENEWED = 0.05, 0.35, 0.5, 0.1, 4
BURST_APART_S, BURST_MARGIN_S = 1.0, 0.05
LONGEST_FALL_S = 0.45
GROWN, ON_S = 2.0, 0.1  # times the last shot, whose fall has gone on: a valve was opened then
CAME_BACK = 0.5  # of a dip, or a fall is not alone: what follows belongs to air that flows on
LARGER = 2.0  # times a swing of the hose is the shot after it, at least
RISEN = 2.5  # a fall this much smaller than the rise before it is that rise's overshoot


@dataclass(slots=True)
class _Open:
    """A shot whose recovery is still being watched: as the sensor shows it and without the sensor's lag, and the noise of readings [Pa]."""

    fall: Fall
    true: Fall
    noise_pa: float
    resolution_pa: float
    drift_pa_per_s: float  # of the line before it


class ShotDetector:
    """Find shots and other events while readings come in; one pass, constant memory.

    Parameters
    ----------
    lag_s : float
        Time constant of the sensor's first-order response [s], if known: shots are told as they were before the sensor.

    Examples
    --------
    >>> detector = ShotDetector()
    >>> for t, p in blocks:  # doctest: +SKIP
    ...     detector.feed(t, p)
    >>> record = detector.finish()  # doctest: +SKIP
    """

    def __init__(self, *, lag_s: float = 0.0) -> None:
        self.lag_s = checked_lag(lag_s)
        self._t, self._raw, self._clean, self._total = (np.empty(0) for _ in range(4))
        self._base = 0  # absolute position of the first reading kept
        self._readings = 0
        self._waiting_t: list[Floats] = []
        self._waiting_p: list[Floats] = []
        self._waiting = 0
        self._unclump: Unclump | None = None  # where the times come in clumps
        self._widths: triggers.Widths | None = None
        self._state, self._places = np.zeros(triggers.FLOATS), np.zeros(triggers.INTS, dtype=np.int64)
        self._marks = np.zeros((1024, triggers.MARK_COLUMNS))
        self._bins = np.zeros((4096, 2))
        self._slow = SlowWatch()
        self._plugs = PlugWatch()
        self._timer = TimerWatch()
        self._falls: deque[Floats] = deque()
        self._quick: deque[tuple[float, float]] = deque(maxlen=2 * STROKES)  # the last marks of the narrowest scale: time [s] and size [Pa]
        self._open: _Open | None = None
        self._last: Fall | None = None
        self._not_before = -np.inf
        self._recent: deque[float] = deque(maxlen=16)  # shots [s]
        self._look_s = np.inf  # when to look for a shot that overlaps the last
        self._noise_pa, self._resolution_pa = 0.0, 0.0  # at the mark weighed last
        self._shape: Shape | None = None  # that shots share
        self._fired, self._shape_at = 0, 0  # shots so far, and those when the shape was found
        self._before_s = -np.inf  # top of the last faint fall [s]
        self._sharper = -np.inf, 0.0  # top of the last narrower mark [s], and its size [Pa]
        self._bursts: list[list[float]] = []
        self._turns: list[tuple[float, float, float]] = []  # start and end of a burst as known when issued at a position
        self._usual = Usual()
        self._shots: list[Shot] = []
        self._seen: list[Seen] = []  # those after them, which their mean dip may still tell better
        self._depth_u = 0.0
        self._held: list[tuple[float, float]] = []  # shots that have turned out to be air drawn for a while: from and until [s]
        self._events: list[Event] = []
        self._gap_ends: list[tuple[float, float]] = []
        self._first_s = np.nan
        self._last_s = -np.inf
        self._dropped = 0
        self._finished = False

    # Live view

    @property
    def shots(self) -> tuple[Shot, ...]:
        """Shots so far; the last may still be recovering and is then given as such, and some before it as measured by themselves."""
        closed = (*self._shots, *(s.shot for s in self._seen))
        if self._open is None:
            return closed
        fall = self._open.true
        return (*closed, _shot(fall, float("nan"), max(self._last_s - fall.time_s, 0.0), "not recovered"))

    @property
    def events(self) -> tuple[Event, ...]:
        """Events so far."""
        bursts = [Event(kind="interference", time_s=start, until_s=stop) for start, stop in self._bursts]
        drawn = [e for e in self._events if e.kind == "air draw"]  # of which the slow course knows nothing
        slow = [e for e in self._slow.events if e.kind != "regulator change" or not any(ends(draw, e) for draw in drawn)]
        return tuple(sorted([*self._events, *slow, *bursts], key=lambda e: e.time_s))

    # Feeding

    def feed(self, t_s: ArrayLike, p_pa: ArrayLike) -> None:
        """Take in the next readings.

        Parameters
        ----------
        t_s : array_like, shape (n,)
            Times [s], ascending; readings that repeat a time or go back are left out.
        p_pa : array_like, shape (n,)
            Pressure [Pa gauge]; NaN where it is missing.

        Raises
        ------
        ValueError
            If the shapes differ or the detector has finished.
        """
        t, p = np.asarray(t_s).ravel(), np.asarray(p_pa).ravel()
        if t.size != p.size:
            msg = f"{t.size} times but {p.size} pressures; each reading needs both."
            raise ValueError(msg)
        if self._finished:
            msg = "The detector has finished; start a new one for more readings."
            raise ValueError(msg)
        for a in range(0, t.size, SLAB):
            self._take(t[a : a + SLAB].astype(np.float64, copy=False), p[a : a + SLAB].astype(np.float64, copy=False))

    def _take(self, t: Floats, p: Floats) -> None:
        if not triggers.usable(t, p, self._last_s):
            good = np.isfinite(t) & np.isfinite(p)
            t, p = t[good], p[good]
            highest = np.maximum.accumulate(np.concatenate([[self._last_s], t]))
            forward = t > highest[:-1]
            self._dropped += int((~forward).sum())
            t, p = t[forward], p[forward]
        if not t.size:
            return
        if np.isnan(self._first_s):
            self._first_s = float(t[0])
        self._last_s = float(t[-1])
        self._readings += t.size
        if self._widths is None:
            self._waiting_t.append(t)
            self._waiting_p.append(p)
            self._waiting += t.size
            if self._waiting >= FIRST_READINGS:
                self._begin()
        else:
            self._append(t, p)
            self._advance(last=False)

    def _begin(self) -> None:
        t, p = np.concatenate(self._waiting_t), np.concatenate(self._waiting_p)
        self._waiting_t, self._waiting_p = [], []
        first = slice(0, FIRST_READINGS)
        step_s = clumped_step(t[first])
        self._unclump = Unclump(step_s) if step_s else None
        self._widths = triggers.widths(step_s or float(np.median(np.diff(t[first]))))
        self._state, self._places = triggers.first_state(t[first], p[first], self._widths)
        self._append(t, p)
        self._advance(last=False)

    def _append(self, t: Floats, p: Floats, *, last: bool = False) -> None:
        if self._unclump is not None:
            t, p = self._unclump.take(t, p, last=last)
        self._t, self._raw = np.concatenate([self._t, t]), np.concatenate([self._raw, p])
        empty = np.zeros(t.size)
        self._clean, self._total = np.concatenate([self._clean, empty]), np.concatenate([self._total, empty])

    def _advance(self, *, last: bool) -> None:
        w = self._widths
        if w is None:
            return
        while True:
            found = triggers.scan(
                self._t, self._raw, self._clean, self._total, self._base, self._base + self._t.size, last,
                w.lag, w.mean, w.stride, w.spike, w.gap_s, w.step_s, self._state, self._places, self._marks, self._bins,
            )  # fmt: skip
            for mark in self._marks[:found]:
                self._note(mark.copy())
            count = int(self._places[triggers.BINS])
            self._slow.take(self._bins[:count, 0], self._bins[:count, 1])
            if found < self._marks.shape[0] - 128 and count < self._bins.shape[0] - 64:
                break
        self._judge(last=last)
        self._forget()

    @property
    def _scanned(self) -> int:
        """Readings kept that the first stage has been through."""
        return int(self._places[triggers.NEXT]) - self._base

    def _forget(self) -> None:
        """Drop readings that nothing will look at again."""
        w = self._widths
        if w is None or not self._scanned:
            return
        keep_s = self._t[self._scanned - 1] - HISTORY_S
        if self._falls:
            keep_s = min(keep_s, self._falls[0][3] - HISTORY_S)
        if self._open is not None:
            keep_s = min(keep_s, self._open.fall.time_s - KEPT_S)
        self._gap_ends = [gap for gap in self._gap_ends if gap[1] > keep_s]
        cut = min(int(np.searchsorted(self._t, keep_s)), self._scanned - w.reach)
        if cut > self._t.size // 2 or cut > SLAB:
            self._t, self._raw, self._clean, self._total = (a[cut:].copy() for a in (self._t, self._raw, self._clean, self._total))
            self._base += cut

    # Judging

    def _note(self, mark: Floats) -> None:
        kind = int(mark[0])
        if kind == triggers.FALL:
            self._falls.append(mark)
        elif kind == triggers.BURST:
            start, stop = float(mark[4]), float(mark[3])
            self._turns.append((start, stop, float(mark[7])))
            if self._bursts and start - self._bursts[-1][1] < BURST_APART_S:
                self._bursts[-1][1] = stop
            else:
                self._bursts.append([start, stop])
        elif kind == triggers.GAP:
            self._gap_ends.append((float(mark[3] - mark[4]), float(mark[3])))
            self._events.append(Event(kind="gap", time_s=float(mark[3] - mark[4]), until_s=float(mark[3])))

    def _judge(self, *, last: bool) -> None:
        w = self._widths
        if w is None or not self._scanned:
            return
        n = self._scanned
        now = self._t[n - 1]
        while self._falls or self._look_s < np.inf:
            mark_s = float(self._falls[0][3]) if self._falls else np.inf
            at_s = min(mark_s, self._look_s)
            if not last and now < at_s + VIEW_S:
                break
            # In the order of time: what was known of the line's slow course by then, then this fall.
            self._slow.advance(at_s - SLOW_S)
            before = self._last
            if mark_s <= self._look_s:
                mark = self._falls.popleft()
                if mark[1] == 0:
                    self._quick.append((mark_s, float(mark[4])))
                self._noise_pa, self._resolution_pa = float(mark[6]), float(mark[9])
                self._weigh(mark, w)
                if self._last is before and int(mark[1]) == w.lag.size - 1:
                    self._look(mark_s, w)
            else:
                self._look_s = np.inf
                self._look(at_s, w)
        self._watch(float(now), last=last)
        ready = min(min((mark[3] for mark in self._falls), default=np.inf), self._look_s) - SLOW_S
        self._slow.advance(np.inf if last else min(float(now) - VIEW_S - SLOW_S, ready), last=last)

    def _weigh(self, mark: Floats, w: triggers.Widths) -> None:
        """Decide what one marked fall was."""
        top_s, size, noise = float(mark[3]), float(mark[4]), float(mark[6])
        lag = float(w.lag[int(mark[1])]) * w.step_s
        if self._last is not None and self._stale(mark, w):
            return
        lag_readings = int(w.lag[-1])
        t, p, gap_s, until, ready = self._view(top_s)
        ripple = float(mark[10])
        calm = without_ripple(t, p, RIPPLE_SHARE * max(size, self._least(top_s, noise)))
        if calm is not p:
            p = calm
            noise = ripple = min(noise, triggers.noise_in(p, float(mark[9])))
        if self._weigh_faint(mark, w, t, p, noise, gap_s, ready):
            return
        top = int(t.searchsorted(top_s))
        for other in self._ahead(ready):
            # Another fall begins after the pressure has come back up: the view ends there.
            begins = float(other[3]) - (w.lag[int(other[1])] + w.mean[int(other[1])]) * w.step_s
            if begins <= top_s - 0.05:
                continue
            b = min(int(t.searchsorted(begins + 0.5 * w.lag[int(other[1])] * w.step_s)), t.size - 1)
            back = comes_back(p, top, b, lag_readings, float(other[4]), noise)
            # On a staircase nothing comes back. A wide filter is still going down one step where the next begins.
            alike = other[1] == mark[1] and other[4] > 0.5 * size
            step = alike and begins > top_s + (0.05 if other[1] > 0 else FASTEST_S)
            close = alike and int(mark[1]) == w.lag.size - 1 and float(other[3]) > top_s + CLOSE_STEPS_S
            if back or ((step or close) and _rests(t, p, top, b, noise)):
                until = min(until, begins if back or step else max(begins, top_s + 0.03))
                break
        seen = int(t.searchsorted(until, side="right"))
        earliest = max(self._not_before, gap_s)
        a = int(t.searchsorted(earliest))
        fall = measure(t[a:seen], p[a:seen], top_s, lag, noise, size, w.step_s, earliest, until, self._least(top_s, noise), ripple)
        elsewhere = fall is None or fall.half_s > top_s + BESIDE_S or (fall.sure > 0.0 and fall.time_s > top_s)
        resolution = float(mark[9])
        unsure = fall is None or significance(fall, noise, resolution, w.step_s) < SURE_SIGMA
        if (elsewhere or unsure) and _near_a_step(size, noise, resolution):
            self._weigh_rounded(mark, w, t, p, noise, gap_s, ready)
            return
        if fall is None or elsewhere:
            return  # nothing, or another fall, which has a mark of its own
        if self._swings_before(fall, mark, ready, w):
            return
        if self._from_gap(fall, max(gap_s, self._first_s), noise, w):
            return
        self._turns = [turn for turn in self._turns if turn[1] > top_s - 2.0]
        small = fall.dip_pa < MOST_RIPPLE * (fall.before_pa + ATMOSPHERE_ABS_PA)
        if small and swing_s(t, p, fall.half_s, 2.0 * FASTEST_S, fall.before_pa, fall.dip_pa, noise, w.step_s) < FASTEST_S:
            return  # the ripple of a pump
        # In a burst the line before a fall is the bent recovery from the last, and no slope.
        apart = self._last is None or fall.time_s - self._last.time_s > BURST_FAINT_S
        true = on_slope(t[a:seen], p[a:seen], fall) if fall.sure > 0.0 and apart else fall
        if self.lag_s:
            sharper = unlagged(t[a:seen], p[a:seen], self.lag_s, span(self.lag_s, w.step_s))
            known = grown(noise, self.lag_s, w.step_s)
            found = measure(t[a:seen], sharper, top_s, lag, known, size, w.step_s, earliest, until)
            # A slow sensor begins to move with the pressure, however slowly: the onset is the one it shows.
            true = replace(found, time_s=fall.time_s) if found is not None else fall
        told = noise > DITHER_SEEN * resolution and fall.dip_pa < SLOPE_SIGMA * noise  # noise, and not rounding, lies around a line
        slope = told and slides(t, p, fall.time_s, top_s + VIEW_S, fall.dip_pa, noise)
        if (slope or self._usual.drags(fall)) and self._look(top_s, w):
            return  # the shots of a burst, which together look like a slope
        self._accept(fall, true, noise, ready, sure=not unsure, slope=slope)

    def _view(self, top_s: float) -> tuple[Floats, Floats, float, float, int]:
        """Readings about a time without those beyond a gap: times [s], pressure [Pa], ends of the gap before and of the view [s], and the
        position up to which marks may count: only what every view of this time shows, as a later one would see more.
        """
        gap_s = max((stop for _, stop in self._gap_ends if stop <= top_s), default=-np.inf)
        until = min([top_s + VIEW_S] + [start + 1e-9 for start, stop in self._gap_ends if stop > top_s])
        first, end = (int(self._t[: self._scanned].searchsorted(s)) for s in (max(top_s - LOOK_BACK_S, gap_s), top_s + VIEW_S))
        ready = self._base + end
        end = min(end, int(self._t.searchsorted(until)))
        return self._t[first:end], self._clean[first:end], gap_s, until, ready

    def _swings_before(self, fall: Fall, mark: Floats, ready: int, w: triggers.Widths) -> bool:
        """Whether a mark is of a hose that swings back, and the fall measured that of the next shot, which has a mark of its own."""
        last = self._last
        if last is None or fall.time_s - last.time_s > RING_S or mark[4] > RING_SHARE * last.dip_pa:
            return False
        took_s = float(w.lag[int(mark[1])] + w.mean[int(mark[1])]) * w.step_s
        own = (o for o in self._ahead(ready) if o[1] == mark[1] and o[4] > LARGER * mark[4])
        return any(float(o[3]) - took_s < fall.half_s < float(o[3]) + 0.5 * took_s for o in own)

    def _ahead(self, ready: int) -> Iterator[Floats]:
        """Marks not weighed yet that were issued up to a position: only they count, so that a stream and a file agree."""
        return itertools.takewhile(lambda mark: mark[7] <= ready, self._falls)

    def _from_gap(self, fall: Fall, gap_s: float, noise: float, w: triggers.Widths) -> bool:
        """Whether a fall began in the gap before it, or may be the line that rings from a shot that the gap has swallowed."""
        after_gap_s = fall.time_s - gap_s
        if after_gap_s < 2.0 * w.step_s:
            return True
        if after_gap_s > RING_S or (self._last is not None and self._last.time_s > gap_s):
            return False
        small = bool(self._usual) and fall.dip_pa < RING_SHARE * self._usual.dip_pa
        return small or fall.dip_pa < FAINT_SIGMA * noise or fall.risen > RISEN_FROM_GAP

    def _weigh_faint(self, mark: Floats, w: triggers.Widths, t: Floats, p: Floats, noise: float, gap_s: float, ready: int) -> bool:
        """Decide what a wide fall was that is too faint for its edge to be seen, in a view of it; False for other falls."""
        top_s, lag, widest = float(mark[3]), float(w.lag[-1]) * w.step_s, w.lag.size - 1
        clear = _clear(mark, noise, w)
        resolution = float(mark[9])
        coarse = _near_a_step(float(mark[4]), noise, resolution)
        others = [o for o in self._ahead(ready) if int(o[1]) == widest]
        if int(mark[1]) < widest:
            if coarse and any(top_s < o[3] < top_s + 1.5 * lag and mark[4] < NO_LARGER * o[4] for o in others):
                alike = (o for o in self._ahead(ready) if o[1] == mark[1] and o[4] > 0.5 * mark[4])
                if not any(AGAIN_S < o[3] - top_s < 1.5 * lag for o in alike):
                    return True
            near = [o for o in others if o[3] < top_s + 1.5 * lag and mark[4] < o[4] < FAINT_SIGMA * noise]
            if mark[1] > 0 and any(clear < _clear(o, noise, w) < FAINT for o in near):
                return True  # the widest shows more of it, and better
            self._sharper = top_s, float(mark[4])
            return False
        plain = not coarse and (clear > FAINT or mark[4] > FAINT_SIGMA * noise)
        if plain or (self._sharper[0] > top_s - 1.5 * lag and self._sharper[1] > mark[4]):
            return False
        until = min((float(o[3]) for o in others), default=np.inf) - lag
        over_s = max(self._last.minimum_s if self._last is not None else -np.inf, self._before_s)
        self._before_s = top_s
        q = p - falling(t, p, over_s, top_s - 1.3 * lag, noise) * (t - top_s)
        a = int(t.searchsorted(max(top_s - lag - FAINT_BEFORE_S, over_s)))
        ends = [int(t.searchsorted(min(top_s + after, until))) for after in FAINT_AFTER_S]
        fits = [fit for fit in (fit_faint_fall(t[a:z], q[a:z], noise) for z in ends) if fit is not None]
        found = max(fits, key=lambda fit: fit.sure, default=None)
        if found is not None and coarse:
            since_s = self._last.minimum_s if self._last is not None else -np.inf
            a, z = (int(i) for i in t.searchsorted([since_s, min(until, top_s + NEAR_AFTER_S)]))
            found = fit_rounded_fall(t[a:z], p[a:z], found, resolution, float(mark[11]))
        if found is None or (found.sure < SURE_FAINT and not coarse):
            return True
        if found.dip_pa < (_least_rounded(found.sure, resolution) if coarse else max(SMEARED_STEPS * resolution, LEAST_PA)):
            return True
        if found.dip_pa > DEEP_SHARE * (found.before_pa + ATMOSPHERE_ABS_PA):
            return False
        # A fall that begins later than this may not be marked yet.
        end_s = min(until, float(t[-1]), top_s + FAINT_VIEW_S)
        end = q[int(t.searchsorted(max(end_s - FAINT_END_S, found.over_s))) : int(t.searchsorted(end_s))]
        goes_on = end.size > 0 and float(end.mean()) < found.before_pa - (1.0 - GOES_ON) * found.dip_pa
        burst = self._last is not None and found.time_s - self._last.time_s < BURST_FAINT_S
        slope = goes_on or (found.unlike_line < UNLIKE_LINE and not burst)
        if slope or slides(t, p, found.time_s, min(until, top_s + VIEW_S), found.dip_pa, noise):
            return False
        fall = found.as_fall()
        if self._from_gap(fall, max(gap_s, self._first_s), noise, w):
            return True
        self._accept(fall, fall, noise, ready, sure=True, slope=False)
        return True

    def _weigh_rounded(self, mark: Floats, w: triggers.Widths, t: Floats, p: Floats, noise: float, gap_s: float, ready: int) -> None:
        """Decide what a fall of few steps was whose edges do not show, in a view of it."""
        top_s, scale, size, resolution = float(mark[3]), int(mark[1]), float(mark[4]), float(mark[9])
        lag, mean = float(w.lag[scale]) * w.step_s, float(w.mean[scale]) * w.step_s
        until = next((float(o[3]) - lag for o in self._ahead(ready) if o[1] == mark[1] and o[3] > top_s + AGAIN_S), np.inf)
        until = min(until, top_s + NEAR_AFTER_S)
        since_s = self._last.minimum_s if self._last is not None else -np.inf
        near = FaintFall(time_s=top_s - 0.5 * (lag + mean), width_s=mean, before_pa=float(p[0]), dip_pa=size, sure=0.0, unlike_line=0.0)
        a, z = (int(i) for i in t.searchsorted([since_s, until]))
        found = fit_rounded_fall(t[a:z], p[a:z], near, resolution, float(mark[11]))
        if found is None or found.dip_pa < _least_rounded(found.sure, resolution):
            return
        fall = found.as_fall()
        deep = found.dip_pa > DEEP_SHARE * (found.before_pa + ATMOSPHERE_ABS_PA)
        if not deep and not self._from_gap(fall, max(gap_s, self._first_s), noise, w):
            self._accept(fall, fall, noise, ready, sure=True, slope=False)

    def _look(self, at_s: float, w: triggers.Widths) -> bool:
        """Find shots about a time that overlap others, where the line falls slowly at a shot; whether there are any."""
        before = self._last
        if before is None or len(self._usual) < 4 or self._usual.fall_s < SLOW_FALL_S:
            return False
        shape = self._common_shape()
        if shape is None:
            return False
        t, p, gap_s, _, ready = self._view(at_s)
        noise = self._noise_pa
        calm = without_ripple(t, p, RIPPLE_SHARE * shape.dip_pa)
        if calm is not p:
            p = calm
            noise = min(noise, triggers.noise_in(p, self._resolution_pa))
        known = [s for s in self._recent if s > t[0] - 0.8] if t.size else []
        from_s = before.time_s + FASTEST_S
        step = self._resolution_pa if noise < DITHER * self._resolution_pa else 0.0
        for found in fit_falls(t, p, shape, noise, step, known, from_s, at_s + LOOK_AHEAD_S):
            if found.time_s < at_s - LOOK_BEHIND_S:
                continue
            fall = found.as_fall(self._usual.fall_s)
            if not self._from_gap(fall, max(gap_s, self._first_s), noise, w):
                self._end_last(fall)
                self._accept(fall, fall, noise, ready, sure=True, slope=False)
        return self._last is not before

    def _end_last(self, following: Fall) -> None:
        """Let the last shot, whose bottom was sought in a fall that follows it, end where that begins."""
        if self._last is None or self._last.minimum_s <= following.time_s:
            return
        self._last = replace(self._last, minimum_s=following.time_s, minimum_pa=max(self._last.minimum_pa, following.before_pa))
        if self._open is not None:
            true = replace(self._open.true, minimum_s=following.time_s, minimum_pa=max(self._open.true.minimum_pa, following.before_pa))
            self._open = replace(self._open, fall=self._last, true=true)

    def _common_shape(self) -> Shape | None:
        """Shape of shots, without the last, which may still be open, depending on how far the stream has been read."""
        if self._shape is None or self._fired >= self._shape_at + RENEWED:
            last_s = self._recent[-1]
            self._shape = common_shape([s for s in self._seen if s.shot.time_s < last_s - SAME_FALL_S])
            self._shape_at = self._fired
        return self._shape

    def _without_lag(self, a: int, z: int) -> Floats:
        """Readings a to z of those kept, without the sensor's lag [Pa]."""
        assert self._widths is not None
        return unlagged(self._t[a:z], self._clean[a:z], self.lag_s, span(self.lag_s, self._widths.step_s))

    def _least(self, top_s: float, noise: float) -> float:
        """Depth below which a fall would be turned down anyway, with a margin; the swings of a ringing hose are many [Pa]."""
        least = 0.7 * max(LEAST_SIGMA * noise, LEAST_PA)
        if self._last is not None and top_s - self._last.time_s < RING_S:
            least = max(least, 0.7 * RING_SHARE * self._last.dip_pa)
        return least

    def _stale(self, mark: Floats, w: triggers.Widths) -> bool:
        """Whether a mark only repeats, on a wider scale, the fall judged last: since its bottom nothing has fallen that far."""
        if self._last is None:
            return False
        known = self._t[: self._scanned]
        since = self._clean[known.searchsorted(self._last.minimum_s) : known.searchsorted(float(mark[3]) + 0.5 * w.step_s)]
        return bool(since.size == 0 or since.max() - since[-1] < 0.3 * float(mark[4]))

    def _accept(self, fall: Fall, true: Fall, noise: float, ready: int, *, sure: bool, slope: bool) -> None:
        """Take a fall for what it is, from what the sensor shows; a shot is then told without the sensor's lag."""
        last = self._last
        dip = fall.dip_pa
        if fall.back < GOES_ON:
            return  # it goes on falling past the bottom that was fitted: a slope
        if dip < FAINT_SIGMA * noise and fall.risen > 1.0 and fall.back < RECOVERED:
            return  # the corner where a rise ends: a pump that stops
        if fall.sure > 0.0 and fall.minimum_s - fall.time_s > LONGEST_FALL_S:
            return  # faint, and it goes on falling: a slope
        if fall.rough > ROUGHEST or fall.risen > RISEN or not sure:
            return
        if self._open is not None and last is self._open.fall and self._went_on(fall, last):
            self._withdraw(last)
            self._last = fall
            if disturbs(fall, noise):
                self._slow.drop(replace(fall, time_s=last.time_s))
            return
        if last is not None:
            since = fall.time_s - last.time_s
            if since < SAME_FALL_S or fall.time_s < last.minimum_s:
                return
            # What a hose overshoots it swings back, and goes by less below where the line stood.
            below = last.before_pa - fall.minimum_pa if since < SWING_BACK_S else dip
            if since < RING_S and min(dip, below) < RING_SHARE * last.dip_pa:
                return
        if any(start - BURST_MARGIN_S < fall.time_s < stop + BURST_MARGIN_S for start, stop, at in self._turns if at <= ready):
            return
        if self._hammered(fall, ready):
            if self._slow.drop(fall):
                self._close(fall.time_s)
            return
        drawn = slope or self._usual.drags(fall)
        alone = last is None or (fall.time_s - last.time_s > RING_S and fall.before_pa > last.minimum_pa + CAME_BACK * last.dip_pa)
        if not drawn and self._usual.small(fall, noise, alone=alone):
            return
        if not drawn and self._slow.tail(fall):
            return  # the tail of a draw
        timed = self._timer.strikes(fall, shot=not drawn)
        if timed:
            self._close(fall.time_s)
            self._settle(last=False)
            if not disturbs(fall, noise):
                self._events.append(Event(kind="air draw", time_s=fall.time_s, until_s=fall.minimum_s))
                self._last = fall
                return
        if drawn or timed:
            if disturbs(fall, noise) and self._slow.drop(fall):
                self._close(fall.time_s)
            return
        if self._plugs.plugged(fall, noise, self._t, self._clean):
            self._close(fall.time_s)
            self._events.append(Event(kind="connected", time_s=fall.time_s, until_s=fall.minimum_s))
            self._last = fall
            self._not_before = fall.minimum_s
            return
        self._usual.add(fall)
        for odd in self._usual.tiny():
            self._take_back(odd.time_s)
        self._slow.shot(fall.time_s)
        self._close(fall.time_s)
        self._settle(last=False)
        t, p = self._t[: self._scanned], self._clean[: self._scanned]
        self._open = _Open(fall, true, noise, self._resolution_pa, drift(t, p, last.time_s if last is not None else -np.inf, fall.time_s))
        self._last = fall
        self._not_before = fall.minimum_s
        self._recent.append(fall.time_s)
        self._fired += 1
        self._look_s = fall.time_s + LOOK_S

    def _hammered(self, fall: Fall, ready: int) -> bool:
        """Whether a fall is one stroke of a tool that draws air in strokes, faster than any tool is fired."""
        marks = (*self._quick, *((float(o[3]), float(o[4])) for o in self._ahead(ready) if o[1] == 0))
        least = max(STROKE_SHARE * fall.dip_pa, MOST_RIPPLE * (fall.before_pa + ATMOSPHERE_ABS_PA))  # a pump's strokes are no tool's
        times = sorted(at_s for at_s, size in marks if size > least)
        train = deque([fall.half_s])
        for at_s in times:
            if train[-1] < at_s < train[-1] + STROKE_S:
                train.append(at_s)
        for at_s in reversed(times):
            if train[0] - STROKE_S < at_s < train[0]:
                train.appendleft(at_s)
        return len(train) > STROKES + 1  # one is this fall's own mark

    def _went_on(self, fall: Fall, last: Fall) -> bool:
        """Whether a fall shows that what the last shot was taken for went on falling."""
        back = fall.before_pa - last.minimum_pa > RECOVERED * last.dip_pa
        return fall.time_s < last.minimum_s + ON_S and not back and fall.dip_pa > GROWN * last.dip_pa and self._usual.drags(fall)

    def _withdraw(self, shot: Fall) -> None:
        """Take out the open shot, and what was learnt from it."""
        self._open = None
        self._take_back(shot.time_s)
        self._slow.shot_times.remove(shot.time_s)
        self._recent.pop()
        self._fired -= 1
        self._look_s = np.inf

    def _settle(self, *, last: bool) -> None:
        """Turn shots into air drawn, a tool plugged in, or what a timer drew, where what came after them has shown that they were."""
        for time_s, until_s in self._held:
            self._take_back(time_s)
            self._events.append(Event(kind="air draw", time_s=time_s, until_s=until_s))
        self._held.clear()
        span_s = self._last_s - self._first_s if last else 0.0
        for time_s, until_s in self._plugs.settle(span_s):
            self._take_back(time_s)
            self._timer.known_as_other(time_s)
            self._events.append(Event(kind="connected", time_s=time_s, until_s=until_s))
        for time_s in self._timer.settle(span_s):
            for shot in self._take_back(time_s):
                until_s = time_s + (shot.recovery_s if shot.outcome == "recovered" else 0.0)
                self._events.append(Event(kind="air draw", time_s=time_s, until_s=until_s))

    def _take_back(self, time_s: float) -> list[Shot]:
        """Take out the shot at a time, and what was learnt from it; it is in the list given, if there was one."""
        self._usual.forget(time_s)
        near = [s for s in (*self._shots, *(s.shot for s in self._seen)) if abs(s.time_s - time_s) <= SAME_FALL_S]
        self._shots = [s for s in self._shots if s not in near]
        self._seen = [s for s in self._seen if s.shot not in near]
        return near

    def _close(self, until_s: float, *, cut: bool = True) -> None:
        """End the watch on the open shot at the next fall."""
        if self._open is None or self._widths is None:
            return
        fall = self._open.fall
        outcome: Outcome = "cut off" if cut else "not recovered"
        gap_s = self._next_gap(fall.time_s)
        if gap_s < until_s:
            until_s, outcome = gap_s, "not recovered"
        if until_s - fall.time_s > LONGEST_RECOVERY_S:
            until_s, outcome = fall.time_s + LONGEST_RECOVERY_S, "not recovered"
        shot = self._recovered(until_s, closed=True)
        self._keep(shot if shot is not None else _shot(self._open.true, float("nan"), until_s - fall.time_s, outcome), until_s)

    def _keep(self, shot: Shot, until_s: float) -> None:
        """End the watch on the open shot, and keep its readings for the mean dip."""
        if self._open is None or self._widths is None:
            return
        fall, end_s = self._open.fall, min(until_s, shot.time_s + shot.censored_s + AFTER_S)
        drawn_until_s = self._drawn_until(self._open, end_s)
        if drawn_until_s is not None:
            self._held.append((shot.time_s, drawn_until_s))
        until_s = min(end_s, shot.time_s + LONGEST_S)
        lead_s = min(fall.time_s, shot.time_s) - LEAD_STEPS * self._widths.step_s
        a, z = self._t[: self._scanned].searchsorted([lead_s, until_s])
        seen = Seen(
            shot=shot,
            decided=_shot(fall, np.nan, 0.0, "not recovered"),
            slope_pa_per_s=fall.slope_pa_per_s,
            drift_pa_per_s=self._open.drift_pa_per_s,
            noise_pa=self._open.noise_pa,
            t_s=self._t[a:z].copy(),
            p_pa=self._clean[a:z].copy(),
        )
        self._seen.append(seen)
        self._open = None
        if len(self._seen) >= 2 * TOGETHER:
            self._sharpen(TOGETHER)

    def _drawn_until(self, shot: _Open, end_s: float) -> float | None:
        """Until when what was taken for a shot was held down by somebody who draws air, if it was [s]."""
        fall, noise = shot.fall, shot.noise_pa
        if _near_a_step(fall.dip_pa, noise, shot.resolution_pa):
            return None  # a step of the resolution turns at once, however the pressure does
        n = self._scanned
        first, a, z = (int(i) for i in self._t[:n].searchsorted([fall.time_s - KEPT_S, fall.time_s, end_s]))
        t, p = self._t[first:z], self._clean[first:z]
        held = held_down(t[a - first :], p[a - first :], fall.before_pa, fall.dip_pa, noise)
        if held is None:
            return None
        # One swing of a pump's ripple rises as fast as a line that is let go.
        return held_down(t[a - first :], without_ripple(t, p, RIPPLE_SHARE * fall.dip_pa)[a - first :], fall.before_pa, fall.dip_pa, noise)

    def _sharpen(self, count: int) -> None:
        """Tell the first of the shots kept by the mean dip of them all, and let them go."""
        if self._seen and self._widths is not None:
            shots, depth_u = sharpened(self._seen, self._widths.step_s, self.lag_s)
            self._shots += shots[:count]
            self._depth_u = max(self._depth_u, depth_u)
            del self._seen[:count]

    def _next_gap(self, time_s: float) -> float:
        """Last reading before the next gap after a time [s]; infinite where none is known."""
        return next((start + 1e-9 for start, stop in self._gap_ends if stop > time_s), float("inf"))

    def _recovered(self, until_s: float, *, closed: bool) -> Shot | None:
        if self._open is None or self._widths is None:
            return None
        fall = self._open.true
        a, z = (int(i) for i in np.searchsorted(self._t[: self._scanned], [fall.minimum_s, until_s]))
        level = fall.before_pa - (1.0 - RECOVERED) * fall.dip_pa
        p = self._clean[a:z]
        if self.lag_s:
            first = max(a - span(self.lag_s, self._widths.step_s), 0)
            p = self._without_lag(first, z)[a - first :]
            if not closed:  # the newest readings still wait for those after them
                z -= span(self.lag_s, self._widths.step_s)
                p = p[: max(z - a, 0)]
        noise = grown(self._open.noise_pa, self.lag_s, self._widths.step_s) if self.lag_s else self._open.noise_pa
        # A pump's ripple is no large part of dips as deep as those at a tool, where the hose rings.
        small = fall.dip_pa < DEEP_SHARE * (fall.before_pa + ATMOSPHERE_ABS_PA)
        find = recovery_in_ripple if small else recovery
        at = find(self._t[a : max(z, a)], p, level, noise, fall.dip_pa, self._widths.step_s, until_s=until_s if closed else np.inf)
        if np.isnan(at) or at - fall.time_s > LONGEST_RECOVERY_S:
            return None
        return _shot(fall, at - fall.time_s, at - fall.time_s, "recovered")

    def _watch(self, now_s: float, *, last: bool) -> None:
        """Look whether the open shot has recovered, or has been watched for long enough."""
        if self._open is None:
            return
        fall = self._open.fall
        # A fall that is not yet judged may cut this shot off: do not look beyond it.
        limit = min(float(self._falls[0][3] if self._falls else now_s), self._look_s) - UNJUDGED_S
        if last and not self._falls:
            self._close(now_s + 1e-9, cut=False)
            return
        limit = min(limit, self._next_gap(fall.time_s))
        shot = self._recovered(limit, closed=False)
        if shot is not None:
            self._keep(shot, float("inf"))
        elif limit > fall.time_s + LONGEST_RECOVERY_S or limit > self._next_gap(fall.time_s) - 1e-6:
            self._close(limit, cut=False)

    # The end

    def finish(self) -> ShotRecord:
        """End the stream and return everything found.

        Raises
        ------
        ValueError
            If there are too few readings to say anything.
        """
        if self._readings < 20:
            msg = f"Only {self._readings} readings with a time and a pressure; finding shots needs at least 20. Record for longer."
            raise ValueError(msg)
        if self._widths is None:
            self._begin()
        self._finished = True
        self._append(np.empty(0), np.empty(0), last=True)
        self._advance(last=True)
        self._settle(last=True)
        self._sharpen(len(self._seen))
        w = self._widths
        assert w is not None
        rate = 1.0 / w.step_s
        warnings = []
        if rate < 40.0:
            warnings.append(
                f"{significant(rate, 3)} readings a second are too few to see shots: a dip lasts only some tens of milliseconds. "
                "Log at least 50 a second, better 200."
            )
        if self._depth_u > UNSURE_U:
            enough = 50.0 * np.ceil(rate * self._depth_u / TOLD_U / 50.0)
            warnings.append(
                f"{significant(rate, 3)} readings a second show little of dips this brief: how deep they go is good to "
                f"{200.0 * self._depth_u:.0f} %. Log {enough:.0f} a second, and more shots."
            )
        warnings += [*self._timer.doubts(), *self._plugs.doubts(self._last_s - self._first_s, rate)]
        if self._dropped:
            warnings.append(f"{self._dropped} readings repeat a time or go back in time and were left out.")
        return ShotRecord(
            readings=self._readings,
            duration_s=self._last_s - self._first_s,
            rate_hz=rate,
            noise_pa=float(triggers.noise_of(self._state)),
            resolution_pa=float(self._state[triggers.RESOLUTION]),
            shots=tuple(self._shots),
            events=self.events,
            warnings=tuple(warnings),
            depth_u=self._depth_u,
        )


def significance(fall: Fall, noise_pa: float, resolution_pa: float, step_s: float) -> float:
    """How many times the noise a filter matched to the dip would see."""
    if fall.sure >= SURE_FIT and fall.dip_pa > max(SMEARED_STEPS * resolution_pa, LEAST_PA) and noise_pa > DITHER * resolution_pa:
        return fall.sure
    if 0.0 < fall.sure < UNSURE_FIT:
        return 0.0  # ripple or noise: no fall fits it
    # Rounding is not noise: where noise does not smear it, one step down may be a slow drift and is no dip.
    if fall.dip_pa < max(LEAST_SIGMA * noise_pa, LEAST_STEPS * resolution_pa, LEAST_PA):
        return 0.0
    if fall.low_s < 0.4 * fall.fall_s and fall.fall_s > 0.1:
        return 0.0  # a slow slope with a noisy reading at its end
    if fall.low_s < 2.0 * step_s and fall.dip_pa < BRIEF_SIGMA * noise_pa:
        return 0.0  # a reading or two, as a small spike would leave
    readings = max(min(fall.low_s, 0.3) / step_s, 1.0)
    return float(fall.dip_pa / max(noise_pa, 1e-9) * readings**0.5)


def _rests(t: Floats, p: Floats, a: int, b: int, noise_pa: float) -> bool:
    """Whether the pressure rests somewhere between two marked falls, or noise hides it; else they are one."""
    edges = np.arange(t[a], t[b] + 1e-9, TREAD_S)
    if edges.size < 3:
        return True
    at = t.searchsorted(edges)
    means = np.array([p[i:j].mean() for i, j in itertools.pairwise(at) if j > i])
    falls = -np.diff(means)
    unsure = 4.0 * noise_pa * (2.0 / max(float(np.diff(at).min()), 1.0)) ** 0.5
    return bool(falls.size == 0 or falls.min() < TREAD_SHARE * falls.max() + unsure)


def _near_a_step(size_pa: float, noise_pa: float, resolution_pa: float) -> bool:
    """Whether a fall is of few steps of the resolution, which noise does not smear."""
    return noise_pa < DITHER * resolution_pa and size_pa < NEAR_STEPS * resolution_pa


def _least_rounded(sure: float, resolution_pa: float) -> float:
    """Depth of a fall that rounded readings show, below which it is none [Pa]: a small one looks like a drift across a step."""
    return max(max(ROUNDED_STEPS, ROUNDED_SURE / sure) * resolution_pa, LEAST_PA)


def _clear(mark: Floats, noise_pa: float, w: triggers.Widths) -> float:
    """How many times the noise of the means that it was seen in a marked fall is."""
    return float(mark[4]) / (noise_pa * (2.0 / int(w.mean[int(mark[1])])) ** 0.5)


def _shot(fall: Fall, recovery_s: float, censored_s: float, outcome: Outcome) -> Shot:
    return Shot(
        time_s=fall.time_s,
        before_pa=fall.before_pa,
        minimum_pa=fall.minimum_pa,
        dip_pa=fall.dip_pa,
        recovery_s=recovery_s,
        censored_s=censored_s,
        outcome=outcome,
    )
