"""A shot whose recovery is still being watched, and how that ends."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from analysis.coarse import near_a_step
from analysis.constants import ATMOSPHERE_ABS_PA
from analysis.held_down import held_down
from analysis.mean_dip import AFTER_S, LEAD_STEPS, LONGEST_S, WATCHED_S, Seen
from analysis.measures import DEEP_SHARE, Fall
from analysis.pump_ripple import without_ripple
from analysis.record import Outcome, Shot
from analysis.recovered import RECOVERED, RIPPLE_SHARE, recovery, recovery_in_ripple
from analysis.sensor_lag import grown, span, unlagged
from analysis.so_far import Found
from analysis.stream import Stream

Floats = NDArray[np.float64]

LONGEST_RECOVERY_S = 60.0
KEPT_S = 0.5  # of the readings before it


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenShot:
    """A shot that has not recovered yet.

    Attributes
    ----------
    found : Found
        The fall.
    drift_pa_per_s : float
        Slope of the line long after the shot before [Pa/s]; NaN where this one came too soon.
    lag_s : float
        Time constant of the sensor [s]; 0 where it is not known.
    """

    found: Found
    drift_pa_per_s: float
    lag_s: float

    @property
    def fall(self) -> Fall:
        """The fall as the sensor shows it."""
        return self.found.fall

    @property
    def true(self) -> Fall:
        """The fall without the sensor's lag."""
        return self.found.true

    def until(self, now_s: float) -> Shot:
        """The shot as it stands at a time."""
        return as_shot(self.true, float("nan"), max(now_s - self.true.time_s, 0.0), "not recovered")

    def recovered(self, stream: Stream, until_s: float, *, closed: bool) -> Shot | None:
        """The shot, if it has recovered by a time; `closed` where what comes next begins then."""
        t, step_s = stream.t_s, stream.step_s
        a, z = (int(i) for i in t.searchsorted([self.true.minimum_s, until_s]))
        level = self.true.before_pa - (1.0 - RECOVERED) * self.true.dip_pa
        p, noise = stream.p_pa[a:z], self.found.noise_pa
        if self.lag_s:
            reach = span(self.lag_s, step_s)
            first = max(a - reach, 0)
            p = unlagged(t[first:z], stream.p_pa[first:z], self.lag_s, reach)[a - first :]
            if not closed:  # the newest readings still wait for those after them
                z -= reach
                p = p[: max(z - a, 0)]
            noise = grown(noise, self.lag_s, step_s)
        # A pump's ripple is no large part of dips as deep as those at a tool, where the hose rings.
        small = self.true.dip_pa < DEEP_SHARE * (self.true.before_pa + ATMOSPHERE_ABS_PA)
        find = recovery_in_ripple if small else recovery
        at = find(t[a : max(z, a)], p, level, noise, self.true.dip_pa, step_s, until_s=until_s if closed else np.inf)
        took_s = at - self.true.time_s
        return as_shot(self.true, took_s, took_s, "recovered") if took_s <= LONGEST_RECOVERY_S else None

    def closed(self, stream: Stream, until_s: float, outcome: Outcome) -> tuple[Shot, float]:
        """The shot at the end of its watch, by which it has recovered or not; and when that was, which a gap may have brought on [s]."""
        gap_s = stream.next_gap(self.fall.time_s)
        if gap_s < until_s:
            until_s, outcome = gap_s, "not recovered"
        if until_s - self.fall.time_s > LONGEST_RECOVERY_S:
            until_s, outcome = self.fall.time_s + LONGEST_RECOVERY_S, "not recovered"
        shot = self.recovered(stream, until_s, closed=True)
        return shot or as_shot(self.true, float("nan"), until_s - self.fall.time_s, outcome), until_s

    def seen(self, stream: Stream, shot: Shot, until_s: float) -> Seen:
        """The shot as it was measured, with the readings around it."""
        lead_s = min(self.fall.time_s, shot.time_s) - LEAD_STEPS * stream.step_s
        until_s = min(until_s, shot.time_s + shot.censored_s + AFTER_S, shot.time_s + LONGEST_S)
        a, z = stream.t_s.searchsorted([lead_s, until_s])
        return Seen(
            shot=shot,
            decided=as_shot(self.fall, np.nan, 0.0, "not recovered"),
            slope_pa_per_s=self.fall.slope_pa_per_s,
            drift_pa_per_s=self.drift_pa_per_s,
            noise_pa=self.found.noise_pa,
            t_s=stream.t_s[a:z].copy(),
            p_pa=stream.p_pa[a:z].copy(),
        )

    def drawn_until(self, stream: Stream, end_s: float) -> float | None:
        """Until when what was taken for a shot was held down by somebody who draws air, if it was [s]."""
        fall = self.fall
        if near_a_step(fall.dip_pa, self.found.noise_pa, self.found.resolution_pa):
            return None  # a step of the resolution turns at once, however the pressure does
        first, a, z = (int(i) for i in stream.t_s.searchsorted([fall.time_s - KEPT_S, fall.time_s, end_s]))
        t, p = stream.t_s[first:z], stream.p_pa[first:z]
        held = held_down(t[a - first :], p[a - first :], fall.before_pa, fall.dip_pa, self.found.noise_pa)
        if held is None:
            return None
        # One swing of a pump's ripple rises as fast as a line that is let go.
        calm = without_ripple(t, p, RIPPLE_SHARE * fall.dip_pa)
        return held_down(t[a - first :], calm[a - first :], fall.before_pa, fall.dip_pa, self.found.noise_pa)


def with_later(seen: Seen, stream: Stream, until_s: float) -> Seen:
    """A shot with the readings that followed those it was measured with, up to a time."""
    a = int(stream.t_s.searchsorted(seen.t_s[-1], "right"))
    z = int(stream.t_s.searchsorted(min(until_s, seen.shot.time_s + WATCHED_S)))
    return replace(seen, later_t_s=stream.t_s[a:z].copy(), later_p_pa=stream.p_pa[a:z].copy())


def as_shot(fall: Fall, recovery_s: float, censored_s: float, outcome: Outcome) -> Shot:
    """A fall that is a shot."""
    return Shot(
        time_s=fall.time_s,
        before_pa=fall.before_pa,
        minimum_pa=fall.minimum_pa,
        dip_pa=fall.dip_pa,
        recovery_s=recovery_s,
        censored_s=censored_s,
        outcome=outcome,
    )
