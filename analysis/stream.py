"""Readings as they come in: checked, put in order, cleaned, with the falls, gaps and bursts of interference marked in them."""

from __future__ import annotations

import itertools
from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from analysis import triggers
from analysis.clumps import Unclump, clumped_step
from analysis.hum import HumWatch
from analysis.limits import Limits
from analysis.on_change import Held, changed_step
from analysis.outages import Outages
from analysis.pump_ripple import without_ripple
from analysis.recovered import RIPPLE_SHARE
from analysis.repeats import Stairs, Unrepeat, answered_step

Floats = NDArray[np.float64]

FIRST_READINGS, FIRST_S = 256, 3.0  # settle the rate, the noise and the resolution, and what the widest means show of a ripple
# Rows that come so slowly show none of that, but may be heartbeats of a line at rest: so many are waited for until so many come faster.
SLOW_STEP_S, WAITED_FOR, FASTER = 0.1, 2048, 100
SLAB = 1 << 16  # readings taken in at once, so that memory stays small whatever is fed
FILLED_SLAB = 64  # and rows between which most readings are not written
HISTORY_S = 3.0  # kept before the oldest fall that is not judged yet
VIEW_S = 0.8  # a fall is judged this long after it happened
LOOK_BACK_S = 1.5  # and seen with so much of what came before
BURST_APART_S, BURST_MARGIN_S, BURST_TURNS = 1.0, 0.05, 2.0  # no dip of interference is so many times the size of its turns


@dataclass(frozen=True, slots=True)
class View:
    """Readings about a time, without those beyond a gap.

    Attributes
    ----------
    t_s, p_pa : ndarray, shape (n,)
        Times [s] and cleaned pressure [Pa].
    gap_s, until_s : float
        Ends of the gap before, and of the view [s].
    ready : int
        The position up to which marks may count: only what every view of this time shows, as a later one would see more.
    """

    t_s: Floats
    p_pa: Floats
    gap_s: float
    until_s: float
    ready: int

    def calm(self, dip_pa: float, noise_pa: float, resolution_pa: float) -> tuple[View, float]:
        """The same without a ripple that is large beside such a dip; and the noise that is left [Pa]."""
        p_pa = without_ripple(self.t_s, self.p_pa, RIPPLE_SHARE * dip_pa)
        if p_pa is self.p_pa:
            return self, noise_pa
        return replace(self, p_pa=p_pa), min(noise_pa, triggers.noise_in(p_pa, resolution_pa))


