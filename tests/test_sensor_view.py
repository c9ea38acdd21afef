"""What a sensor shows: its place along the line, its lag, its steps, and that a late sensor sees a shallower dip."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.line import Line
from analysis.line_file import parse_line
from analysis.model import Nozzle, simulate
from analysis.sensor_view import Sensor, seen, view
from tests.test_model import LINE


@pytest.fixture(scope="module")
def line() -> Line:
    return parse_line(LINE)


def test_lag_answers_a_ramp_as_the_differential_equation_does() -> None:
    """A ramp of slope s is followed at a distance: y = s (t - lag + lag exp(-t/lag))."""
    t = np.arange(0.0, 1.0, 0.01)
    got = seen(t, 1e5 * t, lag_s=0.05)
    assert np.abs(got - 1e5 * (t - 0.05 + 0.05 * np.exp(-t / 0.05))).max() < 1e-6


@given(lag_s=st.floats(0.0, 5.0), level=st.floats(-1e6, 1e6))
def test_steady_pressure_is_shown_as_it_is(lag_s: float, level: float) -> None:
    t = np.arange(50) * 0.004
    assert np.abs(seen(t, np.full(50, level), lag_s=lag_s) - level).max() <= 1e-9 * abs(level)


@given(step=st.floats(1.0, 5e4))
def test_readings_lie_on_the_steps_and_within_half_of_one(step: float) -> None:
    p = np.linspace(1e5, 9e5, 97)
    got = seen(np.arange(97.0), p, resolution_pa=step)
    assert np.abs(got - p).max() <= 0.5 * step * (1.0 + 1e-9)
    assert np.abs(got / step - np.round(got / step)).max() < 1e-6


def test_late_sensor_shows_a_shallower_dip(line: Line) -> None:
    run = simulate(line, [1.0, 1.5], duration_s=3.0, output_rate_hz=5000.0)
    dips = [view(run, Sensor(lag_s=lag)).shots[0].dip_pa for lag in (0.0, 0.01, 0.1)]
    assert dips[0] == pytest.approx(run.shots[0].dip_pa, rel=0.02)
    assert dips[0] > dips[1] > dips[2] > 0.0


def test_place_along_a_hose_lies_between_its_ends(line: Line) -> None:
    places = ["hose1 0 m", "hose1 10 m", "hose1 20 m", "hose1 40 m"]
    run = simulate(line, [], duration_s=4.0, places=places, nozzles=[Nozzle(from_s=0.0, until_s=4.0, conductance=0.6e-8)])
    p = [float(run.at(x)[-1]) for x in ("hose1 inlet", *places[1:3], "hose1 outlet")]
    assert p == sorted(p, reverse=True)
    # Friction at a nearly constant density: the fall is nearly even along the hose, a little steeper where the air is thinner.
    assert p[0] - p[1] == pytest.approx((p[0] - p[3]) / 4.0, rel=0.1)
    assert p[0] - p[2] == pytest.approx((p[0] - p[3]) / 2.0, rel=0.1)
    assert run.at("hose1 0 m")[-1] == pytest.approx(p[0], abs=0.01 * (p[0] - p[3]))
    assert run.at("hose1 40 m")[-1] == pytest.approx(p[3], abs=0.01 * (p[0] - p[3]))


def test_wave_passes_a_place_along_the_hose_in_between(line: Line) -> None:
    places = ["hose1 40 m", "hose1 20 m", "hose1 1 m"]
    run = simulate(line.with_part(2, volume_m3=1e-4), [0.5], duration_s=1.0, places=places, output_rate_hz=2000.0)
    passed = [float(run.t_s[np.argmax(run.at(x) < 6.5e5 - 1e3)]) for x in places]
    sound = math.sqrt(1.4 * 287.05 * 293.15)
    assert passed[1] - passed[0] == pytest.approx(20.0 / sound, rel=0.1)
    assert passed[2] - passed[1] == pytest.approx(19.0 / sound, rel=0.1)


@pytest.mark.parametrize(
    ("place", "message"),
    [
        ("hose1 41 m", "lies beyond the end of hose1, which is 40 m long"),
        ("hose7 1 m", "has no hose7; its hoses are hose1, hose2"),
        ("hose1 3 bar", "is a pressure; needed is a length"),
        ("attic", "There is no 'attic' on this line. Known are tank,"),
    ],
)
def test_place_that_is_not_on_the_line_is_refused(line: Line, place: str, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        view(simulate(line, [0.1], duration_s=0.2, places=[place]), Sensor(place=place))


def test_impossible_sensor_is_refused() -> None:
    with pytest.raises(ValueError, match="lag of -1 s is not possible"):
        Sensor(lag_s=-1.0)
    with pytest.raises(ValueError, match="steps of nan Pa are not possible"):
        Sensor(resolution_pa=math.nan)
