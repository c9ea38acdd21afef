"""A tool that is plugged in is no shot, as the line model shows both: a chamber that is empty, and one whose valve opens."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import lfilter

from analysis.line import Line
from analysis.line_file import parse_line
from analysis.model import build, run_network, settled, simulate
from analysis.shots import ShotRecord, find_shots
from tests import shot_scores
from tests.shot_scores import Floats, Scene, dip_shape, since

LINE = """
[compressor]
tank = "100 L"
cut_in = "6 bar"
cut_out = "6.5 bar"
delivery = "200 L/min"
[[part]]
kind = "hose"
length = "25 m"
bore = "{bore} mm"
[[part]]
kind = "coupler"
conductance = "1.9 L/s/bar"
[[part]]
kind = "tool"
air_per_shot = "1.6 L"
"""
RATE_HZ = 2000.0


def plugged(line: Line) -> Floats:
    """Change of the pressure at the tool's inlet within a second after the chamber, at ambient pressure until then, is connected [Pa]."""
    net = build(line)
    state = settled(net, line.compressor.cut_out_pa + net.p_amb_pa)
    for content in (state.vol_m, state.vol_e):
        content[-1] *= net.p_amb_pa / (line.compressor.cut_out_pa + net.p_amb_pa)
    p = run_network(net, state, duration_s=1.0, output_rate_hz=RATE_HZ, brief=0.5).p_abs_pa[:, -2, 1] - net.p_amb_pa
    return p - line.compressor.cut_out_pa


def recording(
    bore_mm: float, shots_s: Floats, plugs_s: Floats, rate_hz: float, *, seed: int = 1, pushed_on_s: float = 0.0
) -> tuple[Floats, Floats]:
    """What a sensor with a lag of 2 ms and noise of 600 Pa at the tool's inlet shows; `pushed_on_s` is how long couplers take to open."""
    line = parse_line(LINE.format(bore=bore_mm))
    until_s = float(max([*shots_s, *plugs_s])) + 8.0
    run = simulate(line, shots_s, duration_s=until_s, output_rate_hz=RATE_HZ)
    p = run.tool_pa.copy()
    course = plugged(line)
    if pushed_on_s:
        opens = round(pushed_on_s * RATE_HZ)
        course = np.convolve(course, np.full(opens, 1.0 / opens))[: course.size]
    for at in plugs_s:
        a = round(at * RATE_HZ)
        p[a : a + course.size] += course
    kept = np.exp(-1.0 / RATE_HZ / 2e-3)
    p = p[0] + lfilter([1.0 - kept], [1.0, -kept], p - p[0])
    per = round(RATE_HZ / rate_hz)
    return run.t_s[::per], p[::per] + np.random.default_rng(seed).normal(0.0, 600.0, p[::per].size)


def connected(found: ShotRecord) -> list[float]:
    return [e.time_s for e in found.events if e.kind == "connected"]


@pytest.mark.parametrize(("bore_mm", "rate_hz"), [(6.5, 200.0), (9.5, 1000.0)])
def test_tools_plugged_in_on_an_idle_line_are_no_shots(bore_mm: float, rate_hz: float) -> None:
    at = np.array([9.003, 22.251, 38.502])
    found = find_shots(*recording(bore_mm, np.empty(0), at, rate_hz))
    assert found.shots == ()
    assert connected(found) == pytest.approx(at, abs=0.01)


@pytest.mark.parametrize(("bore_mm", "rate_hz"), [(6.5, 1000.0), (9.5, 400.0), (9.5, 100.0)])
def test_tools_changed_among_single_shots(bore_mm: float, rate_hz: float) -> None:
    shots = np.cumsum([5.0, 9.2, 4.1, 6.3, 21.0, 5.2, 10.1, 22.4, 9.7, 3.3])
    plugs = np.array([35.003, 77.251])
    found = find_shots(*recording(bore_mm, shots, plugs, rate_hz))
    assert [s.time_s for s in found.shots] == pytest.approx(shots, abs=0.02)
    assert connected(found) == pytest.approx(plugs, abs=0.01)
    assert found.warnings == ()


