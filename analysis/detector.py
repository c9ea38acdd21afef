"""Finding shots in a stream of readings: feed blocks of any size, the answer is the same as for the whole record in one piece."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.agreed import Undecided, agreed
from analysis.echoes import Echoes
from analysis.events import SAME_FALL_S, SlowWatch, disturbs, ends
from analysis.mean_dip import AFTER_S, WATCHED_S
from analysis.measures import BOTTOM_S, Fall
from analysis.melted import Melted
from analysis.open_shot import KEPT_S, LONGEST_RECOVERY_S, OpenShot, with_later
from analysis.overlapping import drift
from analysis.plugged import PlugWatch
from analysis.record import COUNTED_HZ, Event, Outcome, Shot, ShotRecord
from analysis.recovered import RECOVERED
from analysis.ringing import Ringing
from analysis.sensor_lag import Fronts, checked_lag
from analysis.sharpened import sharpened
from analysis.so_far import FAINT_SIGMA, RING_S, Found, SoFar
from analysis.standing_alone import Company, doubts, uncounted
from analysis.stream import VIEW_S, Stream
from analysis.strokes import Strokes
from analysis.timed_draws import TimerWatch
from analysis.units import significant
from analysis.unresolved import unresolved
from analysis.weighing import GOES_ON, Weighing

Floats = NDArray[np.float64]

SLOW_S = 0.6  # the slow course is followed up to this long before a fall
UNJUDGED_S = 1.0  # so much of the newest readings may hide a fall that is not judged yet
LOOK_S = 0.35  # so long after a shot, others that overlap it are looked for
TOGETHER = 64  # shots that are measured again by their mean dip and that of as many after them
UNSURE_U, TOLD_U = 0.02, 0.012  # of a dip, as a share: what the reader is warned of, and what is good enough
ROUGHEST = 6.0
LONGEST_FALL_S = 0.45
GROWN, ON_S = 2.0, 0.1  # times the last shot, whose fall has gone on: a valve was opened then
CAME_BACK = 0.5  # of a dip, or a fall is not alone: what follows belongs to air that flows on
RISEN = 2.5  # a fall this much smaller than the rise before it is that rise's overshoot


class ShotDetector:
    """Find shots and other events while readings come in; one pass, constant memory.

    Parameters
    ----------
    lag_s : float
        Time constant of the sensor's first-order response [s], if known: shots are told as they were before the sensor.
    agree : bool
        Whether recoveries are told by what many shots have in common; else each as it shows by itself.

    Examples
    --------
    >>> detector = ShotDetector()
    >>> for t, p in blocks:  # doctest: +SKIP
    ...     detector.feed(t, p)
    >>> record = detector.finish()  # doctest: +SKIP
    """

    def __init__(self, *, lag_s: float = 0.0, agree: bool = True) -> None:
        self.lag_s = checked_lag(lag_s)
        self.agree = agree
        self._stream = Stream()
        self._so_far = SoFar()
        self._weighing = Weighing(self._stream, self._so_far, self.lag_s)
        self._strokes = Strokes()
        self._ringing = Ringing()
        self._echoes = Echoes()
        self._slow = SlowWatch()
        self._plugs = PlugWatch()
        self._timer = TimerWatch()
        self._fronts = Fronts()
        self._melted = Melted()
        self._company = Company()
        self._open: OpenShot | None = None
        self._followed: Shot | None = None  # the last shot, while what follows it is still to be kept
        self._look_s = np.inf  # when to look for a shot that overlaps the last
        self._shots: list[Shot] = []  # those before `SoFar.seen`, which their mean dip may still tell better
        self._depth_u = 0.0
        self._undecided: Undecided | None = None
        self._held: list[tuple[float, float]] = []  # shots that have turned out to be air drawn for a while: from and until [s]
        self._echoed: list[float] = []  # and those that are known as echoes of others by now
        self._events: list[Event] = []
        self._drawn: list[Fall] = []  # that were taken for the beginning of an event
        self._finished = False

    # Live view

    @property
    def shots(self) -> tuple[Shot, ...]:
        """Shots so far; the last may still be recovering and is then given as such, and some before it as measured by themselves."""
        closed = self._melted.with_bursts((*self._shots, *(s.shot for s in self._so_far.seen)))
        return closed if self._open is None else (*closed, self._open.until(self._stream.last_s))

    @property
    def events(self) -> tuple[Event, ...]:
        """Events so far."""
        gaps = [Event(kind="gap", time_s=start, until_s=stop) for start, stop in self._stream.gaps]
        bursts = [Event(kind="interference", time_s=start, until_s=stop) for start, stop in self._stream.bursts]
        drawn = [e for e in self._events if e.kind == "air draw"]  # of which the slow course knows nothing
        slow = [e for e in self._slow.events if e.kind != "regulator change" or not any(ends(draw, e) for draw in drawn)]
        named = [e for e in (*self._events, *slow) if not self._melted.explains(e)]
        return tuple(sorted([*gaps, *named, *bursts], key=lambda e: e.time_s))

    # Feeding

    def feed(self, t_s: ArrayLike, p_pa: ArrayLike) -> None:
        """Take in the next readings.

        Parameters
        ----------
        t_s : array_like, shape (n,)
            Times [s], ascending; readings that repeat a time or go back are left out.
        p_pa : array_like, shape (n,)
            Pressure [Pa gauge]; NaN where it is missing.

        Raises
        ------
        ValueError
            If the shapes differ or the detector has finished.
        """
        t, p = np.asarray(t_s).ravel(), np.asarray(p_pa).ravel()
        if t.size != p.size:
            msg = f"{t.size} times but {p.size} pressures; each reading needs both."
            raise ValueError(msg)
        if self._finished:
            msg = "The detector has finished; start a new one for more readings."
            raise ValueError(msg)
        a = 0
        while a < t.size:
            z = a + self._stream.slab
            self._stream.take(t[a:z].astype(np.float64, copy=False), p[a:z].astype(np.float64, copy=False))
            self._advance(last=False)
            a = z

    def _advance(self, *, last: bool) -> None:
        for t, p in self._stream.scan(last=last):
            self._slow.take(t, p)
        if self._stream.begun:
            self._judge(last=last)
            open_s = np.inf if self._open is None else self._open.fall.time_s - KEPT_S
            followed_s = np.inf if self._followed is None else self._followed.time_s
            self._stream.forget(min(open_s, followed_s, self._melted.from_s))

    # Judging

    def _judge(self, *, last: bool) -> None:
        falls, now = self._stream.falls, float(self._stream.t_s[-1])
        while falls or min(self._look_s, self._melted.look_s) < np.inf:
            mark_s = float(falls[0][3]) if falls else np.inf
            at_s = min(mark_s, self._look_s, self._melted.look_s)
            if not last and now < at_s + VIEW_S:
                break
            # In the order of time: what was known of the line's slow course by then, then this fall.
            self._slow.advance(at_s - SLOW_S)
            if at_s == self._melted.look_s:
                self._weighing.look_again(self._melted)
                continue
            mark = None
            if mark_s <= self._look_s:
                mark = falls.popleft()
                self._strokes.note(mark)
                judged = self._weighing.weigh(mark)
            else:
                self._look_s = np.inf
                judged = self._weighing.look(at_s)
            for found in judged:
                if found.in_burst:
                    self._begin_again(found.fall)
                    self._end_last(found.fall)
                self._accept(found)
            if mark is not None:
                self._melted.note_mark(mark, self._stream.widths)
        self._watch(now, last=last)
        ready = min(min((mark[3] for mark in falls), default=np.inf), self._look_s, self._melted.look_s) - SLOW_S
        self._slow.advance(np.inf if last else min(now - VIEW_S - SLOW_S, ready), last=last)

    def _begin_again(self, following: Fall) -> None:
        """Take back the last shot where a fall of its burst begins before half of it was lost: noise made it begin too early."""
        last = self._so_far.last
        if last is not None and self._open is not None and last is self._open.fall and following.time_s < last.half_s:
            self._withdraw(last)
            self._so_far.last = None

    def _end_last(self, following: Fall) -> None:
        """Let the last shot, whose bottom was sought in a fall that follows it, end where that begins."""
        last = self._so_far.last
        if last is None or last.minimum_s <= following.time_s:
            return
        self._so_far.last = _ended(last, following)
        if self._open is not None:
            found = replace(self._open.found, fall=self._so_far.last, true=_ended(self._open.true, following))
            self._open = replace(self._open, found=found)

    def _deepen(self, swing: Found) -> None:
        """Let the open shot go as deep as the hose takes it, which swings before much of the dip is regained."""
        last = self._so_far.last
        if last is None or self._open is None or last is not self._open.fall:
            return
        soon = swing.fall.minimum_s < last.time_s + BOTTOM_S and swing.fall.before_pa < last.minimum_pa + CAME_BACK * last.dip_pa
        if soon and swing.fall.minimum_pa < last.minimum_pa - swing.noise_pa:
            self._so_far.last = _as_low(last, swing.fall)
            found = replace(self._open.found, fall=self._so_far.last, true=_as_low(self._open.true, swing.true))
            self._open = replace(self._open, found=found)

    def _accept(self, found: Found) -> None:
        """Take a fall for what it is, from what the sensor shows; a shot is then told without the sensor's lag."""
        fall, noise, last = found.fall, found.noise_pa, self._so_far.last
        if self._is_none(found):
            return
        if last is not None and self._open is not None and last is self._open.fall and self._went_on(fall, last):
            self._withdraw(last)
            self._so_far.last = fall
            if disturbs(fall, noise):
                self._slow.drop(replace(fall, time_s=last.time_s))
            return
        self._echoed += self._echoes.note(fall, self._stream.step_s)
        if self._repeats(fall) or self._echoes.heard(fall, self._stream.step_s):
            self._deepen(found)
            return
        if self._stream.disturbed(fall.time_s, fall.dip_pa, found.ready):
            return
        if self._strokes.hammer(fall, self._stream.ahead(found.ready)):
            if self._slow.drop(fall):
                self._close(fall.time_s)
            return
        drawn = found.slope or self._so_far.usual.drags(fall)
        self._melted.note(fall.time_s)
        apart = last is None or fall.time_s - last.time_s > RING_S
        alone = last is None or (apart and fall.before_pa > last.minimum_pa + CAME_BACK * last.dip_pa)
        # What is too small beside the others, or the tail of a draw.
        if not drawn and (self._so_far.usual.small(fall, noise, apart=apart, alone=alone) or self._slow.tail(fall)):
            return
        timed = self._timer.strikes(fall, shot=not drawn)
        if timed:
            self._close(fall.time_s)
            self._settle(last=False)
            if not disturbs(fall, noise):
                self._events.append(Event(kind="air draw", time_s=fall.time_s, until_s=fall.minimum_s))
                self._so_far.last = fall
                return
        if drawn or timed:
            if disturbs(fall, noise) and self._slow.drop(fall):
                self._close(fall.time_s)
                self._drawn.append(fall)
            return
        if self._plugs.plugged(fall, noise, self._stream.t_s, self._stream.p_pa, self._stream.first_s):
            self._close(fall.time_s)
            self._events.append(Event(kind="connected", time_s=fall.time_s, until_s=fall.minimum_s))
            self._slow.shot(fall.time_s)
            self._so_far.last = fall
            self._so_far.not_before_s = fall.minimum_s
            return
        self._take_shot(found)

    def _is_none(self, found: Found) -> bool:
        """Whether a fall can be no shot, nor any other event that begins so."""
        fall = found.fall
        slope = fall.back < GOES_ON  # it goes on falling past the bottom that was fitted
        corner = (
            fall.dip_pa < FAINT_SIGMA * found.noise_pa and fall.risen > 1.0 and fall.back < RECOVERED
        )  # where a rise ends: a pump stops
        falls_on = fall.sure > 0.0 and fall.minimum_s - fall.time_s > LONGEST_FALL_S  # faint, and a slope
        return slope or corner or falls_on or fall.rough > ROUGHEST or fall.risen > RISEN or not found.sure

    def _repeats(self, fall: Fall) -> bool:
        """Whether a fall is the last one again, or the hose that rings after it."""
        last = self._so_far.last
        if last is None:
            return False
        since_s = fall.time_s - last.time_s
        if since_s < SAME_FALL_S or fall.time_s < last.minimum_s:
            return True
        return self._ringing.swings(fall, last, self._stream.t_s, self._stream.p_pa)

    def _went_on(self, fall: Fall, last: Fall) -> bool:
        """Whether a fall shows that what the last shot was taken for went on falling."""
        back = fall.before_pa - last.minimum_pa > RECOVERED * last.dip_pa
        return fall.time_s < last.minimum_s + ON_S and not back and fall.dip_pa > GROWN * last.dip_pa and self._so_far.usual.drags(fall)

    def _take_shot(self, found: Found) -> None:
        """Take a fall for a shot, learn from it, and watch its recovery."""
        fall, so_far = found.fall, self._so_far
        so_far.usual.add(fall)
        self._echoes.shot(fall)
        self._company.add(fall, found.noise_pa, self._stream.t_s, self._stream.p_pa)
        for odd in so_far.usual.tiny():
            self._take_back(odd.time_s)
        self._slow.shot(fall.time_s)
        self._close(fall.time_s)
        self._settle(last=False)
        last_s = so_far.last.time_s if so_far.last is not None else -np.inf
        drift_pa_per_s = drift(self._stream.t_s, self._stream.p_pa, last_s, fall.time_s)
        self._open = OpenShot(found=found, drift_pa_per_s=drift_pa_per_s, lag_s=self.lag_s)
        so_far.last = fall
        so_far.not_before_s = fall.minimum_s
        so_far.recent_s.append(fall.time_s)
        so_far.fired += 1
        self._look_s = fall.time_s + LOOK_S

    def _withdraw(self, shot: Fall) -> None:
        """Take out the open shot, and what was learnt from it."""
        self._open = None
        self._take_back(shot.time_s)
        self._slow.shot_times.remove(shot.time_s)
        self._so_far.recent_s.pop()
        self._so_far.fired -= 1
        self._look_s = np.inf

    def _settle(self, *, last: bool) -> None:
        """Turn shots into air drawn, a tool plugged in, what a timer drew or an echo, where what came after has shown that they were."""
        for time_s, until_s in self._held:
            self._take_back(time_s)
            self._events.append(Event(kind="air draw", time_s=time_s, until_s=until_s))
        self._held.clear()
        for time_s in self._echoed:
            self._take_back(time_s)
        self._echoed.clear()
        span_s = self._stream.last_s - self._stream.first_s if last else 0.0
        for time_s, until_s in self._plugs.settle(span_s):
            self._take_back(time_s)
            self._timer.known_as_other(time_s)
            self._events.append(Event(kind="connected", time_s=time_s, until_s=until_s))
        for time_s in self._timer.settle(span_s):
            for shot in self._take_back(time_s):
                until_s = time_s + (shot.recovery_s if shot.outcome == "recovered" else 0.0)
                self._events.append(Event(kind="air draw", time_s=time_s, until_s=until_s))

    def _take_back(self, time_s: float) -> list[Shot]:
        """Take out the shot at a time, and what was learnt from it; it is in the list given, if there was one."""
        so_far = self._so_far
        so_far.usual.forget(time_s)
        near = [s for s in (*self._shots, *(s.shot for s in so_far.seen)) if abs(s.time_s - time_s) <= SAME_FALL_S]
        self._shots = [s for s in self._shots if s not in near]
        so_far.seen = [s for s in so_far.seen if s.shot not in near]
        return near

    # The open shot

    def _watch(self, now_s: float, *, last: bool) -> None:
        """Look whether the open shot has recovered, or has been watched for long enough."""
        falls = self._stream.falls
        # A fall that is not yet judged may cut this shot off: do not look beyond it.
        limit = min(float(falls[0][3] if falls else now_s), self._look_s) - UNJUDGED_S
        if self._followed is not None and (last or limit > self._followed.time_s + WATCHED_S):
            self._follow(now_s if last else limit)
        if self._open is None:
            return
        fall_s = self._open.fall.time_s
        if last and not falls:
            self._close(now_s + 1e-9, cut=False)
            return
        gap_s = self._stream.next_gap(fall_s)
        limit = min(limit, gap_s)
        shot = self._open.recovered(self._stream, limit, closed=False)
        if shot is not None:
            self._keep(self._open, shot, np.inf)
        elif limit > fall_s + LONGEST_RECOVERY_S or limit > gap_s - 1e-6:
            self._close(limit, cut=False)

    def _close(self, until_s: float, *, cut: bool = True) -> None:
        """End the watch on the open shot, as the next fall cuts it off or nothing more is to come."""
        self._follow(until_s)
        if self._open is None:
            return
        outcome: Outcome = "cut off" if cut else "not recovered"
        shot, until_s = self._open.closed(self._stream, until_s, outcome)
        self._keep(self._open, shot, until_s)
        self._follow(until_s)

    def _keep(self, watched: OpenShot, shot: Shot, until_s: float) -> None:
        """Keep the shot that was watched, and its readings for the mean dip."""
        until_s = min(until_s, shot.time_s + shot.censored_s + AFTER_S)
        drawn_until_s = watched.drawn_until(self._stream, until_s)
        if drawn_until_s is not None:
            self._held.append((shot.time_s, drawn_until_s))
        self._so_far.seen.append(watched.seen(self._stream, shot, until_s))
        self._fronts.add(self._so_far.seen[-1])
        self._open, self._followed = None, shot
        if len(self._so_far.seen) >= 2 * TOGETHER:
            self._sharpen(TOGETHER)

    def _follow(self, until_s: float) -> None:
        """Keep what followed the last shot too, up to where something else begins."""
        shot, seen = self._followed, self._so_far.seen
        if shot is not None and seen and seen[-1].shot is shot:
            seen[-1] = with_later(seen[-1], self._stream, min(until_s, self._stream.next_gap(shot.time_s)))
        self._followed = None

    def _sharpen(self, count: int) -> None:
        """Tell the first of the shots kept by the mean dip of them all, and let them go."""
        seen = self._so_far.seen
        if seen:
            shots, depth_u = sharpened(seen, self._stream.step_s, self.lag_s)
            if self.agree:
                shots, undecided = agreed(seen, shots, self._stream.step_s, self.lag_s)
                self._undecided = undecided or self._undecided
            self._shots += shots[:count]
            self._depth_u = max(self._depth_u, depth_u)
            del seen[:count]

    # The end

    def finish(self) -> ShotRecord:
        """End the stream and return everything found.

        Raises
        ------
        ValueError
            If there are too few readings to say anything.
        """
        stream = self._stream
        if stream.readings < 20:
            msg = f"Only {stream.readings} readings with a time and a pressure; finding shots needs at least 20. Record for longer."
            raise ValueError(msg)
        self._finished = True
        stream.end()
        self._advance(last=True)
        self._settle(last=True)
        self._weighing.settle(self._melted)
        self._sharpen(len(self._so_far.seen))
        duration_s, rate, events = stream.last_s - stream.first_s, 1.0 / stream.step_s, self.events
        shots, unvouched = self._company.doubted(self._shots, events, self._plugs.left(duration_s)), ()
        if self._company.idle(shots, duration_s):
            shots, unvouched = (), shots
            events = tuple(sorted([*events, *self._company.filled(unvouched)], key=lambda e: e.time_s))
        shots = self._melted.with_bursts(shots)
        return ShotRecord(
            readings=stream.readings,
            duration_s=duration_s,
            rate_hz=rate,
            noise_pa=stream.noise_pa,
            resolution_pa=stream.resolution_pa,
            shots=shots,
            events=events,
            warnings=(
                *self._warnings(rate),
                *self._timer.doubts(),
                *doubts(shots, rate),
                *uncounted(unvouched, rate),
                *self._melted.doubts(events),
                *unresolved(shots, events, self._so_far.usual.fall_s if self._so_far.usual else 0.0, self._drawn),
                *self._plugs.doubts(rate),
                *self._so_far.usual.doubts(),
                *self._ringing.doubts(),
                *((self._undecided.doubt(),) if self._undecided else ()),
                *self._echoes.doubts(),
                *(() if self.lag_s else self._fronts.doubts(stream.step_s)),
                *stream.doubts(),
            ),
            depth_u=self._depth_u,
            undecided_s=(self._undecided.early_s, self._undecided.late_s) if self._undecided else None,
            unvouched=unvouched,
        )

    def _warnings(self, rate_hz: float) -> list[str]:
        """What a rate hides."""
        warnings = []
        if rate_hz < COUNTED_HZ:
            warnings.append(
                f"{significant(rate_hz, 3)} readings a second are too few to see shots: a dip lasts only some tens of milliseconds. "
                "Log at least 50 a second, better 200."
            )
        if self._depth_u > UNSURE_U:
            enough = 50.0 * np.ceil(rate_hz * self._depth_u / TOLD_U / 50.0)
            warnings.append(
                f"{significant(rate_hz, 3)} readings a second show little of dips this brief: how deep they go is good to "
                f"{200.0 * self._depth_u:.0f} %. Log {enough:.0f} a second, and more shots."
            )
        return warnings


def _as_low(fall: Fall, other: Fall) -> Fall:
    """A fall whose bottom is that of another."""
    return replace(fall, minimum_s=other.minimum_s, minimum_pa=other.minimum_pa)


def _ended(fall: Fall, following: Fall) -> Fall:
    """A fall whose bottom is sought no further than to where another begins."""
    return replace(fall, minimum_s=following.time_s, minimum_pa=max(fall.minimum_pa, following.before_pa))
