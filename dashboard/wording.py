"""An answer in plain sentences: the result first, with how sure it is, then what it rests on."""

from __future__ import annotations

import math
import operator
from typing import TYPE_CHECKING, Final

from analysis.schedule import air_asked
from analysis.units import from_si, significant
from dashboard.reader import Reader, change, finer_seconds, percent, seconds, share_of_time
from logger.status import counted

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    from analysis.burst import Burst, Fired
    from analysis.carry_off import CarryOff, FillCheck
    from analysis.compare import Comparison
    from analysis.cycles import Cycles
    from analysis.estimate import Estimate
    from analysis.leak_breaks import Span
    from analysis.leak_cost import LeakCost
    from analysis.leak_plan import LeakPlan
    from analysis.leakdown import Leakdown
    from analysis.line import Line
    from analysis.line_check import PartCheck
    from analysis.model import Simulation
    from analysis.record import ShotRecord
    from analysis.sensor_view import SensorView
    from analysis.shots import BurstSag, ShotSummary
    from analysis.sizing import Alternative, Sizing
    from analysis.variants import Change
    from analysis.whatif import Improvement, WhatIf
    from logger.csv_in import CsvReading
    from logger.session import Session

AGREES: Final = 0.15  # measured and modelled that differ by less are called the same; inputs of a line file are hardly better
DEEP_PA: Final = 0.2e5  # a dip within a shot that is worth a word
LONG_S, MANY = 2.0, 5  # so many shots watched for longer without a recovery: the line is not refilled between them
SMALLER_PA: Final = 2e3  # a difference of starts that is none
COMMON_SHOWN: Final = 4  # of a sizing's candidates, the one that stands for a usual receiver: 24 L
CAUTIONS: Final[dict[str, str]] = {
    "rated": "Every part must be rated for the highest pressure it can see; a receiver also needs its own relief valve, set at or "
    "below its rating.",
    "vessel": "Never cut, weld or drill a pressure vessel. Drain it after work: water rusts it from within.",
    "whip": "A hose that comes off under pressure whips. Shut the supply, bleed to zero, then uncouple.",
    "eyes": "Wear eye protection, and take the tool off the air before you clear or adjust it.",
    "limits": "The tool maker's pressure limit stands above anything here. Local codes and a licensed person decide what is allowed.",
}


def shots(record: ShotRecord, summary: ShotSummary, reader: Reader) -> list[str]:
    """Say what the shots of a recording were like."""
    rate = f"{significant(record.rate_hz, 3)} readings a second"
    if not summary.shots:
        unseen = "" if record.countable else ", but at so few one can go unseen between two"
        falls = len(record.unvouched)
        perhaps = f"; {counted(falls, 'fall')} may have been {'one' if falls == 1 else 'some'}" if falls else ""
        return [f"No shot in {seconds(record.duration_s)} at {rate}{unseen}{perhaps}.", *_events(record)]
    recovery, dip = summary.median_recovery_s, summary.median_dip_pa
    head = f"{counted(summary.shots, 'shot')} in {seconds(record.duration_s)}"
    if doubtful := sum(s.doubtful for s in record.shots):
        head += ", doubtful" if summary.shots == 1 else f", {doubtful} of them doubtful"
    if not record.countable:
        head = f"At {rate} shots go unseen between two of them; seen {_were(summary.shots)} {head}"
    if summary.steadiness_set_pa is not None:
        where = "at one setting of the regulator " if summary.turns else ""
        head += f"; {where}four in five started within {reader.pressure(summary.steadiness_set_pa)} of each other"
    out = [f"{head}."]
    if summary.turns and summary.steadiness_pa is not None:
        turned = f"The regulator was turned {counted(summary.turns, 'time')} between shots"
        out.append(f"{turned}: over all its settings four in five started within {reader.pressure(summary.steadiness_pa)}.")
    out += [f"The median pressure just before a shot was {reader.estimate(summary.median_before_pa, reader.pressure)}."]
    if recovery.value is not None:
        out.append(
            f"The pressure was back after {reader.estimate(recovery, finer_seconds)}: the median of all shots, counting those cut off."
        )
    else:
        out.append(f"The recovery cannot be told: fewer than half of the shots were seen to recover. {_unseen(record)}")
    lowest = reader.pressure(summary.lowest_pa or 0.0)
    out.append(f"The median dip was {reader.estimate(dip, reader.pressure)}, the lowest pressure of all {lowest}.")
    if summary.in_window is not None:
        out.append(f"{percent(summary.in_window)} of the shots started inside the tool's window.")
    if summary.sag is not None:
        out.append(_sag(summary.sag, reader))
    if summary.air_per_shot_m3.value is not None:
        out.append(air_per_shot(summary.air_per_shot_m3, reader))
    out.append(
        f"Seen at {rate}: {summary.recovered} recovered, {summary.cut_off} {_were(summary.cut_off)} cut off by what came next, "
        f"{summary.not_recovered} did not recover."
    )
    return [*out, *_events(record)]


