"""How a line went down that has not come back: as by a valve that was opened or a regulator that is turned, or as it empties to the air."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.level_change import eases

Floats = NDArray[np.float64]

STEADY_BINS = 15  # the line rests when it has been steady for so long,
STEADY_SHARE, LARGE_PA = 0.1, 50_000.0  # within this share of its drop, which counts for no more than that,
STEADY_SIGMA = 6.0  # or so much noise
BEFORE_BINS = 45  # a drop is looked for so far before it was noticed
# What comes up by this share of the drop was let go, where a regulator that is turned down does not come up at all.
REBOUND_BINS, REBOUND_SHARE = 3, 0.15
JUMP_BINS, JUMP_SHARE = 3, 0.2  # within so many, by this share
# A line is pulled off that still falls, by this share of its level in so long at least, as towards no more than this share of it.
EMPTIES_BINS, MEAN_BINS, FALLS_STILL, EMPTY_AT = 15, 4, 0.08, 0.25
BEGINS = 0.05  # of its fall, and it has begun


@dataclass(frozen=True, slots=True, kw_only=True)
class Settled:
    """How a line came to rest at the end of a drop: when it had begun and what it took [s], whether no shot hid how it went, and whether
    it slowed down from early on if so, and since when it has come up again, if it has [s].
    """

    began_s: float
    took_s: float
    seen: bool
    eased: bool
    let_go_s: float | None


def settled(t_s: Floats, p_pa: Floats, shot: NDArray[np.bool_], from_pa: float, low_pa: float, noise_pa: float) -> Settled | None:
    """Say how the line came to rest; None where it has not, or shots hide that.

    Parameters
    ----------
    t_s, p_pa, shot : ndarray, shape (n,)
        Means from `BEFORE_BINS` before the drop was noticed on [s, Pa], and where a shot was under way.
    from_pa, low_pa : float
        What it fell from, and its bottom as far as that is known [Pa].
    noise_pa : float
        Noise of a mean [Pa].
    """
    t, course, size = t_s[~shot], p_pa[~shot], from_pa - low_pa
    steady = course[-STEADY_BINS:]
    if course.size < STEADY_BINS or shot[-1] or np.ptp(steady) > max(STEADY_SHARE * min(size, LARGE_PA), STEADY_SIGMA * noise_pa):
        return None
    level, high = float(np.median(steady)), min(float(course[: BEFORE_BINS + 1].max()), from_pa + size)
    begin = int(np.flatnonzero(course >= high - 0.1 * (high - level))[-1])
    seen = not shot[t_s > t[begin]].any()  # shots before it hide nothing
    low = min(low_pa, float(steady.min())) if seen else level
    fell = begin + int(np.argmax(course[begin:] < high - 0.9 * (high - low)))
    # By the slow course: a valve that opens fast shows a deeper dip for an instant, and is still open.
    lowest_pa = float(np.convolve(course[begin:], np.full(REBOUND_BINS, 1.0 / REBOUND_BINS), "valid").min())
    rebound = level - lowest_pa if seen else 0.0
    up = rebound > max(REBOUND_SHARE * size, STEADY_SIGMA * noise_pa)
    return Settled(
        began_s=float(t[begin]),
        took_s=float(t[fell] - t[begin]),
        seen=seen,
        eased=seen and eases(high - course[begin : fell + 1]),
        let_go_s=float(t[np.flatnonzero(course < lowest_pa + 0.5 * rebound)[-1]]) if up else None,
    )


def shut_at_once(p_pa: Floats, shot: NDArray[np.bool_], size_pa: float, noise_pa: float) -> bool:
    """Whether a valve was shut by the last bin, long after a shot: the line jumps up, as where a regulator is turned it does not."""
    jump_pa = float(p_pa[-1] - p_pa[-1 - JUMP_BINS])
    return jump_pa > max(JUMP_SHARE * size_pa, STEADY_SIGMA * noise_pa) and not shot[-STEADY_BINS:].any()


def emptying_since(t_s: Floats, p_pa: Floats, from_pa: float) -> float | None:
    """When a line began to fall that falls still, as towards nothing [s]; None where it does not. The readings are those of `settled`."""
    high = max(from_pa, float(p_pa[: BEFORE_BINS + 1].max()))
    begin = int(np.flatnonzero(p_pa >= high - BEGINS * (high - p_pa[-1])).max(initial=0))
    k = p_pa.size - 1
    apart = (k - begin) // 2
    if apart < EMPTIES_BINS:
        return None
    first, middle, last = (float(p_pa[max(at - MEAN_BINS, 0) : at + 1].mean()) for at in (k - 2 * apart, k - apart, k))
    slows = (first - middle) - (middle - last)
    stays = slows > 0.0 and last - (middle - last) ** 2 / slows > EMPTY_AT * from_pa
    return None if stays or middle - last < FALLS_STILL * from_pa else float(t_s[begin])
