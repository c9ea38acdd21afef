"""The stretches of a recording that a line is fitted to: test nozzles with the supply shut or open, and single shots on a settled line.

Times of marks are good to a second or two; the exact moments are found here, in the readings.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.corrections import corrected_shots
from analysis.estimate import Estimate
from analysis.line import Line
from analysis.statistics import Z_95

Floats = NDArray[np.float64]

NO_LINE_PA: Final = 20e3  # gauge; a recording that stays below shows no line at work
NOZZLE_B: Final = 0.45  # critical ratio of a test nozzle that names none
LEAD_S: Final = 0.2  # time shown before an event
AFTER_NOZZLE_S: Final = 1.2
AFTER_SHUT_S: Final = 9.0  # the air cools while it expands; once the wall has warmed it again, its mass alone sets the pressure
AFTER_SHOT_S: Final = 0.9
LONGEST_NOZZLE_S: Final = 2.5  # of a longer one with the supply open only the beginning is used: the flow is steady by then
LONGEST_LONE_S: Final = 5.0  # of one that no shorter one goes with
UNSETTLED_PA_PER_S: Final = 600.0  # rise or fall of the pressure at the tool, beyond which a line is not at rest
LONGEST_CHAIN_S: Final = 45.0
LONGEST_REST_S: Final = 10.0  # of rest before a nozzle, over which a leak shows
SEARCH_S: Final = 3.0  # marks set by hand are this good
REST_S: Final = 0.3  # before an opening, whose level it falls from
SIGN_S: Final = 0.5  # before a fall, in which a first sign of it is looked for
SIGN_MEAN_S: Final = 0.02  # over which that is averaged
SIGN_PA: Final = 3e3  # departure from rest that is a sign
FAST_S: Final = 0.002  # readings are averaged over this long while waves run,
SLOW_S: Final = 0.1  # and over this long once they have died away
ZERO_U_PA: Final = 2e3  # zero of an ordinary sensor; common practice, no source
WARMS_PA: Final = 1e4  # by so much air that warms after a draw may lift a line above what its regulator holds, which does not relieve
FLOOR_PA: Final = 200.0  # a mean of many readings is not trusted further than this
MOST_SHOTS: Final = 6
SHOT_MODEL_U: Final = 0.02  # share of the dip by which the model may miss it: nobody knows how the tool's valve opens and shuts


@dataclass(frozen=True, slots=True)
class Episode:
    """A stretch of the recording that is fitted.

    Attributes
    ----------
    at_s : float
        When it begins to happen [s], on the recording's clock; `LEAD_S` later than the episode's own zero.
    since_s, tool_pa, sigma_pa : ndarray, shape (n,)
        Times on the episode's own clock [s], pressures at the tool [Pa gauge], and their standard uncertainty [Pa].
    supply_pa : ndarray or None
        Likewise in the tank, where it was recorded.
    blows : tuple of (float, float)
        Openings of the test nozzle: when after the first, and how long [s]; none for a shot.
    nozzle_c, nozzle_b : float
        Conductance [m3/(s Pa)] and critical ratio of the nozzle.
    shut : bool
        Whether the supply is shut.
    start_tool_pa, start_supply_pa : float
        Pressures at rest before [Pa gauge].
    drift_pa_per_s : float
        Slope of the pressure at the tool at rest before [Pa/s]; NaN where the rest was too short.
    since_shot_s : float
        Time since the tool fired last [s].
    """

    at_s: float
    since_s: Floats
    tool_pa: Floats
    sigma_pa: Floats
    supply_pa: Floats | None
    blows: tuple[tuple[float, float], ...]
    nozzle_c: float
    nozzle_b: float
    shut: bool
    start_tool_pa: float
    start_supply_pa: float
    drift_pa_per_s: float = math.nan
    since_shot_s: float = math.inf


@dataclass(frozen=True, slots=True)
class Readings:
    """Times [s] and pressures [Pa gauge] at the tool and, where recorded, in the tank; only readings that are there."""

    t: Floats
    tool: Floats
    supply: Floats | None
    noise_pa: float
    channel: str  # name of the tool's pressure


def readings(t_s: ArrayLike, channels: Mapping[str, ArrayLike]) -> Readings:
    """Find the tool's and the supply's channel by their names.

    Raises
    ------
    ValueError
        If there is no channel of the tool's pressure, if it has too few readings, or if all of them are near zero.
    """
    t = np.asarray(t_s, dtype=np.float64)

    def find(*words: str) -> str | None:
        return next((name for name in channels if any(w in name.lower() for w in words)), None)

    name, other = find("tool", "nailer", "gun"), find("supply", "tank", "compressor")
    if name is None and len(channels) == 1:
        name, other = next(iter(channels)), None
    if name is None:
        msg = f"None of the channels ({', '.join(channels)}) is the tool's pressure; name one of them 'tool'."
        raise ValueError(msg)
    tool = np.asarray(channels[name], dtype=np.float64)
    supply = None if other is None else np.asarray(channels[other], dtype=np.float64)
    good = np.isfinite(t) & np.isfinite(tool)
    if supply is not None:
        good &= np.isfinite(supply)
    if good.sum() < 200:
        msg = f"Only {int(good.sum())} readings have a pressure at the tool; a fit needs at least 200."
        raise ValueError(msg)
    highest_pa = float(np.percentile(tool[good], 99.0))
    if highest_pa < NO_LINE_PA:
        msg = (
            f"The tool's pressure never comes above {highest_pa / 1000:.1f} kPa gauge: there is no air to fit a line to. "
            "Open the supply and record work; if it was open, check the sensor against a gauge."
        )
        raise ValueError(msg)
    t, tool, supply = t[good], _without_spikes(tool[good]), _without_spikes(supply[good]) if supply is not None else None
    return Readings(t=t, tool=tool, supply=supply, noise_pa=max(_noise(tool), 100.0), channel=name)


def _noise(p: Floats) -> float:
    """Standard deviation of a reading, from neighbours' differences but the largest; a median would come in whole steps of the sensor."""
    step = np.abs(np.diff(p))
    usual = step[step <= 2.5 * float(np.percentile(step, 90.0))]
    return float(np.sqrt(np.mean(usual**2))) / math.sqrt(2.0)