def _were(count: int) -> str:
    return "was" if count == 1 else "were"


def _unseen(record: ShotRecord) -> str:
    """Why recoveries were not seen, and what to do: the work was too quick, or the line is not refilled between the shots."""
    patient = sum(s.outcome != "recovered" and s.censored_s > LONG_S for s in record.shots)
    if patient < MANY:
        return "Leave pauses of three seconds and more between some shots."
    return (
        f"It is not the pace: {patient} were watched for more than {seconds(LONG_S)} without one. So it is on a tank, whose pressure "
        "comes back only when the pump runs; a sensor at the tool, behind a regulator, shows the recovery that the nail sees."
    )


def air_per_shot(air: Estimate, reader: Reader) -> str:
    """Say how much free air a shot took."""
    if air.value is None:
        return "How much air a shot takes cannot be told: it needs a few single shots with a pause, and a receiver that is fed slowly."
    return f"A shot took {reader.estimate(air, reader.air)} of free air."


def _sag(sag: BurstSag, reader: Reader) -> str:
    """How much lower the last shots of bursts start, or higher: quick work may catch the swing back of the shot before."""
    ends = {1: "st", 2: "nd", 3: "rd"}
    nth = f"{sag.nth}{'th' if sag.nth % 100 in (11, 12, 13) else ends.get(sag.nth % 10, 'th')}"
    bursts = f"In {counted(sag.bursts, 'burst')} at {significant(sag.shots_per_s, 2)} a second the {nth} shot started"
    low, value, high = sag.low_pa.low, sag.low_pa.value or 0.0, sag.low_pa.high
    if value < -SMALLER_PA and (high is None or high < 0.0):
        return f"{bursts} {reader.estimate(sag.low_pa.map(operator.neg), reader.pressure)} higher than the first."
    if value <= 0.0 or (low is not None and low <= 0.0):
        return f"{bursts} as high as the first, as far as these shots can tell."
    return f"{bursts} {reader.estimate(sag.low_pa, reader.pressure)} lower than the first."


def _events(record: ShotRecord) -> list[str]:
    kinds = [e.kind for e in record.events]
    if not kinds:
        return []
    counted = ", ".join(f"{kind} ({kinds.count(kind)})" for kind in dict.fromkeys(kinds))
    return [f"Other events: {counted}."]


