"""A fall of about one step of the resolution: what rounded readings tell of it, each of which says within which step the value lies.

Noise far below a step is hardly seen, and rounding errors that follow each other are alike, so their squares tell little. The likelihood
of the readings tells more: a value that drifts across a step takes the longer over it, flickering, the more noise there is.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from analysis.edge import EDGE_POWER
from analysis.faint_fall import FaintFall
from analysis.jit import jit

Floats = NDArray[np.float64]

# Like readings so close count together, about the fall and further from it; where a ripple was taken out, to so fine a part of a step.
TOGETHER_S, FURTHER_S, ABOUT_S, FINE = 0.008, 0.032, (-0.15, 0.25), 8.0
ALIKE_S = 0.002  # noise of readings closer than this is the same: they count less
FEWEST = 16  # readings
NOISES = (0.9, 0.64, 0.45, 0.28, 0.17, 0.1, 0.06, 0.035)  # steps; tried one after the other, as each fit starts from where the last ended
ONSET_S, ONSETS = 0.015, 5  # between onsets tried, and how many on either side
# Shapes of a dip: over which time it falls [s], from when on it comes back and over how long [s], and the share that does: at a receiver a
# part that is not known, along the line and at the tool all of it.
SHAPES = (
    (0.05, 0.15, 0.25, 0.0), (0.1, 0.15, 0.25, 0.0), (0.05, 0.12, 0.2, 1.0), (0.025, 0.12, 0.2, 1.0), (0.025, 0.06, 0.18, 1.0),
    (0.025, 0.06, 0.1, 1.0), (0.012, 0.06, 0.1, 1.0),
)  # fmt: skip
BOTTOM_S, FINE_S = 0.4, 0.01  # the lowest comes no later; looked for so finely
GOES_ON = -0.5  # of the depth; a line that loses so much more, as against its course before, turns: a pump stops
NO_MORE = 8.0  # logarithm; further from an onset than one that is so much less likely than another none is tried
GUESSED = 0.5  # steps; so well are depth and regain guessed where the readings do not tell
SHORT_S = 0.3  # a view with less before the fall is a burst's, in which neither a drift's turn nor a regain can be told
TURNS, FINER, ROUGHLY = 9, 6, 0.2  # turns of a drift that are tried evenly in the view, and then about the best; with so much noise
# Times the standard deviation, as it were, that a fall must be likelier than a straight drift, and than one that turns within the view:
# few do, and beside one that does a fall is no likelier at all.
SURE, SURE_OF_TURN = 5.0, 4.0
NEWTON, SETTLED = 8, 0.1
FAR, UNLIKELY = 5.0, -14.0  # standard deviations from where on a tail is a formula; no reading counts as less likely than a spike


def fit_rounded_fall(t: Floats, p: Floats, near: FaintFall, step_pa: float, least_noise_pa: float) -> FaintFall | None:
    """Fit a fall to rounded readings near one that is guessed, if they show one rather than a drift.

    Each is allowed the noise that suits it best. A drift is a line that may turn once, as it does where a pump stops.

    Parameters
    ----------
    t, p : ndarray, shape (n,)
        Times [s] and pressure [Pa], in multiples of a step but for a ripple that may have been taken out.
    near : FaintFall
        Where to look.
    step_pa, least_noise_pa : float
        Step of the resolution, and noise that there is at least [Pa].

    Returns
    -------
    FaintFall or None
        `sure` and `unlike_line` are both the root of twice the logarithm of how much likelier a fall is than a drift. None where there are
        too few readings, or a drift might do.
    """
    if t.size < FEWEST or not t[0] < near.time_s < near.over_s < t[-1]:
        return None
    step_s = float(t[-1] - t[0]) / (t.size - 1)
    x, y, count = _together(t - near.time_s, (p - p[0]) / step_pa, min(step_s / ALIKE_S, 1.0))
    least, turns = min(least_noise_pa / step_pa, NOISES[0]), x[0] < -SHORT_S
    line, turned = _drifts(x, y, count, least, turns)
    if line > -0.5 * SURE**2 or turned > -0.5 * SURE_OF_TURN**2:
        return None  # nothing can be so much likelier
    fall, onset_s, width_s, level, depth, regain = _fall(x, y, count, least, turns, near.dip_pa / step_pa)
    unlike, unlike_turn = fall - line - 0.5 * SURE**2, fall - turned - 0.5 * SURE_OF_TURN**2
    if min(unlike, unlike_turn) < 0.0 or depth <= 0.0 or regain < GOES_ON * depth:
        return None
    sure = math.sqrt(2.0 * (fall - line))
    return FaintFall(
        time_s=near.time_s + onset_s,
        width_s=width_s,
        before_pa=float(p[0]) + level * step_pa,
        dip_pa=depth * step_pa,
        sure=sure,
        unlike_line=sure,
    )


@jit
def _together(x: Floats, y: Floats, each: float) -> tuple[Floats, Floats, Floats]:
    """Times [s], values [steps] and counts of readings, of which those that are alike and close are one."""
    m, first, begin = 0, 0, x[0]
    times, values, counts = np.empty(x.size), np.empty(x.size), np.empty(x.size)
    for i in range(x.size):
        if x[i] - begin >= (TOGETHER_S if ABOUT_S[0] < x[i] < ABOUT_S[1] else FURTHER_S):
            begin, first = x[i], m
        value = round(FINE * y[i]) / FINE
        k = first
        while k < m and values[k] != value:
            k += 1
        if k == m:
            times[m], values[m], counts[m] = 0.0, value, 0.0
            m += 1
        counts[k] += each
        times[k] += (x[i] - times[k]) * each / counts[k]
    return times[:m], values[:m], counts[:m]


@jit
def _drifts(x: Floats, y: Floats, count: Floats, least: float, turns: bool) -> tuple[float, float]:
    """Logarithm of the likelihood of a line, and of one that may turn where that suits best."""
    n = x.size
    straight, columns = np.ones((2, n)), np.ones((3, n))
    for i in range(n):
        straight[1, i] = columns[1, i] = (x[i] - x[0]) / (x[n - 1] - x[0])
    free = np.zeros((2, 3))
    best = _annealed(y, count, straight, free, least)[0]
    if not turns:
        return best, best
    likeliest, turn, apart = -np.inf, 0.5, 1.0 / (TURNS + 1.0)
    for k in range(TURNS + FINER):
        at = (k + 1) * apart
        if k >= TURNS:
            at = turn + (1.0 if k % 2 else -1.0) * apart * 0.5 ** ((k - TURNS) // 2 + 1)
        for i in range(n):
            columns[2, i] = max(columns[1, i] - at, 0.0)
        now = _annealed(y, count, columns, free, max(least, ROUGHLY))[0]
        if now > likeliest:
            likeliest, turn = now, at
    for i in range(n):
        columns[2, i] = max(columns[1, i] - turn, 0.0)
    return best, max(best, _annealed(y, count, columns, free, least)[0])


@jit
def _fall(x: Floats, y: Floats, count: Floats, least: float, turns: bool, guess: float) -> tuple[float, float, float, float, float, float]:
    """Logarithm of the likelihood of the best fall; and onset and width [s], level, depth, regain [steps] of all, as likely as each is."""
    n, m = x.size, 4 if turns else 3
    columns, guesses = np.ones((m, n)), np.zeros((2, m))
    guesses[0, 2] = guess
    for k in range(2, m):
        guesses[1, k] = 1.0 / GUESSED**2
    onsets = 2 * ONSETS + 1
    likely, told = np.full(len(SHAPES) * onsets, -np.inf), np.zeros((len(SHAPES) * onsets, 5))
    best, at, noise, top, known = -np.inf, 0, 0.0, -np.inf, np.zeros(m)
    for j in range(likely.size):
        k = j % onsets
        if k == 0:
            top = -np.inf
        elif k > 2 and likely[j - 2] < top - NO_MORE:
            continue
        onset_s = ONSET_S * ((k + 1) // 2) * (1 if k % 2 else -1)  # from the middle outwards: the first is not far off
        width_s, after_s, back_s, share = SHAPES[j // onsets]
        _lay(x, onset_s, j // onsets, columns)
        if j == 0:
            likely[j], noise, factors = _annealed(y, count, columns, guesses, least)
        else:
            factors = known.copy()
            likely[j] = _fit(y, count, columns, guesses, factors, noise)
        top = max(top, likely[j])
        depth, more = 0.0, factors[3] if turns else 0.0  # that comes back than the shape has
        for k in range(int(BOTTOM_S / FINE_S)):
            regained = min(max((k * FINE_S - after_s) / back_s, 0.0), 1.0)
            depth = max(depth, factors[2] * (_fallen(k * FINE_S, width_s) - share * regained) - more * regained)
        told[j, 0], told[j, 1], told[j, 2], told[j, 3], told[j, 4] = onset_s, width_s, factors[0], depth, share * factors[2] + more
        if likely[j] > best:
            best, at, known = likely[j], j, factors.copy()
    mean, total = np.zeros(5), 0.0
    for j in range(likely.size):
        share = math.exp(likely[j] - best)
        total += share
        for k in range(5):
            mean[k] += share * told[j, k]
    _lay(x, told[at, 0], at // onsets, columns)
    best = max(best, _annealed(y, count, columns, guesses, least)[0])
    return best, mean[0] / total, mean[1] / total, mean[2] / total, mean[3] / total, mean[4] / total


@jit
def _lay(x: Floats, onset_s: float, shape: int, columns: Floats) -> None:
    """Fill in the columns of a slope, of a dip that begins at a time, and, if there is one, of what more comes back of it."""
    width_s, after_s, back_s, share = SHAPES[shape]
    for i in range(x.size):
        since_s = x[i] - onset_s
        regained = min(max((since_s - after_s) / back_s, 0.0), 1.0)
        columns[1, i] = since_s
        columns[2, i] = share * regained - _fallen(since_s, width_s)
        if columns.shape[0] > 3:
            columns[3, i] = regained


@jit
def _fallen(since_s: float, width_s: float) -> float:
    """Share of a fall that is lost some time after its onset."""
    return 1.0 - math.exp(-((max(since_s, 0.0) / width_s) ** EDGE_POWER))


@jit
def _annealed(y: Floats, count: Floats, columns: Floats, guesses: Floats, least: float) -> tuple[float, float, Floats]:
    """Logarithm of the likelihood of a sum of columns with the noise that suits it best, that noise, and the columns' factors."""
    m, n = columns.shape
    squares, factors = np.zeros((m, m)), np.zeros(m)
    for k in range(m):
        for i in range(n):
            factors[k] += count[i] * columns[k, i] * y[i]
            for j in range(k + 1):
                squares[k, j] += count[i] * columns[k, i] * columns[j, i]
    _solve(squares, factors)
    best, suits, kept = -np.inf, NOISES[0], factors.copy()
    for noise in NOISES:
        now = _fit(y, count, columns, guesses, factors, max(noise, least))
        if now > best:
            best, suits, kept = now, max(noise, least), factors.copy()
        if noise <= least:
            break
    return best, suits, kept


