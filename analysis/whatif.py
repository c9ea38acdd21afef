"""What each improvement of a line would buy for a job: the pressure at which its shots start, the dip and the recovery of a shot."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from analysis.burst import Burst, Fired, check_floor, fire, single_shot
from analysis.line import Line
from analysis.line_check import PartCheck
from analysis.sizing import smallest
from analysis.variants import (
    COMMON_M3,
    Change,
    higher_setting,
    higher_switch,
    moved_receiver,
    moved_regulator,
    newly_at_risk,
    newly_broken,
    receivers,
    shorter_hose,
    wide_couplers,
    wider_hoses,
    with_receiver,
)

SAME_PA: Final = 2e3  # gains that differ by less are called the same; the next criterion sorts them
_USUAL_M3: Final = 0.024  # receiver whose place is tried where the line has none and no size that is sold holds the floor


@dataclass(frozen=True, slots=True, kw_only=True)
class Work:
    """How a line does a job: the burst, and one shot fired on the line at rest.

    Attributes
    ----------
    lowest_pa : float
        Lowest pressure just before a shot of the burst [Pa gauge].
    holds : bool
        Whether that stays above the floor.
    dip_pa, recovery_s : float
        Of a single shot [Pa; s]; NaN where the recovery takes longer than was followed.
    refilled_s : float
        From a single shot until the tool's chamber has regained 90 % of what it lost [s]; NaN likewise.
    back_s : float
        From the last shot of the burst until 90 % of the sag is regained [s]; NaN likewise.
    """

    lowest_pa: float
    holds: bool
    dip_pa: float
    recovery_s: float
    refilled_s: float
    back_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Improvement:
    """One change and what it buys.

    Attributes
    ----------
    change : Change
    work : Work
        How the changed line does the job.
    gain_pa : float
        By how much the lowest start rises [Pa]; negative where it falls.
    broken : tuple of PartCheck
        Parts that would see more than they are rated for in normal work: not to be done as it is.
    at_risk : tuple of PartCheck
        Parts that would when a regulator fails open, or whose rating is not known.
    """

    change: Change
    work: Work
    gain_pa: float
    broken: tuple[PartCheck, ...]
    at_risk: tuple[PartCheck, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class WhatIf:
    """The line as it is, and the improvements, those that buy most first and those that break a rating last."""

    burst: Burst
    now: Work
    improvements: tuple[Improvement, ...]


def what_if(line: Line, *, shots: int, every_s: float, floor_pa: float) -> WhatIf:
    """Try every improvement of a line on a job.

    Parameters
    ----------
    line : Line
    shots, every_s, floor_pa : int, float, float
        The burst, the time from shot to shot [s] and the lowest pressure at which a shot may start [Pa gauge].

    Raises
    ------
    ValueError
        If there can be no such burst, or the floor lies above what the line holds at rest.
    """
    burst = Burst(shots=shots, every_s=every_s, floor_pa=floor_pa)
    check_floor(line, burst)
    now = _work(line, burst)
    found = []
    for change in _changes(line, burst):
        work = _work(change.line, burst)
        found.append(
            Improvement(
                change=change,
                work=work,
                gain_pa=work.lowest_pa - now.lowest_pa,
                broken=newly_broken(line, change.line),
                at_risk=newly_at_risk(line, change.line),
            )
        )
    found.sort(key=lambda x: (bool(x.broken), -round(x.gain_pa / SAME_PA), round(x.work.dip_pa / SAME_PA), x.work.refilled_s))
    return WhatIf(burst=burst, now=now, improvements=tuple(found))


def _changes(line: Line, burst: Burst) -> Iterator[Change]:
    volume = _moved_volume(line, burst)
    yield from receivers(line)
    yield from wider_hoses(line)
    yield from shorter_hose(line)
    yield from wide_couplers(line)
    yield from higher_switch(line)
    yield from higher_setting(line)
    yield from moved_receiver(line, volume)
    yield from moved_regulator(line, volume)


def _moved_volume(line: Line, burst: Burst) -> float:
    """Volume of the receiver whose place is tried: the line's own, else the next sold that holds the floor."""
    if line.receiver is not None:
        return line.receiver.volume_m3 or _USUAL_M3
    need = smallest(lambda v: with_receiver(line, v), burst)
    return next((v for v in COMMON_M3 if v >= need > 0.0), _USUAL_M3)


def _work(line: Line, burst: Burst) -> Work:
    got: Fired = fire(line, burst)
    one = single_shot(line)
    return Work(
        lowest_pa=got.lowest_pa,
        holds=got.lowest_pa >= burst.floor_pa,
        dip_pa=one.dip_pa,
        recovery_s=one.recovery_s,
        refilled_s=one.refilled_s,
        back_s=got.recovery_s,
    )
