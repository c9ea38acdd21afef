"""Tools that draw air in strokes, as a jigsaw or a hammer does, faster than any tool is fired."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from analysis.constants import ATMOSPHERE_ABS_PA
from analysis.measures import Fall
from analysis.pump_ripple import MOST_RIPPLE

Floats = NDArray[np.float64]

STROKE_S, STROKES, STROKE_SHARE = 0.09, 4, 0.4  # no tool is fired more often than so soon and so many times, by falls of this share of one


class Strokes:
    """The last falls of the narrowest scale."""

    def __init__(self) -> None:
        self._last: deque[tuple[float, float]] = deque(maxlen=2 * STROKES)  # times [s] and sizes [Pa]

    def note(self, mark: Floats) -> None:
        """Learn from a mark, of whatever scale, in order of time."""
        if mark[1] == 0:
            self._last.append((float(mark[3]), float(mark[4])))

    def hammer(self, fall: Fall, ahead: Iterable[Floats]) -> bool:
        """Whether a fall is one stroke of many, by the marks so far and those ahead of it."""
        marks = (*self._last, *((float(mark[3]), float(mark[4])) for mark in ahead if mark[1] == 0))
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