@pytest.mark.parametrize("rate_hz", [100.0, 200.0, 500.0])
def test_tools_whose_couplers_are_pushed_on_slowly_are_told_by_depth_and_air(rate_hz: float) -> None:
    shots = np.concatenate([start + 2.4 * np.arange(5) for start in (5.0, 32.0, 72.0, 100.0)])
    plugs = np.array([26.003, 62.251])
    found = find_shots(*recording(8.0, shots, plugs, rate_hz, pushed_on_s=0.02))
    assert [s.time_s for s in found.shots] == pytest.approx(shots, abs=0.02)
    assert connected(found) == pytest.approx(plugs, abs=0.03)


@pytest.mark.parametrize("pushed_on_s", [0.0, 0.02])
@pytest.mark.parametrize("rate_hz", [100.0, 200.0])
def test_tools_changed_among_bursts_are_told_by_the_air_that_the_first_shots_of_bursts_draw(rate_hz: float, pushed_on_s: float) -> None:
    bursts = [5.0, 9.3, 14.1, 18.2, 58.4, 63.1, 67.2, 71.9, 76.3]
    shots = np.concatenate([start + 0.4 * np.arange(5) for start in bursts])
    found = find_shots(*recording(8.0, shots, np.array([40.253]), rate_hz, pushed_on_s=pushed_on_s))
    assert connected(found) == pytest.approx([40.253], abs=0.03)
    assert len(found.shots) == shots.size


@pytest.mark.parametrize("count", [3, 5, 8])
@pytest.mark.parametrize("rate_hz", [50.0, 100.0, 200.0, 1000.0])
def test_enough_lone_shots_are_no_tools_plugged_in(count: int, rate_hz: float) -> None:
    shots = np.array([10.003 + 9.37 * i for i in range(count)])
    found = find_shots(*recording(8.0, shots, np.empty(0), rate_hz))
    assert [s.time_s for s in found.shots] == pytest.approx(shots, abs=0.02)
    assert found.events == ()


@pytest.mark.parametrize("phase_s", [0.0, 0.004, 0.008, 0.012])
def test_the_first_shot_of_a_record_comes_after_no_pause_that_anybody_saw(phase_s: float) -> None:
    rng = np.random.default_rng(3)
    t = np.arange(0.0, 60.0, 0.0165) + phase_s
    shots = 4.0 + 3.1 * np.arange(16)
    p = 620e3 + rng.normal(0.0, 2500.0, t.size)
    for at, dip_pa in zip(shots, [88e3, *rng.uniform(57e3, 63e3, 15)], strict=True):  # on a line that is full
        p += dip_pa * dip_shape(t - at, Scene(name="work", bottom_s=0.08))
    found = find_shots(t, p)
    assert connected(found) == []
    assert len(found.shots) == shots.size


@pytest.mark.parametrize("at_s", [30.0, 30.005, 30.01, 30.015])
def test_a_tool_that_is_plugged_in_between_two_readings_is_said_to_be_doubtful(at_s: float) -> None:
    found = find_shots(*recording(8.0, np.empty(0), np.array([at_s]), 50.0))
    assert found.shots == ()
    assert connected(found) == pytest.approx([at_s], abs=0.03)
    assert any("at 30.0 s" in w and "a tool that was plugged in" in w for w in found.warnings)
    assert all("counts as a shot" not in w for w in found.warnings)


@pytest.mark.parametrize("count", [1, 2])
@pytest.mark.parametrize("rate_hz", [50.0, 80.0, 100.0, 200.0])
def test_tools_plugged_in_with_minutes_to_each_are_no_shots(count: int, rate_hz: float) -> None:
    for i, bore_mm in enumerate((6.5, 8.0, 9.5)):
        at = np.array([40.0 + (240.0 + 0.23 * i / rate_hz) * k for k in range(1, count + 1)])
        found = find_shots(*recording(bore_mm, np.empty(0), at, rate_hz))
        assert found.shots == ()
        assert connected(found) == pytest.approx(at, abs=0.02)


