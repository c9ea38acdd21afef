"""The air-line file: what is read, what is written back, what is refused and in which words, what is cautioned."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.air import iso6358_mass_flow, mass_of_free_air
from analysis.cautions import cautions
from analysis.line_file import DEFAULT_B, DEFAULT_CLEARANCE, LineError, line_to_toml, parse_line

TEXT = """
name = "Shed line"

[site]
altitude = "300 m"
temperature = "68 degF"
humidity = "55 %"

[compressor]
tank = "20 gal"
cut_in = "100 psi"
cut_out = "135 psi"
delivery = "5 scfm"
rated = "150 psi"

[[part]]
kind = "regulator"
set = "95 psi"

[[part]]
kind = "hose"
length = "50 ft"
bore = "9.5 mm"

[[part]]
kind = "receiver"
name = "porch receiver"
volume = "5 gal"
rated = "150 psi"

[[part]]
kind = "hose"
length = "3 m"
bore = "8 mm"

[[part]]
kind = "coupler"
cv = 0.5

[[part]]
kind = "tool"
name = "framing nailer"
air_per_shot = "1.4 L"
window = ["70 psi", "120 psi"]
rated = "120 psi"
"""


def test_reads_every_quantity_in_si() -> None:
    line = parse_line(TEXT)
    assert line.name == "Shed line"
    assert line.site.altitude_m == 300.0
    assert line.site.temperature_k == pytest.approx(293.15)
    assert line.site.humidity == pytest.approx(0.55)
    assert line.site.p_amb_pa == pytest.approx(97773.0, abs=10.0)
    assert line.compressor.tank_m3 == pytest.approx(0.0757082, rel=1e-5)
    assert line.compressor.cut_out_pa == pytest.approx(930_792.0, rel=1e-5)
    assert [p.kind for p in line.parts] == ["regulator", "hose", "receiver", "hose", "coupler", "tool"]
    assert line.parts[1].length_m == pytest.approx(15.24)
    assert line.parts[1].bore_m == pytest.approx(0.0095)
    assert line.parts[4].b == DEFAULT_B
    assert line.tool.window_pa == pytest.approx((482_633.0, 827_371.0), rel=1e-5)
    assert line.receiver is line.parts[2]


def test_labels_number_what_repeats() -> None:
    assert parse_line(TEXT).labels() == ("regulator", "hose1", "receiver", "hose2", "coupler", "tool")


def test_first_valve_is_the_supply() -> None:
    text = TEXT.replace('kind = "regulator"\nset = "95 psi"', 'kind = "valve"\nconductance = "4 L/s/bar"')
    assert parse_line(text).labels()[0] == "supply"


def test_written_line_reads_back_the_same() -> None:
    line = parse_line(TEXT)
    again = parse_line(line_to_toml(line))
    assert again.labels() == line.labels()
    assert again.tool.window_pa == pytest.approx(line.tool.window_pa, rel=1e-9)
    assert again.tool.name == line.tool.name
    assert again.parts[4].conductance == pytest.approx(line.parts[4].conductance, rel=1e-9)
    assert again.compressor.delivery_m3_per_s == pytest.approx(line.compressor.delivery_m3_per_s, rel=1e-9)


@given(
    bore=st.floats(2.0, 50.0),
    length=st.floats(0.1, 500.0),
    name=st.text(st.characters(exclude_categories=["Cs"]), min_size=1, max_size=20).filter(lambda s: s.strip()),
)
def test_any_hose_and_name_survive_writing(bore: float, length: float, name: str) -> None:
    line = parse_line(TEXT).with_part(1, bore_m=bore / 1e3, length_m=length)
    line = line.with_part(5, name=name)
    again = parse_line(line_to_toml(line))
    assert again.parts[1].bore_m == pytest.approx(bore / 1e3, rel=1e-8)
    assert again.parts[1].length_m == pytest.approx(length, rel=1e-8)
    assert again.tool.name == name.strip()


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ('bore = "9.5 mm"', 'boer = "9.5 mm"', r"line 23: 'boer' is not a key of a hose\. Did you mean 'bore'"),
        ('bore = "9.5 mm"', 'bore = "0 mm"', r"line 23: bore = '0 mm' must be above zero"),
        ('bore = "9.5 mm"', "bore = 9.5", r"line 23: bore: '9.5' has no unit"),
        ('bore = "9.5 mm"', 'bore = "9.5 psi"', r"line 23: bore: '9.5 psi' is a pressure; needed is a length"),
        ('kind = "tool"', 'kind = "toll"', r"kind = 'toll' is no kind of part\. Did you mean 'tool'"),
        ('set = "95 psi"', 'set = "-3 psi"', r"at or below ambient"),
        ('cut_in = "100 psi"', 'cut_in = "140 psi"', r"cut_in = '140 psi' must lie below cut_out"),
        ('window = ["70 psi", "120 psi"]', 'window = ["120 psi", "70 psi"]', r"first pressure must be the lower"),
        ('window = ["70 psi", "120 psi"]', 'window = "70 psi"', r"must be two pressures"),
        ('volume = "5 gal"\n', "", r"this receiver lacks volume"),
        ('volume = "5 gal"', 'volume = "-5 gal"', r"volume = '-5 gal' must be above zero"),
        ("cv = 0.5", 'cv = 0.5\nconductance = "2 L/s/bar"', r"say the same thing twice"),
        ('kind = "coupler"', 'kind = "compressor"', r"second compressor"),
        ("[compressor]", "[[compressor]]\n[[compressor]]", r"2 compressors; a line has one"),
        ('temperature = "68 degF"', 'temperature = "500 degC"', r"outside of what can be"),
        ('name = "Shed line"', 'name = ""', r"name must be text"),
        ('set = "95 psi"', 'set = "95 psi"\ntime_constant = "0 s"', r"time_constant = '0 s' must be above zero"),
        ('delivery = "5 scfm"', 'delivery = "5 scfm"\nclearance = "28 %"', r"clearance of 28 % gives nothing at its delivery_at \(8.1 bar"),
        ('volume = "5 gal"', 'volume = "5 gal"\nleak = "0.2 L/min at -6 bar"', r"leak = '-6 bar' lies at or below ambient"),
        ('volume = "5 gal"', 'volume = "5 gal"\nleak = "2 bar at 6 bar"', r"leak: '2 bar' is a pressure; needed is a flow"),
        ("[site]", "[site", r"no valid air-line file"),
        ('kind = "regulator"', 'kind = "tool"', r"'set' is not a key of a tool"),
    ],
)
def test_refuses_with_line_and_key(old: str, new: str, message: str) -> None:
    assert old in TEXT
    with pytest.raises(LineError, match=message):
        parse_line(TEXT.replace(old, new, 1))


def test_tool_stands_last_and_alone() -> None:
    tool = TEXT[TEXT.index('[[part]]\nkind = "tool"') :]
    with pytest.raises(LineError, match="a second tool"):
        parse_line(TEXT + tool)
    with pytest.raises(LineError, match="comes after the tool"):
        parse_line(TEXT + '\n[[part]]\nkind = "coupler"\n')
    with pytest.raises(LineError, match="There is no tool"):
        parse_line(TEXT.replace(tool, ""))
    with pytest.raises(LineError, match=r"There is no \[\[part\]\]"):
        parse_line(TEXT[: TEXT.index("[[part]]")])


def test_no_compressor_is_refused() -> None:
    with pytest.raises(LineError, match=r"There is no \[compressor\]"):
        parse_line(TEXT[TEXT.index("[[part]]") :])


def test_leak_may_be_stated_as_a_flow_at_a_pressure() -> None:
    text = TEXT.replace('volume = "5 gal"', 'volume = "5 gal"\nleak = "0.6 L/min at 90 psi"').replace(
        'rated = "150 psi"\n\n[[part]]', 'rated = "150 psi"\nleak = "0.002 L/s/bar"\n\n[[part]]', 1
    )
    line = parse_line(text)
    receiver = line.parts[2]
    p = 90.0 * 6894.757 + line.site.p_amb_pa
    flow = float(iso6358_mass_flow(p, line.site.p_amb_pa, 293.15, receiver.leak or 0.0, 0.5))
    assert flow == pytest.approx(mass_of_free_air(0.6e-3 / 60.0), rel=1e-6)
    assert line.compressor.leak == pytest.approx(2e-11)
    again = parse_line(line_to_toml(line))
    assert again.parts[2].leak == pytest.approx(receiver.leak, rel=1e-9)
    assert again.compressor.leak == pytest.approx(line.compressor.leak, rel=1e-9)


def test_delivery_falls_with_pressure_where_it_is_stated_at_one() -> None:
    plain = parse_line(TEXT)
    assert plain.compressor.delivery_at(9e5, 1e5) == plain.compressor.delivery_m3_per_s
    line = parse_line(TEXT.replace('delivery = "5 scfm"', 'delivery = "5 scfm"\ndelivery_at = "90 psi"'))
    c, p_amb = line.compressor, line.site.p_amb_pa
    assert c.clearance == DEFAULT_CLEARANCE
    assert c.delivery_at(90.0 * 6894.757, p_amb) == pytest.approx(c.delivery_m3_per_s)
    # by hand: 1 - 0.05 (r^(1/1.3) - 1) at r = 1 is 1, at 90 psi (r = 7.347) 0.818, at 135 psi (r = 10.52) 0.745
    assert c.delivery_at(0.0, p_amb) / c.delivery_m3_per_s == pytest.approx(1.0 / 0.818, abs=2e-3)
    assert c.delivery_at(c.cut_out_pa, p_amb) / c.delivery_m3_per_s == pytest.approx(0.745 / 0.818, abs=2e-3)
    assert any("clearance is not given" in s for s in cautions(line))
    assert parse_line(line_to_toml(line)).compressor.delivery_at_pa == pytest.approx(c.delivery_at_pa)
    other = parse_line(TEXT.replace('delivery = "5 scfm"', 'delivery = "5 scfm"\nclearance = "4 %"'))
    assert other.compressor.delivery_at_pa == pytest.approx(0.5 * (other.compressor.cut_in_pa + other.compressor.cut_out_pa))
    assert any("At which pressure the delivery is stated is not given" in s for s in cautions(other))


def test_fitting_known_by_its_bore_says_how_sure_that_is() -> None:
    line = parse_line(TEXT.replace("cv = 0.5", 'bore = "6 mm"'))
    # 0.81 of the ideal nozzle, 0.198866 L/s/bar per mm2 (CF-23)
    assert line.parts[4].conductance == pytest.approx(0.81 * 0.198866e-8 * math.pi * 9.0, rel=5e-3)
    assert any("The conductance of coupler comes from its bore and is good to about 20 % only." in s for s in cautions(line))
    assert parse_line(line_to_toml(line)).parts[4].conductance == pytest.approx(line.parts[4].conductance, rel=1e-9)
    with pytest.raises(LineError, match="bore and cv say the same thing twice; keep cv"):
        parse_line(TEXT.replace("cv = 0.5", 'cv = 0.5\nbore = "6 mm"'))


def test_regulator_may_take_its_time() -> None:
    line = parse_line(TEXT.replace('set = "95 psi"', 'set = "95 psi"\ntime_constant = "40 ms"'))
    assert line.parts[0].time_constant_s == pytest.approx(0.04)
    assert parse_line(line_to_toml(line)).parts[0].time_constant_s == pytest.approx(0.04)
    assert parse_line(TEXT).parts[0].time_constant_s is None


def test_cautions_for_a_part_rated_below_its_pressure() -> None:
    weak = TEXT.replace('volume = "5 gal"\nrated = "150 psi"', 'volume = "5 gal"\nrated = "80 psi"')
    said = cautions(parse_line(weak))
    assert any("Porch receiver is rated 5.5 bar (80 psi) but can see 6.6 bar (95 psi)" in s for s in said)
    assert not any("is rated" in s for s in cautions(parse_line(TEXT)))


def test_cautions_say_what_was_assumed_and_what_a_receiver_needs() -> None:
    said = " ".join(cautions(parse_line(TEXT)))
    assert "relief valve" in said
    assert "comes from Cv" in said
    assert "regulator is not given" in said
