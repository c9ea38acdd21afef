"""Air through restrictions: ISO 6358, ideal nozzles, isentropic and Fanno relations, standard atmosphere, viscosity.

Pressures in here are absolute, as the gas laws take them. Everything accepts arrays and broadcasts.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.constants import (
    ANR_DENSITY_KG_PER_M3,
    ANR_TEMPERATURE_K,
    ATMOSPHERE_ABS_PA,
    GAMMA,
    R_AIR_J_PER_KG_K,
    SUTHERLAND_MU0_PA_S,
    SUTHERLAND_S_K,
    SUTHERLAND_T0_K,
)

Floats = NDArray[np.float64]

CRITICAL_RATIO: Final = (2.0 / (GAMMA + 1.0)) ** (GAMMA / (GAMMA - 1.0))  # p*/p0 of an ideal nozzle, 0.52828
CHOKED_PARAMETER: Final = math.sqrt(GAMMA) * (2.0 / (GAMMA + 1.0)) ** ((GAMMA + 1.0) / (2.0 * (GAMMA - 1.0)))  # 0.68473

# A published US formula implies 3.43 dm3/(s bar) of conductance per unit of Cv at choke; other published factors are about
# 4.0. The middle of the two, and half their distance with some room, because neither is a definition.
CV_CONDUCTANCE_M3_PER_S_PA: Final = 3.7e-8  # sonic conductance per unit of Cv [m3/(s Pa)]
CV_UNCERTAINTY: Final = 0.20  # relative, 95 %, of the factor above; measure C and b where it matters

# A published table of air through orifices offers 0.97 for a rounded entrance and 0.65 for a sharp one, of the ideal nozzle's flow.
# A fitting's bore says nothing of its edges and turns: the middle of the two, and half their distance.
BORE_DISCHARGE: Final = 0.81
BORE_UNCERTAINTY: Final = 0.20  # relative, 95 %, of the conductance of a fitting that is known by its bore alone

LEAK_B: Final = 0.5  # critical ratio of a leak: near that of an ideal nozzle; common practice, no source
PUMP_EXPONENT: Final = 1.3  # of the air that expands out of a pump's clearance; between 1 (slow) and 1.4; common practice, no source


def iso6358_mass_flow(p1_abs_pa: ArrayLike, p2_abs_pa: ArrayLike, temp_k: ArrayLike, conductance: ArrayLike, b: ArrayLike) -> Floats:
    """Mass flow through a restriction by ISO 6358-1.

    Parameters
    ----------
    p1_abs_pa, p2_abs_pa : array_like
        Upstream and downstream stagnation pressure [Pa abs]. Where p2 exceeds p1 the flow is zero: swap them for the other way.
    temp_k : array_like
        Upstream stagnation temperature [K].
    conductance : array_like
        Sonic conductance C [m3/(s Pa)], of free air ANR.
    b : array_like
        Critical pressure ratio [-].

    Returns
    -------
    ndarray
        Mass flow [kg/s].

    References
    ----------
    .. [1] ISO 6358-1:2013, equations for choked and subsonic flow with subsonic index 0.5.
    """
    p1, p2, b_ = (np.asarray(x, dtype=np.float64) for x in (p1_abs_pa, p2_abs_pa, b))
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.where(p1 > 0.0, p2 / p1, 1.0)
    x = np.clip((ratio - b_) / (1.0 - b_), 0.0, 1.0)
    choked = np.asarray(conductance) * p1 * ANR_DENSITY_KG_PER_M3 * np.sqrt(ANR_TEMPERATURE_K / np.asarray(temp_k))
    return np.asarray(choked * np.sqrt(1.0 - x**2), dtype=np.float64)


def conductance_of_flow(flow_m3_per_s: float, p1_abs_pa: float, p2_abs_pa: float, b: float) -> float:
    """Sonic conductance [m3/(s Pa)] that passes this flow of free air [m3/s] at 20 degC between two pressures [Pa abs]."""
    return flow_m3_per_s / float(iso6358_mass_flow(p1_abs_pa, p2_abs_pa, ANR_TEMPERATURE_K, 1.0, b)) * ANR_DENSITY_KG_PER_M3


def volumetric_efficiency(ratio: float, clearance: float) -> float:
    """Share of a piston pump's stroke that draws fresh air in, 1 - c (r^(1/n) - 1).

    Parameters
    ----------
    ratio : float
        Delivery over intake pressure, both absolute [-].
    clearance : float
        Volume that the piston does not sweep over the volume that it does [-]; what is left there expands first.

    References
    ----------
    .. [1] Clearance volumetric efficiency, any text on reciprocating compressors; exponent `PUMP_EXPONENT`.
    """
    return 1.0 - clearance * (ratio ** (1.0 / PUMP_EXPONENT) - 1.0)


def iso6358_downstream(p1_abs_pa: float, q_m_kg_per_s: float, temp_k: float, conductance: float, b: float) -> float:
    """Pressure behind a restriction that passes a given mass flow.

    Parameters
    ----------
    p1_abs_pa : float
        Upstream pressure [Pa abs].
    q_m_kg_per_s : float
        Mass flow [kg/s].
    temp_k : float
        Upstream temperature [K].
    conductance, b : float
        Sonic conductance [m3/(s Pa)] and critical ratio [-].

    Returns
    -------
    float
        Downstream pressure [Pa abs]; NaN where the restriction chokes below this flow.
    """
    choked = conductance * p1_abs_pa * ANR_DENSITY_KG_PER_M3 * math.sqrt(ANR_TEMPERATURE_K / temp_k)
    share = q_m_kg_per_s / choked
    if share > 1.0:
        return math.nan
    return p1_abs_pa * (b + (1.0 - b) * math.sqrt(1.0 - share**2))


def nozzle_mass_flow(p1_abs_pa: ArrayLike, p2_abs_pa: ArrayLike, temp_k: ArrayLike, area_m2: ArrayLike) -> Floats:
    """Mass flow of an ideal nozzle (discharge coefficient 1), choked or not [kg/s].

    Pressures [Pa abs] and temperature [K] are stagnation values; area [m2] is the throat's.

    References
    ----------
    .. [1] St-Venant and Wantzel's equation; any text of gas dynamics.
    """
    p1 = np.asarray(p1_abs_pa, dtype=np.float64)
    ratio = np.clip(np.asarray(p2_abs_pa) / p1, CRITICAL_RATIO, 1.0)
    psi = np.sqrt(2.0 * GAMMA / (GAMMA - 1.0) * (ratio ** (2.0 / GAMMA) - ratio ** ((GAMMA + 1.0) / GAMMA)))
    return np.asarray(np.asarray(area_m2) * p1 / np.sqrt(R_AIR_J_PER_KG_K * np.asarray(temp_k)) * psi, dtype=np.float64)


def conductance_of_hole(diameter_m: float) -> float:
    """Sonic conductance [m3/(s Pa)] of an ideal nozzle of this diameter [m], discharge coefficient 1."""
    area = math.pi / 4.0 * diameter_m**2
    return area * CHOKED_PARAMETER / (ANR_DENSITY_KG_PER_M3 * math.sqrt(R_AIR_J_PER_KG_K * ANR_TEMPERATURE_K))


def hole_of_conductance(conductance: float) -> float:
    """Diameter [m] of the ideal nozzle (discharge coefficient 1) with this sonic conductance [m3/(s Pa)]."""
    return math.sqrt(max(conductance, 0.0) / conductance_of_hole(1.0))


def conductance_of_cv(cv: float) -> float:
    """Sonic conductance [m3/(s Pa)] for a flow coefficient Cv; good to `CV_UNCERTAINTY` only."""
    return cv * CV_CONDUCTANCE_M3_PER_S_PA


def conductance_of_bore(bore_m: float) -> float:
    """Sonic conductance [m3/(s Pa)] of a plain opening: the ideal nozzle of that bore. Real fittings pass less: see below."""
    return conductance_of_hole(bore_m)


def conductance_of_fitting(bore_m: float) -> float:
    """Sonic conductance [m3/(s Pa)] of a coupler or valve of which only the narrowest bore is known; good to `BORE_UNCERTAINTY` only."""
    return BORE_DISCHARGE * conductance_of_hole(bore_m)


def in_series(conductance: ArrayLike) -> float:
    """Sonic conductance of restrictions in a row, 1/C^2 = sum 1/Ci^2 (critical ratios left aside) [m3/(s Pa)]."""
    c = np.asarray(conductance, dtype=np.float64)
    return float(1.0 / np.sqrt(np.sum(1.0 / c**2)))


def free_air(q_m_kg_per_s: float) -> float:
    """Free-air flow, ANR [m3/s], of a mass flow [kg/s]; or free air [m3] of a mass [kg]."""
    return q_m_kg_per_s / ANR_DENSITY_KG_PER_M3


def mass_of_free_air(volume_m3: float) -> float:
    """Mass [kg] (or mass flow [kg/s]) of free air, ANR [m3 or m3/s]."""
    return volume_m3 * ANR_DENSITY_KG_PER_M3


def density(p_abs_pa: ArrayLike, temp_k: ArrayLike) -> Floats:
    """Density of air [kg/m3] as an ideal gas, from absolute pressure [Pa] and temperature [K]."""
    return np.asarray(np.asarray(p_abs_pa) / (R_AIR_J_PER_KG_K * np.asarray(temp_k)), dtype=np.float64)


def speed_of_sound(temp_k: ArrayLike) -> Floats:
    """Speed of sound in air as an ideal gas [m/s]; real air at 8 bar is 0.2 % faster."""
    return np.sqrt(GAMMA * R_AIR_J_PER_KG_K * np.asarray(temp_k, dtype=np.float64))


def viscosity(temp_k: ArrayLike) -> Floats:
    """Dynamic viscosity of air [Pa s] by Sutherland's law."""
    t = np.asarray(temp_k, dtype=np.float64)
    return SUTHERLAND_MU0_PA_S * (t / SUTHERLAND_T0_K) ** 1.5 * (SUTHERLAND_T0_K + SUTHERLAND_S_K) / (t + SUTHERLAND_S_K)


