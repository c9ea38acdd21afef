"""Second stage of the shot detector: the shape of one fall of pressure, measured to less than a reading."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.jit import jit

Floats = NDArray[np.float64]

BEFORE_S = 0.1  # pressure before a shot is averaged over up to this long
BOTTOM_S = 0.35  # the lowest pressure comes within this time of the steepest fall, wherever the sensor sits
RECOVERED = 0.9  # share of the dip that must be regained
HELD_S = 0.15  # and for how long
LOOK_BACK_S = 0.6
JUMP_S = 0.004
# A fall starts rounded, so the chord from 15 to 45 % of it is extended by more than half its own length; readings far apart
# round it the other way. Both numbers from simulated lines with the sensor at the tool, along the hose and on a receiver.
ONSET_SHAPE, ONSET_SPACING = 0.9, 0.4
FEWEST_ON_EDGE = 4  # readings between onset and half of the dip, to fit the edge instead
EDGE_POWER = 1.4
TRIED = 45  # onsets
CLIMB_S = 0.04  # a falling edge has no level stretch this long


@dataclass(frozen=True, slots=True, kw_only=True)
class Fall:
    """Shape of one fall of pressure.

    Attributes
    ----------
    time_s : float
        When the pressure begins to fall [s].
    before_pa, minimum_pa : float
        Pressure just before, and lowest true pressure [Pa].
    minimum_s : float
        When the pressure is lowest [s].
    half_s : float
        When half of the dip is lost [s].
    fall_s : float
        Time over which the middle 60 % of the dip is lost, scaled to all of it [s].
    edge_s : float
        Time over which the dip grows from 10 to 50 % [s].
    low_s : float
        How long the pressure stays below 60 % of the dip [s]; the end of the view where it does not come back.
    back : float
        Share of the dip regained at the end of the view, at most.
    jump : float
        Largest share of the dip lost within `JUMP_S`, or between two readings where they are further apart.
    jump_s, next_jump : float
        Time that this took [s], and the share lost in the same time after it.
    rough : float
        Path that the pressure runs, over its range: 2 for one dip without noise, many for interference.
    risen : float
        How far the pressure had risen within `LOOK_BACK_S` before the fall, over the dip.
    slope_pa_per_s : float
        Slope before the fall [Pa/s].
    """

    time_s: float
    before_pa: float
    minimum_pa: float
    minimum_s: float
    half_s: float
    fall_s: float
    edge_s: float
    low_s: float
    back: float
    jump: float
    jump_s: float
    next_jump: float
    rough: float
    risen: float
    slope_pa_per_s: float

    @property
    def dip_pa(self) -> float:
        """Depth of the dip [Pa]."""
        return self.before_pa - self.minimum_pa


def smooth(p: Floats, n: int) -> Floats:
    """Centred moving average over an odd number of readings, narrower at the ends so that it never shifts."""
    half = n // 2
    if half < 1 or p.size < 3:
        return p
    total = np.concatenate([[0.0], np.cumsum(p - p[0])])
    i = np.arange(p.size)
    h = np.minimum(half, np.minimum(i, p.size - 1 - i))
    averaged: Floats = (total[i + h + 1] - total[i - h]) / (2 * h + 1) + p[0]
    return averaged


def width_for(noise_pa: float, dip_pa: float, step_s: float, longest_s: float, share: float) -> int:
    """Odd number of readings to average so that the noise falls below a share of the dip, no longer than `longest_s`."""
    if dip_pa <= 0.0:
        return 1
    n = int(np.ceil((noise_pa / (share * dip_pa)) ** 2))
    n = max(1, min(n, int(longest_s / step_s)))
    return n | 1


def last_above(y: Floats, level: float) -> int:
    """Last position of the leading part of a falling edge that is above a level."""
    above = np.flatnonzero(y > level)
    return int(above[-1]) if above.size else -1


def crossing(t: Floats, y: Floats, level: float, first: int, low: int) -> float:
    """Time at which the falling edge between two positions crosses a level for the last time [s]."""
    i = first + last_above(y[first : low + 1], level)
    if i < first:
        return float(t[first])
    if i >= low:
        return float(t[low])
    return float(t[i] + (t[i + 1] - t[i]) * (y[i] - level) / max(y[i] - y[i + 1], 1e-9))


def measure(
    t: Floats,
    p: Floats,
    top_s: float,
    lag_s: float,
    noise_pa: float,
    size_pa: float,
    step_s: float,
    earliest_s: float,
    until_s: float,
    least_pa: float = 0.0,
) -> Fall | None:
    """Measure the fall whose steepest part ends near `top_s`.

    Parameters
    ----------
    t, p : ndarray
        Times [s] and cleaned pressure [Pa], from well before the fall to the end of the view.
    top_s, lag_s, size_pa : float
        Where the first stage saw the largest fall, over which time, and how large [s, s, Pa].
    noise_pa, step_s : float
        Noise [Pa] and spacing of the readings [s].
    earliest_s, until_s : float
        The view: after the bottom of the shot before, and until the next fall begins [s].
    least_pa : float
        A smaller dip is not measured [Pa].

    Returns
    -------
    Fall or None
        None where no fall stands out.
    """
    n = width_for(noise_pa, size_pa, step_s, 0.4 * lag_s, 0.05)
    y = smooth(p, n)
    a, top, z = (int(i) for i in np.searchsorted(t, [max(top_s - 1.6 * lag_s - 0.03, earliest_s), top_s, until_s]))
    if top >= t.size or top - a < 1:
        return None
    z = min(z, t.size)
    first = int(np.searchsorted(t, earliest_s))
    low_end = max(min(int(np.searchsorted(t, top_s + BOTTOM_S)), z), top + 1)
    high = climb(t, y, a + int(np.argmax(y[a : top + 1])), first, noise_pa / n**0.5)
    low = high + int(np.argmin(y[high:low_end]))
    rough_dip = float(y[high] - y[low])
    if low <= high or rough_dip <= max(least_pa, 0.0):
        return None
    before, slope = float(y[high]), 0.0
    minimum, minimum_s = bottom(t, p, y, low, high, z, noise_pa, rough_dip, step_s)
    onset = float(t[high])
    for _ in range(3):
        dip = before - minimum
        if dip <= 0.0:
            return None
        t15, t45 = (crossing(t, y, before - f * dip, high, low) for f in (0.15, 0.45))
        edge = max(t45 - t15, 1e-6)
        onset = t15 - edge * min(max(ONSET_SHAPE - ONSET_SPACING * step_s / edge, 0.3), 0.88)
        before, slope = level_before(t, p, onset, 0.25 * step_s + 0.15 * max(t45 - t15, 0.0), earliest_s, noise_pa, dip)
    dip = before - minimum
    if dip <= 0.0:
        return None
    middle = crossing(t, y, before - 0.45 * dip, high, low)
    if np.searchsorted(t, middle) - np.searchsorted(t, onset) >= FEWEST_ON_EDGE:
        for _ in range(2):
            onset = hinge(t, p, before, slope, onset, middle)
            before, slope = level_before(t, p, onset, 0.25 * step_s, earliest_s, noise_pa, dip)
        dip = before - minimum
        if dip <= 0.0:
            return None
    t20, t80 = (crossing(t, y, before - f * dip, high, low) for f in (0.2, 0.8))
    t60 = crossing(t, y, before - 0.6 * dip, high, low)
    t10, t50 = (crossing(t, p, before - f * dip, high, low) for f in (0.1, 0.5))
    after = np.flatnonzero(y[low:z] > before - 0.6 * dip)
    back_s = float(t[low + after[0]]) if after.size else float(t[z - 1])
    jump, jump_s, next_jump = _sharpest(t, p, max(high - 1, 0), min(low + 2, z), step_s)
    back = int(np.searchsorted(t, onset - LOOK_BACK_S))
    lowest = float(y[back : high + 1].min()) if back <= high else before
    path = p[first:z]
    span = float(path.max() - path.min())
    quiet = np.abs(np.diff(path))
    quiet = quiet[quiet > 4.0 * noise_pa]
    return Fall(
        time_s=onset,
        before_pa=before,
        minimum_pa=minimum,
        minimum_s=minimum_s,
        half_s=t50,
        fall_s=(t80 - t20) / 0.6,
        edge_s=t50 - t10,
        low_s=back_s - t60,
        back=float((y[low:z].max() - minimum) / dip),
        jump=jump / dip,
        jump_s=jump_s,
        next_jump=next_jump / dip,
        rough=float(quiet.sum() / span) if span > 0.0 else 0.0,
        risen=(before - lowest) / dip,
        slope_pa_per_s=slope,
    )


@jit
def hinge(t: Floats, p: Floats, before_pa: float, slope_pa_per_s: float, onset_s: float, middle_s: float) -> float:
    """Onset of a fall that has many readings on its edge: where a line that turns into a power of time fits best [s].

    Parameters
    ----------
    before_pa, slope_pa_per_s : float
        The line before the fall, at `onset_s` [Pa, Pa/s].
    onset_s, middle_s : float
        First guess of the onset, and when half of the dip is lost [s].
    """
    edge = max(middle_s - onset_s, 1e-6)
    a, z = int(np.searchsorted(t, onset_s - 1.2 * edge)), int(np.searchsorted(t, middle_s))
    step = 1.4 * edge / (TRIED - 1)
    explained = np.zeros(TRIED)
    for k in range(TRIED):
        from_s = onset_s - 0.8 * edge + k * step
        both, weight = 0.0, 0.0
        for i in range(a, z):
            if t[i] > from_s:
                shape = (t[i] - from_s) ** EDGE_POWER
                both += shape * (before_pa + slope_pa_per_s * (t[i] - onset_s) - p[i])
                weight += shape * shape
        if weight > 0.0:
            explained[k] = both * both / weight
    k = int(np.argmax(explained))
    best = onset_s - 0.8 * edge + k * step
    if 0 < k < TRIED - 1:
        bend = explained[k - 1] - 2.0 * explained[k] + explained[k + 1]
        if bend < 0.0:
            best += 0.5 * (explained[k - 1] - explained[k + 1]) / bend * step
    return best


def _sharpest(t: Floats, p: Floats, first: int, end: int, step_s: float) -> tuple[float, float, float]:
    """Largest drop within `JUMP_S` [Pa], the time it took [s], and the drop in the same time after it [Pa]."""
    n = max(1, round(JUMP_S / step_s))
    q = p[first:end]
    if q.size < 2 * n + 1:
        return 0.0, step_s, 0.0
    drops = q[:-n] - q[n:]
    i = int(np.argmax(drops[: max(drops.size - n, 1)]))
    return float(drops[i]), float(t[first + i + n] - t[first + i]), float(drops[i + n]) if i + n < drops.size else 0.0


def climb(t: Floats, y: Floats, start: int, first: int, noise_pa: float) -> int:
    """Walk back up the falling edge to where it begins: until nothing within `CLIMB_S` before is higher."""
    i = start
    while i > first:
        a = max(int(np.searchsorted(t, t[i] - CLIMB_S)), first)
        if a >= i:
            return i
        j = a + int(np.argmax(y[a:i]))
        if y[j] <= y[i] + 2.0 * noise_pa:
            return i
        i = j
    return i


@jit
def level_before(
    t: Floats, p: Floats, onset_s: float, guard_s: float, earliest_s: float, noise_pa: float, dip_pa: float
) -> tuple[float, float]:
    """Pressure just before the fall and its slope; a steady line is averaged, a recovering one extrapolated.

    Returns
    -------
    tuple of float
        Pressure at the onset [Pa] and slope there [Pa/s], 0 where the line is steady.
    """
    z = int(np.searchsorted(t, onset_s - guard_s))
    level, slope = p[max(z - 1, 0)], 0.0
    reach = BEFORE_S
    for narrower in range(4):
        a = int(np.searchsorted(t, max(onset_s - reach, earliest_s)))
        n = z - a
        if n < (1 if narrower == 0 else 4):
            break
        xm, vm = 0.0, 0.0
        for i in range(a, z):
            xm += t[i] - onset_s
            vm += p[i] - level
        xm, vm = xm / n, level + vm / n
        if n < 4:
            return vm, 0.0
        spread, both = 0.0, 0.0
        for i in range(a, z):
            x = t[i] - onset_s - xm
            spread += x * x
            both += x * (p[i] - vm)
        slope = both / spread
        if abs(slope) < 3.0 * noise_pa / spread**0.5 or abs(slope) * reach < 0.005 * dip_pa:
            slope = 0.0
        level = vm - slope * xm
        rest = 0.0
        for i in range(a, z):
            rest += (p[i] - level - slope * (t[i] - onset_s)) ** 2
        # A line that rings or recovers bends; then only the last part says where it stood.
        if rest / n < (1.0 + 2.0 / n**0.5) * noise_pa**2 + (0.003 * dip_pa) ** 2:
            break
        reach *= 0.5
    return level, slope


def bottom(
    t: Floats, p: Floats, y: Floats, low: int, high: int, end: int, noise_pa: float, dip_pa: float, step_s: float
) -> tuple[float, float]:
    """Lowest true pressure and its time: a parabola through the bottom of the dip, which neither noise nor spacing pulls down."""
    if noise_pa < 0.003 * dip_pa:
        return float(y[low]), float(t[low])
    for reach_s, share in ((0.03, 0.12), (0.02, 0.1), (0.012, 0.08), (0.008, 0.06)):
        level = y[low] + max(share * dip_pa, 2.0 * noise_pa)
        reach = max(2, int(reach_s / step_s))
        a = z = low
        while a > high + 1 and low - a < reach and y[a - 1] < level:
            a -= 1
        while z < end - 1 and z - low < reach and y[z + 1] < level:
            z += 1
        x, v = t[a : z + 1] - t[low], p[a : z + 1]
        if v.size < 4:
            break
        c2, c1, c0 = np.polyfit(x, v, 2)
        rest = v - (c0 + c1 * x + c2 * x**2)
        # Where the bottom is no parabola, a narrower piece of it is.
        if float((rest**2).sum()) / (v.size - 3) > 1.5 * noise_pa**2 + (0.004 * dip_pa) ** 2 and reach > 2:
            continue
        if c2 <= 0.0:
            return (float(v.mean()), float(x.mean() + t[low])) if c1 == 0.0 or v.size >= 8 else (float(y[low]), float(t[low]))
        vertex = float(np.clip(-c1 / (2.0 * c2), x[0], x[-1]))
        fitted = float(c0 + c1 * vertex + c2 * vertex**2)
        # A bottom sharper than the parabola: the lowest reading, less what noise has pulled it down.
        sharp = float(y[low]) + noise_pa
        return (sharp, float(t[low])) if sharp < fitted - noise_pa else (fitted, float(t[low] + vertex))
    # Too few readings at the bottom: the lowest, less what the lowest of about two noisy readings is too low.
    return float(y[low] + 0.3 * noise_pa), float(t[low])


def recovery(t: Floats, p: Floats, level_pa: float, noise_pa: float, dip_pa: float, step_s: float, *, closed: bool) -> float:
    """Time at which the pressure comes back above a level and stays there for `HELD_S`; NaN where these readings do not show it.

    Parameters
    ----------
    t, p : ndarray
        Times [s] and cleaned pressure [Pa], from the bottom of the dip on.
    closed : bool
        Whether the view ends here for good; else readings still to come may widen the averages near its end.
    """
    at = float("nan")
    for longest_s in (0.03, 0.09, 0.24):
        n = max(width_for(noise_pa, dip_pa, step_s, longest_s, 0.01), int(0.006 / step_s) | 1)
        y = smooth(p, n)
        u = noise_pa / n**0.5
        at = _held(t, y, level_pa, 2.0 * min(u, 0.03 * dip_pa), 0 if closed else n // 2)
        if np.isnan(at) or n < int(longest_s / step_s):
            return at
        # A steep rise is timed well by a short average; on a slow one noise crosses the level too early, so average longer.
        a, z = np.searchsorted(t, [at - 0.5 * longest_s, at + 0.5 * longest_s])
        z = min(int(z), t.size - 1)
        if y[z] - y[a] > 6.0 * u:
            return at
    return at


def _held(t: Floats, y: Floats, level_pa: float, slack_pa: float, unsure: int) -> float:
    above = y >= level_pa
    for i in np.flatnonzero(above[1:] & ~above[:-1]) + 1:
        w = (level_pa - y[i - 1]) / max(y[i] - y[i - 1], 1e-9)
        at = float(t[i - 1] + w * (t[i] - t[i - 1]))
        z = int(np.searchsorted(t, at + HELD_S))
        if z + unsure >= t.size:
            return float("nan")
        if np.all(y[i:z] >= level_pa - slack_pa):
            return at
    return float("nan")
