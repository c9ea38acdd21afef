"""Clocks: device time stamps become seconds from the first reading, without wraps, resets, jitter or drift.

The device's crystal orders and spaces the readings well but runs fast or slow by up to some 200 ppm; the host's clock is right in
the long run, but a line arrives late by an unknown time that is never negative. So the device's clock is followed, and its rate is
corrected by a line fitted under the arrival times: under, because only delays move them, and only upward.
"""

from __future__ import annotations

import math
import time
from collections import Counter, deque
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

from logger.pace import Pace

Floats = NDArray[np.float64]

SLACK_S: Final = 2.0  # by so much may a time stamp run ahead of the host's clock before it is taken for a mistake or a restart
TIGHT_S: Final = 0.1  # likewise, for a single stamp that jumps and has nothing after it to bear it out
WINDOW_S: Final = 1.0  # of the arrivals in a window the earliest counts
WINDOWS: Final = 600
RATE_PRIOR: Final = 100e-6  # how far crystals of boards usually are off; common practice, no source
LATENCY_NOISE_S: Final = 0.5e-3  # scatter of the earliest arrivals
MOST_DRIFT: Final = 0.02  # a ceramic resonator can be off by half a per cent; more is no clock
STEERING_S: Final = 10.0  # an error of the time is worked off within about this
SETTLING: Final = 60  # windows until the least delay counts as known
BOOT_S: Final = 10.0  # a board that has just started counts at most so much
REORDERED_S: Final = 1.0  # so long late readings may keep coming out of their order
GAP_S: Final = 0.05  # longer than usual by this, and three times as long, a step is a gap
MISDATED: Final = "time stamp fits nothing"
OFF: Final = 0.03  # further than by this share and
OFF_S: Final = 0.3  # this, for as long as
OFF_FOR_S: Final = 5.0  # this, device time is not off by drift or delay: its unit or its board's clock is another one
STALLED_S: Final = 3.0  # device time that falls behind for this long has stood still


def host_seconds() -> float:
    """Seconds of a clock that nobody sets and that goes on while the machine sleeps."""
    if hasattr(time, "CLOCK_BOOTTIME"):
        return time.clock_gettime(time.CLOCK_BOOTTIME)
    return time.monotonic()


