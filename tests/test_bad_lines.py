"""Lines and work that cannot be: a clear sentence, no NaN, no endless loop; and the solver says when it leaves its range."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.line import Line
from analysis.line_file import LineError, parse_line
from analysis.model import Nozzle, build, run_network, settled, simulate
from analysis.sizing import size_receiver
from analysis.steady import steady_loss
from tests.test_model import LINE


@pytest.fixture(scope="module")
def line() -> Line:
    return parse_line(LINE)


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ('bore = "9.5 mm"', 'bore = "0 mm"', r"line \d+: bore = '0 mm' must be above zero"),
        ('length = "40 m"', 'length = "0 m"', r"line \d+: length = '0 m' must be above zero"),
        ('volume = "24 L"', 'volume = "24 L"\nrated = "-0.2 bar"', r"line \d+: rated = '-0.2 bar' lies at or below ambient"),
        ('set = "6.5 bar"', 'set = "0 bar"', r"line \d+: set = '0 bar' lies at or below ambient"),
        ('cut_in = "7 bar"', 'cut_in = "-1 bar"', r"line \d+: cut_in = '-1 bar' lies at or below ambient"),
        ('kind = "regulator"\nset = "6.5 bar"', 'kind = "tool"', r"line \d+: a second tool; a line has one"),
        ('kind = "receiver"\nvolume = "24 L"', 'kind = "compressor"', r"line \d+: a second compressor among the parts"),
        ("[compressor]", '[[compressor]]\ntank = "1 L"\n[[compressor]]', r"2 compressors; a line has one"),
        ('conductance = "1.9 L/s/bar"', 'conductance = "0 L/s/bar"', r"conductance = '0 L/s/bar' must be above zero"),
        ('air_per_shot = "1.6 L"', 'air_per_shot = "nan L"', r"'nan L' is not a quantity"),
    ],
)
def test_impossible_line_is_refused_with_line_and_key(old: str, new: str, message: str) -> None:
    assert old in LINE
    with pytest.raises(LineError, match=message):
        parse_line(LINE.replace(old, new, 1))


def test_tool_before_the_rest_of_the_line_is_refused() -> None:
    head, *parts = LINE.split("[[part]]")
    with pytest.raises(LineError, match="regulator comes after the tool; parts stand in order of flow, the tool last"):
        parse_line("[[part]]".join([head, parts[-1] + "\n", *parts[:-1]]))


@pytest.mark.parametrize("start_pa", [-2e5, math.nan, math.inf, 1e9])
def test_tank_cannot_start_below_ambient_or_without_bound(line: Line, start_pa: float) -> None:
    with pytest.raises(ValueError, match="The tank cannot start at"):
        simulate(line, [], duration_s=1.0, start_pa=start_pa)


def test_impossible_nozzle_is_refused(line: Line) -> None:
    with pytest.raises(ValueError, match="is no test nozzle"):
        simulate(line, [], duration_s=1.0, nozzles=[Nozzle(from_s=1.0, until_s=0.5, conductance=1e-8)])


def test_output_without_bound_is_refused(line: Line) -> None:
    with pytest.raises(ValueError, match=r"are too many or none; up to 2e\+07 in all"):
        simulate(line, [], duration_s=1e6, output_rate_hz=1e3)


def test_floor_above_the_set_point_is_refused(line: Line) -> None:
    with pytest.raises(ValueError, match=r"The floor \(7.00 bar, 102 psi\) is not below what the line holds at rest"):
        size_receiver(line, shots=5, every_s=0.5, floor_pa=7e5)


def test_burst_that_the_compressor_can_never_feed_is_refused(line: Line) -> None:
    with pytest.raises(ValueError, match="compressor gives 240: work slower"):
        size_receiver(line, shots=2000, every_s=0.1, floor_pa=6e5)


def test_tank_that_is_shot_empty_stays_finite() -> None:
    """Two hundred shots a minute from a tank of a litre with next to no pump: it runs down to ambient, and no further."""
    text = LINE.replace('tank = "100 L"', 'tank = "1 L"').replace('delivery = "240 L/min"', 'delivery = "0.1 L/min"')
    text = text.replace('volume = "24 L"', 'volume = "0.1 L"')
    run = simulate(parse_line(text), np.arange(0.2, 20.0, 0.05), duration_s=20.0, output_rate_hz=50.0)
    assert np.isfinite(run.p_pa).all()
    assert run.p_pa.min() > -101_325.0
    assert abs(run.mass_error) < 1e-9


def test_flow_that_no_part_passes_names_the_part(line: Line) -> None:
    found = steady_loss(line, 1.0)
    assert found.chokes_at
    assert math.isnan(found.tool_pa)


def test_solver_says_when_it_leaves_its_range(line: Line) -> None:
    net = build(line)
    state = settled(net, 9e5)
    state.vol_e[0] = math.nan
    with pytest.raises(ValueError, match="left the range it can follow"):
        run_network(net, state, duration_s=0.1)


@settings(max_examples=25, deadline=None)
@given(
    bore=st.floats(1.0, 100.0),
    length=st.floats(0.05, 300.0),
    receiver=st.floats(1e-3, 1e4),
    tank=st.floats(0.1, 1e4),
    conductance=st.floats(1e-3, 900.0),
    chamber=st.floats(1e-3, 5.0),
    air=st.floats(1e-2, 50.0),
    time_constant=st.floats(1.0, 1e4),
)
def test_any_line_that_is_read_is_followed_or_refused_in_words(
    bore: float, length: float, receiver: float, tank: float, conductance: float, chamber: float, air: float, time_constant: float
) -> None:
    """The extremes of what an air-line file may hold, all in one line."""
    text = f"""
[compressor]
tank = "{tank} L"
cut_in = "7 bar"
cut_out = "9 bar"
delivery = "240 L/min"
[[part]]
kind = "regulator"
set = "6 bar"
conductance = "{conductance} L/s/bar"
time_constant = "{time_constant} ms"
[[part]]
kind = "hose"
length = "{length} m"
bore = "{bore} mm"
[[part]]
kind = "receiver"
volume = "{receiver} L"
leak = "0.001 L/s/bar"
[[part]]
kind = "coupler"
[[part]]
kind = "tool"
air_per_shot = "{air} L"
volume = "{chamber} L"
"""
    try:
        run = simulate(parse_line(text), [0.02, 0.1], duration_s=0.2, output_rate_hz=500.0)
    except ValueError as problem:
        assert "left the range it can follow" in str(problem)
        return
    assert np.isfinite(run.p_pa).all()
    assert run.p_pa.min() > -101_325.0
    assert abs(run.mass_error) < 1e-9
