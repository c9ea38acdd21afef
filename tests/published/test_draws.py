"""Draws of a vessel against published and computed values."""

import math

import pytest

from analysis.carry_off import Vessel
from analysis.constants import R_AIR_J_PER_KG_K
from analysis.units import CUBIC_FOOT_M3, PSI_PA, US_GALLON_M3


@pytest.mark.parametrize(("scf", "drop_psi"), [(0.05, 0.916), (0.10, 1.833)])
def test_pressure_of_a_tank_falls_with_each_shot_as_boyle_says(scf: float, drop_psi: float) -> None:
    """TR-20: 6 US gal, q x 14.7 / V, isothermal; status: computed. Twenty shots from 110 psi, counted to the floor that they leave."""
    vessel = Vessel(volume_m3=6 * US_GALLON_M3, p_pa=110 * PSI_PA, p_amb_pa=14.7 * PSI_PA, temp_k=293.15)
    mass = scf * CUBIC_FOOT_M3 * 14.7 * PSI_PA / (R_AIR_J_PER_KG_K * 293.15)
    # After 20 shots the pressure is 110 - 20 drops: a floor just above that stops the 21st, one just below lets it start. The printed
    # drop is rounded to 0.0005 psi, 0.01 psi in 20 shots.
    left = 110.0 - 20.0 * drop_psi
    counts = [vessel.draws(mass, every_s=1.0, stop_pa=(left + d) * PSI_PA, wall=math.inf) for d in (0.02, -0.02)]
    assert counts == [20, 21]
