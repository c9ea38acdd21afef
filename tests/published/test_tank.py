"""Published and closed-form results of sound, shock tubes and vessels that fill and empty: rows AC of the reference values.

Sources: [S7] Balmer, Modern Engineering Thermodynamics, example 16.8; Toro, Riemann Solvers; closed forms.
"""

import math

import pytest

from analysis import air
from analysis.constants import R_AIR_J_PER_KG_K
from tests import model_errors


@pytest.mark.parametrize(("degc", "printed"), [(-20.0, 318.96), (0.0, 331.32), (20.0, 343.23), (30.0, 349.04)])
def test_ac01_speed_of_sound(degc: float, printed: float) -> None:
    """AC-01, closed form (computed)."""
    assert float(air.speed_of_sound(273.15 + degc)) == pytest.approx(printed, rel=5e-4)


@pytest.mark.parametrize(("degc", "printed"), [(0.0, 331.44), (20.0, 343.34), (30.0, 349.13)])
def test_ac02_real_air_is_hardly_faster(degc: float, printed: float) -> None:
    """AC-02, Lemmon's equation of air by CoolProp 8.0.0 (computed): the ideal gas is within 0.05 %."""
    assert float(air.speed_of_sound(273.15 + degc)) == pytest.approx(printed, rel=5e-4)


def test_ac03_real_air_at_eight_bar() -> None:
    """AC-03: 344.10 m/s at 8 bar (computed); the model's ideal gas is 0.25 % slower, its stated error."""
    assert float(air.speed_of_sound(293.15)) == pytest.approx(344.10, rel=3e-3)


def test_ac04_linear_rule() -> None:
    """AC-04, 331 + 0.606 t read; at 20 degC 343.42."""
    assert float(air.speed_of_sound(293.15)) == pytest.approx(343.42, rel=1e-3)


def test_ac05_ac06_ac08_times_of_a_hose() -> None:
    """AC-05 quarter wave 5.7205 Hz, AC-06 half wave 11.441 Hz (15 m), AC-08 travel 87.40 ms (30 m); computed."""
    c = float(air.speed_of_sound(293.15))
    assert c / 60.0 == pytest.approx(5.7205, rel=1e-3)
    assert c / 30.0 == pytest.approx(11.441, rel=1e-3)
    assert 30.0 / c == pytest.approx(0.08740, rel=1e-3)


def test_ac08_the_model_takes_as_long() -> None:
    assert abs(model_errors.travel_time().error) < 0.01


def test_ac09_helmholtz() -> None:
    """AC-09, lumped formula (computed)."""
    c, area = float(air.speed_of_sound(293.15)), math.pi / 4.0 * 9.525e-3**2
    assert c / (2.0 * math.pi) * math.sqrt(area / (0.020 * 15.0)) == pytest.approx(0.8419, rel=1e-3)


def test_ac10_ac11_sod() -> None:
    """AC-10 and AC-11, Toro's exact star state and wave speeds: the solver's error on 200 cells against them."""
    assert model_errors.sod_error().error < 0.005


def _tau() -> float:
    return 0.020 / (1e-6 * air.CHOKED_PARAMETER * math.sqrt(R_AIR_J_PER_KG_K * 293.15))


def test_ac13_time_constant() -> None:
    """AC-13, closed form (computed)."""
    assert _tau() == pytest.approx(100.690, rel=1e-4)


def test_ac14_isothermal_blowdown() -> None:
    """AC-14, closed form (computed), and the model's own isothermal discharge."""
    assert _tau() * math.log(8.01325 / 5.0) == pytest.approx(47.491, rel=1e-4)
    assert abs(model_errors.isothermal_discharge().error) < 2e-3


def test_ac15_adiabatic_blowdown() -> None:
    """AC-15, closed form, checked by ODE (recomputed), and the model's own adiabatic discharge."""
    assert _tau() * 5.0 * ((8.01325 / 5.0) ** (0.4 / 2.8) - 1.0) == pytest.approx(35.091, rel=1e-4)
    assert abs(model_errors.adiabatic_discharge().error) < 2e-3


def test_ac16_pressure_after_a_minute() -> None:
    """AC-16 (recomputed by ODE)."""
    assert 8.01325 * math.exp(-60.0 / _tau()) == pytest.approx(4.41588, rel=1e-4)
    assert 8.01325 * (1.0 + 0.2 * 60.0 / _tau()) ** -7.0 == pytest.approx(3.64347, rel=1e-4)


def test_ac17_tyre_valve() -> None:
    """AC-17, [S7] example 16.8: 18.7 s until it is no longer choked (read and recomputed)."""
    volume, area, temp = 0.0283168, math.pi / 4.0 * (0.0938 * 0.0254) ** 2, (70.0 - 32.0) / 1.8 + 273.15
    tau = volume / (area * air.CHOKED_PARAMETER * math.sqrt(R_AIR_J_PER_KG_K * temp))
    assert tau == pytest.approx(31.92, rel=3e-3)
    assert tau * math.log(50.0 / (14.7 / 0.528)) == pytest.approx(18.7, rel=3e-3)


def test_ac20_filling_a_vessel_that_is_part_full() -> None:
    """AC-20, closed form (computed); the model fills the same vessel."""
    row = model_errors.filled_adiabatically()
    assert row.model == pytest.approx(392.75, rel=2e-3)


def test_ac21_choked_filling() -> None:
    """AC-21, closed form (computed)."""
    q = float(air.nozzle_mass_flow(901_325.0, 101_325.0, 293.15, 1e-6))
    assert q == pytest.approx(2.12754e-3, rel=1e-4)
    assert q * R_AIR_J_PER_KG_K * 293.15 / 0.020 / 1e5 == pytest.approx(0.089515, rel=1e-4)


def test_ac22_time_choked_while_filling() -> None:
    """AC-22, closed form (computed)."""
    rate = 0.089515e5
    assert (air.CRITICAL_RATIO * 901_325.0 - 101_325.0) / rate == pytest.approx(41.873, rel=1e-3)


def test_ac23_sound_in_a_choked_throat() -> None:
    """AC-23 and D-12: 313.3 m/s in the throat, not the 343.2 m/s of the air that comes (computed)."""
    assert float(air.speed_of_sound(293.15 * air.isentropic(1.0).temperature)) == pytest.approx(313.3, rel=1e-3)
