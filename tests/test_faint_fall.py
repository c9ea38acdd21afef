"""A fall in so much noise that only all of its readings together show it: when it began, how deep it is, and how sure that is."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.faint_fall import falling, fit_faint_fall
from tests.shot_scores import Scene, dip_shape

T_S = np.arange(0.0, 0.7, 0.005)
RECEIVER = Scene(name="receiver", fall_s=0.08, bottom_s=0.2, kept=1.0, overshoot=0.0)


def test_time_and_depth_are_found_as_well_as_the_noise_allows() -> None:
    rng = np.random.default_rng(3)
    fits = [
        fit_faint_fall(T_S, 6e5 + 1500.0 * dip_shape(T_S - 0.3, RECEIVER) + rng.normal(0.0, 600.0, T_S.size), 600.0) for _ in range(200)
    ]
    found = [fit for fit in fits if fit is not None]
    assert len(found) == 200
    onset, dip = np.array([f.time_s for f in found]), np.array([f.dip_pa for f in found])
    assert abs(np.median(onset) - 0.3) < 0.01
    assert np.mean(np.abs(onset - 0.3) > 0.05) < 0.03
    assert np.median(dip) == pytest.approx(1500.0, rel=0.1)
    # As sure as the depths are spread: 1 in that many standard deviations.
    assert np.median(dip) / np.std(dip) == pytest.approx(np.median([f.sure for f in found]), rel=0.35)


def test_noise_alone_is_hardly_ever_sure() -> None:
    rng = np.random.default_rng(4)
    fits = [fit_faint_fall(T_S, 6e5 + rng.normal(0.0, 600.0, T_S.size), 600.0) for _ in range(1000)]
    assert max(fit.sure for fit in fits if fit is not None) < 5.5


def test_a_slope_is_no_step_and_a_step_no_slope() -> None:
    noise = np.random.default_rng(5).normal(0.0, 200.0, T_S.size)
    slope = fit_faint_fall(T_S, 6e5 - 4000.0 * T_S + noise, 200.0)
    step = fit_faint_fall(T_S, 6e5 + 2800.0 * dip_shape(T_S - 0.3, RECEIVER) + noise, 200.0)
    assert slope is None or slope.unlike_line < 2.0
    assert step is not None
    assert step.unlike_line > 6.0


def test_a_rise_or_too_few_readings_give_no_fall() -> None:
    assert fit_faint_fall(T_S[:8], np.full(8, 6e5), 100.0) is None
    rising = fit_faint_fall(T_S, 6e5 - 3000.0 * dip_shape(T_S - 0.3, RECEIVER), 100.0)
    assert rising is None or rising.sure < 1.0


def test_only_a_slope_that_stands_out_falls() -> None:
    noise = np.random.default_rng(6).normal(0.0, 600.0, T_S.size)
    assert falling(T_S, 6e5 - 3300.0 * T_S + noise, 0.0, 0.6, 600.0) == pytest.approx(-3300.0, rel=0.3)
    assert falling(T_S, 6e5 + 3300.0 * T_S + noise, 0.0, 0.6, 600.0) == 0.0
    assert falling(T_S, 6e5 + noise, 0.0, 0.6, 600.0) == 0.0
    assert falling(T_S, 6e5 - 3300.0 * T_S + noise, 0.4, 0.6, 600.0) == 0.0