def leakdown(leak: Leakdown, cost: LeakCost, reader: Reader, delivery_m3_per_s: float | None = None) -> list[str]:
    """Say whether the line leaks."""
    heads = {"leak": "It leaks.", "tight": "It is tight.", "cannot tell": "This recording cannot tell whether it leaks."}
    out = [leak.why if leak.why.startswith("Cannot tell") else f"{heads[leak.verdict]} {leak.why}"]
    at = f"at {reader.pressure(leak.reference_pa)}"
    if leak.leak_m3_per_s.value is not None and leak.verdict != "tight":
        out.append(f"Leak {at}: {reader.estimate(leak.leak_m3_per_s, reader.flow)} of free air.")
        if delivery_m3_per_s:
            out.append(f"That is {reader.estimate(leak.leak_m3_per_s.map(lambda q: q / delivery_m3_per_s), percent)} of what is delivered.")
    if leak.hole_m.value is not None and leak.verdict == "leak":
        out.append(
            f"As much as a round hole of {reader.estimate(leak.hole_m, _hole)} passes "
            "(ideal nozzle; a sharp-edged hole that passes as much is 1.2 to 1.3 times as wide)."
        )
    if leak.fall_now_pa_per_s.value is not None and leak.verdict != "tight":
        out.append(
            f"At steady temperature the pressure falls by {reader.pressure(3600.0 * leak.fall_now_pa_per_s.value)} an hour "
            "at the end of the recording."
        )
    shown = leak.verdict == "leak" and (leak.leak_m3_per_s.value or 0.0) < (leak.smallest_detectable_m3_per_s or 0.0)
    if leak.smallest_detectable_m3_per_s is not None and not shown:
        out.append(f"The smallest leak that this recording could have shown is {reader.flow(leak.smallest_detectable_m3_per_s)} {at}.")
    if cost.per_year.value is not None and leak.verdict == "leak":
        out.append(
            f"Under pressure all year it costs about {significant(cost.per_year.value, 2)} a year "
            f"(at {cost.tariff_per_kwh:g} per kWh and {cost.hours:.0f} h; put in your own tariff)."
        )
    if leak.verdict == "leak":
        out.append(f"Next: {_usual_leak(leak.leak_m3_per_s.value)}; record once more when it is mended.")
    return out + _left_out(leak.left_out)


def _usual_leak(leak_m3_per_s: float | None) -> str:
    """Say where to look first for a leak of this size; common practice, no source."""
    soap = "soap the joints, from the compressor to the tool, or shut one valve after another and test each part"
    if leak_m3_per_s is None:
        return soap
    if leak_m3_per_s > 5e-5:
        return f"listen and feel first, since a leak this size is usually heard (a drain left open, a torn seal, a split hose); then {soap}"
    if leak_m3_per_s > 3e-6:
        return f"{soap}; a leak this size is usually a quick coupler or a worn seal"
    return f"{soap}; a leak this small is usually a thread without sealant or a valve's stem"


def _left_out(spans: Sequence[Span]) -> list[str]:
    """Say what was not used, span by span while they are few."""
    if len(spans) <= 4:
        return [f"Left out, {seconds(s.from_s)} to {seconds(s.until_s)}: {s.why}." for s in spans]
    whys = "; ".join(dict.fromkeys(s.why for s in spans))
    return [f"Left out, {len(spans)} stretches of {seconds(sum(s.until_s - s.from_s for s in spans))} in all: {whys}."]


def _hole(d_m: float) -> str:
    return f"{significant(1e3 * d_m, 3)} mm"


def cycles(found: Cycles, reader: Reader) -> list[str]:
    """Say how the pump ran."""
    if found.never_unloads:
        out = [
            "The pump never unloads: it ran all the time without reaching a cut-out, so the demand or the leak is as large as its delivery."
        ]
    elif not found.cycles:
        out = ["No run of the pump can be made out in this recording."]
    else:
        out = [f"{counted(len(found.cycles), 'run')} of the pump."]
    if found.cut_in_pa is not None and found.cut_out_pa is not None:
        out.append(f"It starts at {reader.pressure(found.cut_in_pa)} and stops at {reader.pressure(found.cut_out_pa)}.")
    if found.duty.value is not None and found.mean_period_s is not None:
        out.append(
            f"It runs {reader.estimate(found.duty, share_of_time)} of the time, once in {seconds(found.mean_period_s)}: "
            f"{significant(3600.0 / found.mean_period_s, 3)} starts an hour."
        )
    at = f"at {reader.pressure(found.reference_pa)}"
    if found.delivery_m3_per_s.value is not None:
        out.append(f"Delivery {at}: {reader.estimate(found.delivery_m3_per_s, reader.flow)} of free air.")
    if found.leak_m3_per_s.value is not None:
        out.append(f"Leak {at}: {reader.estimate(found.leak_m3_per_s, reader.flow)} of free air.")
        if found.leak_by_time_m3_per_s.value is not None:
            out.append(
                f"By the share of time that the pump runs: {reader.estimate(found.leak_by_time_m3_per_s, reader.flow)}, "
                "work done meanwhile included."
            )
    elif found.leak_share is not None:
        out.append(f"The leak is {percent(found.leak_share)} of the delivery; with --volume the flows can be given.")
    for what, e in (("fall between the runs", found.leak_change), ("delivery", found.delivery_change)):
        if e.value is not None and e.low is not None and e.high is not None and e.low * e.high > 0 and abs(e.value) > 0.03:
            out.append(f"From the first run to the last the {what} {'grew' if e.value > 0 else 'fell'}: {reader.estimate(e, change)}.")
    return out


