"""Telling which shots nothing else in a record vouches for: each may as well have been a tool plugged in, or a puff of a blow gun.

One fall says little of what it was; others of the line do. A tool takes the same air each time that it fires, which the hand on a blow gun
does not, nobody plugs in one tool again and again, and no hand blows as fast as a tool fires. So enough shots that go as deep and draw as
much air vouch for a shot, or the burst that it belongs to. What stands alone among others counts as a shot, and is said to be doubtful.
Somebody who works fires sooner or later again before a tool could have been changed. Where that never happens, a few falls are not counted:
that is said, and one of them that somebody marks as a shot brings all of them back.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from analysis.events import SAME_FALL_S
from analysis.measures import Fall
from analysis.plugged import PAUSE_S, QUIET_S, RESTED_S, TELLS_HZ, air_drawn, stays_low
from analysis.record import BURST_S, Event, Kind, Shot, ShotRecord, bursts
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
NAMED = 8  # times in one sentence
# Where no fall follows one within a pause that differs by less than this factor in depth, one or two are no work, nor are so many with so
# long to each.
FIRES_AGAIN, FEW, MOST = 2.0, 2, 8


class Company:
    """Keep how deep each fall went that was taken for a shot, and what air it drew; tell at the end which shots have no company.

    A few bytes for each shot, which is kept anyway.
    """

    def __init__(self) -> None:
        # Time [s], logarithms of depth and air, and until when a tool's chamber may have filled [s], NaN where it was none.
        self._falls: list[tuple[float, float, float, float]] = []

    def add(self, fall: Fall, noise_pa: float, t: Floats, p: Floats) -> None:
        """Keep a fall in these readings."""
        depth = math.log(max(fall.dip_pa, 1.0) / fall.before_abs_pa)
        until_s = fall.minimum_s if stays_low(fall, noise_pa) else math.nan
        self._falls.append((fall.time_s, depth, air_drawn(fall, t, p)[0], until_s))

    def doubted(self, shots: Sequence[Shot], events: Sequence[Event], also_s: Sequence[float]) -> tuple[Shot, ...]:
        """Mark the shots of a record, in order of time, that may have been something else; `also_s` are those in doubt anyway [s]."""
        if not shots:
            return ()
        time_s = np.array([s.time_s for s in shots])
        depth, air, _ = self._of(time_s)
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

    def idle(self, shots: Sequence[Shot], span_s: float) -> bool:
        """Whether nobody seems to have worked in a record of so long: none of its few shots is soon followed by one like it."""
        if not 0 < len(shots) <= MOST or (len(shots) > FEW and span_s < QUIET_S * len(shots)):
            return False
        time_s = np.array([s.time_s for s in shots])
        depth, _, _ = self._of(time_s)
        return not np.any((np.diff(time_s) < PAUSE_S) & (np.abs(np.diff(depth)) < math.log(FIRES_AGAIN)))

    def filled(self, shots: Sequence[Shot]) -> list[Event]:
        """Tell those of these falls that were deep and lasted as tools that were plugged in."""
        time_s = [s.time_s for s in shots]
        until_s = self._of(np.array(time_s))[2].tolist()
        return [Event(kind="connected", time_s=at, until_s=until) for at, until in zip(time_s, until_s, strict=True) if until > at]

    def _of(self, time_s: Floats) -> Floats:
        """Depth, air and end of the falls at these times [s], one row each."""
        falls = np.array(sorted(self._falls))
        of: Floats = falls[np.rint(np.interp(time_s, falls[:, 0], np.arange(len(falls)))).astype(int), 1:].T
        return of


def with_all(record: ShotRecord) -> ShotRecord:
    """Count what nothing vouches for as shots all the same, as doubtful ones: somebody knows that a tool was fired."""
    if not record.unvouched:
        return record
    away_s = {s.time_s for s in record.unvouched}
    shots = tuple(sorted((*record.shots, *(replace(s, doubtful=True) for s in record.unvouched)), key=lambda s: s.time_s))
    events = tuple(e for e in record.events if e.kind != "connected" or e.time_s not in away_s)
    said = uncounted(record.unvouched, record.rate_hz)
    warnings = (*(w for w in record.warnings if w not in said), *doubts(shots, record.rate_hz))
    return replace(record, shots=shots, events=events, warnings=warnings, unvouched=())


def uncounted(falls: Sequence[Shot], rate_hz: float) -> list[str]:
    """Say which falls are not counted as shots where nothing shows that anybody worked, and what to do."""
    if not falls:
        return []
    head, it, was, all_count = f"The {len(falls)} falls", "each", "any of them was", ", and all count"
    why = f"none follows one like it within {PAUSE_S:g} s"
    if len(falls) == 1:
        head, why, it, was, all_count = "The fall", "no other follows", "it", "it was", ""
    return [
        f"{head} at {_named(falls)} may be no {'shot' if len(falls) == 1 else 'shots'}: {why}, so {it} may as well have been a tool that "
        f"was plugged in, or a puff of a blow gun, and does not count as a shot. If {was} one, mark “A shot here” on the Shots page"
        f"{all_count}. {_next_time(rate_hz)}"
    ]


def doubts(shots: Sequence[Shot], rate_hz: float) -> list[str]:
    """Say which shots are doubtful, why, and what to do."""
    doubtful = [s for s in shots if s.doubtful]
    if not doubtful:
        return []
    which = "The only shot" if len(shots) == 1 else f"{len(doubtful)} of {len(shots)} shots"
    one = len(doubtful) == 1
    stand, them, each, count = ("stands", "it", "it", "it counts as a shot") if one else ("stand", "them", "each", "they count as shots")
    return [
        f"{which} (at {_named(doubtful)}) {stand} alone: no burst, and too few others that begin, dip and draw air alike, vouch for "
        f"{them}. At {significant(rate_hz, 3)} readings a second {each} may as well have been a tool that was plugged in, or a puff of a "
        f"blow gun; {count}. Mark “not a shot” on the Shots page what was none. {_next_time(rate_hz)}"
    ]


def _named(falls: Sequence[Shot]) -> str:
    """When falls were, in words."""
    times = [f"{s.time_s:.1f}" for s in falls]
    return ", ".join(times[:NAMED]) + (f" s and {len(times) - NAMED} more" if len(times) > NAMED else " s")


def _next_time(rate_hz: float) -> str:
    """What would have told."""
    log = f", and log at least {TELLS_HZ:g} readings a second" if round(rate_hz) < TELLS_HZ else ""
    return f"Next time fire a few bursts{log}: they show what a shot looks like."


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
