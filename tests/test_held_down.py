"""Air that somebody draws is told from a shot by how late and how suddenly it is let go."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.held_down import Floats, held_down

BEFORE_PA, NOISE_PA = 5.6e5, 200.0


def course(at_s: list[float], pa: list[float]) -> tuple[Floats, Floats]:
    t = np.arange(0.0, at_s[-1], 0.005)
    return t, BEFORE_PA + np.interp(t, at_s, pa) + np.random.default_rng(1).normal(0.0, NOISE_PA, t.size)


def test_a_draw_to_which_the_regulator_gives_more_is_held_until_it_is_let_go() -> None:
    t, p = course([0.0, 0.15, 0.7, 3.5, 3.7, 4.5], [0.0, -28e3, -19.5e3, -26e3, 0.0, 0.0])
    assert held_down(t, p, BEFORE_PA, 28e3, NOISE_PA) == pytest.approx(3.5, abs=0.1)


def test_a_shot_on_a_tank_that_leaks_until_the_pump_runs_is_not_held() -> None:
    t, p = course([0.0, 0.15, 0.7, 17.0, 19.0, 20.0], [0.0, -6e3, -3.5e3, -8e3, 0.0, 0.0])
    assert held_down(t, p, BEFORE_PA, 6e3, NOISE_PA) is None
