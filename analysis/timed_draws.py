"""Telling what a timer draws, a dryer that switches or a drain that opens, from shots: a lone slow fall may be either.

No person fires lone shots by the clock, so falls that come alone, alike and at one strict period are a timer's. A fall as quick as a tool
makes at its own inlet is none, however regular; nor is work, whose shots follow each other sooner. A few lone slow falls that are all there
is are no work either where one is much deeper than another, as a tool's are not, or where each has many minutes to itself.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass, replace

from analysis.measures import Fall
from analysis.record import falls_at
from analysis.units import significant

ALONE_S, SHORTEST_S = 10.0, 15.0  # to the falls before and after, and from one stroke of a timer to the next
QUICK_S = 0.035  # a quicker fall is a tool's, seen at its inlet
WITHIN_S, WITHIN = 0.12, 0.001  # how far a stroke lies off its time: by the onset of a slow fall in noise, and as a share of the period
ALIKE = 2.0  # the deepest of a timer's strokes over the shallowest: a slow fall in noise is measured roughly
AGAIN_S = 0.12  # what begins so soon after a fall's beginning is the same one, marked on another scale
FEWEST, FEWEST_YET = 3, 4  # strokes that show a timer: all the falls of a record, and among others
MISSED = 5  # strokes in a row, and the timer is forgotten
QUIET_S = 600.0  # nobody who works lets so much time pass for each of a few lone shots


@dataclass(frozen=True, slots=True)
class _Stroke:
    time_s: float
    dip_pa: float
    shot: bool  # taken for one so far


class TimerWatch:
    """Follow the falls that are slow and alone; those before a timer shows are taken for shots until then.

    Attributes
    ----------
    period_s : float
        From one stroke of the timer to the next [s]; NaN where none was seen.
    count : int
        Strokes seen.
    """

    def __init__(self) -> None:
        self._strokes: deque[_Stroke] = deque(maxlen=FEWEST_YET)  # the last that are alone, one behind the other
        self._due: list[float] = []
        self._falls = 0
        self._last_s = -math.inf
        self._struck = False
        self._known = False
        self._drawn: list[float] = []  # lone falls of a record without work [s]
        self.period_s = math.nan
        self.count = 0

    def strikes(self, fall: Fall, *, shot: bool) -> bool:
        """Take note of a fall, whether it is taken for a shot or not, and say whether it is a timer's."""
        since_s, self._last_s = fall.time_s - self._last_s, fall.time_s
        if since_s > AGAIN_S:
            self._falls += 1
            self._struck = self._note(fall, alone=since_s > ALONE_S, shot=shot)
        elif self._strokes and not self._known:
            self._strokes[-1] = replace(self._strokes[-1], time_s=fall.time_s, shot=shot or self._strokes[-1].shot)
        return self._struck

    def _note(self, fall: Fall, *, alone: bool, shot: bool) -> bool:
        stroke = _Stroke(fall.time_s, fall.dip_pa, shot)
        if self._known:
            return fall.fall_s > QUICK_S and self._in_time(stroke)
        if fall.fall_s < QUICK_S or not alone:
            self._strokes.clear()  # the one before is not alone either
            return False
        self._strokes.append(stroke)
        if len(self._strokes) < FEWEST_YET or not self._regular():
            return False
        self._begin()
        return True

    def known_as_other(self, time_s: float) -> None:
        """Take note that the fall at a time was no shot but something else."""
        strokes = (replace(s, shot=False) if abs(s.time_s - time_s) <= AGAIN_S else s for s in self._strokes)
        self._strokes = deque(strokes, maxlen=FEWEST_YET)

    def settle(self, span_s: float = 0.0) -> list[float]:
        """Give the beginnings of falls taken for shots so far that turn out to be none [s]; at the end of a record it was `span_s` long."""
        if span_s and not self._known and self._falls == len(self._strokes):
            if len(self._strokes) >= FEWEST and self._regular():
                self._begin()
            elif self._idle(span_s):
                self._drawn = self._due = [s.time_s for s in self._strokes if s.shot]
        due, self._due = self._due, []
        return due

    def doubts(self) -> list[str]:
        """Say, at the end, what was taken for a timer's, and what may have been but comes too seldom to tell."""
        if self.count:
            return [
                f"{self.count} falls came alone and alike every {significant(self.period_s, 3)} s. No person works so by the clock: "
                "they are told as air draws, as of a dryer that switches or a drain on a timer. If a tool was fired by a timer, mark its "
                "shots by hand."
            ]
        if self._drawn:
            return [
                f"{falls_at(self._drawn).capitalize()} may have been a shot far from the sensor, but there is nothing else in all this "
                "time, or one is far deeper than another. It counts as an air draw. Add it by hand where it was a shot."
            ]
        lone = [s.time_s for s in self._strokes if s.shot]
        if lone and self._falls == len(self._strokes) < FEWEST:
            return [
                f"Whether {falls_at(lone)} was a shot far from the sensor, or a dryer that switched or a drain that opened, cannot be told "
                "from so few. Record more of the work, or with the sensor at the tool."
            ]
        return []

    def _regular(self) -> bool:
        times, dips = [s.time_s for s in self._strokes], [s.dip_pa for s in self._strokes]
        period = (times[-1] - times[0]) / (len(times) - 1)
        off = max(abs(at - times[0] - k * period) for k, at in enumerate(times))
        return period > SHORTEST_S and off < WITHIN_S + WITHIN * period and max(dips) < ALIKE * min(dips)

    def _idle(self, span_s: float) -> bool:
        """Whether the lone falls of a record, which are all there is, are no work."""
        dips = [s.dip_pa for s in self._strokes]
        return bool(dips) and (max(dips) > ALIKE * min(dips) or span_s / len(dips) > QUIET_S)

    def _begin(self) -> None:
        self._due = [s.time_s for s in self._strokes if s.shot]
        self.count += len(self._strokes)
        self.period_s = (self._strokes[-1].time_s - self._strokes[0].time_s) / (len(self._strokes) - 1)
        self._known = True

    def _in_time(self, stroke: _Stroke) -> bool:
        """Whether a fall comes when the timer strikes, and as deep."""
        known = self._strokes[-1]
        since = stroke.time_s - known.time_s
        k = round(since / self.period_s)
        if k > MISSED:
            self._strokes.clear()
            self._known = False
        elif k and abs(since - k * self.period_s) < WITHIN_S + WITHIN * since and 1.0 / ALIKE < stroke.dip_pa / known.dip_pa < ALIKE:
            self._strokes.append(stroke)
            self.count += 1
            self.period_s += (since / k - self.period_s) / min(self.count, 10)
            return True
        return False
