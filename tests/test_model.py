"""The line model against analytic results: mass and energy, Sod, Fanno, acoustics, vessels, restrictions, mesh and step independence."""

import dataclasses
import math
import subprocess
import sys
from typing import Any

import numpy as np
import pytest
from scipy.optimize import brentq

from analysis import network, rests, triggers
from analysis.air import iso6358_downstream
from analysis.line import Line
from analysis.line_file import parse_line
from analysis.model import Network, Nozzle, State, build, run_network, settled, simulate
from analysis.warm import warm
from tests import model_errors as errors

LINE = """
[compressor]
tank = "100 L"
cut_in = "7 bar"
cut_out = "9 bar"
delivery = "240 L/min"

[[part]]
kind = "regulator"
set = "6.5 bar"

[[part]]
kind = "hose"
length = "40 m"
bore = "9.5 mm"

[[part]]
kind = "receiver"
volume = "24 L"

[[part]]
kind = "hose"
length = "4 m"
bore = "8 mm"

[[part]]
kind = "coupler"
conductance = "1.9 L/s/bar"

[[part]]
kind = "tool"
air_per_shot = "1.6 L"
window = ["5.5 bar", "7 bar"]
"""


@pytest.fixture(scope="module")
def line() -> Line:
    return parse_line(LINE)


def test_mass_and_energy_are_kept_over_a_session(line: Line) -> None:
    run = simulate(line, np.arange(1.0, 30.0, 0.7), duration_s=30.0)
    assert abs(run.mass_error) < 1e-12
    assert abs(run.energy_error) < 1e-3


def test_line_at_rest_stays_at_rest(line: Line) -> None:
    run = simulate(line, [], duration_s=3.0)
    assert np.abs(run.tool_pa - 6.5e5).max() < 5.0
    assert np.abs(run.supply_pa - 9e5).max() < 5.0


def test_shot_takes_its_air_and_the_line_recovers(line: Line) -> None:
    (shot,) = simulate(line, [1.0], duration_s=6.0).shots
    assert shot.before_pa == pytest.approx(6.5e5, abs=200.0)
    assert shot.air_m3 == pytest.approx(1.6e-3, rel=0.12)  # stated at 6.25 bar, fired at 6.5; some air flows in while it is fired
    assert 1e4 < shot.dip_pa < 2e5
    assert shot.recovery_s < 1.0


def test_larger_receiver_sags_less_in_a_burst(line: Line) -> None:
    def before(volume_m3: float) -> float:
        times = [1.0, 1.2, 1.4, 1.6, 1.8, 2.0]
        return simulate(line.with_part(2, volume_m3=volume_m3), times, duration_s=3.0).shots[-1].before_pa

    assert before(0.1) > before(0.03) > before(0.01)


def test_regulator_passes_nothing_backwards() -> None:
    text = LINE.replace('cut_in = "7 bar"\ncut_out = "9 bar"', 'cut_in = "3 bar"\ncut_out = "4 bar"')
    run = simulate(parse_line(text), [], duration_s=1.0, start_pa=4e5)
    assert run.tool_pa[-1] == pytest.approx(4e5, abs=10.0)


def _with_time_constant(seconds: str) -> Line:
    """The regulator stands right before the receiver, so that nothing else is slow."""
    parts = LINE.split("[[part]]")
    text = "[[part]]".join([parts[0], parts[2], parts[1].replace('bar"', f'bar"\ntime_constant = "{seconds}"'), *parts[3:]])
    return parse_line(text.replace('length = "40 m"', 'length = "1 m"'))


def test_regulator_that_takes_its_time_comes_later_to_the_same() -> None:
    blow = [Nozzle(from_s=1.0, until_s=9.0, conductance=0.8e-8)]
    fast, quick, slow = (simulate(_with_time_constant(t), [], duration_s=6.0, nozzles=blow) for t in ("1 ms", "20 ms", "500 ms"))
    for run in (quick, slow):
        assert run.tool_pa[-1] == pytest.approx(fast.tool_pa[-1], abs=300.0)
    early = slice(int(1.1 * 200), int(1.5 * 200))
    assert slow.tool_pa[early].min() < quick.tool_pa[early].min() - 500.0
    assert abs(slow.mass_error) < 1e-12


def test_quick_regulator_does_not_hunt_and_is_the_one_without_a_time_constant() -> None:
    lagging = _with_time_constant("1 ms")
    at_once = lagging.with_part(1, time_constant_s=None)
    a, b = (simulate(x, [1.0, 1.3], duration_s=4.0) for x in (lagging, at_once))
    assert np.abs(a.tool_pa - b.tool_pa).max() < 0.02 * b.shots[0].dip_pa