def sessions(found: Sequence[Session]) -> list[str]:
    """List sessions, one a line."""
    if not found:
        return ["No session yet. Record one with `farend record`, or bring a file in with `farend import FILE.csv`."]
    width = max(len(s.name) for s in found)
    return [
        f"{s.name:<{width}}  {s.started:%Y-%m-%d %H:%M} UTC  {seconds(s.duration_s):>9}  {s.count:>9} readings  "
        + ", ".join(f"{c.name} [{c.unit}]" for c in s.channels)
        + ("" if s.finished else "  (recording, or not closed)")
        + ("  (recovered)" if s.recovered else "")
        for s in found
    ]


def compare(c: Comparison, reader: Reader) -> list[str]:
    """Say whether it helped."""
    recovers = _compared(c.recovery_change, c.recovery_before_s, c.recovery_after_s, finer_seconds, ("recovers", "sooner", "later"))
    dips = _compared(c.dip_change, c.dip_before_pa, c.dip_after_pa, reader.pressure, ("dips", "less", "deeper"))
    same_shot = f"One and the same shot {' and '.join(said for said in (recovers, dips) if said)}"
    if c.verdict == "cannot tell":
        out = [f"These recordings cannot tell whether it helped. {c.why}"]
    else:
        heads = {"better": "It helped", "worse": "It got worse", "no change": "Nothing changed that matters"}
        out = [f"{heads[c.verdict]}. {same_shot}."]
    for name, changed in (("recovery", c.recovery_change), ("dip", c.dip_change)):
        if changed.value is not None and c.verdict != "cannot tell":
            out.append(f"Change of the {name}: {reader.estimate(changed, change)}.")
    found = f"{len(c.before.record.shots)} shots before and {len(c.after.record.shots)} after; {c.before.used} and {c.after.used} of them"
    if c.dip_change.value is None:
        return [*out, f"{found} were fired on a settled line, and only those can be compared, whatever the pace of the work."]
    work = f"{found}, fired on a settled line, were compared, so that faster or slower work does not count."
    if c.supply_shift.value is not None:
        alike = (
            "How full the compressor's tank stood was read beside, and does not count either. Tool, nails and the sensor's place are taken "
            "to be alike on both days: a shot that takes more air looks like a worse line."
        )
    else:
        alike = (
            "Tool, nails, the sensor's place and how full the compressor's tank stands are taken to be alike on both days: a shot that "
            "takes more air, or a tank run down, looks like a worse line."
        )
    return [*out, work, alike]


def _compared(changed: Estimate, before: Estimate, after: Estimate, write: Callable[[float], str], words: tuple[str, str, str]) -> str:
    """Say of one measure what became of it: ``recovers 26 % sooner (0.22 s instead of 0.29 s)``."""
    from analysis.compare import MATERIAL, direction

    does, less, more = words
    if before.value is None and before.low is not None and after.value is not None and direction(changed) == "less":
        at_least = -100.0 * (changed.high or 0.0)  # nearly all recoveries of one day were cut off
        return f"{does} at least {at_least:.0f} % {less} ({write(after.value)} instead of more than {write(before.low)})"
    if after.value is None and after.low is not None and before.value is not None and direction(changed) == "more":
        at_least = 100.0 * (changed.low or 0.0)
        return f"{does} at least {at_least:.0f} % {more} (more than {write(after.low)} instead of {write(before.value)})"
    if changed.value is None or before.value is None or after.value is None:
        return ""
    way, now, then = direction(changed), write(after.value), write(before.value)
    was = "" if now == then else f", {then} before"
    if way == "same":
        return f"{does} as before ({now}{was})"
    if way == "unclear" and abs(changed.value) >= MATERIAL:
        return f"{does} perhaps {less if changed.value < 0.0 else more} ({now}{was})"
    if way == "unclear":
        return f"{does} as before, as far as these shots can tell ({now}{was})"
    return f"{does} {100.0 * abs(changed.value):.0f} % {less if way == 'less' else more} ({now} instead of {then})"