@dataclass(slots=True)
class DeviceClock:
    """Time stamps of a device to seconds from the first reading.

    Attributes
    ----------
    unit_s : float
        What one count of the device's time is [s].
    speed : float
        How much faster than life a played recording comes; other than 1, the device's time is taken as it is.
    wraps_at : float
        Count at which the device starts again from 0: 2**32 for integer counters.
    problems : Counter
        Readings left out for their time stamp, and restarts, by the reason.
    rate_correction : float
        By which fraction the device's clock is corrected now; +50e-6 where it runs 50 ppm slow.
    origin_s : float or None
        Host time that is 0 s, for devices that share a time base; without it the first reading is at 0 s.
    times_as_fast : float
        How many times as fast as the host's clock the device's has run, where that can be no drift; else NaN.
    gaps, longest_gap_s : int and float
        Times that the device's own stamps went on by far more than usual, and the longest of these [s].
    """

    unit_s: float
    speed: float = 1.0
    wraps_at: float = 2.0**32
    problems: Counter[str] = field(default_factory=Counter)
    rate_correction: float = 0.0
    origin_s: float | None = None
    times_as_fast: float = math.nan
    gaps: int = 0
    longest_gap_s: float = 0.0
    _pace: Pace = field(default_factory=Pace)
    _usual_s: float = math.nan  # step from reading to reading
    _last: float | None = None  # the last accepted time stamp, as sent
    _device_s: float = 0.0  # the same, unwrapped, from the first
    _time_s: float = 0.0
    _host_s: float = 0.0  # when it arrived
    _host_0: float = 0.0
    _block: tuple[float, float] = (0.0, 0.0)  # device time and arrival of the last reading before the present block
    _suspect: tuple[float, float, float] | None = None  # a time stamp that did not fit, its arrival, and that of the first such
    _earliest: deque[tuple[float, float]] = field(default_factory=lambda: deque(maxlen=WINDOWS))
    _window: tuple[float, float, float, float] | None = None  # device and host time at its start, device time and lag of the earliest
    _level_0: float = math.nan
    _since: tuple[float, float] = (0.0, 0.0)  # device and host time from which on their paces are compared
    _off_since_s: float = math.nan  # host time from which on they have disagreed

    def feed(self, stamps: Floats, host_s: float, *, disturbed: bool = False) -> Floats:
        """Give the time of each reading of a block that arrived at `host_s`.

        Parameters
        ----------
        stamps : ndarray, shape (n,)
            Time stamps as the device sent them.
        host_s : float
            Host's clock when the block was read [s], see `host_seconds`.
        disturbed : bool
            Whether the line has lately brought damaged lines: then a stamp that is off the device's pace, or skips readings without
            being borne out by the next one, is taken for damaged too. A checksum of eight bits lets some of those through.

        Returns
        -------
        ndarray, shape (n,)
            Seconds from the first reading, strictly rising; NaN for readings to be left out (duplicate, or a stamp that fits nothing).
        """
        if stamps.size == 0:
            return np.empty(0)
        if self._last is None:
            self._last, self._host_s = float(stamps[0]), host_s
            self._move_to(self._first_s(stamps, host_s), host_s)
            return np.concatenate(([self._time_s], self.feed(stamps[1:], host_s, disturbed=disturbed)))
        self._block = (self._device_s, self._host_s)
        steps = stamps.copy()
        steps[1:] -= stamps[:-1]
        steps[0] -= self._last
        steps = steps % self.wraps_at * self.unit_s
        steps[0] += self._turns_s(float(steps[0]), host_s)
        device_s = self._device_s + np.cumsum(steps)
        allowed = self._allowed(host_s)
        usual = float(np.sort(steps)[steps.size // 2])  # np.median takes ten times as long for a short block
        even = self._suspect is None and bool((steps > 0).all()) and device_s[-1] - self._device_s <= allowed
        if even and steps.max() <= self._jump_s(usual) and (not disturbed or self._pace.is_next(steps)):
            self._count_gap(float(steps.max()), usual)
            self._pace.learn(steps, self.unit_s)
            self._usual_s = usual if math.isnan(self._usual_s) else self._usual_s + 0.1 * (usual - self._usual_s)
            times = self._corrected(device_s, host_s)
            self._last, self._device_s, self._host_s = float(stamps[-1]), float(device_s[-1]), host_s
            self._time_s = float(times[-1])
            return times
        each = zip(stamps, [*stamps[1:], None], strict=True)
        return np.array([self._one(float(s), host_s, following, disturbed=disturbed) for s, following in each])

    def _count_gap(self, step_s: float, usual_s: float) -> None:
        usual_s = usual_s if math.isnan(self._usual_s) else self._usual_s
        if step_s > max(3.0 * usual_s, usual_s + GAP_S):
            self.gaps += 1
            self.longest_gap_s = max(self.longest_gap_s, step_s)

    def _first_s(self, stamps: Floats, host_s: float) -> float:
        """Time of the first reading: the last of its block has come just now."""
        if self.origin_s is None or self.speed != 1.0:
            return 0.0
        span = (float(stamps[-1]) - float(stamps[0])) % self.wraps_at * self.unit_s
        return max(host_s - self.origin_s - (span if span < SLACK_S else 0.0), 0.0)

    def _turns_s(self, step_s: float, host_s: float) -> float:
        """Whole turns of the device's counter while nothing was heard of it [s]."""
        turn_s = self.wraps_at * self.unit_s
        away_s = host_s - self._host_s
        return turn_s * max(round((away_s - step_s) / turn_s), 0) if self.speed == 1.0 and away_s > 0.5 * turn_s else 0.0

    def _allowed(self, host_s: float, slack_s: float = SLACK_S) -> float:
        """Return how far device time can have gone on since the last reading [s], by the arrival of the block before."""
        device_s, before_s = self._block
        since = (host_s - before_s) * (1.0 if math.isinf(self.speed) else self.speed) * 1.01 + slack_s * max(1.0, self.speed)
        return since - (self._device_s - device_s)

    def _jump_s(self, usual_s: float) -> float:
        """Return the step beyond which a stamp must be borne out by another clock or by the next stamp [s]."""
        usual_s = usual_s if math.isnan(self._usual_s) else min(usual_s, self._usual_s)
        return max(20.0 * usual_s, TIGHT_S)

    def _borne_out(self, stamp: float, following: float | None, step_s: float, host_s: float, *, disturbed: bool) -> bool:
        """Tell lost lines from a damaged stamp: after lost lines the next stamp goes on from this one."""
        if step_s <= self._jump_s(step_s) and (not disturbed or self._pace.is_next(np.array([step_s]))):
            return True
        if following is None:
            return step_s <= self._allowed(host_s, TIGHT_S)
        ahead_s = (following - stamp) % self.wraps_at * self.unit_s
        return 0.0 < ahead_s <= self._jump_s(step_s) and (not disturbed or self._pace.fits(ahead_s))

    def _goes_on(self, stamp: float) -> bool:
        """Whether a stamp goes on from the last one that was refused, so that both were right: the device has paused."""
        if self._suspect is None:
            return False
        step_s = (stamp - self._suspect[0]) * self.unit_s
        return 0.0 < step_s <= 3.0 * self._pace.period_s and self._pace.fits(step_s)

    def _one(self, stamp: float, host_s: float, following: float | None, *, disturbed: bool) -> float:
        assert self._last is not None
        step = (stamp - self._last) % self.wraps_at * self.unit_s
        step += self._turns_s(step, host_s)
        if step == 0.0:
            self.problems["same time twice"] += 1
            return math.nan
        fits = step <= self._allowed(host_s) and (stamp > self._last or self._wraps(stamp))
        on_pace = (not disturbed or self._pace.fits(step)) and self._borne_out(stamp, following, step, host_s, disturbed=disturbed)
        if fits and (on_pace or self._goes_on(stamp)):
            self._count_gap(step, step)
            if self._suspect is None:
                self._pace.learn(np.array([step]), self.unit_s)
            self._suspect = None
            time_s = float(self._corrected(np.array([self._device_s + step]), host_s)[0])
            self._last, self._device_s, self._host_s, self._time_s = stamp, self._device_s + step, host_s, time_s
            return time_s
        suspect, self._suspect = self._suspect, (stamp, host_s, host_s)
        self.problems[MISDATED] += 1
        if fits and disturbed and self._pace.known:
            self._pace.refuse()
            return math.nan  # it may follow the last one, so the board has not started again
        if suspect is None or not 0 < (stamp - suspect[0]) * self.unit_s <= (host_s - suspect[1]) * self.speed + SLACK_S * self.speed:
            return math.nan  # one that fits nothing may be damaged; only a second one that goes on from it makes it a restart
        since = suspect[2]
        self._suspect = (stamp, host_s, since)
        if not self._may_be_new(stamp, host_s) and host_s - since < REORDERED_S:
            return math.nan  # readings that come late, out of their order, soon end; a clock that was set goes on
        return self._restart(stamp, host_s)

    def _may_be_new(self, stamp: float, host_s: float) -> bool:
        """Whether a board that started again since its last reading can show this: it counts from 0."""
        away_s = (host_s - self._host_s) * self.speed
        return math.isinf(self.speed) or stamp * self.unit_s <= away_s + BOOT_S * max(self.speed, 1.0)

    def _wraps(self, stamp: float) -> bool:
        """Whether a smaller stamp can be a counter that wrapped: the last one was near the end, or time enough has passed."""
        assert self._last is not None
        return not math.isinf(self.speed) or (self._last > 0.9 * self.wraps_at and stamp < 0.1 * self.wraps_at)

    def _restart(self, stamp: float, host_s: float) -> float:
        """Go on after the board has started again: from here the host's clock says how much time has passed."""
        self.problems[MISDATED] -= 2  # this one is right, and so was the one before, though it is left out
        self.problems["device restarted"] += 1
        gap = max(host_s - self._host_s, 0.0)
        gap = gap * self.speed if math.isfinite(self.speed) else 0.0
        # Never before what is recorded already; the arrival is late by a little, as all are.
        self._move_to(self._time_s + max(gap, 1e-3), host_s)
        self._last, self._suspect = stamp, None
        return self._time_s

    def _move_to(self, time_s: float, host_s: float) -> None:
        """Begin anew at a time given by the host's clock."""
        self._time_s, self._device_s, self._host_s = time_s, time_s, host_s
        self._block = (time_s, host_s)
        self._host_0 = host_s - time_s if self.origin_s is None else self.origin_s
        self._earliest.clear()
        self._window = None
        self._level_0 = math.nan if self.origin_s is None else 0.0
        self.rate_correction = 0.0
        self._since, self._off_since_s = (time_s, host_s), math.nan

    def _compare(self, device_s: float, host_s: float) -> None:
        """Notice a device whose time goes at quite another pace than time."""
        gone, passed = device_s - self._since[0], host_s - self._since[1]
        if abs(gone - passed) <= OFF * passed + OFF_S:
            self._off_since_s = math.nan
        elif math.isnan(self._off_since_s):
            self._off_since_s = host_s
        elif host_s - self._off_since_s > OFF_FOR_S:
            self.times_as_fast = gone / passed

    def _corrected(self, device_s: Floats, host_s: float) -> Floats:
        """Times of the readings, the device's rate put right by the earliest arrivals."""
        if self.speed != 1.0:
            return self._time_s + (device_s - self._device_s)
        times = self._time_s + (device_s - self._device_s) * (1.0 + self.rate_correction)
        stood_still = self._note(float(device_s[-1]), float(times[-1]), host_s)
        if stood_still:
            self._since, self._off_since_s = (float(device_s[-1]), host_s), math.nan
        self._compare(float(device_s[-1]), host_s)
        return times + stood_still

    def _note(self, device_s: float, time_s: float, host_s: float) -> float:
        """Note an arrival; return by how much the device's time has stood still, mostly 0 [s]."""
        lag = host_s - self._host_0 - device_s
        if self._window is None:
            self._window = (device_s, host_s, device_s, lag)
        start, since, at, least = self._window
        if lag < least:
            at, least = device_s, lag
        self._window = (start, since, at, least)
        if device_s - start < WINDOW_S:
            return 0.0
        self._window = (device_s, host_s, device_s, lag)
        usual = self._earliest[-1][1] if self._earliest else 0.0
        if least - usual > STALLED_S:
            # A backlog after a pause of the host comes in faster than life; a device that slept comes in at life's pace.
            if host_s - since < 0.9 * (device_s - start):
                return 0.0
            self.problems["device's clock stood still"] += 1
            self._host_0 += least - usual
            self._earliest.clear()
            self._level_0 = math.nan if self.origin_s is None else 0.0
            return least - usual
        self._earliest.append((at, least))
        self._fit(device_s, time_s)
        return 0.0

    def _fit(self, device_s: float, time_s: float) -> None:
        """Fit the line under the arrivals and steer the times towards it."""
        if len(self._earliest) < 3:
            return
        x, y = np.array(self._earliest).T
        keep = np.ones(x.size, dtype=bool)
        slope = level = 0.0
        for _ in range(4):
            xm, ym = x[keep].mean(), y[keep].mean()
            dx = x[keep] - xm
            slope = float(dx @ (y[keep] - ym)) / (float(dx @ dx) + (LATENCY_NOISE_S / RATE_PRIOR) ** 2)
            level = float(ym - slope * xm)
            above = y - level - slope * x
            # Late windows lie above the line, so they go; those near it or below define it.
            following = above <= max(LATENCY_NOISE_S, float(np.median(above[keep])))
            if (following == keep).all() or following.sum() < 3:
                break
            keep = following
        if self.origin_s is None and (len(self._earliest) < SETTLING or math.isnan(self._level_0)):
            self._level_0 = level  # the least delay there is, which is in every stamp and so in none
        target = device_s + slope * device_s + level - self._level_0
        self.rate_correction = float(np.clip(slope + (target - time_s) / STEERING_S, -MOST_DRIFT, MOST_DRIFT))


@dataclass(slots=True)
class HostClock:
    """Times for devices that send none: when the lines arrived, spread evenly over a block.

    Attributes
    ----------
    rate_hz : float or None
        Lines a second if the device says so; else it is found from the arrivals.
    speed : float
        How much faster than life a played recording comes.
    origin_s : float or None
        Host time that is 0 s, for devices that share a time base; without it the first reading is at 0 s.
    """

    rate_hz: float | None = None
    speed: float = 1.0
    origin_s: float | None = None
    _last_s: float | None = None
    _host_0: float = 0.0
    _period_s: float | None = None

    def feed(self, count: int, host_s: float) -> Floats:
        """Give the times of `count` readings of which the last arrived at `host_s` [s, strictly rising]."""
        if count == 0:
            return np.empty(0)
        if self._last_s is None:
            self._period_s = 1.0 / self.rate_hz if self.rate_hz else None
            span = (count - 1) * (self._period_s or 1e-3)
            alone = self.origin_s is None or self.speed != 1.0
            self._host_0 = host_s - span / self.speed if alone else self.origin_s or 0.0
            first = 0.0 if alone else max(host_s - self._host_0 - span, 0.0)
            self._last_s = first + span
            return first + np.linspace(0.0, span, count)
        now = max((host_s - self._host_0) * self.speed, self._last_s + 1e-6 * count)
        even = (now - self._last_s) / count
        if self.rate_hz is None:
            # After a pause the first interval says nothing of the rate.
            usual = self._period_s or even
            self._period_s = usual + 0.05 * (min(even, 3.0 * usual) - usual)
        period = min(self._period_s or even, even)
        times = now - period * np.arange(count - 1, -1, -1.0)
        self._last_s = float(times[-1])
        return times
