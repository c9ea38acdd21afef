"""Readings that stop at the end of the sensor's range: what is beyond looks like a level that they reach at once and do not leave.

A line comes to rest, or turns at the bottom of a dip, by ever smaller steps, and its noise goes on.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from analysis.jit import jit

Floats = NDArray[np.float64]

CLEAR_STEPS = 4.0  # of the resolution, by which readings come to the end of the range
LONG, FEWEST = 4, 3  # readings there in a row, and times that this is seen

# Slots of the state: the reading before, and the resolution [Pa]; then of the lowest so far, and of the highest with its sign turned: it
# [Pa], readings in a row at it, by how many steps they came to it, and how often they stayed
LAST, RESOLUTION, ENDS, SLOTS = 0, 1, 2, 4
VALUE, RUN, AT_ONCE, STAYED = 0, 1, 2, 3


class Limits:
    """Follow how often the readings stay at the lowest and the highest there was."""

    def __init__(self) -> None:
        self._state = np.zeros(ENDS + 2 * SLOTS)
        self._state[[LAST, RESOLUTION, ENDS + VALUE, ENDS + SLOTS + VALUE]] = np.nan, np.inf, np.inf, np.inf

    def take(self, p_pa: Floats) -> None:
        """Take note of the next readings [Pa]."""
        _follow(p_pa, self._state)

    def doubts(self) -> list[str]:
        """Say where the range ends, and what to do."""
        low, high = (int(self._state[ENDS + side * SLOTS + STAYED]) for side in (0, 1))
        said = []
        if low >= FEWEST:
            said.append(
                f"{low} times the readings stop at their lowest value and stay there: the range of sensor or converter ends there. Dips "
                "that reach it are deeper than told, and recover otherwise than told. Let the range begin lower."
            )
        if high >= FEWEST:
            said.append(
                f"{high} times the readings stop at their highest value and stay there: the range of sensor or converter ends there. "
                "The pressure before a shot is higher than told, dips are deeper and recoveries longer. Let the range go higher."
            )
        return said


@jit
def _follow(p: Floats, state: Floats) -> None:
    last, resolution = state[LAST], state[RESOLUTION]
    for v in p:
        change = abs(v - last)
        if 0.0 < change < resolution:
            resolution = change
        for side in range(2):
            end = ENDS + side * SLOTS
            x = v if side == 0 else -v
            if x > state[end + VALUE]:
                state[end + RUN] = 0.0
                continue
            if x < state[end + VALUE]:
                state[end + VALUE], state[end + RUN], state[end + STAYED] = x, 0.0, 0.0
            state[end + RUN] += 1.0
            if state[end + RUN] == 1.0:
                state[end + AT_ONCE] = change / resolution
            elif state[end + RUN] == LONG and state[end + AT_ONCE] > CLEAR_STEPS:
                state[end + STAYED] += 1.0
        last = v
    state[LAST], state[RESOLUTION] = last, resolution
