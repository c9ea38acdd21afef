"""A fall of about one step of the resolution: what rounded readings tell of it, each of which says within which step the value lies.

Noise far below a step is hardly seen, and rounding errors that follow each other are alike, so their squares tell little. The likelihood
of the readings tells more: a value that drifts across a step takes the longer over it, flickering, the more noise there is.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from analysis.faint_fall import FaintFall
from analysis.jit import jit
from analysis.rounded import ALIKE_S, NOISES, annealed, fit, shared_noise, together
from analysis.step_fit import fallen

Floats = NDArray[np.float64]

FEWEST = 16  # readings
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
SURE, SURE_IN_BURST, SURE_OF_TURN = 5.3, 4.5, 4.0
KEPT, USUAL_FITS = 0.9, 20  # of what is known of the shape, at the next fall; fits over which the noise's share is averaged


class RoundedFalls:
    """Fits falls to rounded readings, and learns from each how a dip and the noise of this line usually are."""

    def __init__(self) -> None:
        self._shapes = np.zeros(len(SHAPES))  # logarithm of the odds of each, against the likeliest
        self._shared, self._fits = 0.0, 0  # logarithm of by how much noise is shared, and from how many fits it is known

    def fit(self, t: Floats, p: Floats, near: FaintFall, step_pa: float, least_noise_pa: float) -> FaintFall | None:
        """Fit a fall near one that is guessed, if the readings show one rather than a drift.

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
            `sure` and `unlike_line` are both the root of twice the logarithm of how much likelier a fall is than a drift, which counts the
            less the more of the noise is shared by readings close together. None where there are too few readings, or a drift might do.
        """
        if t.size < FEWEST or not t[0] < near.time_s < near.over_s < t[-1]:
            return None
        step_s = float(t[-1] - t[0]) / (t.size - 1)
        x, y, count = together(t - near.time_s, (p - p[0]) / step_pa, min(step_s / ALIKE_S, 1.0))
        least, turns = min(least_noise_pa / step_pa, NOISES[0]), x[0] < -SHORT_S
        line, turned = _drifts(x, y, count, least, turns)
        limit = SURE if turns else SURE_IN_BURST
        if line > -0.5 * limit**2 or turned > -0.5 * SURE_OF_TURN**2:
            return None  # nothing can be so much likelier
        fall, shapes, own, (onset_s, width_s, level, depth, regain) = _fall(x, y, count, least, turns, near.dip_pa / step_pa, self._shapes)
        if min(fall - line, fall - turned) < 0.5 * SURE_OF_TURN**2 or depth <= 0.0:
            return None
        self._fits = min(self._fits + 1, USUAL_FITS)
        self._shared += (math.log(own) - self._shared) / self._fits
        shared = max(math.exp(self._shared), 1.0)
        sure, sure_of_turn = math.sqrt(2.0 * (fall - line) / shared), math.sqrt(2.0 * (fall - turned) / shared)
        if sure < limit or sure_of_turn < SURE_OF_TURN or regain < GOES_ON * depth:
            return None
        odds = KEPT * self._shapes + shapes
        self._shapes = np.maximum(odds - odds.max(), -NO_MORE)
        return FaintFall(
            time_s=near.time_s + onset_s,
            width_s=width_s,
            before_pa=float(p[0]) + level * step_pa,
            dip_pa=depth * step_pa,
            sure=sure,
            unlike_line=sure,
        )


@jit
def _drifts(x: Floats, y: Floats, count: Floats, least: float, turns: bool) -> tuple[float, float]:
    """Logarithm of the likelihood of a line, and of one that may turn where that suits best."""
    n = x.size
    straight, columns = np.ones((2, n)), np.ones((3, n))
    for i in range(n):
        straight[1, i] = columns[1, i] = (x[i] - x[0]) / (x[n - 1] - x[0])
    free = np.zeros((2, 3))
    best = annealed(y, count, straight, free, least)[0]
    if not turns:
        return best, best
    likeliest, turn, apart = -np.inf, 0.5, 1.0 / (TURNS + 1.0)
    for k in range(TURNS + FINER):
        at = (k + 1) * apart
        if k >= TURNS:
            at = turn + (1.0 if k % 2 else -1.0) * apart * 0.5 ** ((k - TURNS) // 2 + 1)
        for i in range(n):
            columns[2, i] = max(columns[1, i] - at, 0.0)
        now = annealed(y, count, columns, free, max(least, ROUGHLY))[0]
        if now > likeliest:
            likeliest, turn = now, at
    for i in range(n):
        columns[2, i] = max(columns[1, i] - turn, 0.0)
    return best, max(best, annealed(y, count, columns, free, least)[0])


@jit
def _fall(
    x: Floats, y: Floats, count: Floats, least: float, turns: bool, guess: float, odds: Floats
) -> tuple[float, Floats, float, Floats]:
    """Find the best fall where the shapes have odds, as logarithms, beforehand.

    Returns the logarithm of its likelihood, and that of each shape over it; by how much noise is shared; and onset and width [s], level,
    depth, regain [steps] of all, as likely as each is.
    """
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
            likely[j], noise, factors = annealed(y, count, columns, guesses, least)
        else:
            factors = known.copy()
            likely[j] = fit(y, count, columns, guesses, factors, noise)
        top = max(top, likely[j])
        depth, more = 0.0, factors[3] if turns else 0.0  # that comes back than the shape has
        for k in range(int(BOTTOM_S / FINE_S)):
            regained = min(max((k * FINE_S - after_s) / back_s, 0.0), 1.0)
            depth = max(depth, factors[2] * (fallen(k * FINE_S, width_s) - share * regained) - more * regained)
        told[j, 0], told[j, 1], told[j, 2], told[j, 3], told[j, 4] = onset_s, width_s, factors[0], depth, share * factors[2] + more
        if likely[j] + odds[j // onsets] > best:
            best, at, known = likely[j] + odds[j // onsets], j, factors.copy()
    mean, total, shapes = np.zeros(5), 0.0, np.full(len(SHAPES), math.exp(-NO_MORE))
    for j in range(likely.size):
        shapes[j // onsets] += math.exp(likely[j] - best)
        share = math.exp(likely[j] + odds[j // onsets] - best)
        total += share
        for k in range(5):
            mean[k] += share * told[j, k]
    _lay(x, told[at, 0], at // onsets, columns)
    now, noise, factors = annealed(y, count, columns, guesses, least)
    shared = shared_noise(x, y, count, columns, factors, noise)
    return max(best, now + odds[at // onsets]), np.log(shapes), shared, mean / total


@jit
def _lay(x: Floats, onset_s: float, shape: int, columns: Floats) -> None:
    """Fill in the columns of a slope, of a dip that begins at a time, and, if there is one, of what more comes back of it."""
    width_s, after_s, back_s, share = SHAPES[shape]
    for i in range(x.size):
        since_s = x[i] - onset_s
        regained = min(max((since_s - after_s) / back_s, 0.0), 1.0)
        columns[1, i] = since_s
        columns[2, i] = share * regained - fallen(since_s, width_s)
        if columns.shape[0] > 3:
            columns[3, i] = regained
