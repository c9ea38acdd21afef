"""Shots in a record of pressure: find them, and sum them up."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike

from analysis.detector import ShotDetector
from analysis.estimate import Estimate
from analysis.measures import HELD_S
from analysis.record import Event, Shot, ShotRecord
from analysis.statistics import Survival, kaplan_meier, median_interval

__all__ = ["Event", "Shot", "ShotDetector", "ShotRecord", "ShotSummary", "find_shots", "recovery_curve", "summarise"]


def find_shots(t_s: ArrayLike, p_pa: ArrayLike, *, lag_s: float = 0.0) -> ShotRecord:
    """Find every shot and other event in a record.

    Parameters
    ----------
    t_s, p_pa : array_like, shape (n,)
        Times [s], ascending, and pressure [Pa gauge]; NaN where a reading is missing.
    lag_s : float
        First-order lag of the sensor, if known [s].

    Returns
    -------
    ShotRecord
        The same as a `ShotDetector` gives, whatever the size of the blocks it is fed.

    Raises
    ------
    ValueError
        If shapes differ or there are too few readings.
    """
    detector = ShotDetector(lag_s=lag_s)
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
    """

    from_s: float
    until_s: float
    shots: int
    before_pa: float
    dip_pa: float


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
    lowest_before_pa, lowest_pa : float or None
        Lowest pressure just before a shot, and lowest of all dips [Pa gauge].
    in_window : float or None
        Share of shots that started inside the tool's window, 0..1; None where no window was given.
    cadence : tuple of Cadence
        Dip and starting pressure against the interval since the shot before.
    air_per_shot_m3 : Estimate
        Free air (ANR) a shot takes [m3]; no value where the volume is not known.
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
    lowest_before_pa: float | None
    lowest_pa: float | None
    in_window: float | None
    cadence: tuple[Cadence, ...]
    air_per_shot_m3: Estimate


CADENCE_S = (0.0, 0.3, 0.5, 1.0, 2.0, 5.0, float("inf"))


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
    count = {o: sum(s.outcome == o for s in shots) for o in ("recovered", "cut off", "not recovered")}
    inside = None
    if window_pa is not None and shots:
        inside = float(np.mean((before >= window_pa[0]) & (before <= window_pa[1])))
    return ShotSummary(
        shots=len(shots),
        recovered=count["recovered"],
        cut_off=count["cut off"],
        not_recovered=count["not recovered"],
        median_recovery_s=curve.median if curve else none,
        recovery_90_s=curve.quantile(0.9) if curve else none,
        median_dip_pa=median_interval(dips),
        median_before_pa=median_interval(before),
        steadiness_pa=float(np.subtract(*np.percentile(before, [90, 10]))) if len(shots) >= 3 else None,
        lowest_before_pa=float(before.min()) if shots else None,
        lowest_pa=min((s.minimum_pa for s in shots), default=None),
        in_window=inside,
        cadence=_cadence(shots),
        air_per_shot_m3=none,
    )


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


def _cadence(shots: tuple[Shot, ...]) -> tuple[Cadence, ...]:
    since = np.diff([s.time_s for s in shots])
    rows = []
    for low, high in pairwise(CADENCE_S):
        these = [shots[i + 1] for i in np.flatnonzero((since >= low) & (since < high))]
        if these:
            rows.append(
                Cadence(
                    from_s=low,
                    until_s=high,
                    shots=len(these),
                    before_pa=float(np.median([s.before_pa for s in these])),
                    dip_pa=float(np.median([s.dip_pa for s in these])),
                )
            )
    return tuple(rows)
