"""What is known of a line by the time a fall is judged, and what a fall is called that may be one of a shot."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field

import numpy as np

from analysis.mean_dip import Seen
from analysis.measures import Fall
from analysis.usual import Usual

RING_S = 1.5  # for so long after a shot the hose may ring
RING_SHARE = 0.4  # and no swing of it is this large, compared with the dip
RISEN_FROM_GAP, FAINT_SIGMA = 1.4, 6.0


@dataclass(slots=True)
class SoFar:
    """The shots and falls of a line up to now.

    Attributes
    ----------
    last : Fall or None
        The last fall that was told, and up to where its bottom reaches no other can begin: `not_before_s` [s].
    recent_s : deque of float
        When the last shots were [s].
    usual : Usual
        What is usual of them.
    seen : list of Seen
        The last of them with the readings around them.
    fired : int
        How many there were.
    """

    last: Fall | None = None
    not_before_s: float = -np.inf
    recent_s: deque[float] = field(default_factory=lambda: deque(maxlen=16))
    usual: Usual = field(default_factory=Usual)
    seen: list[Seen] = field(default_factory=list)
    fired: int = 0

    def from_gap(self, fall: Fall, gap_s: float, noise_pa: float, step_s: float) -> bool:
        """Whether a fall began in the gap before it, or may be the line that rings from a shot that the gap has swallowed."""
        after_gap_s = fall.time_s - gap_s
        if after_gap_s < 2.0 * step_s:
            return True
        if after_gap_s > RING_S or (self.last is not None and self.last.time_s > gap_s):
            return False
        small = bool(self.usual) and fall.dip_pa < RING_SHARE * self.usual.dip_pa
        return small or fall.dip_pa < FAINT_SIGMA * noise_pa or fall.risen > RISEN_FROM_GAP


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """A fall that may be one of a shot.

    Attributes
    ----------
    fall, true : Fall
        As the sensor shows it, and without the sensor's lag.
    noise_pa, resolution_pa : float
        Noise of the readings, and the step between them [Pa].
    ready : int
        The position up to which marks may count.
    sure : bool
        Whether it stands out of the noise.
    slope : bool
        Whether it goes on as a slope.
    in_burst : bool
        Whether it was found where it overlaps the fall before it.
    """

    fall: Fall
    true: Fall
    noise_pa: float
    resolution_pa: float
    ready: int
    sure: bool = True
    slope: bool = False
    in_burst: bool = False
