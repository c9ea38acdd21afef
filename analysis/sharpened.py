"""Shots that few readings show, measured again between their readings, as the mean dip of many says how the pressure went."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from analysis.mean_dip import FARTHEST_STEPS, FEWEST, NOISIEST, MeanDip, Seen, superimpose
from analysis.measures import BOTTOM_S, measure
from analysis.record import Shot
from analysis.recovered import RECOVERED, recovery
from analysis.sensor_lag import span, unlagged
from analysis.stretch import smooth, width_for

Floats = NDArray[np.float64]

FEW_LOW = 8  # readings below half of a dip; with more, the shot itself shows from where it began and how deep it goes
MOST_LOW, CALM = 14, 0.04  # but where noise is less than this share of the dip, up to so many place it better beside the others
STILL_BACK = 3.0  # recoveries; a shot sooner after another begins while the line still comes back from that
UNLIKE_SIGMA, UNLIKE_SHARE = 3.0, 0.06  # a shot this far off the curve has another shape
# Depth, as a share: what a dip that lasts for one reading leaves unsure. It shrinks in proportion to the readings in a dip, as a bottom
# sharper than they are apart is rounded on the mean dip too. From dips with sharp and round bottoms at 50 to 200 readings a second.
MEAN_U, SINGLE_U = 0.09, 0.2
BESIDE_S, BESIDE_SHARE = 0.1, 0.01  # what a shot has beside the curve is averaged over so long, or until noise leaves this of the dip
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
    if low > (MOST_LOW if noise < CALM else FEW_LOW):
        return shots, 0.0
    if len(seen) < FEWEST or noise > NOISIEST:
        return shots, SINGLE_U / max(low, 1.0)
    # Of each shot its mean dip, that before the sensor, its place in it, and whether it began soon after another.
    known: dict[int, tuple[MeanDip, Floats, int, bool]] = {}
    time_s = [s.shot.time_s for s in seen]
    depth_u = 0.0
    for members, soon in _alike(seen):
        these = [seen[i] for i in members]
        mean = superimpose(these, step_s)
        onset_s = _onset(these, mean, step_s)
        if onset_s is None:
            depth_u = max(depth_u, SINGLE_U / max(low, 1.0))
            continue
        depth_u = max(depth_u, MEAN_U * min(step_s / mean.width_s, 1.0))
        fine_s = float(mean.x_s[1] - mean.x_s[0])
        true = unlagged(mean.x_s, mean.share, lag_s, span(lag_s, fine_s)) if lag_s else mean.share
        for k, i in enumerate(members):
            time_s[i] = float(mean.at_s[k]) + onset_s
            if mean.off_pa[k] <= max(UNLIKE_SIGMA * seen[i].noise_pa, UNLIKE_SHARE * mean.depth_pa[k]):
                known[i] = mean, true, k, soon and low <= FEW_LOW
    for i, (mean, true, k, soon) in known.items():
        s = seen[i]
        next_s = time_s[i + 1] if i + 1 < len(seen) and seen[i + 1].shot.time_s < s.t_s[-1] + 2.0 * step_s else np.inf
        # Where the line still rings or rises, the shot before says how it goes on to where this one begins; else what shots begin on.
        before_pa = _carried(s, known[i - 1], time_s[i], step_s) if i - 1 in known else None
        if before_pa is None and soon:
            before_pa = _carried(s, known[i], time_s[i], step_s)
        shots[i] = _measured(s, mean, true, k, time_s[i], next_s, step_s, before_pa)
    return shots, depth_u


def _alike(seen: Sequence[Seen]) -> list[tuple[list[int], bool]]:
    """Which shots go together, and whether they began soon after another: what that leaves rings on under them."""
    took = [s.shot.recovery_s for s in seen if s.shot.outcome == "recovered"]
    back_s = STILL_BACK * float(np.median(took)) if took else np.inf
    apart = np.diff([s.shot.time_s for s in seen])
    soon = [math.isnan(seen[0].drift_pa_per_s), *(apart < back_s).tolist()]
    groups = [([i for i, x in enumerate(soon) if x is such], such) for such in (True, False)]
    if min(len(members) for members, _ in groups) >= FEWEST:
        return groups
    return [(list(range(len(seen))), 2 * sum(soon) > len(seen))]


def _onset(seen: Sequence[Seen], mean: MeanDip, step_s: float) -> float | None:
    """When the mean dip begins, from its origin [s]; None where it cannot be told."""
    spacing = float(mean.x_s[1] - mean.x_s[0])
    level = spacing * np.arange(round(0.2 / spacing), 0, -1)
    x = np.concatenate([mean.x_s[0] - level, mean.x_s])
    p = -UNIT_PA * np.concatenate([np.zeros(level.size), mean.share])
    share = float(np.median([s.noise_pa for s in seen]) / np.median(mean.depth_pa))
    noise = UNIT_PA * max(share / (len(seen) * spacing / step_s) ** 0.5, 0.003)  # of the mean of the readings at a node
    bottom_s = float(mean.x_s[np.argmax(mean.share)])
    fall = measure(x, p, bottom_s, max(0.016, step_s), noise, 0.0, spacing, float(x[0]), float(x[-1]))
    shots_s = float(np.median([s.shot.time_s - at for s, at in zip(seen, mean.at_s, strict=True)]))
    return fall.time_s if fall is not None and abs(fall.time_s - shots_s) < FARTHEST_STEPS * step_s else None


def _carried(s: Seen, known: tuple[MeanDip, Floats, int, bool], time_s: float, step_s: float) -> float | None:
    """Carry the last readings before a shot on to where it begins, along a mean dip [Pa]; None where that does not reach so far."""
    mean, share, i, _ = known
    lead = s.t_s < time_s
    if not lead.any() or time_s - mean.at_s[i] > mean.x_s[-1]:
        return None
    n = width_for(s.noise_pa, float(mean.depth_pa[i]), step_s, BESIDE_S, BESIDE_SHARE)
    lead[: max(int(lead.sum()) - n, 0)] = False  # the last of them, as the mean dip and the line part slowly
    lost = np.interp(np.append(s.t_s[lead], time_s) - mean.at_s[i], mean.x_s, share)
    return float(np.mean(s.p_pa[lead] + mean.depth_pa[i] * (lost[:-1] - lost[-1])))


def _measured(s: Seen, mean: MeanDip, share: Floats, i: int, time_s: float, next_s: float, step_s: float, before_pa: float | None) -> Shot:
    """Measure a shot whose pressure goes between readings as the mean dip does, and what it has beside that as a line.

    Parameters
    ----------
    share : ndarray, shape (m,)
        The mean dip as it was before the sensor.
    time_s, next_s : float
        When the shot begins, and the next where that is what its readings end with; else infinite [s].
    before_pa : float or None
        Pressure just before it, where that is known better than by the shot itself [Pa].
    """
    shot, depth, fine_s = s.shot, mean.depth_pa[i], mean.x_s[1] - mean.x_s[0]
    before = shot.before_pa + s.slope_pa_per_s * (time_s - shot.time_s)
    beside = s.p_pa - before + depth * np.interp(s.t_s - mean.at_s[i], mean.x_s, mean.share)
    n = max(3, width_for(s.noise_pa, depth, step_s, BESIDE_S, BESIDE_SHARE))
    beside = smooth(beside, n)
    until_s = min(next_s, s.t_s[-1] + step_s)
    t = np.arange(time_s, until_s, fine_s)
    p = before - depth * np.interp(t - mean.at_s[i], mean.x_s, share) + np.interp(t, s.t_s, beside)
    if before_pa is not None:
        before = before_pa
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
