"""Where a line stands before a shot, in noise: on lines of known course."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from analysis.level_before import level_before

Floats = NDArray[np.float64]

DIP_PA, NOISE_PA = 20e3, 1e3


@pytest.mark.parametrize(
    ("rate_hz", "rise", "back_s", "most"),
    [(160.0, 0.0, None, 0.15), (160.0, 0.15, None, 0.23), (160.0, 0.0, 0.3, 0.3), (80.0, 0.15, 0.3, 0.42), (50.0, 0.0, None, 0.28)],
)
def test_a_line_is_followed_to_where_a_shot_begins(rate_hz: float, rise: float, back_s: float | None, most: float) -> None:
    """It stands, rises by so many dips a second, or comes back from the shot before; errors are shares of the noise of a reading."""
    rng = np.random.default_rng(5)
    t = np.arange(0.0, 1.2, 1.0 / rate_hz)
    onset_s = 1.2

    def course(at: Floats) -> Floats:
        back: Floats = 700e3 + DIP_PA * (rise * at - (0.8 * np.exp(-at / back_s) if back_s else 0.0))
        return back

    true = float(course(np.array([onset_s]))[0])
    found = [level_before(t, course(t) + rng.normal(0.0, NOISE_PA, t.size), onset_s, 0.0, 0.0, NOISE_PA, DIP_PA)[0] for _ in range(300)]
    off = (np.array(found) - true) / NOISE_PA
    assert np.sqrt(np.mean(off**2)) < most
    assert abs(np.mean(off)) < 0.15
