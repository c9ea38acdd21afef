"""Whether the pressure keeps to the tool's window: a dip of a shot is no alarm, a pressure that stays outside is."""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

STAYS_S = 0.3  # a shot on a healthy line dips for less

Side = Literal["below", "above", "inside"]


def stays_outside(t_s: ArrayLike, p_pa: ArrayLike, window_pa: tuple[float, float], *, for_s: float = STAYS_S) -> Side:
    """Tell on which side of a window the newest readings have been for a while.

    Parameters
    ----------
    t_s : array_like, shape (n,)
        Times [s], rising.
    p_pa : array_like, shape (n,)
        Gauge pressure [Pa]; NaN is passed over.
    window_pa : (float, float)
        Lowest and highest working pressure [Pa gauge].
    for_s : float
        How long every reading must have been outside [s].

    Returns
    -------
    str
        "below" or "above" where all readings of the last `for_s` are on that side, and there are readings that old; else "inside".
    """
    t, p = np.asarray(t_s, dtype=np.float64), np.asarray(p_pa, dtype=np.float64)
    t, p = t[np.isfinite(p)], p[np.isfinite(p)]
    if not t.size or t[-1] - t[0] < for_s:
        return "inside"
    newest = p[t >= t[-1] - for_s]
    if newest.max() < window_pa[0]:
        return "below"
    return "above" if newest.min() > window_pa[1] else "inside"
