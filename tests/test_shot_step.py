"""Free air of a shot: weighed in a receiver of the line model, and refused where it cannot be weighed."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.line_file import parse_line
from analysis.model import simulate
from analysis.shot_step import air_by_step

LINE = """
[compressor]
tank = "100 L"
cut_in = "7 bar"
cut_out = "9 bar"
delivery = "200 L/min"
[[part]]
kind = "hose"
length = "30 m"
bore = "6 mm"
{receiver}
[[part]]
kind = "hose"
length = "3 m"
bore = "9 mm"
[[part]]
kind = "coupler"
[[part]]
kind = "tool"
air_per_shot = "1.8 L"
"""
SHOTS_S = [1.5 + 4.0 * i for i in range(8)]


@pytest.mark.parametrize("litres", [20, 40])
def test_a_receiver_weighs_the_shot_that_the_model_fired(litres: int) -> None:
    text = LINE.format(receiver=f'[[part]]\nkind = "receiver"\nvolume = "{litres} L"')
    run = simulate(parse_line(text), SHOTS_S, duration_s=34.0)
    assert run.receiver_pa is not None
    noisy = run.receiver_pa + np.random.default_rng(4).normal(0.0, 200.0, run.t_s.size)
    found = air_by_step(run.t_s, noisy, SHOTS_S, volume_m3=litres / 1e3)
    true = float(np.mean([s.air_m3 for s in run.shots]))
    assert found.value == pytest.approx(true, rel=0.08)
    assert found.low is not None
    assert found.high is not None
    assert found.low < true < found.high


def test_a_line_that_refills_at_once_cannot_weigh_a_shot() -> None:
    run = simulate(parse_line(LINE.format(receiver="").replace("6 mm", "10 mm")), SHOTS_S, duration_s=34.0)
    assert air_by_step(run.t_s, run.tool_pa, SHOTS_S, volume_m3=1.1e-3).value is None


def test_two_shots_are_too_few() -> None:
    t = np.arange(0.0, 10.0, 0.01)
    assert air_by_step(t, np.full(t.size, 6e5), [2.0, 6.0], volume_m3=0.02).value is None


def test_a_volume_of_nothing_is_refused() -> None:
    with pytest.raises(ValueError, match="cannot give air"):
        air_by_step([0.0], [0.0], [], volume_m3=0.0)
