"""What a leak costs, and how long a recording must be to show one."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from analysis.estimate import Estimate

SPECIFIC_POWER_J_PER_M3: Final = 0.18e3 / 4.719474e-4  # 0.18 kW per cfm; US DOE Compressed Air Tip Sheet 3, 2004 (from memory)
HOURS_PER_YEAR: Final = 8760.0  # a leak does not keep working hours; definition
TARIFF_PER_KWH: Final = 0.20  # currency per kWh; common practice, no source: put in your own


@dataclass(frozen=True, slots=True, kw_only=True)
class LeakCost:
    """Cost of a leak and all that went into it.

    Attributes
    ----------
    per_year : Estimate
        Cost in the tariff's currency.
    energy_kwh : Estimate
        Electricity in a year [kWh].
    tariff_per_kwh : float
        Price of a kWh.
    specific_power_j_per_m3 : float
        Electrical energy for a cubic metre of free air [J/m3].
    hours : float
        Hours a year under pressure [h].
    """

    per_year: Estimate
    energy_kwh: Estimate
    tariff_per_kwh: float
    specific_power_j_per_m3: float
    hours: float


def leak_cost(
    leak_m3_per_s: Estimate,
    *,
    tariff_per_kwh: float = TARIFF_PER_KWH,
    specific_power_j_per_m3: float = SPECIFIC_POWER_J_PER_M3,
    hours: float = HOURS_PER_YEAR,
) -> LeakCost:
    """Price the free air that leaks in a year.

    Parameters
    ----------
    leak_m3_per_s : Estimate
        Free-air leak [m3/s]; what is below zero costs nothing.
    tariff_per_kwh : float
        Price of a kWh, in any currency.
    specific_power_j_per_m3 : float
        Electrical energy per cubic metre of free air [J/m3], which is specific power in W per m3/s.
    hours : float
        Hours a year in which the line is under pressure, 0..8784.

    Raises
    ------
    ValueError
        If an input is negative or no number, or there are more hours than a year has.
    """
    if not (0 <= tariff_per_kwh < math.inf and 0 <= specific_power_j_per_m3 < math.inf and 0 <= hours <= 8784):
        msg = (
            f"Tariff {tariff_per_kwh:g} per kWh, specific power {specific_power_j_per_m3:g} J/m3 and {hours:g} h a year: "
            "none may be negative, and a year has at most 8784 h."
        )
        raise ValueError(msg)
    energy = leak_m3_per_s.map(lambda q: max(q, 0.0) * specific_power_j_per_m3 * hours / 1000.0)
    return LeakCost(
        per_year=energy.map(lambda e: e * tariff_per_kwh),
        energy_kwh=energy,
        tariff_per_kwh=tariff_per_kwh,
        specific_power_j_per_m3=specific_power_j_per_m3,
        hours=hours,
    )
