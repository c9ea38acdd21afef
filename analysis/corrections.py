"""The detector corrected by hand: shots taken out, and shots added where somebody saw one.

Corrections are marks: ``{"time_s": 12.34, "kind": "not a shot"}`` and ``{"time_s": 12.34, "kind": "shot"}``, with the channel's name
where a session has several pressures. The opposite mark at the same moment undoes one, so marks need only ever be appended.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any, Final, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis import triggers
from analysis.judgements import match_judged
from analysis.level_before import BEFORE_S
from analysis.measures import BOTTOM_S, measure
from analysis.record import Outcome, Shot, ShotRecord
from analysis.recovered import RECOVERED, recovery
from analysis.sensor_lag import span, unlagged
from analysis.shots import find_shots
from analysis.standing_alone import doubts, with_all

Floats = NDArray[np.float64]
Kind = Literal["shot", "not a shot"]

KINDS: Final[tuple[Kind, ...]] = ("shot", "not a shot")
SAME_S: Final = 0.1  # a correction means the shot within this time; the next one is never nearer at five a second
REACH_S: Final = 0.25  # the fall of a shot that is added is looked for so far from the moment chosen
VIEW_S: Final = 0.8  # and measured over this time, as the detector does
NEAR_BOTTOM: Final = 0.1  # of the dip
LONGEST_RECOVERY_S: Final = 60.0
ENDING: Final = ("connected", "disconnected", "air draw", "regulator change")  # events that cut a recovery off


def corrected_shots(
    t_s: ArrayLike, p_pa: ArrayLike, marks: Sequence[Mapping[str, Any]] = (), *, channel: str | None = None, lag_s: float = 0.0
) -> ShotRecord:
    """Find the shots of a recording, corrected by hand where its marks say so: the one way to the shots of whatever has marks.

    Parameters
    ----------
    t_s, p_pa : array_like, shape (n,)
        Times [s], ascending, and pressure [Pa gauge]; NaN where a reading is missing.
    marks : sequence of mapping
        Marks of the recording; those of other kinds are passed over.
    channel : str, optional
        Name of the pressure; corrections made on another one are passed over.
    lag_s : float
        Time constant of the sensor's first-order response, if known [s]; see `find_shots`.

    Raises
    ------
    ValueError
        If shapes differ, there are too few readings, or the lag is not possible.
    """
    record, made = seen_by_somebody(find_shots(t_s, p_pa, lag_s=lag_s), marks), corrections(marks, channel)
    return correct(record, t_s, p_pa, made, lag_s=lag_s)


def seen_by_somebody(record: ShotRecord, marks: Sequence[Mapping[str, Any]]) -> ShotRecord:
    """End the doubt about shots whose nails were judged."""
    if match_judged(marks, record.unvouched)[0]:
        record = with_all(record)
    judged = {j.shot.time_s for j in match_judged(marks, record.shots)[0] if j.shot.doubtful}
    if not judged:
        return record
    return _without_doubt(record, tuple(replace(s, doubtful=False) if s.time_s in judged else s for s in record.shots))


def _without_doubt(record: ShotRecord, shots: tuple[Shot, ...]) -> ShotRecord:
    """Give a record these shots, and the words about those of them that are doubtful."""
    before = doubts(record.shots, record.rate_hz)
    return replace(record, shots=shots, warnings=(*(w for w in record.warnings if w not in before), *doubts(shots, record.rate_hz)))


def corrections(marks: Sequence[Mapping[str, Any]], channel: str | None = None) -> dict[float, Kind]:
    """Read the corrections that stand [s], from marks in the order in which they were written: an opposite pair is none."""
    out: dict[float, Kind] = {}
    for mark in marks:
        if mark.get("kind") in KINDS and (channel is None or mark.get("channel") in (None, channel)):
            at_s = float(mark["time_s"])
            if out.setdefault(at_s, mark["kind"]) != mark["kind"]:
                del out[at_s]
    return out


def correct(record: ShotRecord, t_s: ArrayLike, p_pa: ArrayLike, made: Mapping[float, Kind], *, lag_s: float = 0.0) -> ShotRecord:
    """Apply corrections to what the detector found.

    Parameters
    ----------
    record : ShotRecord
        What `find_shots` gave for these readings.
    t_s, p_pa : array_like, shape (n,)
        The readings [s, Pa gauge].
    made : mapping
        Corrections, as `corrections` gives them.
    lag_s : float
        Time constant of the sensor that the shots found are told without [s].

    Returns
    -------
    ShotRecord
        The very same record where there is no correction. A shot that is added is measured as a found one is, a doubtful one is doubtful
        no longer; the shot before a corrected one is watched again until what now comes next. Warnings say how many were taken out,
        added and confirmed.
    """
    if not made:
        return record
    if any(kind == "shot" and nearest(record.unvouched, at) is not None for at, kind in made.items()):
        record = with_all(record)
    t, p = np.asarray(t_s, dtype=np.float64).ravel(), np.asarray(p_pa, dtype=np.float64).ravel()
    good = np.isfinite(t) & np.isfinite(p)
    if not good.all():
        t, p = t[good], p[good]
    if lag_s:
        p = unlagged(t, p, lag_s, span(lag_s, 1.0 / record.rate_hz))
    out: dict[float, Shot] = {}
    said: list[str] = []
    for at_s in (at for at, kind in made.items() if kind == "not a shot"):
        shot = nearest(record.shots, at_s)
        if shot is not None:
            out[shot.time_s] = shot
        else:
            said.append(f"{at_s:.2f} s was marked as no shot, but none is found there; the mark changes nothing.")
    kept = [s for s in record.shots if s.time_s not in out]
    added: list[Shot] = []
    sure = 0
    for at_s in sorted(at for at, kind in made.items() if kind == "shot"):
        there = nearest([*kept, *added], at_s)
        if there is not None:
            if there.doubtful:
                kept[kept.index(there)] = replace(there, doubtful=False)
                sure += 1
            continue
        shot = measured(record, t, p, at_s, among=[*kept, *added])
        if shot is None:
            said.append(f"The shot added by hand at {at_s:.2f} s shows no fall of pressure that can be measured; it is left out.")
        else:
            added.append(shot)
    if not out and not added and not sure:
        return replace(record, warnings=(*record.warnings, *said)) if said else record
    shots = sorted([*kept, *added], key=lambda s: s.time_s)
    following = [*(s.time_s for s in shots[1:]), None]
    shots = [_watched(record, t, p, s, n) if _must_watch(s, n, out) else s for s, n in zip(shots, following, strict=True)]
    counted = f"{len(out)} shot{'' if len(out) == 1 else 's'} taken out by hand, {len(added)} added{f', {sure} confirmed' if sure else ''}."
    told = _without_doubt(record, tuple(shots))
    return replace(told, taken_out=tuple(out[at] for at in sorted(out)), warnings=(*told.warnings, counted, *said))


def time_to_mark(record: ShotRecord, t_s: ArrayLike, p_pa: ArrayLike, made: Mapping[float, Kind], kind: Kind, at_s: float) -> float:
    """Find the moment at which a mark must be written so that it does what is wanted at a moment chosen by hand [s].

    Parameters
    ----------
    record : ShotRecord
        The shots as they are corrected so far.
    t_s, p_pa : array_like, shape (n,)
        The readings [s, Pa gauge].
    made : mapping
        Corrections that stand.
    kind : str
        "shot" or "not a shot".
    at_s : float
        The moment chosen [s].

    Raises
    ------
    ValueError
        If there is a shot already, or none to take out, or no fall that can be measured; the message says what to do.
    """
    opposite = [at for at, k in made.items() if k != kind and abs(at - at_s) <= SAME_S]
    if opposite:
        return min(opposite, key=lambda at: abs(at - at_s))
    there = nearest(record.shots, at_s)
    if kind == "not a shot":
        if there is None:
            msg = f"There is no shot within {SAME_S:g} s of {at_s:.2f} s. Choose a marked one."
            raise ValueError(msg)
        return there.time_s
    if there is not None:
        if there.doubtful:
            return there.time_s
        msg = f"There is a shot at {there.time_s:.2f} s already."
        raise ValueError(msg)
    fall = nearest(record.unvouched, at_s)
    if fall is not None:
        return fall.time_s
    t, p = np.asarray(t_s, dtype=np.float64), np.asarray(p_pa, dtype=np.float64)
    good = np.isfinite(t) & np.isfinite(p)
    shot = measured(record, t[good], p[good], at_s, among=record.shots)
    if shot is None:
        msg = f"No fall of pressure can be measured within {REACH_S:g} s of {at_s:.2f} s. Zoom in and choose where it begins to fall."
        raise ValueError(msg)
    return shot.time_s


def nearest(shots: Sequence[Shot], at_s: float) -> Shot | None:
    """Shot that a correction at this moment means; None where there is none within `SAME_S`."""
    shot = min(shots, key=lambda s: abs(s.time_s - at_s), default=None)
    return shot if shot is not None and abs(shot.time_s - at_s) <= SAME_S else None


def measured(record: ShotRecord, t: Floats, p: Floats, at_s: float, *, among: Sequence[Shot]) -> Shot | None:
    """Measure the fall near a moment as a shot, between those before and after it; None where there is none to measure.

    Parameters
    ----------
    t, p : ndarray
        Finite readings [s, Pa gauge].
    at_s : float
        The moment chosen by hand [s].
    among : sequence of Shot
        The other shots.
    """
    step_s = 1.0 / record.rate_hz
    before = max((s for s in among if s.time_s <= at_s), key=lambda s: s.time_s, default=None)
    after = min((s.time_s for s in among if s.time_s > at_s), default=np.inf)
    gaps = [e for e in record.events if e.kind == "gap"]
    earliest = max((e.until_s for e in gaps if e.until_s <= at_s), default=-np.inf)
    if before is not None:
        earliest = max(earliest, _bottom_s(t, p, before))
    until = min(at_s + REACH_S + VIEW_S, after, min((e.time_s for e in gaps if e.time_s > at_s), default=np.inf) + 1e-9)
    found = _steepest(t, p, max(at_s - REACH_S, earliest), min(at_s + REACH_S, until), step_s)
    if found is None:
        return None
    top_s, lag_s, size = found
    a, z = np.searchsorted(t, [max(top_s - 1.5, earliest), min(until, top_s + VIEW_S)])
    fall = measure(t[a:z], p[a:z], top_s, lag_s, record.noise_pa, size, step_s, earliest, min(until, top_s + VIEW_S))
    # Less than two noise widths is no fall: the lowest of a few noisy readings is that far down.
    if fall is None or fall.dip_pa < 2.0 * record.noise_pa or abs(fall.time_s - at_s) > REACH_S + BEFORE_S:
        return None
    shot = Shot(
        time_s=fall.time_s,
        before_pa=fall.before_pa,
        minimum_pa=fall.minimum_pa,
        dip_pa=fall.dip_pa,
        recovery_s=float("nan"),
        censored_s=0.0,
        outcome="not recovered",
        by_hand=True,
    )
    return _watched(record, t, p, shot, None if np.isinf(after) else float(after))


def _steepest(t: Floats, p: Floats, from_s: float, until_s: float, step_s: float) -> tuple[float, float, float] | None:
    """Where the pressure falls most against noise within a stretch: the fall's end, the time it took and its size [s, s, Pa]."""
    widths = triggers.widths(step_s)
    a, z = (int(i) for i in np.searchsorted(t, [from_s, until_s]))
    total = np.concatenate([[0.0], np.cumsum(p[max(a - widths.reach, 0) : z])])
    first = max(a - widths.reach, 0)
    best: tuple[float, float, float, float] | None = None
    for lag, mean in zip(widths.lag.tolist(), widths.mean.tolist(), strict=True):
        end = np.arange(max(a, first + lag + mean), z) - first
        if not end.size:
            continue
        late = total[end + 1] - total[end + 1 - mean]
        early = total[end + 1 - lag] - total[end + 1 - lag - mean]
        fall = (early - late) / mean
        k = int(np.argmax(fall))
        weight = float(fall[k]) * mean**0.5
        if fall[k] > 0.0 and (best is None or weight > best[0]):
            best = (weight, float(t[first + end[k]]), lag * step_s, float(fall[k]))
    return None if best is None else best[1:]


