"""Echoes of shots: the wave of a shot runs to the other end of the hose and comes back, as a second fall at the same time after each.

A regulator that has shut, or a check valve, is a closed end, which sends a fall back as a fall. A wide hose hardly damps it: at the end of
36 m of 13 mm it comes after twice that at the speed of sound, 0.21 s and what the valves take, and half as deep. A hand is never so even.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

import numpy as np

from analysis.measures import Fall
from analysis.units import significant

LATEST_S = 0.6  # after a shot, that an echo comes: there and back along 100 m
DEPTHS = 0.2, 0.75  # of the shot's dip, that an echo may have; a second shot of a burst is deeper
# A shot stands alone that follows none as deep so soon, and no fall at all so soon, and whose second fall no shot follows so soon.
BEFORE_S, NO_FALL_S, AFTER_S = 1.0, 0.5, 0.5
ALIKE_S, ALIKE = 0.006, 0.03  # echoes come within so long of each other, or within such a share of the time they take,
STEP_SHARE = 0.6  # or of the time from one reading to the next
# The last second falls of shots that stood alone: how many are looked at, and how many and which share of them are alike; and which share
# still are of an echo that is known.
KNOWN, FEWEST, MOSTLY, STILL = 12, 5, 0.7, 0.4
TWICE = 1.5  # an echo that is told is as even, times this,
LESS, MORE, DEEPEST = 0.5, 1.6, 0.9  # and so many times as deep as usual; a shot fired into one is deeper than another
FALLS, SHOTS = 32, 256  # remembered: falls to look for echoes in, and shots that may turn out to be some


@dataclass(frozen=True, slots=True)
class _Echo:
    """After which time [s], and how deep as a share of the shot's dip."""

    after_s: float
    share: float


class Echoes:
    """Learns from shots that stand alone whether they have an echo, and tells falls that are one."""

    def __init__(self) -> None:
        self._falls: deque[tuple[float, float]] = deque(maxlen=FALLS)  # time [s] and dip [Pa] of what may be a shot or an echo
        self._shots: deque[tuple[float, float]] = deque(maxlen=SHOTS)  # and of shots and their echoes,
        self._new: deque[tuple[float, float]] = deque(maxlen=FALLS)  # of which these are not looked at yet
        self._seen: deque[_Echo] = deque(maxlen=KNOWN)
        self._echo: _Echo | None = None
        self._told = 0

    def note(self, fall: Fall, step_s: float) -> list[float]:
        """Take note of a fall that may be a shot or an echo.

        Returns
        -------
        list of float
            Times of falls before that are known as echoes by now, where they were not [s].
        """
        if self._falls and fall.time_s <= self._falls[-1][0]:
            return []
        self._falls.append((fall.time_s, fall.dip_pa))
        self._look(fall.time_s)
        known, self._echo = self._echo, self._usual(step_s)
        if known is not None or self._echo is None:
            return []
        return [time_s for time_s, dip_pa in self._shots if self._is_one(time_s, dip_pa, step_s)]

    def shot(self, fall: Fall) -> None:
        """Take note of a fall that was taken for a shot."""
        for shots in (self._shots, self._new):
            shots.append((fall.time_s, fall.dip_pa))

    def heard(self, fall: Fall, step_s: float) -> bool:
        """Whether a fall is the echo of a shot."""
        if not self._is_one(fall.time_s, fall.dip_pa, step_s):
            return False
        self._shots.append((fall.time_s, fall.dip_pa))  # which has an echo too
        self._told += 1
        return True

    def _look(self, now_s: float) -> None:
        """See which shots that stand alone had an echo."""
        while self._new and now_s > self._new[0][0] + LATEST_S + AFTER_S:
            time_s, dip_pa = self._new.popleft()
            before = [(time_s - t, d / dip_pa) for t, d in self._falls if t < time_s]
            if any(s < NO_FALL_S or (s < BEFORE_S and d > DEPTHS[1]) for s, d in before):
                continue
            after = [(t - time_s, d / dip_pa) for t, d in self._falls if time_s < t < time_s + LATEST_S + AFTER_S]
            echo = next((_Echo(t, d) for t, d in after if t < LATEST_S and d > DEPTHS[0]), None)
            until_s = AFTER_S + (echo.after_s if echo else LATEST_S)
            if any(d > DEPTHS[1] and t < until_s for t, d in after):
                continue  # a burst
            if echo is not None:
                self._seen.append(echo)

    def _usual(self, step_s: float) -> _Echo | None:
        """The echo that shots of this line have, if they have one."""
        if len(self._seen) < FEWEST:
            return None
        after_s = float(np.median([e.after_s for e in self._seen]))
        alike = [e for e in self._seen if abs(e.after_s - after_s) < self._within_s(after_s, step_s)]
        if len(alike) < max(FEWEST, (STILL if self._echo else MOSTLY) * len(self._seen)):
            return None
        return _Echo(after_s, float(np.median([e.share for e in alike])))

    def _within_s(self, after_s: float, step_s: float) -> float:
        return max(ALIKE_S, ALIKE * after_s, STEP_SHARE * step_s)

    def _is_one(self, time_s: float, dip_pa: float, step_s: float) -> bool:
        echo = self._echo
        if echo is None:
            return False
        within_s = TWICE * self._within_s(echo.after_s, step_s)
        deepest = min(MORE * echo.share, DEEPEST)
        for t, d in reversed(self._shots):
            if time_s - t > echo.after_s + within_s:
                return False
            if abs(time_s - t - echo.after_s) < within_s and LESS * echo.share < dip_pa / d < deepest:
                return True
        return False

    def doubts(self) -> list[str]:
        """Say that shots have an echo, and what to do."""
        if self._told < FEWEST or self._echo is None:
            return []
        return [
            f"Shots have an echo on this line: {self._told} falls that come {significant(self._echo.after_s, 2)} s after a shot, "
            f"{100.0 * self._echo.share:.0f} % as deep, as the wave runs to the other end of the hose and back, are not counted. A second "
            "shot fired just then is not seen if it is as small; look at the marks there."
        ]
