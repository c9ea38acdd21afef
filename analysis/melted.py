"""Bursts that melt into one slope, as on a receiver or far from the tool: looked at again as a whole, when the line's shots are known.

What begins with a fall and is over is kept, shots or air drawn, as means over a few readings. Where the shots told in it do not explain
how far the line goes down, and the shape of shots is known by then, a train of them is laid over it (`trains.py`). It counts where it is
sure how many they are, at an even pace, and where they explain it better than anything smoother: an air draw is smooth.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from analysis.overlapping import NODE_S, SLOPES_AFTER_S, SLOPES_BEFORE_S, Shape, means, parts, slopes_leave
from analysis.record import Event, Shot, times_named
from analysis.recovered import RECOVERED, recovery
from analysis.trains import PACES_S, fit_train
from analysis.triggers import Widths

Floats = NDArray[np.float64]

BEFORE_S, QUIET_S = 0.8, 0.9  # looked at before the first fall, and after the last
MARKED = 0.75  # of the width of the widest filter: so long before its mark a fall begins, about
SINKS_S, SINKS_ON_S = 0.1, 0.3  # means over so long, so far apart, differ by such a share of the usual dip where it still sinks
AFTER_S = 0.4  # and kept, after the line is lowest
LONGEST_S = 5.0  # of a stretch, from its first fall
BIN_S = 0.012
UNLIKE = 0.03  # of the dip: so much one shot differs from another, at any time in it
KEPT = 64  # stretches, until the shape of shots is known
LEFT_OVER, ALL_LEFT = 0.6, 1.5  # of the usual dip: how far the line is below what the shots told explain; and where none is
LOW = 0.25  # and how little above its lowest it still counts as there
SEVERAL = 2.0  # by so much more, the reader is told
CLEAR_SIGMA = 6.0  # of the noise of such means: so far down it goes, at least, while no shots are known
FEWEST_READINGS = 16
GOOD_S = 0.04  # nine of ten of such shots are told so well, of other simulators' receivers
SAME_S = 0.06  # a fall of the train is a shot that is told
# A train counts with so many shots, so even a pace (its spread as a share), any other number of them so much worse, no worse a fit, and
# by so many variances a shot a better one than anything smoother; and than air drawn through a hose that gives more at first, which
# explains more: of air drawn on other simulators' receivers, none was by more than 1.1.
FEWEST, UNEVEN, MARGIN, BADLY, UNLIKE_SMOOTH, UNLIKE_HOSE = 3, 0.11, 6.0, 1.75, 5.0, 2.0
DRAWN_S, DRAWN_GRID_S = 0.12, 0.04  # from the first fall, within which an air draw like shots would begin; and between times tried
UNSURE_S = 0.15  # what was told as air drawn may have begun so long before or after


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """Readings of what may be a burst: from `BEFORE_S` before its first fall.

    Attributes
    ----------
    t_s, p_pa : ndarray, shape (n,)
        Times [s] and pressure [Pa], means of some readings each.
    noise_pa : float
        Of one of them [Pa].
    begins_s : float
        First fall [s].
    told_s : tuple of float
        Shots told in it [s].
    tried : bool
        Whether it was looked at before, when less was known of the line.
    """

    t_s: Floats
    p_pa: Floats
    noise_pa: float
    begins_s: float
    told_s: tuple[float, ...]
    tried: bool = False

    def goes_lower(self, shape: Shape | None) -> tuple[float, float]:
        """How much lower the line goes than the shots told, each as deep as usual, explain [Pa], and until when [s]."""
        rest = self.p_pa.copy()
        if shape is not None:
            for s in self.told_s:
                rest += shape.dip_pa * np.interp(self.t_s - s, NODE_S * np.arange(shape.lost.size), shape.lost)
        per = max(round(SINKS_S * (self.t_s.size - 1) / float(self.t_s[-1] - self.t_s[0])), 1)
        means = np.convolve(rest, np.ones(per) / per, mode="same")
        means[: per // 2 + 1], means[-(per // 2) - 1 :] = rest.max(), rest.max()
        low = float(means[self.t_s > self.begins_s].min())
        little = LOW * shape.dip_pa if shape is not None else 2.0 * self.noise_pa
        last = int(np.flatnonzero((means < low + little) & (self.t_s > self.begins_s))[-1])
        return float(np.median(rest[self.t_s < self.begins_s]) - low), float(self.t_s[last])


class Melted:
    """Keeps what may be bursts, and tells the shots in them."""

    def __init__(self) -> None:
        self.look_s = np.inf  # when to look whether what has begun is over
        self._begins_s = np.inf
        self._waiting: list[Stretch] = []
        self._bursts: list[list[Shot]] = []
        self._unsolved_s: list[float] = []  # when others begin that may be bursts [s]

    @property
    def from_s(self) -> float:
        """From when on readings are needed [s]; infinite where none are."""
        return self._begins_s - BEFORE_S if self.look_s < np.inf else np.inf

    def note(self, time_s: float) -> None:
        """Take note of a fall, of a shot or of air drawn."""
        if self.look_s == np.inf:
            self._begins_s = time_s
        self.look_s = max(time_s, self._begins_s) + QUIET_S

    def note_mark(self, mark: Floats, w: Widths) -> None:
        """Take note of a mark of the widest filter, whatever it is of: a burst may show in nothing else."""
        if int(mark[1]) == w.lag.size - 1:
            self.note(float(mark[3]) - MARKED * float(w.lag[-1] + w.mean[-1]) * w.step_s)

    def look(self, t: Floats, p: Floats, noise_pa: float, told_s: Sequence[float], gap_s: float, shape: Shape | None) -> None:
        """See whether what has begun is over, and keep it; no reading before `gap_s`, the end of the last gap, belongs to it."""
        begins_s, until_s = self._begins_s, min(self.look_s, self._begins_s + LONGEST_S)
        a, z = (int(i) for i in t.searchsorted([max(begins_s - BEFORE_S, gap_s), until_s]))
        if z - a < FEWEST_READINGS or t[a] > begins_s - 0.5 * BEFORE_S:
            self.look_s = np.inf
            return
        per = max(round(BIN_S * (z - a - 1) / (t[z - 1] - t[a])), 1)
        x, y = means(t[a:z], per), means(p[a:z], per)
        known = tuple(s for s in told_s if s > begins_s - BEFORE_S)
        stretch = Stretch(t_s=x, p_pa=y, noise_pa=noise_pa / per**0.5, begins_s=begins_s, told_s=known)
        low_pa, low_s = stretch.goes_lower(shape)
        enough_pa = CLEAR_SIGMA * stretch.noise_pa * (BIN_S / SINKS_S) ** 0.5 if shape is None else LEFT_OVER * shape.dip_pa
        if until_s < begins_s + LONGEST_S and low_pa > enough_pa and low_s > until_s - QUIET_S:
            self.look_s += SINKS_ON_S
            return
        self.look_s = np.inf
        if low_pa < enough_pa:
            return
        over = x < max(low_s, begins_s) + AFTER_S
        self._waiting = [*self._waiting, replace(stretch, t_s=x[over], p_pa=y[over])][-KEPT:]

    def settle(self, shape: Shape | None, *, last: bool) -> None:
        """Tell the bursts among what was kept, if the shape of shots is known: it may be known better at the `last`."""
        if shape is None:
            return
        waiting = []
        for stretch in self._waiting:
            if stretch.tried and not last:
                waiting.append(stretch)
                continue
            lower = stretch.goes_lower(shape)[0] / shape.dip_pa
            burst = burst_in(stretch, shape) if lower > (LEFT_OVER if stretch.told_s else ALL_LEFT) else []
            if burst:
                self._bursts.append(burst)
            else:
                waiting.append(replace(stretch, tried=True))
                if last and lower > SEVERAL:
                    self._unsolved_s.append(stretch.begins_s)
        self._waiting = waiting

    def with_bursts(self, shots: Sequence[Shot]) -> tuple[Shot, ...]:
        """Shots told one by one, and those of the bursts between them."""
        if not self._bursts:
            return tuple(shots)
        time_s = np.array([s.time_s for s in shots])
        out, done = [], 0
        for burst in sorted(self._bursts, key=lambda b: b[0].time_s):
            a, z = (int(i) for i in time_s.searchsorted([burst[0].time_s - SAME_S, burst[-1].time_s + SAME_S]))
            out += [*shots[done : max(a, done)], *(_as_told(s, shots[a:z]) for s in burst)]
            done = max(z, done)
        return (*out, *shots[done:])

    def explains(self, event: Event) -> bool:
        """Whether an event is but a burst that looked like air drawn."""
        air = event.kind == "air draw"
        return air and any(b[0].time_s - UNSURE_S < event.time_s < b[-1].time_s + UNSURE_S for b in self._bursts)

    def doubts(self, events: Sequence[Event]) -> list[str]:
        """Say which shots were told by bursts as a whole, and where none of `events` but a pump's says why the line went down."""
        said = []
        if self._bursts:
            count = sum(len(b) for b in self._bursts)
            times = times_named(sorted(b[0].time_s for b in self._bursts))
            said.append(
                f"{count} shots are those of {len(self._bursts)} bursts (at {times}) that melt into "
                f"one slope: how many they are shows in the whole of it, when each was is good to about {1e3 * GOOD_S:.0f} ms. "
                "For better, record with the sensor at the tool."
            )
        others = [e for e in events if not e.kind.startswith("pump")]
        left_s = [s for s in self._unsolved_s if not any(e.time_s - UNSURE_S < s < e.until_s + UNSURE_S for e in others)]
        if left_s:
            times = times_named(sorted(left_s))
            said.append(
                f"The line goes lower at {times} than the shots counted there explain: they may be bursts whose shots melt into "
                "one slope where this sensor sits. How many they were cannot be told; to count them, record with the sensor at the tool."
            )
        return said


