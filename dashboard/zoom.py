"""Fewer points for the same picture: the lowest and highest reading of each slice of time, so that no dip is lost."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

if TYPE_CHECKING:
    from logger.long import LongRecording
    from logger.open import Recording

POINTS = 2000
PAD = 0.5  # of the window, kept on either side so that a small pan finds readings there already

EXACT_MOST = 250_000  # readings in a window up to which each is looked at; of more, the overview holds the extremes of a pixel's width
GAPS_MOST = 200  # the longest are drawn

Array = NDArray[np.float64]


def curve(recording: Recording | LongRecording, shown_s: tuple[float, float] | None) -> tuple[Array, Array]:
    """Few points that draw a recording, or what is shown of it with some room on either side; its gaps stay gaps.

    Parameters
    ----------
    recording : Recording or LongRecording
        However long.
    shown_s : (float, float), optional
        What is to be seen [s]; all of it by default.

    Returns
    -------
    tuple of ndarray
        Times [s] and pressures [Pa gauge]; NaN where the line is to break.
    """
    begin_s, end_s = recording.span_s
    from_s, until_s = shown_s or (begin_s, end_s)
    pad = PAD * (until_s - from_s)
    from_s, until_s = max(from_s - pad, begin_s), min(until_s + pad, end_s)
    overview = recording.seen
    if recording.about(from_s, until_s) <= EXACT_MOST:
        t, p = thin(*recording.between(from_s, until_s))
    else:
        first, last = (int(i) for i in np.searchsorted(overview.t_s, [from_s, until_s]))
        kept = slice(max(first - 1, 0), last + 1)
        t, p = thin(overview.t_s[kept], overview.p_pa[kept])
    gaps = overview.gaps_s[(overview.gaps_s[:, 1] > from_s) & (overview.gaps_s[:, 0] < until_s)]
    if len(gaps) and t.size:
        longest = gaps[np.argsort(gaps[:, 0] - gaps[:, 1], kind="stable")[:GAPS_MOST]]
        middle = np.sort(longest.mean(axis=1))
        at = np.searchsorted(t, middle)
        t, p = np.insert(t, at, middle), np.insert(p, at, np.nan)
    return t, p


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
