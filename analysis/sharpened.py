"""Shots that few readings show, measured again between their readings, as the mean dip of many says how the pressure went."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from analysis.mean_dip import FARTHEST_STEPS, FEWEST, NOISIEST, UNLIKE_SHARE, MeanDip, Seen, superimpose
from analysis.measures import BOTTOM_S, measure
from analysis.record import Shot
from analysis.recovered import RECOVERED, recovery
from analysis.sensor_lag import span, unlagged
from analysis.step_fit import EDGE_POWER
from analysis.stretch import smooth, width_for
from analysis.superposed import Under, freed

Floats = NDArray[np.float64]

MOST_LOW = 16  # readings below half of a dip; with more, the shot itself shows from where it began and how deep it goes
UNLIKE_SIGMA = 3.0  # a shot so many times its noise off the curve, and `UNLIKE_SHARE` of its depth, has another shape
# Depth, as a share: what a dip that lasts for one reading leaves unsure. It shrinks in proportion to the readings in a dip, as a bottom
# sharper than they are apart is rounded on the mean dip too. From dips with sharp and round bottoms at 50 to 200 readings a second.
MEAN_U, SINGLE_U = 0.09, 0.2
BESIDE_S, BESIDE_SHARE = 0.1, 0.01  # what a shot has beside the curve is averaged over so long, or until noise leaves this of the dip
EARLY, EARLY_SIGMA, HALF = 0.1, 3.0, 0.5  # shares of a dip, and times the noise, by whose loss it is told when it began
# Shots by whose readings the onset is as sure as from the drawn curve: from simulated lines at 42 to 80 readings a second.
AS_SURE = 25
CLEAR_STEPS = 0.25  # of a reading before a shot begins; nearer, one may be of its fall
UNIT_PA = 1e5


def sharpened(seen: Sequence[Seen], step_s: float, lag_s: float = 0.0) -> tuple[list[Shot], float]:
    """Measure shots again between their readings, where these are few and the mean dip says how the pressure went.

    Parameters
    ----------
    seen : sequence of Seen
        In order of time.
    step_s : float
        Spacing of the readings [s].
    lag_s : float
        Time constant of the sensor's first-order response, which is taken out [s].

    Returns
    -------
    list of Shot
        In the same order; as they were where readings are close enough, shots too few, or a shot unlike the others.
    float
        Standard uncertainty of their dips that comes from the spacing of the readings, as a share.
    """
    shots = [s.shot for s in seen]
    low = float(np.median([np.sum(s.shot.before_pa - s.p_pa > 0.5 * s.shot.dip_pa) for s in seen])) if seen else np.inf
    noise = float(np.median([s.noise_pa / s.shot.dip_pa for s in seen])) if seen else 0.0
    if low > MOST_LOW:
        return shots, 0.0
    if len(seen) < FEWEST or noise > NOISIEST:
        return shots, SINGLE_U / max(low, 1.0)
    # Those that began while the line still rang from the one before, as a still line would show them.
    free, under = freed(seen, step_s)
    mean = superimpose(free, step_s)
    if mean.share[-1] > HALF:
        return shots, 0.0  # a round step that does not come back, on a line whose drift would count as its shape
    like = mean.off_pa <= np.maximum(UNLIKE_SIGMA * np.array([s.noise_pa for s in seen]), UNLIKE_SHARE * mean.depth_pa)
    onset_s = _onset(free, mean, like, step_s)
    if onset_s is None:
        return shots, SINGLE_U / max(low, 1.0)
    fine_s = float(mean.x_s[1] - mean.x_s[0])
    share = unlagged(mean.x_s, mean.share, lag_s, span(lag_s, fine_s)) if lag_s else mean.share
    time_s = mean.at_s + onset_s
    for i in np.flatnonzero(like).tolist():
        follows = i + 1 < len(seen) and seen[i + 1].shot.time_s < seen[i].t_s[-1] + 2.0 * step_s
        next_s = float(time_s[i + 1]) if follows else np.inf
        shots[i] = _measured(shots[i], free[i], under[i], mean, share, i, float(time_s[i]), next_s, step_s)
    return shots, MEAN_U * min(step_s / mean.width_s, 1.0)


def _onset(seen: Sequence[Seen], mean: MeanDip, like: NDArray[np.bool_], step_s: float) -> float | None:
    """When the mean dip begins, from its origin [s]; None where it cannot be told.

    Where the pressure falls faster than readings follow, most shots have none on their fall, and a curve that is too slow goes through
    those that there are. But readings fall on shots by chance: on average a share is lost midway between those before and after.
    """
    noise = float(np.median([s.noise_pa for s in seen]) / np.median(mean.depth_pa))
    drawn = _drawn_onset(seen, mean, noise, step_s)
    little = max(EARLY, EARLY_SIGMA * noise)
    early_s, half_s = (_lost_s(seen, mean, like, share) for share in (little, HALF))
    if early_s is None or half_s is None:
        return drawn
    early, half = (share ** (1.0 / EDGE_POWER) for share in (little, HALF))
    onset_s = early_s - early / (half - early) * max(half_s - early_s, 0.0)
    if drawn is None:
        return onset_s
    return drawn if half_s - onset_s > step_s else drawn + np.sum(like) / (np.sum(like) + AS_SURE) * (onset_s - drawn)


def _lost_s(seen: Sequence[Seen], mean: MeanDip, like: NDArray[np.bool_], share: float) -> float | None:
    """When a share of the dip is lost, midway between the readings before and after, on average; from the curve's origin [s]."""
    middles = []
    for i in np.flatnonzero(like).tolist():
        x, lost = seen[i].t_s - mean.at_s[i], (seen[i].shot.before_pa - seen[i].p_pa) / mean.depth_pa[i]
        half = int(np.argmax(lost >= HALF))
        above = np.flatnonzero(lost[:half] < share)
        if above.size:
            middles.append(0.5 * float(x[above[-1]] + x[above[-1] + 1]))
    return float(np.mean(middles)) if len(middles) >= FEWEST else None


