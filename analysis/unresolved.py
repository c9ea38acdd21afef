"""Shots that cannot be told one by one, as they follow each other too fast for where the sensor sits: their falls merge.

It shows in three ways: some of those told are hardly apart though each falls slowly; the line sinks between two by more than they took; and
what was taken for air drawn falls by several dips, as fast as a tool is fired.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from analysis.events import SAME_FALL_S
from analysis.measures import Fall
from analysis.record import Event, Shot, times_named

QUICK_S, SLOW_FALL_S = 0.18, 0.05  # apart, of falls that take longer than the other: they merge
QUICK = 6  # of them are worth a word: of shots fired 6 to 8 times a second on receivers, drawn by chance, a third is missed
TOGETHER_S = 3.0  # from one shot told to the next, of a stretch of quick work
BELOW, SUNK = 0.25, 2.0  # usual dips that the next begins below where the last was lowest, and of them in all that are worth a word
# Where a fall takes longer than this, those of a burst melt into a slope; of such a slope the dips, at least, and those in a second: tools
# are fired up to 8 times in one; common practice, no source.
MERGED_S, DIPS, DIPS_PER_S = 0.1, 2.0, (2.0, 9.0)


def unresolved(shots: Sequence[Shot], events: Sequence[Event], fall_s: float, drawn: Sequence[Fall] = ()) -> list[str]:
    """Say that shots are missing between those told, and what to do.

    Parameters
    ----------
    shots : sequence of Shot
        In the order of time.
    events : sequence of Event
        Where one of them but a pump's lies between two shots, it has told what the line sinks by.
    fall_s : float
        How long a fall usually takes [s].
    drawn : sequence of Fall
        Falls that were taken for the beginning of an event, as far as they were in view.
    """
    if len(shots) < 2:
        return []
    dip_pa = float(np.median([s.dip_pa for s in shots]))
    return [*_missing(shots, events, fall_s, dip_pa), *_bursts(events, fall_s, dip_pa, drawn)]


def _bursts(events: Sequence[Event], fall_s: float, dip_pa: float, drawn: Sequence[Fall]) -> list[str]:
    """Say which air drawn may be bursts."""
    air_s = [e.time_s for e in events if e.kind == "air draw"]
    least, most = (per_s * dip_pa for per_s in DIPS_PER_S)
    steep = [f.time_s for f in drawn if f.dip_pa > DIPS * dip_pa and least < f.dip_pa / max(f.minimum_s - f.time_s, 1e-3) < most]
    like_s = [s for s in steep if any(abs(s - air) < SAME_FALL_S for air in air_s)]
    if fall_s < MERGED_S or not like_s:
        return []
    times = times_named(like_s)
    return [
        f"What counts as air drawn at {times} may be bursts, of which no shot is counted: the line falls by several usual dips, as fast as "
        "tools are fired, and where this sensor sits such shots melt into one slope. To count them, record with the sensor at the tool."
    ]


def _missing(shots: Sequence[Shot], events: Sequence[Event], fall_s: float, dip_pa: float) -> list[str]:
    """Say that shots are missing between those told."""
    quick_s, sunk_s, sunk = [], [], 0.0
    for last, following in pairwise(shots):
        since_s = following.time_s - last.time_s
        if fall_s > SLOW_FALL_S and since_s < QUICK_S:
            quick_s.append(last.time_s)
        told = any(e.time_s < following.time_s and e.until_s > last.time_s for e in events if not e.kind.startswith("pump"))
        share = (last.minimum_pa - following.before_pa) / dip_pa
        if since_s < TOGETHER_S and share > BELOW and not told:
            sunk_s.append(last.time_s)
            sunk += share
    if len(quick_s) < QUICK and sunk < SUNK:
        return []
    signs = [f"{len(quick_s)} of those told are less than {QUICK_S:g} s apart"] if quick_s else []
    signs += [f"at {len(sunk_s)} places the line sinks by more than those told took"] if sunk_s else []
    return [
        f"Shots are likely missing from {min(quick_s + sunk_s):.1f} s on: they follow each other too quickly for where this sensor sits, "
        f"and their falls merge ({', '.join(signs)}); or air was drawn beside them. To count them, record with the sensor at the tool."
    ]
