"""Times that come in clumps, spread over the time in which the readings were taken.

A USB adapter hands over every 16 ms what has come in since, so a host that stamps what it gets gives several readings almost one
time and then none for a while. The device took them evenly: the last of a clump within one step before its stamp.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from analysis.jit import jit

Floats = NDArray[np.float64]

PAUSE_S = 0.15  # longer, and readings are missing
SMALL, SHARE = 0.2, 0.15  # where so many steps are smaller than this share of the mean, times come in clumps
WITHIN = 0.5  # of the mean step; the stamps of a clump are no further apart, though a line may be missing between them
LONGEST_S, LONGEST_SHARE = 0.01, 0.2  # from the first to the last stamp of a clump, or this share of the time since the one before
LONGEST_PAUSE_S = 1.5  # between clumps so large that each is followed by a pause as of missing readings
FOLLOWED = 500.0  # readings over which the mean step is followed


def clumped_step(t_s: Floats) -> float:
    """Mean step of readings whose times come in clumps [s]; 0 where they do not.

    Parameters
    ----------
    t_s : ndarray, shape (n,)
        The first times of a record [s], strictly ascending.
    """
    steps = np.diff(t_s)
    steps = steps[steps < PAUSE_S]
    if not steps.size:
        return 0.0
    mean = float(steps.mean())
    if float((steps < SMALL * mean).mean()) >= SHARE:
        return mean
    ends = np.flatnonzero(np.diff(t_s) >= PAUSE_S)
    if ends.size < 2 or t_s[ends[-1]] - t_s[ends[0]] > LONGEST_PAUSE_S * (ends.size - 1):
        return 0.0
    mean = float(t_s[ends[-1]] - t_s[ends[0]]) / float(ends[-1] - ends[0])
    return mean if float((steps < SMALL * mean).mean()) >= 1.0 - SHARE else 0.0


class Unclump:
    """Spread clumped times while they come in, the same whatever the size of the blocks; the newest clump waits for its end.

    Parameters
    ----------
    step_s : float
        Mean step to begin with [s].
    """

    def __init__(self, step_s: float) -> None:
        self._state = np.array([step_s, np.nan, np.nan])
        self._t, self._p = np.empty(0), np.empty(0)

    def take(self, t_s: Floats, p_pa: Floats, *, last: bool = False) -> tuple[Floats, Floats]:
        """Give the readings whose clump is complete, with the times at which they were taken.

        Parameters
        ----------
        t_s, p_pa : ndarray, shape (n,)
            The next stamps [s], strictly ascending, and readings [Pa].
        last : bool
            Whether no more will come.
        """
        t, p = np.concatenate([self._t, t_s]), np.concatenate([self._p, p_pa])
        spread = np.empty(t.size)
        n = _spread(t, spread, last, self._state)
        self._t, self._p = t[n:], p[n:]
        return spread[:n], p[:n]

    def doubts(self) -> list[str]:
        """Say nothing: times spread so are as good as even ones."""
        return []


@jit
def _spread(t: Floats, spread: Floats, last: bool, state: Floats) -> int:
    """Fill the times of all complete clumps and return how many readings they hold; the state is step, last stamp and last time [s]."""
    step, stamp, time = state
    i = 0
    while i < t.size:
        j = i + 1
        longest = LONGEST_S
        if stamp < np.inf:
            longest = max(longest, LONGEST_SHARE * min(t[i] - stamp, LONGEST_PAUSE_S))
        while j < t.size and t[j] - t[j - 1] < WITHIN * step and t[j] - t[i] < longest:
            j += 1
        if j == t.size and not last:
            break
        count = j - i
        # All that a clump holds was there when its first reading was stamped, and the last had come within one step before.
        end = t[i]
        if time < np.inf:
            step += min(count / FOLLOWED, 1.0) * (min((t[i] - stamp) / count, 2.0 * step) - step)
            end = min(max(time + count * step, t[i] - step), t[i])
        else:
            time = end - count * step
        apart = min(step, (end - time) / count)
        for k in range(count):
            spread[i + k] = end - (count - 1 - k) * apart
        stamp, time = t[i], end
        i = j
    state[:] = step, stamp, time
    return i