def _drawn_onset(seen: Sequence[Seen], mean: MeanDip, noise: float, step_s: float) -> float | None:
    """When the mean dip as it is drawn begins, in noise of such a share of it, from its origin [s]; None where it cannot be told."""
    spacing = float(mean.x_s[1] - mean.x_s[0])
    level = spacing * np.arange(round(0.2 / spacing), 0, -1)
    x = np.concatenate([mean.x_s[0] - level, mean.x_s])
    p = -UNIT_PA * np.concatenate([np.zeros(level.size), mean.share])
    noise_pa = UNIT_PA * max(noise / (len(seen) * spacing / step_s) ** 0.5, 0.003)  # of the mean of the readings at a node
    bottom_s = float(mean.x_s[np.argmax(mean.share)])
    fall = measure(x, p, bottom_s, max(0.016, step_s), noise_pa, 0.0, spacing, float(x[0]), float(x[-1]))
    shots_s = float(np.median([s.shot.time_s - at for s, at in zip(seen, mean.at_s, strict=True)]))
    return fall.time_s if fall is not None and abs(fall.time_s - shots_s) < FARTHEST_STEPS * step_s else None


def _measured(shot: Shot, s: Seen, under: Under, mean: MeanDip, share: Floats, i: int, time_s: float, next_s: float, step_s: float) -> Shot:
    """Measure a shot whose pressure goes between readings as the mean dip does, and what it has beside that as a line.

    Parameters
    ----------
    shot : Shot
        As it was measured by itself.
    s, under : Seen, Under
        As a still line would show it, and what shots before leave under it.
    share : ndarray, shape (m,)
        The mean dip as it was before the sensor.
    time_s, next_s : float
        When the shot begins, and the next where that is what its readings end with; else infinite [s].
    """
    depth, fine_s = mean.depth_pa[i], mean.x_s[1] - mean.x_s[0]
    before = s.shot.before_pa + s.slope_pa_per_s * (time_s - shot.time_s)
    beside = s.p_pa - before + depth * np.interp(s.t_s - mean.at_s[i], mean.x_s, mean.share)
    n = max(3, width_for(s.noise_pa, depth, step_s, BESIDE_S, BESIDE_SHARE))
    beside = smooth(beside, n)
    until_s = min(next_s, s.t_s[-1] + step_s)
    t = np.arange(time_s, until_s, fine_s)
    p = before - depth * np.interp(t - mean.at_s[i], mean.x_s, share) + np.interp(t, s.t_s, beside) - under.lost_pa(t)
    lead = s.p_pa[s.t_s < time_s - CLEAR_STEPS * step_s][-n:]
    if under.times_s.size and lead.size:
        # Where it stood by all of its readings, and by those just before it: the one is biased where shots differ, the other noisy.
        before = 0.5 * (before + float(np.mean(lead)))
    before -= float(under.lost_pa(np.array([time_s]))[0])
    low = int(np.argmin(p[t < time_s + BOTTOM_S])) if t.size else 0
    if low == 0:
        return shot
    dip = before - float(p[low])
    took = recovery(t[low:], p[low:], before - (1.0 - RECOVERED) * dip, s.noise_pa / n**0.5, dip, fine_s, until_s=until_s) - time_s
    now = replace(shot, time_s=time_s, before_pa=before, minimum_pa=before - dip, dip_pa=dip)
    if np.isfinite(took):
        return replace(now, recovery_s=took, censored_s=took, outcome="recovered")
    if np.isfinite(next_s):
        return replace(now, recovery_s=np.nan, censored_s=next_s - time_s, outcome="cut off")
    # Watched for longer than the readings that are kept.
    moved = shot.time_s - time_s
    return replace(now, recovery_s=shot.recovery_s + moved, censored_s=shot.censored_s + moved)
