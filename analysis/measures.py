"""Second stage of the shot detector: the shape of one fall of pressure, measured to less than a reading."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

BEFORE_S = 0.1  # pressure before a shot is averaged over up to this long
BOTTOM_S = 0.35  # the lowest pressure comes within this time of the steepest fall, wherever the sensor sits
RECOVERED = 0.9  # share of the dip that must be regained
HELD_S = 0.15  # and for how long


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
    fall_s : float
        Time over which the middle 60 % of the dip is lost, scaled to all of it [s].
    low_s : float
        How long the pressure stays below 60 % of the dip [s]; the end of the view where it does not come back.
    back : float
        Share of the dip regained at the end of the view, at most.
    jump : float
        Largest share of the dip lost between two readings.
    rough : float
        Path that the pressure runs, over its range: 2 for one dip without noise, many for interference.
    slope_pa_per_s : float
        Slope before the fall [Pa/s].
    """

    time_s: float
    before_pa: float
    minimum_pa: float
    minimum_s: float
    fall_s: float
    low_s: float
    back: float
    jump: float
    rough: float
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
    t: Floats, p: Floats, top_s: float, lag_s: float, noise_pa: float, size_pa: float, step_s: float, earliest_s: float, until_s: float
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

    Returns
    -------
    Fall or None
        None where no fall stands out.
    """
    n = width_for(noise_pa, size_pa, step_s, 0.4 * lag_s, 0.05)
    y = smooth(p, n)
    a, top, z = np.searchsorted(t, [max(top_s - 1.6 * lag_s - 0.03, earliest_s), top_s, until_s])
    if top >= t.size or top - a < 1:
        return None
    z = min(int(z), t.size)
    low_end = min(int(np.searchsorted(t, top_s + BOTTOM_S)), z)
    if low_end <= top:
        low_end = top + 1
    # Bottom: the first lowest point after which the pressure has come back visibly, or the lowest of the view.
    high = a + int(np.argmax(y[a : top + 1]))
    low = high + int(np.argmin(y[high:low_end]))
    rough_dip = float(y[high] - y[low])
    if low <= high or rough_dip <= 0.0:
        return None
    before, slope = float(y[high]), 0.0
    minimum, minimum_s = bottom(t, p, y, low, high, z, noise_pa, rough_dip, step_s)
    onset = float(t[high])
    for _ in range(3):
        dip = before - minimum
        if dip <= 0.0:
            return None
        t15, t45 = (crossing(t, y, before - f * dip, high, low) for f in (0.15, 0.45))
        onset = t15 - 0.5 * max(t45 - t15, 0.0)
        before, slope = level_before(t, p, onset, earliest_s, noise_pa, step_s, dip)
    dip = before - minimum
    if dip <= 0.0:
        return None
    t20, t80 = (crossing(t, y, before - f * dip, high, low) for f in (0.2, 0.8))
    t60 = crossing(t, y, before - 0.6 * dip, high, low)
    after = np.flatnonzero(y[low:z] > before - 0.6 * dip)
    back_s = float(t[low + after[0]]) if after.size else float(t[z - 1])
    first = max(high - 1, 0)
    steps = -np.diff(p[first : low + 1])
    path = p[first:z]
    span = float(path.max() - path.min())
    quiet = np.abs(np.diff(path))
    quiet = quiet[quiet > 4.0 * noise_pa]
    return Fall(
        time_s=onset,
        before_pa=before,
        minimum_pa=minimum,
        minimum_s=minimum_s,
        fall_s=(t80 - t20) / 0.6,
        low_s=back_s - t60,
        back=float((y[low:z].max() - minimum) / dip),
        jump=float(steps.max() / dip) if steps.size else 0.0,
        rough=float(quiet.sum() / span) if span > 0.0 else 0.0,
        slope_pa_per_s=slope,
    )


def level_before(
    t: Floats, p: Floats, onset_s: float, earliest_s: float, noise_pa: float, step_s: float, dip_pa: float
) -> tuple[float, float]:
    """Pressure just before the fall and its slope; a steady line is averaged, a recovering one extrapolated.

    Returns
    -------
    tuple of float
        Pressure at the onset [Pa] and slope there [Pa/s], 0 where the line is steady.
    """
    guard = 0.25 * step_s
    a, z = np.searchsorted(t, [max(onset_s - BEFORE_S, earliest_s), onset_s - guard])
    a = min(int(a), max(int(z) - 1, 0))
    x, v = t[a:z] - onset_s, p[a:z]
    if not v.size:
        return float(p[max(int(z) - 1, 0)]), 0.0
    if v.size < 4:
        return float(v.mean()), 0.0
    xm, vm = float(x.mean()), float(v.mean())
    spread = float(((x - xm) ** 2).sum())
    slope = float(((x - xm) * (v - vm)).sum() / spread)
    doubt = noise_pa / spread**0.5
    if abs(slope) < 3.0 * doubt or abs(slope) * BEFORE_S < 0.01 * dip_pa:
        return vm, 0.0
    rest = v - vm - slope * (x - xm)
    if v.size >= 8 and float((rest**2).mean()) > 2.0 * noise_pa**2:
        # The line bends (it rings or recovers): only the last part counts.
        half = v.size // 2
        x, v = x[half:], v[half:]
        xm, vm = float(x.mean()), float(v.mean())
        spread = float(((x - xm) ** 2).sum())
        slope = float(((x - xm) * (v - vm)).sum() / spread)
    return vm - slope * xm, slope


def bottom(
    t: Floats, p: Floats, y: Floats, low: int, high: int, end: int, noise_pa: float, dip_pa: float, step_s: float
) -> tuple[float, float]:
    """Lowest true pressure and its time: a parabola through the bottom of the dip, which neither noise nor spacing pulls down."""
    level = y[low] + max(0.12 * dip_pa, 2.0 * noise_pa)
    a, z = low, low
    reach = max(1, int(0.03 / step_s))
    while a > high + 1 and low - a < reach and y[a - 1] < level:
        a -= 1
    while z < end - 1 and z - low < reach and y[z + 1] < level:
        z += 1
    x, v = t[a : z + 1] - t[low], p[a : z + 1]
    if noise_pa < 0.003 * dip_pa or v.size < 4:
        return float(y[low]), float(t[low])
    c2, c1, c0 = np.polyfit(x, v, 2)
    if c2 <= 0.0:
        return float(v.mean() if v.size < 6 else y[low]), float(t[low])
    vertex = float(np.clip(-c1 / (2.0 * c2), x[0], x[-1]))
    return float(c0 + c1 * vertex + c2 * vertex**2), float(t[low] + vertex)


def recovery(t: Floats, p: Floats, level_pa: float, noise_pa: float, dip_pa: float, step_s: float, *, closed: bool) -> float:
    """Time at which the pressure comes back above a level and stays there for `HELD_S`; NaN where these readings do not show it.

    Parameters
    ----------
    t, p : ndarray
        Times [s] and cleaned pressure [Pa], from the bottom of the dip on.
    closed : bool
        Whether the view ends here for good; else readings still to come may widen the averages near its end.
    """
    n = width_for(noise_pa, dip_pa, step_s, 0.03, 0.01)
    y = smooth(p, n)
    slack = min(1.0 * noise_pa / n**0.5, 0.03 * dip_pa)
    above = y >= level_pa
    rises = np.flatnonzero(above[1:] & ~above[:-1]) + 1
    for i in rises:
        w = (level_pa - y[i - 1]) / max(y[i] - y[i - 1], 1e-9)
        at = float(t[i - 1] + w * (t[i] - t[i - 1]))
        z = int(np.searchsorted(t, at + HELD_S))
        if z + (0 if closed else n // 2) >= t.size:
            return float("nan")
        if np.all(y[i:z] >= level_pa - 2.0 * slack):
            return at
    return float("nan")
