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
