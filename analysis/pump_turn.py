"""When a pump started or stopped among shots: the line, what shots leave in it and the turn of its slope, fitted together.

All shots of a line leave about the same mark, so those around a turn tell it from what they take, even where one follows so soon on
the other that the line is never seen by itself.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis import rests

Floats = NDArray[np.float64]

RESPONSE_S = (0.0, 0.1, 0.2, 0.3, 0.45, 0.65, 0.9, 1.2)  # what a shot leaves is told by its size so long after; the last stays for good
FEWEST_BINS, FEWEST_BEYOND = 20, 4  # means in all, and on either side of a turn
BEND_S = 10.0  # a line bends over about so long, as air cools and leaks
HOLD = 0.02  # of a unit of the fit: what a few shots cannot tell apart stays small
STRAY = 4.0  # times the usual residual: a spike, or a shot that was not found
DEPENDENT = 2.0  # residuals follow one another, so noise counts so many times when moments are weighed


@dataclass(frozen=True, slots=True, kw_only=True)
class Turn:
    """A change of slope.

    Attributes
    ----------
    time_s : float
        When [s].
    before_pa_per_s, after_pa_per_s : float
        Slope on either side [Pa/s].
    sure : float
        How many of its own standard deviations the change is.
    """

    time_s: float
    before_pa_per_s: float
    after_pa_per_s: float
    sure: float


def fit_turn(t_s: Floats, p_pa: Floats, shots_s: Sequence[float], *, up: bool) -> Turn | None:
    """Fit one turn up or down to a stretch; None where there is none, or too few means since the last gap.

    Parameters
    ----------
    t_s, p_pa : ndarray, shape (n,)
        Means over `rests.BIN_S` [s, Pa].
    shots_s : sequence of float
        Times of the shots [s].
    """
    gaps = np.flatnonzero(np.diff(t_s) > rests.GAP_BINS * rests.BIN_S)
    first = int(gaps[-1]) + 1 if gaps.size else 0
    t, p = t_s[first:], p_pa[first:]
    if t.size < FEWEST_BINS:
        return None
    at = np.arange(t[FEWEST_BEYOND], t[-FEWEST_BEYOND], 0.5 * rests.BIN_S)
    hinges = np.maximum(t[:, None] - at, 0.0)
    known = _line_and_shots(t, shots_s)
    hold = HOLD * np.eye(known.shape[1])[-len(RESPONSE_S) :]
    keep = np.ones(t.size, dtype=bool)
    for _ in range(2):  # the second time without what strays
        # What a turn explains beyond line and shots, for all moments at once.
        base = np.linalg.qr(np.concatenate([known[keep], hold]))[0][: int(keep.sum())]
        rest, free = p[keep] - p[0], hinges[keep]
        rest, free = rest - base @ (base.T @ rest), free - base @ (base.T @ free)
        weight, both = np.maximum((free**2).sum(axis=0), 1e-9), rest @ free
        gain = np.where((both > 0.0) == up, both**2 / weight, 0.0)
        best = int(np.argmax(gain))
        change = float(both[best] / weight[best])
        left = rest - change * free[:, best]
        if keep.all():
            keep = np.abs(left) < STRAY * 1.4826 * float(np.median(np.abs(left))) + 1.0
    if not gain[best] > 0.0:
        return None
    noise = max(float(left.std()), 1.0)
    likely = np.exp(np.maximum((gain - gain[best]) / (2.0 * (DEPENDENT * noise) ** 2), -50.0))
    slope, bend = np.linalg.lstsq(known[keep], p[keep] - p[0] - change * hinges[keep, best], rcond=None)[0][1:3]
    before = float(slope + 2.0 * bend * (at[best] - t[-1]) / BEND_S) / BEND_S
    return Turn(
        time_s=float(likely @ at / likely.sum()),
        before_pa_per_s=before,
        after_pa_per_s=before + change,
        sure=float(gain[best]) ** 0.5 / noise,
    )


def _line_and_shots(t: Floats, shots_s: Sequence[float]) -> Floats:
    """Columns of the fit: a line that bends, and what all shots leave, by straight pieces between the times in `RESPONSE_S`."""
    x = (t - t[-1]) / BEND_S
    since = t[:, None] - np.array([s for s in shots_s if t[0] - RESPONSE_S[-1] < s < t[-1]])
    nodes = (-rests.BIN_S, *RESPONSE_S)
    left = [np.interp(since, nodes, unit).sum(axis=1) for unit in np.eye(len(nodes))[1:]]
    return np.stack([np.ones(t.size), x, x**2, *left], axis=1)
