"""An estimate and its interval: the one shape in which every uncertain number travels."""

from __future__ import annotations

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