def ambient_pressure(altitude_m: float) -> float:
    """Pressure of the standard atmosphere [Pa abs] at a geopotential altitude [m], -2 to 11 km (ISO 2533:1975); else a ValueError."""
    if not -2000.0 <= altitude_m <= 11_000.0:
        msg = f"An altitude of {altitude_m:g} m is outside of what the standard atmosphere is used for here; give -2000 to 11000 m."
        raise ValueError(msg)
    return ATMOSPHERE_ABS_PA * (1.0 - 0.0065 * altitude_m / 288.15) ** 5.25588


def ambient_temperature(altitude_m: float) -> float:
    """Temperature of the standard atmosphere [K] at a geopotential altitude [m] below 11 km (ISO 2533:1975)."""
    return 288.15 - 0.0065 * altitude_m


@dataclass(frozen=True, slots=True, kw_only=True)
class Isentropic:
    """Ratios at a Mach number: static over stagnation pressure, density and temperature; area over throat area."""

    pressure: float
    density: float
    temperature: float
    area: float


def isentropic(mach: float) -> Isentropic:
    """Isentropic relations of air (gamma 1.4) at a Mach number above zero."""
    t = 1.0 / (1.0 + 0.5 * (GAMMA - 1.0) * mach**2)
    area = ((2.0 / (GAMMA + 1.0)) / t) ** ((GAMMA + 1.0) / (2.0 * (GAMMA - 1.0))) / mach
    return Isentropic(pressure=t ** (GAMMA / (GAMMA - 1.0)), density=t ** (1.0 / (GAMMA - 1.0)), temperature=t, area=area)


