"""How far a thermometer beside the pressure can be believed: readings that no tank has, that stand still, or that are not there."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

COLDEST_K, WARMEST_K = 223.0, 353.0  # beyond, a probe is broken, or at the pump and not at the air shut in; common practice, no source
END_S: Final = 60.0  # before its first reading and after its last a temperature is taken to stand for so long; by choice
BRIDGED_S: Final = 1800.0  # holes shorter than this are bridged: a tank's wall hardly changes meanwhile; by choice
NEVER_MOVED_S: Final = 3600.0  # a thermometer that shows one value for longer, and nothing else, is dead or far too coarse; by choice
STANDS_S_PER_K: Final = 1e5  # a live one moves by its own step, 0.1 K, within three hours; common practice, no source


def believable(t_s: Array, temp_k: Array) -> Array:
    """Take out what no tank's temperature is, and bridge short holes.

    Parameters
    ----------
    t_s, temp_k : ndarray, shape (n,)
        Times [s], ascending, and temperature [K]; NaN where there is no reading.

    Returns
    -------
    ndarray, shape (n,)
        Temperature [K]; NaN in holes longer than `BRIDGED_S`, at the ends too.
    """
    if np.fmin.reduce(temp_k) < COLDEST_K or np.fmax.reduce(temp_k) > WARMEST_K:
        temp_k = np.where((temp_k >= COLDEST_K) & (temp_k <= WARMEST_K), temp_k, np.nan)
    known = np.isfinite(temp_k)
    if known.all() or not known.any():
        return temp_k
    here = t_s[known]
    after = np.searchsorted(here, t_s)
    before, behind = here[np.maximum(after - 1, 0)], here[np.minimum(after, here.size - 1)]
    within = (after > 0) & (after < here.size)
    bridged = np.where(within, behind - before <= BRIDGED_S, np.minimum(np.abs(t_s - before), np.abs(behind - t_s)) <= END_S)
    return np.where(known, temp_k, np.where(bridged, np.interp(t_s, here, temp_k[known]), np.nan))


def stuck(t_s: Array, temp_k: Array) -> Flags:
    """Say where a thermometer stands still for so long that it must be dead; one that never moved in an hour as well.

    Parameters
    ----------
    t_s, temp_k : ndarray, shape (n,)
        Times [s], ascending, and temperature [K]; NaN where there is no reading.

    Returns
    -------
    ndarray of bool, shape (n,)
        True where the reading is not to be believed; a coarse thermometer may stand for longer than a fine one.
    """
    moved = np.diff(temp_k)
    edges = np.concatenate(([0], np.flatnonzero(moved != 0.0) + 1, [t_s.size]))
    lasts = t_s[edges[1:] - 1] - t_s[edges[:-1]]
    moved = np.abs(moved[(moved != 0.0) & np.isfinite(moved)])
    longest = max(NEVER_MOVED_S, STANDS_S_PER_K * float(np.median(moved))) if moved.size else NEVER_MOVED_S
    return np.repeat(lasts > longest, np.diff(edges))
