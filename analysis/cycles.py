"""Pump cycles from the pressure of a tank or header alone: when the pump ran, its duty, what it delivers, what leaks.

The pump fills to its cut-out and starts again at its cut-in; a rise that levels off is none of its runs. The air is warm after
a run and cools to the wall in a minute or two, so the slope just after a stop is no leak: the fall is fitted as a leak plus a
decaying warmth, alike in all cycles.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.ndimage import median_filter

from analysis.constants import (
    ANR_DENSITY_KG_PER_M3,
    ANR_TEMPERATURE_K,
    ATMOSPHERE_ABS_PA,
    LEAK_REFERENCE_PA,
    R_AIR_J_PER_KG_K,
)
from analysis.cycle_trend import change_over, leak_by_time, like_a_pump
from analysis.cycle_turns import GAP_READINGS, GAP_S, LEAST_RISE_PA, find_runs, keeps_to_its_top, pieces_of, wanders
from analysis.estimate import Estimate
from analysis.leak_breaks import Readings, coarsen, condense
from analysis.leakdown import leak_at, refuse_reference
from analysis.tank_air import tank_flows

Array = NDArray[np.float64]

NOTHING: Final = Estimate(value=None)
RUN_UP_S: Final = 0.25  # standard uncertainty of a start, from what the motor does before the pressure rises [s]; no source
SLOWEST_S: Final = 10.0  # readings further apart need not show a run at all [s]; the slowest that is asked for
FEWEST_READINGS: Final = 3.0  # in a run, from which its length is told; by choice
WEAK_RUNS: Final = 0.05  # from which on it is said that work makes the runs look weak; by choice
ROUGH_BLOCKS: Final = 5_000  # readings in which a pump that was left on is recognised; 9 s over half a day


@dataclass(frozen=True, slots=True, kw_only=True)
class Cycle:
    """One run of the pump.

    Attributes
    ----------
    start_s, stop_s : float or None
        When the pump starts and stops [s]; None where the record begins or ends within the run.
    cut_in_pa, cut_out_pa : float or None
        Gauge pressure then [Pa]; None likewise.
    """

    start_s: float | None
    stop_s: float | None
    cut_in_pa: float | None
    cut_out_pa: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Cycles:
    """What the cycles say.

    Attributes
    ----------
    cycles : tuple of Cycle
        Runs of the pump, in order of time.
    cut_in_pa, cut_out_pa : float or None
        Median of the runs [Pa gauge].
    duty : Estimate
        Share of time on load over whole cycles, from start to start [-]; None without a whole cycle.
    mean_period_s : float or None
        Mean time from start to start [s]; a pump-up from empty is no cycle and not counted.
    starts_per_hour : float or None
        Likewise.
    delivery_m3_per_s, leak_m3_per_s : Estimate
        Free air (ANR) that the pump delivers, and that leaks, both at `reference_pa` [m3/s]; None without a volume.
    leak_share : float or None
        Leak over delivery at the reference, needs no volume [-]; None when it cannot be told.
    reference_pa : float
        Gauge pressure at which flows are stated [Pa].
    volume_m3 : float or None
        Air in tank and all that is open to it [m3].
    never_unloads : bool
        The pump ran all the time without reaching a cut-out.
    warnings : tuple of str
        What the reader should know.
    leak_by_time_m3_per_s : Estimate
        Leak at `reference_pa` by the share of time the pump runs [m3/s]; what was drawn by work counts in it.
    leak_change, delivery_change : Estimate
        Relative change of fall and delivery from the first run to the last [-]; None for fewer than five cycles.
    """

    cycles: tuple[Cycle, ...]
    cut_in_pa: float | None
    cut_out_pa: float | None
    duty: Estimate
    mean_period_s: float | None
    starts_per_hour: float | None
    delivery_m3_per_s: Estimate
    leak_m3_per_s: Estimate
    leak_share: float | None
    reference_pa: float
    volume_m3: float | None
    never_unloads: bool
    warnings: tuple[str, ...]
    leak_by_time_m3_per_s: Estimate = NOTHING
    leak_change: Estimate = NOTHING
    delivery_change: Estimate = NOTHING


def find_cycles(
    t_s: ArrayLike,
    p_pa: ArrayLike,
    *,
    volume_m3: float | None = None,
    temp_k: ArrayLike | None = None,
    p_amb_pa: ArrayLike | float = ATMOSPHERE_ABS_PA,
    reference_pa: float = LEAK_REFERENCE_PA,
) -> Cycles:
    """Find the runs of the pump in a pressure recording.

    Parameters
    ----------
    t_s, p_pa : array_like, shape (n,)
        Times [s], a reading each 10 s or faster, and gauge pressure of the tank or header [Pa].
    volume_m3 : float or None
        Air in the tank and all that is open to it [m3]; None: no flows.
    temp_k : array_like or None
        Temperature of the tank or room [K]; None: 20 degC is assumed.
    p_amb_pa : float or array_like
        Ambient pressure [Pa abs].
    reference_pa : float
        Gauge pressure at which flows are stated [Pa].

    Returns
    -------
    Cycles
        Runs, duty, delivery and leak; what cannot be told is None, with a warning that says why.

    Raises
    ------
    ValueError
        If there are too few readings or the volume is not positive.
    """
    if volume_m3 is not None and not volume_m3 > 0:
        msg = f"A volume of {volume_m3:g} m3 holds no air. Give the volume of the tank and all that is open to it."
        raise ValueError(msg)
    refuse_reference(reference_pa)
    r = condense(
        np.asarray(t_s, dtype=np.float64),
        np.asarray(p_pa, dtype=np.float64),
        None if temp_k is None else np.asarray(temp_k, dtype=np.float64),
        p_amb_pa if isinstance(p_amb_pa, float | int) else np.asarray(p_amb_pa, dtype=np.float64),
    )
    pieces = pieces_of(r)
    found = [run for piece in pieces for run in find_runs(piece)]
    runs = _like_pumps(r, found)
    warnings: list[str] = []
    nothing = Estimate(value=None)
    step_s = float(np.median(np.diff(r.t_s)))
    apart_s = float(np.nanmedian(np.abs(np.diff(np.asarray(t_s, dtype=np.float64)))))
    if not runs and apart_s > SLOWEST_S and float(np.diff(r.p_pa).max()) > LEAST_RISE_PA:
        warnings.append(f"Readings {apart_s:.0f} s apart are too slow to show how the pump runs. Record one each 10 s or faster.")
        return _answer((), nothing, None, nothing, nothing, None, reference_pa, volume_m3, False, warnings)
    if not runs:
        moving = bool(found) or wanders(r)
        running = not found and moving and not keeps_to_its_top(r)
        warnings.append(
            "The pressure never reaches a cut-out: the pump runs all the time and does not keep up, or is switched by hand."
            if running
            else "Cannot tell how the pump runs: the pressure comes back by levelling off, as behind a regulator, or under a pump that "
            "runs on and just balances what is drawn. Record at the compressor's tank, and note whether it runs."
            if moving
            else "No run of the pump begins or ends in this recording: it stays off, runs on and just balances what is drawn, or a "
            "regulator hides it. Use the leak-down for the leak where it was off; else record longer, at the compressor's tank."
        )
        return _answer((), nothing, None, nothing, nothing, None, reference_pa, volume_m3, running, warnings)
    cycles = tuple(_cycle(r, start, stop) for start, stop in runs)
    gaps = [(float(a.t_s[-1]), float(b.t_s[0])) for a, b in itertools.pairwise(pieces)]
    if gaps:
        warnings.append(f"{len(gaps)} gap{'s' * (len(gaps) > 1)} in the readings: a cycle with a gap in it is not counted.")
    duty, period = _duty(cycles, r, gaps)
    unseen = _stops_unseen(r, cycles, step_s)
    if unseen:
        warnings.append(unseen)
        return _answer(cycles, nothing, period, nothing, nothing, None, reference_pa, volume_m3, False, warnings)
    if duty.value is None:
        warnings.append("No whole cycle from start to start is in this recording; duty and period need one. Record longer.")
    delivery, leak, share, remarks = _flows(r, cycles, volume_m3, reference_pa)
    warnings += remarks
    if leak.high is not None and leak.high < 0.0:
        warnings.append("The pressure rises between the runs, which hides leak and delivery. Record at the tank, with the tools idle.")
        delivery, leak, share = nothing, nothing, None
    answer = _answer(cycles, duty, period, delivery, leak, share, reference_pa, volume_m3, False, warnings)
    return _with_changes(answer, r, gaps)


def _stops_unseen(r: Readings, cycles: tuple[Cycle, ...], step_s: float) -> str:
    """Say why the recording shows when the pump starts, but not for how long it runs; empty where it does."""
    spans = [(c.start_s, c.stop_s) for c in cycles if c.start_s is not None and c.stop_s is not None]
    tops = [float(r.p_pa[(r.t_s >= a) & (r.t_s <= z + 0.5 * (z - a))].max(initial=-np.inf)) for a, z in spans]
    if tops and float(np.median(tops)) > r.top_pa - max(r.noise_pa, r.resolution_pa):
        return (
            "The sensor is at the end of its range before the pump stops, so cut-out, duty, delivery and leak cannot be told. Use a sensor "
            "with a wider range."
        )
    lengths = [z - a for a, z in spans]
    if lengths and float(np.median(lengths)) < FEWEST_READINGS * step_s:
        return (
            f"The pump runs for hardly {FEWEST_READINGS:.0f} readings, so duty, delivery and leak cannot be told. Record faster than one "
            f"reading each {step_s:.0f} s."
        )
    return ""


def _with_changes(c: Cycles, r: Readings, gaps: list[tuple[float, float]]) -> Cycles:
    """Add the leak by the share of time, and what grew or fell from the first run to the last."""
    regular = _regular(c.cycles)
    whole = [(x.start_s, x.stop_s, y.start_s) for x, y in itertools.pairwise(c.cycles) if x in regular]
    spans = [(a, z, b) for a, z, b in whole if a is not None and z is not None and b is not None]
    spans = [(a, z, b) for a, z, b in spans if not any(a < until and since < b for since, until in gaps)]
    if not spans:
        return c
    amb = float(np.mean(r.p_amb_pa))
    p_abs = r.p_pa + r.p_amb_pa
    inside = (r.t_s >= spans[0][0]) & (r.t_s <= spans[-1][2])
    running = np.zeros(r.t_s.size, dtype=bool)
    for a, z, _ in spans:
        running |= (r.t_s >= a) & (r.t_s <= z)
    by_time = leak_by_time(
        c.duty,
        c.delivery_m3_per_s,
        mean_abs_pa=float(np.mean(p_abs[inside])),
        run_abs_pa=float(np.mean(p_abs[running])) if running.any() else c.reference_pa + amb,
        reference_abs_pa=c.reference_pa + amb,
        p_amb_pa=amb,
    )
    smooth = median_filter(p_abs, 3, mode="nearest")

    def at(when: float) -> float:
        return float(np.interp(when, r.t_s, smooth))

    fall = [np.log(at(z) / at(b)) / (b - z) for _, z, b in spans]
    rise = [(at(z) - at(a)) / (z - a) + f * 0.5 * (at(z) + at(a)) for (a, z, _), f in zip(spans, fall, strict=True)]
    times = [a for a, _, _ in spans]
    return replace(c, leak_by_time_m3_per_s=by_time, leak_change=change_over(times, fall), delivery_change=change_over(times, rise))


def _like_pumps(r: Readings, runs: list[tuple[float | None, float | None]]) -> list[tuple[float | None, float | None]]:
    """Keep the runs where most of them end as a pump's do; else none."""
    ended = [(a, z) for a, z in runs if z is not None]
    alike = [like_a_pump(r, a, z, LEAST_RISE_PA) for a, z in ended]
    return runs if sum(alike) > 0.6 * len(alike) or not ended else []


