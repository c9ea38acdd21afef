"""Before and after: whether a change to the line helped, at equal work.

A shot fired while the line still sags or rings from the one before says more about the operator's pace than about the line. So
only shots from a settled line are compared, each measured from the settled pressure; shots that were cut off count for as long
as they were seen; bursts are resampled as wholes because shots within a burst are not independent.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import bdtr, stdtrit

from analysis.constants import ATMOSPHERE_ABS_PA
from analysis.estimate import Estimate
from analysis.held_alike import KNOWN, Prior, Sides, effect, pace
from analysis.jit import jit
from analysis.places import named
from analysis.settled import Settled, Trace, settled_shots
from analysis.slow_drift import widening
from analysis.statistics import Z_95, bootstrap_blocks, log_rank
from analysis.units import significant

Floats = NDArray[np.float64]
Verdict = Literal["better", "worse", "no change", "cannot tell"]
Direction = Literal["less", "more", "same", "unclear"]

MATERIAL = 0.05  # a change smaller than this is none: the same line differs by as much from day to day; common practice, no source
# The whole interval must lie beyond this for a verdict: a day 20 K warmer does as much to a recovery, and no reading shows it.
BEYOND = 0.035
FEWEST = 5  # settled shots on each side
ENOUGH = 10  # recovered shots from a line fully at rest, on each side: then only these are compared
MEASURE_U = 0.006  # standard uncertainty of a ratio of two medians that more shots do not reduce: onset, noise, sampling
# A dip that is off by a share has its 90 % off by so much less: the logarithm of an exponential recovery moves by 1 / ln 10 of it.
LEVEL_SHARE = 1.0 / math.log(10.0)
# Standard uncertainty of recoveries, as a share of the noise over the dip: a slow one seems to be over too soon in it. Two days in the same
# noise share half of that.
EARLY_U, EARLY_ALONE = 0.2, 0.5
PRESSURE_EXPONENT = 1.0  # a tool takes air in proportion to absolute pressure; its standard uncertainty:
PRESSURE_EXPONENT_U = 0.5
# Pressures that all grow alike leave a recovery as it is, but what a supply has above a regulator's setting does not grow with it: standard
# uncertainty of the exponent, from a lumped line with regulators of many kinds (0.1 to 0.5).
RECOVERY_EXPONENT_U = 0.25
WEATHER_U = 0.01  # of a ratio of recoveries, for days 6 K apart: air flows as the root of its temperature, and the tool takes more or less
DEPTH_APART = 0.5  # of what the spacing of the readings leaves unsure of dips; the rest two days of one logger share
# Of loggers at unlike rates, for each second by which their readings are farther apart: share of a dip that a sharp bottom shows more or
# less of, and share of that time by which a recovery seems longer. From falls of 10 ms in a lumped line, at 50 to 2000 readings a second.
SHARP_PER_S, LATE = 3.0, 0.5
UNLIKE_RATES = 1.2  # from which ratio on the reader is told
PULL = 4.0  # spreads from the median beyond which a recovery counts no further
TOLD_SHIFT, FAR_SHIFT = 0.01, 0.05  # of absolute pressure, from which on the reader is told, and it is why the interval is wide
DRIFTS = 2.0  # times, by which an interval is wider for a drift, from which on the reader is told
PACE_PRIOR = Prior(slope=0.0, u=0.05)  # by which share the shot before can move a measure
# How recovery and dip go with the absolute pressure of the supply. A line that is filled through a valve wide open takes air in proportion
# to it, one that a regulator holds in no proportion, and one that is set close under it in more than that; by reasoning, no source.
SUPPLY_RECOVERY, SUPPLY_DIP = Prior(slope=-0.5, u=0.75), Prior(slope=0.0, u=0.25)


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """What changed between two records, for one and the same shot fired on a settled line.

    Attributes
    ----------
    recovery_before_s, recovery_after_s : Estimate
        Recovery of a settled shot [s]; no value but a least time on a side where nearly all were cut off.
    recovery_change : Estimate
        Ratio of the two, minus 1; no value but a bound where nearly all were cut off on one side.
    dip_before_pa, dip_after_pa, dip_change : Estimate
        Likewise its dip [Pa], at the mean starting pressure and pace of both days.
    pace_shift : Estimate
        What the other pace of the work alone would have done to the dip, by the same shots; taken out of `dip_change`.
    supply_shift : Estimate
        What the other pressure of the supply alone would have done to the recovery, where both sides know it; taken out likewise.
    pressure_shift : float
        Ratio of the settled absolute pressures - 1; taken out of `dip_change`.
    p_value : float or None
        Log-rank test that both sides recover alike.
    verdict : str
        "better", "worse", "no change" or "cannot tell".
    why : str
        The reason in a sentence.
    before, after : Settled
        The shots compared, and all that was found in the two records.
    warnings : tuple of str
        What the reader must know before trusting the verdict.
    """

    recovery_before_s: Estimate
    recovery_after_s: Estimate
    recovery_change: Estimate
    dip_before_pa: Estimate
    dip_after_pa: Estimate
    dip_change: Estimate
    pace_shift: Estimate
    supply_shift: Estimate
    pressure_shift: float
    p_value: float | None
    verdict: Verdict
    why: str
    before: Settled
    after: Settled
    warnings: tuple[str, ...]

    @property
    def matched(self) -> int:
        """Shots compared on the side that has fewer."""
        return min(self.before.used, self.after.used)


def compare(before: Trace, after: Trace) -> Comparison:
    """Compare recovery and dip of two records at equal work.

    Parameters
    ----------
    before, after : Trace
        Readings before and after the change, with the sensor at the same place; where their places say otherwise, no number is given.

    Raises
    ------
    ValueError
        If a record has too few readings to look for shots.
    """
    b, a = settled_shots(before), settled_shots(after)
    rested = b.rested(), a.rested()
    if min(int(side.ended.sum()) for side in rested) >= ENOUGH:
        b, a = rested  # enough without those that are only close to it
    nothing = Estimate(value=None)
    warnings: list[str] = []
    for name, side in (("before", b), ("after", a)):
        warnings += [f"{name}: {w}" for w in side.record.warnings]
    recovery_b, recovery_a, recovery_change = nothing, nothing, nothing
    dip_b, dip_a, dip_change, pace_shift, supply_shift = nothing, nothing, nothing, nothing, nothing
    pressure_shift, p_value, drifting = 0.0, None, ""
    moved = _moved(before, after)
    if min(b.used, a.used) >= FEWEST and not moved:
        quantities, supplied = _quantities(b, a)
        warnings += [
            f"{name}: the sensor at the supply reads nothing, or less than the line that it feeds; it is left aside. Check it at zero."
            for name, trace, s in (("before", before, b), ("after", after, a))
            if trace.supply_pa is not None and not _supply_known(s)
        ]
        level = [s.start_pa + ATMOSPHERE_ABS_PA for s in (b, a)]
        mean = float(np.sqrt(np.median(level[0]) * np.median(level[1])))
        pressure_shift = float(np.median(level[1]) / np.median(level[0]) - 1.0)
        one, other = (replace(s, dip_pa=s.dip_pa * (mean / p) ** PRESSURE_EXPONENT) for s, p in zip((b, a), level, strict=True))
        of_dip = effect(quantities, (np.log(one.dip_pa), np.log(other.dip_pa)), [PACE_PRIOR, SUPPLY_DIP][: 1 + supplied])
        pace_shift = of_dip.between(0)
        one, other = (replace(s, dip_pa=s.dip_pa * of_dip.taken_out(x)) for s, x in zip((one, other), quantities, strict=True))
        pressure = abs(float(np.log1p(pressure_shift)))
        if abs(pressure_shift) >= TOLD_SHIFT:
            way = "higher" if pressure_shift > 0.0 else "lower"
            warnings.append(
                f"The line stood {100.0 * abs(pressure_shift):.1f} % {way} in absolute pressure after the change; the dips were compared "
                "at equal pressure, and the intervals are wider for it. Set the same pressure on both days for a sharper answer."
            )
        noise_u = [s.dip_bias_u for s in (b, a)]
        depth_u = [math.hypot(s.record.depth_u, u) for s, u in zip((b, a), noise_u, strict=True)]
        apart_u = [math.hypot(DEPTH_APART * s.record.depth_u, u) for s, u in zip((b, a), noise_u, strict=True)]
        rates_hz = b.record.rate_hz, a.record.rate_hz
        spacing_s = abs(1.0 / rates_hz[1] - 1.0 / rates_hz[0])
        if _unlike_rates(b, a):
            warnings.append(
                f"{significant(rates_hz[0], 3)} readings a second before and {significant(rates_hz[1], 3)} after show a sharp dip "
                "differently; the intervals are wider for it. Log both days at the same rate."
            )
        dip_u = math.hypot(of_dip.u_between, PRESSURE_EXPONENT_U * pressure, SHARP_PER_S * spacing_s, *apart_u)
        drifts = tuple(_drift(s, np.log(s.dip_pa)) for s in (one, other))
        dip_b, dip_a, dip_change = _ratio(one, other, _mean_log_dip, dip_u, drifts)
        dip_b, dip_a = dip_b.widened(Z_95 * depth_u[0]), dip_a.widened(Z_95 * depth_u[1])
        early_u = [EARLY_U * s.record.noise_pa / float(np.median(s.dip_pa)) for s in (b, a)]
        level_u = [LEVEL_SHARE * u for u in noise_u]
        timed_u = [early_u[1] - early_u[0], *(EARLY_ALONE * u for u in early_u)]
        recovery_u = math.hypot(RECOVERY_EXPONENT_U * pressure, WEATHER_U, *level_u, *timed_u)
        fewest, most = sorted(int(s.ended.sum()) for s in (b, a))
        if fewest >= FEWEST:
            # A recovery that was seen depends on the interval before the shot, never on the one that would have cut it off.
            seen = [_log_recoveries(s) for s in (b, a)]
            of_recovery = effect(quantities, (seen[0], seen[1]), [PACE_PRIOR, SUPPLY_RECOVERY][: 1 + supplied])
            supply_shift = of_recovery.between(1) if supplied else nothing
            one, other = (replace(s, time_s=s.time_s * of_recovery.taken_out(x)) for s, x in zip((b, a), quantities, strict=True))
            typical_s = math.exp(float(np.nanmean(np.concatenate(seen))))
            matched_u = math.hypot(of_recovery.u_between, recovery_u, LATE * spacing_s / typical_s)
            drifts = tuple(_drift(s, _log_recoveries(s)) for s in (one, other))
            recovery_b, recovery_a, recovery_change = _ratio(one, other, _mean_log_recovery, matched_u, drifts)
            p_value = log_rank(one.time_s, b.ended, other.time_s, a.ended).p_value
            drifting = " and ".join(name for name, drift in zip(("before", "after"), drifts, strict=True) if drift > DRIFTS)
            if drifting:
                warnings.append(
                    f"The recoveries {drifting} drift over minutes, as where the tank of the compressor runs down until its "
                    "pump starts; many such shots tell as little as a few, and the interval is wider for it. For a sharper answer record "
                    "until the pump has run several times, on both days"
                    + ("." if supplied else ", with a second sensor on the tank, named supply: then its pressure is taken out.")
                )
        elif most >= FEWEST:
            # One side shows no recoveries to read these effects from, and they are not taken out.
            priors = zip((PACE_PRIOR, SUPPLY_RECOVERY), quantities[1].mean(axis=0) - quantities[0].mean(axis=0), strict=False)
            matched_u = math.hypot(*((abs(prior.slope) + prior.u) * apart for prior, apart in priors), recovery_u)
            recovery_b, recovery_a, recovery_change = _bounded(b, a, matched_u)
            p_value = log_rank(b.time_s, b.ended, a.time_s, a.ended).p_value
    verdict, why = _judge(b, a, moved, recovery_change, dip_change, pressure_shift, drifts=bool(drifting))
    return Comparison(
        recovery_before_s=recovery_b,
        recovery_after_s=recovery_a,
        recovery_change=recovery_change,
        dip_before_pa=dip_b,
        dip_after_pa=dip_a,
        dip_change=dip_change,
        pace_shift=pace_shift,
        supply_shift=supply_shift,
        pressure_shift=pressure_shift,
        p_value=p_value,
        verdict=verdict,
        why=why,
        before=b,
        after=a,
        warnings=tuple(warnings),
    )


def _quantities(b: Settled, a: Settled) -> tuple[Sides, bool]:
    """What else than the line differs between the shots of two sides, and whether the supply is among it: where both sides know theirs."""
    columns = [[pace(s.since_s)] for s in (b, a)]
    known = _supply_known(b) and _supply_known(a)
    if known:
        for side, s in zip(columns, (b, a), strict=True):
            level = np.log(s.supply_abs_pa)
            side.append(np.where(np.isfinite(level), level, np.nanmean(level)))
    return (np.stack(columns[0], axis=1), np.stack(columns[1], axis=1)), known


def _supply_known(side: Settled) -> bool:
    return bool(np.isfinite(side.supply_abs_pa).mean() >= KNOWN)


def log_normal_mean(time: ArrayLike, ended: ArrayLike) -> float:
    """Mean of the logarithm of right-censored times, by maximum likelihood of a log-normal distribution.

    The expectation-maximisation of a censored sample: a case cut off at c counts with the mean it would have beyond c.
    NaN where no end was seen.
    """
    t, e = np.asarray(time, dtype=float), np.asarray(ended, dtype=bool)
    if not e.any():
        return float("nan")
    x = np.log(np.maximum(t, 1e-6))
    # A swing of the hose that now and then just reaches the level gives a time far from all others: limit how far it pulls.
    middle = float(np.median(x[e]))
    reach = PULL * max(1.4826 * float(np.median(np.abs(x[e] - middle))), 0.02)
    x = np.where(e, np.clip(x, middle - reach, middle + reach), x)
    mu, sigma = float(x[e].mean()), max(float(x[e].std()), 0.02)
    # Cut off far below what the others needed: says nothing, and would only slow the iteration down.
    tells = e | (x > mu - 6.0 * sigma)
    x, e = x[tells], e[tells]
    if e.all():
        return mu
    return _expected_mean(x, e, mu, sigma)


@jit
def _expected_mean(x: Floats, ended: NDArray[np.bool_], mu: float, sigma: float) -> float:
    """Mean of censored normal values, by expectation-maximisation from a first guess."""
    for _ in range(60):
        total, square = 0.0, 0.0
        for i in range(x.size):
            if ended[i]:
                total += x[i]
                square += x[i] ** 2
                continue
            z = (x[i] - mu) / sigma
            beyond = 0.5 * math.erfc(z / 2.0**0.5)
            # Far out the hazard is z + 1/z, where the share beyond is too small to divide by.
            hazard = z + 1.0 / z if z > 20.0 else math.exp(-0.5 * z * z) / (2.0 * math.pi) ** 0.5 / beyond
            total += mu + sigma * hazard
            square += mu**2 + sigma**2 + sigma * (x[i] + mu) * hazard
        now = total / x.size
        sigma = max(max(square / x.size - now**2, 0.0) ** 0.5, 0.005)
        moved = abs(now - mu)
        mu = now
        if moved < 1e-6:
            break
    return mu


def _mean_log_dip(side: Settled, drawn: NDArray[np.int64]) -> float:
    return float(np.mean(np.log(side.dip_pa[drawn])))


def _mean_log_recovery(side: Settled, drawn: NDArray[np.int64]) -> float:
    return log_normal_mean(side.time_s[drawn], side.ended[drawn])


def _log_recoveries(side: Settled) -> Floats:
    """Logarithms of the recoveries that were seen, NaN where they were cut off."""
    return np.where(side.ended, np.log(np.maximum(side.time_s, 1e-6)), np.nan)


def _ratio(
    b: Settled,
    a: Settled,
    log_mean: Callable[[Settled, NDArray[np.int64]], float],
    matched_u: float,
    drifts: tuple[float, ...] = (1.0, 1.0),
) -> tuple[Estimate, Estimate, Estimate]:
    """Typical value on each side and their ratio - 1, with intervals from resampled bursts, what drifts and what matching leaves unsure."""
    (x, x_u), (y, y_u) = _typical(b, log_mean, 1, drifts[0]), _typical(a, log_mean, 2, drifts[1])
    ratio = _around(y - x, math.hypot(x_u, y_u, 2.0**0.5 * MEASURE_U, matched_u))
    return _around(x, x_u), _around(y, y_u), ratio.map(lambda r: r - 1.0)


def _typical(side: Settled, log_mean: Callable[[Settled, NDArray[np.int64]], float], seed: int, drift: float) -> tuple[float, float]:
    """Logarithm of the typical value of a side and its standard uncertainty, from resampled bursts and so many times wider for a drift."""
    spread = float(np.nanstd(bootstrap_blocks(partial(log_mean, side), side.burst, times=300, seed=seed)))
    # Few blocks resample too narrowly, and how widely is itself unsure: scale like a sample's standard deviation, and by Student's t.
    free = max(side.bursts - 1, 1)
    spread *= ((free + 1) / free) ** 0.5 * float(stdtrit(free, 0.975)) / Z_95
    return log_mean(side, np.arange(side.used)), spread * drift


def _drift(side: Settled, logs: Floats) -> float:
    """How many times wider the interval is for what drifts over minutes, as the pressure of a tank between two runs of its pump."""
    return widening([side.record.shots[i].time_s for i in side.index], logs)


def _around(log_value: float, u: float) -> Estimate:
    half = Z_95 * u
    return Estimate(value=math.exp(log_value), low=math.exp(log_value - half), high=math.exp(log_value + half))


def _bounded(b: Settled, a: Settled, matched_u: float) -> tuple[Estimate, Estimate, Estimate]:
    """Recoveries and a bound of their ratio - 1, where those of one side were cut off nearly all: how long they take at least."""
    cut, whole = (b, a) if b.ended.sum() < a.ended.sum() else (a, b)
    least = longer_than(cut.time_s, cut.ended)
    log_value, u = _typical(whole, _mean_log_recovery, 1, _drift(whole, _log_recoveries(whole)))
    seen, unseen, bound = _around(log_value, u), Estimate(value=None, low=least), Estimate(value=None)
    if least is not None:
        most = math.exp(log_value + Z_95 * math.hypot(u, 2.0**0.5 * MEASURE_U, matched_u))
        bound = Estimate(value=None, high=most / least - 1.0) if cut is b else Estimate(value=None, low=least / most - 1.0)
    return (unseen, seen, bound) if cut is b else (seen, unseen, bound)


def longer_than(time: ArrayLike, ended: ArrayLike) -> float | None:
    """Time that the typical (median) case lasts at least, 97.5 % sure, by a sign test on right-censored times; None where too few tell.

    A case that was cut off counts up to there: it lasted longer.
    """
    t, e = np.asarray(time, dtype=float), np.asarray(ended, dtype=bool)
    for least in np.unique(t)[::-1].tolist():
        longer, shorter = int(np.sum(t >= least)), int(np.sum(e & (t < least)))
        if bdtr(shorter, longer + shorter, 0.5) <= 0.025:
            return float(least)
    return None


def _moved(before: Trace, after: Trace) -> str:
    """Say so where the sensor sat at another place after the change: the same shot dips less away from the tool."""
    places = named(before.place), named(after.place)
    if not all(places) or places[0] == places[1]:
        return ""
    return (
        f"The sensor sat at the {places[0]} before and at the {places[1]} after, and one and the same shot looks different there. "
        "Compare two recordings from one and the same place, best at the tool."
    )


def _judge(
    b: Settled, a: Settled, moved: str, recovery_change: Estimate, dip_change: Estimate, pressure_shift: float, *, drifts: bool
) -> tuple[Verdict, str]:
    if moved:
        return "cannot tell", moved
    apart = f"{wait_s(b, a)} s apart"
    for name, side in (("before", b), ("after", a)):
        if not side.record.shots:
            return "cannot tell", f"No shot was found in the recording {name} the change. Choose one of work with the same tool."
        if side.used < FEWEST:
            fired = len(side.record.shots)
            few = f"Only {side.used} of {fired} shots {name} the change were fired on a settled line"
            if side.used == fired:
                few = f"There are only {fired} shots {name} the change" if fired > 1 else f"There is only one shot {name} the change"
            return "cannot tell", f"{few}; {FEWEST} are needed. Fire ten single shots, {apart}, on both days."
    if recovery_change.value is None and direction(recovery_change) == "unclear":
        return "cannot tell", (
            "Too few of the shots fired on a settled line were left to recover before the next. "
            f"Fire ten single shots, {apart}, on both days."
        )
    signs = {"recovery": direction(recovery_change), "dip": direction(dip_change)}
    words = f"Recovery {_say(recovery_change)}, dip {_say(dip_change)}, from {b.used} and {a.used} shots on a settled line."
    if "unclear" in signs.values() and not {"less", "more"} & set(signs.values()):
        if abs(pressure_shift) >= FAR_SHIFT:
            return "cannot tell", f"{words} The line stood at too different a pressure to say. Set the same pressure on both days."
        if all(_half(change) < MATERIAL for change in (recovery_change, dip_change)):
            return "cannot tell", f"{words} That is too little to be sure of: another day, or other weather, can do as much."
        if _unlike_rates(b, a):
            return "cannot tell", f"{words} The interval is too wide to say; log both days at the same rate."
        if drifts:
            return "cannot tell", (
                f"{words} The recoveries drift too much to say; record until the pump has run several times on both days, with a second "
                "sensor on its tank."
            )
        return "cannot tell", f"{words} The interval is too wide to say; record more shots from a settled line."
    if "less" in signs.values() and "more" in signs.values():
        return "cannot tell", (
            f"{words} One got better and the other worse; decide by what matters at the tool. If the tool is another, or the sensor sits "
            "elsewhere, that alone can be why."
        )
    if "less" in signs.values():
        return "better", words
    if "more" in signs.values():
        return "worse", words
    return "no change", f"{words} What changed is less than {100 * MATERIAL:.0f} %."


def _unlike_rates(b: Settled, a: Settled) -> bool:
    one, other = sorted((b.record.rate_hz, a.record.rate_hz))
    return other > UNLIKE_RATES * one


def wait_s(b: Settled, a: Settled) -> int:
    """Pause between single shots that leaves both lines at rest [s]."""
    return max(3, math.ceil(max(b.pause_s, a.pause_s)))


def direction(change: Estimate) -> Direction:
    """Tell which way a change goes, if it is large and sure enough to matter."""
    low = -math.inf if change.low is None else change.low
    high = math.inf if change.high is None else change.high
    value = change.value if change.value is not None else max(low, min(high, 0.0))  # of a bound alone: what is nearest to no change
    if high < -BEYOND and value <= -MATERIAL:
        return "less"
    if low > BEYOND and value >= MATERIAL:
        return "more"
    if low > -2.0 * MATERIAL and high < 2.0 * MATERIAL and abs(value) < MATERIAL:
        return "same"
    return "unclear"


def _half(change: Estimate) -> float:
    return math.inf if change.low is None or change.high is None else 0.5 * (change.high - change.low)


def _say(change: Estimate) -> str:
    if change.value is None and change.high is not None:
        return f"below {100.0 * change.high:+.0f} %"
    if change.value is None and change.low is not None:
        return f"above {100.0 * change.low:+.0f} %"
    if change.value is None or change.low is None or change.high is None:
        return "not known"
    value, low, high = (f"{round(100.0 * x):+d}".replace("+0", "0") for x in (change.value, change.low, change.high))
    return f"{value} % ({low} to {high} %)"
