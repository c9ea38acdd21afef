"""A receiver off the line: draws counted between no heat and all heat, fillings read from a recording and held against the model."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.carry_off import Vessel, carry_off, check_filling, read_filling
from analysis.constants import R_AIR_J_PER_KG_K
from analysis.line import Line
from analysis.line_file import parse_line
from analysis.model import build, run_network, settled
from analysis.units import PSI_PA
from analysis.variants import with_receiver
from tests.commands import ask
from tests.test_sizing import TEXT


@pytest.fixture(scope="module")
def line() -> Line:
    return parse_line(TEXT)


@settings(max_examples=60, deadline=None)
@given(volume=st.floats(0.005, 0.1), share=st.floats(0.003, 0.2), stop=st.floats(1e5, 6e5))
def test_draws_without_and_with_all_heat_follow_the_closed_forms(volume: float, share: float, stop: float) -> None:
    vessel = Vessel(volume_m3=volume, p_pa=7e5, p_amb_pa=1e5, temp_k=293.15)
    mass = share * 8e5 * volume / (R_AIR_J_PER_KG_K * 293.15)
    # A draw may start while p >= stop: isothermal p = p0 (1 - n share), isentropic p = p0 (1 - n share)^1.4.
    ratio = (stop + 1e5) / 8e5
    for wall, left in ((math.inf, ratio), (0.0, ratio ** (1.0 / 1.4))):
        exact = (1.0 - left) / share
        if abs(exact - round(exact)) > 1e-6 and (math.floor(exact) + 1) * share < 1.0:
            assert vessel.draws(mass, every_s=1.0, stop_pa=stop, wall=wall) == math.floor(exact) + 1


def test_heat_from_the_wall_lies_between_none_and_all(line: Line) -> None:
    got = carry_off(line, volume_m3=0.024)
    for e in (got.tyres, got.brads, got.shots):
        assert e.low is not None
        assert e.value is not None
        assert e.high is not None
        assert 0 < e.low <= e.value <= e.high
    assert carry_off(line, volume_m3=0.048).brads.value == pytest.approx(2 * (got.brads.value or 0), rel=0.05)


def test_tyres_by_hand(line: Line) -> None:
    # 42 L from 6.5 bar down to 45 psi, 30 L tyres from 30 to 45 psi, all at one temperature: 42 x (94.3 - 45) / (30 x 15) = 4.6.
    got = carry_off(line, volume_m3=0.042, tyre_m3=0.030)
    by_hand = 42.0 * (6.5e5 / PSI_PA - 45.0) / (30.0 * 15.0)
    assert got.tyres.low is not None
    assert got.tyres.high is not None
    assert got.tyres.low <= math.floor(by_hand) <= got.tyres.high


def test_what_cannot_be_is_refused(line: Line) -> None:
    with pytest.raises(ValueError, match="has no receiver"):
        carry_off(line)
    with pytest.raises(ValueError, match="drives nothing"):
        carry_off(line, volume_m3=0.024, floor_pa=6.6e5)
    with pytest.raises(ValueError, match="above zero"):
        carry_off(line, volume_m3=-1.0)
    with pytest.raises(ValueError, match="air space of a tyre must be above zero"):
        carry_off(line, volume_m3=0.024, tyre_m3=0.0)


def test_a_filling_of_the_model_is_read_back_and_agrees(line: Line) -> None:
    fitted = with_receiver(line, 0.024)
    net = build(fitted, cell_m=1.0)
    net.shot["kg"] = 0.0
    state = settled(net, 9e5 + net.p_amb_pa, downstream_abs_pa=net.p_amb_pa)
    got = run_network(net, state, duration_s=60.0, output_rate_hz=50.0)
    at = list(net.names).index("receiver")
    p = np.concatenate([np.zeros(500), got.p_abs_pa[:, at, 0] - net.p_amb_pa])
    p += np.random.default_rng(3).normal(0.0, 1e3, p.size)
    t = np.arange(p.size) / 50.0
    found = read_filling(t, p)
    assert 9.5 < found.from_s < 12.0
    check = check_filling(line, t, p, channel="receiver", volume_m3=0.024)
    assert check.measured.took_s == pytest.approx(check.model_s, rel=0.05)
    smaller = check_filling(line, t, p, channel="receiver", volume_m3=0.012)
    assert smaller.model_s < 0.7 * check.measured.took_s


def test_a_recording_of_work_is_no_filling() -> None:
    t = np.arange(0.0, 20.0, 0.01)
    with pytest.raises(ValueError, match=r"No filling from nearly empty.*Bleed the receiver"):
        read_filling(t, 6e5 - 5e4 * (np.sin(t) > 0.9))
    with pytest.raises(ValueError, match="needs at least 50"):
        read_filling(t[:20], t[:20])


def test_command_confirms_the_pump_up_of_the_invented_tank(capsys: pytest.CaptureFixture[str]) -> None:
    words = ("carry", "--line", "sample_data/boathouse.toml", "--volume", "24 L", "--filled", "sample_data/pump_up.csv")
    answer = ask(capsys, *words)
    assert answer["filling"]["by"] == "pump"
    assert answer["filling"]["model_s"] == pytest.approx(answer["filling"]["measured_s"], rel=0.05)
    assert answer["tyres"]["low"] <= answer["tyres"]["value"] <= answer["tyres"]["high"]
    assert answer["fill_s"] > 5.0