def rough_runs(r: Readings) -> tuple[Cycle, ...]:
    """Find the runs of the pump and nothing else, roughly and quickly: enough to tell whether it ran."""
    r = coarsen(r, ROUGH_BLOCKS)
    return tuple(_cycle(r, start, stop) for start, stop in _like_pumps(r, find_runs(r)))


def _answer(
    cycles: tuple[Cycle, ...],
    duty: Estimate,
    period: float | None,
    delivery: Estimate,
    leak: Estimate,
    share: float | None,
    reference_pa: float,
    volume_m3: float | None,
    never_unloads: bool,
    warnings: list[str],
) -> Cycles:
    ins = [c.cut_in_pa for c in cycles if c.cut_in_pa is not None]
    outs = [c.cut_out_pa for c in cycles if c.cut_out_pa is not None]
    if volume_m3 is None and cycles:
        warnings.append("Without the volume of the tank the flows cannot be told; duty and leak share stand.")
    return Cycles(
        cycles=cycles,
        cut_in_pa=float(np.median(ins)) if ins else None,
        cut_out_pa=float(np.median(outs)) if outs else None,
        duty=duty,
        mean_period_s=period,
        starts_per_hour=3600.0 / period if period else None,
        delivery_m3_per_s=delivery,
        leak_m3_per_s=leak,
        leak_share=share,
        reference_pa=reference_pa,
        volume_m3=volume_m3,
        never_unloads=never_unloads,
        warnings=tuple(warnings),
    )


