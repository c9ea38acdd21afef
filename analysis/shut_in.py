"""Whether a recording is what a leak-down needs: a line shut in and left alone."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Final

from analysis.cycles import Cycles
from analysis.estimate import Estimate
from analysis.leakdown import Leakdown
from analysis.record import ShotRecord

SHOTS_OF_WORK: Final = 3  # a recording with so many shots is one of work, not of a line left alone
RUNS_OF_A_PUMP: Final = 2  # a single run is a refill, which the leak-down leaves out by itself
PAUSE_S: Final = 3600.0  # between runs; in shorter pauses the air in the tank has not come to the wall's temperature


def shots_of_work(find: Callable[[], ShotRecord]) -> int:
    """Count as `recovered_shots` does in what `find` finds; 0 as well where it refuses, as there are too few readings to see any."""
    try:
        return recovered_shots(find())
    except ValueError:
        return 0


def recovered_shots(record: ShotRecord) -> int:
    """Count the shots from which the line recovered; 0 where they are too few to mean work.

    A step without recovery is a demand on a line that is shut in, and the leak-down sets it apart by itself.
    """
    recovered = sum(s.outcome == "recovered" for s in record.shots)
    return recovered if recovered >= SHOTS_OF_WORK else 0


def why_not(shots: int, cycles: Cycles | None) -> str:
    """Say why a recording cannot be read as a leak-down; empty where nothing speaks against it.

    Parameters
    ----------
    shots : int
        What `shots_of_work` gave.
    cycles : Cycles or None
        The pump's runs in the same recording.
    """
    if shots:
        return f"it shows work, {shots} shots. Shut the supply, leave the line alone and record again"
    stops = [c.stop_s for c in cycles.cycles if c.stop_s is not None] if cycles else []
    starts = [c.start_s for c in cycles.cycles if c.start_s is not None] if cycles else []
    pauses = [min((s for s in starts if s > stop), default=None) for stop in stops]
    short = [1 for stop, start in zip(stops, pauses, strict=True) if start is not None and start - stop < PAUSE_S]
    if len(starts) >= RUNS_OF_A_PUMP and short:
        return (
            f"the pump ran {len(starts)} times, and in pauses this short the air is still cooling. The runs themselves tell the leak: "
            "use `farend cycles`; or switch the pump off and record again"
        )
    return ""


def withhold(leak: Leakdown, why: str) -> Leakdown:
    """Take the numbers back from a leak-down that must not be read as one."""
    nothing = Estimate(value=None)
    return replace(
        leak,
        verdict="cannot tell",
        why=f"Cannot tell, because {why}.",
        leak_m3_per_s=nothing,
        conductance=nothing,
        hole_m=nothing,
        smallest_detectable_m3_per_s=None,
        fall_start_pa_per_s=nothing,
        fall_now_pa_per_s=nothing,
        time_constant_s=nothing,
        half_time_s=nothing,
    )
