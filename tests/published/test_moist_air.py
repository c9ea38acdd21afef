"""Moist air, water and desiccants against other people's numbers. Each row names its id, source and tolerance.

ASHRAE: ASHRAE Handbook Fundamentals 2017, chapter 1, tables 1 to 3, as quoted in the SI tests of PsychroLib 2.5.0.
IAPWS rows: computed with CoolProp 8.0.0 (IAPWS-95) or iapws 1.5.5, or printed in the named release.
Ideal-gas rows are reached with `ideal=True`; the real-gas values beside them need the enhancement factor.
"""

from __future__ import annotations

import pytest

from analysis.desiccant import Desiccant
from analysis.line_check import highest_relieved
from analysis.moist_air import (
    ambient_humidity_ratio,
    dew_point,
    dew_point_at,
    enhancement_factor,
    humidity_ratio,
    saturated_vapour_pressure,
    saturation_humidity_ratio,
    saturation_pressure,
    vapour_density,
    vapour_pressure,
)
from analysis.units import CUBIC_FOOT_M3, POUND_KG, PSI_PA, US_GALLON_M3, to_si

ATM = 101_325.0
AT_7_BAR = 801_325.0  # 7 bar gauge at 101325 Pa


def kelvin(degc: float) -> float:
    return to_si(degc, "degC")


@pytest.mark.parametrize(
    ("row", "degc", "printed_pa", "rel"),
    [
        ("MO-01 ASHRAE table 3", 5.0, 872.6, 3e-4),
        ("MO-01 ASHRAE table 3", 25.0, 3169.7, 3e-4),
        ("MO-01 ASHRAE table 3", 50.0, 12351.3, 3e-4),
        ("MO-02 ASHRAE table 3, ice", -20.0, 103.24, 3e-4),
        ("MO-02 ASHRAE table 3, ice", -5.0, 401.74, 3e-4),
        ("MO-03 IAPWS-95, CoolProp", 10.0, 1228.20, 1e-4),
        ("MO-03 IAPWS-95, CoolProp", 15.0, 1705.79, 1e-4),
        ("MO-03 IAPWS-95, CoolProp", 20.0, 2339.32, 1e-4),
        ("MO-03 IAPWS-95, CoolProp", 30.0, 4246.97, 1e-4),
        ("MO-03 IAPWS-95, CoolProp", 40.0, 7384.94, 1e-4),
        ("MO-03 IAPWS-95, CoolProp", 45.0, 9595.00, 1e-4),
        ("MO-03 IAPWS-95, CoolProp", 60.0, 19946.4, 1e-4),
        ("MO-04 IAPWS R14-08, iapws", -10.0, 259.87, 1e-4),
        ("MO-04 IAPWS R14-08, iapws", -40.0, 12.841, 1e-4),
        ("MO-07 triple point, IAPWS", 0.01, 611.657, 1e-5),
    ],
)
def test_saturation_pressure(row: str, degc: float, printed_pa: float, rel: float) -> None:
    assert saturation_pressure(kelvin(degc)) == pytest.approx(printed_pa, rel=rel), row


@pytest.mark.parametrize(
    ("row", "temp_k", "printed_pa", "rel"),
    [
        ("MO-05 IAPWS R7-97 table 35", 300.0, 0.00353658941e6, 1e-8),
        ("MO-05 IAPWS R7-97 table 35", 500.0, 2.63889776e6, 1e-8),
        ("MO-05 IAPWS R7-97 table 35", 600.0, 12.3443146e6, 1e-8),
        ("MO-06 IAPWS R14-08 check value", 230.0, 8.94735, 1e-5),
    ],
)
def test_check_values_of_the_releases(row: str, temp_k: float, printed_pa: float, rel: float) -> None:
    assert saturation_pressure(temp_k) == pytest.approx(printed_pa, rel=rel), row


@pytest.mark.parametrize(("degc", "printed"), [(-20.0, 0.0006373), (5.0, 0.005425), (25.0, 0.020173), (50.0, 0.086863)])
def test_saturation_humidity_ratio_of_ashrae(degc: float, printed: float) -> None:
    """MO-08: the row allows the ideal-gas formula 0.5 to 1 %; with the enhancement factor it is ten times closer."""
    assert saturation_humidity_ratio(kelvin(degc), ATM) == pytest.approx(printed, rel=1e-3)
    assert saturation_humidity_ratio(kelvin(degc), ATM, ideal=True) == pytest.approx(printed, rel=1e-2)


def test_ideal_humidity_ratio() -> None:
    """MO-09: PsychroLib 2.5.0, 25 degC at 101325 Pa; its saturation pressure (Hyland and Wexler) is 1.7e-4 below IAPWS."""
    assert saturation_humidity_ratio(kelvin(25.0), ATM, ideal=True) == pytest.approx(0.020081, rel=2e-4)