def simulation(line: Line, s: Simulation, reader: Reader, seen: SensorView | None = None) -> list[str]:
    """Say what the line model expects of a schedule of shots, and what a sensor would show of it."""
    lowest_before = min(x.before_pa for x in s.shots)
    out = [
        f"{line.name}, by the model: {counted(len(s.shots), 'shot')}; the lowest pressure just before a shot is "
        f"{reader.pressure(lowest_before)}, the lowest of all {reader.pressure(float(s.tool_pa.min()))}."
    ]
    recovered = [x.recovery_s for x in s.shots if math.isfinite(x.recovery_s)]
    if recovered:
        out.append(f"Recovery of the first shot that has time for it: {seconds(recovered[0])}.")
    out.append(f"A shot takes {reader.air(sum(x.air_m3 for x in s.shots) / len(s.shots))} of free air.")
    if line.tool.window_pa and lowest_before < line.tool.window_pa[0]:
        out.append(f"That is below the tool's window, which begins at {reader.pressure(line.tool.window_pa[0])}.")
    asked, gives = air_asked(line, [x.time_s for x in s.shots]), line.compressor.delivery_m3_per_s
    if asked > gives and s.supply_pa[-1] < line.compressor.cut_in_pa:
        out.append(
            f"The shots take {reader.flow(asked)} of free air and the compressor gives {reader.flow(gives)}: the tank has fallen to "
            f"{reader.pressure(float(s.supply_pa[-1]))} at the end. This cannot go on; it needs pauses, or a larger compressor."
        )
    if seen is not None and (seen.sensor.place != "tool" or seen.sensor.lag_s > 0.0 or seen.sensor.resolution_pa > 0.0):
        shown, true = (sorted(x.dip_pa for x in shots) for shots in (seen.shots, s.shots))
        out.append(
            f"A sensor at {seen.sensor.place} would show a dip of {reader.pressure(shown[len(shown) // 2])} where the tool's inlet "
            f"dips by {reader.pressure(true[len(true) // 2])} (medians)."
        )
    return out


def measured_beside_modelled(measured: ShotSummary, modelled: ShotSummary, reader: Reader) -> list[str]:
    """Set what was measured beside what the line model gives for the same shots."""
    rows = (
        ("Dip", measured.median_dip_pa, modelled.median_dip_pa, reader.pressure),
        ("Recovery", measured.median_recovery_s, modelled.median_recovery_s, finer_seconds),
        ("Pressure before a shot", measured.median_before_pa, modelled.median_before_pa, reader.pressure),
    )
    out = [
        f"{what}: {write(a.value)} measured, {write(b.value)} by the model ({change(a.value / b.value - 1.0)})."
        for what, a, b, write in rows
        if a.value is not None and b.value
    ]
    far = [
        what
        for what, a, b, _ in rows[:2]
        if a.value is not None and b.value and abs(math.log(max(a.value, 1e-9) / b.value)) > math.log(1.0 + AGREES)
    ]
    if not out:
        return ["There are too few shots to set beside the model."]
    if far:
        return [
            *out,
            f"{' and '.join(far)} differ by more than {percent(AGREES)}: a part of the line is not what its file says; "
            "a fit (page Line, or farend fit) reads which.",
        ]
    return [*out, f"Dip and recovery agree within {percent(AGREES)}: the line does what its file promises."]


def imported(reading: CsvReading, folder: Path) -> list[str]:
    """Say what was understood of a file."""
    out = [
        f"{folder.name}: {counted(reading.rows, 'reading')} over {seconds(reading.duration_s)}, "
        f"{significant(reading.rate_hz, 3)} a second.",
        f"Columns: {reading.columns}. Time: {reading.time}. Unit: {reading.unit}.",
    ]
    if reading.bad_count:
        shown = "; ".join(f"line {line}: {why}" for line, why in reading.bad_lines[:5])
        out.append(f"{counted(reading.bad_count, 'line')} left out ({shown}{'; ...' if reading.bad_count > 5 else ''}).")
    mended = [f"{what.replace('_', ' ')} {count}" for what, count in reading.repaired.items() if count]
    if mended:
        out.append(f"Put right: {', '.join(mended)}.")
    return out


