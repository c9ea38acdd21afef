"""Our moist air against a general-purpose reference library: CoolProp's humid air, after ASHRAE RP-1485.

farend computes moist air itself (`analysis/moist_air.py`): a few formulas need no compiled library on a shop laptop. CoolProp checks them.
"""

from __future__ import annotations

import pytest
from CoolProp.HumidAirProp import HAPropsSI

from analysis.moist_air import ambient_humidity_ratio, dew_point, saturation_humidity_ratio, vapour_pressure

PRESSURES = [1.01325e5, 3e5, 8e5, 1.1e6]
TEMPERATURES = [275.15, 283.15, 293.15, 303.15, 313.15]


@pytest.mark.parametrize("p_abs_pa", PRESSURES)
@pytest.mark.parametrize("temp_k", TEMPERATURES)
def test_saturated_air_holds_as_much_water(temp_k: float, p_abs_pa: float) -> None:
    # 0.2 %: the enhancement that pressure brings is a fit of ours, good to 0.1 % at 11 bar, and without it the error is 2.5 %.
    assert saturation_humidity_ratio(temp_k, p_abs_pa) == pytest.approx(HAPropsSI("W", "T", temp_k, "P", p_abs_pa, "R", 1.0), rel=2e-3)


@pytest.mark.parametrize("humidity", [0.2, 0.6, 0.95])
@pytest.mark.parametrize("temp_k", TEMPERATURES)
def test_air_drawn_in_holds_as_much_water(temp_k: float, humidity: float) -> None:
    found = ambient_humidity_ratio(temp_k, humidity, 1.01325e5)
    assert found == pytest.approx(HAPropsSI("W", "T", temp_k, "P", 1.01325e5, "R", humidity), rel=1e-3)


@pytest.mark.parametrize("p_abs_pa", PRESSURES)
@pytest.mark.parametrize("temp_k", [288.15, 303.15])
def test_dew_point_under_pressure(temp_k: float, p_abs_pa: float) -> None:
    ratio = HAPropsSI("W", "T", temp_k, "P", p_abs_pa, "R", 0.5)
    expected_k = HAPropsSI("D", "T", temp_k, "P", p_abs_pa, "W", ratio)
    assert dew_point(vapour_pressure(ratio, p_abs_pa), p_abs_pa) == pytest.approx(expected_k, abs=0.03)
