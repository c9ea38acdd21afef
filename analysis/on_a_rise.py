"""A faint fall of a line that rises before it and goes on to rise after it, as a tank does while its pump runs or its hose refills it.

What is a shot is decided by a step on a level line, as where a rise only ends no air was drawn. Such a step begins late and is too small
where the line rose, so what was found is laid on the rise.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from analysis.faint_fall import FEWEST_STRAIGHT, FaintFall, sloping
from analysis.step_fit import EXPLAINED, fallen, fit_steps, likely_step

Floats = NDArray[np.float64]

BEFORE_S, AFTER_S = 0.5, 0.1  # looked at, before the onset and after nearly all is lost
WIDTHS_S = np.array([0.03, 0.05, 0.075, 0.11, 0.16, 0.22])
ONSETS_S = np.linspace(-0.16, 0.16, 41)  # tried
LEAST_S = 0.2  # of the line before the fall


def laid_on_the_rise(t: Floats, p: Floats, fall: FaintFall, noise_pa: float, from_s: float, until_s: float) -> FaintFall:
    """Fit a fall again that was found on a level line, if the line rises before it.

    Parameters
    ----------
    t, p : ndarray, shape (n,)
        Times [s] and pressure [Pa].
    fall : FaintFall
        What was found.
    noise_pa : float
        Standard deviation of the noise of a reading [Pa].
    from_s, until_s : float
        From when on the line has come back from the last shot, and when the next begins [s].

    Returns
    -------
    FaintFall
        The same where no rise stands out.
    """
    from_s = max(from_s, fall.time_s - BEFORE_S)
    a, k, z = (int(i) for i in t.searchsorted([from_s, fall.time_s, min(until_s, fall.over_s + AFTER_S)]))
    if z - k < FEWEST_STRAIGHT or sloping(t, p, from_s, fall.time_s, noise_pa, LEAST_S) <= 0.0:
        return fall
    around, steps = fit_steps(t[a:z] - fall.time_s, p[a:z] - p[a], ONSETS_S, WIDTHS_S, True, 1e-6)
    best = float(steps[EXPLAINED].max())
    if best <= 0.0:
        return fall
    variance = max(noise_pa**2, (around - best) / max(z - a - 5, 1))
    onset_s, width_s, before_pa, depth_pa, slope = likely_step(steps, variance)
    dip_pa = float(max(depth_pa * fallen(since_s, width_s) - slope * since_s for since_s in np.arange(0.0, 3.0 * width_s, 0.1 * width_s)))
    return replace(fall, time_s=fall.time_s + onset_s, width_s=width_s, before_pa=float(p[a]) + before_pa, dip_pa=dip_pa)
