"""Why a comparison can be believed, what was matched, and the model's prediction beside it, in plain sentences."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from analysis.constants import ATMOSPHERE_ABS_PA
from analysis.units import significant
from dashboard.answers import KPA, Json, estimate
from dashboard.reader import Reader, change, finer_seconds, percent, seconds

if TYPE_CHECKING:
    from analysis.compare import Comparison
    from analysis.estimate import Estimate
    from analysis.predict import Prediction
    from analysis.settled import Settled

FEW: Final = 20  # settled shots on a side, below which the reader is told that more would sharpen the answer
SHARP: Final = 0.01  # a p-value below this: the curves differ beyond doubt; above 0.05 they do not


def checks(c: Comparison, reader: Reader) -> list[tuple[str, str]]:
    """Say what was done so that only the line counts: name of the check and what it found; nothing where nothing was compared."""
    sides = c.before, c.after
    if c.dip_change.value is None:
        return []
    total = [len(side.record.shots) for side in sides]
    out = [
        (
            "Equal work",
            f"Only shots fired on a settled line, and without a regulator only those with the pump idle, are set side by side: "
            f"{c.before.used} of {total[0]} before, {c.after.used} of {total[1]} after.",
        ),
        ("Pace", _pace(c)),
        ("Starting pressure", _pressure(c, reader)),
        *([("Supply", _supply(c, reader))] if c.supply_shift.value is not None else []),
        ("Recoveries cut off", _cut_off(c)),
        (
            "Bursts",
            f"Shots of one burst resemble each other, so whole bursts were drawn again and again: {c.before.bursts} before, "
            f"{c.after.bursts} after.",
        ),
        ("Number of shots", _number(c)),
    ]
    by_hand = sum(len(s.record.taken_out) + sum(x.by_hand for x in s.record.shots) for s in sides)
    if by_hand:
        out.append(("By hand", f"{by_hand} of the detector's findings were corrected by hand."))
    return out


def _pace(c: Comparison) -> str:
    usual = [_usual(side) for side in (c.before, c.after)]
    if None in usual:
        return "The shots compared stand alone, each fired long after the one before."
    came = [seconds(u or 0.0) for u in usual]
    words = f"Before the change the shots compared came {came[0]} after the shot before them (median), after it {came[1]}."
    shift = c.pace_shift
    if shift.value is None or abs(shift.value) < 0.002:
        return f"{words} The difference in pace does nothing that these shots show."
    return f"{words} The pace alone would change the dip by {_small(shift.value)}; that was taken out, and its doubt put into the interval."


def _usual(side: Settled) -> float | None:
    since = side.since_s[np.isfinite(side.since_s)]
    return float(np.median(since)) if since.size else None


def _pressure(c: Comparison, reader: Reader) -> str:
    before, after = (reader.pressure(float(np.median(side.start_pa))) for side in (c.before, c.after))
    if abs(c.pressure_shift) < 0.01:
        return f"The line stood at {before} before and at {after} after: alike."
    return (
        f"The line stood at {before} before and at {after} after. A tool takes air in proportion to absolute pressure; the dips were "
        "brought to one pressure, and the interval was widened for it."
    )


def _supply(c: Comparison, reader: Reader) -> str:
    stood = [float(np.nanmedian(side.supply_abs_pa)) - ATMOSPHERE_ABS_PA for side in (c.before, c.after)]
    before, after = (reader.pressure(pa) for pa in stood)
    words = f"Just before the shots compared the supply stood at {before} before the change and at {after} after it (medians)."
    shift = c.supply_shift.value or 0.0
    if abs(shift) < 0.002:
        return f"{words} The difference does nothing to the recoveries."
    return f"{words} That alone would change the recovery by {_small(shift)}; it was taken out, and its doubt put into the interval."


def _cut_off(c: Comparison) -> str:
    cut = [int((~side.ended).sum()) for side in (c.before, c.after)]
    if not any(cut):
        return "Every recovery compared was seen to its end."
    return (
        f"{cut[0]} of {c.before.used} before and {cut[1]} of {c.after.used} after were cut off by the next shot. Each counts as “longer "
        "than that”, so fast work does not make the line look quick."
    )


def _number(c: Comparison) -> str:
    from analysis.compare import wait_s

    least = c.matched
    if least < FEW:
        return (
            f"{least} on the side that has fewer. Twenty single shots, {wait_s(c.before, c.after)} s apart, on both days would sharpen it."
        )
    return f"{least} on the side that has fewer{'' if c.verdict == 'cannot tell' else ': enough'}."


def left_out(c: Comparison) -> list[tuple[str, str, str]]:
    """Count what was matched and what was left out, by the reason: what, before, after."""
    rows = [("found", str(len(c.before.record.shots)), str(len(c.after.record.shots)))]
    for why in dict.fromkeys((*c.before.left_out, *c.after.left_out)):
        counts = [side.left_out.get(why, 0) for side in (c.before, c.after)]
        if any(counts):
            rows.append((f"left out: {why}", str(counts[0]), str(counts[1])))
    return [*rows, ("compared", str(c.before.used), str(c.after.used))]


def left_out_words(c: Comparison) -> list[str]:
    """Say the same where no table can be shown."""
    out = []
    for name, side in (("before", c.before), ("after", c.after)):
        reasons = "; ".join(f"{n} {why}" for why, n in side.left_out.items() if n)
        if side.used and reasons:
            out.append(f"Left out {name}: {reasons}.")
    return out


def log_rank(c: Comparison) -> str:
    """Say what the test of the two recovery curves found."""
    if c.p_value is None:
        return "The recovery curves could not be tested against each other (log-rank): too few recoveries were seen."
    p = "less than 0.001" if c.p_value < 0.001 else significant(c.p_value, 2)
    verdict = (
        "the curves differ beyond chance"
        if c.p_value < SHARP
        else "the curves may differ by chance alone"
        if c.p_value > 0.05
        else "the curves seem to differ"
    )
    return (
        f"Log-rank test of the two recovery curves: p = {p}, so {verdict}. It knows neither by how much nor "
        "whether the line, the weather or the setting made the difference."
    )


# The prediction


def predicted(p: Prediction | None) -> Json | None:
    """Key `predicted` of the answer; null where no lines were named."""
    if p is None:
        return None
    return {
        "recovery": {
            "before_s": estimate(p.recovery_before_s),
            "after_s": estimate(p.recovery_after_s),
            "change": estimate(p.recovery_change),
        },
        "dip": {
            "before_kpa": estimate(p.dip_before_pa, KPA),
            "after_kpa": estimate(p.dip_after_pa, KPA),
            "change": estimate(p.dip_change),
        },
    }


def prediction_words(c: Comparison, p: Prediction, channel: str, reader: Reader) -> list[str]:
    """Set the change that the line model expects beside the one measured."""
    out = []
    for what, measured, model in (("recovery", c.recovery_change, p.recovery_change), ("dip", c.dip_change, p.dip_change)):
        if model.value is None:
            out.append(f"The model cannot tell the change in {what}: the pressure does not come back within its time.")
        elif measured.value is None and measured.low is None and measured.high is None:
            out.append(f"The model expects the {what} to change by {reader.estimate(model, change)}; these recordings cannot tell.")
        else:
            out.append(
                f"The model expects the {what} to change by {reader.estimate(model, change)}; measured is "
                f"{reader.estimate(measured, change)}: {_agreement(measured, model)}."
            )
    if "tool" not in channel.casefold():
        out.append(f"The model's shot is seen at the tool's inlet; the sensor here is {channel!r}, and elsewhere on a line dips differ.")
    out.append(
        "The model knows no more than the air-line files say: a bore, a coupler or the tool's air that is not as written moves its "
        "numbers, hardly the measured ones. Where they disagree, believe the measurement, and let a fit (page Line, or farend fit) say why."
    )
    return out


def _agreement(measured: Estimate, model: Estimate) -> str:
    if None in (model.low, model.high):
        return "the intervals are open"
    low = -math.inf if measured.low is None else measured.low
    high = math.inf if measured.high is None else measured.high
    if low <= (model.high or 0.0) and (model.low or 0.0) <= high:
        return "they agree"
    return "they disagree"


def _small(x: float) -> str:
    return f"{'+' if x > 0 else '-'}{percent(abs(x))}"  # a change below one percent, which `change` would round away


def prediction_rows(p: Prediction, reader: Reader, write: Any) -> list[tuple[Any, ...]]:
    """Rows of a table, each estimate written by `write`: what, before, after, change."""
    return [
        ("recovery", write(p.recovery_before_s, finer_seconds), write(p.recovery_after_s, finer_seconds), write(p.recovery_change, change)),
        ("dip", write(p.dip_before_pa, reader.pressure), write(p.dip_after_pa, reader.pressure), write(p.dip_change, change)),
    ]
