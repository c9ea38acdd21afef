"""An estimate and its interval: the one shape in which every uncertain number travels."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimate:
    """A value with its 95 % interval.

    Attributes
    ----------
    value : float or None
        Best estimate, in the unit that the owner's name states; None when the data cannot tell.
    low, high : float or None
        Ends of the 95 % interval; None where that end is open or unknown.
    """

    value: float | None
    low: float | None = None
    high: float | None = None

    def map(self, f: Callable[[float], float]) -> Estimate:
        """Apply a monotonic conversion to value and ends; a falling one swaps the ends."""
        value, low, high = (None if x is None else f(x) for x in (self.value, self.low, self.high))
        if low is not None and high is not None and low > high:
            low, high = high, low
        return Estimate(value=value, low=low, high=high)

    def reaching(self, low: float, high: float) -> Estimate:
        """Let a closed interval reach from one value at most to another at least."""
        if self.low is None or self.high is None:
            return self
        return Estimate(value=self.value, low=min(self.low, low), high=max(self.high, high))

    def widened(self, share: float) -> Estimate:
        """Add what is uncertain besides to a closed interval: an independent 95 % half-width, as a share of the value."""
        if self.value is None or self.low is None or self.high is None:
            return self
        low, high = (math.hypot(end - self.value, share * self.value) for end in (self.low, self.high))
        return Estimate(value=self.value, low=self.value - low, high=self.value + high)
