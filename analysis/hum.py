"""Hum near half the rate of the readings, which makes them swing up and down from one to the next and hides shots.

Such a swing can be told from noise: the change from one reading to the next is undone by the change after it nearly wholly, where readings
whose noise is their own undo one half, and a line that moves none.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from analysis.jit import jit
from analysis.units import significant

Floats = NDArray[np.float64]

UNDONE = 0.66  # of a change, on average, by the next: noise undoes 0.50 of it, hum at 0.4 to 0.6 of the rate 0.8 to 1
FEWEST = 256  # changes that tell
LEAST_PA = 500.0  # a smaller swing hides no more than the noise of most sensors
LARGEST, FOLLOWED = 4.0, 512.0  # times the usual change that a change counts for, so that shots do not; followed over so many readings


class HumWatch:
    """Follow how much of a change between readings the next undoes."""

    def __init__(self) -> None:
        self._state = np.array([np.nan, np.nan, 0.0, 0.0, 0.0, 0.0])

    def take(self, p_pa: Floats) -> None:
        """Take note of the next readings [Pa]."""
        _follow(p_pa, self._state)

    def doubts(self, step_s: float) -> list[str]:
        """Say what readings so far apart [s] show, and what to do."""
        undone, power, count = self._state[-3:].tolist()
        if count < FEWEST or undone < UNDONE * power:
            return []
        swing_pa = math.sqrt(power / count / 2.0)  # a swing there and back changes by twice its size, of which this is the usual
        if swing_pa < LEAST_PA:
            return []
        swing, rate = significant(swing_pa / 1e3, 2), significant(1.0 / step_s, 3)
        return [
            f"Readings swing up and down by {swing} kPa from one to the next, as mains hum of 50 or 60 Hz does near half of {rate} "
            "readings a second. Shots beneath it are missed or told early, and dips are unsure. Log 400 times a second or more, where hum "
            "can be taken out, or keep it from the sensor: shield its cable, try another supply."
        ]


@jit
def _follow(p: Floats, state: Floats) -> None:
    """Sum up; the state is the last reading, the last change, the usual one, then what was undone, the squares, and the count."""
    last, before, usual, undone, power, count = state[0], state[1], state[2], state[3], state[4], state[5]
    for v in p:
        change = v - last
        last = v
        size = abs(change)
        if size < np.inf:
            usual += (min(size, LARGEST * usual) - usual) / FOLLOWED if usual > 0.0 else size
            change = min(max(change, -LARGEST * usual), LARGEST * usual)
            if abs(before) < np.inf:
                undone -= change * before
                power += change * change
                count += 1.0
            before = change
    state[:] = last, before, usual, undone, power, count
