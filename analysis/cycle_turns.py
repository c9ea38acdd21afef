"""Runs of a pump in a pressure recording: where it turns up and down, to a fraction of a reading.

Tops are found first, since every run ends at the cut-out; between two tops lies the start. Each turn is then placed where two
parabolas meet, or two lines where there are too few readings.
"""

from __future__ import annotations

import itertools
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import grey_closing, median_filter

from analysis.leak_breaks import Readings, part

Array = NDArray[np.float64]

LEAST_RISE_PA: Final = 8_000.0  # a pressure switch has a wider band than this [Pa]; common practice, no source
LEAST_TO_BEND: Final = 14  # readings on a side from which its bend can be told from noise; common practice, no source
SHORT_DIP_S: Final = 2.5  # dips shorter than this are no pause of the pump [s]; common practice, no source
TOP_SHARE: Final = 0.4  # a run regains at least this share of the usual one [-]; common practice, no source
HIDDEN: Final = 0.3  # noise above this share of what the pressure moves from reading to reading hides its turns; by choice
TOP_BAND: Final = 0.15  # share of the pressure's range that is its top; by choice
KEPT: Final = 0.3  # share of the time in it, where evenly rising and falling pressure spends as much as `TOP_BAND`; by choice
GAP_READINGS: Final = 6.0  # readings that are missing in a row make a gap; by choice
GAP_S: Final = 15.0  # and it lasts at least this long [s]; by choice


def _turns(p: Array, band: float) -> list[int]:
    """Indices of alternating lows and highs that are at least `band` apart (zigzag), ends included."""
    turns = [0]
    low = high = 0
    way = 0
    for i, x in enumerate(p.tolist()):
        if x > p[high]:
            high = i
        if x <= p[low]:  # of equal lows the last: on flat ground a run begins where the flat ends
            low = i
        if way >= 0 and x < p[high] - band:
            if way > 0 or high > 0:
                turns.append(high)
            way, low = -1, i
            high = i
        elif way <= 0 and x > p[low] + band:
            if way < 0 or low > 0:
                turns.append(low)
            way, high = 1, i
            low = i
    last = high if way > 0 else low
    if last != turns[-1]:
        turns.append(last)
    if turns[-1] != p.size - 1:
        turns.append(p.size - 1)
    return turns


def pieces_of(r: Readings) -> list[Readings]:
    """Cut a recording at its gaps; pieces too short to show anything are dropped."""
    h = np.diff(r.t_s)
    cuts = np.flatnonzero(h > max(GAP_READINGS * float(np.median(h)), GAP_S)) + 1
    ends = [0, *cuts.tolist(), r.t_s.size]
    pieces = [part(r, (np.arange(r.t_s.size) >= a) & (np.arange(r.t_s.size) < z)) for a, z in itertools.pairwise(ends) if z - a >= 8]
    return pieces or [r]


