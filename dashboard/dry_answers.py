"""Answers of `farend water`, `farend setting` and `farend check`: as JSON and in plain sentences."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Final

from analysis.constants import ZERO_CELSIUS_K
from analysis.estimate import Estimate
from analysis.units import from_si, significant
from analysis.water import WATER_DENSITY_KG_PER_M3
from dashboard.answers import KPA, LITRE, Json, estimate, number
from dashboard.reader import Reader, percent

if TYPE_CHECKING:
    from analysis.dial_in import DialIn
    from analysis.line import Line
    from analysis.line_check import PartCheck
    from analysis.water import WaterBalance
    from analysis.water_variants import WaterVariant

OFFSET_PA: Final = 2e3  # a smaller difference between rest and shot is below what a gauge shows
_L_PER_KG: Final = 1e3 / WATER_DENSITY_KG_PER_M3
_HOURS: Final = 1.0 / 3600.0


def celsius(e: Estimate) -> Json:
    """A temperature [K] in degC."""
    return estimate(e.map(lambda k: k - ZERO_CELSIUS_K))


def water(variants: Sequence[WaterVariant]) -> Json:
    """Answer of `farend water`: of the line as it is, and what each change would bring."""
    b = variants[0].balance
    return {
        "variants": [
            {
                "name": v.name,
                "dew_point_at_tool_degc": celsius(v.balance.dew_point_at_tool_k),
                "water_forms": v.balance.forms,
                "held_by_dryer_l_per_day": estimate(v.balance.dryer_kg_per_day, _L_PER_KG),
                "desiccant_life_h": estimate(v.balance.desiccant_life_s, _HOURS),
            }
            for v in variants
        ],
        "condensed_l_per_day": {
            "tank": estimate(b.tank_kg_per_day, _L_PER_KG),
            "hose": estimate(b.hose_kg_per_day, _L_PER_KG),
            "receiver": estimate(b.receiver_kg_per_day, _L_PER_KG),
            "other": estimate(b.other_kg_per_day, _L_PER_KG),
        },
        "held_by_dryer_l_per_day": estimate(b.dryer_kg_per_day, _L_PER_KG),
        "drawn_in_l_per_day": estimate(b.drawn_kg_per_day, _L_PER_KG),
        "left_in_air_l_per_day": estimate(b.left_kg_per_day, _L_PER_KG),
        "condensed_ml_per_hour": estimate(_an_hour(b), 1e3 * _L_PER_KG),
        "condensed_ml_per_1000_shots": estimate(b.condensed_kg_per_1000_shots, 1e3 * _L_PER_KG),
        "dew_point_at_tool_degc": celsius(b.dew_point_at_tool_k),
        "dew_point_expanded_degc": celsius(b.dew_point_expanded_k),
        "margin_k": estimate(b.margin_k),
        "water_forms": b.forms,
        "why": b.why,
        "drain_every_h": estimate(b.drain_tank_s, _HOURS),
        "drain_receiver_every_h": estimate(b.drain_receiver_s, _HOURS),
        "bowl_l": number(b.bowl_m3, LITRE),
        "desiccant_life_h": estimate(b.desiccant_life_s, _HOURS),
        "silica_gel_kg_per_day": number(b.desiccant_kg_per_day),
        "air_m3_per_day": number(b.air_m3_per_day),
        "shots_per_day": number(b.shots_per_day),
        "hours_per_day": number(b.hours_per_day),
        "places": [
            {
                "name": p.name,
                "kind": p.kind,
                "pressure_kpa": number(p.pressure_pa, KPA),
                "temperature_degc": number(p.temp_k - ZERO_CELSIUS_K),
                "dew_point_degc": celsius(p.dew_point_k),
                "condensed_l_per_day": estimate(p.condensed_kg_per_day, _L_PER_KG),
            }
            for p in b.places
        ],
        "assumptions": list(b.assumptions),
        "warnings": list(b.warnings),
    }


def _an_hour(b: WaterBalance) -> Estimate:
    """Liquid water in an hour of work [kg]."""
    return b.condensed_kg_per_1000_shots.map(lambda kg: kg * b.shots_per_day / 1000.0 / b.hours_per_day)


def water_words(line: Line, variants: Sequence[WaterVariant], reader: Reader) -> list[str]:
    """Say where the water goes and whether any reaches the tool."""
    b = variants[0].balance
    heads = {
        "yes": "Water forms on the way to the tool.",
        "no": "No water forms between the tank and the tool.",
        "cannot tell": "Whether water forms on the way to the tool cannot be told.",
    }

    out = [
        f"{line.name}: {heads[b.forms]} {b.why}",
        f"At the tool the dew point under pressure is {reader.estimate(b.dew_point_at_tool_k, reader_temperature(reader))}; "
        f"let down to ambient it is {reader_temperature(reader)(b.dew_point_expanded_k.value or 0.0)}.",
        f"In {b.shots_per_day:.0f} shots and {significant(b.air_m3_per_day, 3)} m³ of free air a day, "
        f"{reader.estimate(b.drawn_kg_per_day, water_amount)} of water come in.",
        f"Of that {reader.estimate(b.tank_kg_per_day, water_amount)} fall out in the tank, "
        f"{water_amount(b.hose_kg_per_day.value or 0.0)} in hoses, "
        f"{water_amount(b.receiver_kg_per_day.value or 0.0)} in receivers; {water_amount(b.left_kg_per_day.value or 0.0)} leave as vapour.",
    ]
    if b.dryer_kg_per_day.value:
        out.append(f"The dryer holds back {reader.estimate(b.dryer_kg_per_day, water_amount)} a day.")
    if b.condensed_kg_per_1000_shots.value is not None:
        out.append(
            f"That is {reader.estimate(b.condensed_kg_per_1000_shots, water_amount)} of liquid water per 1000 shots, "
            f"{water_amount(_an_hour(b).value or 0.0)} an hour of work."
        )
    if b.drain_tank_s.value is not None:
        out.append(
            f"{water_amount(b.bowl_m3 * WATER_DENSITY_KG_PER_M3)} gather in the tank in {working_time(b.drain_tank_s.value, b)}; "
            "drain it every day all the same."
        )
    if b.drain_receiver_s.value is not None:
        out.append(f"In the receiver they gather in {working_time(b.drain_receiver_s.value, b)}.")
    if b.desiccant_life_s.value is not None:
        out.append(f"The desiccant lasts {reader.estimate(b.desiccant_life_s, lambda t: working_time(t, b))}.")
    elif math.isfinite(b.desiccant_kg_per_day):
        out.append(f"A day's water spends {significant(1e3 * b.desiccant_kg_per_day, 2)} g of silica gel.")
    width = max(len(p.name) for p in b.places)
    degrees = reader_temperature(reader)
    out += [
        f"  {p.name:<{width}}  {reader.pressure(p.pressure_pa):>9}  {degrees(p.temp_k):>9}  dew point "
        f"{degrees(p.dew_point_k.value or 0.0):>9}  {water_amount(p.condensed_kg_per_day.value or 0.0):>8} a day"
        for p in b.places
    ]
    out += [
        f"  {v.name}: dew point at the tool {degrees(v.balance.dew_point_at_tool_k.value or 0.0)}"
        + (f", desiccant lasts {working_time(v.balance.desiccant_life_s.value, v.balance)}" if v.balance.desiccant_life_s.value else "")
        + f"; water on the way: {v.balance.forms}"
        for v in variants
    ]
    return [*out, *(f"Assumed: {a}" for a in b.assumptions)]


def reader_temperature(reader: Reader) -> Callable[[float], str]:
    """How the reader's temperatures are written: degF goes with psi."""
    unit, written = ("degF", "°F") if reader.unit == "psi" else ("degC", "°C")
    return lambda k: f"{from_si(k, unit):.1f} {written}"


