"""Second stage of the shot detector: the shape of one fall of pressure, measured to less than a reading."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from analysis.bottom import bottom
from analysis.constants import ATMOSPHERE_ABS_PA
from analysis.jit import jit
from analysis.stretch import ROUNDLY, crossing, highest, lowest, position, smooth, width_for

Floats = NDArray[np.float64]

BEFORE_S = 0.1  # pressure before a shot is averaged over up to this long
# Or, where the last shot is long enough ago and readings are many, the line is followed for so long, in such means.
LONGEST_BEFORE_S, SHORTEST_WANDER_S, FEWEST_WANDER, WANDER_BIN_S = 0.7, 0.35, 24, 0.005
# Ways a line may go, in dips: how steep it may be when first seen, per second; how far its slope drifts by chance, per root of a second
# cubed; and how fast it fades, per second. It stands still, rises straight as a tank does while its pump runs, comes back from the shot
# before, or rings.
WANDERS = ((0.0, 0.0, 0.0), (0.3, 0.0, 0.0), (5.0, 0.0, 2.0), (5.0, 0.0, 5.0), (5.0, 0.5, 0.0), (5.0, 2.5, 0.0), (5.0, 12.0, 0.0))
FEWEST_STRAIGHT = 12
STEEPEST_RING_PER_S = 4.0  # dips a second: a hose that rings with a quarter of the dip at 2.5 Hz
FAINT_SIGMA, FAINT_BEFORE_S = 6.0, 0.3  # dips in so much noise are measured by a fit of the whole fall
MATCHED_S, MATCHED_STEPS, MATCHED_STEP_S = (0.02, 0.04, 0.07, 0.1, 0.14), 20, 0.008
RAGGED_S, RAGGED_SIGMA = 0.25, 15.0  # a fall that seems slow, among ripple or noise that may have stretched it
SLID, SLID_SIGMA = 1.3, 8.0  # dips, and times the noise, that a slope goes on to fall
# Hum counts as noise but leaves means over this long alone, which shots bend: by more than this share of what noise would leave in them.
CALM_S, CALM = 0.08, 6.0
# No hose rounds a deep dip (share of absolute pressure) this much: only a valve that stays open makes one.
DEEP_SHARE, DEEP_FALL_S = 0.05, 0.1
DEEP_RAGGED_S = 0.9 * DEEP_FALL_S
SWING_MEAN_S = 0.03
BOTTOM_MEAN_S = 0.03
REFILL_S = 0.2  # twice this after the lowest shows whether the pressure turns back at once and goes on
SHORTEST_REFILL_S = 0.05  # and less than twice this does not
BOTTOM_S = 0.35  # the lowest pressure comes within this time of the steepest fall, wherever the sensor sits
LOOK_BACK_S = 0.6
JUMP_S = 0.008
# A fall starts rounded, so the chord from 15 to 45 % of it is extended by more than half its own length; readings far apart
# round it the other way. Both numbers from simulated lines with the sensor at the tool, along the hose and on a receiver.
ONSET_SHAPE, ONSET_SPACING = 0.9, 0.4
FEWEST_ON_EDGE = 4  # readings between onset and half of the dip, to fit the edge instead
EDGE_POWER = 1.4
HALF_WIDTH = math.log(2.0) ** (1.0 / EDGE_POWER)  # of a matched fall, until half of it is lost
TRIED = 45  # onsets
CLIMB_S = 0.04  # a falling edge has no level stretch this long
ROUGH_SHARE = 0.03  # of the range, which interference jumps by and hum does not
STEEP, SWUNG = 0.8, 0.15  # of a fall, that a mark saw, and that would change where it seems to begin


@dataclass(frozen=True, slots=True, kw_only=True)
class Fall:
    """Shape of one fall of pressure.

    Attributes
    ----------
    time_s : float
        When the pressure begins to fall [s].
    before_pa, minimum_pa : float
        Pressure just before, and lowest true pressure [Pa].
    minimum_s : float
        When the pressure is lowest [s].
    half_s : float
        When half of the dip is lost [s].
    fall_s : float
        Time over which the middle 60 % of the dip is lost, scaled to all of it [s].
    edge_s : float
        Time over which the dip grows from 10 to 50 % [s].
    low_s : float
        How long the pressure stays below 60 % of the dip [s]; the end of the view where it does not come back.
    back : float
        Share of the dip regained at the end of the view, at most.
    jump : float
        Largest share of the dip lost within `JUMP_S`, or between two readings where they are further apart.
    jump_s, next_jump : float
        Time that this took [s], and the share lost in the same time after it.
    rough : float
        Path that the pressure runs, over its range: 2 for one dip without noise, many for interference.
    risen : float
        How far the pressure had risen within `LOOK_BACK_S` before the fall, over the dip.
    slope_pa_per_s : float
        Slope before the fall [Pa/s].
    sure : float
        Of a faint fall: its depth over the standard deviation of a fit of the whole fall; else 0.
    refill : float
        Share of the dip regained within `REFILL_S` after the lowest, or in as long after that, whichever is less; where the view ends
        sooner in proportion to the time there is, 0 where that is too short.
    """

    time_s: float
    before_pa: float
    minimum_pa: float
    minimum_s: float
    half_s: float
    fall_s: float
    edge_s: float
    low_s: float
    back: float
    jump: float
    jump_s: float
    next_jump: float
    rough: float
    risen: float
    slope_pa_per_s: float
    sure: float
    refill: float

    @property
    def dip_pa(self) -> float:
        """Depth of the dip [Pa]."""
        return self.before_pa - self.minimum_pa

    @classmethod
    def fitted(
        cls, *, time_s: float, before_pa: float, minimum_pa: float, minimum_s: float, half_s: float, fall_s: float, sure: float
    ) -> Fall:
        """Return a fall of which only a fit is known; what a fit does not tell is such that nothing is concluded from it."""
        return cls(
            time_s=time_s,
            before_pa=before_pa,
            minimum_pa=minimum_pa,
            minimum_s=minimum_s,
            half_s=half_s,
            fall_s=fall_s,
            edge_s=half_s - time_s,
            low_s=0.0,
            back=0.0,
            jump=0.0,
            jump_s=math.inf,
            next_jump=0.0,
            rough=0.0,
            risen=0.0,
            slope_pa_per_s=0.0,
            sure=sure,
            refill=0.0,
        )


def measure(
    t: Floats,
    p: Floats,
    top_s: float,
    lag_s: float,
    noise_pa: float,
    size_pa: float,
    step_s: float,
    earliest_s: float,
    until_s: float,
    least_pa: float = 0.0,
    ripple_pa: float = 0.0,
) -> Fall | None:
    """Measure the fall whose steepest part ends near `top_s`.

    Parameters
    ----------
    t, p : ndarray
        Times [s] and cleaned pressure [Pa], from well before the fall to the end of the view.
    top_s, lag_s, size_pa : float
        Where the first stage saw the largest fall, over which time, and how large [s, s, Pa]; 0 where that is not known.
    noise_pa, step_s : float
        Noise [Pa] and spacing of the readings [s].
    earliest_s, until_s : float
        The view: after the bottom of the shot before, and until the next fall begins [s].
    least_pa : float
        A smaller dip is not measured [Pa].
    ripple_pa : float
        Ripple of the line, which hides an edge as noise does [Pa].

    Returns
    -------
    Fall or None
        None where no fall stands out.
    """
    shape = np.empty(len(Fall.__slots__))
    if not _measure(t, p, top_s, lag_s, noise_pa, size_pa, step_s, earliest_s, until_s, least_pa, ripple_pa, shape):
        return None
    return Fall(**dict(zip(Fall.__slots__, shape.tolist(), strict=True)))


@jit
def _measure(
    t: Floats, p: Floats, top_s: float, lag_s: float, noise_pa: float, size_pa: float, step_s: float,
    earliest_s: float, until_s: float, least_pa: float, ripple_pa: float, shape: Floats,
) -> bool:  # fmt: skip
    """Fill in the fields of a `Fall` in their order; False where no fall stands out."""
    n = width_for(noise_pa, size_pa, step_s, 0.4 * lag_s, 0.05)
    a = position(t, max(top_s - 1.6 * lag_s - 0.03, earliest_s))
    top = position(t, top_s)
    z = min(position(t, until_s), t.size)
    if top >= t.size or top - a < 1:
        return False
    first = position(t, earliest_s)
    low_end = max(min(position(t, top_s + BOTTOM_S), z), top + 1)
    y, high, low, rough_dip = p, a, a, 0.0
    for _ in range(2):
        y = smooth(p, n)
        steep = highest(y, a, top + 1)
        high = climb(t, y, steep, first, noise_pa / n**0.5)
        low = lowest(y, high, low_end)
        # Where nearly all is lost as fast as the mark saw, what falls before that is a hose that swings back.
        lost = y[steep] - y[low]
        if y[high] - y[steep] > SWUNG * lost and size_pa > STEEP * lost:
            high = steep
        rough_dip = y[high] - y[low]
        if low <= high or rough_dip <= max(least_pa, 0.0):
            return False
        # The mark may have been a small step on a large fall, which needs less averaging.
        narrower = width_for(noise_pa, rough_dip, step_s, 0.4 * lag_s, 0.05)
        if narrower >= n:
            break
        n = narrower
    before, slope = y[high], 0.0
    # The lowest of many noisy readings is one that noise has pulled down: look for the bottom on a quieter average.
    quiet = smooth(p, width_for(noise_pa, rough_dip, step_s, BOTTOM_MEAN_S, 0.02))
    low = lowest(quiet, high, low_end)
    if low <= high:
        return False
    minimum, minimum_s = bottom(t, p, quiet, low, high, z, noise_pa, rough_dip, step_s)
    onset = t[high]
    for _ in range(3):
        dip = before - minimum
        if dip <= 0.0:
            return False
        t15, t45 = crossing(t, y, before - 0.15 * dip, high, low), crossing(t, y, before - 0.45 * dip, high, low)
        edge = max(t45 - t15, 1e-6)
        onset = t15 - edge * min(max(ONSET_SHAPE - ONSET_SPACING * step_s / edge, 0.3), 0.88)
        before, slope = level_before(t, p, onset, 0.25 * step_s + 0.15 * max(t45 - t15, 0.0), earliest_s, noise_pa, dip)
    dip = before - minimum
    if dip <= 0.0:
        return False
    middle = crossing(t, y, before - 0.45 * dip, high, low)
    if position(t, middle) - position(t, onset) >= FEWEST_ON_EDGE:
        for _ in range(2):
            onset = hinge(t, p, before, slope, onset, middle)
            before, slope = level_before(t, p, onset, 0.25 * step_s, earliest_s, noise_pa, dip)
        dip = before - minimum
        if dip <= 0.0:
            return False
    sure, width_s = 0.0, 0.0
    if dip < FAINT_SIGMA * max(noise_pa, ripple_pa):
        begin, finish = position(t, max(onset - FAINT_BEFORE_S, earliest_s)), min(position(t, minimum_s) + 1, z)
        if finish - begin > 16:
            onset, before, dip, sure, width_s = matched(t, p, begin, finish, onset, 0.0)
            minimum = before - dip
            if dip <= 0.0:
                return False
    unsteady = max(noise_pa, ripple_pa)
    if ripple_pa > noise_pa:
        y = smooth(p, width_for(unsteady, dip, step_s, 0.4 * lag_s, 0.05))
    t20, t80 = crossing(t, y, before - 0.2 * dip, high, low), crossing(t, y, before - 0.8 * dip, high, low)
    t60 = crossing(t, y, before - 0.6 * dip, high, low)
    t10, t50 = crossing(t, p, before - 0.1 * dip, high, low), crossing(t, p, before - 0.5 * dip, high, low)
    i = low
    while i < z and not y[i] > before - 0.6 * dip:
        i += 1
    jump, jump_s, next_jump = _sharpest(t, p, max(high - 1, 0), min(low + 2, z), step_s)
    back = position(t, onset - LOOK_BACK_S)
    start = y[lowest(y, back, high + 1)] if back <= high else before
    span = p[highest(p, first, z)] - p[lowest(p, first, z)]
    path = 0.0
    for k in range(first + 1, z):
        if abs(p[k] - p[k - 1]) > max(6.0 * noise_pa, ROUGH_SHARE * span):
            path += abs(p[k] - p[k - 1])
    shape[0], shape[1], shape[2], shape[3] = onset, before, minimum, minimum_s
    shape[4] = onset + HALF_WIDTH * width_s if sure > 0.0 else t50  # noise may cross the half once more, long after
    # The widest of the fits stands for whatever is wider, a slope too.
    fall_s = (t80 - t20) / 0.6
    seems_slow = fall_s > (DEEP_RAGGED_S if dip > DEEP_SHARE * (before + ATMOSPHERE_ABS_PA) else RAGGED_S)
    if width_s == 0.0 and seems_slow and dip < RAGGED_SIGMA * unsteady:
        begin, finish = position(t, max(onset - FAINT_BEFORE_S, earliest_s)), min(position(t, minimum_s) + 1, z)
        if finish - begin > 16:
            width_s = matched(t, p, begin, finish, onset, 0.0)[4]
    shape[5] = 1.77 * width_s if 0.0 < width_s < MATCHED_S[-1] else fall_s
    shape[6] = t50 - t10
    shape[7] = t[min(i, z - 1)] - t60
    shape[8] = (y[highest(y, low, z)] - minimum) / dip
    shape[9], shape[10], shape[11] = jump / dip, jump_s, next_jump / dip
    shape[12] = path / span if span > 0.0 else 0.0
    shape[13] = (before - start) / dip
    shape[14] = slope
    shape[15] = sure
    # Where another fall follows sooner, what comes back in half of the time until then, in proportion.
    within_s = min(REFILL_S, 0.5 * (t[z - 1] - BOTTOM_MEAN_S - minimum_s))
    if within_s > SHORTEST_REFILL_S:
        soon, later = position(t, minimum_s + within_s), min(position(t, minimum_s + 2.0 * within_s), z - 1)
        shape[16] = min(quiet[soon] - minimum, quiet[later] - quiet[soon]) / dip * (REFILL_S / within_s)
    else:
        shape[16] = 0.0
    return True


@jit
def hinge(t: Floats, p: Floats, before_pa: float, slope_pa_per_s: float, onset_s: float, middle_s: float) -> float:
    """Onset of a fall that has many readings on its edge: where a line that turns into a power of time fits best [s].

    Parameters
    ----------
    before_pa, slope_pa_per_s : float
        The line before the fall, at `onset_s` [Pa, Pa/s].
    onset_s, middle_s : float
        First guess of the onset, and when half of the dip is lost [s].
    """
    edge = max(middle_s - onset_s, 1e-6)
    a, z = position(t, onset_s - 1.2 * edge), position(t, middle_s)
    step = 1.4 * edge / (TRIED - 1)
    explained = np.zeros(TRIED)
    for k in range(TRIED):
        from_s = onset_s - 0.8 * edge + k * step
        both, weight = 0.0, 0.0
        for i in range(a, z):
            if t[i] > from_s:
                shape = (t[i] - from_s) ** EDGE_POWER
                both += shape * (before_pa + slope_pa_per_s * (t[i] - onset_s) - p[i])
                weight += shape * shape
        if weight > 0.0:
            explained[k] = both * both / weight
    k = highest(explained, 0, TRIED)
    best = onset_s - 0.8 * edge + k * step
    if 0 < k < TRIED - 1:
        bend = explained[k - 1] - 2.0 * explained[k] + explained[k + 1]
        if bend < 0.0:
            best += 0.5 * (explained[k - 1] - explained[k + 1]) / bend * step
    return best


@jit
def swing_s(t: Floats, p: Floats, at_s: float, view_s: float, before_pa: float, dip_pa: float, noise_pa: float, step_s: float) -> float:
    """Time to the nearest other fall of like size, before or after the one that is half over at `at_s` [s].

    The line's slope is taken out. Infinite where there is none within the view, or where noise alone would swing as much.
    """
    n = width_for(noise_pa, dip_pa, step_s, SWING_MEAN_S, 0.05)
    if noise_pa > 0.06 * n**0.5 * dip_pa:
        return np.inf
    a, z = position(t, at_s - view_s), position(t, at_s + view_s)
    y = smooth(p[a:z], n)
    size = z - a
    x_mean, x2, both = 0.0, 0.0, 0.0
    for i in range(size):
        x_mean += (t[a + i] - at_s) / size
    for i in range(size):
        x = t[a + i] - at_s - x_mean
        x2 += x * x
        both += x * (y[i] - y[0])
    slope = both / x2 if x2 > 0.0 else 0.0
    # A fall runs from above the upper to below the lower level.
    upper, lower = before_pa - 0.38 * dip_pa, before_pa - 0.62 * dip_pa
    nearest = np.inf
    stage = 0
    for i in range(position(t, at_s) - a, size):
        v = y[i] - slope * (t[a + i] - at_s)
        if stage == 0 and v >= upper:
            stage = 1
        elif stage == 1 and v <= lower:
            nearest = t[a + i] - at_s
            break
    stage = 0
    for i in range(min(position(t, at_s) - a, size - 1), -1, -1):
        v = y[i] - slope * (t[a + i] - at_s)
        if (stage == 0 and v >= upper) or (stage == 1 and v <= lower):
            stage += 1
        elif stage == 2 and v >= upper:
            nearest = min(nearest, at_s - t[a + i])
            break
    return nearest


@jit
def slides(t: Floats, p: Floats, onset_s: float, until_s: float, dip_pa: float, noise_pa: float) -> bool:
    """Whether the pressure goes on falling after a dip in so straight a line that noise alone lies around it."""
    a, z = position(t, onset_s), position(t, until_s)
    n = z - a
    if n < FEWEST_STRAIGHT:
        return False
    x_mean, level = 0.0, 0.0
    for i in range(a, z):
        x_mean += t[i] - onset_s
        level += p[i] - p[a]
    x_mean, level = x_mean / n, level / n
    x2, both, y2 = 0.0, 0.0, 0.0
    for i in range(a, z):
        x, y = t[i] - onset_s - x_mean, p[i] - p[a] - level
        x2 += x * x
        both += x * y
        y2 += y * y
    slope = both / x2
    rest = (y2 - slope * both) / (n - 2)
    if -slope * (until_s - onset_s) <= max(SLID * dip_pa, SLID_SIGMA * noise_pa):
        return False
    if rest >= (ROUNDLY + 2.0 * (2.0 / n) ** 0.5) * noise_pa**2:
        return False
    k = max(2, round(CALM_S * (n - 1) / (t[z - 1] - t[a])))
    blocks = n // k
    between, within = 0.0, 0.0
    for block in range(blocks):
        mean = 0.0
        for i in range(a + block * k, a + (block + 1) * k):
            away = p[i] - p[a] - level - slope * (t[i] - onset_s - x_mean)
            mean += away / k
            within += away * away
        between += k * mean * mean
    within -= between
    return blocks < 4 or between / (blocks - 2) < CALM * within / (blocks * (k - 1))


@jit
def comes_back(p: Floats, a: int, b: int, lag: int, size_pa: float, noise_pa: float) -> bool:
    """Whether the pressure comes up again between a fall that ends at `a` and another near `b`."""
    low = lowest(p, a, b + 1)
    back = p[highest(p, low, b + 1)] - p[low]
    fallen = p[highest(p, max(a - lag, 0), a + 1)] - p[low]
    return back > max(0.3 * size_pa, 0.3 * fallen, 4.0 * noise_pa)


def on_slope(t: Floats, p: Floats, fall: Fall) -> Fall:
    """Measure a fall that noise hides again, laid on the slope of the line before it.

    What is a shot is decided without the slope: where a rise ends, the pressure falls from where it would have gone.
    """
    begin, finish = position(t, fall.time_s - FAINT_BEFORE_S), min(position(t, fall.minimum_s) + 1, t.size)
    onset_s, before_pa, dip_pa, _, _ = matched(t, p, begin, finish, fall.time_s, fall.slope_pa_per_s)
    if dip_pa <= 0.0:
        return fall
    return replace(fall, time_s=onset_s, before_pa=before_pa, minimum_pa=before_pa - dip_pa)


@jit
def matched(t: Floats, p: Floats, a: int, z: int, onset_s: float, slope_pa_per_s: float) -> tuple[float, float, float, float, float]:
    """Fit falls of several widths, each at every moment near the first guess, to readings in which noise hides the edge.

    Parameters
    ----------
    a, z : int
        The readings: from a level stretch before the fall to its bottom.
    onset_s, slope_pa_per_s : float
        First guess of the onset [s]; slope of the line before it [Pa/s], on which the fall is laid.

    Returns
    -------
    tuple of float
        Onset [s], level before it [Pa], how far the pressure has fallen at the end [Pa], and by how many of its own standard
        deviations that differs from no fall at all; width [s].
    """
    best, onset, level, fallen, sure, width = np.inf, onset_s, p[a], 0.0, 0.0, 0.0
    n = z - a
    shape = np.empty(n)
    for width_s in MATCHED_S:
        for k in range(-MATCHED_STEPS, MATCHED_STEPS + 1):
            from_s = onset_s + k * MATCHED_STEP_S
            s1, s2, v1, v2, both = 0.0, 0.0, 0.0, 0.0, 0.0
            for i in range(n):
                x = max((t[a + i] - from_s) / width_s, 0.0)
                shape[i] = 1.0 - math.exp(-(x**EDGE_POWER))
                v = p[a + i] - p[a] - slope_pa_per_s * (t[a + i] - t[a])
                s1 += shape[i]
                s2 += shape[i] ** 2
                v1 += v
                v2 += v * v
                both += shape[i] * v
            spread = s2 - s1 * s1 / n
            if spread < 1.0:
                continue
            depth = -(both - s1 * v1 / n) / spread
            rest = v2 - v1 * v1 / n - depth * depth * spread
            if depth > 0.0 and rest < best:
                best, onset, level = rest, from_s, p[a] + (v1 + depth * s1) / n + slope_pa_per_s * (from_s - t[a])
                fallen = depth * shape[n - 1] - slope_pa_per_s * (t[z - 1] - from_s)
                sure = depth / math.sqrt(max(rest, 1e-9) / max(n - 4, 1) / spread)
                width = width_s
    return onset, level, fallen, sure, width


@jit
def _sharpest(t: Floats, p: Floats, first: int, end: int, step_s: float) -> tuple[float, float, float]:
    """Largest drop within `JUMP_S` [Pa], the time it took [s], and the drop in the same time after it [Pa]."""
    n = max(1, round(JUMP_S / step_s))
    size = end - first
    if size < 2 * n + 1:
        return 0.0, step_s, 0.0
    best = first
    for i in range(first, end - 2 * n):
        if p[i] - p[i + n] > p[best] - p[best + n]:
            best = i
    return p[best] - p[best + n], t[best + n] - t[best], p[best + n] - p[best + 2 * n]


@jit
def climb(t: Floats, y: Floats, start: int, first: int, noise_pa: float) -> int:
    """Walk back up the falling edge to where it begins: until nothing within `CLIMB_S` before is higher."""
    i = start
    while i > first:
        a = max(position(t, t[i] - CLIMB_S), first)
        if a >= i:
            return i
        j = highest(y, a, i)
        if y[j] <= y[i] + 2.0 * noise_pa:
            return i
        i = j
    return i


@jit
def level_before(
    t: Floats, p: Floats, onset_s: float, guard_s: float, earliest_s: float, noise_pa: float, dip_pa: float
) -> tuple[float, float]:
    """Pressure just before the fall and its slope; a steady line is averaged, a recovering one extrapolated.

    Returns
    -------
    tuple of float
        Pressure at the onset [Pa] and slope there [Pa/s], 0 where the line is steady.
    """
    z = position(t, onset_s - guard_s)
    a = position(t, max(onset_s - LONGEST_BEFORE_S, earliest_s))
    if z - a >= FEWEST_WANDER and t[z - 1] - t[a] > SHORTEST_WANDER_S:
        return _wandering(t[a:z], p[a:z], onset_s, noise_pa, dip_pa)
    level, slope = p[max(z - 1, 0)], 0.0
    level_wider, slope_wider = level, slope
    reach = BEFORE_S
    for narrower in range(4):
        a = position(t, max(onset_s - reach, earliest_s))
        n = z - a
        if n < (1 if narrower == 0 else 4):
            break
        xm, vm = 0.0, 0.0
        for i in range(a, z):
            xm += t[i] - onset_s
            vm += p[i] - level
        xm, vm = xm / n, level + vm / n
        if n < 4:
            return vm, 0.0
        spread, both = 0.0, 0.0
        for i in range(a, z):
            x = t[i] - onset_s - xm
            spread += x * x
            both += x * (p[i] - vm)
        slope = both / spread
        if narrower > 0 and slope < -STEEPEST_RING_PER_S * dip_pa:
            return level_wider, slope_wider  # that is the fall itself
        # No more slope than stands out of the noise: to leave it out where it is not sure would place a recovering line too low.
        slope *= max(0.0, 1.0 - 2.0 * (noise_pa / slope) ** 2 / spread) if abs(slope) * reach > 0.005 * dip_pa else 0.0
        level = vm - slope * xm
        rest = 0.0
        for i in range(a, z):
            rest += (p[i] - level - slope * (t[i] - onset_s)) ** 2
        # A line that rings or recovers bends; then only the last part says where it stood.
        if rest / n < (1.0 + 2.0 / n**0.5) * noise_pa**2 + (0.003 * dip_pa) ** 2:
            break
        reach *= 0.5
        level_wider, slope_wider = level, slope
    return level, slope


@jit
def _wandering(t: Floats, p: Floats, at_s: float, noise_pa: float, dip_pa: float) -> tuple[float, float]:
    """Level and slope that a line has at a time just after some readings: the mean of what lines that wander more and less would have.

    Each has a slope that drifts by chance, and counts for as much as it foretells each reading from those before it: Kalman's filter.

    Returns
    -------
    tuple of float
        Level [Pa] and slope [Pa/s].
    """
    ways = len(WANDERS)
    levels, slopes, fits = np.empty(ways), np.empty(ways), np.empty(ways)
    per = max(int(WANDER_BIN_S * (t.size - 1) / (t[t.size - 1] - t[0])), 1)
    bins = t.size // per
    x, y = np.zeros(bins), np.zeros(bins)
    for i in range(bins * per):
        j = t.size - bins * per + i
        x[i // per] += (t[j] - at_s) / per
        y[i // per] += (p[j] - p[0]) / per
    variance = noise_pa**2 / per + (0.002 * dip_pa) ** 2
    for k in range(ways):
        slope_u, drift, fades = WANDERS[k][0] * dip_pa, (WANDERS[k][1] * dip_pa) ** 2, WANDERS[k][2]
        level, slope, fit = y[0], 0.0, 0.0
        v00, v01, v11 = variance, 0.0, slope_u * slope_u
        for i in range(1, bins):
            passed = x[i] - x[i - 1]
            left = math.exp(-fades * passed)
            gone = (1.0 - left) / fades if fades > 0.0 else passed
            level += gone * slope
            slope *= left
            v00 += gone * (2.0 * v01 + gone * v11) + drift * passed**3 / 3.0
            v01 = left * (v01 + gone * v11) + 0.5 * drift * passed**2
            v11 = left * left * v11 + drift * passed
            spread = v00 + variance
            away = y[i] - level
            fit -= 0.5 * (math.log(spread) + away * away / spread)
            by_level, by_slope = v00 / spread, v01 / spread
            level += by_level * away
            slope += by_slope * away
            v11 -= by_slope * v01
            v01 -= by_slope * v00
            v00 -= by_level * v00
        left = math.exp(fades * x[bins - 1])
        gone = (1.0 - left) / fades if fades > 0.0 else -x[bins - 1]
        levels[k], slopes[k], fits[k] = level + gone * slope, left * slope, fit
    best = fits[highest(fits, 0, ways)]
    total, level, slope = 0.0, 0.0, 0.0
    for k in range(ways):
        weight = math.exp(fits[k] - best)
        total += weight
        level += weight * levels[k]
        slope += weight * slopes[k]
    return p[0] + level / total, slope / total
