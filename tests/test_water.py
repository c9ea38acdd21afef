"""The water balance: nothing is lost, cold makes more water, a regulator and a dryer make less."""

from __future__ import annotations

import dataclasses
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.air import ambient_pressure
from analysis.constants import ANR_DENSITY_KG_PER_M3
from analysis.desiccant import Desiccant
from analysis.estimate import Estimate
from analysis.line import Line
from analysis.line_file import parse_line
from analysis.moist_air import ambient_humidity_ratio, anr_humidity_ratio, saturation_humidity_ratio
from analysis.water import WaterBalance, water_balance
from analysis.water_variants import water_variants

HEAD = """
name = "Barn"
[site]
altitude = "100 m"
temperature = "24 degC"
humidity = "70 %"
[compressor]
tank = "50 L"
cut_in = "7 bar"
cut_out = "9 bar"
delivery = "200 L/min"
"""
HOSE = '[[part]]\nkind = "hose"\nlength = "30 m"\nbore = "9 mm"\n'
RECEIVER = '[[part]]\nkind = "receiver"\nvolume = "20 L"\n'
REGULATOR = '[[part]]\nkind = "regulator"\nset = "6 bar"\n'
DRYER = '[[part]]\nkind = "dryer"\n'
TOOL = '[[part]]\nkind = "tool"\nair_per_shot = "1.5 L"\n'


def line_of(*parts: str) -> Line:
    return parse_line(HEAD + "".join(parts) + TOOL)


def v(e: Estimate) -> float:
    assert e.value is not None
    return e.value


def total(b: WaterBalance) -> float:
    return sum(
        v(e)
        for e in (b.tank_kg_per_day, b.hose_kg_per_day, b.receiver_kg_per_day, b.dryer_kg_per_day, b.other_kg_per_day, b.left_kg_per_day)
    )


@settings(max_examples=25, deadline=None)
@given(
    st.floats(263.15, 308.15),
    st.floats(0.1, 1.0),
    st.floats(263.15, 308.15),
    st.sampled_from([(), (HOSE,), (HOSE, RECEIVER), (REGULATOR, HOSE), (HOSE, RECEIVER, DRYER, REGULATOR, HOSE)]),
)
def test_no_water_is_lost(temp_k: float, humidity: float, coldest_k: float, parts: tuple[str, ...]) -> None:
    b = water_balance(line_of(*parts), shots_per_day=2000, temperature_k=temp_k, humidity=humidity, coldest_k=coldest_k)
    assert total(b) == pytest.approx(v(b.drawn_kg_per_day), rel=1e-9)
    for place in b.places:
        assert v(place.condensed_kg_per_day) >= 0.0
        assert v(place.dew_point_k) <= place.temp_k + 0.05  # the fits over ice and water meet no better than this


@settings(max_examples=25, deadline=None)
@given(st.floats(223.15, 328.15), st.floats(0.001, 1.0), st.floats(223.15, 328.15), st.floats(0.1, 200.0))
def test_any_weather_has_an_answer(temp_k: float, humidity: float, coldest_k: float, air_m3: float) -> None:
    line = line_of(HOSE, RECEIVER, DRYER, REGULATOR, HOSE)
    b = water_balance(line, air_m3_per_day=air_m3, temperature_k=temp_k, humidity=humidity, coldest_k=coldest_k, p_amb_pa=7e4)
    assert total(b) == pytest.approx(v(b.drawn_kg_per_day), rel=1e-9)
    assert b.forms in ("yes", "no", "cannot tell")


def test_the_tank_by_hand() -> None:
    """Air of 24 degC and 70 % into a tank at 8 bar and the same temperature: drawn in less what saturated air keeps."""
    line = line_of(HOSE)
    b = water_balance(line, air_m3_per_day=3.0)
    amb = ambient_pressure(100.0)
    dry = 3.0 * ANR_DENSITY_KG_PER_M3 / (1.0 + anr_humidity_ratio())
    drawn = ambient_humidity_ratio(297.15, 0.70, amb)
    kept = saturation_humidity_ratio(297.15 + 20.0 * 3.0 / (0.2 / 60.0 * 8 * 3600.0), 8e5 + amb)
    assert v(b.drawn_kg_per_day) == pytest.approx(dry * drawn, rel=1e-6)
    assert v(b.tank_kg_per_day) == pytest.approx(dry * (drawn - kept), rel=1e-4)
    assert b.shots_per_day == pytest.approx(2000.0)
    assert v(b.condensed_kg_per_1000_shots) == pytest.approx((dry * (drawn - kept) + v(b.hose_kg_per_day)) / 2.0, rel=1e-6)


