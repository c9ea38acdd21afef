"""Breaks too slow or too small to stand out of the readings: found by what the fitted leak cannot explain.

A valve cracked open for half an hour, a small draw in a noisy recording, a fitting that begins to leak at night: none makes a jump.
Beside the fitted leak and its slow residual each is one more column, a ramp between two blocks or a bend at one. The column that
makes the recording much more likely is a break.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis.leak_breaks import Span
from analysis.leak_fit import Blocks, Posterior

Array = NDArray[np.float64]

RAMPS: Final = (1, 2, 3, 5, 8, 13, 21)  # lengths of a ramp tried, in blocks
MUCH_LIKELIER: Final = 15.0  # natural logarithm of the likelihoods' ratio; a thousand columns are tried, so chance alone gives 8
COARSE_STEPS: Final = 1.6  # of a coarse sensor that a break must exceed; as for the breaks that jump
EDGE: Final = 4  # blocks that a bend needs on either side


@dataclass(frozen=True, slots=True, kw_only=True)
class Hidden:
    """A break that was found.

    Attributes
    ----------
    span : Span
        What must not be fitted.
    bend : float
        Where the line goes on losing air at another rate, for good: above 0 faster than before, below 0 more slowly; else 0.
    """

    span: Span
    bend: float


def hidden_break(d: Blocks, fit: Posterior, wanted: Sequence[Span] = ()) -> Hidden | None:
    """Find the ramp or bend that the leak and its slow residual cannot explain; None where they explain all.

    Nothing is looked for in the stretches that are `wanted`.
    """
    columns, places = _candidates(d, wanted)
    if not places:
        return None
    null, best, where, way = -np.inf, -np.inf, 0, 0.0
    # A coarse step's own jumps are no breaks.
    least = COARSE_STEPS * d.resolution_pa / float(np.mean(d.p_pa + d.p_amb_pa))
    for log_det, white in fit.whiten:
        x, z, c = white @ fit.design[:, :-1], white @ fit.design[:, -1], white @ columns
        hat = np.linalg.solve(x.T @ x + fit.pull, x.T)
        rest = z - x @ (hat @ z)
        free = c - x @ (hat @ c)
        plain = -0.5 * float(z @ rest) - log_det - 0.5 * float(np.linalg.slogdet(x.T @ x + fit.pull)[1])
        power = np.einsum("ij,ij->j", c, free)
        size = np.divide(c.T @ rest, power, out=np.zeros(power.size), where=power > 1e-9 * np.einsum("ij,ij->j", c, c))
        size[np.abs(size) < least] = 0.0
        gain = 0.5 * size**2 * power
        null = max(null, plain)
        i = int(np.argmax(gain))
        if plain + float(gain[i]) > best:
            best, where, way = plain + float(gain[i]), i, -float(np.sign(size[i]))
    if best - null < MUCH_LIKELIER:
        return None
    first, last = places[where]
    # The change lies within its blocks: from the middle of the one before to the middle of the one after.
    from_s, until_s = float(d.t_s[first]), float(d.t_s[last])
    if last < d.t_s.size - 1:
        return Hidden(span=Span(from_s=from_s, until_s=until_s, why="air was drawn or let in slowly"), bend=0.0)
    start_s, end_s = float(d.t_s[0]), float(d.t_s[-1])
    if way < 0.0 and end_s - from_s > from_s - start_s:
        # What was shut, or came to its seat, is how the line stands now.
        return Hidden(span=Span(from_s=float(d.fine.t_s[0]), until_s=from_s, why="lost air at another rate until here"), bend=way)
    return Hidden(span=Span(from_s=from_s, until_s=until_s, why="loses air at another rate from here on"), bend=way)


def _candidates(d: Blocks, wanted: Sequence[Span]) -> tuple[Array, list[tuple[int, int]]]:
    """Columns to try, and from which block to which each is to be left out."""
    columns: list[Array] = []
    places: list[tuple[int, int]] = []
    end = d.t_s.size - 1
    for stretch in range(int(d.stretch[-1]) + 1):
        mine = np.flatnonzero(d.stretch == stretch)
        first, last = int(mine[0]), int(mine[-1])
        inside = d.stretch == stretch
        if any(w.from_s < d.t_s[last] and d.t_s[first] < w.until_s for w in wanted):
            continue  # the break that is wanted would be made up for by another one beside it
        for i in range(first, last):
            for length in RAMPS:
                j = i + length
                if j > last - 1:
                    break
                ramp = np.clip((d.t_s - d.t_s[i]) / (d.t_s[j] - d.t_s[i]), 0.0, 1.0)
                columns.append(np.where(inside, ramp, 0.0))
                places.append((i, j))
        if last == end:
            for i in range(first + EDGE, last - EDGE):
                columns.append(np.where(inside, np.maximum(d.t_s - d.t_s[i], 0.0) / (d.t_s[-1] - d.t_s[0]), 0.0))
                places.append((i, end))
    return np.column_stack(columns) if columns else np.empty((d.t_s.size, 0)), places