def _cycle(r: Readings, start: float | None, stop: float | None) -> Cycle:
    smooth = median_filter(r.p_pa, 3, mode="nearest")

    def at(when: float | None) -> float | None:
        return None if when is None else float(np.interp(when, r.t_s, smooth))

    return Cycle(start_s=start, stop_s=stop, cut_in_pa=at(start), cut_out_pa=at(stop))


def _swing(cycles: tuple[Cycle, ...]) -> float:
    """From the usual cut-in to the usual cut-out [Pa]; 0 where one of them is not seen."""
    ins = [c.cut_in_pa for c in cycles if c.cut_in_pa is not None]
    outs = [c.cut_out_pa for c in cycles if c.cut_out_pa is not None]
    return float(np.median(outs) - np.median(ins)) if ins and outs else 0.0


def _rounding_pa(r: Readings) -> float:
    """Error of a turn's pressure by a coarse step, alike in all cycles [Pa]; 0 where noise blurs the step, as the mean is right then."""
    blurred = r.noise_pa**2 - r.resolution_pa**2 / 12.0 > (0.5 * r.resolution_pa) ** 2
    return 0.0 if blurred else r.resolution_pa / float(np.sqrt(12.0))


def _regular(cycles: tuple[Cycle, ...]) -> list[Cycle]:
    """Runs that begin at the usual cut-in; a pump-up from empty does not."""
    whole = [c for c in cycles if c.cut_in_pa is not None]
    if not whole:
        return []
    usual = float(np.median([c.cut_in_pa for c in whole if c.cut_in_pa is not None]))
    outs = [c.cut_out_pa for c in cycles if c.cut_out_pa is not None]
    band = float(np.median(outs)) - usual if outs else 0.2 * usual
    return [c for c in whole if c.cut_in_pa is not None and c.cut_in_pa > usual - 0.6 * band]


