"""How far a thermometer beside the pressure can be believed: readings that no tank has, that stand still, or that are not there."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis.statistics import matern

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

COLDEST_K, WARMEST_K = 223.0, 353.0  # beyond, a probe is broken, or at the pump and not at the air shut in; common practice, no source
END_S: Final = 60.0  # before its first reading and after its last a temperature is taken to stand for so long; by choice
BRIDGED_S: Final = 1800.0  # holes shorter than this are bridged: a tank's wall hardly changes meanwhile; by choice
NEVER_MOVED_S: Final = 3600.0  # a thermometer that shows one value for longer, and nothing else, is dead or far too coarse; by choice
COARSE_K: Final = 0.2  # what is rounded away of finer steps drowns in what air and thermometer differ by anyway; by choice
STANDING: Final = 0.7  # so much of the readings lies on steps, and of the time between its turns, where noise does not blur them; by choice
MOST_TURNS: Final = 300  # from one step to another in a recording; those that lie closer count as one; by choice
MOST_BETWEEN_TWO: Final = 3  # turns between the same two values; more are a heater's that goes on and off; by choice
EDGE_SHARE: Final = 0.1  # of a step, within which it turns from one to the other; by choice
SWING_STEPS: Final = 3.0  # the air swings by so many steps and more, or else nothing would be known of it
PACES_S: Final = (1800.0, 7200.0, 6 * 3600.0)  # correlation times tried for the air's own swing [s]
STANDS_S_PER_K: Final = 1e5  # a live one moves by its own step, 0.1 K, within three hours; common practice, no source


def believable(t_s: Array, temp_k: Array) -> Array:
    """Take out what no tank's temperature is, and bridge short holes.

    Parameters
    ----------
    t_s, temp_k : ndarray, shape (n,)
        Times [s], ascending, and temperature [K]; NaN where there is no reading.

    Returns
    -------
    ndarray, shape (n,)
        Temperature [K]; NaN in holes longer than `BRIDGED_S`, at the ends too.
    """
    if np.fmin.reduce(temp_k) < COLDEST_K or np.fmax.reduce(temp_k) > WARMEST_K:
        temp_k = np.where((temp_k >= COLDEST_K) & (temp_k <= WARMEST_K), temp_k, np.nan)
    known = np.isfinite(temp_k)
    if known.all() or not known.any():
        return temp_k
    here = t_s[known]
    after = np.searchsorted(here, t_s)
    before, behind = here[np.maximum(after - 1, 0)], here[np.minimum(after, here.size - 1)]
    within = (after > 0) & (after < here.size)
    bridged = np.where(within, behind - before <= BRIDGED_S, np.minimum(np.abs(t_s - before), np.abs(behind - t_s)) <= END_S)
    return np.where(known, temp_k, np.where(bridged, np.interp(t_s, here, temp_k[known]), np.nan))


def stuck(t_s: Array, temp_k: Array) -> Flags:
    """Say where a thermometer stands still for so long that it must be dead; one that never moved in an hour as well.

    Parameters
    ----------
    t_s, temp_k : ndarray, shape (n,)
        Times [s], ascending, and temperature [K]; NaN where there is no reading.

    Returns
    -------
    ndarray of bool, shape (n,)
        True where the reading is not to be believed; a coarse thermometer may stand for longer than a fine one.
    """
    moved = np.diff(temp_k)
    edges = np.concatenate(([0], np.flatnonzero(moved != 0.0) + 1, [t_s.size]))
    lasts = t_s[edges[1:] - 1] - t_s[edges[:-1]]
    moved = np.abs(moved[(moved != 0.0) & np.isfinite(moved)])
    longest = max(NEVER_MOVED_S, STANDS_S_PER_K * float(np.median(moved))) if moved.size else NEVER_MOVED_S
    return np.repeat(lasts > longest, np.diff(edges))


@dataclass(frozen=True, slots=True, kw_only=True)
class Rounded:
    """The temperature behind a thermometer's coarse steps: known well where it turns from one step to the next, and little elsewhere.

    A Gaussian process through the middles between two steps, at the times at which the thermometer turned, and through each step
    while it stood there, give or take what it rounds away.

    Attributes
    ----------
    times_s, over_k, u_k : ndarray, shape (n,)
        Times [s], temperature above the mean and its standard uncertainty [K].
    mean_k, swing_k, pace_s : float
        Mean temperature, standard deviation of the process [K] and its correlation time [s].
    """

    times_s: Array
    over_k: Array
    u_k: Array
    mean_k: float
    swing_k: float
    pace_s: float

    def _between(self, a_s: Array, b_s: Array) -> Array:
        return self.swing_k**2 * matern(np.abs(a_s[:, None] - b_s[None, :]), self.pace_s)

    def _known(self) -> Array:
        return self._between(self.times_s, self.times_s) + np.diag(self.u_k**2)

    def log_likelihood(self) -> float:
        """Logarithm of the likelihood of what is known, but for a constant."""
        known = self._known()
        return -0.5 * float(self.over_k @ np.linalg.solve(known, self.over_k)) - 0.5 * float(np.linalg.slogdet(known)[1])

    def at(self, t_s: Array) -> Array:
        """Temperature at some times [K]."""
        weights = np.linalg.solve(self._known(), self.over_k)
        # A few thousand at a time, so that the table of correlations stays small.
        pieces = [self._between(t, self.times_s) @ weights for t in np.array_split(t_s, t_s.size // 4000 + 1)]
        return self.mean_k + np.concatenate(pieces)

    def covariance(self, t_s: Array) -> Array:
        """Covariance of the temperature at some times [K2], shape (n, n)."""
        across = self._between(t_s, self.times_s)
        return np.asarray(self._between(t_s, t_s) - across @ np.linalg.solve(self._known(), across.T))


def rounded(t_s: Array, temp_k: Array, step_k: float) -> Rounded | None:
    """Find the temperature behind a coarse thermometer's readings.

    Parameters
    ----------
    t_s, temp_k : ndarray, shape (n,)
        Times [s], ascending, and temperature [K], none missing.
    step_k : float
        The thermometer's step [K]; 0 where none is seen.

    Returns
    -------
    Rounded or None
        None where the steps are fine, or noise blurs them: then the readings themselves tell more.
    """
    if step_k < COARSE_K:
        return None
    base = float(temp_k[np.argmax(np.isfinite(temp_k))])
    steps = (temp_k - base) / step_k
    whole = np.round(steps)
    offset = float(np.median(steps - whole))  # the first may be a mean of several
    turns = np.flatnonzero(np.diff(whole) != 0.0)
    if not turns.size or np.mean(np.abs(steps - whole - offset) < 0.05) < STANDING:
        return None
    level = base + step_k * (whole + offset)
    # Noise turns it to and fro about each edge: turns close to each other count as one, in their middle.
    turned_s, edge = 0.5 * (t_s[turns] + t_s[turns + 1]), 0.5 * (level[turns] + level[turns + 1])
    begins = np.concatenate(([0], np.flatnonzero(np.diff(turned_s) > float(t_s[-1] - t_s[0]) / MOST_TURNS) + 1))
    ends = np.append(begins[1:], turns.size) - 1
    many = ends - begins + 1
    jump = np.maximum.reduceat(np.abs(level[turns + 1] - level[turns]), begins)
    # From when until when it stood, and where.
    from_s, until_s = np.append(t_s[0], turned_s[ends]), np.append(turned_s[begins], t_s[-1])
    stood = level[np.append(0, turns[ends] + 1)]
    if np.sum(until_s - from_s) < STANDING * (t_s[-1] - t_s[0]) or (np.unique(stood).size < 3 and begins.size > MOST_BETWEEN_TWO):
        return None
    times = np.concatenate((np.add.reduceat(turned_s, begins) / many, 0.5 * (from_s + until_s), t_s[[0, -1]]))
    known = np.concatenate((np.add.reduceat(edge, begins) / many, stood, stood[[0, -1]]))
    rounds = step_k / np.sqrt(12.0)
    u = np.concatenate((np.where(jump > 1.5 * step_k, jump / np.sqrt(12.0), EDGE_SHARE * step_k), np.full(stood.size + 2, rounds)))
    mean = float(np.mean(known))
    swing = max(float(np.std(known)), SWING_STEPS * step_k)
    tried = [Rounded(times_s=times, over_k=known - mean, u_k=u, mean_k=mean, swing_k=swing, pace_s=pace) for pace in PACES_S]
    return max(tried, key=Rounded.log_likelihood)
