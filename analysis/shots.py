"""Shots in a record of pressure: find them, and sum them up."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.constants import ANR_DENSITY_KG_PER_M3, ANR_TEMPERATURE_K, R_AIR_J_PER_KG_K
from analysis.detector import ShotDetector
from analysis.estimate import Estimate
from analysis.record import Event, Shot, ShotRecord, bursts
from analysis.recovered import HELD_S
from analysis.statistics import Z_95, Survival, kaplan_meier, median_interval

__all__ = [
    "BurstSag",
    "Event",
    "Shot",
    "ShotDetector",
    "ShotRecord",
    "ShotSummary",
    "air_per_shot",
    "find_shots",
    "pump_runs",
    "recovery_curve",
    "summarise",
]

Floats = NDArray[np.float64]


def find_shots(t_s: ArrayLike, p_pa: ArrayLike, *, lag_s: float = 0.0, agree: bool = True) -> ShotRecord:
    """Find every shot and other event in a record.

    Parameters
    ----------
    t_s, p_pa : array_like, shape (n,)
        Times [s], ascending, and pressure [Pa gauge]; NaN where a reading is missing.
    lag_s : float
        Time constant of the sensor's first-order response, if known [s]: onset, dip and recovery are told as they were before the
        sensor, which shows a short dip too shallow and too late. What is a shot is decided on what it shows.
    agree : bool
        Whether recoveries are told by what many shots have in common. More are right so, but all may be off together.

    Returns
    -------
    ShotRecord
        The same as a `ShotDetector` gives, whatever the size of the blocks it is fed.

    Raises
    ------
    ValueError
        If shapes differ or there are too few readings.
    """
    detector = ShotDetector(lag_s=lag_s, agree=agree)
    detector.feed(t_s, p_pa)
    return detector.finish()


@dataclass(frozen=True, slots=True, kw_only=True)
class Cadence:
    """Shots that followed the shot before within a range of intervals.

    Attributes
    ----------
    from_s, until_s : float
        Interval since the shot before [s]; `until_s` may be infinite.
    shots : int
        How many.
    before_pa, dip_pa : float
        Median pressure just before, and median dip [Pa].
    low_pa : float or None
        How much lower they start than the shot that began their run of work, median [Pa]; None where they began one themselves. Unlike
        `before_pa` it is the same at every setting of the regulator.
    """

    from_s: float
    until_s: float
    shots: int
    before_pa: float
    dip_pa: float
    low_pa: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class BurstSag:
    """How far the line has sagged by the last shots of its bursts.

    Attributes
    ----------
    shots_per_s : float
        Median pace within these bursts [1/s].
    nth, bursts : int
        Which shot of a burst, and in how many bursts it was fired.
    low_pa : Estimate
        How much lower that shot starts than the first of its burst, median [Pa].
    """

    shots_per_s: float
    nth: int
    bursts: int
    low_pa: Estimate


@dataclass(frozen=True, slots=True, kw_only=True)
class ShotSummary:
    """A record's shots in a few numbers.

    Attributes
    ----------
    shots, recovered, cut_off, not_recovered : int
        How many, and how they ended.
    median_recovery_s, recovery_90_s : Estimate
        Time by which half and 90 % of the shots have recovered [s], by Kaplan-Meier: shots cut off count for as long as they were seen.
    median_dip_pa : Estimate
        [Pa]
    median_before_pa : Estimate
        Pressure just before a shot [Pa gauge].
    steadiness_pa : float or None
        Spread of the pressure just before a shot: range of its middle 80 % [Pa].
    turns : int
        How often the regulator was turned between shots.
    steadiness_set_pa : float or None
        Spread of that pressure from its median at the same setting of the regulator [Pa]; None where no setting has `FEWEST_ALIKE` shots.
    lowest_before_pa, lowest_pa : float or None
        Lowest pressure just before a shot, and lowest of all dips [Pa gauge].
    in_window : float or None
        Share of shots that started inside the tool's window, 0..1; None where no window was given.
    cadence : tuple of Cadence
        Dip and starting pressure against the interval since the shot before.
    sag : BurstSag or None
        What bursts do to the pressure at the shot; None where fewer than `FEWEST_BURSTS` were fired.
    air_per_shot_m3 : Estimate
        Free air (ANR) a shot takes [m3]; `analysis.shot_step` weighs it where the volume is known, else no value.
    """

    shots: int
    recovered: int
    cut_off: int
    not_recovered: int
    median_recovery_s: Estimate
    recovery_90_s: Estimate
    median_dip_pa: Estimate
    median_before_pa: Estimate
    steadiness_pa: float | None
    turns: int
    steadiness_set_pa: float | None
    lowest_before_pa: float | None
    lowest_pa: float | None
    in_window: float | None
    cadence: tuple[Cadence, ...]
    sag: BurstSag | None
    air_per_shot_m3: Estimate


FEWEST_ALIKE = 3  # shots that have a spread
FEWEST_DRAWN = 4  # shots in a stretch
# Standard uncertainty that noise leaves in the depth of all dips alike, as a share of it over the dip, from recordings of one line that
# differ in their noise alone: more shots do not reduce it, as it dulls every bottom in the same way.
NOISE_U = 0.2
DRAWN_SHARE = 0.15  # of the dips that must stay gone
BALANCE_U = 0.12  # half-width of the interval that more shots do not reduce: exponent, leak, temperature
FEWEST_BURSTS = 3  # are worth a word
REST_S = 2.0  # after so long without a shot a run of work begins
CADENCE_S = (0.0, 0.3, 0.5, 1.0, REST_S, 5.0, float("inf"))


def summarise(record: ShotRecord, *, window_pa: tuple[float, float] | None = None) -> ShotSummary:
    """Sum up the shots of a record.

    Parameters
    ----------
    record : ShotRecord
        What `find_shots` gave.
    window_pa : tuple of float, optional
        Lowest and highest pressure at which the tool works well [Pa gauge].
    """
    shots = record.shots
    before = np.array([s.before_pa for s in shots])
    dips = np.array([s.dip_pa for s in shots])
    none = Estimate(value=None)
    curve = recovery_curve(shots) if shots else None
    recovery = curve.median if curve else none
    if record.undecided_s is not None:
        recovery = recovery.reaching(*record.undecided_s)
    dip = median_interval(dips)
    dip_u = math.hypot(record.depth_u, NOISE_U * record.noise_pa / dip.value if dip.value else 0.0)
    count = {o: sum(s.outcome == o for s in shots) for o in ("recovered", "cut off", "not recovered")}
    turned = np.searchsorted([s.time_s for s in shots], [e.time_s for e in record.events if e.kind == "regulator change"])
    turned = turned[(turned > 0) & (turned < len(shots))]
    inside = None
    if window_pa is not None and shots:
        inside = float(np.mean((before >= window_pa[0]) & (before <= window_pa[1])))
    return ShotSummary(
        shots=len(shots),
        recovered=count["recovered"],
        cut_off=count["cut off"],
        not_recovered=count["not recovered"],
        median_recovery_s=recovery,
        recovery_90_s=curve.quantile(0.9) if curve else none,
        median_dip_pa=dip.widened(Z_95 * dip_u),
        median_before_pa=median_interval(before),
        steadiness_pa=_spread([before]),
        turns=int(turned.size),
        steadiness_set_pa=_spread(np.split(before, turned)),
        lowest_before_pa=float(before.min()) if shots else None,
        lowest_pa=min((s.minimum_pa for s in shots), default=None),
        in_window=inside,
        cadence=_cadence(shots, turned),
        sag=_sag(shots),
        air_per_shot_m3=none,
    )


def _spread(settings: list[Floats]) -> float | None:
    """Range of the middle 80 % of pressures about their median, at settings that enough were fired at [Pa]."""
    away = [before - np.median(before) for before in settings if before.size >= FEWEST_ALIKE]
    return float(np.subtract(*np.percentile(np.concatenate(away), [90, 10]))) if away else None


def recovery_curve(shots: tuple[Shot, ...]) -> Survival:
    """Kaplan-Meier curve of the recoveries [s]; shots that were cut off count for as long as they were seen.

    A recovery counts once it has been held, so the last moment at which one could have been seen to begin lies `HELD_S` before the
    end of the watch. Censoring there, and not at the end, depends on nothing but when the next shot was fired.

    Raises
    ------
    ValueError
        If there are no shots.
    """
    ended = [s.outcome == "recovered" for s in shots]
    times = [s.recovery_s if e else max(s.censored_s - HELD_S, 0.0) for s, e in zip(shots, ended, strict=True)]
    return kaplan_meier(times, ended)


def air_per_shot(record: ShotRecord, volume_m3: float, temp_k: float = ANR_TEMPERATURE_K) -> Estimate:
    """Free air that a shot takes, from the fall of the pressure in a known volume while nothing refills it [m3 ANR].

    Stretches without pump, gap or other event are used in which the pressure before the shots goes down. A leak that is open at the
    same time counts as the shots'; the interval allows for that and for the heat that the air takes up from the wall. No value where
    the pressure comes back by itself, as it does behind a regulator.

    Parameters
    ----------
    volume_m3, temp_k : float
        Volume that the shots draw from [m3] and temperature of its air [K].

    Raises
    ------
    ValueError
        If the volume or temperature is not positive.
    """
    if not volume_m3 > 0.0 or not temp_k > 0.0:
        msg = f"A volume of {1e3 * volume_m3:g} L at {temp_k:g} K holds no air; give the litres that the shots draw from."
        raise ValueError(msg)
    running = pump_runs(record)
    breaks = sorted(e.time_s for e in record.events if e.kind != "interference")
    lost: list[tuple[float, int]] = []  # air lost [kg] and shots, per stretch
    stretch: list[Shot] = []
    for shot in (*record.shots, None):
        parted = shot is None or (stretch and any(stretch[-1].time_s < b <= shot.time_s for b in breaks))
        if parted and len(stretch) >= FEWEST_DRAWN:
            drop, lasted = stretch[0].before_pa - stretch[-1].before_pa, stretch[-1].time_s - stretch[0].time_s
            # Each shot must leave its mark: a line that is refilled between the shots does not show what they took.
            if drop > DRAWN_SHARE * sum(s.dip_pa for s in stretch[:-1]):
                exponent = 1.0 + 0.4 / (1.0 + (lasted / 30.0) ** 1.4)
                lost.append((volume_m3 * drop / (exponent * R_AIR_J_PER_KG_K * temp_k), len(stretch) - 1))
        if parted:
            stretch = []
        if shot is not None and not any(a <= shot.time_s < b for a, b in running):
            stretch.append(shot)
    if not lost:
        return Estimate(value=None)
    drawn = sum(n for _, n in lost)
    value = sum(m for m, _ in lost) / drawn / ANR_DENSITY_KG_PER_M3
    each = np.array([m / n for m, n in lost]) / ANR_DENSITY_KG_PER_M3
    scatter = float(each.std(ddof=1)) / each.size**0.5 if each.size > 1 else 0.0
    half = float(np.hypot(BALANCE_U * value, Z_95 * scatter))
    return Estimate(value=value, low=value - half, high=value + half)


def pump_runs(record: ShotRecord) -> list[tuple[float, float]]:
    """When the pump ran [s], as far as it was seen."""
    spans: list[tuple[float, float]] = []
    start: float | None = None
    for event in record.events:
        if event.kind == "pump start":
            start = event.time_s
        elif event.kind == "pump stop":
            spans.append((start if start is not None else -np.inf, event.time_s))
            start = None
    if start is not None:
        spans.append((start, np.inf))
    return spans


def _cadence(shots: tuple[Shot, ...], turned: NDArray[np.intp]) -> tuple[Cadence, ...]:
    """Sort shots by the time since the shot before; `turned` are those that follow a turn of the regulator."""
    since = np.diff([s.time_s for s in shots])
    before, dips = np.array([s.before_pa for s in shots]), np.array([s.dip_pa for s in shots])
    begins = np.union1d(np.flatnonzero(since >= REST_S) + 1, turned)
    first = np.concatenate([[0], begins])[np.searchsorted(begins, np.arange(len(shots)), side="right")]
    rows = []
    for low, high in pairwise(CADENCE_S):
        these = np.flatnonzero((since >= low) & (since < high)) + 1
        later = these[first[these] < these]
        if these.size:
            rows.append(
                Cadence(
                    from_s=low,
                    until_s=high,
                    shots=these.size,
                    before_pa=float(np.median(before[these])),
                    dip_pa=float(np.median(dips[these])),
                    low_pa=float(np.median(before[first[later]] - before[later])) if later.size else None,
                )
            )
    return tuple(rows)


def _sag(shots: tuple[Shot, ...]) -> BurstSag | None:
    since = np.diff([s.time_s for s in shots])
    runs = bursts([s.time_s for s in shots])
    lengths = sorted((b.size for b in runs), reverse=True)
    if len(lengths) < FEWEST_BURSTS:
        return None
    nth = lengths[FEWEST_BURSTS - 1]  # the latest shot that enough bursts reached
    these = [b[:nth] for b in runs if b.size >= nth]
    return BurstSag(
        shots_per_s=1.0 / float(np.median(np.concatenate([since[b[:-1]] for b in these]))),
        nth=int(nth),
        bursts=len(these),
        low_pa=median_interval([shots[b[0]].before_pa - shots[b[-1]].before_pa for b in these]),
    )