def test_real_gas_is_above_ideal_gas() -> None:
    """MO-09, D-09: +0.46 % at 25 degC and 1 atm; at 8 bar and 20 degC 1.867 against 1.821 g/kg."""
    ratio = saturation_humidity_ratio(kelvin(25.0), ATM) / saturation_humidity_ratio(kelvin(25.0), ATM, ideal=True)
    assert ratio - 1.0 == pytest.approx(0.0046, abs=4e-4)  # the printed one sets IAPWS beside Hyland and Wexler, 1.7e-4 apart
    assert saturation_humidity_ratio(kelvin(20.0), AT_7_BAR, ideal=True) == pytest.approx(1.821e-3, rel=5e-4)
    assert saturation_humidity_ratio(kelvin(20.0), AT_7_BAR) == pytest.approx(1.867e-3, rel=1e-3)
    assert enhancement_factor(kelvin(20.0), AT_7_BAR) - 1.0 == pytest.approx(0.025, abs=1e-3)


def test_humidity_ratio_from_vapour_pressure() -> None:
    """MO-10: PsychroLib test value."""
    assert humidity_ratio(3169.7, 95461.0) == pytest.approx(0.0213603998, rel=1e-6)


@pytest.mark.parametrize(("degc", "printed_g_per_m3"), [(5.0, 6.80), (10.0, 9.40), (20.0, 17.29), (30.0, 30.36), (50.0, 82.82)])
def test_vapour_density(degc: float, printed_g_per_m3: float) -> None:
    """MO-11: public humidity table, recomputed."""
    assert 1e3 * vapour_density(saturation_pressure(kelvin(degc)), kelvin(degc)) == pytest.approx(printed_g_per_m3, rel=3e-3)


@pytest.mark.parametrize(("degc", "over_ice_g_per_m3"), [(-5.0, 3.25), (-20.0, 0.884)])
def test_below_freezing_we_are_over_ice(degc: float, over_ice_g_per_m3: float) -> None:
    """MO-12, D-10: the table has 3.4 g/m3 at -5 degC, over water; we take ice."""
    assert 1e3 * vapour_density(saturation_pressure(kelvin(degc)), kelvin(degc)) == pytest.approx(over_ice_g_per_m3, rel=3e-3)


@pytest.mark.parametrize(
    ("row", "pressure_dew_point", "ideal_degc", "real_degc"),
    [("MO-13", 3.0, -20.77, -20.53), ("MO-14", -40.0, -56.95, -56.67), ("MO-15", -20.0, -39.85, -39.59)],
)
def test_pressure_dew_point_let_down_to_ambient(row: str, pressure_dew_point: float, ideal_degc: float, real_degc: float) -> None:
    """MO-13 to MO-15: 7 bar gauge to 1 atm; ideal by iapws 1.5.5, real gas by CoolProp 8.0.0."""
    at = kelvin(pressure_dew_point)
    assert dew_point_at(at, AT_7_BAR, ATM, ideal=True) == pytest.approx(kelvin(ideal_degc), abs=0.05), row
    assert dew_point_at(at, AT_7_BAR, ATM) == pytest.approx(kelvin(real_degc), abs=0.05), row


@pytest.mark.parametrize(
    ("row", "degc", "humidity", "ideal_degc", "real_degc"), [("MO-16", 20.0, 0.5, 44.29, 43.94), ("MO-17", 30.0, 0.7, 63.60, 63.20)]
)
def test_ambient_air_compressed(row: str, degc: float, humidity: float, ideal_degc: float, real_degc: float) -> None:
    """MO-16, MO-17: dew point under 7 bar gauge of ambient air."""
    for ideal, printed in ((True, ideal_degc), (False, real_degc)):
        ratio = ambient_humidity_ratio(kelvin(degc), humidity, ATM, ideal=ideal)
        assert dew_point(vapour_pressure(ratio, AT_7_BAR), AT_7_BAR, ideal=ideal) == pytest.approx(kelvin(printed), abs=0.05), row


def test_ambient_dew_point() -> None:
    """MO-16: 20 degC and 50 % have their dew point at 9.27 degC."""
    e = 0.5 * saturated_vapour_pressure(kelvin(20.0), ATM, ideal=True)
    assert dew_point(e, ATM, ideal=True) == pytest.approx(kelvin(9.27), abs=0.05)


