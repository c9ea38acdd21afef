"""Shots that follow each other too fast to be told one by one are said to be missing."""

from __future__ import annotations

from dataclasses import replace

from analysis.measures import Fall
from analysis.record import Event, Shot
from analysis.shots import find_shots
from analysis.unresolved import unresolved
from tests.shot_scores import Scene, record, refilled


def shot(time_s: float, before_pa: float) -> Shot:
    """A shot of 5 kPa."""
    return Shot(
        time_s=time_s,
        before_pa=before_pa,
        minimum_pa=before_pa - 5e3,
        dip_pa=5e3,
        recovery_s=float("nan"),
        censored_s=0.2,
        outcome="cut off",
    )


SUNK = (shot(10.0, 620e3), shot(10.8, 600e3), shot(11.2, 596e3))  # 15 kPa lower than the first one left it


def test_what_a_line_sinks_by_between_two_shots_was_taken_by_others() -> None:
    (said,) = unresolved(SUNK, (), 0.02)
    assert "missing from 10.0 s on" in said
    assert "record with the sensor at the tool" in said


def test_slow_falls_that_are_hardly_apart_merge_and_sharp_ones_do_not() -> None:
    stapler = [shot(10.0 + 0.14 * i, 620e3) for i in range(8)]
    assert unresolved(stapler, (), 0.08) != []
    assert unresolved(stapler, (), 0.01) == []
    assert unresolved([shot(10.0 + 0.3 * i, 620e3 - 4e3 * i) for i in range(9)], (), 0.08) == []


def test_an_event_or_a_long_pause_says_by_itself_why_the_line_sank() -> None:
    assert unresolved(SUNK, (Event(kind="air draw", time_s=10.3, until_s=10.7),), 0.02) == []
    assert unresolved(SUNK, (Event(kind="pump start", time_s=10.3, until_s=10.3),), 0.02) != []
    assert unresolved((shot(5.0, 620e3), *SUNK[1:]), (), 0.02) == []


def test_air_drawn_as_fast_as_tools_are_fired_may_be_a_burst_where_falls_are_slow() -> None:
    apart = [shot(10.0 + 3.0 * i, 620e3) for i in range(4)]
    slope = Fall.fitted(time_s=30.0, before_pa=620e3, minimum_pa=605e3, minimum_s=30.8, half_s=30.4, fall_s=0.8, sure=0.0)
    air = Event(kind="air draw", time_s=30.0, until_s=32.0)
    (said,) = unresolved(apart, (air,), 0.2, (slope,))
    assert "air drawn at 30.0 s may be bursts" in said
    assert unresolved(apart, (air,), 0.03, (slope,)) == []
    assert unresolved(apart, (replace(air, kind="regulator change"),), 0.2, (slope,)) == []
    assert unresolved(apart, (air,), 0.2, (replace(slope, minimum_s=30.2),)) == []
    assert unresolved(apart, (air,), 0.2, (replace(slope, minimum_pa=612e3),)) == []


def test_a_stapler_on_a_receiver_is_said_to_be_fired_more_often_than_told() -> None:
    scene = Scene(name="stapler", dip_pa=10e3, noise_pa=900.0, fall_s=0.08, bottom_s=0.18, recovery_s=0.2, overshoot=0.0, kept=0.6,
                  bursts=8, per_burst=12, every_s=1.0 / 7.0)  # fmt: skip
    made = refilled(record(scene, 1), 6e3, 1.0)
    assert any("Shots are likely missing" in said for said in find_shots(made.t_s, made.p_pa).warnings)
