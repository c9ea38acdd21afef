"""Second stage of the shot detector: the shape of one fall of pressure, measured to less than a reading."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from analysis.bottom import bottom
from analysis.constants import ATMOSPHERE_ABS_PA
from analysis.edge import MATCHED_S, climb, hinge, matched, sharpest
from analysis.jit import jit
from analysis.level_before import level_before
from analysis.step_fit import HALF_WIDTH, TO_FALL
from analysis.stretch import crossing, highest, lowest, position, smooth, width_for

Floats = NDArray[np.float64]

FAINT_SIGMA, FAINT_BEFORE_S = 6.0, 0.3  # dips in so much noise are measured by a fit of the whole fall
RAGGED_S, RAGGED_SIGMA = 0.25, 15.0  # a fall that seems slow, among ripple or noise that may have stretched it
# No hose rounds a deep dip (share of absolute pressure) this much: only a valve that stays open makes one.
DEEP_SHARE, DEEP_FALL_S = 0.05, 0.1
DEEP_RAGGED_S = 0.9 * DEEP_FALL_S
BOTTOM_MEAN_S = 0.03
# The lowest of very many readings lies far below the bottom even in little noise; less than this share of the dip does nothing.
DENSE_S, QUIET_SHARE = 0.002, 0.003
REFILL_S = 0.2  # twice this after the lowest shows whether the pressure turns back at once and goes on
SHORTEST_REFILL_S = 0.05  # and less than twice this does not
BOTTOM_S = 0.35  # the lowest pressure comes within this time of the steepest fall, wherever the sensor sits
LOOK_BACK_S = 0.6
# A fall starts rounded, so the chord from 15 to 45 % of it is extended by more than half its own length; readings far apart
# round it the other way. Both numbers from simulated lines with the sensor at the tool, along the hose and on a receiver.
ONSET_SHAPE, ONSET_SPACING = 0.9, 0.4
FEWEST_ON_EDGE = 4  # readings between onset and half of the dip, to fit the edge instead
ROUGH_SHARE = 0.03  # of the range, which interference jumps by and hum does not
# Of a fall, that would change where it seems to begin; of both, that the knee between them lies above their chord, where a fall as round
# as half a cosine has 0.14, and times the noise.
SWUNG, KNEE, CLEAR_SIGMA = 0.15, 0.2, 4.0


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
        Largest share of the dip lost within `edge.JUMP_S`, or between two readings where they are further apart.
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

    @property
    def before_abs_pa(self) -> float:
        """Pressure just before [Pa abs]; next to none where a sensor without its zero says less than a vacuum."""
        return max(self.before_pa + ATMOSPHERE_ABS_PA, 1.0)

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
        high = _begins(t, y, high, top, low, noise_pa / n**0.5)
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
    dense = 1 if noise_pa < QUIET_SHARE * rough_dip else int(DENSE_S / step_s) | 1
    quiet = smooth(p, max(width_for(noise_pa, rough_dip, step_s, BOTTOM_MEAN_S, 0.02), dense))
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
            onset = hinge(t, p, before, slope, onset, middle, t[high])
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
    jump, jump_s, next_jump = sharpest(t, p, max(high - 1, 0), min(low + 2, z), step_s)
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
    shape[5] = TO_FALL * width_s if 0.0 < width_s < MATCHED_S[-1] else fall_s
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
def _begins(t: Floats, y: Floats, high: int, top: int, low: int, noise_pa: float) -> int:
    """Where a fall begins below `high`: at the knee, if what falls more slowly before it is a hose that swings."""
    knee, above = high, 0.0
    for i in range(high + 2, top):  # a reading on the edge itself is no knee
        over = y[i] - y[high] - (y[top] - y[high]) * (t[i] - t[high]) / (t[top] - t[high])
        if over > above:
            knee, above = i, over
    swung = y[high] - y[knee] > SWUNG * (y[knee] - y[low])
    return knee if swung and above > max(KNEE * (y[high] - y[low]), CLEAR_SIGMA * noise_pa) else high


def on_slope(t: Floats, p: Floats, fall: Fall) -> Fall:
    """Measure a fall that noise hides again, laid on the slope of the line before it.

    What is a shot is decided without the slope: where a rise ends, the pressure falls from where it would have gone.
    """
    begin, finish = position(t, fall.time_s - FAINT_BEFORE_S), min(position(t, fall.minimum_s) + 1, t.size)
    onset_s, before_pa, dip_pa, _, _ = matched(t, p, begin, finish, fall.time_s, fall.slope_pa_per_s)
    if dip_pa <= 0.0:
        return fall
    return replace(fall, time_s=onset_s, before_pa=before_pa, minimum_pa=before_pa - dip_pa)