def _duty(cycles: tuple[Cycle, ...], r: Readings, gaps: list[tuple[float, float]]) -> tuple[Estimate, float | None]:
    """Duty and mean period of whole cycles, start to start."""
    on: list[float] = []
    period: list[float] = []
    regular = _regular(cycles)
    for c, following in itertools.pairwise(cycles):
        if c in regular and following in regular and c.start_s is not None and c.stop_s is not None and following.start_s is not None:
            if any(c.start_s < z and a < following.start_s for a, z in gaps):
                continue
            on.append(c.stop_s - c.start_s)
            period.append(following.start_s - c.start_s)
    if not on:
        return Estimate(value=None), None
    share = float(np.sum(on) / np.sum(period))
    # Each turn is good to about a third of a reading; the cycles' own scatter is not error, their mean is what was asked.
    u = 0.35 * float(np.median(np.diff(r.t_s))) * np.sqrt(2.0 * len(on)) / float(np.sum(period))
    rise_pa = max(_swing(cycles), LEAST_RISE_PA) / float(np.mean(on))
    blur_s = r.noise_pa / np.sqrt(float(np.median(r.weight))) / rise_pa
    u = float(np.hypot(u, blur_s * np.sqrt(2.0 * len(on)) / float(np.sum(period))))
    # A motor takes a moment to run up before it shows in the pressure, the same in every run.
    # With few readings in a run its ends are off by a tenth of a reading, all alike.
    alike = RUN_UP_S + 0.15 * float(np.median(np.diff(r.t_s))) + _rounding_pa(r) / rise_pa
    u = float(np.hypot(u, alike / float(np.mean(period))))
    return Estimate(value=share, low=float(max(share - 1.96 * u, 0.0)), high=float(min(share + 1.96 * u, 1.0))), float(np.mean(period))