def burst_in(stretch: Stretch, shape: Shape) -> list[Shot]:
    """The shots of a burst in a stretch; none where those told explain it, or it cannot be told."""
    x, y = stretch.t_s - stretch.t_s[0], stretch.p_pa - stretch.p_pa[0]
    told = [s - float(stretch.t_s[0]) for s in stretch.told_s]
    variance = max(stretch.noise_pa, UNLIKE * shape.dip_pa) ** 2
    onsets, left, margin = fit_train(x, y, shape.lost, shape.dip_pa, stretch.begins_s - float(stretch.t_s[0]), variance)
    if onsets.size < FEWEST or onsets.size <= len(told) or margin < MARGIN:
        return []
    paces = np.diff(onsets)
    if float(paces.std()) > UNEVEN * float(paces.mean()) or not PACES_S[0] < float(paces.mean()) < PACES_S[-1]:
        return []
    first_s, last_s = float(onsets[0]), float(onsets[-1])
    smooth_left = min(
        slopes_leave(x, y, shape.lost, [], first_s - SLOPES_BEFORE_S, last_s + SLOPES_AFTER_S),
        _draw_leaves(x, y, shape.lost, first_s, last_s, hose=False),
    )
    spread = left / max(x.size - 3 - 2 * onsets.size, 1)
    if spread > BADLY * variance:
        return []
    if smooth_left - left < UNLIKE_SMOOTH * onsets.size * spread:
        return []
    if _draw_leaves(x, y, shape.lost, first_s, last_s, hose=True) - left < UNLIKE_HOSE * onsets.size * spread:
        return []
    return _shots(stretch, shape, onsets)


