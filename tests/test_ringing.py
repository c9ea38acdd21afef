"""A wide hose straight on a tank swings after each shot by more than half of it, and none of that is a shot."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.line_file import parse_line
from analysis.model import simulate
from analysis.shots import find_shots

LINE = """
[compressor]
tank = "36 L"
cut_in = "5 bar"
cut_out = "7.8 bar"
delivery = "200 L/min"
[[part]]
kind = "hose"
length = "{length} m"
bore = "15 mm"
[[part]]
kind = "coupler"
conductance = "3.4 L/s/bar"
[[part]]
kind = "tool"
air_per_shot = "0.8 L"
"""
FIRED_S = np.array([3.0, 5.4, 9.1, 11.6, 15.0, 17.3, 21.0])


@pytest.mark.parametrize(("length", "rate_hz"), [(19, 200.0), (34, 100.0)])
def test_swings_of_a_wide_hose_are_no_shots_and_a_word_is_said(length: int, rate_hz: float) -> None:
    run = simulate(parse_line(LINE.format(length=length)), FIRED_S, duration_s=24.0, output_rate_hz=rate_hz)
    found = find_shots(run.t_s, run.tool_pa + np.random.default_rng(1).normal(0.0, 400.0, run.t_s.size))
    assert [s.time_s for s in found.shots] == pytest.approx(FIRED_S, abs=0.05)
    assert any("rings strongly" in warning for warning in found.warnings)


def test_shots_fired_while_the_hose_swings_down_are_told_where_each_begins() -> None:
    rng = np.random.default_rng(2)
    t = np.arange(0.0, 40.0, 1.0 / 320.0)
    first_s = np.arange(2.0, 38.0, 3.0)
    fired_s = (first_s[:, None] + 0.13 * np.arange(5) + rng.normal(0.0, 0.004, (first_s.size, 5))).ravel()
    p = 660e3 + rng.normal(0.0, 900.0, t.size)
    for at_s in fired_s:
        since = np.maximum(t - at_s, 0.0)
        low = np.maximum(since - 0.02, 0.0)
        swing = 35e3 * np.exp(-low / 0.15) * np.cos(2.0 * np.pi * low / 0.085)
        p -= np.minimum(since / 0.02, 1.0) * (65e3 * np.exp(-low / 0.02) + swing)
    assert [s.time_s for s in find_shots(t, p).shots] == pytest.approx(fired_s, abs=0.005)


def test_a_small_shot_is_no_swing_where_the_line_has_not_swung_as_far_before() -> None:
    rng = np.random.default_rng(3)
    t = np.arange(0.0, 60.0, 1.0 / 400.0)
    fired_s = np.sort(np.concatenate([large_s := np.arange(2.0, 58.0, 3.5), large_s + 0.9]))
    p = 600e3 + rng.normal(0.0, 700.0, t.size)
    for at_s in fired_s:
        since = np.maximum(t - at_s, 0.0)
        deep, fall_s = (60e3, 0.03) if at_s in large_s else (20e3, 0.05)
        p -= deep * np.minimum(since / fall_s, 1.0) * np.exp(-np.maximum(since - fall_s, 0.0) / 0.15)
    assert [s.time_s for s in find_shots(t, p).shots] == pytest.approx(fired_s, abs=0.02)