@pytest.mark.parametrize("seconds", ["1 ms", "300 ms"])
def test_lagging_regulator_neither_leaks_nor_relieves(seconds: str) -> None:
    line = _with_time_constant(seconds)
    run = simulate(line, [], duration_s=5.0)
    assert np.abs(run.tool_pa - 6.5e5).max() < 10.0
    net = build(line)
    state = settled(net, 9.5e5, downstream_abs_pa=8.5e5)  # the receiver stands above the setting
    got = run_network(net, state, duration_s=5.0, output_rate_hz=10.0)
    assert got.p_abs_pa[-1, 3, 0] == pytest.approx(8.5e5, abs=50.0)


def test_regulator_passes_no_more_than_its_conductance(line: Line) -> None:
    narrow = line.with_part(0, conductance=0.5e-8)
    net = build(narrow)
    got = run_network(net, settled(net, 9e5, downstream_abs_pa=1.1e5), duration_s=2.0)
    most = 0.5e-8 * 9e5 * 1.185 * math.sqrt(293.15 / net.temp_k)
    assert got.q_m_kg_per_s[20:200, 0].max() <= most * 1.001
    assert got.q_m_kg_per_s[20:200, 0].max() == pytest.approx(most, rel=0.02)  # the tank falls a little meanwhile


def test_pump_gives_less_as_the_tank_fills() -> None:
    def climb(more: str) -> tuple[float, float]:
        text = LINE.replace('delivery = "240 L/min"', f'delivery = "240 L/min"\n{more}').replace('set = "6.5 bar"', 'set = "1 bar"')
        run = simulate(parse_line(text), [], duration_s=60.0, start_pa=5e5, output_rate_hz=1.0)
        rise = np.diff(run.supply_pa)
        assert abs(run.mass_error) < run.steps * np.finfo(float).eps  # what a steady pump adds may be rounded to the same side each time
        return float(rise[5]), float(rise[-5])

    same, falling = climb(""), climb('delivery_at = "7 bar"\nclearance = "8 %"')
    assert same[0] < falling[0]
    assert falling[1] < same[1]


def air_in(net: Network, state: State) -> float:
    """All air in a line [kg]."""
    return float(state.vol_m.sum()) + sum(float(state.cons[0, h["first"] : h["end"]].sum() * h["dx_m"] * h["area_m2"]) for h in net.hose)


@pytest.mark.parametrize("number", range(6))
def test_any_part_may_leak(line: Line, number: int) -> None:
    net = build(line.with_part(number, leak=2e-10))
    state = settled(net, 9e5 + net.p_amb_pa)
    before = air_in(net, state)
    run_network(net, state, duration_s=10.0, output_rate_hz=10.0)
    p = (9e5 if number == 0 else 6.5e5) + 101_325.0  # the regulator leaks at its inlet
    lost = 10.0 * 2e-10 * p * 1.185
    assert before - air_in(net, state) == pytest.approx(lost, rel=0.03)


def test_pump_runs_between_cut_in_and_cut_out(line: Line) -> None:
    run = simulate(line, [], duration_s=120.0, start_pa=6.8e5, output_rate_hz=10.0)
    assert run.supply_pa.max() == pytest.approx(9e5, rel=0.01)
    assert abs(run.mass_error) < 1e-12


def test_last_shot_that_has_no_time_to_recover_has_no_recovery(line: Line) -> None:
    shots = simulate(line, [1.0, 1.05], duration_s=4.0).shots
    assert math.isnan(shots[0].recovery_s)
    assert shots[1].recovery_s > 0.0


def test_leak_draws_the_line_down() -> None:
    text = LINE.replace('volume = "24 L"', 'volume = "24 L"\nleak = "0.01 L/s/bar"').replace(
        'delivery = "240 L/min"', 'delivery = "0.1 L/min"'
    )
    run = simulate(parse_line(text), [], duration_s=20.0, output_rate_hz=5.0)
    lost = 20.0 * 0.01e-8 * (6.5e5 + 101_325.0)  # free air out
    assert 9e5 - run.supply_pa[-1] == pytest.approx(lost * 1e5 / 0.1 * 1.4, rel=0.1)  # nearly adiabatic in the tank


