"""Moist air at any pressure: saturation over water and ice, humidity ratio, dew point under pressure.

Below the triple point saturation is over ice, so a "dew point" below 0 degC is a frost point; some tables take supercooled water there
and differ by 5 % at -5 degC. Pressures are absolute. Formulas that treat air and vapour as ideal gases are about 0.5 % low at ambient
pressure and 2.5 % low at 8 bar: the enhancement factor mends that; `ideal=True` leaves it out, for comparison with such tables.
"""

from __future__ import annotations

import math
from typing import Final

from scipy.optimize import brentq

from analysis.constants import (
    ANR_HUMIDITY,
    ANR_PRESSURE_ABS_PA,
    ANR_TEMPERATURE_K,
    R_VAPOUR_J_PER_KG_K,
    TRIPLE_POINT_K,
    TRIPLE_POINT_PA,
    VAPOUR_MASS_RATIO,
    ZERO_CELSIUS_K,
)
from analysis.units import significant

COLDEST_K: Final = 173.15  # the enhancement factor is fitted from -100 degC
HOTTEST_K: Final = 373.15  # to 100 degC
HIGHEST_ABS_PA: Final = 2.1e6  # and to 20 atm, with room for a gauge pressure of 20 bar

# IAPWS R7-97(2012), region 4, table 34
_WATER: Final = (
    0.11670521452767e4,
    -0.72421316703206e6,
    -0.17073846940092e2,
    0.12020824702470e5,
    -0.32325550322333e7,
    0.14915108613530e2,
    -0.48232657361591e4,
    0.40511340542057e6,
    -0.23855557567849,
    0.65017534844798e3,
)
# IAPWS R14-08(2011), equation 6: coefficient and exponent
_ICE: Final = ((-0.212144006e2, 0.333333333e-2), (0.273203819e2, 1.20666667), (-0.610598130e1, 1.70333333))
# Enhancement factor: coefficients of alpha and of ln(beta) in powers of degC, over water and over ice
_OVER_WATER: Final = (
    (3.53624e-4, 2.9328363e-5, 2.6168979e-7, 8.5813609e-9),
    (-1.07588e1, 6.3268134e-2, -2.5368934e-4, 6.3405286e-7),
)
_OVER_ICE: Final = (
    (3.64449e-4, 2.9367585e-5, 4.8874766e-7, 4.3669918e-9),
    (-1.07271e1, 7.6215115e-2, -1.7490155e-4, 2.4668279e-6),
)


def saturation_pressure(temp_k: float) -> float:
    """Vapour pressure of pure water over its liquid, or over ice below the triple point.

    Parameters
    ----------
    temp_k : float
        Temperature [K], 50 to 647.096.

    Returns
    -------
    float
        Saturation pressure [Pa abs].

    Raises
    ------
    ValueError
        If the temperature is outside of the formulas.

    References
    ----------
    .. [1] IAPWS R7-97(2012), Industrial Formulation, equation 30 (liquid).
    .. [2] IAPWS R14-08(2011), Melting and Sublimation Curves, equation 6 (ice).
    """
    if not 50.0 <= temp_k <= 647.096:
        msg = f"{temp_k - ZERO_CELSIUS_K:g} degC is no temperature at which water and its vapour can be in balance here."
        raise ValueError(msg)
    if temp_k < TRIPLE_POINT_K:
        theta = temp_k / TRIPLE_POINT_K
        return TRIPLE_POINT_PA * math.exp(sum(a * theta**b for a, b in _ICE) / theta)
    n = _WATER
    x = temp_k + n[8] / (temp_k - n[9])
    a = x**2 + n[0] * x + n[1]
    b = n[2] * x**2 + n[3] * x + n[4]
    c = n[5] * x**2 + n[6] * x + n[7]
    return 1e6 * (2.0 * c / (-b + math.sqrt(b**2 - 4.0 * a * c))) ** 4


def enhancement_factor(temp_k: float, p_abs_pa: float) -> float:
    """How much more vapour saturates air at a pressure than pure vapour alone would: f = e_saturated / e_s.

    The fits over ice and over water do not quite meet at the triple point; a dew point there is unsure by 0.02 K for it at 8 bar.

    Parameters
    ----------
    temp_k : float
        Temperature [K], -100 to 100 degC.
    p_abs_pa : float
        Total pressure [Pa abs], up to 20 bar gauge.

    Raises
    ------
    ValueError
        If temperature or pressure is outside of the fit.

    References
    ----------
    .. [1] L. Greenspan, Functional equations for the enhancement factors for CO2-free moist air, J. Res. NBS 80A (1976) 41-44.
    .. [2] B. Hardy, ITS-90 formulations for vapor pressure, frostpoint temperature, dewpoint temperature, and enhancement factors in the
           range -100 to +100 C, 3rd Int. Symp. on Humidity and Moisture (1998); coefficients from memory, checked against CoolProp.
    """
    if not COLDEST_K <= temp_k <= HOTTEST_K or not 0.0 < p_abs_pa <= HIGHEST_ABS_PA:
        msg = (
            f"{temp_k - ZERO_CELSIUS_K:.1f} degC at {p_abs_pa / 1e5:.2f} bar absolute is outside of what is known of moist air here: "
            "-100 to 100 degC, up to 21 bar absolute."
        )
        raise ValueError(msg)
    t = temp_k - ZERO_CELSIUS_K
    over = _OVER_ICE if temp_k < TRIPLE_POINT_K else _OVER_WATER
    alpha, ln_beta = (sum(c * t**i for i, c in enumerate(row)) for row in over)
    e_s = saturation_pressure(temp_k)
    return math.exp(alpha * (1.0 - e_s / p_abs_pa) + math.exp(ln_beta) * (p_abs_pa / e_s - 1.0))