def _draw_leaves(x: Floats, y: Floats, shape: Floats, first_s: float, last_s: float, *, hose: bool) -> float:
    """Sum of squares that air leaves which is drawn for a while, beside a drift: on this line, shots without end of little each.

    The hose may give more before the flow is even, as if a shot of any depth were fired then.
    """
    drawn = NODE_S * np.concatenate([np.cumsum(shape), np.sum(shape) + shape[-1] * np.arange(1, round(float(x[-1]) / NODE_S))])
    at_s = NODE_S * np.arange(drawn.size)
    drift = parts(x, x, shape, [])
    least = math.inf
    for from_s in np.arange(first_s - DRAWN_S, first_s + DRAWN_S, DRAWN_GRID_S):
        opened = np.interp(x - from_s, at_s, drawn, left=0.0)
        begins = [drift, opened, *([np.interp(x - from_s, at_s[: shape.size], shape, left=0.0)] if hose else [])]
        for until_s in np.arange(first_s + DRAWN_S, last_s + SLOPES_AFTER_S, DRAWN_GRID_S):
            columns = np.column_stack([*begins, np.interp(x - until_s, at_s, drawn, left=0.0)])
            fitted, *_ = np.linalg.lstsq(columns, y, rcond=None)
            away = y - columns @ fitted
            least = min(least, float(away @ away))
    return least


def _shots(stretch: Stretch, shape: Shape, onsets: Floats) -> list[Shot]:
    """Read the shots off the fit of all."""
    x, y = stretch.t_s - stretch.t_s[0], stretch.p_pa - stretch.p_pa[0]
    fitted, *_ = np.linalg.lstsq(parts(x, x, shape.lost, onsets.tolist()), y, rcond=None)
    step_s = float(x[1] - x[0])
    shots = []
    for k, onset in enumerate(onsets.tolist()):
        until = float(onsets[k + 1]) if k < onsets.size - 1 else float(x[-1])
        fine = np.arange(onset, until, step_s)
        course = parts(fine, x, shape.lost, onsets.tolist()) @ fitted
        low = int(course.argmin())
        dip = float(course[0] - course[low])
        took = recovery(fine[low:], course[low:], course[0] - (1.0 - RECOVERED) * dip, 0.0, dip, step_s, until_s=until) - onset
        back = math.isfinite(took)
        shots.append(
            Shot(
                time_s=float(stretch.t_s[0]) + onset,
                before_pa=float(stretch.p_pa[0] + course[0]),
                minimum_pa=float(stretch.p_pa[0] + course[low]),
                dip_pa=dip,
                recovery_s=took if back else math.nan,
                censored_s=took if back else until - onset,
                outcome="recovered" if back else "cut off",
            )
        )
    return shots


def _as_told(shot: Shot, told: Sequence[Shot]) -> Shot:
    """A shot of a burst, as it was told by itself where it was and the next did not come before it was over."""
    near = [s for s in told if abs(s.time_s - shot.time_s) < SAME_S]
    if not near:
        return shot
    if near[0].censored_s <= shot.censored_s:
        return near[0]
    before = near[0].before_pa
    return replace(shot, time_s=near[0].time_s, before_pa=before, dip_pa=before - shot.minimum_pa)
