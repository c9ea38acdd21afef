"""Hum near half the rate of the readings."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analysis.detector import ShotDetector
from analysis.shots import find_shots
from tests.shot_scores import Scene, record

TOOL = Scene(name="at the tool", rate_hz=100.0, jitter=0.02, single=6, bursts=2)


@pytest.mark.parametrize(("rate_hz", "hum_hz"), [(100.0, 50.0), (100.0, 49.7), (125.0, 60.0), (100.0, 40.0)])
def test_hum_that_hides_shots_is_said_with_its_size_alike_in_blocks_of_any_size(rate_hz: float, hum_hz: float) -> None:
    made = record(replace(TOOL, rate_hz=rate_hz), 1)
    p = made.p_pa + 20e3 * np.sin(2.0 * np.pi * hum_hz * made.t_s + 0.7)
    found = find_shots(made.t_s, p)
    said = [float(w.split(" by ")[1].split()[0]) for w in found.warnings if "swing up and down" in w]
    assert said == [pytest.approx(20.0, rel=0.35)]
    stream = ShotDetector()
    for a in range(0, p.size, 37):
        stream.feed(made.t_s[a : a + 37], p[a : a + 37])
    assert stream.finish() == found


@pytest.mark.parametrize("noise_pa", [0.0, 500.0, 5000.0, 20_000.0])
@pytest.mark.parametrize("step_pa", [1.0, 3000.0])
def test_noise_however_coarse_is_no_hum(noise_pa: float, step_pa: float) -> None:
    made = record(replace(TOOL, noise_pa=noise_pa, step_pa=step_pa), 2)
    assert not any("swing up and down" in w for w in find_shots(made.t_s, made.p_pa).warnings)
