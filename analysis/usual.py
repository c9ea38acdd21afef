"""What is usual on a line, as its last shots show, and what a fall is beside them: too slow for a shot, or too small for one."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterable

from analysis.constants import ATMOSPHERE_ABS_PA
from analysis.events import SAME_FALL_S
from analysis.measures import DEEP_FALL_S, DEEP_SHARE, Fall
from analysis.recovered import RECOVERED

KNOWN, FEWEST = 15, 3  # of the last shots show what is usual, if there are more than so few
SLOWEST_FALL_S, SLOWEST = 0.3, 2.5
HALF_SLOWER = 2.0  # times the usual time to half of the dip
SLOWER, LEAST_SLOW_S, SHARP_S = 3.5, 0.06, 0.04  # times the usual time that a fall takes, but at least so long; and of a line of sharp ones
BACK_SHARE, BURST_S = 0.6, 0.45  # of the dip, regained within the view of it; longest between shots of a burst
LONGEST_LOW_S = 0.3  # of a deep dip, or on a line of sharp ones, unless it
REFILLS, LOWEST_AFTER_S = 0.03, 0.25  # regains this much at once and goes on: a thin hose; what somebody draws keeps it down
LARGE, STAYED_S, STAYS_SHARE = 2.0, 0.5, 0.5  # times the usual dip, of which less than this share of what is usual is regained
SMALL_SHARE = 0.2  # of the shots before: what is smaller is none, unless it is
SHARP, CLEAR_SIGMA, LEAST_SHARE = 1.5, 10.0, 0.04  # hardly slower than they are, so clear, and no smaller than this share of them
PASSED = 4  # clear falls that were too small are worth a word
# Behind a receiver no fall comes back at once, but all take about as long as usual, which is longer than this.
SLOW_S, AS_SLOW, STAYS = 0.05, 1.7, 0.2


class Usual:
    """The last shots of a line, and what they say of a fall."""

    def __init__(self) -> None:
        self._shots: deque[Fall] = deque(maxlen=KNOWN)
        # Clear falls that were too small: how many, when the last was [s], and the sum of what they are of the usual dip.
        self._passed, self._passed_s, self._passed_share = 0, -math.inf, 0.0
        self._slower: deque[Fall] = deque(maxlen=KNOWN + 1)  # falls since the last shot that were too slow beside the shots known

    def __len__(self) -> int:
        return len(self._shots)

    def add(self, shot: Fall) -> None:
        """Learn from a shot."""
        self._shots.append(shot)
        self._slower.clear()

    def forget(self, time_s: float) -> None:
        """Take back what was learnt from the shot at a time, if there was one."""
        self._shots = deque((s for s in self._shots if abs(s.time_s - time_s) > SAME_FALL_S), maxlen=KNOWN)

    @property
    def fall_s(self) -> float:
        """How long a fall takes [s]; there must be shots."""
        return _middle(s.fall_s for s in self._shots)

    @property
    def dip_pa(self) -> float:
        """How deep a shot goes [Pa]; there must be shots."""
        return _middle(s.dip_pa for s in self._shots)

    @property
    def _half_s(self) -> float:
        """How long a shot takes to half of its dip [s]; there must be shots."""
        return _middle(s.half_s - s.time_s for s in self._shots)

    @property
    def _back(self) -> float:
        """Share of the dip that a shot regains within the view of it; bursts hide that of most."""
        return sorted(s.back for s in self._shots)[3 * len(self._shots) // 4]

    def tiny(self) -> list[Fall]:
        """Shots that are none beside the others: the first, of a regulator that hunts."""
        if len(self) <= FEWEST:
            return []
        least_pa = LEAST_SHARE * self.dip_pa
        return [s for s in self._shots if s.dip_pa < least_pa]

    def small(self, fall: Fall, noise_pa: float, *, apart: bool, alone: bool) -> bool:
        """Whether a fall is too small for a shot, and not clearly one by a small tool: as sharp as the others, and all by itself.

        It is by itself where it is apart from the last shot and the line has come back from that. Clear ones that are not as sharp, or
        apart behind a receiver, are counted, for `doubts`.
        """
        if not self._shots:
            return False
        usual_pa = self.dip_pa
        if fall.dip_pa >= SMALL_SHARE * usual_pa:
            return False
        sharp = fall.fall_s < SHARP * self.fall_s and fall.back > RECOVERED
        clear = fall.dip_pa > CLEAR_SIGMA * noise_pa and fall.dip_pa > LEAST_SHARE * usual_pa
        small = not (alone and clear and sharp)
        slow = self.fall_s > SLOW_S and self.fall_s / AS_SLOW < fall.fall_s < AS_SLOW * self.fall_s and fall.back > STAYS
        passed = (alone and fall.back > RECOVERED) or (apart and slow and len(self) >= FEWEST)
        if small and clear and passed and fall.time_s > self._passed_s + SAME_FALL_S:
            self._passed, self._passed_s, self._passed_share = self._passed + 1, fall.time_s, self._passed_share + fall.dip_pa / usual_pa
        return small

    def doubts(self) -> list[str]:
        """Say what was passed over, and what to do."""
        if self._passed < PASSED:
            return []
        percent = 100.0 * self._passed_share / self._passed
        return [
            f"At least {self._passed} falls by themselves, of about {percent:.0f} % of the usual dip, are not counted: they may be shots "
            "of another tool on the line, or puffs of air. To count them, record with the sensor at that tool."
        ]

    def drags(self, fall: Fall) -> bool:
        """Whether a fall is too slow for a shot: a valve that somebody opens, a regulator, an open end."""
        known = len(self) >= FEWEST
        if fall.fall_s > max(SLOWEST_FALL_S, SLOWEST * self.fall_s if known else 0.0):
            return True
        share = fall.dip_pa / (fall.before_pa + ATMOSPHERE_ABS_PA)
        refills = fall.refill > REFILLS and fall.minimum_s < fall.time_s + LOWEST_AFTER_S
        stays_low = fall.low_s > LONGEST_LOW_S and not refills
        # A reflection may deepen a shot that is half way down as soon as usual. Air that somebody lets flow has not come back by then, and
        # nobody opens a valve between the shots of a burst.
        returns = (fall.back > BACK_SHARE and fall.low_s < LONGEST_LOW_S) or (known and fall.time_s < self._shots[-1].time_s + BURST_S)
        deepened = known and returns and fall.half_s - fall.time_s < HALF_SLOWER * self._half_s
        if share > DEEP_SHARE and ((fall.fall_s > DEEP_FALL_S and not refills and not deepened) or stays_low):
            return True
        if not known:
            return False
        usual = self.fall_s
        large = fall.low_s > STAYED_S and fall.dip_pa > LARGE * self.dip_pa
        stays = large and fall.back < STAYS_SHARE * self._back
        slow = fall.fall_s > max(SLOWER * usual, LEAST_SLOW_S) and not deepened
        return (slow or (usual < SHARP_S and stays_low) or stays) and not self._outvoted(fall)

    def _outvoted(self, slower: Fall) -> bool:
        """Whether slower falls have shown what is usual here, and the few shots known, which are then forgotten, were ripple or noise.

        They are more than the shots known, as deep at least, and alike, as draws of air that somebody lets flow are not.
        """
        if not self._slower or slower.time_s > self._slower[-1].time_s + SAME_FALL_S:
            self._slower.append(slower)
        falls, dips = ([getattr(s, of) for s in self._slower] for of in ("fall_s", "dip_pa"))
        alike = max(falls) < AS_SLOW * min(falls) and max(dips) < AS_SLOW * min(dips)
        if len(self._slower) <= max(len(self), FEWEST) or not alike or min(dips) < self.dip_pa:
            return False
        self._shots.clear()
        return True


def _middle(values: Iterable[float]) -> float:
    """Median of a few numbers, without numpy's overhead."""
    known = sorted(values)
    n = len(known)
    return 0.5 * (known[(n - 1) // 2] + known[n // 2])
