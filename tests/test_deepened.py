"""The hose that swings once more before the pressure comes back takes a dip deeper: its lowest counts, and not where it rested before."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.shots import find_shots

FIRED_S = np.arange(2.0, 42.0, 4.0)
# As a wide hose of 25 m does: most is lost at once, more slowly, and again when what came back from the far end arrives.
COURSE_S = [0.0, 0.02, 0.05, 0.15, 0.165, 0.195, 0.22, 0.4, 0.7]
LOST_PA = [0.0, 15e3, 22e3, 25e3, 23.5e3, 32e3, 27e3, 5e3, 0.0]


def test_a_dip_is_as_deep_as_the_hose_takes_it_when_it_swings_before_the_pressure_is_back() -> None:
    t = np.arange(0.0, 43.0, 1.0 / 300.0)
    p = 640e3 - sum(np.interp(t - at, COURSE_S, LOST_PA) for at in FIRED_S)
    shots = find_shots(t, p + np.random.default_rng(3).normal(0.0, 900.0, t.size)).shots
    assert [s.time_s for s in shots] == pytest.approx(FIRED_S.tolist(), abs=0.01)
    assert [s.dip_pa for s in shots] == pytest.approx([32e3] * len(shots), rel=0.08)
    assert float(np.median([s.dip_pa for s in shots])) == pytest.approx(32e3, rel=0.03)
    # Nine tenths of its depth are regained when 3.2 kPa are left.
    assert float(np.median([s.recovery_s for s in shots])) == pytest.approx(0.4 + 0.3 * 1.8 / 5.0, rel=0.03)