def find_runs(r: Readings) -> list[tuple[float | None, float | None]]:
    """Start and stop of each run of the pump [s]; None where the record cuts it."""
    noise = r.noise_pa / np.sqrt(float(np.median(r.weight)))
    smooth = _without_short_dips(r)
    band = max(LEAST_RISE_PA, 10.0 * noise)
    turns = _turns(smooth, band)
    rises = [(a, z) for a, z in itertools.pairwise(turns) if smooth[z] - smooth[a] >= band]
    # A pressure switch always stops at one pressure; tops all over the place are work and pauses under a pump that runs on.
    tops = np.array([smooth[z] for a, z in rises if z < r.p_pa.size - 1])
    sizes = np.array([smooth[z] - smooth[a] for a, z in rises if z < r.p_pa.size - 1])
    large = tops[sizes > 0.5 * sizes.max()] if sizes.size else tops
    if large.size >= 2 and float(np.subtract(*np.quantile(large, (0.8, 0.2)))) > 0.12 * float(np.median(sizes[sizes > 0.5 * sizes.max()])):
        return []
    # A run ends at the cut-out, sharply: rises that end far below the highest of their kind belong to a pause in work.
    inner = [(a, z) for a, z in rises if z < r.p_pa.size - 1]
    if not inner:
        inner = rises
    if not inner:
        return []
    top = float(np.median(sorted((float(smooth[z]) for _, z in inner), reverse=True)[: max(1, len(inner) // 2)]))
    usual = float(np.median([smooth[z] - smooth[a] for a, z in inner if smooth[z] > top - 0.15 * abs(top)] or [band]))
    runs: list[tuple[float | None, float | None]] = []
    n = r.p_pa.size - 1
    for a, z in rises:
        whole = z < n
        rise = float(smooth[z] - smooth[a])
        if rise < TOP_SHARE * usual and not (a == 0 or not whole):
            continue
        if whole and smooth[z] < top - 0.5 * usual:
            continue
        start = None if a == 0 else _knee(r, a, turns)
        stop = _knee(r, z, turns) if whole else None
        runs.append((start, stop))
    return runs


def _without_short_dips(r: Readings) -> Array:
    """Fill dips of a second or two, which are shots or blow guns: no pump is off for so short a time."""
    smooth = median_filter(r.p_pa, 3, mode="nearest")
    short = round(SHORT_DIP_S / float(np.median(np.diff(r.t_s))))
    return np.asarray(grey_closing(smooth, (short,), mode="nearest"), dtype=np.float64) if short >= 3 else np.asarray(smooth)


def _knee(r: Readings, i: int, turns: list[int]) -> float:
    """Time of a turn [s]: where the parabola before meets the one after, to a fraction of a reading."""
    k = turns.index(i)
    before = i - turns[k - 1] if k else 0
    after = (turns[k + 1] if k + 1 < len(turns) else r.p_pa.size - 1) - i
    i = _corner(r, i, max(i - before, 0), i + after)
    met = _meeting(r, i, before, after)
    if met is not None:
        return met
    # As far on either side as the shorter one allows: what bends further out says nothing of the turn.
    reach = int(np.clip(0.45 * min(before, after), 3, 400))
    if reach < LEAST_TO_BEND:
        reach = min(reach, 3)  # too few readings for parabolas: straight lines, close by
    # The fall before a start is slow and smooth, so more of it helps against noise.
    low = bool(r.p_pa[min(i + reach, r.p_pa.size - 1)] > r.p_pa[i])
    reach_back = int(np.clip(0.3 * before, reach, max(reach, 60))) if low else reach
    first, last = max(i - min(reach_back, before or reach_back), 0), min(i + reach + 1, r.p_pa.size)
    left, right = i - first, last - 1 - i
    t, p = r.t_s[first:last] - r.t_s[i], r.p_pa[first:last]
    step = float(np.median(np.diff(t)))
    best, when = np.inf, 0.0
    # Bending on a side is fitted only where there are readings enough for it.
    bend_left, bend_right = left >= LEAST_TO_BEND, right >= LEAST_TO_BEND
    noise = r.noise_pa / np.sqrt(float(np.median(r.weight)))
    per_reading = (abs(p[-1] - p[left]) + abs(p[left] - p[0])) / max(p.size - 1, 1)
    widest = float(np.clip(1.5 + 4.0 * noise / max(per_reading, 1.0), 1.5, max(0.35 * min(left, right), 1.5))) * step
    for around, count in ((widest, 41), (widest / 15.0, 9)):
        for tau in when + np.linspace(-around, around, count):
            s = t - tau
            down, up = np.minimum(s, 0.0), np.maximum(s, 0.0)
            columns = [np.ones_like(s), down, up]
            columns += [down**2] if bend_left else []
            columns += [up**2] if bend_right else []
            basis = np.column_stack(columns)
            if basis.shape[0] <= basis.shape[1] or np.ptp(down) == 0 or np.ptp(up) == 0:
                continue
            rest = p - basis @ np.linalg.lstsq(basis, p, rcond=None)[0]
            cost = float(np.abs(rest).sum()) if rest.size > 12 else float(rest @ rest)
            if cost < best:
                best, when_new = cost, float(tau)
        when = when_new if np.isfinite(best) else 0.0
    return float(r.t_s[i] + when)


def _meeting(r: Readings, i: int, before: int, after: int) -> float | None:
    """Time at which two straight lines meet best, where noise or a coarse step hides the turn among its neighbours [s]; else None."""
    noise = r.noise_pa / np.sqrt(float(np.median(r.weight)))
    near = min(before, after) // 2
    if near < 4:
        return None
    left, right = (abs(float(np.mean(r.p_pa[a:z])) - float(r.p_pa[i])) / (0.75 * near) for a, z in _halves(i, near))
    if noise < HIDDEN * max(left, right):
        return None
    # The lowest reading lies as far before the turn as noise makes up for the slope there, and as far behind.
    reach = min(int(3.0 * noise / max(min(left, right), 1.0)) + 1, 120)
    when = float(r.t_s[i])
    # The turns on either side may lie a few readings nearer than the highest and lowest ones there.
    before, after = before - min(reach, before // 4), after - min(reach, after // 4)
    # Once more, nearer by, with as many readings as noise needs: further out the pressure bends.
    need = int(np.clip(4.0 * (noise / max(left, right)) ** 2, 12, 120))
    for around, window in ((reach, 2 * reach + 12), (max(reach // 4, 2), max(reach // 4, 2) + need)):
        at = int(np.searchsorted(r.t_s, when))
        first, last = max(at - window, i - before, 0), min(at + window, i + after, r.t_s.size - 1)
        low, high = max(at - around, first + 2), min(at + around, last - 2)
        if low >= high:
            break
        # The air is warm after a run, so the fall from a top is steep at first.
        bends = bool(r.p_pa[last] < r.p_pa[at]) and last - at >= LEAST_TO_BEND
        when = _best_corner(r.t_s[first : last + 1], r.p_pa[first : last + 1], float(r.t_s[low]), float(r.t_s[high]), bends=bends)
    return when


def _best_corner(t: Array, p: Array, low: float, high: float, *, bends: bool) -> float:
    """Time within limits at which two lines through these readings meet best [s]; the one behind may bend."""
    best, when = np.inf, 0.5 * (low + high)
    for around in (0.5 * (high - low), (high - low) / 40.0):
        for turn in when + np.linspace(-around, around, 81):
            up = np.maximum(t - turn, 0.0)
            basis = np.column_stack((np.ones(p.size), np.minimum(t - turn, 0.0), up, *((up**2,) if bends else ())))
            rest = p - basis @ np.linalg.lstsq(basis, p, rcond=None)[0]
            cost = float(rest @ rest)
            if cost < best:
                best, found = cost, float(turn)
        when = found
    return when


def _halves(i: int, near: int) -> tuple[tuple[int, int], tuple[int, int]]:
    """The farther half of some readings on either side of one."""
    return (i - near, i - near // 2), (i + near // 2 + 1, i + near + 1)


def _corner(r: Readings, i: int, first: int, last: int) -> int:
    """Move a low on flat ground to where the rise begins; a top stays."""
    p = median_filter(r.p_pa[first : last + 1], 3, mode="nearest")
    here = i - first
    rise = float(p[-1] - p[here])
    if rise <= 0:
        return i
    noise = r.noise_pa / np.sqrt(float(np.median(r.weight)))
    above = np.flatnonzero(p[here:] > p[here] + 0.05 * rise + 5.0 * noise)
    if not above.size:
        return i
    # The line through the first part of the rise, traced back to the low.
    low, high = here + int(above[0]), here + int(np.flatnonzero(p[here:] > p[here] + 0.12 * rise + 5.0 * noise)[0])
    if high == low:
        return first + max(low - 1, here)  # one reading stands on the ground, the next high above it
    level = float(np.median(p[here : max(low, here + 1)][: max((low - here) // 2, 1)]))
    slope = float(p[high] - p[low]) / max(high - low, 1)
    back = round(low - float(p[low] - level) / max(slope, 1e-9))
    return first + back if back - here > 1 else i


def wanders(r: Readings) -> bool:
    """Whether pressure rises at times though no run ends: a pump that never unloads."""
    noise = r.noise_pa / np.sqrt(float(np.median(r.weight)))
    smooth = median_filter(_without_short_dips(r), 5, mode="nearest")
    lowest_so_far = np.minimum.accumulate(smooth)
    return bool(np.max(smooth - lowest_so_far) > max(LEAST_RISE_PA, 10.0 * noise))


def keeps_to_its_top(r: Readings) -> bool:
    """Whether the pressure comes back to one level and stands there, as a regulator holds it; under a pump it is on its way up."""
    low, high = np.quantile(r.p_pa, (0.02, 0.98))
    return bool(np.mean(r.p_pa > high - TOP_BAND * (high - low)) > KEPT)
