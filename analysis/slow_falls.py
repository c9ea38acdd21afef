"""Slow falls in noise, as a receiver shows them, told again: laid on the slope of the line, with the width that such falls have here.

What is a shot is decided by a step on a level line, as where a rise only ends no air was drawn. Such a step begins late and is too small
where a pump or a hose fills the receiver, and where the fall is slower than a shot's is looked for. By itself a fall tells its width badly,
and its onset moves with that; but all falls of a line are about as wide.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from analysis.faint_fall import FEWEST_STRAIGHT, binned, sloping
from analysis.measures import Fall
from analysis.step_fit import EXPLAINED, HALF_WIDTH, OVER, TO_FALL, fallen, fit_steps, likely_step

Floats = NDArray[np.float64]

BEFORE_S, AFTER_S = 0.5, 0.1  # looked at, before the onset and after nearly all is lost
WIDTHS_S = np.array([0.03, 0.05, 0.075, 0.11, 0.16, 0.22, 0.3])
ONSETS_S = np.linspace(-0.16, 0.16, 41)  # tried
LEAST_S, FEWEST_BEFORE = 0.2, 4  # of the line before the fall, to tell whether it rises; and readings of it, to lay the fall on it
SLOW_S = 0.06  # width of a fall, or of those before it, that is laid on a line that does not rise too
KEPT, NO_MORE = 0.9, 8.0  # of what is known of the width, at the next fall; the logarithm of how unlikely a width is held for at most


class SlowFalls:
    """Lays falls on the slope of the line, and learns from each how wide they are."""

    def __init__(self) -> None:
        self._odds = np.zeros(WIDTHS_S.size)  # logarithm of the odds of each width, against the likeliest

    def laid(self, t: Floats, p: Floats, fall: Fall, noise_pa: float, from_s: float, until_s: float) -> Fall:
        """Fit a fall again that was found on a level line, if it is slow or the line rises before it.

        Parameters
        ----------
        t, p : ndarray, shape (n,)
            Times [s] and pressure [Pa].
        fall : Fall
            What was found.
        noise_pa : float
            Standard deviation of the noise of a reading [Pa].
        from_s, until_s : float
            From when on the line has come back from the last shot, and when the next begins [s].

        Returns
        -------
        Fall
            The same where it is as quick as on other lines and no rise stands out, or too few readings are left.
        """
        from_s = max(from_s, fall.time_s - BEFORE_S)
        width_s = max(fall.fall_s / TO_FALL, self._usual_s)
        if width_s < SLOW_S and sloping(t, p, from_s, fall.time_s, noise_pa, LEAST_S) <= 0.0:
            return fall
        until_s = min(until_s, fall.time_s + OVER * width_s + AFTER_S)
        a, k, z = (int(i) for i in t.searchsorted([from_s, fall.time_s, until_s]))
        if k - a < FEWEST_BEFORE or z - k < FEWEST_STRAIGHT:
            return fall
        x, y, per = binned(t[a:z] - fall.time_s, p[a:z] - p[a])
        around, steps = fit_steps(x, y, ONSETS_S, WIDTHS_S, True, 1e-6)
        best = float(steps[EXPLAINED].max())
        if best <= 0.0:
            return fall
        variance = max(noise_pa**2 / per, (around - best) / max(x.size - 5, 1))
        likely = np.exp(0.5 * (steps[EXPLAINED] - best) / variance).reshape(WIDTHS_S.size, -1).sum(axis=1)
        steps[EXPLAINED] += 2.0 * variance * np.repeat(self._odds, ONSETS_S.size)
        odds = KEPT * self._odds + np.log(np.maximum(likely, np.exp(-2.0 * NO_MORE)))
        self._odds = np.maximum(odds - odds.max(), -NO_MORE)
        onset_s, width_s, before_pa, depth_pa, slope = likely_step(steps, variance)
        time_s, before_pa = fall.time_s + onset_s, float(p[a]) + before_pa
        since_s = np.arange(0.0, 3.0 * width_s, 0.1 * width_s)
        return Fall.fitted(
            time_s=time_s,
            before_pa=before_pa,
            minimum_pa=before_pa - float(max(depth_pa * fallen(s, width_s) - slope * s for s in since_s)),
            minimum_s=time_s + OVER * width_s,
            half_s=time_s + HALF_WIDTH * width_s,
            fall_s=TO_FALL * width_s,
            sure=fall.sure,
        )

    @property
    def _usual_s(self) -> float:
        """How wide the falls of this line are, as well as it is known [s]; 0 where nothing is."""
        odds = np.exp(self._odds)
        return float(WIDTHS_S @ odds / odds.sum()) if self._odds.any() else 0.0
