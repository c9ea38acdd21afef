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
USUAL: Final = 20_000  # readings that tell the usual time from one to the next
SKETCH_POINTS: Final = 2000  # drawn where only the extremes of some pieces are known
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


@dataclass(frozen=True, slots=True, kw_only=True)
class Piece:
    """What an overview needs of a piece of a recording.

    Attributes
    ----------
    t_s, p_pa : ndarray, shape (n,)
        Time [s] and pressure [Pa] of the lowest and the highest reading of each block.
    ends : (float, float, float, float)
        Time and pressure of the first and of the last reading.
    apart_s : ndarray, shape (m, 2)
        Times of neighbouring readings that lie further apart than `GAP_S` [s].
    usual_s : float
        Median of the times from reading to reading [s]; NaN of a single one.
    readings : int
        How many there are.
    """

    t_s: Floats
    p_pa: Floats
    ends: tuple[float, float, float, float]
    apart_s: Floats
    usual_s: float
    readings: int


def piece_of(t: Floats, p: Floats) -> Piece:
    """Look through a piece of a recording: times [s], rising, and pressures [Pa], at least one and none missing."""
    chosen, edges = _extremes(p), t[np.append(np.arange(0, t.size, BLOCK), t.size - 1)]
    apart = np.empty(0, dtype=np.int64)
    if np.diff(edges).max() > GAP_S:  # else no two readings are
        apart = np.flatnonzero(np.diff(t) > GAP_S)
    return Piece(
        t_s=t[chosen],
        p_pa=p[chosen],
        ends=(float(t[0]), float(p[0]), float(t[-1]), float(p[-1])),
        apart_s=np.column_stack([t[apart], t[apart + 1]]),
        usual_s=float(np.median(np.diff(t[:USUAL]))) if t.size > 1 else float("nan"),
        readings=t.size,
    )


def overview_of(pieces: Iterable[Piece]) -> Overview:
    """Put the pieces of a recording together, in order of time."""
    times, values, apart = [np.empty(0)], [np.empty(0)], [np.empty((0, 2))]
    readings, largest, usual_s, last = 0, 1, 0.0, None
    for piece in pieces:
        begin_s, begin_pa, *end = piece.ends
        if last is None and begin_s < piece.t_s[0]:
            times.append(np.array([begin_s]))
            values.append(np.array([begin_pa]))
        if last is not None and begin_s - last[0] > GAP_S:
            apart.append(np.array([[last[0], begin_s]]))
        times.append(piece.t_s)
        values.append(piece.p_pa)
        apart.append(piece.apart_s)
        readings, last = readings + piece.readings, end
        if piece.readings > largest:  # a gap may be all that a small one holds
            largest, usual_s = piece.readings, piece.usual_s
    if last is not None and times[-1][-1] < last[0]:
        times.append(np.array([last[0]]))
        values.append(np.array([last[1]]))
    far = np.concatenate(apart)
    gaps = far[np.diff(far, axis=1)[:, 0] > GAP_STEPS * usual_s]
    return Overview(t_s=np.concatenate(times), p_pa=np.concatenate(values), gaps_s=gaps, readings=readings)


def sketch_of(spans_s: Floats, extremes_pa: Floats, readings: int) -> Overview:
    """Draw a recording of which only the extremes of its pieces are known: each piece as a band between them.

    Parameters
    ----------
    spans_s : ndarray, shape (n, 2)
        First and last time of each piece [s], rising; at least one piece.
    extremes_pa : ndarray, shape (n, 2)
        Its lowest and highest pressure [Pa].
    readings : int
        How many there are in all.
    """
    strokes = 2 * max(SKETCH_POINTS // (2 * len(spans_s)), 1)
    t = spans_s[:, :1] + np.diff(spans_s, axis=1) * np.linspace(0.0, 1.0, strokes)
    between = np.column_stack([spans_s[:-1, 1], spans_s[1:, 0]])
    apart = between[np.diff(between, axis=1)[:, 0] > GAP_S]
    return Overview(t_s=t.ravel(), p_pa=np.tile(extremes_pa, strokes // 2).ravel(), gaps_s=apart, readings=readings)


def _extremes(p: Floats) -> NDArray[np.int64]:
    """Positions of the lowest and the highest reading of each block, rising."""
    whole = p.size // BLOCK
    kept = []
    for first, body in ((0, p[: whole * BLOCK].reshape(whole, BLOCK)), (whole * BLOCK, p[None, whole * BLOCK :])):
        if body.size:
            starts = first + BLOCK * np.arange(body.shape[0])
            kept.append(np.sort(np.column_stack([starts + body.argmin(axis=1), starts + body.argmax(axis=1)]), axis=1).ravel())
    found = np.concatenate(kept)
    return found[np.append(True, np.diff(found) > 0)]


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
