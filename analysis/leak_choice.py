"""What of a shut-in recording is fitted: the stretches between breaks, after settling, before the end that is empty."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis.leak_breaks import SETTLED, Readings, Span, coarsen, merge, part, settling_s
from analysis.leak_fit import ZERO_U_PA

UNSEEN_WARMTH: Final = 0.004  # of filling that is not seen but cannot be excluded: 1.2 K of the air; common practice, no source
AIR_SETTLING_S: Final = 90.0  # time in which still air takes on its tank's temperature, where the recording does not show it [s]
EMPTY: Final = "empty: no pressure left to lose"
STEP_WARMTH: Final = 0.3  # a quick change of pressure changes the air's temperature by 0.286 of it; isentropic relation


def refuse_what_is_no_line(r: Readings) -> None:
    """Raise ValueError where a recording begins without pressure."""
    # A large leak may leave little of it even so early: three readings are enough, one may be a spike.
    if float(np.sort(r.p_pa[: max(5, r.p_pa.size // 20)])[-3]) < 20_000.0:
        msg = (
            f"The recording begins at {r.p_pa[0] / 1000:.1f} kPa gauge: there is no pressure to lose. "
            "Fill the line, shut it in, and record from then on."
        )
        raise ValueError(msg)


def until_empty(r: Readings) -> tuple[Readings, list[Span]]:
    """Set apart what comes long after the line has emptied for good: a night of nothing would hide the minutes of the fall."""
    under_pressure = np.flatnonzero(~_low(r))
    if not under_pressure.size:
        return r, []
    until_s = float(r.t_s[0] + 2.0 * (r.t_s[under_pressure[-1]] - r.t_s[0]))
    if until_s >= r.t_s[-1]:
        return r, []
    return part(r, r.t_s <= until_s), [Span(from_s=until_s, until_s=float(r.t_s[-1]), why=EMPTY)]


@dataclass(frozen=True, slots=True, kw_only=True)
class Choice:
    """What is fitted and what is not."""

    stretches: list[Span]
    warmth: list[float]  # what may be left of the settling at each stretch's beginning, relative to absolute pressure
    left_out: tuple[Span, ...]
    zero: tuple[float, float]
    settling_s: float
    warnings: list[str]


def choose(fine: Readings, breaks: list[Span], chosen: list[Span], wanted: list[Span]) -> Choice:
    """Choose the stretches to fit.

    Parameters
    ----------
    fine : Readings
        The recording.
    breaks : list of Span
        Where something other than a leak moved the pressure.
    chosen, wanted : list of Span
        What the user wants left out, and fitted whatever was found in it.

    Raises
    ------
    ValueError
        If nothing is left to fit.
    """
    start, end = float(fine.t_s[0]), float(fine.t_s[-1])
    out = [*[s for s in breaks if not _overlaps(s, wanted)], *chosen]
    zero, empty = _empty_end(fine)
    if empty is not None:
        out.append(empty)
    warnings: list[str] = []
    stretches: list[Span] = []
    warmth: list[float] = []
    taus: list[float] = []
    unsettled: list[float] = []
    cuts = list(merge(out))
    edges = [start, *[x for s in cuts for x in (s.from_s, s.until_s)], end]
    for n, (a, z) in enumerate(zip(edges[::2], edges[1::2], strict=True)):
        if z - a < max(0.02 * (end - start), 6 * float(np.median(np.diff(fine.t_s)))):
            if z > a:
                cuts.append(Span(from_s=a, until_s=z, why="too short between breaks"))
            continue
        step = _step_before(fine, a) if n else 0.0
        settled, tau = settling_s(part(fine, (fine.t_s >= a) & (fine.t_s <= z)), least=STEP_WARMTH * step)
        if _overlaps(Span(from_s=a, until_s=a + settled), wanted):
            settled = 0.0
        seen = settled > 0
        left = SETTLED
        if settled > 0.6 * (z - a):
            unsettled.append(a)
            left = UNSEEN_WARMTH
            settled = 0.6 * (z - a)
        if seen:
            taus += [tau] if np.isfinite(tau) else []
            after = "filling" if n == 0 else "the break"
            cuts.append(Span(from_s=a, until_s=a + settled, why=f"air still settling to the wall's temperature after {after}"))
        stretches.append(Span(from_s=a + settled, until_s=z))
        warmth.append(left if seen or n else UNSEEN_WARMTH)
    if not stretches:
        whys = ", ".join(dict.fromkeys(why for s in merge(cuts) for why in s.why.split("; ")))
        msg = f"No quiet stretch is left to fit ({whys}). Shut the line in, leave it alone for longer, and keep it in the sensor's range."
        raise ValueError(msg)
    if unsettled:
        where = f"the stretch that begins at {unsettled[0]:.0f} s" if len(unsettled) == 1 else f"{len(unsettled)} of the stretches"
        warnings.append(
            f"The air was still changing its temperature in most of {where}. Wait longer after filling or drawing, or record longer."
        )
    if np.ptp(fine.p_pa) == 0.0:
        warnings.append("The reading never changed. Check that the sensor is alive and its readings are not too coarse.")
    if sum("let in" in s.why for s in breaks) >= 3:
        warnings.append("Air was let in again and again: if the pump was on, the cycles tell more. Shut the pump off for a leak-down.")
    left_out = merge(cuts)
    lost = [s for s in left_out if s.until_s >= end and "drawn" in s.why]
    if lost and float(np.median(fine.p_pa[-5:])) < 0.2 * float(fine.p_pa[np.searchsorted(fine.t_s, lost[0].from_s)]):
        warnings.append(
            f"At {lost[0].from_s:.0f} s the line was opened or something gave way: it lost its pressure. Only the time before is judged."
        )
    return Choice(
        stretches=stretches,
        warmth=warmth,
        left_out=left_out,
        zero=zero,
        settling_s=min(taus, default=AIR_SETTLING_S),
        warnings=warnings,
    )


def _overlaps(span: Span, others: Sequence[Span]) -> bool:
    return any(o.from_s < span.until_s and span.from_s < o.until_s for o in others)


def _low(r: Readings) -> NDArray[np.bool_]:
    """Where the line holds next to nothing."""
    return np.asarray(r.p_pa < max(0.02 * float(r.p_pa.max()), 4000.0), dtype=bool)


def _empty_end(r: Readings) -> tuple[tuple[float, float], Span | None]:
    """Find the end in which nothing is left to leak; it tells the sensor's zero and how well."""
    unknown = (0.0, ZERO_U_PA)
    r = coarsen(r, 400)  # single readings' noise must not pass for pressure
    low = _low(r)
    if not low[-1]:
        return unknown, None
    first = int(np.flatnonzero(~low)[-1]) + 1
    tail = slice(first + (r.t_s.size - first) // 2, None)
    t, p = r.t_s[tail], r.p_pa[tail]
    if t.size < 10:
        return unknown, None
    slope, _ = np.polyfit(t - t.mean(), p, 1)
    error = float(np.std(p)) / np.sqrt(t.size) + 30.0 + 0.3 * r.resolution_pa
    if abs(float(slope)) * (t[-1] - t[0]) > 4.0 * error:
        return unknown, None  # still falling
    zero = float(p.mean())
    above = np.flatnonzero(r.p_pa > zero + max(0.004 * float(r.p_pa.max()), 3.0 * error))
    empty = int(above[-1]) + 1
    return (zero, float(error)), Span(from_s=float(r.t_s[empty]), until_s=float(r.t_s[-1]), why=EMPTY)


def _step_before(r: Readings, when: float) -> float:
    """How much a break that ends at `when` changed the pressure, relative to absolute pressure."""
    i = int(np.searchsorted(r.t_s, when))
    near = np.log(np.maximum(r.p_pa[max(i - 400, 0) : i + 1] + r.p_amb_pa[max(i - 400, 0) : i + 1], 1.0))
    return float(np.ptp(near)) if near.size else 0.0
