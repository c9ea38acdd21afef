"""Robust least squares: where the search ends."""

from collections.abc import Sequence

import numpy as np

from analysis.robust_fit import CRAWL, search


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