@jit
def _fit(y: Floats, count: Floats, columns: Floats, guesses: Floats, factors: Floats, noise: float) -> float:
    """Improve the factors by Newton's method, and return the logarithm of their likelihood, which is concave.

    `guesses` are factors guessed, and one over the variance of each guess.
    """
    m, n = columns.shape
    best, kept = -np.inf, factors.copy()
    bend, slope = np.empty((m, m)), np.empty(m)
    for _ in range(NEWTON):
        total = 0.0
        for k in range(m):
            for j in range(k):
                bend[k, j] = 0.0
            away = guesses[0, k] - factors[k]
            slope[k], bend[k, k] = guesses[1, k] * away, guesses[1, k]
            total -= 0.5 * guesses[1, k] * away**2
        for i in range(n):
            value = 0.0
            for k in range(m):
                value += factors[k] * columns[k, i]
            log, first, second = _rounds_to(y[i], value, noise)
            total += count[i] * max(log, UNLIKELY)
            if second > 0.0:
                for k in range(m):
                    slope[k] += count[i] * first * columns[k, i]
                    for j in range(k + 1):
                        bend[k, j] += count[i] * second * columns[k, i] * columns[j, i]
        if total <= best:  # too far
            for k in range(m):
                factors[k] = 0.5 * (factors[k] + kept[k])
            continue
        settled = total - best < SETTLED
        best = total
        for k in range(m):
            kept[k] = factors[k]
        if settled:
            break
        _solve(bend, slope)
        for k in range(m):
            factors[k] += min(max(slope[k], -1.0), 1.0)
    for k in range(m):
        factors[k] = kept[k]
    return best