def working_time(t_s: float, b: WaterBalance) -> str:
    """Write working time [s], in hours and in working days."""
    hours = t_s / 3600.0
    days = "" if hours < 2.0 * b.hours_per_day else f" ({significant(hours / b.hours_per_day, 2)} days)"
    return f"{significant(hours, 2)} h of work{days}"


def water_amount(kg: float) -> str:
    """Write an amount of water [kg] as mL or L."""
    ml = 1e3 * kg * _L_PER_KG
    return f"{significant(ml, 2)} mL" if ml < 995.0 else f"{significant(ml / 1e3, 2)} L"


# Setting


def setting(found: DialIn) -> Json:
    """Answer of `farend setting`."""
    s = found.setting
    return {
        "work": found.work,
        "works": list(found.works),
        "verdict": s.verdict,
        "why": s.why,
        "method": s.method,
        "flush_kpa": estimate(s.flush_pa, KPA),
        "suggested_kpa": number(s.suggested_pa, KPA),
        "band_kpa": None if s.band_pa is None else {"low": number(s.band_pa[0], KPA), "high": number(s.band_pa[1], KPA)},
        "flush_share": number(s.flush_share),
        "share_as_worked": number(s.share_as_worked),
        "depth_mm_per_bar": estimate(s.depth_per_pa, 1e8),
        "counts": s.counts,
        "next_kpa": number(s.next_pa, KPA),
        "more": s.more,
        "limit_kpa": number(s.limit_pa, KPA),
        "rest_above_shot_kpa": number(found.rest_above_shot_pa, KPA),
        "judged": [
            {
                "mark_s": number(j.mark_s),
                "time_s": number(j.shot.time_s),
                "before_kpa": number(j.shot.before_pa, KPA),
                "depth": j.depth if isinstance(j.depth, str) else None,
                "depth_mm": None if isinstance(j.depth, str) else number(j.depth, 1e3),
            }
            for j in found.judged
        ],
        "warnings": list(found.warnings),
    }