class Stream:
    """What has come in and may still be looked at; the same whatever the size of the blocks.

    Attributes
    ----------
    falls : deque of ndarray
        Marks of falls that are not judged yet, in order of time; the columns are those of `triggers`.
    bursts : list of [float, float]
        Interference: from and until [s].
    gaps : list of (float, float)
        Gaps: last reading before and first after [s].
    first_s, last_s : float
        Times of the first reading and of the newest [s].
    readings, dropped : int
        Readings used, and those left out as they repeat a time or go back.
    slab : int
        Readings to take in at once, so that memory stays small.
    """

    def __init__(self) -> None:
        self.falls: deque[Floats] = deque()
        self.bursts: list[list[float]] = []
        self.gaps: list[tuple[float, float]] = []
        self.first_s, self.last_s = np.nan, -np.inf
        self.readings = self.dropped = 0
        self._t, self._raw, self._clean, self._total = (np.empty(0) for _ in range(4))
        self._base = 0  # absolute position of the first reading kept
        self._waiting: list[tuple[Floats, Floats]] = []
        self._tidy: list[Held | Outages | Unclump | Unrepeat] = [Outages()]  # what readings go through first
        self._limits, self._stairs, self._hum = Limits(), Stairs(), HumWatch()
        self.slab = FIRST_READINGS  # readings to take in at once
        self._widths: triggers.Widths | None = None
        self._state, self._places = np.zeros(triggers.FLOATS), np.zeros(triggers.INTS, dtype=np.int64)
        self._marks = np.zeros((1024, triggers.MARK_COLUMNS))
        self._bins = np.zeros((4096, 2))
        self._gap_ends: list[tuple[float, float]] = []  # those that a view may meet
        self._turns: list[tuple[float, float, float, float]] = []  # start and end of a burst when issued at a position, its turns [Pa]

    # What came in

    def take(self, t: Floats, p: Floats) -> None:
        """Take in the next readings; those without a time or a pressure, and those that go back in time, are left out."""
        if not triggers.usable(t, p, self.last_s):
            good = np.isfinite(t) & np.isfinite(p)
            t, p = t[good], p[good]
            highest = np.maximum.accumulate(np.concatenate([[self.last_s], t]))
            forward = t > highest[:-1]
            self.dropped += int((~forward).sum())
            t, p = t[forward], p[forward]
        if not t.size:
            return
        if np.isnan(self.first_s):
            self.first_s = float(t[0])
        self.last_s = float(t[-1])
        self.readings += t.size
        if self._widths is not None:
            self._append(t, p)
            return
        self._waiting.append((t, p))
        if self.readings >= FIRST_READINGS and self._first():
            self._begin()

    def doubts(self) -> list[str]:
        """Say what was left out, and what to do."""
        repeated = [f"{self.dropped} readings repeat a time or go back in time and were left out."] if self.dropped else []
        watches = [*self._tidy, self._limits, self._stairs]
        return [*(doubt for watch in watches for doubt in watch.doubts()), *self._hum.doubts(self.step_s), *repeated]

    def end(self) -> None:
        """Take in what still waits for more readings, as none will come."""
        if self._widths is None:
            self._begin()
        self._append(np.empty(0), np.empty(0), last=True)

    def _first(self) -> int:
        """How many of the readings that wait show how they come; 0 while that is not known."""
        self._waiting = [(np.concatenate([t for t, _ in self._waiting]), np.concatenate([p for _, p in self._waiting]))]
        t = self._waiting[0][0]
        step = np.diff(t)
        if np.median(step[: FIRST_READINGS - 1]) < SLOW_STEP_S:
            first = max(FIRST_READINGS, int(t.searchsorted(t[0] + FIRST_S)))
            return first if first < t.size else 0
        faster = np.flatnonzero(step[:WAITED_FOR] < SLOW_STEP_S)
        if faster.size >= FASTER:
            return max(int(faster[FASTER - 1]) + 2, FIRST_READINGS)
        return FIRST_READINGS if step.size >= WAITED_FOR else 0

    def _begin(self) -> None:
        first = self._first() or FIRST_READINGS
        t, p = self._waiting.pop()
        self.slab = SLAB
        first_t, first_p = t[:first], p[:first]
        if step_s := changed_step(first_t, first_p):
            self._tidy.insert(0, Held(step_s))
            self.slab = FILLED_SLAB
            first_t, first_p = Held(step_s).take(first_t, first_p)
        elif step_s := clumped_step(first_t):
            self._tidy.append(Unclump(step_s))
        elif step_s := answered_step(first_t, first_p):
            self._tidy.append(Unrepeat(step_s))
            first_t, first_p = Unrepeat(step_s).take(first_t, first_p)
        self._widths = triggers.widths(step_s or float(np.median(np.diff(first_t))))
        self._state, self._places = triggers.first_state(first_t, first_p, self._widths)
        self._append(t, p)

    def _append(self, t: Floats, p: Floats, *, last: bool = False) -> None:
        for tidy in self._tidy:
            t, p = tidy.take(t, p, last=last)
        self._limits.take(p)
        self._stairs.take(t, p)
        self._hum.take(p)
        self._t, self._raw = np.concatenate([self._t, t]), np.concatenate([self._raw, p])
        empty = np.zeros(t.size)
        self._clean, self._total = np.concatenate([self._clean, empty]), np.concatenate([self._total, empty])

    # The first pass

    @property
    def begun(self) -> bool:
        """Whether the rate is known, and readings have been cleaned."""
        return self._widths is not None and int(self._places[triggers.NEXT]) > self._base

    @property
    def widths(self) -> triggers.Widths:
        """Widths in readings; they must be known."""
        assert self._widths is not None
        return self._widths

    @property
    def step_s(self) -> float:
        """Spacing of the readings [s]; it must be known."""
        return self.widths.step_s

    @property
    def noise_pa(self) -> float:
        """Noise of the readings as of now [Pa]."""
        return float(triggers.noise_of(self._state))

    @property
    def resolution_pa(self) -> float:
        """Smallest step between readings as of now [Pa]."""
        return float(self._state[triggers.RESOLUTION])

    def scan(self, *, last: bool) -> Iterator[tuple[Floats, Floats]]:
        """Clean what has come in and mark it; gives the line's slow course on the way, as times [s] and means [Pa]."""
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
            yield self._bins[:count, 0], self._bins[:count, 1]
            if found < self._marks.shape[0] - 128 and count < self._bins.shape[0] - 64:
                return

    def _note(self, mark: Floats) -> None:
        kind = int(mark[0])
        if kind == triggers.FALL:
            self.falls.append(mark)
        elif kind == triggers.BURST:
            start, stop = float(mark[4]), float(mark[3])
            self._turns.append((start, stop, float(mark[7]), float(mark[5])))
            if self.bursts and start - self.bursts[-1][1] < BURST_APART_S:
                self.bursts[-1][1] = stop
            else:
                self.bursts.append([start, stop])
        elif kind == triggers.GAP:
            gap = float(mark[3] - mark[4]), float(mark[3])
            self.gaps.append(gap)
            self._gap_ends.append(gap)

    def forget(self, before_s: float) -> None:
        """Drop readings before a time, and all that nothing will look at again."""
        if not self.begun:
            return
        keep_s = min(before_s, float(self.t_s[-1]) - HISTORY_S)
        if self.falls:
            keep_s = min(keep_s, float(self.falls[0][3]) - HISTORY_S)
        self._gap_ends = [gap for gap in self._gap_ends if gap[1] > keep_s]
        self._turns = [turn for turn in self._turns if turn[1] > keep_s]
        cut = min(int(np.searchsorted(self._t, keep_s)), self._scanned - self.widths.reach)
        if cut > self._t.size // 2 or cut > SLAB:
            self._t, self._raw, self._clean, self._total = (a[cut:].copy() for a in (self._t, self._raw, self._clean, self._total))
            self._base += cut

    # What is there to look at

    @property
    def _scanned(self) -> int:
        return int(self._places[triggers.NEXT]) - self._base

    @property
    def t_s(self) -> Floats:
        """Times of the readings that are kept and cleaned [s]."""
        return self._t[: self._scanned]

    @property
    def p_pa(self) -> Floats:
        """Their pressure [Pa]."""
        return self._clean[: self._scanned]

    def view(self, top_s: float) -> View:
        """Look at the readings about a fall."""
        gap_s = max((stop for _, stop in self._gap_ends if stop <= top_s), default=-np.inf)
        until = min([top_s + VIEW_S] + [start + 1e-9 for start, stop in self._gap_ends if stop > top_s])
        first, end = (int(self.t_s.searchsorted(s)) for s in (max(top_s - LOOK_BACK_S, gap_s), top_s + VIEW_S))
        ready = self._base + end
        end = min(end, int(self._t.searchsorted(until)))
        return View(self._t[first:end], self._clean[first:end], gap_s, until, ready)

    def ahead(self, ready: int) -> Iterator[Floats]:
        """Marks not weighed yet that were issued up to a position: only they count, so that a stream and a file agree."""
        return itertools.takewhile(lambda mark: mark[7] <= ready, self.falls)

    def next_gap(self, time_s: float) -> float:
        """Last reading before the next gap after a time [s]; infinite where none is known."""
        return next((start + 1e-9 for start, stop in self._gap_ends if stop > time_s), float("inf"))

    def disturbed(self, time_s: float, dip_pa: float, ready: int) -> bool:
        """Whether there was interference at a time that may make such a dip, as far as was known at a position."""
        turns = [turn for turn in self._turns if turn[2] <= ready and dip_pa < BURST_TURNS * turn[3]]
        return any(start - BURST_MARGIN_S < time_s < stop + BURST_MARGIN_S for start, stop, _, _ in turns)
