"""Rounded steps fitted at every onset and width: each as the method of least squares has it, and their likely mean."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.step_fit import DEPTH, EXPLAINED, LEVEL, ONSET, SLOPE, WIDTH, fit_steps, likely_step

X_S = np.linspace(0.0, 0.6, 70)
ONSETS_S, WIDTHS_S = np.array([0.2, 0.25, 0.3]), np.array([0.04, 0.1])


def shape(onset_s: float, width_s: float) -> np.ndarray:
    fallen: np.ndarray = 1.0 - np.exp(-((np.maximum(X_S - onset_s, 0.0) / width_s) ** 1.4))
    return fallen


@pytest.mark.parametrize("leans", [False, True])
def test_each_step_is_that_of_least_squares(leans: bool) -> None:
    y = 5e3 + 4e3 * X_S - 2e3 * shape(0.27, 0.06) + np.random.default_rng(1).normal(0.0, 300.0, X_S.size)
    around, steps = fit_steps(X_S, y, ONSETS_S, WIDTHS_S, leans, 0.0)
    for step in steps.T:
        beside = np.stack([np.ones(X_S.size), X_S - step[ONSET]][: 1 + leans], axis=1)
        columns = np.column_stack([beside, -shape(step[ONSET], step[WIDTH])])
        (level, *slope, depth), rest, *_ = np.linalg.lstsq(columns, y, rcond=None)
        assert step[[LEVEL, DEPTH]] == pytest.approx([level, depth])
        assert step[SLOPE] == pytest.approx(slope[0] if leans else 0.0)
        assert around - step[EXPLAINED] == pytest.approx(rest[0])
        assert around == pytest.approx(np.linalg.lstsq(beside, y, rcond=None)[1][0])


def test_a_rise_or_a_shape_too_flat_is_no_step() -> None:
    assert np.all(fit_steps(X_S, 1e3 * shape(0.25, 0.04), ONSETS_S, WIDTHS_S, False, 0.0)[1][EXPLAINED] == -np.inf)
    assert np.all(fit_steps(X_S, -1e3 * shape(0.25, 0.04), ONSETS_S, WIDTHS_S, False, 20.0)[1][EXPLAINED] == -np.inf)


def test_the_likely_step_goes_from_the_best_to_the_mean_with_the_noise() -> None:
    steps = fit_steps(X_S, 7e3 - 1e3 * shape(0.25, 0.04), ONSETS_S, WIDTHS_S, False, 0.0)[1]
    assert likely_step(steps, 1.0) == pytest.approx([0.25, 0.04, 7e3, 1e3, 0.0])
    assert likely_step(steps, 1e12) == pytest.approx(steps[ONSET:].mean(axis=1), rel=1e-4)