def sizing(s: Sizing, reader: Reader) -> list[str]:
    """Say which receiver the burst needs."""
    bare = s.candidates[0]
    if s.receiver_m3 == 0.0:
        out = [f"No receiver is needed: without one every shot starts at {reader.pressure(s.lowest_pa)} or more."]
        if s.interval_m3.high is None or s.interval_m3.high > 0.0:
            out.append(f"That is close: {_interval_from(s, reader)}")
    else:
        common = (
            f"; the next common size is {reader.volume(s.common_m3)}"
            if math.isfinite(s.common_m3)
            else "; that is larger than any common size"
        )
        out = [f"A receiver of {reader.estimate(s.interval_m3, reader.volume)} is enough by the model{common}."]
        out.append(f"With it every shot starts at {reader.pressure(s.lowest_pa)} or more, from {reader.pressure(s.settled_pa)} at rest.")
        out.append(f"Without one the lowest start would be {reader.pressure(bare.lowest_pa)}.")
        out.append(_interval_from(s, reader))
    if not s.receiver_m3 and s.minimum_pa < s.lowest_pa - DEEP_PA:
        usual = s.candidates[COMMON_SHOWN]
        better = f"; {reader.volume(usual.volume_m3)} would keep it at {reader.pressure(usual.minimum_pa)}"
        helps = usual.minimum_pa > s.minimum_pa + DEEP_PA
        out.append(f"Within a shot it falls to {reader.pressure(s.minimum_pa)}{better if helps else ''}.")
    if any(c.lowest_pa < bare.lowest_pa - SMALLER_PA for c in s.candidates[1:]):
        out.append("A small receiver can make shots start lower than none does: what the hose brings between two shots must fill it too.")
    if math.isfinite(s.recovery_s) and s.receiver_m3:
        full = f"; the receiver is full again after {seconds(s.refill_s)}" if math.isfinite(s.refill_s) else ""
        out.append(f"After the burst the pressure at the tool is back in {seconds(s.recovery_s)}{full}.")
    if math.isfinite(s.fill_s):
        out.append(f"Filling line and receiver from empty takes {seconds(s.fill_s)}, the tank full at the start.")
    if s.receiver_m3:
        out.append(f"The handbook formula V = T C p_a / (p1 - p2) gives {reader.volume(s.handbook_m3)}. {s.why}")
    out += [f"Instead: {': '.join(alternative(a, reader))}." for a in s.alternatives]
    out += [
        f"  {reader.volume(c.volume_m3) if c.volume_m3 else 'none':>8}: lowest start {reader.pressure(c.lowest_pa)}, "
        f"lowest of all {reader.pressure(c.minimum_pa)}, back {_after(c.recovery_s)}"
        for c in s.candidates
    ]
    return [*out, *(f"Mind: {caution}" for caution in s.cautions)]


def _after(t_s: float) -> str:
    """Write when a burst's sag is regained; a recovery is followed for fifteen seconds."""
    return f"in {seconds(t_s)}" if math.isfinite(t_s) else "later than 15 s"


def _interval_from(s: Sizing, reader: Reader) -> str:
    """Say what the interval of a receiver's size comes from."""
    name, low, high = s.rests_on[0]
    ends = [reader.volume(v) if v else "none" for v in sorted((low, high)) if math.isfinite(v)]
    if len(ends) < 2:
        return f"Most of the doubt is the {name}: at its bad end no receiver is large enough."
    return f"Most of the doubt is the {name}: it alone moves the size from {ends[0]} to {ends[1]}."


def alternative(a: Alternative, reader: Reader) -> tuple[str, str]:
    """Name another change, and say which receiver it leaves."""
    if math.isnan(a.receiver_m3):
        left = "no receiver is large enough"
    elif a.receiver_m3 == 0.0:
        left = "no receiver is needed"
    else:
        left = f"{reader.volume(a.receiver_m3)} is enough"
    return change_of_line(a.change, reader, volume=False), left


