"""Shots of a burst on a line that falls slowly, where each begins before the last is over: looked for by the shape that shots share."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from analysis.coarse import smears
from analysis.events import SAME_FALL_S
from analysis.mean_dip import Seen
from analysis.melted import Melted
from analysis.overlapping import CLOSEST_S, Shape, common_shape, fit_falls
from analysis.so_far import Found, SoFar
from analysis.stream import Stream

# Where shots take longer to fall than this and a reading, those of a burst overlap; so many are to be known.
SLOW_FALL_S, FEWEST, ENOUGH = 0.03, 2, 5
# Those from so long before to so long after are fitted together. Their shape is found anew after so many shots.
BEHIND_S, AHEAD_S, RENEWED = 0.5, 0.1, 4
KNOWN_S = 0.8  # before the view; a shot there still shows in it


class BurstSearch:
    """Looks for shots that overlap others.

    Parameters
    ----------
    stream : Stream
        The readings.
    so_far : SoFar
        What is known of the line; whoever takes a fall for a shot notes it there before the next is asked for.
    """

    def __init__(self, stream: Stream, so_far: SoFar) -> None:
        self._stream, self._so_far = stream, so_far
        self._shape: Shape | None = None
        self._shape_at = 0  # shots when it was found

    def look(self, at_s: float, noise_pa: float, resolution_pa: float) -> Iterator[Found]:
        """Find shots about a time that overlap others, where the line falls slowly at a shot."""
        so_far = self._so_far
        before = so_far.last
        if before is None or len(so_far.usual) < FEWEST or so_far.usual.fall_s < SLOW_FALL_S + self._stream.step_s:
            return
        shape = self._common_shape()
        if shape is None:
            return
        view, noise_pa = self._stream.view(at_s).calm(shape.dip_pa, noise_pa, resolution_pa)
        t, p = view.t_s, view.p_pa
        known = [s for s in so_far.recent_s if s > t[0] - KNOWN_S] if t.size else []
        step = 0.0 if smears(noise_pa, resolution_pa) else resolution_pa
        gap_s = max(view.gap_s, self._stream.first_s)
        for found in fit_falls(t, p, shape, noise_pa, step, known, before.time_s + CLOSEST_S, at_s + AHEAD_S):
            if found.time_s < at_s - BEHIND_S:
                continue
            fall = found.as_fall(so_far.usual.fall_s)
            if not so_far.from_gap(fall, gap_s, noise_pa, self._stream.step_s):
                yield Found(fall=fall, true=fall, noise_pa=noise_pa, resolution_pa=resolution_pa, ready=view.ready, in_burst=True)

    def look_again(self, melted: Melted, noise_pa: float) -> None:
        """Keep what is over and may be a burst, and tell what was kept where shots are known by now."""
        stream, shape = self._stream, self._slow_shape(ENOUGH)
        melted.look(stream.t_s, stream.p_pa, noise_pa, self._so_far.recent_s, stream.view(melted.look_s).gap_s, shape)
        if melted.look_s == np.inf:
            melted.settle(shape, last=False)

    def settle(self, melted: Melted) -> None:
        """Tell the bursts among all that was kept, at the end."""
        melted.settle(self._slow_shape(FEWEST), last=True)

    def _slow_shape(self, enough: int) -> Shape | None:
        """Shape of shots, where the line falls slowly at one and more than so many are known."""
        usual = self._so_far.usual
        slow = len(usual) > enough and usual.fall_s > SLOW_FALL_S + self._stream.step_s
        return common_shape(self._closed(), alike=True) if slow else None

    def _common_shape(self) -> Shape | None:
        """Shape of shots, each as a share of its depth."""
        so_far = self._so_far
        if self._shape is None or so_far.fired >= self._shape_at + RENEWED:
            self._shape = common_shape(self._closed())
            self._shape_at = so_far.fired
        return self._shape

    def _closed(self) -> list[Seen]:
        """Shots seen, without the last, which may still be open, depending on how far the stream has been read."""
        last_s = self._so_far.recent_s[-1]
        return [s for s in self._so_far.seen if s.shot.time_s < last_s - SAME_FALL_S]
