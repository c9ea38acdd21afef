"""How a line went from one level to another: as a hand turns a regulator, at once as a valve is opened, or as one that drifts anyway."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis import rests

Floats = NDArray[np.float64]

BEGINS, ENDS = 0.1, 0.9  # of the change
TURN_S = 0.55  # a regulator is turned, or drained through a leak, in more than this; a valve opens faster
HALF_TURN_S = 5.0  # and half of it in less than this
HALF_WAY, EASED = 0.6, 0.53  # of a change is reached by this share of its time: 0.67 where it goes evenly, 0.4 as it decays
BEGUN, DRIFTS = 0.1, 0.15  # of a change, seen before shots hide it; and of it, so much at the slope before or after by the time it is half
STARTS_BINS, DRIFT_BINS = 6, 20  # that slope is read so long before it, over so many


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """A change of level.

    Attributes
    ----------
    time_s, until_s : float
        When it began, and when it was nearly done [s].
    eased : bool
        Whether it slowed down from early on, as where a valve was opened or shut, and no shot hid that.
    """

    time_s: float
    until_s: float
    eased: bool


def level_change(t_s: Floats, p_pa: Floats, busy: Floats, left: int, from_pa: float, to_pa: float) -> Change | None:
    """Time a change of level, and say how it went; None where it was too slow for a hand, or the line was moving all the time.

    Parameters
    ----------
    t_s, p_pa, busy : ndarray, shape (n,)
        Means over `rests.BIN_S` up to where the line rests at the other level [s, Pa], and 0 where no shot or the like was under way.
    left : int
        The first that was off the level before.
    from_pa, to_pa : float
        The two levels [Pa].
    """
    size = to_pa - from_pa
    share, quiet = (p_pa - from_pa) / size, busy == 0.0
    begin = int(np.flatnonzero(share[: left + rests.OFF_BINS] < BEGINS).max(initial=0))
    end, half = (begin + int(np.argmax(quiet[begin:] & (share[begin:] >= by))) for by in (ENDS, 0.5))
    half_s = max(float(t_s[half] - t_s[begin]), rests.BIN_S)
    hidden = np.flatnonzero(~quiet[begin : half + 1])
    seen = begin + int(hidden[0]) - 1 if hidden.size else half
    if half_s > HALF_TURN_S or share[seen] < BEGUN:
        return None
    before = max(begin - STARTS_BINS, 0)
    shots = np.flatnonzero(~quiet[:before])
    rested = max(before - DRIFT_BINS, int(shots[-1]) + 1 if shots.size else 0)
    for a, z in ((rested, before), (p_pa.size - rests.REST_BINS - 1, p_pa.size)):
        if z - a >= DRIFT_BINS // 2 and _slope(share[a:z]) * half_s > DRIFTS:
            return None
    eased = float(t_s[end] - t_s[begin]) < TURN_S or eases(share[begin : end + 1])
    began_s = float(t_s[begin]) - half_s * BEGINS / (0.5 - BEGINS)
    return Change(time_s=began_s, until_s=float(t_s[end]), eased=eased and bool(quiet[begin:end].all()))


def eases(change: Floats) -> bool:
    """Whether a change that begins at 0 slows down from early on, as where a valve was opened or shut, and not as a hand turns."""
    return bool(np.argmax(change >= HALF_WAY * change[-1]) < EASED * (change.size - 1))


def _slope(values: Floats) -> float:
    """Slope between the halves of some bins [1/s]."""
    half = values.size // 2
    return float(values[-half:].mean() - values[:half].mean()) / ((values.size - half) * rests.BIN_S)
