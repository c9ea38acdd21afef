"""Volts, milliamperes and counts to pressure: the laws of a straight line, and the signs of a broken wire."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from logger.channel import Channel
from logger.scaling import check_sensor, current_loop, ratiometric, two_point

finite = st.floats(-1e4, 1e4)


@given(finite, finite, finite, finite)
def test_a_line_goes_through_its_points(x1: float, y1: float, x2: float, y2: float) -> None:
    assume(abs(x2 - x1) > 1e-3)
    line = two_point((x1, y1), (x2, y2))
    largest = max(abs(v) for v in (x1, y1, x2, y2, line.gain * x1, line.gain * x2))
    assert line(x1) == pytest.approx(y1, abs=1e-9 * max(largest, 1.0))
    assert line(x2) == pytest.approx(y2, abs=1e-9 * max(largest, 1.0))
    assert two_point((x2, y2), (x1, y1)).gain == pytest.approx(line.gain, rel=1e-12)  # the order of the points says nothing


@given(st.floats(0.1, 0.9), st.floats(2.7, 5.5), st.floats(10.0, 1000.0))
def test_the_supply_cancels(share: float, supply: float, full_scale: float) -> None:
    # The same share of the supply is the same pressure, whether the supply is 4.7 V or counted as 1023.
    volts, counts = ratiometric(full_scale, supply), ratiometric(full_scale, 1023.0)
    assert volts(share * supply) == pytest.approx(counts(share * 1023.0), abs=1e-9 * full_scale)


@given(st.floats(3.6, 21.0), st.floats(50.0, 500.0))
def test_the_burden_cancels(current_ma: float, ohm: float) -> None:
    across = current_loop(0.0, 10.0, raw_per_ma=ohm / 1000.0)
    line = current_loop(0.0, 10.0)
    assert across.gain * current_ma * ohm / 1000.0 + across.offset == pytest.approx(line.gain * current_ma + line.offset, abs=1e-9)


@pytest.mark.parametrize(("first", "second"), [((1.0, 0.0), (1.0, 5.0)), ((math.nan, 0.0), (1.0, 5.0)), ((0.0, 0.0), (1.0, math.inf))])
def test_points_that_give_no_line_are_refused(first: tuple[float, float], second: tuple[float, float]) -> None:
    with pytest.raises(ValueError, match=r"give no line\. Take them at two different pressures"):
        two_point(first, second)


@pytest.mark.parametrize(
    ("volts", "broken"),
    [(0.0, True), (0.29, True), (0.31, False), (0.5, False), (4.5, False), (4.69, False), (4.71, True), (5.0, True)],
)
def test_a_broken_wire_is_no_pressure(volts: float, broken: bool) -> None:
    scale = ratiometric(150.0, 5.0)
    assert math.isnan(scale(volts)) == broken
    channel = Channel(name="tool", unit="V", to="psi", gain=scale.gain, offset=scale.offset, valid=scale.valid)
    assert channel.faults([volts, 2.5]) == broken
    assert np.isnan(channel.si([volts, 2.5])).tolist() == [broken, False]


@pytest.mark.parametrize(("current_ma", "broken"), [(0.0, True), (3.59, True), (3.61, False), (20.9, False), (21.1, True)])
def test_a_broken_loop_is_no_pressure(current_ma: float, broken: bool) -> None:
    assert math.isnan(current_loop(0.0, 10.0)(current_ma)) == broken


def _readings(rate_hz: float, noise: float, n: int = 400, at: float = 500.0) -> tuple[list[float], list[float]]:
    rng = np.random.default_rng(5)
    return (np.arange(n) / rate_hz).tolist(), np.round(at + noise * rng.standard_normal(n)).tolist()


def test_a_sound_sensor_gets_no_advice() -> None:
    check = check_sensor(*_readings(250.0, 1.5), valid=(61.4, 961.6))
    assert check.advice == ()
    assert check.mean == pytest.approx(500.0, abs=0.3)
    assert check.noise == pytest.approx(1.5, rel=0.35)  # steps of whole counts are coarse for it
    assert check.resolution == 1.0
    assert check.rate_hz == pytest.approx(250.0)


@pytest.mark.parametrize(
    ("rate_hz", "noise", "at", "advice"),
    [
        (20.0, 1.5, 500.0, "too slow to see shots"),
        (80.0, 1.5, 500.0, "dips come out shallow"),
        (250.0, 0.0, 500.0, "never moves"),
        (250.0, 1.5, 2.0, "broken wire"),
        (250.0, 1.5, 1015.0, "more pressure than the sensor's range"),
        (250.0, 80.0, 500.0, "noisy"),
    ],
)
def test_what_is_wrong_with_a_sensor_is_said(rate_hz: float, noise: float, at: float, advice: str) -> None:
    check = check_sensor(*_readings(rate_hz, noise, at=at), valid=(61.4, 961.6))
    assert len(check.advice) == 1
    assert advice in check.advice[0]


def test_too_few_readings_are_refused() -> None:
    with pytest.raises(ValueError, match="Only 3 readings; ten are needed"):
        check_sensor([0.0, 0.1, 0.2], [1.0, 2.0, 3.0])
