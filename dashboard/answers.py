"""An answer as one JSON object: keys, units and nulls as the command line promises.

Every estimate is ``{"value": , "low": , "high": }`` (95 %), in the unit that its key names; what cannot be told is null.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Final

from analysis.estimate import Estimate
from analysis.schedule import air_asked

if TYPE_CHECKING:
    from analysis.carry_off import CarryOff, FillCheck
    from analysis.compare import Comparison
    from analysis.cycles import Cycles
    from analysis.fit import LineFit
    from analysis.leak_breaks import Span
    from analysis.leak_cost import LeakCost
    from analysis.leak_plan import LeakPlan
    from analysis.leakdown import Leakdown
    from analysis.line import Line
    from analysis.line_check import PartCheck
    from analysis.model import Simulation
    from analysis.record import ShotRecord
    from analysis.sensor_view import SensorView
    from analysis.shots import ShotSummary
    from analysis.sizing import Sizing
    from analysis.variants import Change
    from analysis.whatif import WhatIf, Work
    from logger.csv_in import CsvReading
    from logger.session import Session

Json = dict[str, Any]

KPA: Final = 1e-3  # from Pa
LITRE: Final = 1e3  # from m3
MM: Final = 1e3  # from m
L_PER_S_BAR: Final = 1e8  # from m3/(s Pa)


def number(x: float | None, scale: float = 1.0) -> float | None:
    """Scale a number; what is absent or not finite is null."""
    return None if x is None or not math.isfinite(x) else round(float(x) * scale, 9)


def estimate(e: Estimate, scale: float = 1.0) -> Json:
    """Write an estimate in another unit."""
    return {"value": number(e.value, scale), "low": number(e.low, scale), "high": number(e.high, scale)}


def spans(found: Sequence[Span], *, why: bool) -> list[Json]:
    """Stretches of a recording, with the reason where one is owed."""
    return [{"from_s": number(s.from_s), "until_s": number(s.until_s)} | ({"why": s.why} if why else {}) for s in found]


def leakdown(leak: Leakdown, cost: LeakCost, delivery_m3_per_s: float | None = None) -> Json:
    """Answer of `farend leakdown`; with the compressor's delivery, the leak's share of it too."""
    return {
        "verdict": leak.verdict,
        "why": leak.why,
        "leak_l_per_s": estimate(leak.leak_m3_per_s, LITRE),
        "reference_kpa": number(leak.reference_pa, KPA),
        "conductance_l_per_s_bar": estimate(leak.conductance, L_PER_S_BAR),
        "critical_ratio": leak.critical_ratio,
        "hole_mm": estimate(leak.hole_m, MM),
        "smallest_detectable_l_per_s": number(leak.smallest_detectable_m3_per_s, LITRE),
        "volume_l": number(leak.volume_m3, LITRE),
        "temperature": leak.temperature,
        "temperature_lag_s": number(leak.lag_s),
        "sensor_zero_kpa": estimate(leak.zero_pa, KPA),
        "fall_at_start_kpa_per_h": estimate(leak.fall_start_pa_per_s, 3600.0 * KPA),
        "fall_at_end_kpa_per_h": estimate(leak.fall_now_pa_per_s, 3600.0 * KPA),
        "time_constant_h": estimate(leak.time_constant_s, 1.0 / 3600.0),
        "half_time_h": estimate(leak.half_time_s, 1.0 / 3600.0),
        "used": spans(leak.used, why=False),
        "left_out": spans(leak.left_out, why=True),
        "delivery_share": estimate(leak.leak_m3_per_s, 1.0 / delivery_m3_per_s) if delivery_m3_per_s else None,
        "cost_per_year": estimate(cost.per_year),
        "cost_inputs": {
            "tariff_per_kwh": cost.tariff_per_kwh,
            "specific_power_kj_per_m3": number(cost.specific_power_j_per_m3, 1e-3),
            "hours": cost.hours,
        },
        "warnings": list(leak.warnings),
    }


def shots(channel: str, record: ShotRecord, summary: ShotSummary) -> Json:
    """Answer of `farend shots`."""
    return {
        "channel": channel,
        "readings": record.readings,
        "duration_s": number(record.duration_s),
        "rate_hz": number(record.rate_hz),
        "noise_kpa": number(record.noise_pa, KPA),
        "resolution_kpa": number(record.resolution_pa, KPA),
        "shots": [
            {
                "time_s": number(s.time_s),
                "before_kpa": number(s.before_pa, KPA),
                "minimum_kpa": number(s.minimum_pa, KPA),
                "dip_kpa": number(s.dip_pa, KPA),
                "recovery_s": number(s.recovery_s),
                "outcome": s.outcome,
            }
            for s in record.shots
        ],
        "by_hand": {
            "taken_out_s": [number(s.time_s) for s in record.taken_out],
            "added_s": [number(s.time_s) for s in record.shots if s.by_hand],
        },
        "doubtful_s": [number(s.time_s) for s in record.shots if s.doubtful],
        "events": [{"kind": e.kind, "time_s": number(e.time_s), "until_s": number(e.until_s)} for e in record.events],
        "summary": {
            "shots": summary.shots,
            "recovered": summary.recovered,
            "cut_off": summary.cut_off,
            "not_recovered": summary.not_recovered,
            "median_recovery_s": estimate(summary.median_recovery_s),
            "recovery_90_s": estimate(summary.recovery_90_s),
            "median_dip_kpa": estimate(summary.median_dip_pa, KPA),
            "median_before_kpa": estimate(summary.median_before_pa, KPA),
            "steadiness_kpa": number(summary.steadiness_pa, KPA),
            "regulator_turns": summary.turns,
            "steadiness_at_one_setting_kpa": number(summary.steadiness_set_pa, KPA),
            "lowest_before_kpa": number(summary.lowest_before_pa, KPA),
            "lowest_kpa": number(summary.lowest_pa, KPA),
            "in_window": number(summary.in_window),
            "air_per_shot_l": estimate(summary.air_per_shot_m3, LITRE),
            "cadence": [
                {
                    "from_s": number(c.from_s),
                    "until_s": number(c.until_s),
                    "shots": c.shots,
                    "before_kpa": number(c.before_pa, KPA),
                    "dip_kpa": number(c.dip_pa, KPA),
                    "low_kpa": number(c.low_pa, KPA),
                }
                for c in summary.cadence
            ],
            "sag": None
            if summary.sag is None
            else {
                "shots_per_s": number(summary.sag.shots_per_s),
                "nth": summary.sag.nth,
                "bursts": summary.sag.bursts,
                "low_kpa": estimate(summary.sag.low_pa, KPA),
            },
        },
        "warnings": list(record.warnings),
    }


def cycles(found: Cycles) -> Json:
    """Answer of `farend cycles`."""
    return {
        "cycles": [
            {
                "start_s": number(c.start_s),
                "stop_s": number(c.stop_s),
                "cut_in_kpa": number(c.cut_in_pa, KPA),
                "cut_out_kpa": number(c.cut_out_pa, KPA),
            }
            for c in found.cycles
        ],
        "cut_in_kpa": number(found.cut_in_pa, KPA),
        "cut_out_kpa": number(found.cut_out_pa, KPA),
        "delivery_l_per_s": estimate(found.delivery_m3_per_s, LITRE),
        "leak_l_per_s": estimate(found.leak_m3_per_s, LITRE),
        "leak_by_time_l_per_s": estimate(found.leak_by_time_m3_per_s, LITRE),
        "leak_share": number(found.leak_share),
        "leak_change": estimate(found.leak_change),
        "delivery_change": estimate(found.delivery_change),
        "reference_kpa": number(found.reference_pa, KPA),
        "duty": estimate(found.duty),
        "mean_period_s": number(found.mean_period_s),
        "starts_per_hour": number(found.starts_per_hour),
        "never_unloads": found.never_unloads,
        "warnings": list(found.warnings),
    }


def sessions(found: Sequence[Session]) -> Json:
    """Answer of `farend sessions`."""
    return {
        "sessions": [
            {
                "name": s.name,
                "folder": str(s.folder),
                "started": s.started.isoformat(),
                "duration_s": number(s.duration_s),
                "readings": s.count,
                "channels": [{"name": c.name, "unit": c.unit} for c in s.channels],
                "finished": s.finished,
                "recovered": s.recovered,
            }
            for s in found
        ]
    }


def compare(c: Comparison, predicted: Json | None = None) -> Json:
    """Answer of `farend compare`; `predicted` is what the line model expects, where it was asked."""
    return {
        "verdict": c.verdict,
        "why": c.why,
        "recovery": {
            "before_s": estimate(c.recovery_before_s),
            "after_s": estimate(c.recovery_after_s),
            "change": estimate(c.recovery_change),
        },
        "dip": {
            "before_kpa": estimate(c.dip_before_pa, KPA),
            "after_kpa": estimate(c.dip_after_pa, KPA),
            "change": estimate(c.dip_change),
        },
        "shots": {"before": len(c.before.record.shots), "after": len(c.after.record.shots), "matched": c.matched},
        "left_out": {"before": dict(c.before.left_out), "after": dict(c.after.left_out)},
        "supply_change": estimate(c.supply_shift),
        "log_rank_p": number(c.p_value),
        "predicted": predicted,
        "warnings": list(c.warnings),
    }


def simulation(line: Line, s: Simulation, seen: SensorView) -> Json:
    """Answer of `farend simulate`."""
    asked = air_asked(line, [x.time_s for x in s.shots])
    return {
        "shots": [
            {
                "time_s": number(x.time_s),
                "before_kpa": number(x.before_pa, KPA),
                "minimum_kpa": number(x.minimum_pa, KPA),
                "dip_kpa": number(x.dip_pa, KPA),
                "recovery_s": number(x.recovery_s),
                "air_l": number(x.air_m3, LITRE),
            }
            for x in s.shots
        ],
        "lowest_kpa": number(float(s.tool_pa.min()), KPA),
        "time_s": [number(float(t)) for t in s.t_s],
        "tool_kpa": [number(float(p), KPA) for p in s.tool_pa],
        "sensor": {
            "place": seen.sensor.place,
            "lag_s": number(seen.sensor.lag_s),
            "resolution_kpa": number(seen.sensor.resolution_pa, KPA),
            "kpa": [number(float(p), KPA) for p in seen.p_pa],
            "shots": [
                {
                    "time_s": number(x.time_s),
                    "before_kpa": number(x.before_pa, KPA),
                    "minimum_kpa": number(x.minimum_pa, KPA),
                    "dip_kpa": number(x.dip_pa, KPA),
                }
                for x in seen.shots
            ],
        },
        "air_asked_l_per_s": number(asked, LITRE) if asked else None,
        "supply_at_end_kpa": number(float(s.supply_pa[-1]), KPA),
        "mass_error": number(s.mass_error),
        "energy_error": number(s.energy_error),
        "warnings": [],
    }


def imported(reading: CsvReading) -> Json:
    """Answer of `farend import`."""
    return {
        "rows": reading.rows,
        "duration_s": number(reading.duration_s),
        "bad_lines": [{"line": line, "why": why} for line, why in reading.bad_lines],
        "bad_count": reading.bad_count,
        "repaired": dict(reading.repaired),
        "columns": reading.columns,
        "time": reading.time,
        "unit": reading.unit,
        "rate_hz": number(reading.rate_hz),
        "warnings": list(reading.warnings),
    }


def carry_off(c: CarryOff, check: FillCheck | None) -> Json:
    """Answer of `farend carry`."""
    return {
        "receiver_l": number(c.volume_m3, LITRE),
        "start_kpa": number(c.start_pa, KPA),
        "floor_kpa": number(c.floor_pa, KPA),
        "brad_floor_kpa": number(c.brad_floor_pa, KPA),
        "fill_s": number(c.fill_s),
        "tyres": estimate(c.tyres),
        "tyre_l": number(c.tyre_m3, LITRE),
        "brads": estimate(c.brads),
        "brad_air_l": number(c.brad_air_m3, LITRE),
        "shots": estimate(c.shots),
        "shot_air_l": number(c.shot_air_m3, LITRE),
        "filling": None
        if check is None
        else {
            "from_s": number(check.measured.from_s),
            "low_kpa": number(check.measured.low_pa, KPA),
            "high_kpa": number(check.measured.high_pa, KPA),
            "measured_s": number(check.measured.took_s),
            "model_s": number(check.model_s),
            "by": "pump" if check.by_pump else "line",
        },
        "warnings": [],
    }


CHANGE_UNITS: Final[dict[str, tuple[str, float]]] = {  # of what is changed, and its scale from SI
    "bore": ("mm", MM),
    "length": ("m", 1.0),
    "receiver": ("l", LITRE),
    "place": ("l", LITRE),
    "regulator": ("l", LITRE),
    "coupler": ("l_per_s_bar", L_PER_S_BAR),
    "switch": ("kpa", KPA),
    "set": ("kpa", KPA),
}


def changed(c: Change) -> Json:
    """One change to a line."""
    unit, scale = CHANGE_UNITS[c.kind]
    return {
        "kind": c.kind,
        "part": c.part,
        "where": c.where,
        "before": number(c.before, scale),
        "after": number(c.after, scale),
        "unit": unit,
    }


def what_if(w: WhatIf) -> Json:
    """Answer of `farend improve`."""

    def done(x: Work) -> Json:
        return {
            "lowest_kpa": number(x.lowest_pa, KPA),
            "holds": x.holds,
            "dip_kpa": number(x.dip_pa, KPA),
            "recovery_s": number(x.recovery_s),
            "refilled_s": number(x.refilled_s),
            "back_s": number(x.back_s),
        }

    def parts(checks: Sequence[PartCheck]) -> list[Json]:
        return [
            {"name": c.name, "rated_kpa": number(c.rated_pa, KPA), "sees_kpa": number(c.normal_pa, KPA), "verdict": c.verdict}
            for c in checks
        ]

    return {
        "shots": w.burst.shots,
        "every_s": number(w.burst.every_s),
        "floor_kpa": number(w.burst.floor_pa, KPA),
        "now": done(w.now),
        "improvements": [
            {
                **changed(x.change),
                **done(x.work),
                "gain_kpa": number(x.gain_pa, KPA),
                "breaks_rating": parts(x.broken),
                "at_risk": parts(x.at_risk),
            }
            for x in w.improvements
        ],
        "warnings": [],
    }


def sizing(s: Sizing) -> Json:
    """Answer of `farend size`."""
    return {
        "receiver_l": number(s.receiver_m3, LITRE),
        "interval_l": estimate(s.interval_m3, LITRE),
        "interval_from": [{"input": name, "receiver_l": [number(low, LITRE), number(high, LITRE)]} for name, low, high in s.rests_on],
        "common_l": number(s.common_m3, LITRE),
        "handbook_l": number(s.handbook_m3, LITRE),
        "settled_kpa": number(s.settled_pa, KPA),
        "lowest_kpa": number(s.lowest_pa, KPA),
        "minimum_kpa": number(s.minimum_pa, KPA),
        "recovery_s": number(s.recovery_s),
        "refill_s": number(s.refill_s),
        "fill_s": number(s.fill_s),
        "candidates": [
            {
                "volume_l": number(c.volume_m3, LITRE),
                "lowest_kpa": number(c.lowest_pa, KPA),
                "minimum_kpa": number(c.minimum_pa, KPA),
                "recovery_s": number(c.recovery_s),
            }
            for c in s.candidates
        ],
        "alternatives": [{**changed(a.change), "receiver_l": number(a.receiver_m3, LITRE)} for a in s.alternatives],
        "why": s.why,
        "cautions": list(s.cautions),
    }


def fit(f: LineFit, findings: Sequence[str]) -> Json:
    """Answer of `farend fit`; the findings are sentences."""
    return {
        "parameters": [{"name": p.name} | estimate(p.value) | {"nominal": number(p.nominal), "unit": p.unit} for p in f.parameters],
        "volume_downstream_l": estimate(f.volume_downstream_m3, LITRE),
        "line_drop_kpa": estimate(f.line_drop_pa, KPA),
        "regulator_fall_kpa": estimate(f.regulator_fall_pa, KPA),
        "flow_l_per_s": number(f.flow_m3_per_s, LITRE),
        "inlet_kpa": number(f.inlet_pa, KPA),
        "residual_kpa": number(f.residual_pa, KPA),
        "cannot_separate": [list(group) for group in f.cannot_separate],
        "findings": list(findings),
        "warnings": list(f.warnings),
    }


def leak_plan(plan: LeakPlan) -> Json:
    """Answer of `farend leakdown --plan`."""
    return {
        "settle_s": number(plan.settle_s),
        "record_s": number(plan.record_s),
        "smallest": [{"hours": number(hours), "leak_l_per_s": number(flow, LITRE)} for hours, flow in plan.smallest],
        "warnings": [],
    }
