"""First stage of the shot detector: one compiled pass that cleans spikes, follows the noise and marks falls of pressure.

Every reading is looked at once, in order, and all that is remembered is a few numbers and a short stretch of readings. The
state holds absolute positions, so blocks of any size give the same marks.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.coarse import near_a_step
from analysis.jit import jit
from analysis.noise_here import LAST_T, SLOTS, TAIL, tail
from analysis.rests import BIN_S

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

# Three widths of fall: a tool emptying its own inlet, a wave rounded by a hose, a receiver drawn down.
LAG_S = (0.016, 0.06, 0.18)
MEAN_S = (0.006, 0.03, 0.08)
WHITE = (5.0, 5.0, 3.5)  # times their noise; the widest are fitted whole before they are believed
STRIDES = 8  # a wide mean hardly changes from one reading to the next: it is looked at so many times while it passes
UP_SPIKE, UP_SIGMA, ALIKE = 4, 12.0, 0.6  # readings; two alike that are together so many times the noise up are none either
SPIKE_S = 0.016  # what comes back within this time was electrical: no line fills that fast
# What is electrical jumps up as often as down. Jumps down alone, in quick succession and long enough for one, are shots that few readings
# show: the logarithm of the odds for that, by which one down adds to it and one up takes from it, and from where on they count as shots.
DOWN_ODDS, UP_ODDS, SURE_ODDS, MOST_ODDS = 0.67, 3.2, 5.0, 12.0
FORGOTTEN_S = 120.0  # while not yet sure; a pump's start disturbs the supply less often
SHORTEST_S = 0.008
ODDS_SHARE, DEEPEST_SHARE = 0.02, 0.4  # of absolute pressure; jumps that count, and the deepest that a shot may be
FALLING_ON = 0.3  # of a jump: so much as the pressure falls just before
OFTEN_S, OFTEN = 1.0, 0.1  # so large a share of the readings of so long are no spikes but a pump's ripple, unless they jump by `BIG_SHARE`
LEAST_BOTTOM_SHARE = 0.0025  # of absolute pressure; a smaller jump may be a pump's ripple
STEADY_RISE_SIGMA, STEEPER = 4.0, 2.0  # a rise that noise does not make; a line comes back from a corner the faster the nearer to it
LEAST_NOISE_PA = 30.0  # no sensor that sees shots is quieter, and none needs to be
LEAST_STEP_PA = 1e-3
GOLDEN = 0.6180339887  # its multiples fill 0..1 evenly
FLICKER_S, FLICKERS = 30.0, 1.77  # followed for so long; noise in steps over the share that turns back, where the level lies anywhere
GAP_S = 0.15
NOISE_S, RIPPLE_S, TREND_S = 2.0, 3.0, 0.3  # times over which noise, ripple and slope are followed
GAP_STEPS = 6.0
RIPPLES = 3.75  # times the ripple that the means show on other stretches than shots
# A fall of this share of the threshold may be a shot, from which nothing is learnt of the ripple, unless one has begun just before. A wide
# one of few steps is marked from there on: it is weighed as rounded readings before it is believed, which tell more than means.
SHOT_S, APART_S, MAY_BE = 1.0, 0.25, 0.8
CHAIN_S, CHAIN_STEPS = 0.15, 15.0  # big jumps this close belong together
TURN_S = 0.03  # and turn back within this; a shot stays down longer
FEWEST_TURNS, TURNS_S, TURNS_STEPS = 5, 0.12, 14.0  # turns, and the time for them: quick shots seen by a slow logger turn too, but later
BIG_SHARE = 0.005  # of absolute pressure; noise that grows all at once is no interference

# Kinds of mark
FALL, SPIKE, GAP, BURST = 0, 1, 2, 3
# Columns of a mark: kind, scale or length of spike, position and time of its peak, size (of a burst its beginning), first position above
# the threshold (of a burst the size of its turns), noise, position at which it was issued, threshold, resolution known by then, ripple
# between single readings as a noise, noise that is seen to flicker at the edges of a step
MARK_COLUMNS = 12

# Slots of the float state
(
    NOISE,
    RESOLUTION,
    RIPPLE_0,
    PEAK_0,
    SUM,
    REFERENCE,
    TREND_0,
    JUMP_S,
    JUMP,
    BURST_S,
    BIN_0,
    BIN_T,
    BIN_P,
    ODDS,
    ODDS_T,
    SPIKY,
    SPIKY_T,
    FLICKER,
    LEAP,
    TURN,
    LEAPS,
    RISE_0,
    AGAIN_0,
    HERE,
    TURN_0,
) = (
    0,
    1,
    2,
    5,
    8,
    9,
    10,
    13,
    14,
    15,
    16,
    17,
    18,
    19,
    20,
    21,
    22,
    23,
    24,
    25,
    26,
    27,
    30,
    33,
    48,
)
FLOATS = 48 + FEWEST_TURNS - 1
# Slots of the integer state: next position to clean, first position of the present stretch, and for each scale whether it is above
# the threshold, where it went above, where its peak is, and whether it may be a shot
NEXT, START, ABOVE_0, ROSE_0, TOP_0, TURNS, BIN, BIN_N, BINS, MAY_0 = 0, 1, 2, 5, 8, 11, 12, 13, 14, 15
INTS = 18


@dataclass(frozen=True, slots=True, kw_only=True)
class Widths:
    """Widths in readings, from the rate."""

    step_s: float
    lag: Ints
    mean: Ints
    stride: Ints
    spike: int
    gap_s: float

    @property
    def reach(self) -> int:
        """Readings that the pass looks back."""
        return int(self.lag[-1] + self.mean[-1]) + 3


def widths(step_s: float) -> Widths:
    """Set the widths for readings `step_s` apart."""
    mean = np.array([max(1, round(s / step_s)) for s in MEAN_S], dtype=np.int64)
    return Widths(
        step_s=step_s,
        lag=np.array([max(1, round(s / step_s)) for s in LAG_S], dtype=np.int64),
        mean=mean,
        stride=np.maximum(mean // STRIDES, 1),
        spike=max(3 if step_s <= SPIKE_S else 1, min(32, int(SPIKE_S / step_s))),
        gap_s=max(GAP_S, GAP_STEPS * step_s),
    )


def first_state(t_s: Floats, p_pa: Floats, w: Widths) -> tuple[Floats, Ints]:
    """Start the state from the first readings: their noise, resolution, slope and ripple."""
    state, places = np.zeros(FLOATS), np.zeros(INTS, dtype=np.int64)
    bend = np.abs(p_pa[2:] - 2.0 * p_pa[1:-1] + p_pa[:-2])
    step = np.abs(np.diff(p_pa))
    step = step[step > LEAST_STEP_PA]
    state[RESOLUTION] = float(step.min()) if step.size else 0.0
    state[NOISE] = float(np.median(bend)) if bend.size else 0.0  # median of the second difference's size
    state[LEAPS] = float(np.median(np.abs(np.diff(p_pa)))) if p_pa.size > 1 else 0.0
    state[REFERENCE] = float(p_pa[0]) if p_pa.size else 0.0
    state[BIN_0] = float(t_s[0]) if t_s.size else 0.0
    state[RISE_0:HERE] = -np.inf
    state[HERE + TAIL : TURN_0 : SLOTS] = 1.0
    state[HERE + LAST_T : TURN_0 : SLOTS] = -np.inf
    half = p_pa.size // 2
    if half:
        fall = float(np.median(p_pa[:half]) - np.median(p_pa[half:])) / half  # a reading
        state[TREND_0 : TREND_0 + w.lag.size] = fall * w.lag
    total = np.cumsum(np.concatenate([[0.0], p_pa - state[REFERENCE]]))
    for s, (lag, mean) in enumerate(zip(w.lag, w.mean, strict=True)):
        means = (total[mean:] - total[:-mean]) / mean
        if means.size > 2 * lag:
            # Less than their median, as shots may be among them.
            state[RIPPLE_0 + s] = float(np.quantile(np.abs(means[:-lag] - means[lag:] - state[TREND_0 + s]), 0.35))
    return state, places


@jit
def usable(t: Floats, p: Floats, last_s: float) -> bool:
    """Whether every reading has a time after the one before it, and a pressure."""
    for i in range(t.size):
        if not (t[i] > last_s and t[i] < np.inf and abs(p[i]) < np.inf):
            return False
        last_s = t[i]
    return True


@jit
def noise_of(state: Floats) -> float:
    """Standard deviation of the noise [Pa], never below what rounding and the noise that it hides may be together."""
    return max(state[NOISE] / 1.6521, 0.45 * state[RESOLUTION], LEAST_NOISE_PA)


def noise_in(p_pa: Floats, resolution_pa: float) -> float:
    """Standard deviation of the noise in some readings [Pa], with the same least."""
    return max(float(np.median(np.abs(np.diff(p_pa, 2)))) / 1.6521, 0.45 * resolution_pa, LEAST_NOISE_PA)


@jit
def shot_like(state: Floats, t_s: float, jump_pa: float, left_abs_pa: float, lasts_s: float) -> bool:
    """Weigh a brief jump: whether it goes down as only shots have done so far."""
    odds = state[ODDS]
    if 0.0 < odds < SURE_ODDS:
        odds *= math.exp(-(t_s - state[ODDS_T]) / FORGOTTEN_S)
    state[ODDS_T] = t_s
    down = jump_pa < 0.0 and lasts_s > SHORTEST_S and -jump_pa < DEEPEST_SHARE * left_abs_pa
    if down:
        odds = min(odds + DOWN_ODDS, MOST_ODDS)
    elif jump_pa > 0.0:
        odds = max(odds - UP_ODDS, -MOST_ODDS)
    state[ODDS] = odds
    return bool(down and odds > SURE_ODDS)


@jit
def is_bottom(t: Floats, raw: Floats, earlier: float, left: float, k: int, run: int, sigma: float, known: bool) -> bool:
    """Whether a brief jump down from `left`, which the readings `k` to `k + run` undo, is the bottom of a dip.

    It is where it only goes on with a fall, or where the pressure, which did not rise before, goes on rising: then the readings lie no
    lower than that rise, carried back and allowed to begin more steeply. `known` is whether the reading after them is.
    """
    jump = left - raw[k]
    if jump > LEAST_BOTTOM_SHARE * (left + 1e5) and earlier - left > FALLING_ON * jump:
        return True
    z = k + run
    rise = raw[z + 1] - raw[z] if known else 0.0
    if rise < STEADY_RISE_SIGMA * sigma or left - earlier > 0.5 * rise:
        return False
    below = 0.0
    for j in range(k, z):
        below = max(below, raw[z] - STEEPER * rise * (t[z] - t[j]) / (t[z + 1] - t[z]) - raw[j])
    return below <= 2.0 * sigma


@jit
def scan(
    t: Floats, raw: Floats, clean: Floats, total: Floats, base: int, until: int, last: bool, lag: Ints, mean: Ints,
    stride: Ints, spike: int, gap_s: float, step_s: float, state: Floats, places: Ints, marks: Floats, bins: Floats,
) -> int:  # fmt: skip
    """Advance through the readings and write marks; returns how many.

    Parameters
    ----------
    t, raw : ndarray, shape (n,)
        Times [s] and readings [Pa] that are kept at present; the first has the absolute position `base`.
    clean, total : ndarray, shape (n,)
        Filled: readings without spikes [Pa]; their running sum above the reference [Pa].
    until : int
        Absolute position after the last reading there is.
    last : bool
        Whether no more will come; else the last few wait for their successors.
    marks, bins : ndarray, shape (m, MARK_COLUMNS), (m, 2)
        Filled; the pass stops early when one is full. `places[BINS]` says how many bins.
    """
    found = 0
    places[BINS] = 0
    i = places[NEXT]
    stop = until if last else until - max(spike, UP_SPIKE) - 2
    scales = lag.size
    whites = np.empty(scales)
    for s in range(scales):
        whites[s] = WHITE[s] * (2.0 / mean[s]) ** 0.5
    bin_end = state[BIN_0] + (places[BIN] + 1) * BIN_S
    bin_n, bin_t, bin_p, running = places[BIN_N], state[BIN_T], state[BIN_P], state[SUM]
    reference, bin_0 = state[REFERENCE], state[BIN_0]
    while i < stop and found < marks.shape[0] - 128 and places[BINS] < bins.shape[0] - 64:
        k = i - base
        x = raw[k]
        if i > 0 and t[k] - t[k - 1] > gap_s:
            marks[found, 0] = GAP
            marks[found, 2] = i
            marks[found, 3] = t[k]
            marks[found, 4] = t[k] - t[k - 1]
            marks[found, 7] = i
            found += 1
            places[START] = i
            for s in range(scales):
                places[ABOVE_0 + s] = 0
        start = places[START]
        sigma = noise_of(state)
        # Big jumps that alternate in direction: interference. A shot turns once, a spike once more.
        if i > start:
            leap = x - raw[k - 1]
            # Noise below a step turns back at once where it crosses the edge of one; what drifts or swings across does not.
            back_at_once = leap * state[LEAP] < 0.0
            state[FLICKER] += (step_s / FLICKER_S) * ((1.0 if back_at_once else 0.0) - state[FLICKER])
            state[LEAP] = leap
            # The median size of a leap: hum moves by more than it bends.
            state[LEAPS] += (step_s / NOISE_S) * (sigma if abs(leap) > state[LEAPS] else -sigma)
            if leap != 0.0 and (abs(leap) < state[RESOLUTION] or state[RESOLUTION] == 0.0) and abs(leap) > LEAST_STEP_PA:
                state[RESOLUTION] = abs(leap)
            if abs(leap) > max(8.0 * sigma, 3.0 * state[RIPPLE_0], BIG_SHARE * (abs(x) + 1e5)):
                if t[k] - state[JUMP_S] > max(CHAIN_S, CHAIN_STEPS * step_s):
                    places[TURNS] = 0
                    state[BURST_S], state[TURN] = t[k], 0.0
                elif (leap > 0.0) != (state[JUMP] > 0.0) and t[k] - state[JUMP_S] < max(TURN_S, 2.5 * step_s):
                    places[TURNS] += 1
                    state[TURN] = max(state[TURN], min(abs(leap), abs(state[JUMP])))
                    turn = TURN_0 + places[TURNS] % (FEWEST_TURNS - 1)
                    since_s, state[turn] = state[turn], t[k]
                    if places[TURNS] >= FEWEST_TURNS and t[k] - since_s < max(TURNS_S, TURNS_STEPS * step_s):
                        marks[found, 0] = BURST
                        marks[found, 2] = i
                        marks[found, 3] = t[k]
                        marks[found, 4] = state[BURST_S]
                        marks[found, 5] = state[TURN]
                        marks[found, 7] = i
                        found += 1
                state[JUMP_S] = t[k]
                state[JUMP] = leap
        # A jump that is undone within a few readings is electrical.
        run = 0
        if i > start:
            left = clean[k - 1]
            jump = abs(x - left)
            if jump > max(8.0 * sigma, 3.0 * state[RIPPLE_0]) or (
                x > left + 3.0 * state[RIPPLE_0]
                and i + 1 < until
                and t[k + 1] - t[k - 1] < SPIKE_S
                and ALIKE * jump < raw[k + 1] - left < jump / ALIKE
                and jump + raw[k + 1] - left > UP_SIGMA * max(sigma, state[LEAPS])
            ):
                n = 1
                # Nothing pushes a line up and lets it down again so fast, so a jump upwards may last longer.
                longest = spike if x < left else max(spike, UP_SPIKE)
                near, beyond = max(4.0 * sigma, 0.15 * jump), max(4.0 * sigma, 0.3 * jump)  # beyond it a ripple may carry it
                while n <= longest and i + n < until:
                    if t[k + n] - t[k + n - 1] > gap_s:
                        break
                    back = raw[k + n] - left if x < left else left - raw[k + n]
                    if -near < back < beyond and abs(raw[k + n - 1] - left) > 0.3 * jump:
                        run = n
                        break
                    n += 1
            if run > 0 and x < left and i - 1 > start and is_bottom(t, raw, clean[k - 2], left, k, run, sigma, i + run + 1 < until):
                run = 0
            if run > 0 and jump > ODDS_SHARE * (left + 1e5) and shot_like(state, t[k], x - left, left + 1e5, run * step_s):
                run = 0
            if run > 0 and jump < BIG_SHARE * (left + 1e5):
                state[SPIKY] = state[SPIKY] * math.exp(-(t[k] - state[SPIKY_T]) / OFTEN_S) + run * step_s / OFTEN_S
                state[SPIKY_T] = t[k]
                if state[SPIKY] > OFTEN:
                    run = 0
        if run > 0:
            marks[found, 0] = SPIKE
            marks[found, 1] = run
            marks[found, 2] = i
            marks[found, 3] = t[k]
            marks[found, 4] = x - clean[k - 1]
            marks[found, 7] = i
            found += 1
            left = clean[k - 1]
            right = raw[k + run]
            for n in range(run):
                w = (t[k + n] - t[k - 1]) / (t[k + run] - t[k - 1])
                clean[k + n] = left + w * (right - left)
        else:
            run = 1
            clean[k] = x
        for n in range(run):
            j = k + n
            here = i + n
            if t[j] >= bin_end:
                if bin_n > 0:
                    bins[places[BINS], 0] = bin_0 + bin_t / bin_n
                    bins[places[BINS], 1] = reference + bin_p / bin_n
                    places[BINS] += 1
                places[BIN] = int((t[j] - bin_0) / BIN_S)
                bin_end = bin_0 + (places[BIN] + 1) * BIN_S
                bin_n, bin_t, bin_p = 0, 0.0, 0.0
            bin_n += 1
            bin_t += t[j] - bin_0
            bin_p += clean[j] - reference
            running += clean[j] - reference
            total[j] = running
            if here - start >= 2:
                # Rounded readings bend by whole steps; spread over a step, evenly in time, their median is known more finely.
                bend = abs(clean[j] - 2.0 * clean[j - 1] + clean[j - 2] + ((here * GOLDEN) % 1.0 - 0.5) * state[RESOLUTION])
                # Follow the median: up and down by the same small share.
                move = (step_s / NOISE_S) * max(state[NOISE], 0.3 * state[RESOLUTION], LEAST_NOISE_PA)
                if bend > 8.0 * state[NOISE]:
                    move *= 4.0  # far more than noise ever gives: it has grown
                state[NOISE] = max(state[NOISE] + (move if bend > state[NOISE] else -move), 0.0)
            for s in range(scales):
                if here % stride[s] != 0:
                    continue
                m = mean[s]
                reach = lag[s] + m
                if here - reach < start:
                    continue
                fall = ((total[j - lag[s]] - total[j - reach]) - (total[j] - total[j - m])) / m
                white = sigma * whites[s]
                # Follow the median fall (the slope of a pump or a leak) and the median distance from it (the ripple), both slowly.
                ripple = max(state[RIPPLE_0 + s], 0.1 * white)
                away = fall - state[TREND_0 + s]
                state[TREND_0 + s] += (stride[s] * step_s / TREND_S) * (ripple if away > 0.0 else -ripple)
                move = (stride[s] * step_s / RIPPLE_S) * ripple
                if t[j] > state[AGAIN_0 + s]:  # a steady run of shots would hide itself
                    state[RIPPLE_0 + s] = ripple + (move if abs(away) > ripple else -move)
                fall = away
                usual, beyond = max(white, RIPPLES * 1.4826 * state[RIPPLE_0 + s]), white * WHITE[0] / WHITE[s]
                threshold = usual * tail(state[HERE:], s, t[j], stride[s] * step_s, fall, usual, beyond)
                may_be = MAY_BE * threshold
                if s == scales - 1 and near_a_step(threshold, sigma, state[RESOLUTION]):
                    threshold = may_be
                phase = places[ABOVE_0 + s]
                # Noise may leave a shot below the threshold; it must not raise it for those after it.
                if fall > may_be:
                    if places[MAY_0 + s] == 0:
                        if t[j] - state[RISE_0 + s] > APART_S:
                            state[AGAIN_0 + s] = t[j] + SHOT_S
                        state[RISE_0 + s] = t[j]
                    places[MAY_0 + s] = 1
                elif fall < 0.0:
                    places[MAY_0 + s] = 0
                if phase == 0:
                    if fall > threshold:
                        places[ABOVE_0 + s] = 1
                        places[ROSE_0 + s] = here
                        places[TOP_0 + s] = here
                        state[PEAK_0 + s] = fall
                elif phase == 1:
                    if fall > state[PEAK_0 + s]:
                        state[PEAK_0 + s] = fall
                        places[TOP_0 + s] = here
                    over = fall < 0.5 * state[PEAK_0 + s] or here - places[TOP_0 + s] > 2 * lag[s]
                    if over:
                        top = places[TOP_0 + s]
                        marks[found, 0] = FALL
                        marks[found, 1] = s
                        marks[found, 2] = top
                        marks[found, 3] = t[top - base]
                        marks[found, 4] = state[PEAK_0 + s]
                        marks[found, 5] = places[ROSE_0 + s]
                        marks[found, 6] = sigma
                        marks[found, 7] = here
                        marks[found, 8] = threshold
                        marks[found, 9] = state[RESOLUTION]
                        marks[found, 10] = state[RIPPLE_0] / 0.6745 / (2.0 / mean[0]) ** 0.5
                        marks[found, 11] = FLICKERS * state[FLICKER] * state[RESOLUTION]
                        found += 1
                        places[ABOVE_0 + s] = 2
                if places[ABOVE_0 + s] == 2:
                    # Wait until this fall is over, or another begins on its back.
                    if fall < state[PEAK_0 + s]:
                        state[PEAK_0 + s] = fall
                    if fall < threshold:
                        places[ABOVE_0 + s] = 0
                    elif fall > state[PEAK_0 + s] + threshold:
                        places[ABOVE_0 + s] = 1
                        places[ROSE_0 + s] = here
                        places[TOP_0 + s] = here
                        state[PEAK_0 + s] = fall
        i += run
    places[NEXT] = i
    places[BIN_N] = bin_n
    state[BIN_T], state[BIN_P], state[SUM] = bin_t, bin_p, running
    return found
