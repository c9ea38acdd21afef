"""Published results of compressible flow: rows CF of the reference values (numbers as printed, or recomputed where it says so).

Sources: [S1] Aeronautical engineer's data book, tables A4.1/A4.2; [S2] fluid-mechanics textbook, table A.1 (k = 1.4), p. 640;
[S3] Farokhi, Aircraft Propulsion, 2nd ed., appendices B and E; [S4] Esposito, Fluid Power with Applications, as coded in the FOSSEE
textbook companion 788; [S5] Cengel and Cimbala, Fluid Mechanics, examples; [S6] Massey, Mechanics of Fluids, example 11.6.
"""

import math

import pytest
from scipy.optimize import brentq

from analysis import air
from analysis.constants import GAMMA


def test_cf01_critical_pressure_ratio() -> None:
    """CF-01, [S1] row M = 1.00, printed 0.5283 (read and recomputed)."""
    assert pytest.approx(0.528282, abs=1e-5) == air.CRITICAL_RATIO
    assert air.isentropic(1.0).pressure == pytest.approx(0.5283, abs=5e-5)


def test_cf02_temperature_and_density_at_the_throat() -> None:
    """CF-02, [S1] printed 0.8333 and 0.6339 (read and recomputed)."""
    throat = air.isentropic(1.0)
    assert throat.temperature == pytest.approx(0.8333, abs=5e-5)
    assert throat.density == pytest.approx(0.6339, abs=5e-5)


@pytest.mark.parametrize(
    ("row", "source", "mach", "pressure", "density", "temperature", "area"),
    [
        ("CF-03", "[S2] table A.1, read", 0.50, 0.8430, 0.8852, 0.9524, 1.3398),
        ("CF-04", "[S2] table A.1, read", 0.10, 0.9930, 0.9950, 0.9980, 5.8218),
        ("CF-05", "[S1] and [S2], read", 0.88, 0.6041, 0.6977, 0.8659, 1.0129),
    ],
)
def test_isentropic_table(row: str, source: str, mach: float, pressure: float, density: float, temperature: float, area: float) -> None:
    found = air.isentropic(mach)
    got = (found.pressure, found.density, found.temperature, found.area)
    assert got == pytest.approx((pressure, density, temperature, area), abs=6e-5), f"{row} {source}"


def test_cf06_area_ratio() -> None:
    """CF-06, [S3] appendix B, printed 2.9635 (read)."""
    assert air.isentropic(0.20).area == pytest.approx(2.9635, abs=5e-5)


def test_cf07_choked_flow_parameter() -> None:
    """CF-07, closed form (recomputed)."""
    assert pytest.approx(0.684731, abs=1e-6) == air.CHOKED_PARAMETER


def test_cf08_hole_in_a_tyre() -> None:
    """CF-08, [S5] example 12-5: 220 kPa gauge, 94 kPa ambient, 25 degC, 4 mm, R = 287 there (read and recomputed)."""
    q = float(air.nozzle_mass_flow(314e3, 94e3, 298.0, math.pi / 4.0 * 0.004**2))
    assert 60.0 * q == pytest.approx(0.5543, rel=5e-3)


def test_cf09_choked_nozzle() -> None:
    """CF-09, closed form (computed)."""
    assert float(air.nozzle_mass_flow(8e5, 1e5, 293.15, 1e-6)) == pytest.approx(1.88837e-3, rel=1e-4)


def test_cf10_subsonic_nozzle() -> None:
    """CF-10, St-Venant and Wantzel (computed)."""
    assert float(air.nozzle_mass_flow(8e5, 7e5, 293.15, 1e-6)) == pytest.approx(1.28328e-3, rel=1e-4)


@pytest.mark.parametrize(
    ("row", "mach", "length", "temperature", "pressure", "density", "stagnation"),
    [
        ("CF-11", 0.10, 66.922, 1.1976, 10.944, 9.1378, 5.8218),
        ("CF-12", 0.12, 45.408, 1.1966, 9.1156, 7.6182, 4.8643),
    ],
)
def test_fanno_table(row: str, mach: float, length: float, temperature: float, pressure: float, density: float, stagnation: float) -> None:
    """[S3] appendix E, Darcy's factor (read and recomputed)."""
    found = air.fanno(mach)
    got = (found.friction_length, found.temperature, found.pressure, found.density, found.stagnation)
    assert got == pytest.approx((length, temperature, pressure, density, stagnation), rel=1e-4), row