def _level(p: Floats) -> float:
    """Pressure of a line at rest: the mean but for outliers, for a median would come in whole steps of the sensor."""
    off = np.abs(p - np.median(p))
    return float(np.mean(p[off <= 5.0 * float(np.mean(off))]))


def _without_spikes(p: Floats) -> Floats:
    """Replace one or two readings that stand far from their neighbours by the middle one of five."""
    if p.size < 5:
        return p
    wide = np.concatenate([p[:2], p, p[-2:]])
    middle = np.median(np.stack([wide[i : i + p.size] for i in range(5)]), axis=0)
    off = np.abs(p - middle)
    return np.where(off > 10.0 * float(np.median(off)) + 2e3, middle, p)


def shut_at(time_s: float, marks: Sequence[Mapping[str, Any]]) -> bool:
    """Whether the supply is shut at a time, by the last such mark before it."""
    state = False
    for mark in sorted(marks, key=lambda m: float(m.get("time_s", 0.0))):
        if float(mark.get("time_s", 0.0)) <= time_s and mark.get("kind") in ("supply shut", "supply open"):
            state = mark["kind"] == "supply shut"
    return state


def onset(t: Floats, p: Floats, near_s: float, lasts_s: float) -> float | None:
    """Moment near a mark at which the pressure begins its steepest fall and then stays low for so long [s]; None where nothing does."""
    inside = (t > near_s - SEARCH_S) & (t < near_s + SEARCH_S)
    if inside.sum() < 50:
        return None
    wide = (t > near_s - SEARCH_S - REST_S) & (t < near_s + SEARCH_S + lasts_s)
    tt, pp, inside = t[wide], p[wide], inside[wide]
    span = 0.04
    sums = np.concatenate([[0.0], np.cumsum(pp)])
    here = np.arange(tt.size)

    def change(before_s: float, after_s: float) -> Floats:
        """Mean from each reading on, less that of those before it; infinite where either has fewer than two."""
        left, right = np.searchsorted(tt, tt - before_s), np.searchsorted(tt, tt + after_s)
        ok = inside & (here - left >= 2) & (right - here >= 2)
        out = np.full(tt.size, np.inf)
        out[ok] = (sums[right[ok]] - sums[here[ok]]) / (right[ok] - here[ok]) - (sums[here[ok]] - sums[left[ok]]) / (here[ok] - left[ok])
        return out

    # What rings after an earlier opening has shut falls steeply as well, but from a lower pressure than the one that it ends at.
    lasting = change(REST_S, lasts_s)
    step = np.where(lasting < 0.4 * np.min(lasting), change(span, span), np.inf) if np.min(lasting) < 0.0 else np.full(tt.size, np.inf)
    noise = float(np.median(np.abs(np.diff(pp)))) / 0.6745 / math.sqrt(2.0)
    # The first steep fall: where waves run to and fro a later one may be steeper.
    k = int(np.flatnonzero(step < 0.45 * np.min(step))[0]) if np.min(step) < 0.0 else 0
    while k + 1 < tt.size and step[k + 1] < step[k]:
        k += 1
    right = int(np.searchsorted(tt, tt[k] + span))
    if not step[k] < -max(6.0 * noise / math.sqrt(max(right - k, 1)), 1500.0):
        return None
    before = pp[(tt > tt[k] - 0.5) & (tt < tt[k] - span)]
    level = float(np.median(before)) if before.size else float(pp[0])
    after = float(np.min(pp[k : right + 1]))
    below = np.flatnonzero((tt > tt[k] - span) & (pp < level - max(4.0 * noise, 0.15 * (level - after))))
    at_s = float(tt[below[0]]) if below.size else float(tt[k])
    return _leap(t, p, at_s, lasts_s) or _first_sign(t, p, at_s)


