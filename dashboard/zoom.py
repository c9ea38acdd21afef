"""Fewer points for the same picture: the lowest and highest reading of each slice of time, so that no dip is lost."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

POINTS = 2000
PAD = 0.5  # of the window, kept on either side so that a small pan finds readings there already

Array = NDArray[np.float64]


def window(t_s: ArrayLike, y: ArrayLike, from_s: float, until_s: float, points: int = POINTS) -> tuple[Array, Array]:
    """Thin out what a zoomed figure needs, with some room on either side.

    Parameters
    ----------
    t_s : array_like, shape (n,)
        Times [s], rising.
    y : array_like, shape (n,)
        Readings; NaN marks a missing one.
    from_s, until_s : float
        What is to be seen [s].
    points : int
        About how many points may be drawn.

    Returns
    -------
    tuple of ndarray
        Times [s] and readings, at most `points` + 2 of them.
    """
    t, v = np.asarray(t_s, dtype=float), np.asarray(y, dtype=float)
    pad = PAD * (until_s - from_s)
    first, last = np.searchsorted(t, [from_s - pad, until_s + pad])
    first, last = max(int(first) - 1, 0), min(int(last) + 1, t.size)
    return thin(t[first:last], v[first:last], points)


def thin(t_s: ArrayLike, y: ArrayLike, points: int = POINTS) -> tuple[Array, Array]:
    """Keep the lowest and the highest reading of each of `points` / 2 slices, and both ends.

    Parameters
    ----------
    t_s : array_like, shape (n,)
        Times [s], rising.
    y : array_like, shape (n,)
        Readings; slices that are missing altogether stay missing (NaN), so that a gap stays a gap.
    points : int
        About how many points to keep, at least 4.

    Returns
    -------
    tuple of ndarray
        Times and readings kept, in order of time.
    """
    t, v = np.asarray(t_s, dtype=float), np.asarray(y, dtype=float)
    if t.size <= points:
        return t, v
    width = -(-t.size // max(points // 2, 2))
    whole = t.size // width
    kept = [np.array([0, t.size - 1])]
    for first, body in ((0, v[: whole * width].reshape(whole, width)), (whole * width, v[None, whole * width :])):
        if body.size:
            starts = first + width * np.arange(body.shape[0])
            low, high = body, body
            if np.isnan(body.min()):  # copies only where readings are missing
                missing = np.isnan(body)
                low, high = np.where(missing, np.inf, body), np.where(missing, -np.inf, body)
            kept.append(starts + low.argmin(axis=1))
            kept.append(starts + high.argmax(axis=1))
    chosen = np.unique(np.concatenate(kept))
    return t[chosen], v[chosen]


def with_gaps(t_s: ArrayLike, y: ArrayLike) -> tuple[Array, Array]:
    """Break the line where readings are missing: put a NaN between neighbours that lie far apart.

    "Far" is more than ten times the usual spacing and more than a second; drawn through, a gap would look like a measurement.
    """
    t, v = np.asarray(t_s, dtype=float), np.asarray(y, dtype=float)
    if t.size < 3:
        return t, v
    steps = np.diff(t)
    holes = np.flatnonzero((steps > 10.0 * np.median(steps)) & (steps > 1.0))
    return np.insert(t, holes + 1, t[holes] + 1e-9), np.insert(v, holes + 1, np.nan)
