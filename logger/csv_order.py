"""Times in order: counters that began again, midnight, summer time, lines swapped or written twice."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

_HOUR_S: Final = 3600.0
_SUNDAY: Final = 3  # 1970-01-04 was one: days since 1970 modulo 7; times count from whole weeks after 1970
_AROUND: Final = 5  # lines on each side that vouch for a time
_DISORDER: Final = 0.02  # share of lines that stand before their neighbours, from which it is the rule in a file
_COARSE: Final = 0.3  # share of repeated times from which the clock is too coarse, not the lines written twice


@dataclass(slots=True)
class Ordered:
    """Times that rise.

    Attributes
    ----------
    seconds : ndarray, shape (m,)
        Rising, none twice.
    rows : ndarray of int, shape (m,)
        Which rows they belong to, in their new order.
    bad : list of (int, str)
        Rows left out because their time cannot be, and why.
    repaired : dict
        How often each repair was made.
    warnings : list of str
        What the reader of the result should know.
    """

    seconds: Floats
    rows: Ints
    bad: list[tuple[int, str]] = field(default_factory=list)
    repaired: dict[str, int] = field(default_factory=lambda: {"out_of_order": 0, "duplicates": 0, "wraps": 0})
    warnings: list[str] = field(default_factory=list)


def put_in_order(t_s: Floats, values: Sequence[Floats], line: Ints, *, periods: tuple[float, ...], local: bool, dated: bool) -> Ordered:
    """Repair what loggers do to time, and say so.

    Parameters
    ----------
    t_s : ndarray, shape (n,)
        Times as the file states them [s]; all finite.
    values : sequence of ndarray, each of shape (n,)
        Readings by column, to tell a line written twice from two readings with one time.
    line : ndarray of int, shape (n,)
        Line numbers, for messages.
    periods : tuple of float
        After how long the count may begin again [s].
    local : bool
        Whether the times follow a wall clock.
    dated : bool
        Whether they say the day: then a time before the others is a line out of order, never a restart.
    """
    rows = np.arange(t_s.size, dtype=np.int64)
    result = Ordered(seconds=t_s, rows=rows)
    if t_s.size < 2:
        return result
    t = t_s.copy()
    if (np.diff(t[:1000]) < 0.0).mean() > 0.9:
        t, rows = t[::-1].copy(), rows[::-1]
        result.repaired["reversed"] = 1
        result.warnings.append("the file begins with the newest reading; it was turned round.")
    usual = _usual_step(t)
    near = max(100.0 * usual, 1.0)  # lines are swapped with their neighbours, not with those of minutes ago
    if not dated:
        t, rows = _drop(result, t, rows, _ends(t, usual), "its time does not fit its neighbours'")
    t, rows = _drop(result, t, rows, _strays(t, near, periods), "its time does not fit its neighbours'")
    for period in periods:
        t = _unwrapped(t, period, max(period / (2.0 if period in {86400.0, _HOUR_S} else 16.0), 100.0 * usual), result)
    t, rows = _drop(result, t, rows, _strays(t, near, ()), "its time does not fit its neighbours'")
    if local:
        t = _without_clock_change(t, usual, line[rows], result, dated=dated)
    if not dated:
        t = _joined(t, usual, near, line[rows], [v[rows] for v in values], result)
    late = t < np.maximum.accumulate(t)
    if late.any():
        result.repaired["out_of_order"] = int(late.sum())
        order = np.argsort(t, kind="stable")
        t, rows = t[order], rows[order]
    t, keep = _apart(t, values, rows, result)
    result.seconds, result.rows = t[keep], rows[keep]
    return result


def _usual_step(t: Floats) -> float:
    steps = np.concatenate([np.diff(part) for part in (t[:30_000], t[t.size // 2 : t.size // 2 + 30_000], t[-30_000:])])
    rising = steps[steps > 0.0]
    return float(np.median(rising)) if rising.size else 0.0


def _drop(result: Ordered, t: Floats, rows: Ints, bad: Bools, why: str) -> tuple[Floats, Ints]:
    if bad.any():
        result.bad += [(row, why) for row in rows[bad].tolist()]
        t, rows = t[~bad], rows[~bad]
    return t, rows


def _ends(t: Floats, usual: float) -> Bools:
    """Find a first line whose front was cut off, and a last one that leaps beyond all measure."""
    bad = np.zeros(t.size, dtype=np.bool_)
    if t.size < 10 or usual == 0.0:
        return bad
    span = float(t[-2] - t[1])
    bad[0] = t[0] > 0.0 and t[1] - t[0] > 1000.0 * usual and t[1] - t[0] > 100.0 * span and _is_tail(t[0], t[1] - usual, usual)
    bad[-1] = t[-1] - t[-2] > 1000.0 * max(span, usual)
    return bad


def _is_tail(seen: float, expected: float, step: float) -> bool:
    """Whether a number is the end of the one expected there, its first digits lost."""
    for exponent in range(-3, 12):
        if 10.0**exponent > seen and abs(expected % 10.0**exponent - seen) <= 3.0 * step:
            return expected > 10.0**exponent
    return False


def _strays(t: Floats, near: float, periods: tuple[float, ...]) -> Bools:
    """Find lines whose time leaps away from their neighbours', who agree with each other."""
    bad = np.zeros(t.size, dtype=np.bool_)
    far = min((p / 2.0 for p in periods), default=np.inf)
    down = np.flatnonzero(np.diff(t) < 0.0)
    suspects = np.unique(np.clip(down[:, None] + np.arange(-_AROUND, _AROUND + 2), 0, t.size - 1))
    for i in suspects.tolist():
        before, after = t[max(0, i - _AROUND) : i], t[i + 1 : i + 1 + _AROUND]
        low = float(np.median(before)) if before.size > 2 else -np.inf
        high = float(np.median(after)) if after.size > 2 else np.inf
        # One or two lines at an end of the file vouch only if they agree with the lines on the other side.
        if 0 < after.size <= 2 and abs(after.min() - low) <= near:
            high = float(after.min())
        if 0 < before.size <= 2 and abs(high - before.max()) <= near:
            low = float(before.max())
        if low > high + near or min(abs(t[i] - low), abs(t[i] - high)) > far:
            continue  # here the count begins again
        bad[i] = t[i] < low - near or t[i] > high + near
    return bad


