"""Weighing what the first pass has marked: which mark is a fall of its own, how it is best measured, and whether it stands out."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from analysis import triggers
from analysis.burst_search import BurstSearch
from analysis.coarse import near_a_step, smears
from analysis.constants import ATMOSPHERE_ABS_PA
from analysis.faint_fall import FaintFall, falling, fit_faint_fall
from analysis.measures import DEEP_SHARE, Fall, measure, on_slope
from analysis.melted import Melted
from analysis.overlapping import CLOSEST_S
from analysis.pump_ripple import MOST_RIPPLE
from analysis.rounded_fall import RoundedFalls
from analysis.sensor_lag import grown, span, unlagged
from analysis.slow_falls import SlowFalls
from analysis.so_far import FAINT_SIGMA, RING_S, RING_SHARE, Found, SoFar
from analysis.stream import VIEW_S, Stream, View
from analysis.swings import comes_back, lost_pa_s, slides, swing_s

Floats = NDArray[np.float64]

GOES_ON = -0.4  # of the dip: further down than its fitted bottom at the end of the view
BESIDE_S = 0.06
BRIEF_SIGMA = 9.0
LEAST_SIGMA, LEAST_STEPS, SURE_SIGMA, LEAST_PA = 2.8, 1.5, 8.0, 600.0
# What a dip loses, summed over time: less than any of 17 000 simulated shots does, at the tool or on a receiver (93 Pa s, as depth times
# the time that it stays low). What a radio leaves in the readings as it pulls the supply of its logger down is less, and so is what a few
# readings leave that lie far off.
LEAST_PA_S = 90.0
SURE_FIT = 8.0  # so sure is a fit of the whole fall, where noise smears the steps of the resolution
DITHER_SEEN, SLOPE_SIGMA = 0.6, 40.0  # noise over the resolution, and dip over the noise, between which a straight slope can be told
UNSURE_FIT = 4.0  # standard deviations of a fit; less is the noise or ripple that it was made in
CLOSE_STEPS_S = 0.2
TREAD_S, TREAD_SHARE = 0.04, 0.4  # between two falls of a staircase the means over so long fall less than this share of the steepest
# A wide fall of less than so many times the noise of the means that it was seen in is fitted as a whole, from so long before it on and
# until so long after it (a short dip is over sooner), and must be so sure, and so much unlike a slope.
FAINT, FAINT_BEFORE_S, FAINT_AFTER_S, SURE_FAINT, UNLIKE_LINE = 16.0, 0.3, (0.12, 0.0), 6.0, 2.5
FAINT_VIEW_S, FAINT_END_S = 0.45, 0.15  # where it stands so long after it shows whether it goes on falling
BURST_FAINT_S = 0.45  # the falls of a burst follow each other so closely that they look like a slope, where the line would recover
SMEARED_STEPS = 0.7  # noise shows dips of less than a step
ROUNDED_STEPS = 0.5  # at least has one that rounded readings show
# A fall of few steps is weighed as rounded readings, seen until so long after it, and from when on the line has come back from the last
# shot, but from so long before it at least. A narrower mark of a wide one is no larger than this times that, and none as large follows so
# long after it or later, as in a burst, of which the wide sees two. Where another mark follows, it is seen until it is over and
# so long after.
NEAR_AFTER_S, BACK_S, LEVEL_S, NO_LARGER, AGAIN_S, OVER_S = 0.45, 0.3, 0.15, 1.1, 0.1, 0.05
NOISY, SLOW_FALL_S = 9.0, 0.1  # dips of less than so many times the noise, that take longer, begin where their readings do not tell
FILLS_S = 0.5  # after a shot a line that still rises does so because it is filled
SEES = 3.0  # times what the widest filter has seen of it, no shot is deeper
LARGER = 2.0  # times a swing of the hose is the shot after it, at least


class Weighing:
    """Weighs marks in order of time.

    Parameters
    ----------
    stream : Stream
        The readings and their marks.
    so_far : SoFar
        What is known of the line; whoever takes a fall for a shot notes it there before the next is asked for.
    lag_s : float
        Time constant of the sensor's first-order response [s]; 0 where it is not known.
    """

    def __init__(self, stream: Stream, so_far: SoFar, lag_s: float) -> None:
        self._stream, self._so_far, self._lag_s = stream, so_far, lag_s
        self._bursts = BurstSearch(stream, so_far)
        self._noise_pa, self._resolution_pa = 0.0, 0.0  # at the mark weighed last
        self._rounded_falls, self._slow_falls = RoundedFalls(), SlowFalls()
        self._before_s = -np.inf  # top of the last faint fall [s]
        self._sharper = -np.inf, 0.0  # top of the last narrower mark [s], and its size [Pa]

    def look(self, at_s: float) -> Iterator[Found]:
        """Find shots about a time that overlap others."""
        return self._bursts.look(at_s, self._noise_pa, self._resolution_pa)

    def look_again(self, melted: Melted) -> None:
        """Look whether what has begun is over, and may be a burst that melts into one slope."""
        self._bursts.look_again(melted, self._noise_pa)

    def settle(self, melted: Melted) -> None:
        """Tell the bursts among what was kept, at the end."""
        self._bursts.settle(melted)

    def weigh(self, mark: Floats) -> Iterator[Found]:
        """Find the fall that a mark is of, if it is one of its own, or those of a burst that together look like it."""
        self._noise_pa, self._resolution_pa = float(mark[6]), float(mark[9])
        before = self._so_far.last
        yield from self._weigh(mark)
        if self._so_far.last is before and int(mark[1]) == self._stream.widths.lag.size - 1:
            yield from self.look(float(mark[3]))

    def _weigh(self, mark: Floats) -> Iterator[Found]:
        w, so_far = self._stream.widths, self._so_far
        top_s, size, noise, resolution = float(mark[3]), float(mark[4]), float(mark[6]), float(mark[9])
        lag = float(w.lag[int(mark[1])]) * w.step_s
        if self._stale(mark):
            return
        seen = self._stream.view(top_s)
        view, noise = seen.calm(max(size, self._least(top_s, noise)), noise, resolution)
        ripple = float(mark[10]) if view is seen else noise
        faint = self._faint(mark, view, noise)
        if faint is not None:
            yield from faint
            return
        until = self._ends(mark, view, noise)
        earliest = max(so_far.not_before_s, view.gap_s)
        a, z = int(view.t_s.searchsorted(earliest)), int(view.t_s.searchsorted(until, side="right"))
        t, p = view.t_s[a:z], view.p_pa[a:z]
        fall = measure(t, p, top_s, lag, noise, size, w.step_s, earliest, until, self._least(top_s, noise), ripple)
        elsewhere = fall is None or fall.half_s > top_s + BESIDE_S or (fall.sure > 0.0 and fall.time_s > top_s)
        unsure = fall is None or significance(fall, noise, resolution, w.step_s) < SURE_SIGMA or _brief(t, p, fall)
        near = near_a_step(size, noise, resolution)
        if near and (fall is None or elsewhere or unsure or near_a_step(fall.dip_pa, noise, resolution)):
            rounded = self._rounded(mark, view, noise)
            if rounded or unsure:
                yield from rounded
                return
        if fall is None or elsewhere:
            return  # nothing, or another fall, which has a mark of its own
        if self._swings_before(fall, mark, view.ready) or self._from_gap(fall, view, noise):
            return
        small = fall.dip_pa < MOST_RIPPLE * (fall.before_pa + ATMOSPHERE_ABS_PA)
        if small and swing_s(view.t_s, view.p_pa, fall.half_s, 2.0 * CLOSEST_S, fall.before_pa, fall.dip_pa, noise, w.step_s) < CLOSEST_S:
            return  # the ripple of a pump
        # In a burst the line before a fall is the bent recovery from the last, and no slope; nor do a few steps show one.
        apart = so_far.last is None or fall.time_s - so_far.last.time_s > BURST_FAINT_S
        true = on_slope(t, p, fall) if fall.sure > 0.0 and apart and not near else fall
        if fall.dip_pa < NOISY * noise and fall.fall_s > SLOW_FALL_S and not near:
            true = self._slow_falls.laid(view.t_s, view.p_pa, fall, noise, self._filled_s(), until)
        if self._lag_s:
            sharper = unlagged(t, p, self._lag_s, span(self._lag_s, w.step_s))
            known = grown(noise, self._lag_s, w.step_s)
            found = measure(t, sharper, top_s, lag, known, size, w.step_s, earliest, until)
            # A slow sensor begins to move with the pressure, however slowly: the onset is the one it shows.
            true = replace(found, time_s=fall.time_s) if found is not None else fall
        told = noise > DITHER_SEEN * resolution and fall.dip_pa < SLOPE_SIGMA * noise  # noise, and not rounding, lies around a line
        slope = told and slides(view.t_s, view.p_pa, fall.time_s, top_s + VIEW_S, fall.dip_pa, noise)
        slope |= int(mark[1]) == w.lag.size - 1 and fall.dip_pa > SEES * size
        if slope or so_far.usual.drags(fall):
            before = so_far.last
            yield from self.look(top_s)
            if so_far.last is not before:
                return  # the shots of a burst, which together look like a slope
        yield self._found(fall, true, view, noise, sure=not unsure, slope=slope)

    def _found(self, fall: Fall, true: Fall, view: View, noise: float, *, sure: bool = True, slope: bool = False) -> Found:
        resolution = self._resolution_pa
        return Found(fall=fall, true=true, noise_pa=noise, resolution_pa=resolution, ready=view.ready, sure=sure, slope=slope)

    def _stale(self, mark: Floats) -> bool:
        """Whether a mark only repeats, on a wider scale, the fall judged last: since its bottom nothing has fallen that far."""
        last = self._so_far.last
        if last is None:
            return False
        t = self._stream.t_s
        a, z = t.searchsorted(last.minimum_s), t.searchsorted(float(mark[3]) + 0.5 * self._stream.step_s)
        since = self._stream.p_pa[a:z]
        return bool(since.size == 0 or since.max() - since[-1] < 0.3 * float(mark[4]))

    def _least(self, top_s: float, noise: float) -> float:
        """Depth below which a fall would be turned down anyway, with a margin; the swings of a ringing hose are many [Pa]."""
        least, last = 0.7 * max(LEAST_SIGMA * noise, LEAST_PA), self._so_far.last
        if last is not None and top_s - last.time_s < RING_S:
            least = max(least, 0.7 * RING_SHARE * last.dip_pa)
        return least

    def _ends(self, mark: Floats, view: View, noise: float) -> float:
        """When the view of a fall ends: another begins after the pressure has come back up [s]."""
        w = self._stream.widths
        scale, top_s, size = int(mark[1]), float(mark[3]), float(mark[4])
        t, p = view.t_s, view.p_pa
        top = int(t.searchsorted(top_s))
        for other in self._stream.ahead(view.ready):
            lag_s = float(w.lag[int(other[1])]) * w.step_s
            begins = float(other[3]) - lag_s - float(w.mean[int(other[1])]) * w.step_s
            if begins <= top_s - 0.05:
                continue
            b = min(int(t.searchsorted(begins + 0.5 * lag_s)), t.size - 1)
            back = comes_back(p, top, b, int(w.lag[-1]), float(other[4]), noise)
            # On a staircase nothing comes back. A wide filter is still going down one step where the next begins.
            alike = other[1] == mark[1] and other[4] > 0.5 * size
            step = alike and begins > top_s + (0.05 if other[1] > 0 else CLOSEST_S)
            close = alike and scale == w.lag.size - 1 and float(other[3]) > top_s + CLOSE_STEPS_S
            if back or ((step or close) and _rests(t, p, top, b, noise)):
                return min(view.until_s, begins if back or step else max(begins, top_s + 0.03))
        return view.until_s

    def _swings_before(self, fall: Fall, mark: Floats, ready: int) -> bool:
        """Whether a mark is of a hose that swings back, and the fall measured that of the next shot, which has a mark of its own."""
        last, w = self._so_far.last, self._stream.widths
        if last is None or fall.time_s - last.time_s > RING_S or mark[4] > RING_SHARE * last.dip_pa:
            return False
        took_s = float(w.lag[int(mark[1])] + w.mean[int(mark[1])]) * w.step_s
        own = (o for o in self._stream.ahead(ready) if o[1] == mark[1] and o[4] > LARGER * mark[4])
        return any(float(o[3]) - took_s < fall.half_s < float(o[3]) + 0.5 * took_s for o in own)

    def _from_gap(self, fall: Fall, view: View, noise: float) -> bool:
        return self._so_far.from_gap(fall, max(view.gap_s, self._stream.first_s), noise, self._stream.step_s)

    def _faint(self, mark: Floats, view: View, noise: float) -> list[Found] | None:
        """Find a wide fall that is too faint for its edge to be seen: none or one; None where a mark is of another kind."""
        w = self._stream.widths
        top_s, lag, widest = float(mark[3]), float(w.lag[-1]) * w.step_s, w.lag.size - 1
        clear = _clear(mark, noise, w)
        resolution = float(mark[9])
        coarse = near_a_step(float(mark[4]), noise, resolution)
        ahead = list(self._stream.ahead(view.ready))
        others = [o for o in ahead if int(o[1]) == widest]
        if int(mark[1]) < widest:
            if coarse and any(top_s < o[3] < top_s + 1.5 * lag and mark[4] < NO_LARGER * o[4] for o in others):
                alike = (o for o in ahead if o[1] == mark[1] and o[4] > 0.5 * mark[4])
                if not any(AGAIN_S < o[3] - top_s < 1.5 * lag for o in alike):
                    return []
            near = [o for o in others if o[3] < top_s + 1.5 * lag and mark[4] < o[4] < FAINT_SIGMA * noise]
            if mark[1] > 0 and any(clear < _clear(o, noise, w) < FAINT for o in near):
                return []  # the widest shows more of it, and better
            self._sharper = top_s, float(mark[4])
            return None
        plain = not coarse and (clear > FAINT or mark[4] > FAINT_SIGMA * noise)
        if plain or (self._sharper[0] > top_s - 1.5 * lag and self._sharper[1] > mark[4]):
            return None
        t, p, last = view.t_s, view.p_pa, self._so_far.last
        of_others = (float(o[3]) for o in others if o[4] > 0.5 * mark[4] and not (coarse and o[3] < top_s + 1.3 * lag))
        until = min(of_others, default=np.inf) - lag  # on coarse steps a wide fall may be marked twice
        since_s = last.minimum_s if last is not None else -np.inf
        over_s = max(since_s, self._before_s)
        self._before_s = top_s
        q = p - falling(t, p, over_s, top_s - 1.3 * lag, noise) * (t - top_s)
        a = int(t.searchsorted(max(top_s - lag - FAINT_BEFORE_S, over_s)))
        ends = [int(t.searchsorted(min(top_s + after, until))) for after in FAINT_AFTER_S]
        fits = [fit for fit in (fit_faint_fall(t[a:z], q[a:z], noise) for z in ends) if fit is not None]
        found = max(fits, key=lambda fit: fit.sure, default=None)
        if found is not None and coarse:
            end_s = min(max(until, found.over_s + OVER_S), top_s + NEAR_AFTER_S)
            a, z = (int(i) for i in t.searchsorted([self._level_s(found.time_s), end_s]))
            found = self._rounded_falls.fit(t[a:z], p[a:z], found, resolution, float(mark[11]))
        if found is None or (found.sure < SURE_FAINT and not coarse):
            return []
        if found.dip_pa < max((ROUNDED_STEPS if coarse else SMEARED_STEPS) * resolution, LEAST_PA):
            return []
        if found.dip_pa > DEEP_SHARE * (found.before_pa + ATMOSPHERE_ABS_PA):
            return None
        # A fall that begins later than this may not be marked yet.
        end_s = min(until, float(t[-1]), top_s + FAINT_VIEW_S)
        end = q[int(t.searchsorted(max(end_s - FAINT_END_S, found.over_s))) : int(t.searchsorted(end_s))]
        goes_on = end.size > 0 and float(end.mean()) < found.before_pa - (1.0 - GOES_ON) * found.dip_pa
        burst = last is not None and found.time_s - last.time_s < BURST_FAINT_S
        slope = goes_on or (found.unlike_line < UNLIKE_LINE and not burst)
        if slope or slides(t, p, found.time_s, min(until, top_s + VIEW_S), found.dip_pa, noise):
            return None
        fall = found.as_fall()
        if self._from_gap(fall, view, noise):
            return []
        true = fall if coarse else self._slow_falls.laid(t, p, fall, noise, max(over_s, self._filled_s()), until)
        return [self._found(fall, true, view, noise)]

    def _rounded(self, mark: Floats, view: View, noise: float) -> list[Found]:
        """Find a fall of few steps whose edges do not show: none or one."""
        w = self._stream.widths
        top_s, scale, size, resolution = float(mark[3]), int(mark[1]), float(mark[4]), float(mark[9])
        lag, mean = float(w.lag[scale]) * w.step_s, float(w.mean[scale]) * w.step_s
        ahead = self._stream.ahead(view.ready)
        until = next((float(o[3]) - lag for o in ahead if o[1] == mark[1] and o[3] > top_s + AGAIN_S), np.inf)
        until = min(until, top_s + NEAR_AFTER_S)
        first_pa = float(view.p_pa[0])
        near = FaintFall(time_s=top_s - 0.5 * (lag + mean), width_s=mean, before_pa=first_pa, dip_pa=size, sure=0.0, unlike_line=0.0)
        a, z = (int(i) for i in view.t_s.searchsorted([self._level_s(near.time_s), until]))
        found = self._rounded_falls.fit(view.t_s[a:z], view.p_pa[a:z], near, resolution, float(mark[11]))
        if found is None or found.dip_pa < max(ROUNDED_STEPS * resolution, LEAST_PA):
            return []
        fall = found.as_fall()
        deep = found.dip_pa > DEEP_SHARE * (found.before_pa + ATMOSPHERE_ABS_PA)
        return [] if deep or self._from_gap(fall, view, noise) else [self._found(fall, fall, view, noise)]

    def _filled_s(self) -> float:
        """From when on the line rises after the last shot only because it is filled [s]."""
        last = self._so_far.last
        return max(last.minimum_s, last.time_s + FILLS_S) if last is not None else -np.inf

    def _level_s(self, near_s: float) -> float:
        """From when on the line before a fall of few steps is level, but for the end of the recovery from the last shot [s]."""
        last = self._so_far.last
        return max(last.minimum_s, min(last.time_s + BACK_S, near_s - LEVEL_S)) if last is not None else -np.inf


def significance(fall: Fall, noise_pa: float, resolution_pa: float, step_s: float) -> float:
    """How many times the noise a filter matched to the dip would see; 0 for what is no fall of a line's."""
    if fall.sure >= SURE_FIT and fall.dip_pa > max(SMEARED_STEPS * resolution_pa, LEAST_PA) and smears(noise_pa, resolution_pa):
        return fall.sure
    if 0.0 < fall.sure < UNSURE_FIT:
        return 0.0  # ripple or noise: no fall fits it
    # Rounding is not noise: where noise does not smear it, one step down may be a slow drift and is no dip.
    if fall.dip_pa < max(LEAST_SIGMA * noise_pa, LEAST_STEPS * resolution_pa, LEAST_PA):
        return 0.0
    if fall.low_s < 0.4 * fall.fall_s and fall.fall_s > 0.1:
        return 0.0  # a slow slope with a noisy reading at its end
    if fall.low_s < 2.0 * step_s and fall.dip_pa < BRIEF_SIGMA * noise_pa:
        return 0.0  # a reading or two, as a small spike would leave
    readings = max(min(fall.low_s, 0.3) / step_s, 1.0)
    return float(fall.dip_pa / max(noise_pa, 1e-9) * readings**0.5)


def _brief(t: Floats, p: Floats, fall: Fall) -> bool:
    """Whether a dip is over sooner than any that a tool makes."""
    return lost_pa_s(t, p, fall.time_s, fall.half_s, fall.before_pa, fall.dip_pa, LEAST_PA_S) < LEAST_PA_S


def _rests(t: Floats, p: Floats, a: int, b: int, noise_pa: float) -> bool:
    """Whether the pressure rests somewhere between two marked falls, or noise hides it; else they are one."""
    edges = np.arange(t[a], t[b] + 1e-9, TREAD_S)
    if edges.size < 3:
        return True
    at = t.searchsorted(edges)
    means = np.array([p[i:j].mean() for i, j in itertools.pairwise(at) if j > i])
    falls = -np.diff(means)
    unsure = 4.0 * noise_pa * (2.0 / max(float(np.diff(at).min()), 1.0)) ** 0.5
    return bool(falls.size == 0 or falls.min() < TREAD_SHARE * falls.max() + unsure)


def _clear(mark: Floats, noise_pa: float, w: triggers.Widths) -> float:
    """How many times the noise of the means that it was seen in a marked fall is."""
    return float(mark[4]) / (noise_pa * (2.0 / int(w.mean[int(mark[1])])) ** 0.5)