def change_of_line(c: Change, reader: Reader, *, volume: bool = True) -> str:
    """Name a change to a line; `volume` says of a move how large the receiver is."""
    size = f" of {reader.volume(c.after)}" if volume else ""
    if c.kind == "bore":
        return f"{c.part} with a bore of {reader.bore(c.after)} instead of {reader.bore(c.before)}"
    if c.kind == "length":
        return f"{c.part} {reader.length(c.after)} long instead of {reader.length(c.before)}"
    if c.kind == "receiver":
        return f"{c.part} of {reader.volume(c.after)}" + (f" instead of {reader.volume(c.before)}" if c.before else "")
    if c.kind == "place":
        return f"{c.part}{size} {c.where}"
    if c.kind == "regulator":
        return f"{c.part} {c.where}" + (size if volume else "")
    if c.kind == "coupler":
        before, after = (significant(from_si(x, "L/s/bar"), 2) for x in (c.before, c.after))
        return f"{c.part}: a wide one ({after} instead of {before} L/s/bar)"
    if c.kind == "switch":
        return f"compressor's switch {reader.pressure(c.after - c.before)} higher (cut-in {reader.pressure(c.after)})"
    return f"{c.part} set to {reader.pressure(c.after)} instead of {reader.pressure(c.before)}"


def what_if(w: WhatIf, reader: Reader) -> list[str]:
    """Say what each improvement would buy, the best first."""
    floor = reader.pressure(w.burst.floor_pa)
    holds = f"{'above' if w.now.holds else 'below'} the floor of {floor}"
    out = [f"As the line is, the lowest start of the burst is {reader.pressure(w.now.lowest_pa)}, {holds}."]
    out[0] += f" A single shot dips by {reader.pressure(w.now.dip_pa)} and is back after {seconds(w.now.recovery_s)}."
    best = next((x for x in w.improvements if not x.broken and x.gain_pa > 0.0), None)
    if best is None:
        out.append("None of the changes tried raises the lowest start.")
    else:
        out.append(f"Most is bought by: {change_of_line(best.change, reader)} (+{reader.pressure(best.gain_pa)}).")
    for x in w.improvements:
        out.append(
            f"  {change_of_line(x.change, reader)}: lowest start {reader.pressure(x.work.lowest_pa)}"
            f"{'' if x.work.holds else ' (below the floor)'}, dip {reader.pressure(w.now.dip_pa)} to {reader.pressure(x.work.dip_pa)}, "
            f"recovery {seconds(w.now.recovery_s)} to {seconds(x.work.recovery_s)}"
        )
        out += [f"      {note}" for note in rating_notes(x, reader)]
    return [*out, *WHAT_IF_NOTES]


WHAT_IF_NOTES: Final = (
    "Recovery counts to 90 % of each line's own dip: a receiver makes the dip shallow, and the rest comes back at the pace of the line.",
    "The dip is that before the tool's coupler: a wider coupler deepens it there, because the tool refills faster.",
)


def rating_notes(x: Improvement, reader: Reader) -> list[str]:
    """Say which ratings a change breaks or puts at risk."""
    out = [f"Not as it is: {_breaks(c, reader)}." for c in x.broken]
    unknown = [c for c in x.at_risk if c.verdict == "rating not known"]
    out += [f"Needs a {c.name} rated {reader.pressure(c.failed_open_pa)} or more." for c in unknown]
    return out + [
        f"Mind: {c.name}, rated {reader.pressure(c.rated_pa or 0.0)}, sees {reader.pressure(c.failed_open_pa)} when a regulator fails open."
        for c in x.at_risk
        if c not in unknown
    ]


def _breaks(c: PartCheck, reader: Reader) -> str:
    if c.verdict == "too low" and c.rated_pa is not None:
        return f"{c.name} would see {reader.pressure(c.normal_pa)} but is rated {reader.pressure(c.rated_pa)}"
    return f"{c.name} would see {reader.pressure(c.normal_pa)}, above the top of its window"


