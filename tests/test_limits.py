"""Sensors whose range ends within the line's pressures."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.shots import ShotRecord, find_shots
from tests.shot_scores import Scene, Scored, record


def made(rate_hz: float, noise_pa: float) -> Scored:
    return record(Scene(name="limits", rate_hz=rate_hz, noise_pa=noise_pa, per_burst=3, every_s=0.5), 6)


def said(found: ShotRecord, which: str) -> list[str]:
    return [w for w in found.warnings if f"stop at their {which} value" in w]


@pytest.mark.parametrize("rate_hz", [100.0, 1000.0])
def test_a_range_that_ends_within_the_dips_or_below_the_line_is_said(rate_hz: float) -> None:
    scored = made(rate_hz, 600.0)
    low, high = (np.percentile(scored.p_pa, 50.0) - share * 80_000.0 for share in (0.5, 0.2))
    below, above = find_shots(scored.t_s, np.maximum(scored.p_pa, low)), find_shots(scored.t_s, np.minimum(scored.p_pa, high))
    assert said(below, "lowest")
    assert not said(below, "highest")
    assert said(above, "highest")
    assert not said(above, "lowest")


@pytest.mark.parametrize("noise_pa", [0.0, 300.0, 2000.0])
@pytest.mark.parametrize("step_pa", [50.0, 3000.0, 10_000.0])
def test_a_line_at_rest_and_the_bottom_of_a_dip_end_no_range(noise_pa: float, step_pa: float) -> None:
    scored = made(400.0, noise_pa)
    found = find_shots(scored.t_s, step_pa * np.round(scored.p_pa / step_pa))
    assert not said(found, "lowest")
    assert not said(found, "highest")
