"""Shots laid over each other: which of them, and the readings of each."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any, Final

import numpy as np

if TYPE_CHECKING:
    from analysis.record import Shot, ShotRecord
    from logger.long import LongRecording
    from logger.open import Recording

MOST: Final = 120  # curves laid over each other; more are a smear that takes long to draw
LEAST_S, MOST_S = 0.6, 8.0


def laid_over(
    recording: Recording | LongRecording, record: ShotRecord, chosen: int | None = None, each: Callable[[float], None] | None = None
) -> dict[int, tuple[Any, Any]]:
    """Cut out the shots of a recording; if there are very many, evenly picked ones and the `chosen` one.

    Before `each`, what is given so is told how much is done, 0..1.

    Returns
    -------
    dict of int to (ndarray, ndarray)
        By the shot's index in the record: time after the shot [s] and change of pressure from just before it [Pa].
    """
    shots = record.shots
    step = max(1, -(-len(shots) // MOST))
    picked = sorted({*range(0, len(shots), step), *([] if chosen is None else [chosen])})
    length = _length_s(record)
    following = [*(s.time_s for s in shots[1:]), np.inf]
    curves = {}
    for done, i in enumerate(picked):
        if each is not None:
            each(done / len(picked))
        curves[i] = _cut(recording, shots[i], min(length, following[i] - shots[i].time_s))
    return curves


def _length_s(record: ShotRecord) -> float:
    times = [s.recovery_s for s in record.shots if s.outcome == "recovered"] or [s.censored_s for s in record.shots]
    return float(np.clip(1.6 * np.percentile(times, 75), LEAST_S, MOST_S)) if times else LEAST_S


def _cut(recording: Recording | LongRecording, shot: Shot, length_s: float) -> tuple[Any, Any]:
    """A shot's curve, until what comes next."""
    until = shot.time_s + (min(length_s, shot.censored_s) if shot.outcome == "cut off" else length_s)
    t, p = recording.between(shot.time_s - 0.1, until)
    before_the_next = t < until
    return t[before_the_next] - shot.time_s, p[before_the_next] - shot.before_pa
