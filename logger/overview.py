"""An overview of a pressure: the lowest and highest reading of each few hundred, and its gaps; small however long the recording is."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

BLOCK: Final = 256  # readings of which the lowest and the highest are kept
GAP_STEPS, GAP_S = 10.0, 1.0  # readings so many usual spacings and so many seconds apart have a gap between them


@dataclass(frozen=True, slots=True, kw_only=True)
class Overview:
    """A recording in few points.

    Attributes
    ----------
    t_s, p_pa : ndarray, shape (n,)
        Time [s] and pressure [Pa] of the lowest and the highest reading of each block, and of the first and the last of all, in order
        of time.
    gaps_s : ndarray, shape (m, 2)
        Last reading before and first after each gap [s].
    readings : int
        How many there are in all.
    faults : int
        Raw values that lay outside the sensor's valid range and are left out.
    """

    t_s: Floats
    p_pa: Floats
    gaps_s: Floats
    readings: int
    faults: int = 0


def overview_of(pieces: Iterable[tuple[Floats, Floats]]) -> Overview:
    """Read a recording through once, piece by piece, and keep its extremes.

    Parameters
    ----------
    pieces : iterable of (ndarray, ndarray)
        Times [s], rising, and pressures [Pa], none missing.
    """
    times, values, gaps = [np.empty(0)], [np.empty(0)], [np.empty((0, 2))]
    readings, usual_s, last = 0, 0.0, None
    for t, p in pieces:
        if not t.size:
            continue
        readings += t.size
        if not usual_s and t.size > 2:
            usual_s = float(np.median(np.diff(t)))
        joined = t if last is None else np.concatenate([[last[0]], t])
        steps = np.diff(joined)
        far = np.flatnonzero((steps > GAP_STEPS * usual_s) & (steps > GAP_S))
        gaps.append(np.column_stack([joined[far], joined[far + 1]]))
        chosen = _extremes(p)
        if last is None:
            chosen = np.unique(np.append(chosen, 0))
        times.append(t[chosen])
        values.append(p[chosen])
        last = (float(t[-1]), float(p[-1]))
    if last is not None and times[-1][-1] < last[0]:
        times.append(np.array([last[0]]))
        values.append(np.array([last[1]]))
    return Overview(t_s=np.concatenate(times), p_pa=np.concatenate(values), gaps_s=np.concatenate(gaps), readings=readings)


def _extremes(p: Floats) -> NDArray[np.int64]:
    """Positions of the lowest and the highest reading of each block."""
    whole = p.size // BLOCK
    kept = []
    for first, body in ((0, p[: whole * BLOCK].reshape(whole, BLOCK)), (whole * BLOCK, p[None, whole * BLOCK :])):
        if body.size:
            starts = first + BLOCK * np.arange(body.shape[0])
            kept += [starts + body.argmin(axis=1), starts + body.argmax(axis=1)]
    return np.unique(np.concatenate(kept)).astype(np.int64)


def save_overview(path: Path, overview: Overview) -> None:
    """Keep an overview in a file; where that cannot be, it is made again the next time."""
    beside = path.with_name(f".{path.name}.{os.getpid()}")
    with contextlib.suppress(OSError):
        path.parent.mkdir(parents=True, exist_ok=True)
        with beside.open("wb") as file:
            np.savez(file, t_s=overview.t_s, p_pa=overview.p_pa, gaps_s=overview.gaps_s, readings=overview.readings, faults=overview.faults)
        beside.replace(path)


def load_overview(path: Path) -> Overview | None:
    """Read an overview that was kept; None where there is none that can be read."""
    try:
        with np.load(path, allow_pickle=False) as kept:
            return Overview(
                t_s=kept["t_s"],
                p_pa=kept["p_pa"],
                gaps_s=kept["gaps_s"],
                readings=int(kept["readings"]),
                faults=int(kept["faults"]),
            )
    except (OSError, ValueError, KeyError, EOFError):
        return None
