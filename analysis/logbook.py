"""What a line has done and what is due: shots and hours, water and desiccant since they were last seen to, and what changes over time."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Final

from analysis.estimate import Estimate
from analysis.trend import Trend, trend
from analysis.water import WATER_DENSITY_KG_PER_M3, WaterBalance

TREND_NAMES: Final = ("recovery", "dip", "leak", "delivery")


@dataclass(frozen=True, slots=True, kw_only=True)
class Digest:
    """One session in the few numbers that the log book needs; NaN where it does not tell.

    Attributes
    ----------
    name : str
        The session's.
    started : datetime
        Zone-aware.
    duration_s : float
        Length [s].
    shots : int
        Shots found.
    recovery_s, dip_pa : float
        Medians over the shots [s], [Pa].
    leak_m3_per_s, delivery_m3_per_s : float
        Free air, where the session was a leak-down or shows the pump [m3/s].
    """

    name: str
    started: datetime
    duration_s: float
    shots: int = 0
    recovery_s: float = math.nan
    dip_pa: float = math.nan
    leak_m3_per_s: float = math.nan
    delivery_m3_per_s: float = math.nan


@dataclass(frozen=True, slots=True, kw_only=True)
class Service:
    """Something that was done to the line: what, and when (zone-aware)."""

    kind: str
    when: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class Due:
    """What is due, and when.

    Attributes
    ----------
    what : str
        What is to be done.
    work_left_s : Estimate
        Hours of work until then [s]; value None where it goes by the calendar; 0 or less: due now.
    on : datetime or None
        Day on which it is due, where it goes by the calendar or follows from the work done so far.
    why : str
        The reason in a sentence.
    """

    what: str
    work_left_s: Estimate
    on: datetime | None
    why: str

    def is_due(self, now: datetime) -> bool:
        """Tell whether it is due now."""
        return (self.work_left_s.value is not None and self.work_left_s.value <= 0.0) or (self.on is not None and self.on <= now)


@dataclass(frozen=True, slots=True, kw_only=True)
class LogBook:
    """The line's account.

    Attributes
    ----------
    shots : int
        In all sessions of the line.
    work_s : float
        Length of the sessions with shots [s].
    sessions : tuple of Digest
        In order of time.
    since_drained : tuple of (int, float)
        Shots, and working time [s], since the tank was last drained.
    dues : tuple of Due
        The most urgent first.
    trends : mapping of str to Trend
        Of recovery, dip, leak and delivery.
    """

    shots: int
    work_s: float
    sessions: tuple[Digest, ...]
    since_drained: tuple[int, float]
    dues: tuple[Due, ...]
    trends: Mapping[str, Trend]


def keep_book(
    sessions: Sequence[Digest],
    services: Sequence[Service],
    water: WaterBalance,
    calibrated: Mapping[str, datetime],
    *,
    now: datetime,
    calibration_days: float,
) -> LogBook:
    """Add up what the sessions and the services of a line say.

    Parameters
    ----------
    sessions : sequence of Digest
        Sessions of the line, in any order.
    services : sequence of Service
        What was done to it, in any order.
    water : WaterBalance
        Of the line, for the weather of its site: how much water a shot brings.
    calibrated : mapping of str to datetime
        Sensors, and when each was calibrated last.
    now : datetime
        Zone-aware.
    calibration_days : float
        How long a calibration is held to be in date.
    """
    order = tuple(sorted(sessions, key=lambda d: d.started))
    at = [d.started.timestamp() for d in order]
    rows = [(d.recovery_s, d.dip_pa, d.leak_m3_per_s, d.delivery_m3_per_s) for d in order]
    drained = _since(order, services, "tank drained")
    dues = [
        _bowl("drain the tank", drained, water.tank_kg_per_day, water),
        _bowl("drain the receiver", _since(order, services, "receiver drained"), water.receiver_kg_per_day, water),
        _desiccant(_since(order, services, "desiccant changed"), water),
        *(_calibration(name, when, calibration_days) for name, when in calibrated.items()),
    ]
    pace = _pace(order, now)
    found = [_dated(due, pace, now) for due in dues if due is not None]
    return LogBook(
        shots=sum(d.shots for d in order),
        work_s=sum(d.duration_s for d in order if d.shots),
        sessions=order,
        since_drained=drained,
        dues=tuple(sorted(found, key=lambda due: due.on or datetime.max.replace(tzinfo=now.tzinfo))),
        trends={name: trend(at, [row[i] for row in rows]) for i, name in enumerate(TREND_NAMES)},
    )


def _since(order: Sequence[Digest], services: Sequence[Service], kind: str) -> tuple[int, float]:
    """Shots and working time since something was last done; since the first session where it never was."""
    done = max((s.when for s in services if s.kind == kind), default=None)
    after = [d for d in order if d.shots and (done is None or d.started >= done)]
    return sum(d.shots for d in after), sum(d.duration_s for d in after)


def _bowl(what: str, since: tuple[int, float], kg_per_day: Estimate, water: WaterBalance) -> Due | None:
    """When a bowl is full, by the water that the model lets fall out per shot."""
    shots, work_s = since
    if not kg_per_day.value or not water.shots_per_day > 0.0:
        return None
    per_shot = kg_per_day.map(lambda kg: kg / water.shots_per_day)
    full_kg = water.bowl_m3 * WATER_DENSITY_KG_PER_M3
    # Where nothing was worked yet, the working day that the balance is stated for tells how fast shots follow each other.
    pace = shots / work_s if shots and work_s > 0.0 else water.shots_per_day / (water.hours_per_day * 3600.0)

    def left(kg: float | None) -> float | None:
        return (full_kg - shots * kg) / (kg * pace) if kg else None

    gathered = shots * (per_shot.value or 0.0)
    return Due(
        what=what,
        work_left_s=Estimate(value=left(per_shot.value), low=left(per_shot.high), high=left(per_shot.low)),
        on=None,
        why=f"About {1e3 * gathered:.0f} mL have gathered in {shots} shots, of the {1e3 * full_kg:.0f} mL that may.",
    )


def _desiccant(since: tuple[int, float], water: WaterBalance) -> Due | None:
    life = water.desiccant_life_s
    if life.value is None:
        return None
    # Its life is stated in hours of the balance's working day: it goes by the shots, so by the air that was dried.
    shots, _ = since
    used_s = shots / water.shots_per_day * water.hours_per_day * 3600.0 if water.shots_per_day > 0.0 else 0.0
    return Due(
        what="change the desiccant",
        work_left_s=life.map(lambda s: s - used_s),
        on=None,
        why=f"It has dried the air of {shots} shots; it lasts about {life.value / used_s * shots if used_s else math.nan:.0f}."
        if used_s
        else "It is fresh: no shot was recorded since it was changed.",
    )


def _calibration(name: str, when: datetime, days: float) -> Due:
    return Due(
        what=f"check the zero of {name}",
        work_left_s=Estimate(value=None),
        on=when + timedelta(days=days),
        why=f"It was calibrated on {when:%Y-%m-%d}; a calibration is held to be in date for {days:.0f} days.",
    )


def _pace(order: Sequence[Digest], now: datetime) -> float:
    """Working time per day of the calendar, over the last quarter of a year; 0 where nothing was recorded then."""
    recent = [d for d in order if d.shots and (now - d.started).days <= 90]
    if not recent:
        return 0.0
    days = max(1.0, (now - recent[0].started).total_seconds() / 86_400.0)
    return sum(d.duration_s for d in recent) / days


def _dated(due: Due, pace: float, now: datetime) -> Due:
    """Say on which day it falls, where work goes on as it did."""
    left = due.work_left_s.value
    if due.on is not None or left is None:
        return due
    if left <= 0.0:
        return replace(due, on=now)
    return replace(due, on=now + timedelta(days=left / pace)) if pace > 0.0 and left / pace < 3650.0 else due
