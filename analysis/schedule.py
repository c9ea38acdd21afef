"""When a tool fires: a single shot, steady work, bursts with pauses, or the shots of a recorded session."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.line import Line

LEAD_S = 1.0  # quiet time before the first shot
MOST_SHOTS = 20_000
LONGEST_S = 3600.0  # of a schedule


def bursts(shots: int, every_s: float, *, repeats: int = 1, pause_s: float = 0.0) -> NDArray[np.float64]:
    """Times of bursts of shots [s]; one burst is steady work, one shot a single shot.

    Parameters
    ----------
    shots : int
        Shots in a burst.
    every_s : float
        From shot to shot within a burst [s].
    repeats : int
        How many bursts.
    pause_s : float
        From the last shot of a burst to the first of the next [s].

    Raises
    ------
    ValueError
        If there can be no such schedule, or it is too long to be simulated in one go.
    """
    if shots < 1 or repeats < 1:
        msg = f"{repeats} bursts of {shots} shots are no work; give 1 or more of each."
        raise ValueError(msg)
    if shots * repeats > MOST_SHOTS:
        msg = f"{shots * repeats} shots are more than one simulation takes ({MOST_SHOTS}); give fewer."
        raise ValueError(msg)
    _spacing("every", every_s, needed=shots > 1)
    _spacing("pause", pause_s, needed=repeats > 1)
    within = every_s * np.arange(shots, dtype=np.float64)
    starts = (within[-1] + pause_s) * np.arange(repeats, dtype=np.float64)
    times = LEAD_S + (starts[:, None] + within[None, :]).ravel()
    if not times[-1] <= LONGEST_S:
        msg = f"This schedule lasts {times[-1] / 60.0:.0f} min; a simulation takes up to {LONGEST_S / 60.0:.0f} min."
        raise ValueError(msg)
    return np.asarray(times, dtype=np.float64)


def _spacing(word: str, value_s: float, *, needed: bool) -> None:
    if needed and not (math.isfinite(value_s) and value_s >= 0.02):
        msg = f"{word} = {value_s:g} s: no tool fires that fast; give 0.02 s or more."
        raise ValueError(msg)


def like(shot_times_s: ArrayLike) -> NDArray[np.float64]:
    """Fire as a session did: its own shot times [s], moved so that the first comes after `LEAD_S`, as far as `LONGEST_S`.

    Raises
    ------
    ValueError
        If the session has no shot.
    """
    times = np.sort(np.asarray(shot_times_s, dtype=np.float64).ravel())
    if times.size == 0:
        msg = "There is no shot in that recording, so nothing to fire. Look at it with `farend shots`, or give --shots and --every."
        raise ValueError(msg)
    times = LEAD_S + times - times[0]
    return times[(times <= LONGEST_S) & (np.diff(times, prepend=-1.0) > 0.0)][:MOST_SHOTS]


def air_asked(line: Line, shots_s: ArrayLike) -> float:
    """Free air [m3/s] that a schedule takes while it lasts, each shot as stated for the tool; 0 for a single shot."""
    times = np.asarray(shots_s, dtype=np.float64)
    if times.size < 2:
        return 0.0
    return (line.tool.air_per_shot_m3 or 0.0) * (times.size - 1) / float(times[-1] - times[0])
