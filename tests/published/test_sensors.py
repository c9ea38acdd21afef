"""Sensors: other people's numbers for scaling, checksums and absolute pressure. SN-nn are the rows of the reference values."""

from __future__ import annotations

import math

import pytest

from analysis.units import from_si, to_si
from logger.channel import Channel
from logger.lines import LineParser, crc16, parse_columns, xor
from logger.scaling import LOOP_FAULT_MA, current_loop, ratiometric, two_point


@pytest.mark.parametrize(("volts", "psi"), [(0.5, 0.0), (2.5, 75.0), (4.5, 150.0)])
def test_sn_01_ratiometric_transducer(volts: float, psi: float) -> None:
    # Common transfer function of 0.5-4.5 V transducers, p = FS (V - 0.5) / 4; from memory.
    assert ratiometric(150.0, supply=5.0)(volts) == pytest.approx(psi, abs=1e-12)


def test_sn_02_supply_drift_cancels() -> None:
    # p = FS (V / Vs - 0.1) / 0.8 at V = 2.45, Vs = 4.9: 75.000 psi; 73.125 if Vs is taken for 5 V. From memory.
    assert ratiometric(150.0, supply=4.9)(2.45) == pytest.approx(75.000, abs=1e-9)
    assert ratiometric(150.0, supply=5.0)(2.45) == pytest.approx(73.125, abs=1e-9)


def test_sn_03_counts_of_a_10_bit_converter() -> None:
    # 0.5 V and 4.5 V of 5 V are 102.3 and 920.7 of 1023 counts; 614 counts are 93.787 of 150 psi. Computed.
    scaling = ratiometric(150.0, supply=1023.0)
    assert scaling(102.3) == pytest.approx(0.0, abs=1e-9)
    assert scaling(920.7) == pytest.approx(150.0, abs=1e-9)
    assert scaling(614.0) == pytest.approx(93.787, abs=1e-3)


def test_sn_04_current_loop_50_to_250_psi() -> None:
    # Worked example of an instrument society: 150 psig on a 50-250 psig range is 12.0 mA.
    assert current_loop(50.0, 250.0)(12.0) == pytest.approx(150.0, abs=1e-12)


@pytest.mark.parametrize(("volts", "psi"), [(1.0, 0.0), (3.0, 1500.0), (5.0, 3000.0)])
def test_sn_05_current_loop_across_250_ohm(volts: float, psi: float) -> None:
    # Worked example of a data-acquisition note: y = 750 V - 750.
    scaling = current_loop(0.0, 3000.0, raw_per_ma=0.25)
    assert scaling(volts) == pytest.approx(psi, abs=1e-9)
    assert scaling.gain == pytest.approx(750.0)
    assert scaling.offset == pytest.approx(-750.0)


def test_sn_06_current_loop_in_bar() -> None:
    # 12.8 mA on 0-10 bar: 5.5 bar. Linear, computed.
    assert current_loop(0.0, 10.0)(12.8) == pytest.approx(5.5, abs=1e-12)


def test_sn_07_fault_bands() -> None:
    # NAMUR NE 43: fault below 3.6 or above 21 mA; 3.8 to 20.5 mA still measures.
    assert LOOP_FAULT_MA == (3.6, 21.0)
    scaling = current_loop(0.0, 10.0)
    assert math.isnan(scaling(3.5))
    assert math.isnan(scaling(21.1))
    assert math.isfinite(scaling(3.8))
    assert math.isfinite(scaling(20.5))
    channel = Channel(name="tool", unit="mA", to="bar", gain=scaling.gain, offset=scaling.offset, valid=scaling.valid)
    assert channel.si([12.8, 3.5, 21.1]).tolist() == pytest.approx([5.5e5, math.nan, math.nan], nan_ok=True)
    assert channel.faults([12.8, 3.5, 21.1]) == 2


@pytest.mark.parametrize(
    ("sentence", "printed"),
    [
        ("GPGLL,5300.97914,N,00259.98174,E,125926,A", "28"),  # SN-11, example of the sentence standard
        ("GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,", "47"),  # SN-12, the classic one, from memory
    ],
)
def test_sn_11_12_xor_checksum(sentence: str, printed: str) -> None:
    assert f"{xor(sentence.encode()):02X}" == printed


def test_sn_11_the_checksum_is_checked_in_a_line() -> None:
    parser = LineParser(layout=parse_columns("tool", "psi"))
    body = "93.2"
    assert parser.feed(f"\n{body}*{xor(body.encode()):02x}\n{body}*00\n".encode()).values.tolist() == [[93.2]]


def test_sn_17_gauge_to_absolute_at_altitude() -> None:
    # 100 psig at 1500 m (84.556 kPa) is 774.03 kPa absolute; 790.80 at sea level. Computed with 6.894757293 kPa/psi.
    gauge_pa = to_si(100.0, "psi")
    tank = Channel(name="tank", unit="kPa", absolute=True)
    assert tank.si(774.03) - 84_556.0 == pytest.approx(gauge_pa, abs=10.0)
    assert tank.si(790.80) - 101_325.0 == pytest.approx(gauge_pa, abs=10.0)
    assert tank.column == "tank_abs_pa"


def test_sn_18_psi() -> None:
    # 1 psi = 6894.757293 Pa, by definition of pound, gravity and inch.
    assert to_si(1.0, "psi") == pytest.approx(6894.757293, rel=1e-9)
    assert from_si(6894.757293, "psi") == pytest.approx(1.0, rel=1e-9)


def test_sn_19_two_point_calibration() -> None:
    # 0.512 V at 0 bar, 4.476 V at 10.00 bar: 2.522704 bar/V, -1.291625 bar; 2.494 V is 5.000 bar. Computed.
    scaling = two_point((0.512, 0.0), (4.476, 10.0))
    assert scaling.gain == pytest.approx(2.522704, abs=1e-6)
    assert scaling.offset == pytest.approx(-1.291625, abs=1e-6)
    assert scaling(2.494) == pytest.approx(5.000, abs=1e-3)


def test_crc_of_the_usual_check_string() -> None:
    """CRC with polynomial 0x1021 from 0xFFFF: the catalogues of such checks print 29B1 for the nine digits (value from memory)."""
    assert crc16(b"123456789") == 0x29B1
