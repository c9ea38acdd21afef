"""How much air a line holds: from a known receiver let into it, or from a known amount of free air drawn from it.

Both count mass, m = p V / (R T), before and after. Air that goes from one vessel to another warms the one and cools the other by
tens of kelvins; read a minute later the pressure still tells it, so the readings must be taken when it stands still. What may be
left of it is in the interval.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis.constants import ANR_DENSITY_KG_PER_M3, ANR_TEMPERATURE_K, ATMOSPHERE_ABS_PA, R_AIR_J_PER_KG_K
from analysis.estimate import Estimate
from analysis.leak_breaks import Readings, condense, find_breaks, part, settling_s
from analysis.statistics import Z_95

Array = NDArray[np.float64]

UNEVEN_K: Final = 0.5  # standard uncertainty of the air's temperature before against after, once the pressure stands [K]; no source
READING_PA: Final = 500.0  # standard uncertainty of one pressure reading, zero apart: 0.05 % of 10 bar [Pa]; common practice, no source
GIVEN_U: Final = 0.01  # standard uncertainty of a receiver's volume or a drawn amount, relative; common practice, no source
LEAST_STEP_PA: Final = 20_000.0  # smaller steps tell no volume worth having [Pa]; by choice


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """The step of a recording in which air was let over or drawn.

    Attributes
    ----------
    at_s : float
        When it began [s].
    before_pa, after_pa : float
        Gauge pressure just before, and what it came to when the air had the wall's temperature, both as of that moment [Pa].
    """

    at_s: float
    before_pa: float
    after_pa: float


def volume_by_receiver(
    receiver_m3: float,
    receiver_before_pa: float,
    line_before_pa: float,
    after_pa: float,
    *,
    reading_u_pa: float = READING_PA,
    given_u: float = GIVEN_U,
) -> Estimate:
    """Volume of a line into which a known receiver was let, or from which it was filled.

    Parameters
    ----------
    receiver_m3 : float
        Its volume [m3].
    receiver_before_pa, line_before_pa : float
        Gauge pressures of receiver and line before the valve between them was opened [Pa].
    after_pa : float
        Gauge pressure of both afterwards, when it stood still [Pa].
    reading_u_pa, given_u : float
        Standard uncertainties: of a reading [Pa], of the receiver's volume [-]. The sensor's zero cancels.

    Returns
    -------
    Estimate
        Volume of the line, receiver not included [m3].

    Raises
    ------
    ValueError
        If the pressure afterwards does not lie between those before, or hardly differs from the line's.
    """
    given, taken = receiver_before_pa - after_pa, after_pa - line_before_pa
    if not (receiver_m3 > 0 and given * taken > 0):
        msg = (
            f"Receiver at {receiver_before_pa / 1e5:.2f} bar, line at {line_before_pa / 1e5:.2f} bar, both at {after_pa / 1e5:.2f} bar "
            "afterwards: the last must lie between the first two. Check the valve, and which reading is which."
        )
        raise ValueError(msg)
    _refuse_small(min(abs(given), abs(taken)))
    value = receiver_m3 * given / taken
    # A difference of temperature acts on the whole absolute pressure, not on the difference.
    heat = UNEVEN_K / ANR_TEMPERATURE_K * (after_pa + ATMOSPHERE_ABS_PA)
    u = float(np.sqrt(given_u**2 + (reading_u_pa**2 + heat**2) * (given**-2.0 + taken**-2.0 + (1.0 / given + 1.0 / taken) ** 2)))
    return _around(value, u)


def volume_by_draw(
    drawn_m3: float,
    before_pa: float,
    after_pa: float,
    *,
    temp_k: float = ANR_TEMPERATURE_K,
    reading_u_pa: float = READING_PA,
    given_u: float = GIVEN_U,
) -> Estimate:
    """Volume of a line from which a known amount of free air was drawn.

    Parameters
    ----------
    drawn_m3 : float
        Free air (ANR) that was drawn, or, if the pressure rose, let in [m3].
    before_pa, after_pa : float
        Gauge pressure before, and afterwards when it stood still [Pa].
    temp_k : float
        Temperature of the line [K].
    reading_u_pa, given_u : float
        Standard uncertainties: of a reading [Pa], of the amount [-].

    Raises
    ------
    ValueError
        If nothing was drawn, or the pressure hardly moved.
    """
    if not drawn_m3 > 0:
        msg = "The free air that was drawn must be more than nothing."
        raise ValueError(msg)
    moved = abs(before_pa - after_pa)
    _refuse_small(moved)
    value = drawn_m3 * ANR_DENSITY_KG_PER_M3 * R_AIR_J_PER_KG_K * temp_k / moved
    heat = UNEVEN_K / temp_k * (after_pa + ATMOSPHERE_ABS_PA)
    return _around(value, float(np.sqrt(given_u**2 + (2.0 * reading_u_pa**2 + heat**2) / moved**2)))


def _refuse_small(moved_pa: float) -> None:
    if moved_pa < LEAST_STEP_PA:
        msg = (
            f"The pressure moved by {moved_pa / 1000:.1f} kPa only; its own wander would pass for volume. It needs "
            f"{LEAST_STEP_PA / 1000:.0f} kPa and better more: draw more, or use a larger receiver at a higher pressure (within its rating)."
        )
        raise ValueError(msg)


def _around(value: float, u: float) -> Estimate:
    return Estimate(value=value, low=value * float(np.exp(-Z_95 * u)), high=value * float(np.exp(Z_95 * u)))


def find_step(t_s: Array, p_pa: Array) -> Step:
    """Find the largest step of a recording, and the pressures on either side of it as of that moment.

    Raises
    ------
    ValueError
        If there is no step, or not enough of the recording before or after it.
    """
    r = condense(t_s, p_pa, None, ATMOSPHERE_ABS_PA)
    spans = [s for s in find_breaks(r) if "drawn" in s.why or "let in" in s.why]
    if not spans:
        msg = "The recording has no step in which air was let over or drawn. Record a minute before it, and some minutes after."
        raise ValueError(msg)
    sides = [(s, _level(r, None, s.from_s), _level(r, s.until_s, None)) for s in spans]
    span, before, after = max(sides, key=lambda x: abs((x[1] or 0.0) - (x[2] or 0.0)))
    if before is None or after is None:
        msg = f"The step at {span.from_s:.0f} s has too little quiet beside it. Record a minute before it, and ten minutes after."
        raise ValueError(msg)
    return Step(at_s=span.from_s, before_pa=before, after_pa=after)


def _level(r: Readings, since: float | None, until: float | None) -> float | None:
    """Pressure at an edge of a quiet stretch, the air's settling not counted; None where there is too little."""
    inside = part(r, (r.t_s >= (since if since is not None else -np.inf)) & (r.t_s <= (until if until is not None else np.inf)))
    if inside.t_s.size < 5:
        return None
    at = until if until is not None else float(inside.t_s[0])
    if since is not None:
        settled, _ = settling_s(inside)
        late = part(inside, inside.t_s >= inside.t_s[0] + min(settled, 0.7 * float(np.ptp(inside.t_s))))
        inside = late if late.t_s.size >= 5 else inside
    slope, level = np.polyfit(inside.t_s - at, inside.p_pa, 1)
    del slope
    return float(level)
