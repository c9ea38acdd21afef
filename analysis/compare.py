"""Before and after: whether a change to the line helped, at equal work.

A shot fired while the line still sags or rings from the one before says more about the operator's pace than about the line. So
only shots from a settled line are compared, each measured from the settled pressure; shots that were cut off count for as long
as they were seen; bursts are resampled as wholes because shots within a burst are not independent.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from functools import partial
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.stats import norm

from analysis.constants import ATMOSPHERE_ABS_PA
from analysis.corrections import Kind, correct
from analysis.estimate import Estimate
from analysis.measures import HELD_S, RECOVERED, recovery
from analysis.record import Shot, ShotRecord
from analysis.shots import find_shots, pump_runs
from analysis.statistics import Z_95, bootstrap_blocks, log_rank

Verdict = Literal["better", "worse", "no change", "cannot tell"]

MATERIAL = 0.05  # a change smaller than this is none: the same line differs by as much from day to day; common practice, no source
FEWEST = 5  # settled shots on each side
ENOUGH = 10  # recovered shots from a line fully at rest, on each side: then only these are compared
SETTLED_S = 2.0  # a line is taken as settled so long after a shot, or
SETTLED_RECOVERIES = 5.0  # so many median recoveries after it, whichever is longer
NEAR_RECOVERIES = 1.7  # a shot this soon may count too, if
NEAR_SHARE = 0.06  # the pressure is back at the settled one within this share of the dip
STEADY_SHARE = 0.08  # settled pressures that spread less than this share of the dip are one regulated pressure
MEASURE_U = 0.006  # standard uncertainty of a ratio of two medians that more shots do not reduce: onset, noise, sampling
PRESSURE_EXPONENT = 1.0  # a tool takes air in proportion to absolute pressure; its standard uncertainty:
PRESSURE_EXPONENT_U = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Trace:
    """One side of a comparison: times [s] and pressure [Pa gauge], shape (n,) each, and corrections of its shots by hand."""

    t_s: ArrayLike
    p_pa: ArrayLike
    corrected: Mapping[float, Kind] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """What changed between two records, for one and the same shot fired on a settled line.

    Attributes
    ----------
    recovery_before_s, recovery_after_s : Estimate
        Recovery of a settled shot [s].
    recovery_change : Estimate
        Ratio of the two, minus 1.
    dip_before_pa, dip_after_pa, dip_change : Estimate
        Likewise its dip [Pa]; the change is corrected for a different starting pressure.
    shots_before, shots_after : int
        All shots found.
    used_before, used_after, matched : int
        Shots compared on each side, and the smaller of the two numbers.
    p_value : float or None
        Log-rank test that both sides recover alike.
    verdict : str
        "better", "worse", "no change" or "cannot tell".
    why : str
        The reason in a sentence.
    before, after : ShotRecord
        All that was found in the two records.
    warnings : tuple of str
        What the reader must know before trusting the verdict.
    """

    recovery_before_s: Estimate
    recovery_after_s: Estimate
    recovery_change: Estimate
    dip_before_pa: Estimate
    dip_after_pa: Estimate
    dip_change: Estimate
    shots_before: int
    shots_after: int
    used_before: int
    used_after: int
    matched: int
    p_value: float | None
    verdict: Verdict
    why: str
    before: ShotRecord
    after: ShotRecord
    warnings: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Side:
    """Settled shots of one record."""

    record: ShotRecord
    start_pa: NDArray[np.float64]  # pressure that the line settles at, per shot [Pa gauge]
    dip_pa: NDArray[np.float64]
    time_s: NDArray[np.float64]  # of recovery, or observed without one
    ended: NDArray[np.bool_]
    burst: NDArray[np.int64]
    settled: NDArray[np.bool_]  # fired on a line fully at rest, and not only close to its settled pressure

    def at_rest(self) -> _Side:
        """The same side with the shots from a line fully at rest alone."""
        keep = self.settled
        return replace(
            self,
            start_pa=self.start_pa[keep],
            dip_pa=self.dip_pa[keep],
            time_s=self.time_s[keep],
            ended=self.ended[keep],
            burst=self.burst[keep],
            settled=self.settled[keep],
        )

    @property
    def used(self) -> int:
        return int(self.dip_pa.size)


def compare(before: Trace, after: Trace) -> Comparison:
    """Compare recovery and dip of two records at equal work.

    Parameters
    ----------
    before, after : Trace
        Readings before and after the change, with the sensor at the same place.

    Raises
    ------
    ValueError
        If a record has too few readings to look for shots.
    """
    b, a = _side(before), _side(after)
    rested = b.at_rest(), a.at_rest()
    if min(int(side.ended.sum()) for side in rested) >= ENOUGH:
        b, a = rested  # enough without those that are only close to it
    nothing = Estimate(value=None)
    warnings: list[str] = []
    for name, side in (("before", b), ("after", a)):
        warnings += [f"{name}: {w}" for w in side.record.warnings]
        left_out = len(side.record.shots) - side.used
        if side.used and left_out:
            warnings.append(
                f"{name}: {left_out} of {len(side.record.shots)} shots were fired before the line had settled and were left out."
            )
    recovery_b, recovery_a, recovery_change = nothing, nothing, nothing
    dip_b, dip_a, dip_change = nothing, nothing, nothing
    p_value = None
    if min(b.used, a.used) >= FEWEST:
        dip_b, dip_a, dip_change = _ratio(b, a, lambda s, i: float(np.mean(np.log(s.dip_pa[i]))))
        dip_change = _at_equal_pressure(dip_change, b, a, warnings)
        if min(b.ended.sum(), a.ended.sum()) >= FEWEST:
            recovery_b, recovery_a, recovery_change = _ratio(b, a, lambda s, i: log_normal_mean(s.time_s[i], s.ended[i]))
            p_value = log_rank(b.time_s, b.ended, a.time_s, a.ended).p_value
    verdict, why = _judge(b, a, recovery_change, dip_change)
    return Comparison(
        recovery_before_s=recovery_b,
        recovery_after_s=recovery_a,
        recovery_change=recovery_change,
        dip_before_pa=dip_b,
        dip_after_pa=dip_a,
        dip_change=dip_change,
        shots_before=len(b.record.shots),
        shots_after=len(a.record.shots),
        used_before=b.used,
        used_after=a.used,
        matched=min(b.used, a.used),
        p_value=p_value,
        verdict=verdict,
        why=why,
        before=b.record,
        after=a.record,
        warnings=tuple(warnings),
    )


def log_normal_mean(time: ArrayLike, ended: ArrayLike) -> float:
    """Mean of the logarithm of right-censored times, by maximum likelihood of a log-normal distribution.

    The expectation-maximisation of a censored sample: a case cut off at c counts with the mean it would have beyond c.
    NaN where no end was seen.
    """
    t, e = np.asarray(time, dtype=float), np.asarray(ended, dtype=bool)
    if not e.any():
        return float("nan")
    x = np.log(np.maximum(t, 1e-6))
    mu, sigma = float(x[e].mean()), max(float(x[e].std()), 0.02)
    # Cut off far below what the others needed: says nothing, and would only slow the iteration down.
    tells = e | (x > mu - 6.0 * sigma)
    x, e = x[tells], e[tells]
    if e.all():
        return mu
    for _ in range(60):
        z = (x[~e] - mu) / sigma
        hazard = np.exp(norm.logpdf(z) - norm.logsf(z))
        first = mu + sigma * hazard
        second = mu**2 + sigma**2 + sigma * (x[~e] + mu) * hazard
        new_mu = (x[e].sum() + first.sum()) / x.size
        square = (np.sum(x[e] ** 2) + second.sum()) / x.size
        new_sigma = max(float(np.sqrt(max(square - new_mu**2, 0.0))), 0.005)
        moved = abs(new_mu - mu)
        mu, sigma = float(new_mu), new_sigma
        if moved < 1e-6:
            break
    return mu


def _side(trace: Trace) -> _Side:
    t, p = np.asarray(trace.t_s, dtype=float), np.asarray(trace.p_pa, dtype=float)
    record = correct(find_shots(t, p), t, p, trace.corrected)
    shots = record.shots
    good = np.isfinite(t) & np.isfinite(p)
    t, p = t[good], p[good]
    recovered = [s.recovery_s for s in shots if s.outcome == "recovered"]
    typical = float(np.median(recovered)) if recovered else 0.4
    times = np.array([s.time_s for s in shots])
    since = np.array([_quiet_before(s, shots[i - 1] if i else None, record) for i, s in enumerate(shots)])
    settled = since >= max(SETTLED_S, SETTLED_RECOVERIES * typical)
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
            start[:] = level
    chosen = np.flatnonzero(use)
    burst = np.cumsum(np.concatenate([[0], np.diff(times) > SETTLED_S])) if times.size else np.zeros(0, dtype=int)
    dip_pa, seen_s, ended = [], [], []
    for i in chosen:
        shot = shots[i]
        depth = start[i] - shot.minimum_pa
        end_s = shot.time_s + shot.censored_s + (HELD_S + 0.05 if shot.outcome == "recovered" else 0.0)
        following = times[i + 1] if i + 1 < times.size else t[-1]
        end_s = min(max(end_s, shot.time_s + 3.0), following)
        took = _recovery_from(t, p, shot, start[i], depth, end_s, record)
        dip_pa.append(depth)
        ended.append(np.isfinite(took))
        # A recovery counts once held, so the last moment at which one could have been seen to begin is that much before the end.
        seen_s.append(took if np.isfinite(took) else max(end_s - shot.time_s - HELD_S, 1e-3))
    return _Side(
        record=record,
        start_pa=start[chosen],
        dip_pa=np.array(dip_pa),
        time_s=np.array(seen_s),
        ended=np.array(ended, dtype=bool),
        burst=burst[chosen].astype(np.int64),
        settled=settled[chosen],
    )


def _recovery_from(
    t: NDArray[np.float64], p: NDArray[np.float64], shot: Shot, start: float, depth: float, end_s: float, record: ShotRecord
) -> float:
    """Recovery of a shot counted from the settled pressure instead of its own start [s]; NaN where it was cut off."""
    a, z = np.searchsorted(t, [shot.time_s, end_s])
    if z - a < 4:
        return float("nan")
    low = int(a) + int(np.argmin(np.abs(p[a:z] - shot.minimum_pa)))
    at = recovery(t[low:z], p[low:z], start - (1.0 - RECOVERED) * depth, record.noise_pa, depth, 1.0 / record.rate_hz, closed=True)
    return at - shot.time_s


def _quiet_before(shot: Shot, last: Shot | None, record: ShotRecord) -> float:
    """Time since the shot before, or since another event that disturbed the line [s]."""
    since = shot.time_s - last.time_s if last is not None else np.inf
    for event in record.events:
        if event.kind in ("air draw", "regulator change", "connected", "disconnected") and event.time_s < shot.time_s:
            since = min(since, shot.time_s - min(event.until_s, shot.time_s))
    return since


def _pump_running(times: NDArray[np.float64], record: ShotRecord) -> NDArray[np.bool_]:
    running = np.zeros(times.size, dtype=bool)
    for start, stop in pump_runs(record):
        running |= (times >= start) & (times < stop)
    return running


def _ratio(b: _Side, a: _Side, log_mean: Callable[[_Side, NDArray[np.int64]], float]) -> tuple[Estimate, Estimate, Estimate]:
    """Typical value on each side and their ratio - 1, with intervals from resampled bursts."""
    values, spreads = [], []
    for seed, side in enumerate((b, a), start=1):
        everything = np.arange(side.used)
        values.append(log_mean(side, everything))
        resampled = bootstrap_blocks(partial(log_mean, side), side.burst, times=300, seed=seed)
        spread = float(np.nanstd(resampled))
        blocks = np.unique(side.burst).size
        # Few blocks resample too narrowly; scale like a sample's standard deviation, and never below independent shots' own scatter.
        spreads.append(spread * np.sqrt(blocks / max(blocks - 1, 1)))
    out = [
        Estimate(value=float(np.exp(v)), low=float(np.exp(v - Z_95 * s)), high=float(np.exp(v + Z_95 * s)))
        for v, s in zip(values, spreads, strict=True)
    ]
    change, u = values[1] - values[0], float(np.sqrt(spreads[0] ** 2 + spreads[1] ** 2 + 2.0 * MEASURE_U**2))
    ratio = Estimate(value=float(np.expm1(change)), low=float(np.expm1(change - Z_95 * u)), high=float(np.expm1(change + Z_95 * u)))
    return out[0], out[1], ratio


def _at_equal_pressure(change: Estimate, b: _Side, a: _Side, warnings: list[str]) -> Estimate:
    """Take out of a dip's change what a different starting pressure alone would do."""
    if change.value is None or change.low is None or change.high is None:
        return change
    pressures = [float(np.median(s.start_pa)) + ATMOSPHERE_ABS_PA for s in (b, a)]
    shift = float(np.log(pressures[1] / pressures[0]))
    if abs(shift) < 0.01:
        return change
    value = np.log1p(change.value) - PRESSURE_EXPONENT * shift
    half = np.hypot(0.5 * (np.log1p(change.high) - np.log1p(change.low)), Z_95 * PRESSURE_EXPONENT_U * shift)
    warnings.append(
        f"The line stood {100.0 * np.expm1(shift):+.1f} % in absolute pressure after the change; the dips were compared at equal pressure, "
        "and the interval is wider for it. Set the same pressure on both days for a sharper answer."
    )
    return Estimate(value=float(np.expm1(value)), low=float(np.expm1(value - half)), high=float(np.expm1(value + half)))


