"""Which shot a judgement of depth belongs to."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.record import Shot

REACH_S: Final = 20.0  # a judgement belongs to the last shot before it, no longer ago than this
HAND_S: Final = 2.0  # times given by hand are good to this, so a shot may come a little after its mark
NEIGHBOURS_S: Final = 10.0  # shots closer than this were fired at one setting of the regulator
LEAST_STRAYS: Final = 5
RESTED: Final = 5.0  # recoveries after a shot the line is at rest; by choice
WANDERS_PA: Final = 15e3  # a regulated line at rest stays within this; common practice, no source
REST_S: Final = 10.0  # the line's rest is sought so far before a judged shot


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """A judgement and the shot it belongs to.

    Attributes
    ----------
    mark_s : float
        Time of the mark [s].
    shot : Shot
        The shot.
    depth : str or float
        "proud", "flush" or "deep", or measured [m], negative where the head stands proud.
    work : str
        Fastener and wood, as the mark's text names them; "" where it does not.
    """

    mark_s: float
    shot: Shot
    depth: str | float
    work: str = ""


def match_judged(marks: Sequence[Mapping[str, Any]], shots: Sequence[Shot]) -> tuple[tuple[Judged, ...], tuple[str, ...]]:
    """Give every judgement the last shot before it, within 20 s.

    Parameters
    ----------
    marks : sequence of mapping
        Marks in order of time; those of another kind than "judged" are passed over.
    shots : sequence of Shot
        In order of time.

    Returns
    -------
    judged : tuple of Judged
        In order of the shots. Of several judgements of one shot the last counts.
    warnings : tuple of str
        Judgements without a shot, and shots judged twice. A shot up to 2 s after its mark counts where none came before, since times
        given by hand are no better.
    """
    found: dict[float, Judged] = {}
    warnings: list[str] = []
    for mark in marks:
        if mark.get("kind") != "judged":
            continue
        at = float(mark["time_s"])
        before = [s for s in shots if at - REACH_S <= s.time_s <= at] or [s for s in shots if at < s.time_s <= at + HAND_S][:1]
        if not before:
            warnings.append(f"The judgement at {at:.1f} s has no shot in the {REACH_S:.0f} s before it; it is left out.")
            continue
        shot = before[-1]
        depth: str | float = str(mark["depth"]) if mark.get("depth") is not None else 1e-3 * float(mark["depth_mm"])
        if shot.time_s in found:
            warnings.append(f"The shot at {shot.time_s:.1f} s was judged twice; the later judgement counts.")
        found[shot.time_s] = Judged(mark_s=at, shot=shot, depth=depth, work=str(mark.get("text") or "").strip())
    return tuple(found[t] for t in sorted(found)), tuple(warnings)


def one_kind(judged: Sequence[Judged]) -> tuple[tuple[Judged, ...], tuple[str, ...]]:
    """Keep words or measured depths, whichever are more: the two are not mixed in one fit. The rest is told in a warning."""
    words = tuple(j for j in judged if isinstance(j.depth, str))
    measured = tuple(j for j in judged if not isinstance(j.depth, str))
    if not words or not measured:
        return tuple(judged), ()
    kept, left, what = (measured, words, "judged in words") if len(measured) >= len(words) else (words, measured, "measured")
    return kept, (
        f"{len(left)} of the depths were {what} and are left out: the two kinds are not mixed, and the others are as many or more.",
    )


def rest_above_shot(t_s: ArrayLike, p_pa: ArrayLike, judged: Sequence[Judged]) -> float | None:
    """By how much the line at rest stood above the pressure at the judged shots [Pa]: the median over them.

    Rest is what the pressure reached nine tenths of the way up within the 10 s before a shot, so a single high reading does not count.
    None without judged shots.
    """
    t, p = np.asarray(t_s, dtype=np.float64), np.asarray(p_pa, dtype=np.float64)
    gaps = []
    for j in judged:
        first, last = np.searchsorted(t, [j.shot.time_s - REST_S, j.shot.time_s])
        if last > first:
            gaps.append(float(np.quantile(p[first:last], 0.9)) - j.shot.before_pa)
    return max(0.0, float(np.median(gaps))) if gaps else None


def strays(shots: Sequence[Shot]) -> NDArray[np.float64]:
    """By how much the pressure at shots strays about one setting of the regulator [Pa].

    Shots that follow each other within 10 s make a burst; each burst of three or more strays about its own median. Two shots in a row that
    were both fired on a line at rest, at pressures further apart than a resting line wanders, were fired at two settings: a burst ends
    between them. Empty where fewer than five shots tell.
    """
    bursts: list[list[float]] = [[]]
    last: Shot | None = None
    rested_pa: float | None = None
    for shot in shots:
        at_rest = last is None or (last.outcome == "recovered" and shot.time_s - last.time_s > RESTED * last.recovery_s)
        turned = at_rest and rested_pa is not None and abs(shot.before_pa - rested_pa) > WANDERS_PA
        if last is None or shot.time_s - last.time_s > NEIGHBOURS_S or turned:
            bursts.append([])
        bursts[-1].append(shot.before_pa)
        rested_pa = shot.before_pa if at_rest else None
        last = shot
    told = [np.asarray(b) - np.median(b) for b in bursts if len(b) >= 3]
    out = np.concatenate(told) if told else np.empty(0)
    return np.asarray(out if out.size >= LEAST_STRAYS else np.empty(0), dtype=np.float64)