def _first_sign(t: Floats, p: Floats, at_s: float) -> float:
    """Moment, up to `SIGN_S` before a fall, at which the pressure already left its rest [s]; the fall's own where it did not.

    Beside a large receiver a tap that shows too much while the nozzle blows may hide the first of the fall.
    """
    rest, back = (t > at_s - 2.0 * SIGN_S) & (t < at_s - SIGN_S), (t > at_s - SIGN_S) & (t < at_s + 0.5 * SIGN_MEAN_S)
    n = round(SIGN_MEAN_S * back.sum() / SIGN_S)
    if n < 2 or rest.sum() < 10 * n:
        return at_s
    trend = np.polyfit(t[rest] - at_s, p[rest], 1)

    def off(which: NDArray[np.bool_]) -> Floats:
        return np.abs(np.convolve(p[which] - np.polyval(trend, t[which] - at_s), np.full(n, 1.0 / n), "valid"))

    signs = np.flatnonzero(off(back) > max(2.0 * float(off(rest).max()), SIGN_PA))
    first = float(t[back][signs[0]]) + 0.5 * SIGN_MEAN_S if signs.size else at_s
    return first if first < at_s - 2.0 * SIGN_MEAN_S else at_s


def _leap(t: Floats, p: Floats, at_s: float, lasts_s: float) -> float | None:
    """Moment before a fall, by no more than the nozzle blows, at which the pressure leapt up from rest [s]; None where it did not.

    A tap that shows far too much while the nozzle blows hides the fall at its opening; what falls is seen later, or as it shuts.
    """
    near = (t > at_s - lasts_s - REST_S - SIGN_S) & (t < at_s)
    tt, pp = t[near], p[near]
    n = round(SIGN_MEAN_S * tt.size / (lasts_s + REST_S + SIGN_S))
    rest = round(REST_S / SIGN_MEAN_S) * n
    if n < 2 or tt.size < 2 * rest:
        return None
    means = np.convolve(pp, np.full(n, 1.0 / n), "valid")
    step = means[n:] - means[:-n]
    flat = max(0.5 * SIGN_PA, 6.0 * _noise(pp) / math.sqrt(n))
    for k in np.flatnonzero(step > 2.0 * flat):
        before, just = means[k - rest : k - 2 * n], means[k - 2 * n : k + 1]  # the valve has begun to open
        if k >= rest and np.ptp(before) < flat and np.min(just) > np.min(before) - flat:
            top = k + int(np.argmax(step[k : k + n]))
            return float(tt[top + n])
    return None


def rise_before(got: Readings, at_s: float) -> float:
    """Slope of the tool's pressure over the second before a moment [Pa/s]; NaN where too little was read."""
    rest = (got.t > at_s - 1.1) & (got.t < at_s - 0.05)
    return float(np.polyfit(got.t[rest] - at_s, got.tool[rest], 1)[0]) if rest.sum() > 20 else math.nan


def zero_difference(got: Readings, line: Line, nozzles: Sequence[Mapping[str, Any]], marks: Sequence[Mapping[str, Any]]) -> float:
    """Supply less tool at rest with the supply open [Pa], where the tool's pressure moved least: the difference of the sensors' zeros.

    A regulator keeps the two pressures apart, so nothing is known then.
    """
    if got.supply is None or any(p.kind == "regulator" for p in line.parts):
        return 0.0
    out = []
    for mark in nozzles:
        lasts = mark.get("duration_s")
        at = onset(got.t, got.tool, float(mark["time_s"]), float(lasts)) if isinstance(lasts, int | float) and lasts > 0.0 else None
        if at is None or shut_at(at, marks):
            continue
        rest = (got.t > at - 1.1) & (got.t < at - 0.05)
        if math.isfinite(rise := rise_before(got, at)):
            out.append((abs(rise), _level(got.supply[rest] - got.tool[rest])))
    # A large receiver fills for seconds after an opening; until then less pressure at the tool is no error of a sensor.
    return min(out)[1] if out else 0.0