def tried(volume_m3: float, with_it: Fired, without: Fired, need_m3: float, burst: Burst, reader: Reader) -> list[str]:
    """Say what a receiver that is tried does for a burst; `need_m3` is infinite where it was not looked for."""
    name = f"With {reader.volume(volume_m3)}" if volume_m3 else "Without a receiver"
    holds = "above" if with_it.lowest_pa >= burst.floor_pa else "below"
    out = [f"{name} the lowest start is {reader.pressure(with_it.lowest_pa)}, {holds} the floor of {reader.pressure(burst.floor_pa)}."]
    if volume_m3:
        out[0] += f" Without one it is {reader.pressure(without.lowest_pa)}."
    if math.isnan(need_m3):
        out.append("No receiver is large enough for this.")
    elif need_m3 == 0.0:
        out.append("The line alone holds the floor.")
    elif math.isfinite(need_m3):
        out.append(f"About {reader.volume(float(significant(need_m3, 2)))} is enough.")
    return out


def carry_off(c: CarryOff, check: FillCheck | None, reader: Reader) -> list[str]:
    """Say what a filled receiver does off the line."""
    fill = f"is full {seconds(c.fill_s)} after the line is opened" if math.isfinite(c.fill_s) else "takes more than ten minutes to fill"
    out = [
        f"A receiver of {reader.volume(c.volume_m3)} {fill}, and is taken off at {reader.pressure(c.start_pa)}.",
        f"Off the line it lifts {_times(c.tyres, 'tyre')} of {reader.volume(c.tyre_m3)} from {reader.pressure(c.tyre_from_pa)} to "
        f"{reader.pressure(c.tyre_to_pa)}.",
        f"Or it drives {_times(c.brads, 'brad')} of {reader.air(c.brad_air_m3)} of free air before one would start below "
        f"{reader.pressure(c.brad_floor_pa)}.",
        f"Or {_times(c.shots, 'shot')} of the line's own tool ({reader.air(c.shot_air_m3)}) above {reader.pressure(c.floor_pa)}.",
    ]
    return out if check is None else [*out, fill_check(check, reader)]


def _times(e: Estimate, word: str) -> str:
    """Write how many draws a vessel gives, with the bracket from no heat to all heat."""
    return f"{counted(round(e.value or 0.0), word)} (between {e.low:.0f} and {e.high:.0f})"


CARRY_NOTES: Final = (
    "The ends of each range: no heat from the wall and thirstier draws, all heat and thriftier ones. Take the lower end to count on.",
    "Behind the receiver a regulator must hold the pressure at what the tool or tyre is made for.",
)


def fill_check(c: FillCheck, reader: Reader) -> str:
    """Hold a measured filling against the model."""
    between = f"from {reader.pressure(c.measured.low_pa)} to {reader.pressure(c.measured.high_pa)}"
    measured = f"Measured: {seconds(c.measured.took_s)} {between}"
    if math.isnan(c.model_s):
        return f"{measured}; the model never gets there: cut-out, setting or volume of the line's file is not what was recorded."
    off = c.measured.took_s / c.model_s - 1.0
    if abs(off) <= AGREES:
        return f"{measured}; the model says {seconds(c.model_s)} ({change(off)}): they agree."
    what = "the tank's volume or the delivery" if c.by_pump else "the receiver's volume or what the line passes"
    if off > 0.0:
        return f"{measured}; the model says {seconds(c.model_s)} ({change(off)}): {what} is not as the file says, or the line leaks."
    return f"{measured}; the model says {seconds(c.model_s)} ({change(off)}): {what} is not as the file says; is there water in it?"


def leak_plan(plan: LeakPlan, leak_m3_per_s: float, reader: Reader) -> list[str]:
    """Say how long to leave a line shut in."""
    out = [f"After filling wait {seconds(plan.settle_s)}, until the air has the temperature of the wall."]
    if plan.record_s is None:
        out.append(
            f"A leak of {reader.flow(leak_m3_per_s)} would not show within three days. Record the temperature too, or shut in less air."
        )
    else:
        out.append(f"Then record for {seconds(plan.record_s)}: a leak of {reader.flow(leak_m3_per_s)} of free air shows by then.")
    return out + [f"  {hours:g} h would show {reader.flow(flow)}" for hours, flow in plan.smallest]
