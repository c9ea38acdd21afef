"""Rows of a logger that writes a reading only when it has changed, made even again by holding the last one.

While nothing is written the line stands where it was, within the smallest change that is written; nearly all of a dip's level before lies
there. Some write a row each so often as well, a heartbeat: a silence longer than that is a gap. Without one a silence may be either.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from analysis.jit import jit
from analysis.units import significant

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

FEWEST, FEWEST_SILENCES = 60, 4  # rows, and silences among them, that show how they are written
FASTEST_S = 4e-4  # between readings; what is nearer is stamps in clumps
SILENT = 1.5  # times the step of the readings; a row after longer was not the next reading
EARLY, EARLY_SHARE = 0.4, 0.05  # of a step, and share of the rows; where more come so soon, it is none
RARE = 3.0  # times the rows after one step are those after two, and it is two: of readings left out by chance two are rarer
EQUAL_SHARE = 0.03  # of the rows that follow at once repeat the one before: heartbeats
# Before a silence the line has come to rest: this share of silences follow changes of no more than so many times the smallest written,
# which noise far above a step, whose rows are lost by chance, does in a tenth. The smallest is this quantile, as a heartbeat's may be less.
RESTING_SHARE, RESTING, SMALLEST = 0.6, 3.5, 0.03
HELD_S = 60.0  # at either end of a longer silence, which is a gap between: so much shows what it is, and memory is bounded
BEATS, ALIKE, MISSED = 3, 0.1, 1.5  # heartbeats in a row, within a share of each other, that are believed; times theirs, one is missing
WORTH_S = 10.0  # a silence that needs a word

# Slots of the state: the last row's time [s] and pressure [Pa], the heartbeat [s] and how often it was seen; silences beyond it and their
# time [s]; the longest that was held and its beginning [s]; those held only at their ends
LAST_T, LAST_P, BEAT_S, BEAT_N, OFF_N, OFF_S, LONGEST_S, LONGEST_T, PARTLY_N, SLOTS = 0, 1, 2, 3, 4, 5, 6, 7, 8, 9


def changed_step(t_s: Floats, p_pa: Floats) -> float:
    """Time between the readings of a logger that writes only those that have changed [s]; 0 where it writes them all.

    Parameters
    ----------
    t_s, p_pa : ndarray, shape (n,)
        The first rows of a record: times [s], strictly ascending, and pressure [Pa].
    """
    if t_s.size < FEWEST:
        return 0.0
    since, change = np.diff(t_s), np.abs(np.diff(p_pa))
    step_s = float(np.sort(since)[int(SMALLEST * since.size)])
    for _ in range(20):  # rows that follow at once come about one step apart, whatever their jitter
        near, next_s = since < SILENT * step_s, since[(since >= SILENT * step_s) & (since < (1.0 + SILENT) * step_s)]
        step_s = float(np.median(next_s if next_s.size > RARE * near.sum() else since[near]))
    at_once, early = since < SILENT * step_s, since < EARLY * step_s
    if step_s < FASTEST_S or early.mean() > EARLY_SHARE or (change[at_once] == 0.0).mean() > EQUAL_SHARE or not change[at_once].any():
        return 0.0
    smallest = float(np.quantile(change[at_once & (change > 0.0)], SMALLEST))
    silences = np.flatnonzero(~at_once[1:] & (change[:-1] > 0.0))
    resting = change[silences] <= RESTING * smallest
    return step_s if resting.size >= FEWEST_SILENCES and resting.mean() >= RESTING_SHARE else 0.0


class Held:
    """Hold the last reading through silences while rows come in, the same whatever the size of the blocks.

    Parameters
    ----------
    step_s : float
        Time between readings [s].
    """

    def __init__(self, step_s: float) -> None:
        self.step_s = step_s
        self._state = np.zeros(SLOTS)
        self._state[LAST_T] = np.nan

    def take(self, t_s: Floats, p_pa: Floats, *, last: bool = False) -> tuple[Floats, Floats]:  # noqa: ARG002
        """Give the rows with the readings between them.

        Parameters
        ----------
        t_s, p_pa : ndarray, shape (n,)
            The next rows: times [s], strictly ascending, and pressure [Pa].
        last : bool
            Whether no more will come; nothing waits for them.
        """
        first_t, first_p = self._state[LAST_T], self._state[LAST_P]
        after, before, apart = np.zeros(t_s.size, dtype=np.int64), np.zeros(t_s.size, dtype=np.int64), np.empty(t_s.size)
        n = _silences(t_s, p_pa, after, before, apart, self.step_s, self._state)
        t, p = np.empty(n), np.empty(n)
        _hold(t_s, p_pa, after, before, apart, first_t, first_p, t, p)
        return t, p

    def doubts(self) -> list[str]:
        """Say what was seen, and what to do."""
        state = self._state
        said = (
            "The logger writes a reading only when it has changed: in between the last one was taken to hold, at "
            f"{significant(1.0 / self.step_s, 3)} readings a second."
        )
        if state[BEAT_N] >= BEATS:
            if state[OFF_N]:
                times = "Once" if state[OFF_N] == 1 else f"{int(state[OFF_N])} times"
                said += (
                    f" {times} it wrote nothing for longer than the {significant(state[BEAT_S], 2)} s after which it writes in any case, "
                    f"{significant(state[OFF_S], 2)} s in all: it was off, and shots then are missing."
                )
        elif state[LONGEST_S] > WORTH_S:
            longest = f"{significant(state[LONGEST_S], 2)} s from {significant(state[LONGEST_T], 3)} s on"
            said += (
                f" Where it writes nothing the line was at rest or the logger off, which cannot be told apart (longest: {longest}). "
                "Let it write once a second in any case."
            )
            if state[PARTLY_N]:
                said += f" Silences of more than {2 * HELD_S:.0f} s are told as gaps."
        return [said]


@jit
def _silences(t: Floats, p: Floats, after: Ints, before: Ints, apart: Floats, step_s: float, state: Floats) -> int:
    """Fill how many readings to hold after the last row, and just before this, and how far apart [s]; gives how many there are in all."""
    n = 0
    for i in range(t.size):
        since = t[i] - state[LAST_T]
        apart[i] = step_s
        if since >= SILENT * step_s:
            if state[BEAT_N] >= BEATS and since > MISSED * state[BEAT_S] + step_s:
                state[OFF_N] += 1.0
                state[OFF_S] += since
            else:
                if since > state[LONGEST_S]:
                    state[LONGEST_S], state[LONGEST_T] = since, state[LAST_T]
                if since > 2.0 * HELD_S:
                    after[i] = before[i] = int(HELD_S / step_s)
                    state[PARTLY_N] += 1.0
                else:
                    steps = round(since / step_s)
                    after[i] = steps - 1
                    apart[i] = since / steps
                if p[i] == state[LAST_P] and state[BEAT_N] < BEATS:
                    alike = abs(since - state[BEAT_S]) < ALIKE * state[BEAT_S] + step_s
                    state[BEAT_N] = state[BEAT_N] + 1.0 if alike else 1.0
                    state[BEAT_S] = since
        n += after[i] + before[i] + 1
        state[LAST_T], state[LAST_P] = t[i], p[i]
    return n


@jit
def _hold(
    t: Floats, p: Floats, after: Ints, before: Ints, apart: Floats, last_t: float, last_p: float, held_t: Floats, held_p: Floats
) -> None:
    """Fill the rows and what is held between them."""
    n = 0
    for i in range(t.size):
        for k in range(after[i]):
            held_t[n], held_p[n] = last_t + (k + 1) * apart[i], last_p
            n += 1
        for k in range(before[i]):
            held_t[n], held_p[n] = t[i] - (before[i] - k) * apart[i], last_p
            n += 1
        held_t[n], held_p[n] = t[i], p[i]
        n += 1
        last_t, last_p = t[i], p[i]