def pressure_at_rest(got: Readings) -> Estimate:
    """What a regulator holds [Pa gauge], as the tool's pressure when nothing flows: most of the time within a narrow band near its top."""
    top = float(np.percentile(got.tool, 95.0))
    rest = got.tool[np.abs(got.tool - top) < 3.0 * got.noise_pa + 2e3]
    value = _level(rest)
    half = Z_95 * math.hypot(ZERO_U_PA, got.noise_pa / math.sqrt(rest.size))
    return Estimate(value=value, low=value - half - WARMS_PA, high=value + half)


def _bins(t: Floats, edges: Floats) -> tuple[Callable[[Floats], Floats], Floats]:
    """A function that averages between edges, and how many readings fell in; empty bins are left out."""
    which = np.searchsorted(edges, t, side="right")
    _, index, count = np.unique(which, return_inverse=True, return_counts=True)

    def mean(v: Floats) -> Floats:
        return np.asarray(np.bincount(index, weights=v) / count, dtype=np.float64)

    return mean, count.astype(np.float64)


def _cut(
    got: Readings, at: float, until_s: float, blows: tuple[tuple[float, float], ...], nozzle: tuple[float, float], shut: bool
) -> Episode:
    """Cut an episode out, averaged finely where waves run and coarsely after."""
    inside = (got.t > at - LEAD_S) & (got.t < at + until_s)
    t = got.t[inside] - (at - LEAD_S)
    waves = [(LEAD_S + a, LEAD_S + a + d + AFTER_NOZZLE_S) for a, d in blows] or [(0.0, until_s + LEAD_S)]
    edges, now = [0.0], 0.0
    while now < until_s + LEAD_S:
        now += FAST_S if any(a - LEAD_S <= now < b for a, b in waves) else SLOW_S
        edges.append(now)
    mean, count = _bins(t, np.array(edges))
    rest = (got.t > at - 1.0) & (got.t < at - 0.03)
    start = _level(got.tool[rest])
    return Episode(
        at_s=at,
        since_s=mean(t),
        tool_pa=mean(got.tool[inside]),
        sigma_pa=np.hypot(got.noise_pa / np.sqrt(count), FLOOR_PA),
        supply_pa=mean(got.supply[inside]) if got.supply is not None else None,
        blows=blows,
        nozzle_c=nozzle[0],
        nozzle_b=nozzle[1],
        shut=shut,
        start_tool_pa=start,
        start_supply_pa=_level(got.supply[rest]) if got.supply is not None else start,
    )


def nozzle_episodes(got: Readings, marks: Sequence[Mapping[str, Any]], warnings: list[str]) -> list[Episode]:
    """One episode of the nozzle with the supply shut, and up to two with it open; what cannot be used is said in `warnings`."""
    shut: list[tuple[float, float, tuple[float, float]]] = []
    opened: list[tuple[float, float, tuple[float, float]]] = []
    t = got.t
    ends = sorted(float(m["time_s"]) for m in marks if m.get("kind") == "supply open")
    for mark in (m for m in marks if m.get("kind") == "nozzle"):
        c, lasts = mark.get("conductance_l_per_s_bar"), mark.get("duration_s")
        if not isinstance(c, int | float) or not c > 0.0 or not isinstance(lasts, int | float) or not lasts > 0.0:
            warnings.append("A nozzle mark without its conductance or duration is left out; it needs both.")
            continue
        at = onset(t, got.tool, float(mark["time_s"]), float(lasts))
        if at is None:
            warnings.append(f"Near the nozzle mark at {float(mark['time_s']):.0f} s the pressure does not fall; it is left out.")
            continue
        b = mark.get("b")
        nozzle = (float(c) * 1e-8, float(b) if isinstance(b, int | float) else NOZZLE_B)
        if t[-1] < at + lasts + AFTER_NOZZLE_S or ((t > at - 1.0) & (t < at + lasts)).sum() < 100:
            continue
        (shut if shut_at(at, marks) else opened).append((at, float(lasts), nozzle))
    out = _opened(got, opened)
    if shut:
        # One run over all openings of one shut supply: the air is still cold from one when the next begins.
        first, _, nozzle = shut[0]
        same = [(a - first, d) for a, d, z in shut if z == nozzle and a - first + d < LONGEST_CHAIN_S - AFTER_SHUT_S]
        same = [s for s in same if not any(first <= e + SEARCH_S < first + s[0] for e in ends)][:3]
        last = first + same[-1][0] + same[-1][1]
        opens = min((e - SEARCH_S for e in ends if e > last), default=math.inf)  # marks are good to a second or two
        until = min(last + AFTER_SHUT_S, max(opens, last + AFTER_NOZZLE_S), float(t[-1])) - first
        shuts = max((float(m["time_s"]) for m in marks if m.get("kind") == "supply shut" and float(m["time_s"]) <= first), default=math.inf)
        rest_s = min(first - shuts - 2.0, LONGEST_REST_S)
        rest = (t > first - rest_s) & (t < first - 0.1)
        calm = rest_s > 2.0 and rest.sum() > 50
        drift = float(np.polyfit(t[rest] - first, got.tool[rest], 1)[0]) if calm else math.nan
        out.insert(0, dataclasses.replace(_cut(got, first, until, tuple(same), nozzle, True), drift_pa_per_s=drift))
    return out


