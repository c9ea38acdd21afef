"""Leak by segment, and the volume of a line: what several tests tell together, and what they leave open."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import farend
from analysis.estimate import Estimate
from analysis.leak_segments import SegmentTest, leak_by_segment
from analysis.leakdown import leak_at
from analysis.shut_in_volume import find_step, volume_by_draw, volume_by_receiver
from tests.commands import refuse
from tests.nights import Night, simulate_night

ORDER = ("tank", "pipe", "hose")


def a_night(name: str, *segments: str, leak: float, u: float = 0.02e-3) -> SegmentTest:
    return SegmentTest(name=name, open=segments, leak_m3_per_s=Estimate(value=leak, low=leak - 1.96 * u, high=leak + 1.96 * u))


def number(x: float | None) -> float:
    assert x is not None
    return x


def test_valves_shut_one_after_the_other_give_each_segments_share() -> None:
    found = leak_by_segment(
        ORDER,
        [
            a_night("all", *ORDER, leak=1.0e-3),
            a_night("no hose", "tank", "pipe", leak=0.3e-3),
            a_night("tank", "tank", leak=0.1e-3),
        ],
    )
    assert [s.segments for s in found.shares] == [("hose",), ("pipe",), ("tank",)]
    hose = found.shares[0]
    assert number(hose.leak_m3_per_s.value) == pytest.approx(0.7e-3, rel=0.02)
    assert number(hose.leak_m3_per_s.high) - number(hose.leak_m3_per_s.low) == pytest.approx(2 * 1.96 * 0.02e-3 * 2**0.5, rel=0.1)
    assert number(hose.share.low) < 0.7 < number(hose.share.high)
    assert "soap the joints of hose" in found.next_test
    assert found.cannot_separate == ()
    assert found.warnings == ()


def test_segments_never_shut_off_from_each_other_are_said_together() -> None:
    found = leak_by_segment(ORDER, [a_night("all", *ORDER, leak=1.0e-3), a_night("tank", "tank", leak=0.1e-3)])
    assert found.cannot_separate == (("pipe", "hose"),)
    assert found.shares[0].segments == ("pipe", "hose")
    assert "pipe open and hose shut off" in found.next_test


def test_too_few_tests_leave_an_interval_that_holds_both_ends() -> None:
    found = leak_by_segment(ORDER, [a_night("a", "tank", "pipe", leak=1e-3), a_night("b", "pipe", "hose", leak=1e-3)])
    pipe = next(s for s in found.shares if s.segments == ("pipe",))
    assert number(pipe.leak_m3_per_s.low) < 0.1e-3
    assert number(pipe.leak_m3_per_s.high) > 0.9e-3
    assert set(found.cannot_separate[0]) == set(ORDER)
    assert "alone open" in found.next_test


def test_part_that_leaks_more_than_the_whole_is_a_contradiction() -> None:
    found = leak_by_segment(ORDER[:2], [a_night("all", "tank", "pipe", leak=0.3e-3), a_night("tank", "tank", leak=0.9e-3)])
    assert any("contradict" in w for w in found.warnings)
    assert number(found.shares[0].leak_m3_per_s.high) > 0.6e-3


def test_tight_line_has_no_shares() -> None:
    found = leak_by_segment(ORDER[:2], [a_night("all", "tank", "pipe", leak=0.001e-3), a_night("tank", "tank", leak=-0.005e-3)])
    assert all(s.share.value is None for s in found.shares)
    assert "No segment leaks for sure" in found.next_test


@settings(max_examples=20, deadline=None)
@given(leaks=st.lists(st.floats(0.05e-3, 1e-3), min_size=3, max_size=3), seed=st.integers(0, 1000))
def test_intervals_hold_the_truth_for_most_noise(leaks: list[float], seed: int) -> None:
    rng = np.random.default_rng(seed)
    tests = [a_night(str(n), *ORDER[:n], leak=sum(leaks[:n]) + float(np.clip(rng.normal(), -2, 2)) * 0.01e-3, u=0.01e-3) for n in (1, 2, 3)]
    found = {s.segments[0]: s for s in leak_by_segment(ORDER, tests).shares}
    for name, true in zip(ORDER, leaks, strict=True):
        e = found[name].leak_m3_per_s
        assert number(e.low) - 0.02e-3 < true < number(e.high) + 0.02e-3
    assert sum(number(s.share.value) for s in found.values()) == pytest.approx(1.0, abs=0.05)


@pytest.mark.parametrize(
    ("tests", "match"),
    [
        ([a_night("all", *ORDER, leak=1e-3)], "two or more"),
        ([a_night("all", *ORDER, leak=1e-3), a_night("x", "shed", leak=1e-3)], "Use those names"),
        ([a_night("a", "tank", leak=1e-3), a_night("b", "pipe", leak=1e-3)], "No test has hose open"),
        ([a_night("a", *ORDER, leak=1e-3), SegmentTest(name="b", open=("tank",), leak_m3_per_s=Estimate(value=None))], "no leak with an"),
    ],
)
def test_tests_that_cannot_be_shared_out_are_refused(tests: list[SegmentTest], match: str) -> None:
    with pytest.raises(ValueError, match=match):
        leak_by_segment(ORDER, tests)


# The volume of a line


def test_known_receiver_let_into_a_line_tells_its_volume() -> None:
    # 24 L at 8 bar into 12 L at 2 bar gauge come to 6 bar: 24 * 2 = 12 * 4.
    volume = volume_by_receiver(0.024, 800e3, 200e3, 600e3)
    assert number(volume.value) == pytest.approx(0.012)
    assert number(volume.low) < 0.012 < number(volume.high)
    assert number(volume.high) / number(volume.low) < 1.15
    with pytest.raises(ValueError, match="must lie between"):
        volume_by_receiver(0.024, 800e3, 200e3, 900e3)
    with pytest.raises(ValueError, match="kPa only"):
        volume_by_receiver(0.024, 800e3, 200e3, 795e3)


def test_free_air_drawn_tells_the_volume() -> None:
    # 10 L of ANR air weigh 11.85 g: at 20 degC they lower 50 L by m R T / V = 19.94 kPa, 20 L by 49.9 kPa.
    volume = volume_by_draw(0.010, 700e3, 700e3 - 49_858.0)
    assert number(volume.value) == pytest.approx(0.020, rel=1e-3)
    with pytest.raises(ValueError, match="more than nothing"):
        volume_by_draw(0.0, 700e3, 600e3)


def poured() -> Night:
    """A 24 L receiver at 8 bar, let at 120 s into 12 L at 2 bar; the sensor is on the receiver, whose air is cold afterwards."""
    rng = np.random.default_rng(3)
    t = np.arange(0.0, 1500.0, 1.0)
    cold = 0.06 * 700e3 * np.exp(-np.maximum(t - 120.0, 0.0) / 80.0)
    p = np.where(t < 120.0, 800e3, 600e3 - cold) + rng.normal(0.0, 200.0, t.size)
    return Night(t_s=t, p_pa=p, temp_k=None, p_amb_pa=np.full(t.size, 101_325.0), volume_m3=0.012, conductance=0.0)


def test_step_of_a_recording_is_read_once_the_air_has_settled() -> None:
    night = poured()
    step = find_step(night.t_s, night.p_pa)
    assert step.at_s == pytest.approx(120.0, abs=3.0)
    assert step.before_pa == pytest.approx(800e3, abs=400.0)
    assert step.after_pa == pytest.approx(600e3, abs=1500.0)
    with pytest.raises(ValueError, match="no step"):
        find_step(night.t_s[:100], night.p_pa[:100])


def write(path: Path, night: Night) -> str:
    rows = (
        [f"{t:.3f},{p / 1000:.4f},{k - 273.15:.4f}" for t, p, k in zip(night.t_s, night.p_pa, night.temp_k, strict=True)]
        if (night.temp_k is not None)
        else [f"{t:.3f},{p / 1000:.4f}" for t, p in zip(night.t_s, night.p_pa, strict=True)]
    )
    head = "time_s,tank (kPa),wall (degC)" if night.temp_k is not None else "time_s,tank (kPa)"
    path.write_text("\n".join([head, *rows]) + "\n", encoding="utf-8")
    return str(path)


def test_segments_and_volume_from_the_command_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    whole = write(tmp_path / "all.csv", simulate_night(301, conductance=8e-12, volume_m3=0.06, hours=4.0))
    tank = write(tmp_path / "tank.csv", simulate_night(302, conductance=1e-12, volume_m3=0.05, hours=4.0))
    words = ["leakdown", whole, tank, "--segment", "tank=50 L", "--segment", "hose=10 L", "--open", "tank, hose", "--open", "tank"]
    assert farend.main([*words, "--json"]) == 0
    answer = json.loads(capsys.readouterr().out)
    first = answer["segments"][0]
    assert first["names"] == ["hose"]
    assert first["leak_l_per_s"]["value"] == pytest.approx(1e3 * leak_at(7e-12, 620_528.2), rel=0.1)
    assert farend.main(words) == 0
    assert "soap the joints of hose" in capsys.readouterr().out
    assert farend.main(["leakdown", whole, tank, "--segment", "tank=50 L"]) == 1
    assert "--open" in capsys.readouterr().err

    step = write(tmp_path / "step.csv", poured())
    assert farend.main(["leakdown", step, "--volume-from", "receiver 24 L", "--line-before", "2 bar", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)["volume_l"]
    assert found["low"] < 12.0 < found["high"]
    assert farend.main(["leakdown", "--volume-from", "air 10 L", "--before", "7 bar", "--after", "6.5014 bar"]) == 0
    assert "20.0 L" in capsys.readouterr().out
    assert "is neither" in refuse(capsys, "leakdown", "--volume-from", "bucket 10 L", code=2)
