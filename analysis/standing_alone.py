"""Telling which shots nothing else in a record vouches for: each may as well have been a tool plugged in, or a puff of a blow gun.

One fall says little of what it was; others of the line do. A tool takes the same air each time that it fires, which the hand on a blow gun
does not, nobody plugs in one tool again and again, and no hand blows as fast as a tool fires. So enough shots that go as deep and draw as
much air vouch for a shot, or the burst that it belongs to. What stands alone still counts as a shot, and is said to be doubtful.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from analysis.events import SAME_FALL_S
from analysis.measures import Fall
from analysis.plugged import PAUSE_S, RESTED_S, TELLS_HZ, air_drawn
from analysis.record import BURST_S, Event, Kind, Shot, bursts
from analysis.units import significant

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

# So many others like a shot vouch for it; one that is fired sooner than a tool can be changed, and the first of a burst, are worth so many.
ENOUGH, BY_THE_PACE, BY_A_BURST = 5, 2, 3
# How far shots of one tool differ in depth, as a share of absolute pressure, and in the air that they draw, in logarithms: at least, at
# most, and between these so many times as the record's own do.
DEPTH, AIR, SPREADS = (0.08, 0.3), (0.15, 0.5), 4.0
DEVIATIONS = 1.48  # median ones in a standard one
SPREAD_OF = 12  # shots at least show how far they differ; of fewer, those that are none would
NEAREST = 32  # shots in the order of depth are compared with so many on either side
OTHERS: frozenset[Kind] = frozenset({"connected", "disconnected", "air draw", "gap"})  # what a line has to come back from, too
NAMED = 6  # times in one sentence


class Company:
    """Keep how deep each fall went that was taken for a shot, and what air it drew; tell at the end which shots have no company.

    A few bytes for each shot, which is kept anyway.
    """

    def __init__(self) -> None:
        self._falls: list[tuple[float, float, float]] = []  # time [s], logarithms of depth and air

    def add(self, fall: Fall, t: Floats, p: Floats) -> None:
        """Keep a fall in these readings."""
        depth = math.log(max(fall.dip_pa, 1.0) / fall.before_abs_pa)
        self._falls.append((fall.time_s, depth, air_drawn(fall, t, p)[0]))

    def doubted(self, shots: Sequence[Shot], events: Sequence[Event], also_s: Sequence[float]) -> tuple[Shot, ...]:
        """Mark the shots of a record, in order of time, that may have been something else; `also_s` are those in doubt anyway [s]."""
        if not shots:
            return ()
        time_s = np.array([s.time_s for s in shots])
        falls = np.array(sorted(self._falls))
        _, depth, air = falls[np.rint(np.interp(time_s, falls[:, 0], np.arange(len(falls)))).astype(int)].T
        burst, first = _bursts(time_s)
        since_s = _since(time_s, events)
        back = np.array([True, *(s.outcome == "recovered" for s in shots[:-1])])  # the line, from the shot before
        lone = ((since_s > RESTED_S) | ((since_s > BURST_S) & back)) & ~burst
        known = lone | first
        worth = np.where(first, BY_A_BURST, np.where(since_s < PAUSE_S, BY_THE_PACE, 1))
        lone &= _vouched(depth, air, worth, _differ(depth[known], *DEPTH), _differ(air[known], *AIR)) < ENOUGH
        for at_s in also_s:
            lone |= np.abs(time_s - at_s) < SAME_FALL_S
        return tuple(replace(s, doubtful=True) if alone else s for s, alone in zip(shots, lone.tolist(), strict=True))


def doubts(shots: Sequence[Shot], rate_hz: float) -> list[str]:
    """Say which shots are doubtful, why, and what to do."""
    times = [f"{s.time_s:.1f}" for s in shots if s.doubtful]
    if not times:
        return []
    where = ", ".join(times[:NAMED]) + (f" s and {len(times) - NAMED} more" if len(times) > NAMED else " s")
    which = "The only shot" if len(shots) == 1 else f"{len(times)} of {len(shots)} shots"
    one = len(times) == 1
    stand, them, each, count = ("stands", "it", "it", "it counts as a shot") if one else ("stand", "them", "each", "they count as shots")
    log = f", and log at least {TELLS_HZ:g} readings a second" if round(rate_hz) < TELLS_HZ else ""
    return [
        f"{which} (at {where}) {stand} alone: no burst, and too few others that begin, dip and draw air alike, vouch for {them}. At "
        f"{significant(rate_hz, 3)} readings a second {each} may as well have been a tool that was plugged in, or a puff of a blow gun; "
        f"{count}. Mark “not a shot” on the Shots page what was none. Next time fire a few bursts{log}: they show what a shot looks like."
    ]


def _bursts(time_s: Floats) -> tuple[Flags, Flags]:
    """Which shots belong to a burst, and which begin one."""
    burst, first = np.zeros((2, time_s.size), dtype=bool)
    for run in bursts(time_s):
        burst[run], first[run[0]] = True, True
    return burst, first


def _since(time_s: Floats, events: Sequence[Event]) -> Floats:
    """Time since the shot or other fall before each shot [s]."""
    others_s = np.array([-np.inf, *(e.time_s for e in events if e.kind in OTHERS)])
    since_s: Floats = time_s - np.maximum(np.concatenate([[-np.inf], time_s[:-1]]), others_s[np.searchsorted(others_s, time_s) - 1])
    return since_s


def _differ(measure: Floats, least: float, most: float) -> float:
    """How far shots of one tool differ in a measure."""
    known = measure[np.isfinite(measure)]
    if known.size < SPREAD_OF:
        return least
    return min(max(SPREADS * DEVIATIONS * float(np.median(np.abs(known - np.median(known)))), least), most)


def _vouched(depth: Floats, air: Floats, worth: NDArray[np.int_], deeper: float, more: float) -> NDArray[np.int_]:
    """How much the others that are alike are worth for each shot; the air counts where it is known of both."""
    order = np.argsort(depth)
    depth, air, worth = depth[order], air[order], worth[order]
    company = np.zeros(depth.size, dtype=int)
    for k in range(1, min(NEAREST, depth.size - 1) + 1):
        alike = (depth[k:] - depth[:-k] < deeper) & ~(np.abs(air[k:] - air[:-k]) > more)
        company[k:] += alike * worth[:-k]
        company[:-k] += alike * worth[k:]
    return company[np.argsort(order)]
