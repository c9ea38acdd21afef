"""Telling a tool that is plugged in, whose chamber fills at once, from a shot, whose valve takes milliseconds to open.

A chamber that fills makes the pressure jump, and then fall on slowly; a shot's fall is rounded, and how fast it is depends on the line, the
tool and the sensor. Each fall is fitted with both, and what the fits say is weighed over the record: its shots are alike, and where the
line had come to rest as deep as each other and draw as much air, those of another tool come in a row, a tool is changed in a pause and then
used, and its empty chamber draws more air than a shot. A coupler that is pushed on slowly rounds the fall as a valve does: then, near the
tool, only how deep it goes and what it draws tell it, once the usual shots are known. How many falls differ, the record shows. One in which
nobody works has no shot at all: a few falls with minutes to each are tools. A shot that is not counted does more harm than a tool that is
counted as one: else what is not told for sure is a shot.

A single fall tells little: how long it lasts and how deep it goes depend on couplers, hoses and tools far more than on what it was. With
all of it, classifiers trained on hundreds of simulated lines take a quarter of the falls on other lines for the wrong kind at 50 readings a
second, an eighth at 200 and a tenth at 1000. It is other falls of the same line that tell.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from analysis.measures import Fall
from analysis.plug_shape import USUAL, likelihoods, mean_of
from analysis.record import falls_at
from analysis.stretch import position
from analysis.units import significant

Floats = NDArray[np.float64]

PLUG_SIGMA = 12.0  # in more noise than this the shape of a fall is not seen
LEAST_LOW_S = 0.04  # no chamber fills, and the hose behind it, in less
PAUSE_S, SOON_S = 8.0, 1.0  # nobody changes a tool faster, nor fires it sooner
RESTED_S = 2.0  # since the fall before: the line has come back
# What is known before, as if from so many falls: shares of a line's shots that fall otherwise than its usual ones, and of falls after a
# pause that are a tool. The other falls of the record add to it; what they are is known better in each round.
ODD_TOOL, PLUGGED, PRIOR, ROUNDS = 0.2, 0.3, 2.0, 4
DEVIATIONS, AS_MANY = 1.48, 4.0  # median ones in a standard one; what is usual of all lines counts like so many falls of this one
SMALLER = 0.05  # share of the tools plugged in that are smaller than those in use
# What air a fall draws shows by the area of what lies below this share of its dip, within this time; the rest may ring.
LOW_SHARE, DRAWS_S = 0.25, 0.6
# So few falls, all after pauses, may be a record without a shot. Its odds are these for a short one, and grow by 1 with each so long for
# each: somebody who works lets a minute pass between lone shots, not many. What is plugged in there again and again is one and the same
# tool in so many cases.
FEW, SHORTEST, QUIET_S, SAME_TOOL = 5, 0.4, 45.0, 0.5
ODD_AMONG_FEW = 0.05  # another tool is fired there only after it was plugged in, which is a fall as well
SURE = 0.75  # chance from which on a tool is claimed
DOUBTFUL = (0.4, 0.95)  # chances between which that is said to be uncertain
TELLING = 3.0  # in logarithms: a shape that fits a tool by so much better tells by itself
FAR_OFF = 4.0  # in logarithms: what fits a shot by so much better is one
TELLS_HZ = 200.0  # more readings a second tell hardly more
FEWEST, KNOWN = 6, 15  # falls that show how this line's shots begin; and at most so many are weighed together
FEWEST_SHOTS, FOLLOWING = 3, 2  # of them that are surely none; and of a burst after a pause so many more are kept, once `FEWEST` are known


@dataclass(frozen=True, slots=True, kw_only=True)
class _Repeats:
    """How far a measure of falls varies, in logarithms: among one tool's shots on most lines; from these to an empty chamber, which is
    hardly ever less but where its coupler is pushed on slowly, mostly more; and to what else makes a fall. By the line model and others.
    """

    usual: float
    less: float
    more: float
    unlike: float


DEPTH = _Repeats(usual=0.05, less=0.15, more=0.4, unlike=0.35)  # as a share of absolute pressure
AIR = _Repeats(usual=0.1, less=0.1, more=0.6, unlike=0.55)  # as area over absolute pressure


@dataclass(frozen=True, slots=True, eq=False)
class _Seen:
    """One fall: when it began, was lowest and had regained most of its dip [s], logarithms of the likelihoods of shots of each width and
    of a tool, whether it came in a pause, and logarithms of its depth and of the area of its dip [s] as shares of absolute pressure, NaN
    where the line may not have been at rest.
    """

    time_s: float
    until_s: float
    over_s: float
    shot: Floats
    tool: float
    may: bool
    depth: float
    air: float

    @property
    def told(self) -> float:
        """By how much, in logarithms, its shape is more like a tool's."""
        return self.tool - float(np.logaddexp.reduce(self.shot + USUAL))


