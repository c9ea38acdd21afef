"""Shots of a record that may be compared with those of another day: fired on a settled line, with the pump idle.

A shot fired while the line still sags or rings from the one before says more about the operator's pace than about the line.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.corrections import Kind, correct
from analysis.held_alike import supply_at
from analysis.measures import BOTTOM_S
from analysis.noise_bias import dip_bias
from analysis.record import Shot, ShotRecord
from analysis.recovered import HELD_S, RECOVERED, recovery
from analysis.shots import find_shots, pump_runs
from analysis.statistics import Survival, kaplan_meier

Floats = NDArray[np.float64]

SETTLED_S = 2.0  # a line is taken as settled so long after a shot, or
SETTLED_RECOVERIES = 5.0  # so many median recoveries after it, whichever is longer; where fewer than
SETTLED_ENOUGH = 10  # shots waited for that,
SETTLED_LEAST_RECOVERIES = 2.5  # so many do: a line that comes back exponentially is then within 0.3 % of the dip
NEAR_RECOVERIES = 1.7  # a shot this soon may count too, if
NEAR_SHARE = 0.06  # the pressure is back at the settled one within this share of the dip
STEADY_SHARE = 0.08  # settled pressures that spread less than this share of the dip are one regulated pressure
DISTURBS = ("air draw", "regulator change", "connected", "disconnected")  # events after which a line must settle again
LONGEST_S = 3.0  # a recovery is watched at least so long, if nothing comes between
# Logarithm of what noise makes of dips; less moves recoveries by a hundredth, and to take them from the single readings again would do
# more where they were measured by the mean dip.
MOVES_RECOVERY = 0.03


@dataclass(frozen=True, slots=True, kw_only=True)
class Trace:
    """One side of a comparison.

    Attributes
    ----------
    t_s, p_pa : array_like, shape (n,)
        Times [s] and pressure [Pa gauge].
    corrected : mapping
        Corrections of its shots by hand.
    place : str
        Where the sensor sits, in words; may be empty.
    supply_pa : array_like, shape (n,), or None
        Pressure of the supply, the compressor's tank, at the same times [Pa gauge], where a sensor sat there too.
    """

    t_s: ArrayLike
    p_pa: ArrayLike
    corrected: Mapping[float, Kind] = field(default_factory=dict)
    place: str = ""
    supply_pa: ArrayLike | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Settled:
    """The settled shots of one record, an entry a shot.

    Attributes
    ----------
    record : ShotRecord
        All that was found.
    index : ndarray of int, shape (n,)
        Which of the record's shots they are.
    start_pa, dip_pa : ndarray, shape (n,)
        Pressure that the line settles at [Pa gauge], and the dip from there [Pa].
    time_s, ended : ndarray, shape (n,)
        Recovery counted from there [s]; where `ended` is false, how long it was watched without one.
    since_s : ndarray, shape (n,)
        Time since the shot before, or since what else disturbed the line [s]; infinite for the first.
    burst : ndarray of int, shape (n,)
        Which burst of the work each belongs to: shots of one burst are not independent.
    pause_s : float
        So long after a shot this line is at rest for sure [s].
    at_rest : ndarray of bool, shape (n,)
        Fired on a line fully at rest, and not only close to its settled pressure.
    supply_abs_pa : ndarray, shape (n,)
        Pressure of the supply just before [Pa abs]; NaN where it was not read.
    dip_bias, dip_bias_u : float
        Logarithm of what noise made of the dips, and its standard uncertainty; taken out of these, and of the level to which they recover.
    left_out : mapping of str to int
        Shots that are not compared, by the reason.
    """

    record: ShotRecord
    index: NDArray[np.int64]
    start_pa: Floats
    dip_pa: Floats
    time_s: Floats
    ended: NDArray[np.bool_]
    since_s: Floats
    burst: NDArray[np.int64]
    at_rest: NDArray[np.bool_]
    supply_abs_pa: Floats
    pause_s: float
    dip_bias: float
    dip_bias_u: float
    left_out: Mapping[str, int]

    @property
    def used(self) -> int:
        """Number of shots."""
        return int(self.dip_pa.size)

    @property
    def bursts(self) -> int:
        """Number of bursts that they come from."""
        return int(np.unique(self.burst).size)

    def rested(self) -> Settled:
        """Keep the shots from a line fully at rest alone."""
        keep = self.at_rest
        columns = ("index", "start_pa", "dip_pa", "time_s", "ended", "since_s", "burst", "at_rest", "supply_abs_pa")
        return replace(
            self,
            **{name: getattr(self, name)[keep] for name in columns},
            left_out={**self.left_out, NEARLY: int((~keep).sum())},
        )

    def curve(self) -> Survival:
        """Kaplan-Meier curve of their recoveries [s].

        Raises
        ------
        ValueError
            If there are no shots.
        """
        return kaplan_meier(self.time_s, self.ended)


TOO_SOON = "fired before the line had settled"
PUMPING = "fired while the pump ran"
NEARLY = "fired on a line close to rest, where enough others were fired on one at rest"


def settled_shots(trace: Trace) -> Settled:
    """Find the shots of a record and choose those fired on a settled line.

    Raises
    ------
    ValueError
        If the record has too few readings to look for shots.
    """
    t, p = np.asarray(trace.t_s, dtype=float), np.asarray(trace.p_pa, dtype=float)
    # Each shot by itself: where all of a day are off together, no scatter among them shows it, and the interval would be too narrow.
    record = correct(find_shots(t, p, agree=False), t, p, trace.corrected)
    shots = record.shots
    good = np.isfinite(t) & np.isfinite(p)
    t, p = t[good], p[good]
    recovered = [s.recovery_s for s in shots if s.outcome == "recovered"]
    typical = float(np.median(recovered)) if recovered else 0.4
    times = np.array([s.time_s for s in shots])
    since = np.array([_quiet_before(s, shots[i - 1] if i else None, record) for i, s in enumerate(shots)])
    pause_s = max(SETTLED_S, SETTLED_RECOVERIES * typical)
    settled = since >= pause_s
    if settled.sum() < SETTLED_ENOUGH:
        settled = since >= max(SETTLED_S, SETTLED_LEAST_RECOVERIES * typical)
    running = _pump_running(times, record)
    starts = np.array([s.before_pa for s in shots])
    dips = np.array([s.dip_pa for s in shots])
    start = starts.copy()
    use = settled & ~running
    if settled.sum() >= 3:
        level = float(np.median(starts[settled]))
        dip = float(np.median(dips[settled]))
        if np.median(np.abs(starts[settled] - level)) < 0.5 * STEADY_SHARE * dip:
            # A regulator holds one pressure: each shot counts from there, and shots that start close to it count too.
            near = (since >= NEAR_RECOVERIES * typical) & (np.abs(starts - level) <= NEAR_SHARE * dip)
            use = (settled & (np.abs(starts - level) <= 2.0 * NEAR_SHARE * dip)) | near
            start[~settled] = level
    chosen = np.flatnonzero(use)
    burst = np.cumsum(np.concatenate([[0], np.diff(times) > SETTLED_S])) if times.size else np.zeros(0, dtype=int)
    dip_pa, seen_s, ended = [], [], []
    bias, bias_u = dip_bias(t, p, record, [shots[i] for i in chosen if settled[i]])
    for i in chosen:
        shot = shots[i]
        if settled[i] and abs(bias) < MOVES_RECOVERY:  # its own start is the settled pressure, wherever the line stands just then
            dip_pa.append(shot.dip_pa * np.exp(-bias))
            ended.append(shot.outcome == "recovered")
            seen_s.append(shot.recovery_s if ended[-1] else max(shot.censored_s - HELD_S, 1e-3))
            continue
        depth = (start[i] - shot.minimum_pa) * np.exp(-bias)
        end_s = shot.time_s + shot.censored_s + (HELD_S + 0.05 if shot.outcome == "recovered" else 0.0)
        following = min([t[-1], *times[i + 1 : i + 2], *(e.time_s for e in record.events if e.kind in DISTURBS and e.time_s > shot.time_s)])
        end_s = min(max(end_s, shot.time_s + LONGEST_S), following)
        took = _recovery_from(t, p, shot, start[i], depth, end_s, record)
        dip_pa.append(depth)
        ended.append(np.isfinite(took))
        # A recovery counts once held, so the last moment at which one could have been seen to begin is that much before the end.
        seen_s.append(took if np.isfinite(took) else max(end_s - shot.time_s - HELD_S, 1e-3))
    pumping = int((~use & settled & running).sum())
    return Settled(
        record=record,
        index=chosen.astype(np.int64),
        start_pa=start[chosen],
        dip_pa=np.array(dip_pa),
        time_s=np.array(seen_s),
        ended=np.array(ended, dtype=bool),
        since_s=since[chosen],
        burst=burst[chosen].astype(np.int64),
        at_rest=settled[chosen],
        supply_abs_pa=supply_at(trace.t_s, trace.supply_pa, times[chosen], start[chosen]),
        pause_s=pause_s,
        dip_bias=bias,
        dip_bias_u=bias_u,
        left_out={TOO_SOON: len(shots) - chosen.size - pumping, PUMPING: pumping},
    )


def _recovery_from(
    t: NDArray[np.float64], p: NDArray[np.float64], shot: Shot, start: float, depth: float, end_s: float, record: ShotRecord
) -> float:
    """Recovery of a shot counted from a settled pressure and to a depth [s]; NaN where it was cut off."""
    a, z = np.searchsorted(t, [shot.time_s, end_s])
    if z - a < 4:
        return float("nan")
    bottom = min(int(np.searchsorted(t, shot.time_s + BOTTOM_S)), int(z))
    low = int(a) + int(np.argmin(np.abs(p[a:bottom] - shot.minimum_pa)))
    at = recovery(t[low:z], p[low:z], start - (1.0 - RECOVERED) * depth, record.noise_pa, depth, 1.0 / record.rate_hz, until_s=end_s)
    return at - shot.time_s


def _quiet_before(shot: Shot, last: Shot | None, record: ShotRecord) -> float:
    """Time since the shot before, or since another event that disturbed the line [s]."""
    since = shot.time_s - last.time_s if last is not None else np.inf
    for event in record.events:
        if event.kind in DISTURBS and event.time_s < shot.time_s:
            since = min(since, shot.time_s - min(event.until_s, shot.time_s))
    return since


def _pump_running(times: NDArray[np.float64], record: ShotRecord) -> NDArray[np.bool_]:
    running = np.zeros(times.size, dtype=bool)
    for start, stop in pump_runs(record):
        running |= (times >= start) & (times < stop)
    return running
