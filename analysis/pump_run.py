"""Whether a line that rises between shots is being pumped up, and what it does when that ends.

All on means over `slopes.BIN_S`: `t` [s], `p` [Pa], and `busy`, 1 where a shot hides the line's slow course.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from analysis import slopes
from analysis.constants import ATMOSPHERE_ABS_PA

Floats = NDArray[np.float64]

BEFORE_S = 12.0  # a line that rises above all it had for so long before is not merely refilled
RISE_SHARE = 0.006  # of absolute pressure
WORK_SHARE, KEPT_UP = 0.012, 0.6  # while the tool works on: rises so much, and half way through had so much less than half of it
STRETCH_BINS = 15  # least without a shot that shows whether the line still rises
FADES_PER_S = 0.08  # slope over its own rate of change: a receiver's refill fades faster, a pump's delivery more slowly
SETTLED_BINS = 8  # least without a shot after a stop,
SETTLING_BINS, BEFORE_BINS = 5, 20  # so long after it; and before it, to read how fast the line rose
SAG, CLEAR_SAG = 0.02, 0.06  # of the slope up before it: least slope down, and the noise in which it is seen
SURE = 2.0  # standard deviations


@dataclass(frozen=True, slots=True, kw_only=True)
class Course:
    """Bins kept of a line's slow course.

    Attributes
    ----------
    t_s, p_pa, busy, free_pa : ndarray, shape (n,)
        Mean times [s] and pressures [Pa]; 1 where a shot is under way; pressure with what shots change taken out [Pa].
    sigma_pa : float
        Noise of a bin [Pa].
    """

    t_s: Floats
    p_pa: Floats
    busy: Floats
    free_pa: Floats
    sigma_pa: float


def pumped(course: Course, start_s: float, k: int) -> bool | None:
    """Whether a rise that began at a time is a pump's, seen from bin k; None where that cannot be told yet.

    A line that is refilled, by a regulator or through a hose, comes back to where it stood, ever more slowly. A pump raises it beyond
    that, and as fast at the end as at the start.
    """
    p, end = course.p_pa, k + 1
    long_before, just_before, begin = np.searchsorted(course.t_s[:end], [start_s - BEFORE_S, start_s - 2.0, start_s + 0.5])
    if begin <= just_before or end - STRETCH_BINS <= begin:
        return None
    now = float(p[end - STRETCH_BINS : end].max())
    pressure = now + ATMOSPHERE_ABS_PA
    stretches = list(_stretches(course.busy, begin, end, STRETCH_BINS))
    if stretches and stretches[-1][1] == end:
        slope, doubt = slope_of(course, *stretches[-1])
        if slope < SURE * doubt:
            return False
    if now - float(p[long_before:begin].max()) > RISE_SHARE * pressure:
        return True
    if now - float(p[just_before:begin].max()) > WORK_SHARE * pressure:
        middle = (begin + k) // 2
        return bool(course.free_pa[k] - course.free_pa[middle] > KEPT_UP * (course.free_pa[middle] - course.free_pa[begin]))
    # How fast the slope fades within the stretches without a shot.
    up, down = 0.0, 0.0
    for a, z in stretches:
        half = (z - a) // 2
        (first, doubt), (second, _) = slope_of(course, a, a + half), slope_of(course, z - half, z)
        lost = 0.5 * (first + second) * half * slopes.BIN_S  # by a slope that fades by all of itself in a second
        up += (first - second) * lost / (2.0 * doubt**2)
        down += lost**2 / (2.0 * doubt**2)
    if down <= 0.0:
        return None
    fades, doubt = up / down, down**-0.5
    if abs(fades - FADES_PER_S) < SURE * doubt:
        return None
    return fades < FADES_PER_S


def after_rise(course: Course, k: int, z: int) -> Literal["rises", "level", "sinks"] | None:
    """What a line that rose up to bin k does from there to z; None where shots or noise hide it.

    Air that was just compressed cools, so a tank sinks when its pump has stopped. A regulator holds a line level.
    """
    first = next(_stretches(course.busy, k + SETTLING_BINS, z, SETTLED_BINS), None)
    if first is None:
        return None
    (before, _), (after, doubt) = slope_of(course, k - BEFORE_BINS, k, course.free_pa), slope_of(course, *first)
    if after > SURE * doubt:
        return "rises"
    if after < -max(SURE * doubt, SAG * before):
        return "sinks"
    return "level" if SURE * doubt < CLEAR_SAG * before else None


def _stretches(busy: Floats, begin: int, end: int, least: int) -> Iterator[tuple[int, int]]:
    """Stretches of so many bins or more without a shot, from begin to end."""
    edges = np.flatnonzero(np.diff(np.concatenate([[1.0], busy[begin:end], [1.0]])) != 0.0) + begin
    for a, z in zip(edges[::2], edges[1::2], strict=True):
        if z - a >= least:
            yield int(a), int(z)


def slope_of(course: Course, a: int, z: int, p: Floats | None = None) -> tuple[float, float]:
    """Slope of bins a to z, of the pressure or of another course, and its standard uncertainty [Pa/s]."""
    p = course.p_pa if p is None else p
    x = (np.arange(z - a) - 0.5 * (z - a - 1)) * slopes.BIN_S
    squares = float(x @ x)
    return float(x @ p[a:z]) / squares, max(course.sigma_pa, 1.0) / squares**0.5