@pytest.mark.parametrize(
    ("row", "mach", "length"),
    [
        ("CF-13 [S5] table A-16, printed, read", 0.20, 14.5333),
        ("CF-14 from memory, recomputed", 0.30, 5.2993),
        ("CF-14 [S6b] printed 2.308, recomputed", 0.40, 2.308493),
        ("CF-14 from memory, recomputed", 0.50, 1.0691),
        ("CF-14 [S6b] printed 0.072, recomputed", 0.80, 0.072290),
    ],
)
def test_fanno_length(row: str, mach: float, length: float) -> None:
    assert air.fanno(mach).friction_length == pytest.approx(length, rel=1e-4), row


def test_cf13_fanno_pressure() -> None:
    """CF-13 (recomputed)."""
    assert air.fanno(0.20).pressure == pytest.approx(5.455447, rel=1e-4)


def test_cf15_fanno_duct() -> None:
    """CF-15, [S5] example 12-17: the exact exit Mach number is 0.410; the book's 0.42 is a coarse table reading (D-03)."""
    mach1 = 85.0 / math.sqrt(GAMMA * 287.0 * 450.0)
    assert mach1 == pytest.approx(0.19990, abs=1e-5)
    mach2 = air.fanno_mach(air.fanno(mach1).friction_length - 0.023 * 27.0 / 0.05)
    assert mach2 == pytest.approx(0.4102, abs=0.002)
    q = 220e3 / (287.0 * 450.0) * 85.0 * math.pi / 4.0 * 0.05**2
    assert q == pytest.approx(0.284, rel=2e-3)


def test_cf16_fanno_pipe_from_a_reservoir() -> None:
    """CF-16, [S6] example 11.6: inputs and method read; exact values recomputed (the book's differ by its table's rounding)."""
    mach_a = float(brentq(lambda m: air.isentropic(m).pressure - 500.0 / 510.0, 0.01, 0.9))
    # pA/p* and pB/p* give the Mach number at B; the friction between is 12 m.
    star = 500.0 / air.fanno(mach_a).pressure
    mach_b = float(brentq(lambda m: air.fanno(m).pressure - 280.0 / star, 0.01, 0.99))
    darcy = (air.fanno(mach_a).friction_length - air.fanno(mach_b).friction_length) * 0.02 / 12.0
    assert darcy / 4.0 == pytest.approx(0.006755, rel=2e-3)
    mach_end = float(brentq(lambda m: air.fanno(m).pressure - 100.0 / star, 0.01, 0.9999))
    length = (air.fanno(mach_a).friction_length - air.fanno(mach_end).friction_length) * 0.02 / darcy
    assert length == pytest.approx(15.90, rel=2e-3)


def test_cf20_isothermal_hose_flow() -> None:
    """CF-20 (computed): the steady hose passes the stated flow between the stated pressures when its friction factor is 0.025."""
    from analysis import steady

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(steady, "darcy", lambda re, rough: 0.025)  # noqa: ARG005 - the row states the factor
        p2 = steady.hose_outlet(801_325.0, 1.512434e-2, 293.15, 9.525e-3, 15.0, 0.0)
    assert p2 == pytest.approx(701_325.0, rel=1e-5)


def test_cf21_iso_6358_choked() -> None:
    """CF-21, ISO 6358-1 (formula read, value computed)."""
    assert float(air.iso6358_mass_flow(7e5, 1e5, 293.15, 1e-8, 0.35)) == pytest.approx(8.29500e-3, rel=1e-6)


def test_cf22_iso_6358_subsonic() -> None:
    """CF-22, ISO 6358-1 (formula read, value computed)."""
    assert float(air.iso6358_mass_flow(7e5, 5.6e5, 293.15, 1e-8, 0.35)) == pytest.approx(5.985692e-3, rel=1e-6)


def test_cf23_conductance_of_one_square_millimetre() -> None:
    """CF-23 (computed with R = 288; ours is 287.05, hence 0.3 %)."""
    d = math.sqrt(4e-6 / math.pi)
    assert 1e8 * air.conductance_of_hole(d) == pytest.approx(0.198866, rel=3e-3)


def test_cf24_series() -> None:
    """CF-24 (rule read, recomputed)."""
    assert air.in_series([4.0, 3.0]) == pytest.approx(2.4000, abs=1e-6)


def test_cf27_conductance_of_a_cv() -> None:
    """CF-27, derived from [S4]'s formula; a design rule within 20 %, see D-05."""
    assert 1e8 * air.conductance_of_cv(1.0) == pytest.approx(3.43, rel=0.2)