class PlugWatch:
    """Hold each fall against the line's other falls; one that comes before enough of them is doubtful until they are known."""

    def __init__(self) -> None:
        self._seen: deque[_Seen] = deque(maxlen=KNOWN)
        self._last_s = -math.inf
        self._since, self._following = 0, 0  # falls since a pause that the line was at rest before, and others
        self._unused = False  # the last fall was a tool plugged in: nobody plugs in another before it has fired
        self._weighed: tuple[_Seen, ...] = ()  # those of which none is known to be a tool
        self._guessed: list[float] = []  # told as a tool, though not for certain [s]
        self._doubted: list[float] = []  # left as a shot, though not for certain [s]

    def plugged(self, fall: Fall, noise_pa: float, t: Floats, p: Floats, first_s: float) -> bool:
        """Whether this fall in these readings is surely a tool that was plugged in; else it is remembered as one that may be a shot.

        The record begins at `first_s`: what was before that was no pause that anybody saw.
        """
        since_s, self._last_s = fall.time_s - max(self._last_s, first_s), fall.time_s
        if self._seen and fall.time_s - self._seen[-1].time_s < SOON_S:
            last = replace(self._seen[-1], may=False)
            self._seen[-1] = last if fall.time_s > last.over_s else replace(last, air=math.nan)
        may = since_s > PAUSE_S and not self._unused and stays_low(fall, noise_pa)
        self._unused = False
        rested = since_s > RESTED_S
        self._since = 0 if may else self._since + rested
        self._following = 0 if may else self._following + (not rested)
        crowds = not rested and self._following > FOLLOWING and sum(not seen.may for seen in self._seen) >= FEWEST
        if self._since > FEWEST or crowds:
            return False  # how this line's shots begin is known
        if len(self._seen) == KNOWN and self._seen[KNOWN // 2].may:  # it was weighed with what came before and after it
            self._leave(KNOWN // 2)
        shot, tool = likelihoods(fall, noise_pa, t, p)
        depth = math.log(fall.dip_pa / fall.before_abs_pa) if rested else math.nan
        air, over_s = air_drawn(fall, t, p) if rested else (math.nan, math.inf)
        self._seen.append(_Seen(fall.time_s, fall.minimum_s, over_s, shot, tool, may, depth, air))
        chance = float(self._chances()[-1]) if may and len(self._seen) > FEWEST else 0.0
        if chance < DOUBTFUL[1] or self._seen[-1].told < TELLING:
            return False  # what follows may tell more
        self._take_out(self._seen[-1], chance)
        return True

    def settle(self, span_s: float = 0.0) -> list[tuple[float, float]]:
        """Give the falls taken for shots that turn out to have been a tool plugged in: when each began and was lowest [s].

        At the end of a record `span_s` says how long it was [s]; before, too few falls tell nothing yet.
        """
        if not span_s and (len(self._seen) <= FEWEST or self._weighed == tuple(self._seen)):
            return []
        newest = None if span_s else self._seen[-1]  # what follows may tell more
        each = zip(self._seen, self._chances(span_s).tolist(), strict=True)
        plugs = [(seen, chance) for seen, chance in each if chance >= SURE and seen is not newest]
        for seen, chance in reversed(plugs):
            self._take_out(seen, chance)
        self._weighed = () if plugs else tuple(self._seen)
        return [(seen.time_s, seen.until_s) for seen, _ in plugs]

    def left(self, span_s: float) -> list[float]:
        """Give, at the end of a record of so long, the falls left as shots that may as well have been a tool plugged in [s]."""
        each = zip(self._seen, self._chances(span_s), strict=True)
        return [*self._doubted, *(seen.time_s for seen, chance in each if chance > DOUBTFUL[0])]

    def doubts(self, rate_hz: float) -> list[str]:
        """Say, at the end of a record, which falls taken for a tool plugged in may have been a shot, and what to do."""
        if not self._guessed:
            return []
        log = f"Log at least {TELLS_HZ:g} a second, or add" if round(rate_hz) < TELLS_HZ else "Add"
        return [
            f"Whether {falls_at(sorted(self._guessed))} was a shot or a tool that was plugged in cannot be told for certain at "
            f"{significant(rate_hz, 3)} readings a second; it counts as a tool, as is more likely. {log} it by hand where it was a shot."
        ]

    def _leave(self, i: int) -> None:
        """Leave a fall, which is not weighed again, as a shot."""
        if self._chances()[i] > DOUBTFUL[0]:
            self._doubted.append(self._seen[i].time_s)
        self._seen[i] = replace(self._seen[i], may=False)

    def _take_out(self, seen: _Seen, chance: float) -> None:
        """Take a fall for a tool plugged in."""
        if chance < DOUBTFUL[1] or seen.told < TELLING:
            self._guessed.append(seen.time_s)
        next_one = self._seen.index(seen) + 1
        self._unused = next_one == len(self._seen)
        if not self._unused:
            self._seen[next_one] = replace(self._seen[next_one], may=False)
        self._seen.remove(seen)

    def _chances(self, span_s: float = 0.0) -> Floats:
        """Probability of each fall that it was a tool plugged in; at the end of a record, of `span_s`, also by how little that shows."""
        known = sum(not seen.may for seen in self._seen) >= FEWEST_SHOTS
        if not any(seen.may and (known or seen.tool > seen.shot.max() - FAR_OFF) for seen in self._seen):
            return np.zeros(len(self._seen))
        may, tool = np.array([seen.may for seen in self._seen]), np.array([seen.tool for seen in self._seen])
        shot = np.array([seen.shot for seen in self._seen])
        if known:  # falls that cannot be tools show how far this line's shots look like one
            tool = tool - max(float(np.median([seen.told for seen in self._seen if not seen.may])), 0.0)
            # A coupler that is pushed on slowly, or the sensor, rounds a tool's fall as a valve does a shot's: depth and air tell it.
            tool = _either(tool, mean_of(shot))
        alike, another, more, unlike = self._repeats()
        # Where the line's shots have a width, each has that or a neighbour, and their depth; one of another tool has any.
        narrower, wider = shot[:, [0, *range(shot.shape[1] - 1)]], shot[:, [*range(1, shot.shape[1]), -1]]
        own = np.logaddexp(np.logaddexp(narrower, shot), wider) - math.log(3.0) + alike[:, None]
        other = (_either(np.logaddexp.reduce(shot + USUAL, axis=1), mean_of(shot)) + another)[:, None]
        few = span_s > 0.0 and bool(may.all()) and may.size <= FEW
        other_tool = ODD_AMONG_FEW if few else ODD_TOOL
        odd, plugged = np.full(may.size, other_tool), np.full(may.size, PLUGGED)
        for _ in range(ROUNDS):
            as_odd = np.log((1.0 - plugged * may) * odd)[:, None] + other
            as_shot = np.logaddexp(np.log((1.0 - plugged * may) * (1.0 - odd))[:, None] + own, as_odd)
            as_tool = np.where(may, np.log(plugged) + tool + more, -np.inf)[:, None]
            either = np.logaddexp(as_shot, as_tool)
            record = either.sum(axis=0) + USUAL
            working = float(np.logaddexp.reduce(record))
            share = np.exp(record - working)
            chances, differs = np.exp(as_tool - either) @ share, np.exp(as_odd - either) @ share
            plugged = (PRIOR * PLUGGED + chances.sum() - chances) / (PRIOR + may.sum() - may)
            odd = (PRIOR * other_tool + differs.sum() - differs) / (PRIOR + may.size - 1.0)
        if few:
            odds = SHORTEST + span_s / may.size / QUIET_S
            resting = tool + np.logaddexp(math.log(SAME_TOOL) + alike, math.log(1.0 - SAME_TOOL) + unlike)
            idle = odds / (odds + math.exp(min(working - float(resting.sum()), 500.0)))
            chances = idle + (1.0 - idle) * chances
        return np.asarray(chances)

    def _repeats(self) -> tuple[Floats, Floats, Floats, Floats]:
        """Logarithms of how likely each fall's depth and length are among the others': for a shot as the others are, for one of another
        tool, which is as those beside it or differs from all, for a tool plugged in, and for anything.
        """
        n = len(self._seen)
        alike, more, unlike, beside = np.zeros((4, n))
        for measure, by in (([seen.depth for seen in self._seen], DEPTH), ([seen.air for seen in self._seen], AIR)):
            known = np.flatnonzero(np.isfinite(measure))
            if known.size < min(0.5 * n, FEWEST):
                continue  # what is usual does not show
            off = np.array(measure)[known]
            off -= np.median(off)
            here = DEVIATIONS * float(np.median(np.abs(off))) if known.size >= FEWEST else by.usual
            varies = math.sqrt((AS_MANY * by.usual**2 + known.size * here**2) / (AS_MANY + known.size))
            apart = np.concatenate([[np.inf], np.abs(np.diff(off)), [np.inf]])
            alike[known] += _normal(off, varies)
            more[known] += -0.5 * (off / np.where(off > 0.0, by.more, by.less)) ** 2 - math.log(0.5 * (by.more + by.less))
            unlike[known] += _normal(off, by.unlike)
            beside[known] += _normal(np.minimum(apart[1:], apart[:-1]), by.usual)
        more = np.logaddexp(more + math.log(1.0 - SMALLER), unlike + math.log(SMALLER))
        return alike, _either(unlike, beside), more, unlike


def _normal(off: Floats, spread: float) -> Floats:
    """Logarithm of the density of a normal distribution, but for a constant."""
    return -0.5 * (off / spread) ** 2 - math.log(spread)


def _either(one: Floats, other: Floats) -> Floats:
    """Logarithm of the mean of two likelihoods."""
    mean: Floats = np.logaddexp(one, other) - math.log(2.0)
    return mean


def air_drawn(fall: Fall, t: Floats, p: Floats) -> tuple[float, float]:
    """Logarithm of the area of a dip as a share of absolute pressure [s], which goes by the air drawn, and when it is over [s]; NaN where
    that is not seen.
    """
    a, z = position(t, fall.time_s), position(t, fall.time_s + DRAWS_S)
    low = fall.before_pa - p[a:z] - LOW_SHARE * fall.dip_pa
    back = np.flatnonzero((low < 0.0) & (t[a:z] > fall.minimum_s))
    if not back.size:
        return math.nan, math.inf
    z = int(back[0]) + 1
    low = np.maximum(low[:z], 0.0)
    area = float(np.sum(0.5 * (low[1:] + low[:-1]) * np.diff(t[a : a + z])))
    return math.log(area / fall.before_abs_pa) if area > 0.0 else math.nan, float(t[a + z - 1])


def stays_low(fall: Fall, noise_pa: float) -> bool:
    """Whether a fall stands out of the noise and lasts, as one of a chamber that fills does."""
    return fall.dip_pa > PLUG_SIGMA * noise_pa and fall.low_s > LEAST_LOW_S
