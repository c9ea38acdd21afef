"""What the pump's runs say beyond one another: how they end, the leak by the share of time, and what grows or falls meanwhile."""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import stdtrit

from analysis.estimate import Estimate
from analysis.leak_breaks import Readings
from analysis.statistics import Z_95
from analysis.tank_air import EFFICIENCY_DROP

Array = NDArray[np.float64]

LEVEL_END: Final = 0.08  # a run's last tenth rises at least this much as fast as the whole; a line that recovers levels off; by choice
KINK: Final = 0.5  # and from there the pressure turns down by this much of the run's slope at least; by choice
STEEP_END: Final = 1.7  # and not much faster; by choice
SHORTEST_RUN_S: Final = 2.0  # no pump runs for less [s]; common practice, no source
FEWEST: Final = 5  # cycles from which a drift within a recording is told


def like_a_pump(r: Readings, start_s: float | None, stop_s: float, least_rise_pa: float) -> bool:
    """Whether a rise ends as a pump's run does: still rising when it stops, while a line behind a regulator levels off."""
    a = float(r.t_s[0]) if start_s is None else start_s
    length = stop_s - a
    if length < SHORTEST_RUN_S:
        return False

    def mean(first: float, last: float) -> float:
        inside = (r.t_s >= a + first * length) & (r.t_s <= a + last * length)
        return float(r.p_pa[inside].mean()) if inside.any() else float(np.interp(a + 0.5 * (first + last) * length, r.t_s, r.p_pa))

    low, high = np.interp(np.array([a + 0.02 * length, a + 0.98 * length]), r.t_s, r.p_pa)
    rise = float(high - low)
    end = (mean(0.9, 1.0) - mean(0.7, 0.8)) / 0.2
    after = (mean(1.2, 1.3) - mean(1.0, 1.1)) / 0.2
    return rise > least_rise_pa and LEVEL_END < end / rise < STEEP_END and end - after > KINK * rise


def leak_by_time(
    duty: Estimate, delivery: Estimate, mean_abs_pa: float, run_abs_pa: float, reference_abs_pa: float, p_amb_pa: float
) -> Estimate:
    """Leak at the reference by the pump's share of the time: what it delivers is lost again; work done meanwhile counts as leak.

    Parameters
    ----------
    duty, delivery : Estimate
        Share of time on load [-]; free air delivered at the reference pressure [m3/s].
    mean_abs_pa, run_abs_pa, reference_abs_pa, p_amb_pa : float
        Mean pressure of all time and of the runs, the reference, and ambient pressure [Pa abs].
    """
    if duty.value is None or delivery.value is None:
        return Estimate(value=None)
    weaker = 1.0 - EFFICIENCY_DROP * ((run_abs_pa / p_amb_pa) ** 0.8 - (reference_abs_pa / p_amb_pa) ** 0.8)
    value = duty.value * delivery.value * weaker * reference_abs_pa / mean_abs_pa
    u = [((e.high or 0.0) - (e.low or 0.0)) / (2.0 * Z_95 * e.value) for e in (duty, delivery) if e.value]
    wide = Z_95 * math.hypot(*u) if len(u) == 2 else 1.0
    return Estimate(value=value, low=value * (1.0 - wide), high=value * (1.0 + wide))


def change_over(at_s: ArrayLike, rate: ArrayLike) -> Estimate:
    """Relative change of a rate from the beginning to the end by a straight line, with Student's interval; None for too few.

    Raises
    ------
    ValueError
        If there are not as many times as rates.
    """
    t, y = np.asarray(at_s, dtype=np.float64), np.asarray(rate, dtype=np.float64)
    if t.size != y.size:
        msg = f"{t.size} times and {y.size} rates do not belong together."
        raise ValueError(msg)
    if t.size < FEWEST or not y.mean() > 0:
        return Estimate(value=None)
    x = (t - t.mean()) / max(float(np.ptp(t)), 1e-9)
    slope = float(x @ y / (x @ x))
    rest = y - y.mean() - slope * x
    u = float(np.sqrt(rest @ rest / (t.size - 2) / (x @ x)))
    reach = float(np.asarray(stdtrit(float(t.size - 2), 0.975))) * u
    start = y.mean() - 0.5 * slope
    return Estimate(value=slope / start, low=(slope - reach) / start, high=(slope + reach) / start)
