"""Readings of nothing, from a sensor whose supply or plug gave way for a moment, left out as a gap is.

Such readings go to nothing from one to the next and come back as suddenly to about where they were. No line empties and fills so fast, and
nobody pulls a hose off and plugs it in again so soon.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from analysis.jit import jit

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

LEAST_PA = 100_000.0  # a line under pressure
FALLEN, BACK, BEYOND = 0.1, 0.5, 1.3  # of the pressure before: less is nothing, and between these it is back
EDGE_S = 0.025  # from the last reading that is whole to the first of nothing, and back
SHORTEST_S, LONGEST_S = 0.016, 2.2  # shorter ones are spikes
PARTLY = 0.8  # of its neighbour: a reading while the sensor goes off or comes on


class Outages:
    """Leave readings of nothing out while readings come in, the same whatever the size of the blocks."""

    def __init__(self) -> None:
        self._t, self._p = np.empty(0), np.empty(0)
        self._given = 0  # of those kept, the last before what waits
        self._count, self._lost_s = 0, 0.0

    def take(self, t_s: Floats, p_pa: Floats, *, last: bool = False) -> tuple[Floats, Floats]:
        """Give the readings that are none of nothing; those from a sudden fall on wait until it is known what it was.

        Parameters
        ----------
        t_s, p_pa : ndarray, shape (n,)
            The next readings: times [s], strictly ascending, and pressure [Pa].
        last : bool
            Whether no more will come.
        """
        t, p = np.concatenate([self._t, t_s]), np.concatenate([self._p, p_pa])
        given, falls = self._given, _sudden(p)
        keep = np.ones(t.size if falls.size else 0, dtype=np.bool_)
        until, i = t.size, 2
        for k in falls.tolist():
            if k < max(i, self._given):
                continue
            level = max(p[k - 1], p[k - 2])
            up = p[k:] >= FALLEN * level
            i = k + int(np.argmax(up)) if up.any() else t.size
            if i + 1 >= t.size and not last and t[-1] - t[k] <= LONGEST_S:
                until = max(k - 1, self._given)
                break
            a = k - 1 if p[k - 1] < PARTLY * p[k - 2] else k
            z = i + 1 if i + 1 < t.size and p[i] < PARTLY * p[i + 1] else i
            if z < t.size and self._nothing(t, p, a, k, i, z):
                keep[a:z] = False
                self._count += 1
                self._lost_s += float(t[z] - t[a - 1])
        if until == t.size > 1 and not last and p[-1] < PARTLY * p[-2]:
            until = max(t.size - 1, self._given)
        first = max(until - 2, 0)
        self._t, self._p, self._given = t[first:].copy(), p[first:].copy(), until - first
        t, p, keep = t[given:until], p[given:until], keep[given:until]
        return (t[keep], p[keep]) if falls.size else (t, p)

    def _nothing(self, t: Floats, p: Floats, a: int, k: int, i: int, z: int) -> bool:
        """Whether the readings a to z, of which k to i are low, are of nothing."""
        edge_s = max(t[k] - t[a - 1], t[z] - t[i - 1])
        back = BACK * p[a - 1] < p[z] < BEYOND * p[a - 1]
        return bool(back and edge_s < EDGE_S and SHORTEST_S < t[i] - t[k] <= LONGEST_S)

    def doubts(self) -> list[str]:
        """Say what was seen, and what to do."""
        if not self._count:
            return []
        times = "once" if self._count == 1 else f"{self._count} times"
        return [
            f"The sensor fell silent {times}: it read nothing from one reading to the next, and came back so. These {self._lost_s:.1f} s "
            "are left out, with the shots in them. Check its plug, cable and supply."
        ]


@jit
def _sudden(p: Floats) -> Ints:
    """Positions of readings of nothing just after pressure."""
    found = np.empty(p.size, dtype=np.int64)
    n = 0
    for k in range(2, p.size):
        before = max(p[k - 1], p[k - 2])
        if before > LEAST_PA and p[k] < FALLEN * before:
            found[n] = k
            n += 1
    return found[:n].copy()