def saturated_vapour_pressure(temp_k: float, p_abs_pa: float, *, ideal: bool = False) -> float:
    """Partial pressure of vapour [Pa] in air that is saturated at this temperature [K] and total pressure [Pa abs]."""
    return saturation_pressure(temp_k) * (1.0 if ideal else enhancement_factor(temp_k, p_abs_pa))


def humidity_ratio(e_pa: float, p_abs_pa: float) -> float:
    """Vapour per dry air [kg/kg] from the vapour's partial pressure [Pa] and the total pressure [Pa abs].

    Raises
    ------
    ValueError
        If the vapour pressure is negative or not below the total: that is steam, not air.
    """
    if not 0.0 <= e_pa < p_abs_pa:
        msg = f"A vapour pressure of {e_pa:g} Pa cannot be in air of {p_abs_pa:g} Pa absolute."
        raise ValueError(msg)
    return VAPOUR_MASS_RATIO * e_pa / (p_abs_pa - e_pa)


def vapour_pressure(ratio: float, p_abs_pa: float) -> float:
    """Partial pressure of vapour [Pa] from the humidity ratio [kg/kg] and the total pressure [Pa abs]."""
    return ratio * p_abs_pa / (VAPOUR_MASS_RATIO + ratio)


def saturation_humidity_ratio(temp_k: float, p_abs_pa: float, *, ideal: bool = False) -> float:
    """Vapour per dry air [kg/kg] of air saturated at this temperature [K] and total pressure [Pa abs]; infinite where water boils."""
    e = saturated_vapour_pressure(temp_k, p_abs_pa, ideal=ideal)
    return humidity_ratio(e, p_abs_pa) if e < p_abs_pa else math.inf


def ambient_humidity_ratio(temp_k: float, humidity: float, p_abs_pa: float, *, ideal: bool = False) -> float:
    """Vapour per dry air [kg/kg] from temperature [K], relative humidity [0..1] and pressure [Pa abs].

    Raises
    ------
    ValueError
        If the humidity is not between 0 and 1.
    """
    if not 0.0 <= humidity <= 1.0:
        msg = f"A relative humidity of {100 * humidity:g} % cannot be; needed is 0 to 100 %."
        raise ValueError(msg)
    return humidity_ratio(humidity * saturated_vapour_pressure(temp_k, p_abs_pa, ideal=ideal), p_abs_pa)


def dew_point(e_pa: float, p_abs_pa: float, *, ideal: bool = False) -> float:
    """Temperature at which vapour begins to fall out (as frost below the triple point).

    Parameters
    ----------
    e_pa : float
        Partial pressure of vapour [Pa].
    p_abs_pa : float
        Total pressure [Pa abs] of the same air: the dew point under pressure is meant.
    ideal : bool
        Leave the enhancement factor out.

    Returns
    -------
    float
        Dew or frost point [K].

    Raises
    ------
    ValueError
        If it lies outside of -100 to 100 degC.
    """

    def excess(temp_k: float) -> float:
        return math.log(saturated_vapour_pressure(temp_k, p_abs_pa, ideal=ideal) / e_pa)

    if e_pa <= 0.0 or excess(COLDEST_K) > 0.0 or excess(HOTTEST_K) < 0.0:
        msg = f"A vapour pressure of {significant(e_pa, 3)} Pa has no dew point between -100 and 100 degC."
        raise ValueError(msg)
    return float(brentq(excess, COLDEST_K, HOTTEST_K, xtol=1e-9))


def dew_point_at(dew_k: float, p_abs_pa: float, new_abs_pa: float, *, ideal: bool = False) -> float:
    """Dew point [K] that air has after its pressure changed and no water was added or taken [Pa abs, Pa abs]."""
    e = saturated_vapour_pressure(dew_k, p_abs_pa, ideal=ideal)
    return dew_point(e * new_abs_pa / p_abs_pa, new_abs_pa, ideal=ideal)


def vapour_density(e_pa: float, temp_k: float) -> float:
    """Mass of vapour in a volume [kg/m3] from its partial pressure [Pa] and temperature [K]."""
    return e_pa / (R_VAPOUR_J_PER_KG_K * temp_k)


def anr_humidity_ratio() -> float:
    """Vapour per dry air [kg/kg] of free air, ANR."""
    return ambient_humidity_ratio(ANR_TEMPERATURE_K, ANR_HUMIDITY, ANR_PRESSURE_ABS_PA)
