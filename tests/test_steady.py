"""Steady loss along a line: agreement with the unsteady model, shares, choking, the handbook beside it."""

import math

import pytest

from analysis.line import Line
from analysis.line_file import parse_line
from analysis.model import Nozzle, simulate
from analysis.steady import harris_loss, hose_outlet, largest_flow, steady_loss

TEXT = """
[compressor]
tank = "2000 L"
cut_in = "7 bar"
cut_out = "9 bar"
delivery = "100 L/min"

[[part]]
kind = "valve"
conductance = "4 L/s/bar"

[[part]]
kind = "hose"
length = "30 m"
bore = "9 mm"

[[part]]
kind = "coupler"
conductance = "2 L/s/bar"

[[part]]
kind = "tool"
air_per_shot = "1.4 L"
"""


@pytest.fixture(scope="module")
def line() -> Line:
    return parse_line(TEXT)


def test_shares_add_up_and_pressures_follow_on(line: Line) -> None:
    found = steady_loss(line, 5e-3, inlet_pa=7e5)
    assert sum(x.share for x in found.losses) == pytest.approx(1.0)
    for a, b in zip(found.losses, found.losses[1:], strict=False):
        assert b.inlet_pa == a.outlet_pa
    assert found.tool_pa == found.losses[-1].outlet_pa
    assert found.loss_pa == pytest.approx(found.losses[0].loss_pa + found.losses[1].loss_pa)


def test_unsteady_model_comes_to_the_same_loss(line: Line) -> None:
    run = simulate(line, [], duration_s=5.0, start_pa=7e5, nozzles=[Nozzle(from_s=0.0, until_s=5.0, conductance=0.6e-8)])
    flow = 0.6e-8 * (run.tool_pa[-1] + 101_325.0)
    found = steady_loss(line, float(flow), inlet_pa=float(run.supply_pa[-1]))
    assert run.supply_pa[-1] - run.tool_pa[-1] == pytest.approx(found.loss_pa, rel=0.01)


def test_sensor_and_coupler_at_the_end_of_a_hose_mean_the_same_in_both_models(line: Line) -> None:
    """The tap in the wall shows the static pressure, the coupler feels the stagnation pressure; a tool that leaks a lot draws the air."""
    leaky = line.with_part(3, leak=1.0e-8)
    run = simulate(leaky, [], duration_s=6.0, start_pa=7e5)
    flow = 1.0e-8 * (run.chamber_pa[-1] + 101_325.0)
    found = steady_loss(line, float(flow), inlet_pa=float(run.supply_pa[-1]))
    assert run.supply_pa[-1] - run.tool_pa[-1] == pytest.approx(found.loss_pa, rel=0.01)
    assert run.tool_pa[-1] - run.chamber_pa[-1] == pytest.approx(found.losses[2].loss_pa, rel=0.01)


def test_more_flow_loses_more_until_it_chokes(line: Line) -> None:
    losses = [steady_loss(line, q, inlet_pa=7e5).loss_pa for q in (1e-3, 2e-3, 4e-3, 8e-3)]
    assert losses == sorted(losses)
    most, where = largest_flow(line, inlet_pa=7e5)
    assert where == "coupler"
    assert steady_loss(line, 0.99 * most, inlet_pa=7e5).chokes_at == ""
    choked = steady_loss(line, 1.02 * most, inlet_pa=7e5)
    assert choked.chokes_at == "coupler"
    assert math.isnan(choked.tool_pa)


def test_hose_without_flow_loses_nothing() -> None:
    assert hose_outlet(8e5, 0.0, 293.15, 0.009, 30.0, 5e-6) == 8e5


def test_hose_that_is_asked_for_too_much_says_so() -> None:
    assert math.isnan(hose_outlet(2e5, 0.1, 293.15, 0.006, 30.0, 5e-6))


def test_handbook_lies_within_a_factor_of_two_of_the_model(line: Line) -> None:
    found = steady_loss(line, 5e-3, inlet_pa=7e5)
    hose = next(x for x in found.losses if x.label == "hose").loss_pa
    assert 0.5 < found.handbook_pa / hose < 2.5
    assert harris_loss(30.0, 0.009, 5e-3, 7.5e5) == pytest.approx(found.handbook_pa, rel=0.1)


def test_impossible_flow_is_refused(line: Line) -> None:
    with pytest.raises(ValueError, match="give a flow above zero"):
        steady_loss(line, 0.0)
    with pytest.raises(ValueError, match="above ambient"):
        steady_loss(line, 1e-3, inlet_pa=-5.0)
