"""Laws of moist air, and what is refused."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.moist_air import (
    ambient_humidity_ratio,
    anr_humidity_ratio,
    dew_point,
    dew_point_at,
    enhancement_factor,
    humidity_ratio,
    saturated_vapour_pressure,
    saturation_humidity_ratio,
    saturation_pressure,
    vapour_pressure,
)

temperatures = st.floats(233.15, 353.15)
pressures = st.floats(0.8e5, 1.6e6)


@given(temperatures, pressures)
def test_dew_point_undoes_saturation(temp_k: float, p_abs_pa: float) -> None:
    # The enhancement over ice and over water do not quite meet at the triple point; elsewhere the way back is exact.
    near_freezing = abs(temp_k - 273.16) < 0.1
    assert dew_point(saturated_vapour_pressure(temp_k, p_abs_pa), p_abs_pa) == pytest.approx(temp_k, abs=0.05 if near_freezing else 1e-5)


@given(st.floats(0.0, 0.2), pressures)
def test_humidity_ratio_undoes_vapour_pressure(ratio: float, p_abs_pa: float) -> None:
    assert humidity_ratio(vapour_pressure(ratio, p_abs_pa), p_abs_pa) == pytest.approx(ratio, rel=1e-9, abs=1e-15)


@given(st.floats(243.15, 313.15), st.floats(4e5, 1.2e6))
def test_letting_air_down_dries_it(temp_k: float, p_abs_pa: float) -> None:
    let_down = dew_point_at(temp_k, p_abs_pa, 0.5 * p_abs_pa)
    assert let_down < temp_k
    # and pressing it together again brings the dew point back
    assert dew_point_at(let_down, 0.5 * p_abs_pa, p_abs_pa) == pytest.approx(temp_k, abs=0.05)


@given(st.floats(233.15, 352.15), pressures)  # a degree apart: far more than the two fits differ
def test_warm_air_holds_more(temp_k: float, p_abs_pa: float) -> None:
    assert saturation_pressure(temp_k + 1.0) > saturation_pressure(temp_k)
    assert saturation_humidity_ratio(temp_k + 1.0, p_abs_pa) > saturation_humidity_ratio(temp_k, p_abs_pa)


@given(st.floats(233.15, 353.15))
def test_pressure_raises_the_enhancement(temp_k: float) -> None:
    assert 1.0 < enhancement_factor(temp_k, 1e5) < enhancement_factor(temp_k, 8e5) < enhancement_factor(temp_k, 2e6) < 1.2


def test_water_meets_ice_at_the_triple_point() -> None:
    assert saturation_pressure(273.1599999) == pytest.approx(saturation_pressure(273.16), rel=1e-6)


def test_free_air_holds_a_little_under_ten_grams() -> None:
    assert anr_humidity_ratio() == pytest.approx(0.0096, abs=1e-4)


@pytest.mark.parametrize("temp_k", [20.0, 700.0])
def test_impossible_temperature(temp_k: float) -> None:
    with pytest.raises(ValueError, match="no temperature at which"):
        saturation_pressure(temp_k)


@pytest.mark.parametrize(("temp_k", "p_abs_pa"), [(293.15, 3e6), (293.15, 0.0), (400.0, 8e5)])
def test_outside_of_the_enhancement_fit(temp_k: float, p_abs_pa: float) -> None:
    with pytest.raises(ValueError, match="up to 21 bar"):
        enhancement_factor(temp_k, p_abs_pa)


def test_steam_is_no_air() -> None:
    with pytest.raises(ValueError, match="cannot be in air"):
        humidity_ratio(2e5, 1e5)


def test_perfectly_dry_air_has_no_dew_point() -> None:
    with pytest.raises(ValueError, match="no dew point"):
        dew_point(0.0, 1e5)


def test_humidity_in_percent_is_refused() -> None:
    with pytest.raises(ValueError, match="0 to 100 %"):
        ambient_humidity_ratio(293.15, 65.0, 1e5)
