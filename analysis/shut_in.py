"""Whether a recording is what a leak-down needs: a line shut in and left alone."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.constants import ATMOSPHERE_ABS_PA, LEAK_REFERENCE_PA
from analysis.cycles import Cycle, Cycles, find_cycles, rough_runs
from analysis.estimate import Estimate
from analysis.leak_breaks import condense
from analysis.leakdown import Leakdown, Stretches, fit_readings
from analysis.record import ShotRecord
from analysis.thermometer import stuck

Array = NDArray[np.float64]

SHOTS_OF_WORK: Final = 3  # a recording with so many shots is one of work, not of a line left alone
RUNS_OF_A_PUMP: Final = 2  # a single run is a refill, which the leak-down leaves out by itself
SLOWEST_SHOTS_S: Final = 0.2  # readings further apart show no shot [s]; a shot's dip lasts some tenths of a second
MEAN_S: Final = 0.02  # readings are averaged over this before they are asked whether anything moves [s]; short against a shot
STILL_SIGMAS: Final = 9.0  # the spread of some fifty readings is 4.5 of their noise; 9 in none of a night's seconds by chance
STILL_PA: Final = 500.0  # a shot that moves the pressure by less is none that matters for a leak [Pa]; by choice
PAUSE_S: Final = 3600.0  # between runs; in shorter pauses the air in the tank has not come to the wall's temperature


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """A leak-down, and what else the recording shows.

    Attributes
    ----------
    leak : Leakdown
        Its numbers are taken back where the recording is of work or of a pump that was left on.
    shots : int
        What `shots_of_work` counts.
    pumped : bool
        The pump was left on; its cycles tell the leak.
    """

    leak: Leakdown
    shots: int
    pumped: bool


def judge(
    t_s: ArrayLike,
    p_pa: ArrayLike,
    find: Callable[[], ShotRecord],
    *,
    volume_m3: float | None = None,
    temp_k: ArrayLike | None = None,
    p_amb_pa: ArrayLike | float = ATMOSPHERE_ABS_PA,
    reference_pa: float = LEAK_REFERENCE_PA,
    leave_out: Stretches = (),
    use: Stretches = (),
) -> Judged:
    """Judge a leak-down, or say why the recording is none; `find` finds its shots, see `fit_leakdown` for the rest."""
    t, p = np.asarray(t_s, dtype=np.float64), np.asarray(p_pa, dtype=np.float64)
    amb = p_amb_pa if isinstance(p_amb_pa, float | int) else np.asarray(p_amb_pa, dtype=np.float64)
    readings = condense(t, p, None if temp_k is None else np.asarray(temp_k, dtype=np.float64), amb)
    dead = stuck(readings.t_s, readings.temp_k)
    if dead.any():
        readings = replace(readings, temp_k=np.where(dead, np.nan, readings.temp_k))
    leak = fit_readings(readings, volume_m3=volume_m3, reference_pa=reference_pa, leave_out=leave_out, use=use)
    if dead.any():
        leak = replace(leak, warnings=("The thermometer stands still for hours, as none does; that time is not believed.", *leak.warnings))
    shots, runs = shots_of_work(find, t, p), rough_runs(readings)
    why = why_not(shots, runs)
    return Judged(leak=withhold(leak, why) if why else leak, shots=shots, pumped=bool(why_not(0, runs)))


def read_cycles(find: Callable[[], ShotRecord], t_s: ArrayLike, p_pa: ArrayLike, **vessel: Any) -> Cycles:
    """Read the pump's cycles, heeding that a line at work can look like one under a pump; `vessel` as for `find_cycles`."""
    found = find_cycles(t_s, p_pa, **vessel)
    shots = shots_of_work(find, np.asarray(t_s, dtype=np.float64), np.asarray(p_pa, dtype=np.float64))
    if not shots:
        return found
    if found.never_unloads:
        note = (
            f"Cannot tell how the pump runs: the recording shows work, {shots} shots, and the pressure may move by that alone. "
            "Record at the compressor's tank."
        )
        return replace(found, never_unloads=False, warnings=(note,))
    note = f"The recording shows work, {shots} shots: what they draw counts in the duty, and hides the leak. Record with the tools idle."
    return replace(found, warnings=(*found.warnings, note))


def shots_of_work(find: Callable[[], ShotRecord], t_s: Array, p_pa: Array) -> int:
    """Count as `working_shots` does in what `find` finds; 0 as well where it refuses, as there are too few readings to see any."""
    if _nothing_moves(t_s, p_pa):
        return 0
    try:
        return working_shots(find())
    except ValueError:
        return 0


def _nothing_moves(t_s: Array, p_pa: Array) -> bool:
    """Whether the readings are too slow to show shots, or lie still: then nobody needs to search millions of them for shots."""
    every_s = float(t_s[-1] - t_s[0]) / max(t_s.size - 1, 1)
    if every_s > SLOWEST_SHOTS_S or t_s.size < 100:
        return every_s > SLOWEST_SHOTS_S
    mean_of = max(1, round(MEAN_S / every_s))
    p = p_pa[: p_pa.size // mean_of * mean_of].reshape(-1, mean_of).mean(axis=1) if mean_of > 1 else p_pa
    if not np.isfinite(p).all():
        return False
    second = max(2, round(1.0 / (mean_of * every_s)))
    p = p[: p.size // second * second].reshape(-1, second)
    noise = 1.4826 * float(np.median(np.abs(np.diff(p[:: max(1, len(p) // 2000)], axis=1)))) / np.sqrt(2.0)
    moved = np.ptp(p, axis=1) > max(STILL_SIGMAS * noise, STILL_PA)
    return int(moved.sum()) < SHOTS_OF_WORK


def working_shots(record: ShotRecord) -> int:
    """Count the shots; 0 where the line recovered from too few of them to mean work.

    A step without recovery is a demand on a line that is shut in, and the leak-down sets it apart by itself.
    """
    recovered = sum(s.outcome == "recovered" for s in record.shots)
    return len(record.shots) if recovered >= SHOTS_OF_WORK else 0


def why_not(shots: int, cycles: Sequence[Cycle]) -> str:
    """Say why a recording cannot be read as a leak-down; empty where nothing speaks against it.

    Parameters
    ----------
    shots : int
        What `shots_of_work` gave.
    cycles : sequence of Cycle
        The pump's runs in the same recording.
    """
    if shots:
        return f"it shows work, {shots} shots. Shut the supply, leave the line alone and record again"
    stops = [c.stop_s for c in cycles if c.stop_s is not None]
    starts = [c.start_s for c in cycles if c.start_s is not None]
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
