"""Air through restrictions: laws that hold for any numbers, and inverses that come back."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis import air

PRESSURES = st.floats(2e4, 2e6)


@given(p1=PRESSURES, ratio=st.floats(0.0, 1.0), c=st.floats(1e-10, 1e-6), b=st.floats(0.05, 0.9))
def test_flow_never_exceeds_choked_flow_and_ends_at_equal_pressures(p1: float, ratio: float, c: float, b: float) -> None:
    q = float(air.iso6358_mass_flow(p1, ratio * p1, 293.15, c, b))
    choked = c * p1 * 1.185
    assert 0.0 <= q <= choked * (1.0 + 1e-12)
    if ratio <= b:
        assert q == pytest.approx(choked)
    assert float(air.iso6358_mass_flow(p1, p1, 293.15, c, b)) == 0.0


@given(p1=PRESSURES, share=st.floats(0.01, 0.99), c=st.floats(1e-10, 1e-6), b=st.floats(0.05, 0.9))
def test_downstream_pressure_is_the_inverse_of_flow(p1: float, share: float, c: float, b: float) -> None:
    q = share * c * p1 * 1.185
    p2 = air.iso6358_downstream(p1, q, 293.15, c, b)
    assert float(air.iso6358_mass_flow(p1, p2, 293.15, c, b)) == pytest.approx(q, rel=1e-6)


def test_flow_that_cannot_pass_has_no_downstream_pressure() -> None:
    assert math.isnan(air.iso6358_downstream(8e5, 1.0, 293.15, 1e-8, 0.3))


def test_flow_works_on_arrays() -> None:
    q = air.iso6358_mass_flow(np.array([7e5, 7e5]), np.array([1e5, 7e5]), 293.15, 1e-8, 0.35)
    assert q == pytest.approx([8.295e-3, 0.0])


@given(d=st.floats(1e-4, 1e-2))
def test_hole_and_conductance_are_inverse(d: float) -> None:
    assert air.hole_of_conductance(air.conductance_of_hole(d)) == pytest.approx(d, rel=1e-9)


@given(mach=st.floats(0.02, 0.98))
def test_fanno_mach_is_the_inverse_of_its_length(mach: float) -> None:
    assert air.fanno_mach(air.fanno(mach).friction_length) == pytest.approx(mach, rel=1e-6)


def test_no_friction_length_is_left_at_mach_one() -> None:
    assert air.fanno_mach(0.0) == 1.0
    assert air.fanno(1.0).friction_length == pytest.approx(0.0, abs=1e-12)


@given(volume=st.floats(1e-6, 10.0))
def test_free_air_and_its_mass_are_inverse(volume: float) -> None:
    assert air.free_air(air.mass_of_free_air(volume)) == pytest.approx(volume)


def test_cv_is_said_to_be_uncertain_enough_to_hold_the_published_factors() -> None:
    low, high = (air.CV_CONDUCTANCE_M3_PER_S_PA * (1.0 + s * air.CV_UNCERTAINTY) for s in (-1, 1))
    assert low < 3.43e-8 < high  # CF-27
    assert low < 4.0e-8 < high  # D-05