def _falls(t: Floats, i: int) -> float:
    """By how much the time falls after line i, judged by several lines on each side."""
    return float(np.median(t[max(0, i + 1 - _AROUND) : i + 1]) - np.median(t[i + 1 : i + 1 + _AROUND]))


def _unwrapped(t: Floats, period: float, gap: float, result: Ordered) -> Floats:
    """Undo a count that begins again; only where the time missing at the seam is below `gap`."""
    step = np.diff(t)
    down = (step < -period / 2.0) & (step + period < gap) & (t[:-1] <= 1.001 * period)
    down_at = [i for i in np.flatnonzero(down).tolist() if _falls(t, i) > period / 2.0]
    if not down_at:
        return t
    level = np.zeros(t.size)
    up_at = set(np.flatnonzero(step > period / 2.0).tolist())
    turns = 0
    for i in sorted(up_at | set(down_at)):
        if i not in up_at:
            level[i + 1] += 1.0
            turns += 1
        elif turns > 0 and any(i < k <= i + 16 for k in down_at):
            level[i + 1] -= 1.0  # a line from before the seam that came late
            turns -= 1
    result.repaired["wraps"] += turns
    return t + period * np.cumsum(level)


def _without_clock_change(t: Floats, usual: float, line: Ints, result: Ordered, *, dated: bool) -> Floats:
    """Undo the hour that a wall clock gains or loses with summer time."""
    step = np.diff(t)
    if np.count_nonzero(step < -usual) > max(3.0, _DISORDER * t.size):
        return t  # among lines in disorder an hour back says nothing
    back = np.flatnonzero((step >= -_HOUR_S - 5.0 * usual) & (step <= -_HOUR_S + max(20.0 * usual, 60.0)) & (step < 0.0)).tolist()
    forth = np.flatnonzero(np.abs(step - usual - _HOUR_S) <= min(1.5 * usual + 0.5, 5.0 + 0.02 * usual)).tolist() if usual < 600.0 else []
    shift = np.zeros(t.size)
    for i in back:
        around = np.delete(step[max(0, i - _AROUND) : i + 1 + _AROUND], min(i, _AROUND))
        if (around > -usual).all():  # in order before, and it stays there
            shift[i + 1] += _HOUR_S
            result.warnings.append(f"line {line[i + 1]}: the clock went back by an hour (end of summer time); undone.")
    for i in forth:
        to = t[i + 1] % 86400.0
        sunday = not dated or int(t[i + 1] // 86400.0) % 7 == _SUNDAY
        if sunday and to % _HOUR_S <= 2.0 * usual + 0.5 and 0.5 * _HOUR_S < to < 4.5 * _HOUR_S:
            shift[i + 1] -= _HOUR_S
            result.warnings.append(f"line {line[i + 1]}: the clock went forward by an hour (start of summer time); undone.")
    changes = int(np.count_nonzero(shift))
    if changes:
        result.repaired["clock_changes"] = changes
        t = t + np.cumsum(shift)
    return t


def _joined(t: Floats, usual: float, near: float, line: Ints, values: Sequence[Floats], result: Ordered) -> Floats:
    """Set a counter that started again (a board that was restarted) after what came before."""
    step = np.diff(t)
    shift = np.zeros(t.size)
    restarts = 0
    for i in np.flatnonzero(step < -near).tolist():
        after = t[i + 1 : i + 6]
        if (
            (after < t[i]).all()
            and (np.diff(after) > -near).all()
            and after.size > 1
            and _falls(t, i) > near
            and not _fills_hole(t, i, near)
            and not _said_before(t, i, values)
        ):
            shift[i + 1] = -step[i] + max(1.0, 20.0 * usual)
            restarts += 1
            if restarts <= 5:
                result.warnings.append(
                    f"line {line[i + 1]}: the time starts again (a restart?). How long the pause was is not known; what follows is set "
                    f"{max(1.0, 20.0 * usual):g} s after it."
                )
    if restarts:
        result.repaired["restarts"] = restarts
        t = t + np.cumsum(shift)
    return t


def _fills_hole(t: Floats, i: int, near: float) -> bool:
    """Whether what follows line i is a block that was written late: the times before it leave it room."""
    earlier = np.sort(t[: i + 1])
    at = int(np.searchsorted(earlier, t[i + 1]))
    return 0 < at < earlier.size and t[i + 1] - earlier[at - 1] < near < earlier[at] - t[i + 1]


def _said_before(t: Floats, i: int, values: Sequence[Floats]) -> bool:
    """Whether what follows line i repeats times and readings that were there already: a part of the file was written twice."""
    after = range(i + 1, min(i + 1 + 4 * _AROUND, t.size))
    again = 0
    for k in after:
        same = np.flatnonzero(t[: i + 1] == t[k])
        again += bool(same.size) and all(np.array_equal(v[same[:1]], v[k : k + 1], equal_nan=True) for v in values)
    return len(after) > _AROUND and again > 0.8 * len(after)


def _apart(t: Floats, values: Sequence[Floats], rows: Ints, result: Ordered) -> tuple[Floats, Bools]:
    """Drop lines with a time that was there already; where the clock is coarse, spread the readings over its step."""
    keep = np.ones(t.size, dtype=np.bool_)
    same = np.diff(t) == 0.0
    if not same.any():
        return t, keep
    count = int(same.sum())
    one, other = rows[:-1][same], rows[1:][same]
    unlike = np.zeros(count, dtype=np.bool_)
    for column in values:
        unlike |= (column[one] != column[other]) & ~(np.isnan(column[one]) & np.isnan(column[other]))
    differ = int(unlike.sum())
    if differ <= 0.02 * count or (count <= max(1.0, _COARSE * t.size) and not (count > 0.02 * t.size and differ > 0.5 * count)):
        keep[1:] = ~same
        result.repaired["duplicates"] = count
        if differ:
            result.warnings.append(f"{differ} lines repeat a time with another reading; the first was kept.")
        return t, keep
    starts = np.flatnonzero(np.concatenate(([True], ~same)))
    many = np.diff(np.concatenate((starts, [t.size])))
    gaps = np.diff(t[starts])
    tick = float(np.percentile(gaps, 10.0)) if gaps.size else 0.0
    if tick <= 0.0:
        keep[1:] = ~same
        result.repaired["duplicates"] = count
        return t, keep
    place = np.arange(t.size) - np.repeat(starts, many)
    room = np.minimum(np.concatenate((gaps, [tick])), tick)
    spread = t + place * np.repeat(room / many, many)
    result.repaired["spread"] = count
    result.warnings.append(f"the times have steps of {tick:g} s, several readings each; the readings were spread evenly over each step.")
    return spread, keep
