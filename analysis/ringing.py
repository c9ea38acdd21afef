"""A hose that rings: which falls after a shot are its own swings, as the air in it bounces between tool and tank."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from analysis.measures import Fall
from analysis.so_far import RING_S, RING_SHARE

Floats = NDArray[np.float64]

SWING_BACK_S = 0.35  # so soon a hose swings back from above where the line stood
# A wide hose straight on a tank overshoots and rings with more than `RING_SHARE` of the dip. Its swings fall from where it had risen to,
# are on the way back within the view, and fall more slowly than a valve lets it.
OVER, RISEN, BACK, SLOWER = 1.2, 0.7, 0.4, 1.25
MUCH_SLOWER, DEEP = 3.0, 0.9  # times as slow; of the dip: a swing that slow is none of a tool, though the shot was fired amid another's
HALF_SWING_S = 0.4  # up, at most: four times 50 m at the speed of sound are one swing; a pump takes longer
# So late no first swing comes; and a later one is less than the one before, which was this share of it at least.
FIRST_SWING_S, FADES = 0.6, 0.5
FEWEST = 3  # such swings are worth a word


class Ringing:
    """Tells swings of the hose from shots, and counts the large ones."""

    def __init__(self) -> None:
        self._large, self._counted_s, self._largest = 0, -np.inf, 0.0

    def swings(self, fall: Fall, last: Fall, t_s: Floats, p_pa: Floats) -> bool:
        """Whether a fall is the hose that rings after the last one.

        Parameters
        ----------
        fall, last : Fall
            The fall, and the last shot or other fall before it.
        t_s, p_pa : ndarray, shape (n,)
            Readings from before the last fall to after this: times [s] and pressure [Pa].
        """
        since_s = fall.time_s - last.time_s
        if since_s > RING_S:
            return False
        below_pa = last.before_pa - fall.minimum_pa
        a, z = t_s.searchsorted([last.minimum_s, fall.time_s], side="right")
        if since_s > FIRST_SWING_S and _furthest_down(p_pa[a:z]) < FADES * fall.dip_pa:
            return False
        # What a hose overshoots it swings back, and goes by less below where the line stood.
        if min(fall.dip_pa, below_pa if since_s < SWING_BACK_S else fall.dip_pa) < RING_SHARE * last.dip_pa:
            return True
        if last.back < OVER or fall.risen < RISEN or fall.back < BACK or fall.fall_s < SLOWER * last.fall_s:
            return False
        if a == z or t_s[highest := a + int(p_pa[a:z].argmax())] > last.minimum_s + HALF_SWING_S:
            return False
        above_pa = float(p_pa[highest]) - last.before_pa
        slow = fall.fall_s > MUCH_SLOWER * last.fall_s and fall.edge_s > MUCH_SLOWER * last.edge_s
        large = below_pa < above_pa or (slow and below_pa < DEEP * last.dip_pa)
        if large and fall.time_s > self._counted_s:
            self._large, self._counted_s = self._large + 1, fall.minimum_s
            self._largest = max(self._largest, fall.dip_pa / last.dip_pa)
        return large

    def doubts(self) -> list[str]:
        """Say that the hose rings strongly, and what to do."""
        if self._large < FEWEST:
            return []
        percent = 100.0 * self._largest
        return [
            f"The hose rings strongly: at least {self._large} swings after shots, of up to {percent:.0f} % of the shot's dip, are not "
            "counted. Within a second of a shot a swing can still be taken for one, or one for a swing: log 200 readings a second or more, "
            "and look at the marks there."
        ]


def _furthest_down(p_pa: Floats) -> float:
    """How far the readings go down from the highest before [Pa]."""
    return float(np.max(np.maximum.accumulate(p_pa) - p_pa, initial=0.0))
