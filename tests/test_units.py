"""Quantities as text, units at the edges, and how numbers are written for the reader."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.estimate import Estimate
from analysis.units import UNITS, UnitError, from_si, parse_quantity, significant, to_si, unit
from dashboard.reader import Reader, change, percent, seconds


def test_psi_is_the_exact_pound_per_square_inch() -> None:
    # Reference row SN-18: 1 psi = 6894.757293 Pa, from the definitions of pound and inch (exact).
    assert to_si(1.0, "psi") == pytest.approx(6894.757293, rel=1e-9)


@pytest.mark.parametrize(
    ("text", "quantity", "si"),
    [
        ("85 psi", "pressure", 586_054.4),
        ("6,5 bar", "pressure", 650_000.0),
        ("42.7 L", "volume", 0.0427),
        ("5 gal", "volume", 0.018927),
        ("0.4s", "time", 0.4),
        ("10m", "length", 10.0),
        ("65 %", "humidity", 0.65),
        ("22 degC", "temperature", 295.15),
        ("1.9 L/s/bar", "conductance", 1.9e-8),
        ("12", "number", 12.0),
    ],
)
def test_quantities_are_read(text: str, quantity: str, si: float) -> None:
    assert parse_quantity(text, quantity) == pytest.approx(si, rel=1e-4)


def test_minutes_may_be_written_short_where_a_time_is_meant() -> None:
    assert parse_quantity("10m", "time") == 600.0


@pytest.mark.parametrize(
    ("text", "quantity", "message"),
    [
        ("85", "pressure", "has no unit"),
        ("85 psy", "pressure", "Did you mean psi"),
        ("85 psi", "volume", "is a pressure; needed is a volume"),
        ("lots", "pressure", "is not a quantity"),
        ("3 L", "number", "without a unit"),
        ("1e999 bar", "pressure", "too large"),
    ],
)
def test_what_is_no_quantity_is_refused_with_a_reason(text: str, quantity: str, message: str) -> None:
    with pytest.raises(UnitError, match=message):
        parse_quantity(text, quantity)


@given(st.sampled_from(sorted(UNITS)), st.floats(-1e6, 1e6))
def test_to_si_and_back_is_the_same(name: str, value: float) -> None:
    assert from_si(to_si(value, name), name) == pytest.approx(value, rel=1e-9, abs=1e-6)


@given(st.text(max_size=20), st.sampled_from(["pressure", "time", "number"]))
def test_no_text_gives_anything_but_a_number_or_a_plain_refusal(text: str, quantity: str) -> None:
    try:
        parse_quantity(text, quantity)
    except UnitError as refusal:
        assert str(refusal)


def test_letter_case_matters_only_where_it_tells_units_apart() -> None:
    assert unit("PSI") == unit("psi")
    assert unit("kpa") == unit("kPa")


def test_numbers_for_the_reader() -> None:
    psi, bar, kpa = Reader("psi"), Reader("bar"), Reader("kPa")
    assert (psi.pressure(620_528.2), bar.pressure(620_528.2), kpa.pressure(620_528.2)) == ("90.0 psi", "6.21 bar", "621 kPa")
    assert (psi.volume(0.042), bar.volume(0.042)) == ("11.1 gal", "42.0 L")
    estimate = Estimate(value=0.23, low=0.21, high=0.25)
    assert bar.estimate(estimate, seconds) == "0.23 s (95 % between 0.21 s and 0.25 s)"
    assert bar.estimate(Estimate(value=None), seconds) == "unknown"
    assert bar.estimate(Estimate(value=1.0, low=0.5), seconds).endswith("at least 0.50 s)")
    assert (seconds(90.0), seconds(5400.0), seconds(0.02)) == ("90.0 s", "90.0 min", "0.020 s")
    assert (percent(0.256), percent(0.0123), change(-0.2576)) == ("26 %", "1.2 %", "-26 %")
    assert change(-0.001) == "0 %"
    assert (bar.flow(1.73e-6), bar.flow(4e-3)) == ("1.73 mL/s", "4.00 L/s")
    assert (significant(0.0, 3), significant(123.4, 2), significant(2.5e-9, 2)) == ("0", "120", "2.5e-09")


def test_a_reader_without_a_known_unit_is_refused() -> None:
    with pytest.raises(ValueError, match="Choose one of"):
        Reader("atm")
