"""Very many readings do not make a dip deeper: the lowest of them is noise's, not the bottom."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.shots import find_shots

FIRED_S = 1.5 + 2.0 * np.arange(15)
DIP_PA = 80e3


@pytest.mark.parametrize("noise", [0.01, 0.019])
def test_every_dip_in_many_readings_is_as_deep_as_it_is(noise: float) -> None:
    t = np.arange(0.0, 32.0, 1.0 / 1600.0)
    p = np.full(t.size, 640e3)
    for at in FIRED_S:
        x = np.maximum(t - at, 0.0)
        p -= DIP_PA * (1.0 - np.exp(-((x / 0.008) ** 1.3))) * np.exp(-((np.maximum(x - 0.04, 0.0) / 0.09) ** 1.5))
    found = find_shots(t, p + np.random.default_rng(1).normal(0.0, noise * DIP_PA, t.size))
    assert [s.dip_pa / DIP_PA for s in found.shots] == pytest.approx([1.0] * FIRED_S.size, abs=0.015)