def setting_words(found: DialIn, reader: Reader) -> list[str]:
    """Say which pressure sets flush, how sure that is, and what to judge next."""
    s, static_pa = found.setting, found.rest_above_shot_pa
    counted = ", ".join(f"{n} {depth}" for depth, n in s.counts.items())
    if s.verdict == "setting":
        of = f"{found.work}: flush" if found.work else "Flush"
        head = f"{of} at {reader.estimate(s.flush_pa, reader.pressure)}, measured just before the shot. {s.why}"
    elif s.verdict == "above the limit":
        head = f"No setting within the tool's limit of {reader.pressure(s.limit_pa)} sets flush. {s.why}"
    else:
        head = f"These shots cannot tell the setting. {s.why}"
    out = [head, f"Judged: {counted}."]
    if s.flush_pa.value is None and s.flush_pa.low is not None:
        out.append(f"It lies above {reader.pressure(s.flush_pa.low)} (97.5 %).")
    if s.flush_pa.value is None and s.flush_pa.high is not None:
        out.append(f"It lies below {reader.pressure(s.flush_pa.high)} (97.5 %).")
    if s.suggested_pa is not None and s.flush_pa.value is not None and abs(s.suggested_pa - s.flush_pa.value) > 1e3:
        out.append(f"Suggested: {reader.pressure(s.suggested_pa)} at the shot.")
    if s.band_pa is not None:
        out.append(f"Nine of ten or more come flush between {reader.pressure(s.band_pa[0])} and {reader.pressure(s.band_pa[1])}.")
    if s.verdict == "setting" and math.isfinite(s.share_as_worked):
        out.append(f"With the line's pressure straying as it did in this recording, about {percent(s.share_as_worked)} come flush there.")
    if s.depth_per_pa.value is not None:
        out.append(f"Depth per bar: {reader.estimate(s.depth_per_pa.map(lambda d: 1e8 * d), lambda mm: f'{significant(mm, 2)} mm')}.")
    if static_pa is not None and static_pa >= OFFSET_PA and s.verdict == "setting":
        out.append(
            f"The line at rest stood {reader.pressure(static_pa)} above the pressure at the judged shots: set the regulator by so much "
            "more, and never above the tool's limit."
        )
    out += _fast_work(found, reader)
    if s.next_pa is not None:
        more = {None: "", 0: " The setting is known within 0.2 bar (3 psi) already."}.get(
            s.more, f" About {s.more} more make it sure within 0.2 bar (3 psi)."
        )
        out.append(f"The next shot teaches most at {reader.pressure(s.next_pa)}.{more}")
    out.append(f"Heeded limit: {reader.pressure(s.limit_pa)}; the maker's limit stands above anything said here.")
    return out


def _fast_work(found: DialIn, reader: Reader) -> list[str]:
    """What the line's sag in quick work does to the nails, and what helps."""
    sag, per_pa = found.sag, found.setting.depth_per_pa.value
    if sag is None or sag.low_pa.value is None or sag.low_pa.value < OFFSET_PA or found.setting.verdict != "setting":
        return []
    low_pa = sag.low_pa.value
    sits = (
        f"it sits {significant(1e3 * per_pa * low_pa, 2)} mm prouder" if per_pa else "it drives as if the regulator were set so much lower"
    )
    return [
        f"In bursts at {significant(sag.shots_per_s, 2)} a second shot {sag.nth} starts {reader.pressure(low_pa)} lower than the first: "
        f"{sits}. For quick work set up to so much higher, within the limit, or fit a receiver (`farend size`)."
    ]


# Check


def check(parts: Sequence[PartCheck], cautions: Sequence[str]) -> Json:
    """Answer of `farend check`."""
    return {
        "cautions": list(cautions),
        "parts": [
            {
                "name": p.name,
                "kind": p.kind,
                "rated_kpa": number(p.rated_pa, KPA),
                "normal_kpa": number(p.normal_pa, KPA),
                "failed_open_kpa": number(p.failed_open_pa, KPA),
                "verdict": p.verdict,
            }
            for p in parts
        ],
        "warnings": [],
    }


def check_words(line: Line, parts: Sequence[PartCheck], cautions: Sequence[str], reader: Reader) -> list[str]:
    """Say which parts are rated for what they can see, then what to heed."""
    bad = [p for p in parts if p.verdict.startswith("too low")]
    unknown = [p for p in parts if p.verdict == "rating not known"]
    if bad:
        head = f"Not rated for all they can see: {', '.join(p.name for p in bad)} ({len(bad)} of {len(parts)} parts)."
    elif unknown:
        head = f"Nothing is known to be underrated, but the line's file rates only {len(parts) - len(unknown)} of {len(parts)} parts."
    else:
        head = "Every part is rated for the highest pressure it can see, a regulator that fails open included."
    width = max(len(p.name) for p in parts)
    rows = [
        f"  {p.name:<{width}}  rated {reader.pressure(p.rated_pa) if p.rated_pa is not None else 'unknown':>9}  "
        f"sees {reader.pressure(p.normal_pa):>9}, at worst {reader.pressure(p.failed_open_pa):>9}: {p.verdict}"
        for p in parts
    ]
    return [f"{line.name}: {head}", *rows, *(f"Mind: {caution}" for caution in cautions)]
