"""Slow falls in noise, of a line that rises before and after them, as a receiver does while its pump runs, or that does not."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analysis.measures import Fall
from analysis.shots import find_shots
from analysis.slow_falls import SlowFalls
from analysis.step_fit import TO_FALL
from analysis.usual import Usual
from tests.shot_scores import drawn, record, score

POWER = 1.4  # of the way in which a fall begins
FOUND = Fall.fitted(
    time_s=6.03, before_pa=700e3, minimum_pa=696e3, minimum_s=6.2, half_s=6.1, fall_s=TO_FALL * 0.05, sure=12.0
)  # on a level line


def line(fired: np.ndarray, rise_pa_per_s: float, *, noise_pa: float = 900.0, width_s: float = 0.12) -> tuple[np.ndarray, np.ndarray]:
    """A receiver that its pump fills while a tool draws from it through a narrow hose: 6 kPa a shot."""
    t = np.arange(0.0, fired[-1] + 4.0, 0.008)
    p = 700e3 + rise_pa_per_s * t + np.random.default_rng(5).normal(0.0, noise_pa, t.size)
    for at in fired:
        p -= 6e3 * (1.0 - np.exp(-((np.maximum(t - at, 0.0) / width_s) ** POWER)))
    return t, p


@pytest.mark.parametrize(
    ("rise_pa_per_s", "width_s", "noise_pa"), [(3e3, 0.12, 900.0), (4e3, 0.12, 900.0), (0.0, 0.2, 700.0), (1e3, 0.2, 700.0)]
)
def test_slow_shots_begin_when_they_are_fired_and_are_as_deep_as_they_are(rise_pa_per_s: float, width_s: float, noise_pa: float) -> None:
    fired = 6.0 + np.cumsum(np.random.default_rng(2).uniform(0.9, 2.2, 40))
    t, p = line(fired, rise_pa_per_s, width_s=width_s, noise_pa=noise_pa)
    found = find_shots(t, p)
    off_s = np.array([s.time_s - fired[np.argmin(np.abs(fired - s.time_s))] for s in found.shots])
    assert len(found.shots) >= 38
    assert (np.abs(off_s) < 0.05).mean() > 0.95
    assert abs(np.median(off_s)) < 0.012
    one_t, one_p = line(np.array([6.0]), rise_pa_per_s, width_s=width_s, noise_pa=0.0)
    dip_pa = one_p[one_t < 6.0][-1] - one_p[(one_t > 6.0) & (one_t < 6.8)].min()
    assert np.median([s.dip_pa for s in found.shots]) == pytest.approx(dip_pa, rel=0.08)


def test_what_was_found_is_laid_on_the_rise() -> None:
    t, p = line(np.array([6.0]), 6e3, noise_pa=100.0)
    found = SlowFalls().laid(t, p, FOUND, 100.0, 0.0, 9.0)
    assert found.time_s == pytest.approx(6.0, abs=0.01)
    assert found.before_pa == pytest.approx(736e3, abs=150.0)
    assert found.dip_pa == pytest.approx(736e3 - p[(t > 6.0) & (t < 6.6)].min(), abs=300.0)


@pytest.mark.parametrize(("rise_pa_per_s", "from_s"), [(0.0, 0.0), (-3e3, 0.0), (6e3, 5.95)])
def test_where_no_rise_is_seen_a_quick_fall_stays_as_it_is(rise_pa_per_s: float, from_s: float) -> None:
    t, p = line(np.array([6.0]), rise_pa_per_s)
    assert SlowFalls().laid(t, p, FOUND, 900.0, from_s, 9.0) is FOUND


def test_the_falls_before_tell_how_wide_one_is() -> None:
    fired = 6.0 + 3.0 * np.arange(30)
    t, p = line(fired, 0.0, width_s=0.16)
    knows, off_s = SlowFalls(), []
    for at in fired:
        near = replace(FOUND, time_s=at + 0.04, fall_s=TO_FALL * 0.11)
        off_s.append([laid.laid(t, p, near, 900.0, at - 1.0, at + 1.0).time_s - at for laid in (SlowFalls(), knows)])
    alone, known = np.std(off_s[5:], axis=0)
    assert known < 0.75 * alone


def test_what_is_too_slow_goes_by_what_is_usual_on_the_line() -> None:
    usual, slow = Usual(), Fall.fitted(time_s=9.0, before_pa=700e3, minimum_pa=694e3, minimum_s=9.5, half_s=9.2, fall_s=0.45, sure=0.0)
    assert usual.drags(slow)
    for i in range(3):
        usual.add(replace(slow, time_s=2.0 * i, half_s=2.0 * i + 0.1, fall_s=0.19))
    assert not usual.drags(slow)
    assert usual.drags(replace(slow, fall_s=0.5))


def test_slower_falls_that_are_alike_outvote_a_few_shots_that_were_ripple() -> None:
    usual = Usual()
    ripple = Fall.fitted(time_s=1.0, before_pa=700e3, minimum_pa=698.5e3, minimum_s=1.05, half_s=1.01, fall_s=0.02, sure=0.0)
    shot = Fall.fitted(time_s=9.0, before_pa=700e3, minimum_pa=697e3, minimum_s=9.3, half_s=9.07, fall_s=0.15, sure=0.0)
    for i in range(3):
        usual.add(replace(ripple, time_s=1.0 + i))
    later = [replace(shot, time_s=9.0 + 3.0 * i) for i in range(4)]
    assert [usual.drags(fall) for fall in later] == [True, True, True, False]
    for i in range(3):
        usual.add(replace(ripple, time_s=31.0 + i))
    unlike = [replace(fall, minimum_pa=697e3 - 3e3 * i, time_s=40.0 + i) for i, fall in enumerate(later)]
    assert all(usual.drags(fall) for fall in unlike)


def test_shots_on_a_receiver_are_found_though_ripple_was_taken_for_the_first() -> None:
    made = record(drawn("receiver, 11 gal", 44), 44)
    assert score(find_shots(made.t_s, made.p_pa), made).missed <= 6
