"""Outside of the tool's window: what stays there is told, a dip of a shot is not."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from analysis.window import STAYS_S, stays_outside

WINDOW = (550e3, 700e3)
T_S = np.arange(0.0, 2.0, 0.004)


def test_what_stays_outside_is_told_by_its_side() -> None:
    assert stays_outside(T_S, np.full(T_S.size, 620e3), WINDOW) == "inside"
    assert stays_outside(T_S, np.full(T_S.size, 549e3), WINDOW) == "below"
    assert stays_outside(T_S, np.full(T_S.size, 701e3), WINDOW) == "above"


def test_a_dip_of_a_shot_is_no_alarm_and_a_sag_is_one_within_a_third_of_a_second() -> None:
    def after(fall_s: float, back_s: float) -> str:
        p = np.where((T_S >= 1.0) & (1.0 + fall_s > T_S), 500e3, 620e3)
        seen = 1.0 + back_s >= T_S
        return stays_outside(T_S[seen], p[seen], WINDOW)

    assert after(0.2, 0.1) == "inside"
    assert after(0.2, 0.5) == "inside"
    assert after(0.9, STAYS_S - 0.05) == "inside"
    assert after(0.9, STAYS_S + 0.05) == "below"


def test_too_few_readings_are_no_alarm() -> None:
    assert stays_outside([], [], WINDOW) == "inside"
    assert stays_outside([0.0, 0.01], [0.0, 0.0], WINDOW) == "inside"
    assert stays_outside(T_S, np.full(T_S.size, np.nan), WINDOW) == "inside"


@given(shift_s=st.floats(-1e6, 1e6), level_pa=st.floats(-1e5, 2e6), rise_pa=st.floats(-1e5, 1e5))
def test_neither_the_clock_nor_the_zero_matters(shift_s: float, level_pa: float, rise_pa: float) -> None:
    p = level_pa + 10e3 * np.sin(T_S)
    moved = stays_outside(T_S, p + rise_pa, (WINDOW[0] + rise_pa, WINDOW[1] + rise_pa))
    assert stays_outside(T_S + shift_s, p + rise_pa, (WINDOW[0] + rise_pa, WINDOW[1] + rise_pa)) == moved