@jit
def _solve(a: Floats, b: Floats) -> None:
    """Solve a small symmetric system, of which the lower half is given, by Cholesky's method; the answer replaces `b`."""
    m = b.size
    for k in range(m):
        a[k, k] += 1e-3  # what nothing tells stays as it is
        for j in range(k + 1):
            for i in range(j):
                a[k, j] -= a[k, i] * a[j, i]
            a[k, j] = math.sqrt(max(a[k, k], 1e-9)) if j == k else a[k, j] / a[j, j]
        for i in range(k):
            b[k] -= a[k, i] * b[i]
        b[k] /= a[k, k]
    for k in range(m - 1, -1, -1):
        for i in range(k + 1, m):
            b[k] -= a[i, k] * b[i]
        b[k] /= a[k, k]


@jit
def _rounds_to(y: float, value: float, noise: float) -> tuple[float, float, float]:
    """Logarithm of the chance that a value with noise rounds to `y`; its slope, and how it bends down, against the value [steps]."""
    low, high = (y - 0.5 - value) / noise, (y + 0.5 - value) / noise
    if low < -FAR and high > FAR:
        return 0.0, 0.0, 0.0
    if low > FAR or high < -FAR:
        far = max(low, -high)
        slope = (far + 1.0 / far) / noise
        return -0.5 * far * far - math.log(math.sqrt(2.0 * math.pi) * far), slope if low > 0.0 else -slope, 1.0 / noise**2
    at_low, at_high = math.exp(-0.5 * low * low) / math.sqrt(2.0 * math.pi), math.exp(-0.5 * high * high) / math.sqrt(2.0 * math.pi)
    chance = max(0.5 * (math.erfc(low / math.sqrt(2.0)) - math.erfc(high / math.sqrt(2.0))), 1e-9)
    slope = (at_low - at_high) / chance
    bend = slope * slope - (low * at_low - high * at_high) / chance
    return math.log(chance), slope / noise, max(bend, 1e-3) / noise**2