def test_intervals_hold_their_values() -> None:
    b = water_balance(line_of(HOSE, RECEIVER), shots_per_day=1000, coldest_k=283.15)
    for e in (b.drawn_kg_per_day, b.tank_kg_per_day, b.hose_kg_per_day, b.dew_point_at_tool_k, b.margin_k, b.drain_tank_s):
        assert e.low is not None
        assert e.high is not None
        assert e.low < v(e) < e.high


def test_a_cold_hose_makes_water() -> None:
    b = water_balance(line_of(HOSE, RECEIVER), shots_per_day=1000, coldest_k=278.15)
    assert b.forms == "yes"
    assert "too moist for hose" in b.why
    assert v(b.hose_kg_per_day) > 0.0
    assert v(b.receiver_kg_per_day) == pytest.approx(0.0, abs=1e-12)  # the hose before it is as cold
    assert v(b.dew_point_at_tool_k) == pytest.approx(278.15, abs=0.01)


def test_dry_weather_makes_none() -> None:
    b = water_balance(line_of(REGULATOR, HOSE), shots_per_day=1000, humidity=0.06)
    assert b.forms == "no"
    assert v(b.tank_kg_per_day) == 0.0
    assert b.drain_tank_s.value is None
    assert b.drain_tank_s.low is None or b.drain_tank_s.low > 0.0


def test_at_the_edge_it_cannot_be_told() -> None:
    """Tank, hose and tool at one temperature and pressure: the air is saturated, and a degree decides."""
    b = water_balance(line_of(HOSE), shots_per_day=100)
    assert b.forms == "cannot tell"
    assert "measure humidity" in b.why


def test_a_regulator_lowers_the_dew_point() -> None:
    bare = water_balance(line_of(HOSE), shots_per_day=1000)
    regulated = water_balance(line_of(REGULATOR, HOSE), shots_per_day=1000)
    assert v(regulated.dew_point_at_tool_k) < v(bare.dew_point_at_tool_k) - 2.0
    assert v(regulated.margin_k) > v(bare.margin_k)
    # let down to ambient the two airs are alike, since both left the same tank
    assert v(regulated.dew_point_expanded_k) == pytest.approx(v(bare.dew_point_expanded_k), abs=0.5)


def test_a_busy_pump_warms_its_tank_and_sends_water_on() -> None:
    idle = water_balance(line_of(HOSE), air_m3_per_day=2.0)
    busy = water_balance(line_of(HOSE), air_m3_per_day=60.0)
    assert v(busy.hose_kg_per_day) / 60.0 > v(idle.hose_kg_per_day) / 2.0
    assert busy.forms == "yes"


def test_a_dryer_keeps_the_tool_dry_and_lasts_as_long_as_it_holds() -> None:
    line = line_of(HOSE, DRYER, HOSE)
    b = water_balance(line, shots_per_day=2000, coldest_k=285.15, desiccant=Desiccant(mass_kg=0.5))
    assert b.forms == "no"
    assert v(b.dew_point_at_tool_k) == pytest.approx(253.15, abs=0.1)
    assert any("before the dryer" in w for w in b.warnings)
    double = water_balance(line, shots_per_day=2000, coldest_k=285.15, desiccant=Desiccant(mass_kg=1.0))
    assert v(double.desiccant_life_s) == pytest.approx(2.0 * v(b.desiccant_life_s))
    held = v(b.dryer_kg_per_day) / 8.0  # per hour of work; air arrives saturated, so a fifth of the mass is of use
    assert v(b.desiccant_life_s) / 3600.0 == pytest.approx(0.5 * 0.20 / held, rel=0.02)


def test_a_cold_receiver_before_the_dryer_spares_it() -> None:
    warm = water_balance(line_of(DRYER, HOSE), shots_per_day=2000, desiccant=Desiccant(mass_kg=0.5))
    spared = water_balance(line_of(HOSE, RECEIVER, DRYER), shots_per_day=2000, coldest_k=280.15, desiccant=Desiccant(mass_kg=0.5))
    assert v(spared.desiccant_life_s) > 1.5 * v(warm.desiccant_life_s)


def test_an_unknown_filling_is_said() -> None:
    b = water_balance(line_of(DRYER, HOSE), shots_per_day=2000)
    assert b.desiccant_life_s.value is None
    assert b.desiccant_kg_per_day > 0.0
    assert any("dry mass" in a for a in b.assumptions)


def test_leaks_draw_water_in_too() -> None:
    tight = line_of(HOSE)
    leaky = tight.with_part(0, leak=2e-11)
    more = water_balance(leaky, shots_per_day=1000).air_m3_per_day - water_balance(tight, shots_per_day=1000).air_m3_per_day
    assert more == pytest.approx(2e-11 * (8e5 + ambient_pressure(100.0)) * 8 * 3600.0, rel=1e-9)