@dataclass(frozen=True, slots=True, kw_only=True)
class Fanno:
    """Adiabatic duct flow with friction, ratios to the choked end: Darcy f L*/D, temperature, pressure, density, stagnation pressure."""

    friction_length: float
    temperature: float
    pressure: float
    density: float
    stagnation: float


def fanno(mach: float) -> Fanno:
    """Fanno relations of air (gamma 1.4) at a Mach number above zero, with Darcy's friction factor."""
    g = GAMMA
    grow = 1.0 + 0.5 * (g - 1.0) * mach**2
    t = 0.5 * (g + 1.0) / grow
    length = (1.0 - mach**2) / (g * mach**2) + (g + 1.0) / (2.0 * g) * math.log(t * mach**2)
    p = math.sqrt(t) / mach
    stagnation = ((2.0 / (g + 1.0)) * grow) ** ((g + 1.0) / (2.0 * (g - 1.0))) / mach
    return Fanno(friction_length=length, temperature=t, pressure=p, density=p / t, stagnation=stagnation)


def fanno_mach(friction_length: float) -> float:
    """Subsonic Mach number at which a duct of this Darcy f L/D just chokes at its end."""
    if friction_length <= 0.0:
        return 1.0
    low, high = 1e-6, 1.0
    for _ in range(200):
        mid = 0.5 * (low + high)
        low, high = (mid, high) if fanno(mid).friction_length > friction_length else (low, mid)
    return 0.5 * (low + high)