def _must_watch(shot: Shot, next_s: float | None, out: Mapping[float, Shot]) -> bool:
    """Whether what ended the watch on a shot has changed: a shot taken out did, or one that was added comes first."""
    ended_s = shot.time_s + shot.censored_s
    if next_s is not None and next_s < ended_s:
        return True
    return shot.outcome == "cut off" and any(shot.time_s < at <= ended_s + SAME_S for at in out)


def _watched(record: ShotRecord, t: Floats, p: Floats, shot: Shot, next_s: float | None) -> Shot:
    """Watch a shot until it recovers, or until what comes next."""
    ends: list[tuple[float, Outcome]] = [(float(t[-1]), "not recovered"), (shot.time_s + LONGEST_RECOVERY_S, "not recovered")]
    if next_s is not None:
        ends.append((next_s, "cut off"))
    later = [e for e in record.events if e.time_s > shot.time_s]
    ends += [(e.time_s, "not recovered") for e in later if e.kind == "gap"]
    ends += [(e.time_s, "cut off") for e in later if e.kind in ENDING]
    end_s, outcome = min(ends)
    a, z = np.searchsorted(t, [_bottom_s(t, p, shot), end_s])
    level = shot.before_pa - (1.0 - RECOVERED) * shot.dip_pa
    at = float("nan")
    if z - a >= 4:
        at = recovery(t[a:z], p[a:z], level, record.noise_pa, shot.dip_pa, 1.0 / record.rate_hz, until_s=end_s)
    if np.isfinite(at):
        return replace(shot, recovery_s=at - shot.time_s, censored_s=at - shot.time_s, outcome="recovered")
    return replace(shot, recovery_s=float("nan"), censored_s=end_s - shot.time_s, outcome=outcome)


def _bottom_s(t: Floats, p: Floats, shot: Shot) -> float:
    """When the pressure first comes near the bottom of a shot's dip [s]."""
    a, z = np.searchsorted(t, [shot.time_s, shot.time_s + BOTTOM_S])
    near = np.flatnonzero(p[a:z] <= shot.minimum_pa + NEAR_BOTTOM * shot.dip_pa)
    return float(t[a + near[0]]) if near.size else shot.time_s
