"""Falls that overlap, as those of a quick burst on a receiver do: fitted together, each with the shape that this line's shots have shown.

In a burst the pressure goes down a staircase while a pump pushes it up, and no single step stands free. All falls together, a level and a
bend explain the readings; how much worse they would be explained without one of them says how sure that one is.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from analysis.jit import jit
from analysis.mean_dip import Seen
from analysis.measures import BOTTOM_S, Fall
from analysis.stretch import smooth

Floats = NDArray[np.float64]

NODE_S, LONGEST_S = 0.008, 0.8  # of a shape
FEWEST, MOST = 2, 24  # shots that show one
FEWEST_READINGS = 16
AFTER_S, DRIFT_S = 0.7, 1.0  # after a shot the line has come back and shows its drift over so long
BIN_S = 0.008  # readings closer than this are averaged
GRID_S = 0.008  # between onsets tried
END_S = 0.1  # a fall that begins so shortly before the end of the view is not seen
CLOSEST_S = 0.1  # no tool is fired twice within this: staplers reach 8 a second; common practice, no source
QUICKEST_S = 0.115  # and none goes on so soon: falls told that follow each other sooner imitate a slope
MOVED_S = 0.036  # and a fit moves a fall no nearer by more: else it is a shot told at a wrong time
AT_ONCE, TRIED_SIGMA = 8, 3.0  # falls, and what each must stand out by to be tried
SURE = 5.5  # standard deviations that a fall must stand out by
FIRST = 0.8  # of that, as long as those after it are not fitted
# A valve that somebody opens or a regulator that is turned makes a slope, which many small falls would imitate. So changes over these times
# [s], straight and fading, must explain less: for each fall by so many variances of the noise, or by so much of what the fall explains.
STRAIGHT_S, FADING_S = (0.35, 0.42, 0.5, 0.6, 0.72, 0.86, 1.03, 1.24, 1.5, 2.3), (0.2, 0.4, 0.8)
SLOPES_S = NODE_S * np.arange(round(2.4 / NODE_S))
SLOPES = (*(np.minimum(SLOPES_S / s, 1.0) for s in STRAIGHT_S), *(1.0 - np.exp(-SLOPES_S / s) for s in FADING_S))
UNLIKE_SLOPES, UNLIKE_SHARE = 6.0, 0.03
BADLY = 2.0  # times the variance that noise and shots leave, so many are left: by chance they are not
SLOPES_BIN_S, SLOPES_GRID_S, SLOPES_BEFORE_S, SLOPES_AFTER_S = 0.024, 0.032, 1.0, 0.4
ALIKE, ALIKE_SIGMA = (0.7, 1.5), 2.0  # depths, as shares of the usual one, and standard deviations that they may be off besides
# The first of a burst falls from a line at rest, and goes as deep as shots that stand apart: what begins otherwise is none.
PAUSE_S, FIRST_ALIKE = 0.7, (0.92, 1.12)
LEAST_STEPS = 1.5  # of the resolution; one step down of readings without noise may be a slow drift
BESIDE_S, LOW_SHARE = 0.08, 0.15  # before a fall and after its bottom, and the share of readings that show how low it goes
UNLIKE = 0.04  # of the usual dip: so much one shot differs from another


@dataclass(frozen=True, slots=True, kw_only=True)
class Overlapping:
    """One of the falls.

    Attributes
    ----------
    time_s : float
        When it begins [s].
    before_pa, minimum_pa : float
        Pressure just before, and lowest until the next begins, of the fit of all [Pa].
    minimum_s : float
        When it is lowest [s].
    sure : float
        Depth over its standard deviation.
    """

    time_s: float
    before_pa: float
    minimum_pa: float
    minimum_s: float
    sure: float

    def moved(self, by_s: float, by_pa: float) -> Overlapping:
        """Return it as seen from other zeros of time [s] and pressure [Pa]."""
        return replace(
            self,
            time_s=self.time_s + by_s,
            before_pa=self.before_pa + by_pa,
            minimum_pa=self.minimum_pa + by_pa,
            minimum_s=self.minimum_s + by_s,
        )

    def as_fall(self, fall_s: float) -> Fall:
        """Return it as one that falls as long as others on its line [s]."""
        return Fall.fitted(
            time_s=self.time_s,
            before_pa=self.before_pa,
            minimum_pa=self.minimum_pa,
            minimum_s=self.minimum_s,
            half_s=self.time_s + 0.5 * fall_s,
            fall_s=fall_s,
            sure=self.sure,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Shape:
    """What shots that stand apart have in common.

    Attributes
    ----------
    lost : ndarray, shape (n,)
        Share of the dip that is lost at times `NODE_S` apart from the onset on.
    dip_pa : float
        How deep such shots go [Pa].
    """

    lost: Floats
    dip_pa: float


def common_shape(seen: Sequence[Seen], *, alike: bool = False) -> Shape | None:
    """Shape of the last shots that stand apart; None where too few do.

    Parameters
    ----------
    seen : sequence of Seen
        Shots in the order of time.
    alike : bool
        Whether all are taken to draw the same air: how deep each goes depends on what fills the line meanwhile. Else each counts as a share
        of its own depth. The depth of the shape is then what a line that nothing fills would lose.
    """
    chosen = [s for s in seen if not math.isnan(s.drift_pa_per_s) and s.t_s.size][-MOST:]
    if len(chosen) < FEWEST:
        return None
    nodes = round(LONGEST_S / NODE_S) + 1
    lost = np.full((len(chosen), nodes), np.nan)
    for row, s in zip(lost, chosen, strict=True):
        since = s.t_s - s.decided.time_s
        last = int(since[-1] / NODE_S)
        share = (s.decided.before_pa + s.drift_pa_per_s * since - s.p_pa) / (1.0 if alike else s.decided.dip_pa)
        row[: last + 1] = np.interp(NODE_S * np.arange(min(last + 1, nodes)), since, share)
    count = np.sum(np.isfinite(lost), axis=0)
    known = np.flatnonzero(count >= FEWEST)
    if not known.size:
        return None
    # Shots before which the line did something else are few. What is missing is sorted to the end: numpy's own is ten times as slow.
    ascending, column, count = np.sort(lost[:, known], axis=0), np.arange(known.size), count[known]
    middle = 0.5 * (ascending[(count - 1) // 2, column] + ascending[count // 2, column])
    middle[0] = 0.0
    shape = np.interp(np.arange(nodes), known, smooth(middle, 3))
    if alike:
        deepest = max(float(shape.max()), 1.0)
        return Shape(lost=shape / deepest, dip_pa=deepest)
    return Shape(lost=shape, dip_pa=float(np.median([s.decided.dip_pa for s in chosen])))


def drift(t: Floats, p: Floats, last_s: float, onset_s: float) -> float:
    """Slope of a line before a shot, long enough after the last [Pa/s]; NaN where there is no time for that."""
    a, z = t.searchsorted([max(last_s + AFTER_S, onset_s - DRIFT_S), onset_s])
    if z - a < 5 or onset_s - t[a] < 0.4 * DRIFT_S:
        return math.nan
    x = t[a:z] - t[a:z].mean()
    return float(x @ (p[a:z] - p[a]) / (x @ x))


def fit_falls(
    t: Floats, p: Floats, shape: Shape, noise_pa: float, step_pa: float, known_s: Sequence[float], from_s: float, until_s: float
) -> list[Overlapping]:
    """Find the falls in some readings besides those that are known.

    Parameters
    ----------
    t, p : ndarray, shape (n,)
        Times [s] and pressure [Pa] of a second or two.
    shape : Shape
        What a fall looks like, and about how deep it is.
    noise_pa : float
        Standard deviation of the noise of a reading, rounding included [Pa].
    step_pa : float
        Step of the resolution that the noise does not smear; 0 where it does [Pa].
    known_s : sequence of float
        Onsets of falls that are known [s].
    from_s, until_s : float
        Falls that begin between are told; later ones are fitted with them [s].
    """
    if t.size < FEWEST_READINGS:
        return []
    step_s = float(t[-1] - t[0]) / (t.size - 1)
    per = max(round(BIN_S / step_s), 1)
    x, y = means(t - t[0], per), means(p - p[0], per)
    sigma = max(noise_pa / per**0.5, UNLIKE * shape.dip_pa)
    from_s, until_s = from_s - float(t[0]), until_s - float(t[0])
    known = [s - float(t[0]) for s in known_s]
    grid = np.arange(from_s, x[-1] - END_S, GRID_S)
    if _best(x, y, shape.lost, known, grid[grid < until_s])[1] < FIRST * SURE * sigma:
        return []
    found: list[float] = []
    while len(found) < AT_ONCE:
        others = [*known, *found]
        tried = grid[np.all(np.abs(grid[:, None] - others) > CLOSEST_S, axis=1)]
        at_s, stands_out = _best(x, y, shape.lost, others, tried)
        if stands_out < TRIED_SIGMA * sigma:
            break
        found.append(at_s)
        found = _settled(x, y, shape.lost, known, found)
    known, found = _settled(x, y, shape.lost, found, known), _settled(x, y, shape.lost, known, found)
    found.sort()
    kept, sure = _surest(x, y, shape.lost, known, found, sigma, step_pa)
    if not kept:
        return []
    told = []
    last_s, begins = -math.inf, True  # onset of the fall before, and whether what has come since a pause begins as a burst does
    for fall, depth_pa in _read_off(x, y, shape.lost, known, kept, sure):
        last_s = max([s for s in known if s < fall.time_s] + [last_s])
        unsure_pa = depth_pa / fall.sure
        if fall.time_s - last_s > PAUSE_S:
            least, most = (share * shape.dip_pa for share in FIRST_ALIKE)
            slack = unsure_pa + 0.5 * step_pa  # what rounding may add or take
            begins = least - slack < depth_pa < most + slack
        elif last_s in known:
            begins = True
        last_s = fall.time_s
        if begins and from_s - MOVED_S < fall.time_s < until_s and _alike(depth_pa, unsure_pa, shape.dip_pa):
            told.append(fall)
    alone = bool(told) and all(abs(told[0].time_s - s) > PAUSE_S for s in known)
    after_s = kept if alone else [fall.time_s for fall in told]
    quick = any(0.0 < s - fall.time_s < QUICKEST_S for s in after_s for fall in told)
    if not told or quick or _slopes_do(x, y, shape.lost, known, found, sure, sigma):
        return []
    return [fall.moved(float(t[0]), float(p[0])) for fall in told]


def means(values: Floats, per: int) -> Floats:
    """Means over so many values each."""
    n = values.size // per
    out: Floats = values[: n * per].reshape(n, per).mean(axis=1)
    return out


def _goes_down(x: Floats, y: Floats, at_s: float, low_s: float) -> float:
    """How far the readings themselves go down at a fall that is lowest at `low_s` [Pa]."""
    a, onset, z = x.searchsorted([at_s - BESIDE_S, at_s, low_s + BESIDE_S])
    if a == onset or onset == z:
        return 0.0
    return float(np.median(y[a:onset]) - np.quantile(y[onset:z], LOW_SHARE))


def _alike(depth_pa: float, unsure_pa: float, usual_pa: float) -> bool:
    """Whether a fall is as deep as others, as well as it is known."""
    margin = ALIKE_SIGMA * unsure_pa
    return ALIKE[0] * usual_pa - margin < depth_pa < ALIKE[1] * usual_pa + margin


def _surest(
    x: Floats, y: Floats, shape: Floats, known: list[float], found: list[float], sigma: float, step_pa: float
) -> tuple[list[float], list[float]]:
    """Leave out, one by one, what is not sure beside the others: the onsets left, and how sure each is."""
    low_s = NODE_S * int(np.argmax(shape))
    while found:
        stands_out = [_best(x, y, shape, [*known, *found[:j], *found[j + 1 :]], np.array([s]))[1] for j, s in enumerate(found)]
        away = _away(y, parts(x, x, shape, [*known, *found]))
        spread = max(sigma, float(np.sqrt(away @ away / max(x.size - 3 - len(known) - len(found), 1))))
        # What readings next to each other share is averaged away more slowly.
        alike = min(max(float(away[1:] @ away[:-1]) / max(float(away @ away), 1e-9), 0.0), 0.9)
        shared = math.sqrt((1.0 + alike) / (1.0 - alike))
        # What rounding makes them share is no noise where they go down by more than a step: no drift does that in so short a time.
        clear = [0.0 < LEAST_STEPS * step_pa < _goes_down(x, y, s, s + low_s) for s in found]
        sure = [s / (spread if c else spread * shared) for s, c in zip(stands_out, clear, strict=True)]
        if min(sure) >= SURE:
            return found, sure
        worst = sure.index(min(sure))
        found = found[:worst] + found[worst + 1 :]
    return [], []


def _read_off(
    x: Floats, y: Floats, shape: Floats, known: list[float], found: list[float], sure: list[float]
) -> list[tuple[Overlapping, float]]:
    """Read each fall off the fit of all, with how deep it goes by itself [Pa]; from the zeros of `x` and `y`."""
    all_s = [*known, *found]
    fitted, *_ = np.linalg.lstsq(parts(x, x, shape, all_s), y, rcond=None)
    falls = []
    for j, at_s in enumerate(found):
        until = min([s for s in all_s if s > at_s] + [at_s + BOTTOM_S])
        fine = np.arange(at_s, until, 0.5 * NODE_S)
        course = parts(fine, x, shape, all_s) @ fitted
        low = int(np.argmin(course))
        fall = Overlapping(time_s=at_s, before_pa=float(course[0]), minimum_pa=float(course[low]), minimum_s=float(fine[low]), sure=sure[j])
        falls.append((fall, float(fitted[3 + len(known) + j])))
    return falls


def _slopes_do(x: Floats, y: Floats, shape: Floats, known: list[float], found: list[float], sure: list[float], sigma: float) -> bool:
    """Whether two changes smoother than shots, down or up, explain nearly as much as falls found, and those known just before them."""
    step_s = float(x[-1] - x[0]) / (x.size - 1)
    per = max(round(SLOPES_BIN_S / step_s), 1)
    x, y, sigma = means(x, per), means(y, per), sigma / per**0.5
    away = _away(y, parts(x, x, shape, [*known, *found]))
    explained = 3 + len(known) + 2 * len(found)
    from_s = found[0] - SLOPES_BEFORE_S
    smooth_left = slopes_leave(x, y, shape, [s for s in known if s < from_s], from_s, found[-1] + SLOPES_AFTER_S)
    # Where even the falls explain the readings badly, how much better they do than something smooth says less.
    left = float(away @ away) / max(x.size - explained, 1)
    variance = left if left > BADLY * sigma**2 else sigma**2
    return smooth_left - float(away @ away) < sum(max(UNLIKE_SLOPES, UNLIKE_SHARE * s**2) for s in sure) * variance


def slopes_leave(x: Floats, y: Floats, shape: Floats, known: list[float], from_s: float, until_s: float) -> float:
    """Sum of squares that two changes smoother than shots, down or up, leave between two times [s], beside shots known [Pa2]."""
    columns = parts(x, x, shape, known)
    tried = np.arange(from_s, until_s, SLOPES_GRID_S)
    near = SLOPES_GRID_S * np.linspace(-0.5, 0.5, 9)
    changes: list[Floats] = []
    for _ in range(4):  # each once more, beside the other
        beside = changes[-1:]
        fitted, *_ = np.linalg.lstsq(np.column_stack([columns, *beside]), y, rcond=None)
        rest = y - sum(fitted[-1] * change for change in beside)
        stands_out = np.array([np.abs(_scan(x, rest, shape, np.array(known), slope, tried)) for slope in SLOPES])
        best, k = np.unravel_index(np.argmax(stands_out), stands_out.shape)
        finer = np.abs(_scan(x, rest, shape, np.array(known), SLOPES[best], tried[k] + near))
        at_s = tried[k] + near[np.argmax(finer)]
        changes = [*beside, np.interp(x - at_s, SLOPES_S, SLOPES[best], left=0.0)]
    away = _away(y, np.column_stack([columns, *changes]))
    return float(away @ away)


def parts(at: Floats, x: Floats, shape: Floats, onsets: list[float]) -> Floats:
    """What a fit at times `x` is made of, at times `at`: a level, a slope, a bend, and falls of unit depth."""
    bent = (2.0 * at - x[0] - x[-1]) / (x[-1] - x[0])
    nodes = NODE_S * np.arange(shape.size)
    return np.stack([np.ones(at.size), bent, bent**2, *(-np.interp(at - s, nodes, shape) for s in onsets)], axis=1)


def _away(y: Floats, columns: Floats) -> Floats:
    """What a fit of columns leaves."""
    fitted, *_ = np.linalg.lstsq(columns, y, rcond=None)
    away: Floats = y - columns @ fitted
    return away


def _settled(x: Floats, y: Floats, shape: Floats, known: list[float], found: list[float]) -> list[float]:
    """Shift each fall to where it fits best beside the others."""
    found = list(found)
    for j in range(len(found) if len(found) + len(known) > 1 else 0):
        others = [*known, *found[:j], *found[j + 1 :]]
        near = found[j] + GRID_S * np.arange(-4.0, 5.0)
        found[j] = _best(x, y, shape, others, near)[0]
    return found


def _best(x: Floats, y: Floats, shape: Floats, others: list[float], tried: Floats) -> tuple[float, float]:
    """Onset that explains most beside others [s], between those tried, and how much: root of the sum of squares [Pa]."""
    if not tried.size:
        return 0.0, 0.0
    scores = _scan(x, y, shape, np.array(others), shape, tried)
    k = int(np.argmax(scores))
    best = float(tried[k])
    if 0 < k < tried.size - 1 and tried[k + 1] - tried[k - 1] < 2.5 * GRID_S:
        bend = float(scores[k - 1] - 2.0 * scores[k] + scores[k + 1])
        if bend < 0.0:
            best += 0.5 * float(scores[k - 1] - scores[k + 1]) / bend * GRID_S
    return best, float(scores[k])


@jit
def lost(shape: Floats, since_s: float) -> float:
    """Share of a dip that is lost some time after the onset."""
    if since_s <= 0.0:
        return 0.0
    place = since_s / NODE_S
    k = int(place)
    if k >= shape.size - 1:
        return shape[shape.size - 1]
    return shape[k] + (place - k) * (shape[k + 1] - shape[k])


@jit
def _scan(x: Floats, y: Floats, shape: Floats, others: Floats, own_shape: Floats, tried: Floats) -> Floats:
    """What a fall at each onset tried would explain beside the others, as the root of its sum of squares, negative for a rise [Pa]."""
    n = x.size
    columns = np.empty((3 + others.size, n))
    rest = y.copy()
    m = 0
    middle, half = 0.5 * (x[0] + x[n - 1]), 0.5 * (x[n - 1] - x[0])
    for c in range(3 + others.size):
        before = 0.0
        for i in range(n):
            columns[m, i] = ((x[i] - middle) / half) ** c if c < 3 else lost(shape, x[i] - others[c - 3])
            before += columns[m, i] ** 2
        for o in range(m):
            both = 0.0
            for i in range(n):
                both += columns[o, i] * columns[m, i]
            for i in range(n):
                columns[m, i] -= both * columns[o, i]
        left = 0.0
        for i in range(n):
            left += columns[m, i] ** 2
        if left <= 1e-6 * before:
            continue
        both = 0.0
        for i in range(n):
            columns[m, i] /= math.sqrt(left)
            both += columns[m, i] * rest[i]
        for i in range(n):
            rest[i] -= both * columns[m, i]
        m += 1
    fall, scores = np.empty(n), np.empty(tried.size)
    for k in range(tried.size):
        first = 0  # before it begins, a fall is nothing
        while first < n and x[first] <= tried[k]:
            first += 1
        before, both = 0.0, 0.0
        for i in range(first, n):
            fall[i] = lost(own_shape, x[i] - tried[k])
            before += fall[i] ** 2
            both -= fall[i] * rest[i]
        own = before
        for o in range(m):
            like = 0.0
            for i in range(first, n):
                like += columns[o, i] * fall[i]
            own -= like * like
        scores[k] = both / math.sqrt(own) if own > 1e-3 * before and own > 0.0 else 0.0
    return scores
