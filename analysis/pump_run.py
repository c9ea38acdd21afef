"""Whether a line that rises between shots is being pumped up, and when that began: what shots hide is worked out from what they take.

All on means over `slopes.BIN_S`: `t` [s], `p` [Pa], and `busy`, 1 where a shot hides the line's slow course.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from analysis import slopes
from analysis.constants import ATMOSPHERE_ABS_PA

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

NEAR = 5  # steps from which a level beside shots is read
FEWEST_STEPS, MOST_STEPS = 4, 20  # to read a slope beside shots
HIDDEN_BINS = 120  # that a burst may hide
KNOWN_BINS = 500  # back to which it is learned what a shot takes
CLEAR = 1.0  # a change of slope over the noise of one step, from which on one step tells where it was
SAME_PA_PER_S = 600.0  # slopes no further apart are the same

BEFORE_S = 12.0  # a line that rises above all it had for so long before is not merely refilled
RISE_SHARE = 0.006  # of absolute pressure
WORK_SHARE, KEPT_UP = 0.012, 0.6  # while the tool works on: rises so much, and half way through had so much less than half of it
STRETCH_BINS = 15  # least without a shot that shows whether the line still rises
FADES_PER_S = 0.08  # slope over its own rate of change: a receiver's refill fades faster, a pump's delivery more slowly
SETTLED_BINS = 8  # least without a shot after a stop
SAG, CLEAR_SAG = 0.02, 0.06  # of the slope up before it: least slope down, and the noise in which it is seen
SURE = 2.0  # standard deviations


@dataclass(frozen=True, slots=True, kw_only=True)
class Course:
    """Bins kept of a line's slow course, and the shots fired in it.

    Attributes
    ----------
    t_s, p_pa, busy, free_pa : ndarray, shape (n,)
        Mean times [s] and pressures [Pa]; 1 where a shot is under way; pressure with what shots change taken out [Pa].
    sigma_pa : float
        Noise of a bin [Pa].
    shots_s : sequence of float
        Times of the shots [s].
    """

    t_s: Floats
    p_pa: Floats
    busy: Floats
    free_pa: Floats
    sigma_pa: float
    shots_s: Sequence[float]

    def quiet_steps(self, a: int, z: int) -> Ints:
        """Bins a to z that, like the one before them, no shot hides."""
        a = max(a, 1)
        return np.flatnonzero((self.busy[a:z] == 0.0) & (self.busy[a - 1 : z - 1] == 0.0)) + a

    def slope(self, bins: Ints) -> float:
        """Median slope of the steps that end at some bins [Pa/s]."""
        return float(np.median(self.p_pa[bins] - self.p_pa[bins - 1])) / slopes.BIN_S

    def level(self, bins: Ints, slope_pa_per_s: float, at_s: float) -> float:
        """Pressure at a time, from a few bins and the slope there [Pa]."""
        return float(np.mean(self.p_pa[bins] - slope_pa_per_s * (self.t_s[bins] - at_s)))

    def fired(self, from_s: float, until_s: float) -> int:
        """How many shots between two times."""
        return sum(from_s < s < until_s for s in self.shots_s)


def hidden_kink(course: Course, k: int, z: int) -> float | None:
    """When the slope changed that was noticed about bin k, seen from bin z, if shots hide it there [s]; None where it is not clear."""
    i = course.quiet_steps(k - HIDDEN_BINS, z)
    before, after = i[i < k - slopes.LATER][-MOST_STEPS:], i[i >= k + slopes.LATER // 2]
    if before.size < FEWEST_STEPS or after.size < FEWEST_STEPS:
        return None
    i = i[i >= before[0]]
    step = course.p_pa[i] - course.p_pa[i - 1]
    old, new = course.slope(before), course.slope(after)
    here = np.concatenate([step[: before.size] - old * slopes.BIN_S, step[-after.size :] - new * slopes.BIN_S])
    noise = 1.4826 * float(np.median(np.abs(here))) / slopes.BIN_S
    if new == old or abs(new - old) < CLEAR * noise:
        return None
    # Where the steps fit best: the old slope up to one of them, the new one from the next.
    misfit = np.cumsum((step - old * slopes.BIN_S) ** 2 - (step - new * slopes.BIN_S) ** 2)
    last = int(np.argmin(misfit[:-1]))
    taken = shot_takes(course, k)
    if taken is None:
        return 0.5 * float(course.t_s[i[last]] + course.t_s[i[last + 1] - 1])
    # What the pressure changed by about there, and the shots did not take, the two slopes made.
    a, b = i[max(last - NEAR, 0) :][:NEAR], i[: last + 1 + NEAR][-NEAR:] - 1
    from_s, until_s = float(course.t_s[a[-1]]), float(course.t_s[b[0]])
    made = course.level(b, new, until_s) - course.level(a, old, from_s)
    made += taken * course.fired(from_s, until_s)
    return min(max((new * until_s - old * from_s - made) / (new - old), from_s), until_s)


def shot_takes(course: Course, k: int) -> float | None:
    """What a shot takes for good, from those before bin k with the same slope on both sides [Pa]; None where there are none."""
    quiet = course.quiet_steps(k - KNOWN_BINS, k)
    takes = []
    for n in np.flatnonzero(np.diff(quiet) > 1):
        before, after = quiet[max(n + 1 - 2 * NEAR, 0) : n + 1], quiet[n + 1 : n + 1 + 2 * NEAR]
        old, new = course.slope(before), course.slope(after)
        from_s, until_s = float(course.t_s[before[-1]]), float(course.t_s[after[0] - 1])
        shots = course.fired(from_s, until_s)
        if shots and min(before.size, after.size) >= FEWEST_STEPS and abs(new - old) < SAME_PA_PER_S:
            slope = 0.5 * (old + new)
            fell = course.level(before[-NEAR:], slope, from_s) - course.level(after[:NEAR] - 1, slope, until_s)
            takes.append((fell + slope * (until_s - from_s)) / shots)
    return float(np.median(takes)) if takes else None


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
    if now - float(p[long_before:begin].max()) > RISE_SHARE * pressure:
        return True
    stretches = list(_stretches(course.busy, begin, end, STRETCH_BINS))
    if stretches and stretches[-1][1] == end:
        slope, doubt = _slope(course, *stretches[-1])
        if slope < SURE * doubt:
            return False
    if now - float(p[just_before:begin].max()) > WORK_SHARE * pressure:
        middle = (begin + k) // 2
        return bool(course.free_pa[k] - course.free_pa[middle] > KEPT_UP * (course.free_pa[middle] - course.free_pa[begin]))
    # How fast the slope fades within the stretches without a shot.
    up, down = 0.0, 0.0
    for a, z in stretches:
        half = (z - a) // 2
        (first, doubt), (second, _) = _slope(course, a, a + half), _slope(course, z - half, z)
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
    first = next(_stretches(course.busy, k + NEAR, z, SETTLED_BINS), None)
    if first is None:
        return None
    (before, _), (after, doubt) = _slope(course, k - MOST_STEPS, k, course.free_pa), _slope(course, *first)
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


def _slope(course: Course, a: int, z: int, p: Floats | None = None) -> tuple[float, float]:
    """Slope of bins a to z, of the pressure or of another course, and its standard uncertainty [Pa/s]."""
    p = course.p_pa if p is None else p
    x = (np.arange(z - a) - 0.5 * (z - a - 1)) * slopes.BIN_S
    squares = float(x @ x)
    return float(x @ p[a:z]) / squares, max(course.sigma_pa, 1.0) / squares**0.5