def test_assumed_use_is_said_and_widens() -> None:
    plain = parse_line(HEAD + HOSE + '[[part]]\nkind = "tool"\n')
    b = water_balance(plain)
    assert any("1000 shots" in a for a in b.assumptions)
    assert any("1.4 L" in a for a in b.assumptions)
    assert b.drawn_kg_per_day.low is not None
    assert b.drawn_kg_per_day.low < 0.6 * v(b.drawn_kg_per_day)


def test_frost_and_an_overrun_pump_are_warned_of() -> None:
    cold = water_balance(line_of(HOSE), shots_per_day=1000, coldest_k=270.15)
    assert any("ice" in w for w in cold.warnings)
    over = water_balance(line_of(HOSE), air_m3_per_day=500.0)
    assert any("more than the pump delivers" in w for w in over.warnings)


@pytest.mark.parametrize(
    ("words", "message"),
    [
        ({"humidity": 70.0}, "7000 % cannot be"),
        ({"temperature_k": 22.0}, "outside of what can be"),
        ({"coldest_k": 400.0}, "coldest place"),
        ({"p_amb_pa": 7e5}, "absolute"),
        ({"shots_per_day": -1.0}, "more than nothing"),
        ({"air_m3_per_day": 0.0}, "more than nothing"),
        ({"hours_per_day": 30.0}, "at most 24"),
        ({"bowl_m3": 0.0}, "bowl"),
    ],
)
def test_what_cannot_be_is_refused(words: dict[str, float], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        water_balance(line_of(HOSE), **words)  # type: ignore[arg-type]


def test_a_pressure_beyond_the_formulas_is_refused() -> None:
    line = line_of(HOSE)
    high = dataclasses.replace(line, compressor=dataclasses.replace(line.compressor, cut_out_pa=3e6))
    with pytest.raises(ValueError, match="up to 20 bar"):
        water_balance(high)


def test_an_unknown_desiccant_is_refused() -> None:
    with pytest.raises(ValueError, match="silica gel, molecular sieve"):
        Desiccant(kind="salt", mass_kg=1.0)
    with pytest.raises(ValueError, match="dry mass"):
        Desiccant(mass_kg=0.0)


def test_molecular_sieve_works_in_dry_air() -> None:
    assert Desiccant(kind="molecular sieve", mass_kg=1.0).uptake(0.05) > Desiccant(mass_kg=1.0).uptake(0.05)


def test_a_hose_in_the_sun_holds_water_back_that_the_shade_lets_fall() -> None:
    """In the sun the air keeps its vapour; the hose in the shade behind it is where water forms."""
    sunny, shade = (HOSE + f'temperature = "{t} degC"\n' for t in (45, 8))
    b = water_balance(line_of(sunny, shade), shots_per_day=1000)
    hot, cold = (p for p in b.places if p.kind == "hose")
    assert (hot.condensed_kg_per_day.value, hot.temp_k) == (0.0, 318.15)
    assert (cold.condensed_kg_per_day.value or 0.0) > 0.0
    assert b.forms == "yes"
    assert water_balance(line_of(shade, sunny), shots_per_day=1000).hose_kg_per_day.value == pytest.approx(b.hose_kg_per_day.value)


def test_measured_weather_is_surer() -> None:
    rough, sure = (water_balance(line_of(HOSE), shots_per_day=1000, measured=m).drawn_kg_per_day for m in (False, True))
    assert sure.value == rough.value
    assert (sure.high or 0.0) - (sure.low or 0.0) < 0.9 * ((rough.high or 0.0) - (rough.low or 0.0))


def test_variants_spare_the_dryer_and_the_first_is_the_line_as_it_is() -> None:
    line = line_of(DRYER, HOSE)
    day: dict[str, Any] = {"shots_per_day": 8000.0, "coldest_k": 280.15, "desiccant": Desiccant(mass_kg=0.5)}
    found = {v.name: v.balance for v in water_variants(line, **day)}
    as_it_is = found["as it is"]
    assert as_it_is == water_balance(line, **day)
    for name in (
        "with an aftercooler on the compressor",
        "with a receiver in the shade ahead of the dryer",
        "with 10 m of hose in the cold ahead of the dryer",
    ):
        assert (found[name].desiccant_life_s.value or 0.0) > (as_it_is.desiccant_life_s.value or 0.0), name
    assert found["without the dryer"].forms == "yes"
    assert [v.name for v in water_variants(line_of(HOSE), shots_per_day=1000.0)][2] == "with a receiver in the shade at the compressor"
