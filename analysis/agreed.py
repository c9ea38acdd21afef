"""When dips are over, agreed among many shots: in noise, one alone cannot tell which swing of the hose is its last below the level."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from analysis.constants import ATMOSPHERE_ABS_PA
from analysis.level_before import BEFORE_S
from analysis.mean_dip import FEWEST, LEAST_NOISE, Seen
from analysis.measures import BOTTOM_S, DEEP_SHARE
from analysis.record import Shot
from analysis.recovered import HELD_S, RECOVERED, crossed, held
from analysis.sensor_lag import grown, span, unlagged
from analysis.stretch import smooth
from analysis.units import significant

Floats = NDArray[np.float64]

FROM_S, SPACING_S = 0.02, 0.004  # after the onset, and of the curves that are laid over each other
OWN_S = 0.06  # what is a shot's own is averaged over so long, in which a hose does not swing
COMMON_S = 0.012  # and what they have in common over so much, against noise at high rates; much less than a swing
NOISIEST = 0.2  # of the dip
SAME_SHARE, SAME_S = 0.05, 0.01  # a recovery that is agreed within this stays as the shot itself shows it
CLEARLY = 0.02  # of the dip, by which shots lie below the level that are cut off rather than over
NEAR_S = 0.02  # so near to where it is agreed, the readings of the shot itself say when the level is crossed
LITTLE, MUCH_LATER = 0.015, 1.5  # of the dip, about what its measures are good to; and times, by how much it matters
APART = 4.0  # times what noise explains, on average over a shot: one that lies farther off than most is no longer taken for like them
FEWEST_OWN, FEWEST_BEFORE = 4, 3.0  # shots, to tell how much they differ; readings that a pressure before is averaged over


@dataclass(frozen=True, slots=True)
class Undecided:
    """When dips are over, were the level at which they are a little lower or higher: from the onset [s]."""

    early_s: float
    late_s: float

    def doubt(self) -> str:
        """What to tell the reader."""
        return (
            f"The hose swings back to about the level at which a dip counts as over: with {200.0 * LITTLE:.0f} % of the dip between them, "
            f"it is over after {significant(self.early_s, 2)} s or after {significant(self.late_s, 2)} s. No recovery here is known better "
            "than that, nor is their median; look at the recording itself."
        )


def agreed(seen: Sequence[Seen], shots: Sequence[Shot], step_s: float, lag_s: float = 0.0) -> tuple[list[Shot], Undecided | None]:
    """Tell recoveries again, from what the shots have in common and what each has of its own as far as that stands out of the noise.

    The share of its dip that a shot has yet to regain is drawn towards the median of all shots by how much of their differences noise
    explains: the best linear estimate of what varies in noise of known variance.

    Parameters
    ----------
    seen : sequence of Seen
        In order of time.
    shots : sequence of Shot
        The same, as they are measured by now.
    step_s : float
        Spacing of the readings [s].
    lag_s : float
        Time constant of the sensor's first-order response, which is taken out [s].

    Returns
    -------
    list of Shot
        In the same order, as they were where shots are few, in much noise, or so shallow that a pump moves the line as much.
    Undecided or None
        Where it hangs on little of a dip when it is over.
    """
    told = list(shots)
    if len(told) < FEWEST:
        return told, None
    dip_pa, before_pa = (float(np.median(v)) for v in zip(*((s.dip_pa, s.before_pa) for s in told), strict=True))
    noise = max(float(np.median([s.noise_pa for s in seen])) / dip_pa, LEAST_NOISE)
    if dip_pa < DEEP_SHARE * (before_pa + ATMOSPHERE_ABS_PA) or noise > NOISIEST:
        return told, None
    times, pressures = [np.append(s.t_s, s.later_t_s) for s in seen], [np.append(s.p_pa, s.later_p_pa) for s in seen]
    if lag_s:
        pressures = [unlagged(t, p, lag_s, span(lag_s, step_s)) for t, p in zip(times, pressures, strict=True)]
        noise = grown(noise, lag_s, step_s)
    spacing = max(step_s, SPACING_S)
    seen_s = [float(t[-1]) - shot.time_s for t, shot in zip(times, told, strict=True)]
    x = np.arange(FROM_S, sorted(seen_s)[-FEWEST_OWN], spacing)
    if x.size * spacing < HELD_S:
        return told, None
    above = np.array([_above(x, t, p, shot, step_s) for t, p, shot in zip(times, pressures, told, strict=True)])
    common = smooth(np.nanmedian(above, axis=0), int(COMMON_S / spacing) | 1)
    curves, unsure = _drawn_together(common, above, noise, spacing, step_s)
    following_s = np.diff([shot.time_s for shot in told], append=np.inf)
    for i, (t, p, shot) in enumerate(zip(times, pressures, told, strict=True)):
        cut = bool(following_s[i] < seen_s[i] + 2.0 * step_s)
        until_s = min(float(following_s[i]) if cut else seen_s[i], x[-1])
        at = _over_s(x, curves[i], unsure, until_s)
        if np.isnan(at):
            if cut and shot.outcome == "recovered" and np.isnan(_over_s(x, curves[i] + CLEARLY, 0.0, until_s)):
                told[i] = replace(shot, recovery_s=np.nan, censored_s=float(following_s[i]), outcome="cut off")
        elif not (shot.recovery_s > x[-1] or abs(at - shot.recovery_s) < max(SAME_SHARE * at, SAME_S)):
            own = crossed(t, p, shot.time_s + at, _level_pa(shot), noise * dip_pa, shot.dip_pa) - shot.time_s
            took_s = own if abs(own - at) < NEAR_S else at
            told[i] = replace(shot, recovery_s=took_s, censored_s=took_s, outcome="recovered")
    return told, _undecided(x, common)


def _over_s(x: Floats, above: Floats, slack: float, until_s: float) -> float:
    """When a dip is over that is so far above the level, as a share of it; NaN if not by then [s]."""
    low = int(np.argmin(above[x < BOTTOM_S]))
    return float(held(x[low:], above[low:], 0.0, slack, until_s, 0))


def _undecided(x: Floats, common: Floats) -> Undecided | None:
    """Where dips that go as all do would be over much sooner or later by little of them."""
    early_s, late_s = (_over_s(x, common + by, 0.0, x[-1]) for by in (LITTLE, -LITTLE))
    return Undecided(early_s, late_s) if late_s > MUCH_LATER * early_s else None


def _level_pa(shot: Shot) -> float:
    return shot.before_pa - (1.0 - RECOVERED) * shot.dip_pa


def _above(x: Floats, t: Floats, p: Floats, shot: Shot, step_s: float) -> Floats:
    """How far a shot is above the level at which it has recovered, as a share of its dip; NaN where it was not seen."""
    y = (smooth(p, int(SPACING_S / step_s) | 1) - _level_pa(shot)) / shot.dip_pa
    return np.interp(x, t - shot.time_s, y, right=np.nan)


def _drawn_together(common: Floats, above: Floats, noise: float, spacing: float, step_s: float) -> tuple[Floats, float]:
    """Draw curves together by how much of their differences noise explains, and how unsure they are then, as a share of the dip."""
    from scipy.ndimage import convolve1d  # slow to load, and seldom needed

    seen = np.isfinite(above)
    kernel = np.hanning((round(OWN_S / spacing) | 1) + 2)[1:-1]
    own = convolve1d(np.where(seen, above - common, 0.0), kernel, axis=1, mode="constant")
    own /= np.maximum(convolve1d(seen.astype(np.float64), kernel, axis=1, mode="constant"), 1e-9)
    averaged = kernel.sum() ** 2 / np.sum(kernel**2) * spacing / step_s
    by_noise = noise**2 * (1.0 / averaged + 1.0 / max(BEFORE_S / step_s, FEWEST_BEFORE))
    spread = 1.4826 * np.nanmedian(np.abs(np.where(seen, own, np.nan)), axis=0)
    far = np.sum(np.where(seen, own**2, 0.0), axis=1) / np.maximum(np.sum(seen, axis=1), 1)
    really = np.maximum(np.maximum(spread**2 - by_noise, (far - APART * by_noise)[:, np.newaxis]), 0.0)
    weight = really / (really + by_noise)
    return common + weight * own, float(np.median(weight) * by_noise) ** 0.5