def test_mesh_and_step_hardly_matter(line: Line) -> None:
    coarse, fine = (simulate(line, [1.0], duration_s=2.0, cell_m=c) for c in (0.5, 0.125))
    assert coarse.shots[0].dip_pa == pytest.approx(fine.shots[0].dip_pa, rel=0.03)
    assert coarse.shots[0].recovery_s == pytest.approx(fine.shots[0].recovery_s, abs=0.02)


@pytest.mark.parametrize("order", [(8e-8, 0.05e-8), (0.05e-8, 8e-8), (1e-8, 1e-8)])
@pytest.mark.parametrize("behind_pa", [1e5, 5e5, 6.9e5])
def test_two_restrictions_between_vessels_pass_what_both_pass(line: Line, order: tuple[float, float], behind_pa: float) -> None:
    """From no guess at all: a narrow part behind a wide one once made the search for the flow creep."""
    parts = [dataclasses.replace(line.parts[4], conductance=c) for c in order]
    two = dataclasses.replace(line, parts=(*parts, dataclasses.replace(line.parts[5], volume_m3=10.0)))
    net = build(two)
    got = run_network(net, settled(net, 7e5, downstream_abs_pa=behind_pa), duration_s=1e-4, output_rate_hz=1e4)

    def end(q: float) -> float:
        between = iso6358_downstream(7e5, q, net.temp_k, order[0], 0.3)
        after = iso6358_downstream(between, q, net.temp_k, order[1], 0.3)
        return after - behind_pa if math.isfinite(after) else -7e5

    exact = brentq(end, 1e-12, 1.185 * 7e5 * min(order) * 1.001, xtol=1e-14)
    assert got.q_m_kg_per_s[-1, 0] == pytest.approx(exact, rel=2e-3)  # the tank falls by its first step


@pytest.mark.parametrize("shots", [[1.0, 1.0], [2.0, 1.0], [-1.0], [math.nan]])
def test_impossible_schedules_are_refused(line: Line, shots: list[float]) -> None:
    with pytest.raises(ValueError, match="times of the shots must rise"):
        simulate(line, shots, duration_s=5.0)


@pytest.mark.parametrize("duration", [0.0, -1.0, math.inf, math.nan])
def test_impossible_duration_is_refused(line: Line, duration: float) -> None:
    with pytest.raises(ValueError, match="give a time above zero"):
        simulate(line, [], duration_s=duration)


@pytest.mark.parametrize("check", errors.CHECKS, ids=lambda c: c.__name__)
def test_error_against_analytic_result_is_within_its_limit(check: errors.Check) -> None:
    row = check()
    assert abs(row.error) <= row.limit, row.what


def test_nozzle_draws_what_iso_6358_says(line: Line) -> None:
    run = simulate(line, [], duration_s=3.0, nozzles=[Nozzle(from_s=1.0, until_s=3.0, conductance=0.3e-8)])
    assert run.tool_pa[-1] < 6.5e5 - 3e3


def test_nozzle_that_opens_slowly_passes_as_much_later(line: Line) -> None:
    fast, slow = (
        simulate(line, [], duration_s=4.0, nozzles=[Nozzle(from_s=1.0, until_s=2.0, conductance=0.3e-8, opens_s=opens)])
        for opens in (0.0, 0.2)
    )
    assert slow.tool_pa[np.searchsorted(slow.t_s, 1.0)] > fast.tool_pa[np.searchsorted(fast.t_s, 1.02)] + 1e3
    assert slow.tool_pa[np.searchsorted(slow.t_s, 0.95)] < fast.tool_pa[np.searchsorted(fast.t_s, 0.95)] - 50.0
    assert slow.supply_pa[-1] == pytest.approx(fast.supply_pa[-1], abs=0.01 * (fast.supply_pa[0] - fast.supply_pa[-1]))
    assert abs(slow.mass_error) < 1e-12


def test_warming_compiles_detector_and_model() -> None:
    warm()
    compiled: tuple[Any, ...] = (network.run, triggers.scan, rests.moves)
    assert all(function.signatures for function in compiled)


def test_model_starts_without_half_of_scipy_and_leaves_it_whole() -> None:
    """Numba would load scipy's linear algebra at the first call; what needs it later must still find it."""
    program = (
        "import sys, numpy as np; from analysis.line_file import parse_line; from analysis.model import simulate\n"
        "simulate(parse_line(sys.argv[1]), [], duration_s=0.01); assert 'scipy.linalg' not in sys.modules\n"
        "import scipy.linalg.cython_blas; assert np.allclose(scipy.linalg.inv(np.eye(2)), np.eye(2))"
    )
    subprocess.run([sys.executable, "-c", program, LINE], check=True)