@pytest.mark.parametrize("dip_pa", [105e3, 125e3])
def test_a_tool_plugged_in_amid_work_mostly_shows_by_its_depth_on_a_slow_logger(dip_pa: float) -> None:
    told = 0
    for phase in range(8):
        rng = np.random.default_rng(1)
        t = np.arange(0.0, 130.0, 0.016) + 0.002 * phase
        shots = np.concatenate([5.0 + 3.0 * np.arange(12), 75.0 + 3.1 * np.arange(15)])
        p = 620e3 + rng.normal(0.0, 600.0, t.size) - dip_pa * shot_scores.plugged(since(t, 60.0))
        for at in shots:
            p += 80e3 * rng.uniform(0.97, 1.03) * dip_shape(t - at, Scene(name="work", fall_s=0.011))
        found = find_shots(t, p)
        told += len(connected(found))
        fired = [s.time_s for s in found.shots if abs(s.time_s - 60.0) > 0.02]
        assert fired == pytest.approx(shots, abs=0.02)
        assert len(found.shots) + len(connected(found)) == shots.size + 1
        assert connected(found) or any("1 of 28 shots (at 60.0 s)" in w and "counts as a shot" in w for w in found.warnings)
    assert told >= 6


def test_a_tool_plugged_in_among_singles_that_dips_as_deep_mostly_shows_by_the_air_it_draws() -> None:
    told = 0
    for phase in range(8):
        rng = np.random.default_rng(phase)
        t = np.arange(0.0, 135.0, 0.02) + 0.0025 * phase
        shots = np.concatenate([5.0 + 4.303 * np.arange(12), 78.0 + 4.107 * np.arange(12)])  # at any phase of the readings
        p = 620e3 + rng.normal(0.0, 600.0, t.size) - 80e3 * shot_scores.plugged(since(t, 66.0))
        for at in shots:
            p += 80e3 * rng.uniform(0.97, 1.03) * dip_shape(t - at, Scene(name="work"))
        found = find_shots(t, p)
        told += len(connected(found))
        assert [s.time_s for s in found.shots if abs(s.time_s - 66.0) > 0.02] == pytest.approx(shots, abs=0.02)
    assert told >= 6


def test_what_falls_once_in_an_idle_hour_is_a_tool_plugged_in_where_nothing_tells_and_that_is_said() -> None:
    t = np.arange(0.0, 3600.0, 0.02)
    p = 620e3 - 80e3 * shot_scores.plugged(since(t, 1800.0)) + np.random.default_rng(1).normal(0.0, 600.0, t.size)
    found = find_shots(t, p)
    assert found.shots == ()
    assert connected(found) == pytest.approx([1800.0], abs=0.03)
    assert any("fall at 1800.0 s was a shot" in w and "counts as a tool" in w and "add it by hand" in w for w in found.warnings)


@pytest.mark.parametrize("rate_hz", [50.0, 200.0])
def test_shots_of_a_second_tool_that_dip_deeper_are_no_tools_plugged_in(rate_hz: float) -> None:
    shots, second = 5.0 + 9.1 * np.arange(9), [88.0, 97.7, 110.1]
    t = np.arange(0.0, 125.0, 1.0 / rate_hz)
    p = 620e3 + np.random.default_rng(1).normal(0.0, 600.0, t.size)
    for at, tool in [*((at, Scene(name="a")) for at in shots), *((at, Scene(name="b", dip_pa=120e3, fall_s=0.01)) for at in second)]:
        p += tool.dip_pa * dip_shape(t - at, tool)
    assert [s.time_s for s in find_shots(t, p).shots] == pytest.approx([*shots, *second], abs=0.02)


@pytest.mark.parametrize("seed", [0, 4])
def test_shots_after_pauses_that_vary_as_others_do_are_no_tools_plugged_in(seed: int) -> None:
    rng = np.random.default_rng(seed)
    shots = np.concatenate([start + 2.7 * np.arange(5) for start in 5.0 + 24.0 * np.arange(8)])
    t = np.arange(0.0, 200.0, 0.0125)
    p = 620e3 + rng.normal(0.0, 1500.0, t.size)
    for at, dip_pa in zip(shots, 80e3 * np.exp(rng.normal(0.0, 0.13, shots.size)), strict=True):
        p += dip_pa * dip_shape(t - at, Scene(name="work", bottom_s=0.06))
    found = find_shots(t, p)
    assert connected(found) == []
    assert [s.time_s for s in found.shots] == pytest.approx(shots, abs=0.03)