def _judge(b: _Side, a: _Side, recovery_change: Estimate, dip_change: Estimate) -> tuple[Verdict, str]:
    for name, side in (("before", b), ("after", a)):
        if side.used < FEWEST:
            return "cannot tell", (
                f"Only {side.used} of {len(side.record.shots)} shots {name} the change were fired on a settled line; {FEWEST} are needed. "
                "Fire ten single shots, three seconds apart, on both days."
            )
    if recovery_change.value is None:
        return "cannot tell", (
            "Too few of the shots fired on a settled line were left to recover before the next. "
            "Fire ten single shots, three seconds apart, on both days."
        )
    signs = {"recovery": _sign(recovery_change), "dip": _sign(dip_change)}
    words = f"Recovery {_say(recovery_change)}, dip {_say(dip_change)}, from {b.used} and {a.used} shots on a settled line."
    if "unclear" in signs.values() and not {"less", "more"} & set(signs.values()):
        return "cannot tell", f"{words} The interval is too wide to say; record more shots from a settled line."
    if "less" in signs.values() and "more" in signs.values():
        return "cannot tell", f"{words} One got better and the other worse; decide by what matters at the tool."
    if "less" in signs.values():
        return "better", words
    if "more" in signs.values():
        return "worse", words
    return "no change", f"{words} What changed is less than {100 * MATERIAL:.0f} %."


def _sign(change: Estimate) -> str:
    """Class of a change: less, more, same, or unclear."""
    if change.value is None or change.low is None or change.high is None:
        return "unclear"
    if change.high < 0.0 and change.value <= -MATERIAL:
        return "less"
    if change.low > 0.0 and change.value >= MATERIAL:
        return "more"
    if change.low > -2.0 * MATERIAL and change.high < 2.0 * MATERIAL:
        return "same"
    return "unclear"


def _say(change: Estimate) -> str:
    if change.value is None or change.low is None or change.high is None:
        return "not known"
    return f"{100 * change.value:+.0f} % ({100 * change.low:+.0f} to {100 * change.high:+.0f} %)"
