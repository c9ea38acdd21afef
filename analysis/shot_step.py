"""Free air that a shot takes, weighed by the step that it leaves in the pressure of a known volume.

For a volume that the supply refills between the shots; where nothing refills it, `analysis.shots` weighs whole stretches.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.constants import ANR_DENSITY_KG_PER_M3, ANR_TEMPERATURE_K, R_AIR_J_PER_KG_K
from analysis.estimate import Estimate
from analysis.record import ShotRecord
from analysis.shots import air_per_shot

EXPONENT: Final = 1.37  # p ~ m^n: over half a second the air in a receiver hardly takes heat from its wall (1.40 without any)
# Of exponent, of what the supply feeds, and of air that hoses give besides: shots fired by the line model into receivers of
# 20 to 42 L come out up to 13 % low with the sensor at the tool, 5 % with it on the receiver.
SYSTEMATIC_U: Final = 0.08
REST_S: Final = 1.2  # quiet that is needed before and after a shot
LEAD_S: Final = 0.6  # stretch before the shot through which a line is laid
SETTLED_S: Final = 0.3  # after the shot: the tool is full again and the hose has rung out
REFILL_SHARE: Final = 0.4  # more of what is missing than this regained in half a second: the supply feeds too fast to weigh
LEAST_OF_DIP: Final = 0.02  # a smaller step beside the dip is the settled line's own wander
LEAST_SHOTS: Final = 3


def air_of_a_shot(record: ShotRecord, t_s: ArrayLike, p_pa: ArrayLike, *, volume_m3: float) -> Estimate:
    """Weigh the free air of a shot [m3 ANR] whichever way a volume shows it.

    By the fall of the pressure over whole stretches where nothing refills the volume, by the step of each shot where the supply does.

    Parameters
    ----------
    record : ShotRecord
        The shots that were found in the readings.
    t_s, p_pa : array_like, shape (n,)
        Times [s] and pressure of the volume [Pa gauge].
    volume_m3 : float
        Air that gives [m3].

    Raises
    ------
    ValueError
        If the volume is not above zero.
    """
    whole = air_per_shot(record, volume_m3)
    return whole if whole.value is not None else air_by_step(t_s, p_pa, [s.time_s for s in record.shots], volume_m3=volume_m3)


def air_by_step(
    t_s: ArrayLike, p_pa: ArrayLike, shots_s: Sequence[float], *, volume_m3: float, temp_k: float = ANR_TEMPERATURE_K
) -> Estimate:
    """Weigh the free air of a shot in a receiver, or in a line that is fed slowly.

    A line is laid through the pressure before each shot and another after it; the step between them, carried back to the shot,
    is what was taken, whatever the supply feeds meanwhile. Only shots with `REST_S` of quiet on both sides count.

    Parameters
    ----------
    t_s, p_pa : array_like, shape (n,)
        Times [s] and pressure of the volume [Pa gauge].
    shots_s : sequence of float
        Times of the shots [s].
    volume_m3 : float
        Air that gives: the receiver and the hose behind it [m3].
    temp_k : float
        Temperature of the air [K].

    Returns
    -------
    Estimate
        Free air, ANR [m3]; no value where fewer than three shots can be weighed, or the volume is refilled too fast.

    Raises
    ------
    ValueError
        If the volume is not above zero.
    """
    if not volume_m3 > 0.0:
        msg = f"A volume of {volume_m3:g} m3 cannot give air. State the receiver's volume, e.g. 24 L."
        raise ValueError(msg)
    t, p = np.asarray(t_s, dtype=np.float64), np.asarray(p_pa, dtype=np.float64)
    times = np.asarray(shots_s, dtype=np.float64)
    apart = np.diff(times, prepend=-np.inf, append=np.inf)
    quiet = times[(apart[:-1] > REST_S) & (apart[1:] > REST_S)]
    found = [s for s in (_step(t, p, at) for at in quiet) if s is not None]
    if len(found) < LEAST_SHOTS:
        return Estimate(value=None)
    steps = np.array([s for s, _, _ in found])
    step, regained, dip = np.median(np.array(found), axis=0)
    if step <= LEAST_OF_DIP * dip or regained > REFILL_SHARE:
        return Estimate(value=None)
    air = steps * volume_m3 / (EXPONENT * R_AIR_J_PER_KG_K * temp_k * ANR_DENSITY_KG_PER_M3)
    value = float(np.median(air))
    # 1.4826 MAD is the spread, 1.25 / sqrt(n) what is left of it in a median; the systematic share does not shrink with n.
    spread = 1.4826 * float(np.median(np.abs(air - value))) * 1.25 / np.sqrt(air.size)
    half = 1.96 * float(np.hypot(spread, value * SYSTEMATIC_U))
    return Estimate(value=value, low=max(0.0, value - half), high=value + half)


def _step(t: NDArray[np.float64], p: NDArray[np.float64], at: float) -> tuple[float, float, float] | None:
    """Step down at a shot [Pa], share of it regained in half a second, and the whole dip [Pa]; None without readings."""
    before = _line(t, p, at - LEAD_S, at - 0.01, at)
    mid_s = 0.5 * (SETTLED_S + REST_S)
    after = _line(t, p, at + SETTLED_S, at + REST_S, at + mid_s)
    if before is None or after is None:
        return None
    # What is missing against the pressure as it went before the shot decays as the supply refills: back to the shot along
    # the exponential that has this value and slope in the middle of the stretch.
    missing = before[0] + before[1] * mid_s - after[0]
    rate = (after[1] - before[1]) / missing if missing > 0.0 else 0.0
    i, j = np.searchsorted(t, [at, at + SETTLED_S])
    dip = before[0] - float(np.nanmin(p[i:j])) if j > i else 0.0
    return missing * float(np.exp(min(rate * mid_s, 2.0))), 0.5 * rate, dip


def _line(t: NDArray[np.float64], p: NDArray[np.float64], start: float, stop: float, at: float) -> tuple[float, float] | None:
    """Level at an instant [Pa] and slope [Pa/s] of a straight line through a stretch."""
    i, j = np.searchsorted(t, [start, stop])
    x, y = t[i:j] - at, p[i:j]
    good = np.isfinite(y)
    if good.sum() < 8:
        return None
    slope, level = np.polyfit(x[good], y[good], 1)
    return float(level), float(slope)
