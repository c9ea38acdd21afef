"""Shots that cannot be told one by one, as they follow each other too fast for where the sensor sits: their falls merge.

It shows in two ways: some of those told are hardly apart though each falls slowly; and the line sinks between two by more than they took.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from analysis.record import Event, Shot

QUICK_S, SLOW_FALL_S = 0.18, 0.05  # apart, of falls that take longer than the other: they merge
QUICK = 6  # of them are worth a word: of shots fired 6 to 8 times a second on receivers, drawn by chance, a third is missed
TOGETHER_S = 3.0  # from one shot told to the next, of a stretch of quick work
BELOW, SUNK = 0.25, 2.0  # usual dips that the next begins below where the last was lowest, and of them in all that are worth a word


def unresolved(shots: Sequence[Shot], events: Sequence[Event], fall_s: float) -> list[str]:
    """Say that shots are missing between those told, and what to do.

    Parameters
    ----------
    shots : sequence of Shot
        In the order of time.
    events : sequence of Event
        Where one of them but a pump's lies between two shots, it has told what the line sinks by.
    fall_s : float
        How long a fall usually takes [s].
    """
    if len(shots) < 2:
        return []
    dip_pa = float(np.median([s.dip_pa for s in shots]))
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
