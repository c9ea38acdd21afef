"""Robust least squares: where the search ends."""

from collections.abc import Sequence

import numpy as np
import pytest

from analysis.robust_fit import CRAWL, search, spread, spread_far


class _Valley:
    """Two unknowns in a long bent valley (Rosenbrock's), and readings that no place explains."""

    prior_u = np.full(2, 1e3)
    bound = np.full(2, 1e3)

    def __init__(self, unexplained: float) -> None:
        self.unexplained, self.looks = np.full(100, unexplained), 0

    def residuals(self, x: np.ndarray) -> list[np.ndarray]:
        return [np.array([10.0 * (x[1] - x[0] ** 2), 3.0 * (1.0 - x[0])]), self.unexplained]

    def jacobian(self, x: np.ndarray, here: Sequence[np.ndarray]) -> list[np.ndarray]:
        self.looks += len(here) > 0
        return [np.array([[-20.0 * x[0], 10.0], [-3.0, 0.0]]), np.zeros((100, 2))]


def test_a_valley_is_followed_to_its_end_where_the_rest_is_noise() -> None:
    valley = _Valley(1.0)
    found = search(valley, np.array([-3.0, 9.0]), rounds=100)
    assert found.ended
    assert np.allclose(found.x, 1.0, atol=0.6)
    assert valley.looks > CRAWL


def test_a_search_that_creeps_where_much_is_left_gives_up() -> None:
    valley = _Valley(30.0)
    found = search(valley, np.array([-3.0, 9.0]), rounds=100)
    assert not found.ended
    assert valley.looks <= CRAWL + 1


def test_uncertainty_of_what_bends_is_seen_from_afar() -> None:
    x, cov, both = np.array([1.0, 20.0]), np.array([[1.0, -9.0], [-9.0, 100.0]]), np.array([True, True])
    unit = np.array([1.0, 10.0])
    # Where it is straight the first order is right; only together are the two known well.
    assert spread_far(lambda y: 10.0 * y[0] + y[1], x, cov, both, unit) == pytest.approx(np.sqrt(20.0))
    assert spread_far(lambda y: y[1], x, cov, np.array([False, True]), unit) == pytest.approx(10.0)
    # What stands a standard uncertainty behind a corner is not nothing, as the first order has it.
    alone = np.array([True, False])

    def corner(y: np.ndarray) -> float:
        return max(float(y[0]) - 2.0, 0.0)

    assert spread(corner, x, cov, 1e-3 * alone) == 0.0
    assert spread_far(corner, x, cov, alone, unit) == pytest.approx(0.5)