@pytest.mark.parametrize(
    ("row", "degc", "humidity", "cooled_degc", "w1", "w2", "falls_out"),
    [
        ("MO-18", 20.0, 0.5, 20.0, 7.2634, 1.8210, 5.4424),
        ("MO-19", 30.0, 0.7, 30.0, 18.7995, 3.3138, 15.4856),
        ("MO-20", 30.0, 0.7, 3.0, 18.7995, 0.5889, 18.2105),
    ],
)
def test_condensate(row: str, degc: float, humidity: float, cooled_degc: float, w1: float, w2: float, falls_out: float) -> None:
    """MO-18 to MO-20: g/kg, ideal gas, compressed to 7 bar gauge and cooled."""
    drawn = 1e3 * ambient_humidity_ratio(kelvin(degc), humidity, ATM, ideal=True)
    left = 1e3 * saturation_humidity_ratio(kelvin(cooled_degc), AT_7_BAR, ideal=True)
    assert drawn == pytest.approx(w1, rel=1e-3), row
    assert left == pytest.approx(w2, rel=1e-3), row
    assert drawn - left == pytest.approx(falls_out, rel=1e-3), row


@pytest.mark.parametrize(("row", "degc", "humidity", "printed"), [("MO-18", 20.0, 0.5, 6.478), ("MO-19", 30.0, 0.7, 17.50)])
def test_condensate_per_intake_volume(row: str, degc: float, humidity: float, printed: float) -> None:
    """MO-18, MO-19: g per m3 of intake air; the mass of dry air in it by the ideal gas law."""
    temp_k = kelvin(degc)
    drawn = ambient_humidity_ratio(temp_k, humidity, ATM, ideal=True)
    left = saturation_humidity_ratio(temp_k, AT_7_BAR, ideal=True)
    dry = (ATM - vapour_pressure(drawn, ATM)) / (287.05 * temp_k)
    assert 1e3 * dry * (drawn - left) == pytest.approx(printed, rel=1e-3), row


def test_saturated_air_at_80_degf() -> None:
    """MO-22: Esposito, Fluid Power with Applications, behind example 13-9: 1.5785e-3 lb/ft3 (book 1.58e-3)."""
    temp_k = to_si(80.0, "degF")
    density = vapour_density(saturation_pressure(temp_k), temp_k) * CUBIC_FOOT_M3 / POUND_KG
    assert density == pytest.approx(1.58e-3, rel=2e-3)


def test_water_per_day_of_a_textbook() -> None:
    """MO-21: Esposito, example 13-9: 100 scfm saturated at 80 degF, 8 h, 8.34 lb/gal: 9.094 gal a day."""
    temp_k = to_si(80.0, "degF")
    pounds = vapour_density(saturation_pressure(temp_k), temp_k) * CUBIC_FOOT_M3 / POUND_KG * 100.0 * 60.0 * 8.0
    assert pounds / 8.34 == pytest.approx(9.094, rel=3e-3)  # the book rounds its density by 0.1 %


def test_water_taken_in_by_a_rule_of_thumb() -> None:
    """MO-23: 7 m3/min at 20 degC and 50 %, 24 h: 87.1 kg = 23.0 gal (printed 23)."""
    temp_k = kelvin(20.0)
    kg = vapour_density(0.5 * saturation_pressure(temp_k), temp_k) * 7.0 * 60.0 * 24.0
    assert kg == pytest.approx(87.1, rel=1e-2)
    assert kg / 1000.0 / US_GALLON_M3 == pytest.approx(23.0, rel=1e-2)


@pytest.mark.parametrize(("humidity", "measured", "curve"), [(0.24, 13.4, 12.0), (0.50, 28.8, 27.0), (0.65, 33.0, 32.0)])
def test_silica_gel(humidity: float, measured: float, curve: float) -> None:
    """MO-25: a published home measurement against a supplier's isotherm, % of dry mass, within 3 points."""
    uptake = 100.0 * Desiccant(mass_kg=1.0).uptake(humidity)
    assert uptake == pytest.approx(curve, abs=0.5)
    assert uptake == pytest.approx(measured, abs=3.0)


def test_silica_gel_at_most() -> None:
    """MO-26: about 40 % near saturation, about 20 % of practical use (two encyclopaedic pages), within 5 points."""
    gel = Desiccant(mass_kg=1.0)
    assert 100.0 * gel.uptake(1.0) == pytest.approx(40.0, abs=5.0)
    assert 100.0 * gel.usable_kg(1.0)[0] == pytest.approx(20.0, abs=5.0)


@pytest.mark.parametrize(("rated_psi", "printed_psi"), [(150.0, 165.0), (20.0, 23.0)])
def test_relief(rated_psi: float, printed_psi: float) -> None:
    """TR-11, TR-13: ASME VIII-1 UG-125(c), one relief device: the greater of 10 % and 3 psi."""
    assert highest_relieved(rated_psi * PSI_PA) / PSI_PA == pytest.approx(printed_psi, abs=1e-9)
