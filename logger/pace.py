"""The pace of a device: most sample by a timer, so that their time stamps are a sequence, and one that is off it was damaged."""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

LEARNED: Final = 32  # steps after which a pace may be known
AGAIN: Final = 256  # steps after which it is found anew
EVEN: Final = 0.02  # steps of a timer differ by less than this share of the period
MOSTLY: Final = 0.9  # of the steps must be even; a damaged one may be among them
OFF: Final = 0.1  # a stamp further than this share of a period from its place is off; or further than others by far:
SPREADS: Final = 5.0
FORGET_AFTER: Final = 3  # so many stamps in a row that are off are no damage but another pace
COUNTED: Final = 100  # over more periods the pace is not known well enough to say


@dataclass(slots=True)
class Pace:
    """Learns the period of a device that samples evenly, and says which steps fit it.

    Attributes
    ----------
    period_s : float
        Time from reading to reading [s]; NaN while it is unknown or uneven.
    """

    period_s: float = math.nan
    _slack_s: float = 0.0
    _steps: deque[float] = field(default_factory=lambda: deque(maxlen=64))
    _new: int = 0
    _refused: int = 0

    @property
    def known(self) -> bool:
        """Whether there is a pace."""
        return not math.isnan(self.period_s)

    def learn(self, steps_s: NDArray[np.float64], unit_s: float) -> None:
        """Take in steps between readings that were accepted."""
        self._refused = 0
        self._steps.extend(steps_s[-64:].tolist())
        self._new += steps_s.size
        if len(self._steps) < LEARNED or self._new < (AGAIN if self.known else LEARNED):
            return
        self._new = 0
        steps = np.array(self._steps)
        period = float(np.sort(steps)[steps.size // 4])  # lost lines make some steps longer
        turns = np.rint(steps / period)
        near = np.abs(steps - turns * period) <= EVEN * period + unit_s
        even = bool(near.mean() >= MOSTLY)
        self.period_s = float(steps[near].sum() / turns[near].sum()) if even else math.nan
        if even:
            spread = float(np.abs(steps - turns * self.period_s)[near].max())
            self._slack_s = min(OFF * self.period_s, SPREADS * spread + 2.0 * unit_s)

    def is_next(self, steps_s: NDArray[np.float64]) -> bool:
        """Whether each step is that to the very next reading; True while no pace is known."""
        return not self.known or bool((np.abs(steps_s - self.period_s) <= self._slack_s).all())

    def fits(self, step_s: float) -> bool:
        """Whether a step is some whole number of periods; True while no pace is known, or for long steps."""
        if not self.known or step_s > COUNTED * self.period_s:
            return True
        turns = max(round(step_s / self.period_s), 1)
        return abs(step_s - turns * self.period_s) <= self._slack_s + turns * 1e-4 * self.period_s

    def refuse(self) -> None:
        """Note that a reading was refused for being off; the pace is forgotten when that goes on."""
        self._refused += 1
        if self._refused >= FORGET_AFTER:
            self.period_s = math.nan
            self._steps.clear()
            self._refused = self._new = 0