# Flows


def _flows(
    r: Readings, cycles: tuple[Cycle, ...], volume_m3: float | None, reference_pa: float
) -> tuple[Estimate, Estimate, float | None, list[str]]:
    """Delivery and leak at the reference [m3/s], leak share, and warnings."""
    nothing = Estimate(value=None)
    whole = [(c.start_s, c.stop_s) for c in cycles if c.start_s is not None and c.stop_s is not None]
    lengths = [z - a for a, z in whole] or [float(r.t_s[-1] - r.t_s[0]) / 10.0]
    # A run is followed in some thirty steps; finer ones only carry noise into the air's temperature.
    span = float(r.t_s[-1] - r.t_s[0])
    b = coarsen(r, max(min(round(span / (min(lengths) / 30.0)), 6000), 50))
    t = b.t_s
    # Across a gap nothing is known: it is neither a run nor quiet.
    h = np.diff(t)
    on = np.where(h > max(GAP_READINGS * float(np.median(h)), GAP_S), 1e-9, 0.0)
    for c in cycles:
        a = float(t[0]) if c.start_s is None else c.start_s
        z = float(t[-1]) if c.stop_s is None else c.stop_s
        on += np.clip(np.minimum(t[1:], z) - np.maximum(t[:-1], a), 0.0, None) / np.diff(t)
    amb = float(np.mean(b.p_amb_pa))
    temp = float(np.nanmean(b.temp_k)) if np.isfinite(b.temp_k).any() else ANR_TEMPERATURE_K
    # What was before the record is unknown, unless it begins empty.
    since = float(t[0]) + (0.0 if b.p_pa[0] < 20_000.0 else min(150.0, 0.15 * span))
    noise = b.noise_pa / np.sqrt(float(np.median(b.weight)))
    try:
        flows = tank_flows(t, b.p_pa, amb, np.minimum(on, 1.0), since, noise, reference_pa, temp, whole)
    except ValueError as problem:
        return nothing, nothing, None, [f"{problem} Record with the tools idle for a few cycles."]
    warnings = []
    if flows.quiet_share < 0.15:
        warnings.append("Hardly a quiet stretch between the runs: the leak may be less than stated. Record with the tools idle.")
    blurred = r.noise_pa / float(np.sqrt(np.median(r.weight))) / max(_swing(cycles), LEAST_RISE_PA)
    if flows.weak_runs > WEAK_RUNS + blurred:
        warnings.append("Air is drawn in many of the pump's runs: it may deliver more than stated. Record with the tools idle.")
    to_leak = leak_at(1.0, reference_pa, p_amb_pa=amb) / (R_AIR_J_PER_KG_K * ANR_DENSITY_KG_PER_M3 * np.sqrt(temp * ANR_TEMPERATURE_K))
    leak = flows.leak_per_s * to_leak
    leak_u = flows.leak_u_per_s * to_leak
    share = float(leak) / flows.delivery_per_s if np.isfinite(flows.delivery_per_s) and flows.delivery_per_s > 0 else None
    if volume_m3 is None:
        return nothing, nothing, share, warnings

    def estimate(x: float, u: float) -> Estimate:
        if not np.isfinite(x):
            return nothing
        return Estimate(value=float(x * volume_m3), low=float((x - 1.96 * u) * volume_m3), high=float((x + 1.96 * u) * volume_m3))

    rounding = np.sqrt(2.0) * _rounding_pa(b) / max(_swing(cycles), LEAST_RISE_PA)
    leak_u = float(np.hypot(leak_u, rounding * leak))
    # A run's length is known to a part of a reading, and the delivery with it; noise hides its ends, and makes some runs look strong.
    timing = math.hypot((RUN_UP_S + 0.15 * float(np.median(np.diff(r.t_s)))) / float(np.median(lengths)), blurred)
    delivery_u = float(np.hypot(flows.delivery_u_per_s, np.hypot(timing, rounding) * flows.delivery_per_s))
    return estimate(flows.delivery_per_s, delivery_u), estimate(leak, leak_u), share, warnings
