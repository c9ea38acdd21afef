"""Readings that only repeat the sensor's last answer, left out.

A logger that asks more often than its sensor answers writes each answer several times over. Such steps show no noise between them, and
the line seems to fall at the asking. An answer was made between the reading that first shows it and the one before.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from analysis.jit import jit
from analysis.units import significant

Floats = NDArray[np.float64]

CLEAR_STEPS, CLEAR_SHARE = 3.0, 0.5  # steps of the resolution, and share of the usual change: a change that rounding does not make
FEWEST = 15  # such changes, of which at least this share, and so many standard deviations of its count, are followed by a repetition:
SHARE, SIGMA = 0.12, 4.0
BY_CHANCE = 0.28  # times the resolution over the noise is the share of readings that repeat the one before by chance
# Runs of repetitions are no more than so many times the usual, but for few: a line at rest repeats itself longer.
EVEN, EVEN_SHARE = 1.6, 0.75
AGAIN = 1.5  # times the time between answers, and the sensor has answered the same once more
ENOUGH_HZ = 180.0  # answers that show shots well

# Large changes: so many steps of the resolution, and times the usual change, followed over so many readings. Two in a row, the same way,
# are a fall or a rise; so many of these, and so large a share, with a reading between that repeats, are one that comes in answers.
LARGE_STEPS, LARGE, FOLLOWED = 4.0, 6.0, 512.0
FEWEST_STAIRS, STAIRS_SHARE = 10, 0.15
APART_S, LATE_HZ = 0.15, 125.0  # at most; fewer answers put shots off by more than 4 ms


def answered_step(t_s: Floats, p_pa: Floats) -> float:
    """Mean time between the answers of a sensor that the logger asks more often than it answers [s]; 0 where it does not.

    Parameters
    ----------
    t_s, p_pa : ndarray, shape (n,)
        The first readings of a record: times [s], strictly ascending, and pressure [Pa].
    """
    change = np.abs(np.diff(p_pa))
    at = np.flatnonzero(change)
    if at.size < FEWEST:
        return 0.0
    resolution, usual = float(change[at].min()), float(np.median(change[at]))
    clear = at[(change[at] >= max(CLEAR_STEPS * resolution, CLEAR_SHARE * usual)) & (at < change.size - 1)]
    by_chance = BY_CHANCE * resolution / usual
    repeated = int((change[clear + 1] == 0.0).sum())
    if clear.size < FEWEST or repeated < clear.size * (by_chance + SHARE) + SIGMA * (clear.size * by_chance) ** 0.5:
        return 0.0
    runs = np.diff(at)
    even = runs <= EVEN * max(float(np.median(runs)), 1.25)
    if runs[even].sum() < EVEN_SHARE * runs.sum():
        return 0.0
    return float(runs[even].mean()) * float(t_s[-1] - t_s[0]) / change.size


class Unrepeat:
    """Leave repetitions out while readings come in, the same whatever the size of the blocks.

    Parameters
    ----------
    step_s : float
        Mean time between answers [s].
    """

    def __init__(self, step_s: float) -> None:
        self.step_s = step_s
        self._state = np.array([np.nan, np.nan, np.nan])

    def take(self, t_s: Floats, p_pa: Floats, *, last: bool = False) -> tuple[Floats, Floats]:  # noqa: ARG002
        """Give the answers that are new, with the times at which they were made.

        Parameters
        ----------
        t_s, p_pa : ndarray, shape (n,)
            The next readings: times [s], strictly ascending, and pressure [Pa].
        last : bool
            Whether no more will come; nothing waits for them.
        """
        made = np.empty(t_s.size)
        new = np.empty(t_s.size, dtype=np.bool_)
        _answers(t_s, p_pa, made, new, self.step_s, self._state)
        return made[new], p_pa[new]

    def doubts(self) -> list[str]:
        """Say what was seen, and what to do."""
        rate = 1.0 / self.step_s
        faster = "" if rate > ENOUGH_HZ else " Set the sensor, or its converter, to answer faster."
        return [f"Readings repeat: the sensor answers only {significant(rate, 2)} times a second. The repetitions were left out.{faster}"]


@jit
def _answers(t: Floats, p: Floats, made: Floats, new: NDArray[np.bool_], step_s: float, state: Floats) -> None:
    """Fill which readings are new answers, made when [s]; the state is the last reading, its time, and the time of the last answer."""
    value, asked, answered = state
    for i in range(t.size):
        same = p[i] == value
        new[i] = not same or t[i] > answered + AGAIN * step_s
        if same:
            made[i] = answered + step_s
        else:
            made[i] = 0.5 * (asked + t[i]) if t[i] < asked + step_s else t[i]
        if new[i]:
            value, answered = p[i], made[i]
        asked = t[i]
    state[:] = value, asked, answered


class Stairs:
    """Follow whether falls and rises come in answers that repeat, where a line at rest repeats itself too and hides that at first."""

    def __init__(self) -> None:
        self._state = np.array([np.nan, np.inf, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0])

    def take(self, t_s: Floats, p_pa: Floats) -> None:
        """Take note of the next readings: times [s] and pressure [Pa]."""
        _follow(t_s, p_pa, self._state)

    def doubts(self) -> list[str]:
        """Say what was seen, and what to do."""
        stairs, slopes, took_s = self._state[-3:].tolist()
        if stairs < FEWEST_STAIRS or stairs < STAIRS_SHARE * (stairs + slopes) or stairs + slopes > LATE_HZ * took_s:
            return []
        answer_s = took_s / (stairs + slopes)
        return [
            f"In falls readings repeat: the sensor answers only about {significant(1.0 / answer_s, 2)} times a second. Shots are told some "
            f"{500.0 * answer_s:.0f} ms too late, and one may be lost now and then. Set the sensor, or its converter, to answer faster."
        ]


@jit
def _follow(t: Floats, p: Floats, state: Floats) -> None:
    """Count stairs and slopes; the state is the last reading, resolution, usual change, the last large change, its time, repetitions since,
    then stairs, slopes, and the time they took [s].
    """
    last, resolution, usual, large, large_t, repeated = state[0], state[1], state[2], state[3], state[4], state[5]
    for i in range(t.size):
        change = p[i] - last
        size = abs(change)
        last = p[i]
        if size == 0.0:
            repeated += 1.0
        elif size > 0.0:
            resolution = min(resolution, size)
            if size < max(LARGE_STEPS * resolution, LARGE * usual):
                large = 0.0
            else:
                if change * large > 0.0 and t[i] - large_t < APART_S:
                    state[6 if repeated else 7] += 1.0
                    state[8] += t[i] - large_t
                large, large_t = change, t[i]
            repeated = 0.0
        if size >= 0.0:
            usual += (min(size, LARGE * usual + resolution) - usual) / FOLLOWED if resolution < np.inf else 0.0
    state[:6] = last, resolution, usual, large, large_t, repeated
