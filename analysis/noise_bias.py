"""What noise does to the dips of a record: its mean dip, drawn again in the same noise, is measured as its shots are.

A bottom that is sharper than the readings which must be averaged against noise comes out too shallow, the more the noisier the
readings and the faster the line recovers, and the recovery too long. Two days that differ in either would seem to differ in their shots.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from analysis.mean_dip import AFTER_S, FEWEST, LEAD_STEPS, NOISIEST, Seen, superimpose
from analysis.record import Shot, ShotRecord
from analysis.shots import NOISE_U, find_shots
from analysis.stretch import smooth

Floats = NDArray[np.float64]

LEAST_NOISE = 0.015  # of the dip; less does little
COARSE = 1.0  # steps; less noise leaves a dip that goes by where its bottom falls between two steps, which is not told
# Standard uncertainty of a bias that is told, as a share of the noise over the dip, from recordings of one line that differ in their noise
# alone. Where it is not, two days mostly share it, or it is averaged out, and `NOISE_U` is left.
TOLD_U = 0.1
SHARE_U = 0.3  # and, where it is told, as a share of itself: from exponential dips in noise of 4 %
LEAST_BIAS = 0.005  # smaller ones are not told from none
MOST_SHOTS, MOST_READINGS = 60, 20_000  # that the mean dip is made of
CURVE_NOISE = 0.005  # of the dip, to which the mean dip is averaged, though not
BLURRED = 0.5  # over more than this share of its width: it would be another dip
DRAWN = 100  # shots
REST_S, END_S = 1.5, 0.3  # of a level line before each and after it
SAME_S = 0.06  # a shot that was drawn is found within this time of it


def dip_bias(t: Floats, p: Floats, record: ShotRecord, shots: Sequence[Shot]) -> tuple[float, float]:
    """Logarithm of how many times too deep the dips of some shots come out for noise, 0 where that is not seen; and its uncertainty.

    Where readings are few, dips were measured by their mean dip, and noise was averaged out of that before its bottom was read.

    Parameters
    ----------
    t, p : ndarray, shape (n,)
        Finite readings [s, Pa gauge].
    record : ShotRecord
        What was found in them.
    shots : sequence of Shot
        Those that are asked for, from a line at rest.
    """
    noise = record.noise_pa / float(np.median([s.dip_pa for s in shots])) if shots else 0.0
    if noise < LEAST_NOISE:
        return 0.0, 0.0
    averaged = record.depth_u > 0.0 and noise <= NOISIEST and len(record.shots) >= FEWEST
    if averaged or len(shots) < FEWEST or record.noise_pa < COARSE * record.resolution_pa:
        return 0.0, NOISE_U * noise
    step_s = 1.0 / record.rate_hz
    length_s = AFTER_S + float(np.median([s.censored_s for s in shots]))
    x, share, depth_pa, blurred = _mean_dip(t, p, record, shots, length_s)
    if blurred > BLURRED:
        return 0.0, NOISE_U * noise
    rng = np.random.default_rng(1)
    each = np.arange(-REST_S, length_s + END_S, step_s)
    since = each + rng.uniform(0.0, step_s, (DRAWN, 1))
    at = REST_S + (each.size + 1) * step_s * np.arange(DRAWN)
    level_pa = float(np.median([s.before_pa for s in shots]))
    drawn = level_pa - depth_pa * np.interp(since, x, share, left=0.0) + rng.normal(0.0, record.noise_pa, since.shape)
    if record.resolution_pa > 0.0:
        drawn = np.round(drawn / record.resolution_pa) * record.resolution_pa
    found = find_shots((at[:, None] + since).ravel(), drawn.ravel()).shots
    dips = [s.dip_pa for s in found if np.abs(at - s.time_s).min() < SAME_S]
    if len(dips) < 0.5 * DRAWN:
        return 0.0, NOISE_U * noise
    bias = float(np.log(dips).mean()) - math.log(depth_pa)
    return bias if abs(bias) > LEAST_BIAS else 0.0, math.hypot(SHARE_U * bias, TOLD_U * noise)


def _mean_dip(t: Floats, p: Floats, record: ShotRecord, shots: Sequence[Shot], length_s: float) -> tuple[Floats, Floats, float, float]:
    """Curve of the shots, averaged against noise: time since an origin [s] and share of the dip.

    Then their usual depth [Pa], and over which share of its width the curve was averaged.
    """
    step_s = 1.0 / record.rate_hz
    count = min(len(shots), MOST_SHOTS, max(FEWEST, int(MOST_READINGS * step_s / length_s)))
    times = [s.time_s for s in record.shots]
    seen = []
    for shot in (shots[i] for i in np.linspace(0, len(shots) - 1, count).astype(int)):
        following_s = next(iter(times[bisect_right(times, shot.time_s + SAME_S) :]), math.inf)
        until_s = min(shot.time_s + min(shot.censored_s + AFTER_S, length_s), following_s - LEAD_STEPS * step_s)
        a, z = np.searchsorted(t, [shot.time_s - LEAD_STEPS * step_s, until_s])
        seen.append(
            Seen(shot=shot, decided=shot, slope_pa_per_s=0.0, drift_pa_per_s=0.0, noise_pa=record.noise_pa, t_s=t[a:z], p_pa=p[a:z])
        )
    mean = superimpose(seen, step_s)
    depth_pa, spacing = float(np.median(mean.depth_pa)), float(mean.x_s[1] - mean.x_s[0])
    at_a_node = record.noise_pa / depth_pa / (count * spacing / step_s) ** 0.5
    n = math.ceil((at_a_node / CURVE_NOISE) ** 2) | 1
    once = smooth(mean.share, n)
    share = 2.0 * once - smooth(once, n)  # twice, which gives back of a sharp bottom what the first average took
    return mean.x_s, share / share.max(), depth_pa, n * spacing / mean.width_s