def _opened(got: Readings, blows: Sequence[tuple[float, float, tuple[float, float]]]) -> list[Episode]:
    """Up to two episodes of the nozzle with the supply open, given when it opened, how long and what nozzle."""
    settled = [b for b in blows if not abs(rise_before(got, b[0])) > UNSETTLED_PA_PER_S]
    blows = sorted(settled or blows, key=lambda b: -b[1])  # the longest shows the steady loss best, a short one its end
    out = []
    for at, lasts, nozzle in blows[:1] + blows[1:][-1:]:
        whole = lasts <= LONGEST_NOZZLE_S or len(blows) == 1
        until = min(lasts, LONGEST_LONE_S) + AFTER_NOZZLE_S if whole else LONGEST_NOZZLE_S - 0.1
        out.append(_cut(got, at, until, ((0.0, min(lasts, until + 1.0)),), nozzle, False))
    return out


def shot_episodes(got: Readings, marks: Sequence[Mapping[str, Any]]) -> list[Episode]:
    """Single shots, far from any nozzle mark, fired on a settled line while the supply is open; corrections by hand count."""
    try:
        found = corrected_shots(got.t, got.tool, marks, channel=got.channel).shots
    except ValueError:
        return []
    busy = [float(m["time_s"]) for m in marks if m.get("kind") == "nozzle"]
    t = got.t
    quiet = []
    for i, shot in enumerate(found):
        alone = (i == 0 or shot.time_s - found[i - 1].time_s > 2.5) and (i + 1 == len(found) or found[i + 1].time_s - shot.time_s > 1.2)
        near = any(-SEARCH_S < shot.time_s - b < SEARCH_S + 6.0 for b in busy)
        if alone and not near and not shut_at(shot.time_s, marks) and shot.time_s > t[0] + 1.2 and shot.time_s + AFTER_SHOT_S < t[-1]:
            quiet.append(shot)
    if not quiet:
        return []
    usual = float(np.median([s.dip_pa for s in quiet]))
    quiet = [s for s in quiet if abs(s.dip_pa / usual - 1.0) < 0.25]
    keep = quiet if len(quiet) <= MOST_SHOTS else [quiet[i] for i in np.linspace(0, len(quiet) - 1, MOST_SHOTS).round().astype(int)]
    cut = [_cut(got, s.time_s, AFTER_SHOT_S, (), (0.0, 0.0), False) for s in keep]
    times = np.array([s.time_s for s in found])

    def since_last(at: float) -> float:
        return float(np.min(at - times[times < at - 0.1], initial=math.inf))

    sigma = SHOT_MODEL_U * usual
    return [dataclasses.replace(e, sigma_pa=np.hypot(e.sigma_pa, sigma), since_shot_s=since_last(e.at_s)) for e in cut]


def at_temperature(line: Line, marks: Sequence[Mapping[str, Any]]) -> Line:
    """Return the line at the temperature that was noted while it was recorded."""
    temps = [float(m["temperature_degc"]) for m in marks if isinstance(m.get("temperature_degc"), int | float)]
    if not temps:
        return line
    return dataclasses.replace(line, site=dataclasses.replace(line.site, temperature_k=273.15 + sum(temps) / len(temps)))
