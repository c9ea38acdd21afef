"""The line's level, which shots and air drawn leave where it is, a regulator that is turned, and a hose pulled off a full receiver."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from analysis.events import SlowWatch
from analysis.rests import BIN_S

Floats = NDArray[np.float64]
DIP_PA, LEVEL_PA = 9e4, 6.2e5


def times(until_s: float) -> Floats:
    """Middles of the bins up to a time [s]."""
    return BIN_S * np.arange(0.5, until_s / BIN_S)


def with_shots(t: Floats, p: Floats, shots_s: list[float], *, seed: int = 1) -> Floats:
    """A line in noise, with shots that it comes back from [Pa]."""
    since = np.maximum(t[:, None] - np.array(shots_s, ndmin=1), -1.0)
    dips = np.where(since >= 0.0, DIP_PA * np.exp(-np.maximum(since, 0.0) / 0.25), 0.0).sum(axis=1)
    return np.asarray(p - dips + np.random.default_rng(seed).normal(0.0, 400.0, t.size))


def watched(t: Floats, p: Floats, shots_s: list[float], block: int = 10) -> list[tuple[str, float]]:
    """Kinds and times of what happens to a line, fed in blocks of so many bins."""
    watch, ahead = SlowWatch(), sorted(shots_s)
    for a in range(0, t.size, block):
        watch.take(t[a : a + block], p[a : a + block])
        until_s = float(t[: a + block][-1]) - 1.5
        while ahead and ahead[0] < until_s + 1.0:
            watch.advance(ahead[0] - 0.6)
            watch.shot(ahead.pop(0))
        watch.advance(until_s)
    watch.advance(np.inf, last=True)
    return [(e.kind, e.time_s) for e in watch.events]


WORK = [float(s) for s in np.arange(5.0, 30.0, 2.5)]


@pytest.mark.parametrize("change_pa", [2.5e4, -2.5e4, 6e4, -6e4])
@pytest.mark.parametrize("turn_s", [1.5, 4.0, 6.0])
def test_a_regulator_turned_just_before_work_goes_on_is_told(change_pa: float, turn_s: float) -> None:
    shots = [*WORK, *np.arange(36.0 + turn_s, 60.0, 2.5).tolist()]
    t = times(65.0)
    p = with_shots(t, LEVEL_PA + np.interp(t, [35.0, 35.0 + turn_s], [0.0, change_pa]), shots)
    [(kind, time_s)] = watched(t, p, shots)
    assert kind == "regulator change"
    assert time_s == pytest.approx(35.0, abs=1.5)


def test_a_line_that_rises_and_rests_there_is_held_by_a_regulator() -> None:
    t = times(90.0)
    [(kind, time_s)] = watched(t, with_shots(t, np.interp(t, [0.0, 30.0, 34.0, 90.0], [600e3, 600e3, 630e3, 630e3]), []), [])
    assert kind == "regulator change"  # and no pump runs
    assert time_s == pytest.approx(30.0, abs=0.5)


def test_shots_that_hide_its_beginning_date_it_between_them() -> None:
    shots = [*WORK, 31.8, 34.5, 38.0, 41.0]
    t = times(50.0)
    p = with_shots(t, LEVEL_PA + np.interp(t, [32.0, 34.0], [0.0, 4e4]), shots)
    [(kind, time_s)] = watched(t, p, shots)
    assert kind == "regulator change"
    assert time_s == pytest.approx(32.0, abs=3.0)


def test_work_that_pulls_the_line_down_and_lets_it_come_back_is_no_regulator() -> None:
    shots = [*WORK, *np.arange(32.0, 38.0, 0.3).tolist(), 55.0, 58.0]
    t = times(70.0)
    sag = np.interp(t, [32.0, 38.0], [0.0, 5e4]) * np.exp(-np.maximum(t - 38.0, 0.0) / 4.0)
    assert watched(t, with_shots(t, LEVEL_PA - sag, shots), shots) == []


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_nothing_is_told_of_a_line_that_drifts_among_slow_noise(seed: int) -> None:
    t = times(1800.0)
    slow = np.random.default_rng(seed).normal(0.0, 1.0, t.size)
    for i in range(1, t.size):
        slow[i] += 0.99 * slow[i - 1]
    p = LEVEL_PA - 30.0 * t + 8e3 * np.sin(t / 120.0) + 150.0 * slow
    assert watched(t, with_shots(t, p, [], seed=seed), [], 100) == []


@pytest.mark.parametrize("off_s", [7.0, 18.0])
def test_a_receiver_that_is_emptied_slowly_was_pulled_off(off_s: float) -> None:
    t = times(80.0)
    left = np.where(t < 20.0, 1.0, np.exp(-(t - 20.0) / 14.0))
    filled = 1.0 - (1.0 - np.exp(-off_s / 14.0)) * np.exp(-(t - 20.0 - off_s) / 5.0)
    p = 7.2e5 * np.where(t < 20.0 + off_s, left, filled) - 1e5
    found = watched(t, with_shots(t, p, []), [])
    assert [kind for kind, _ in found] == ["disconnected", "connected"]
    assert [time_s for _, time_s in found] == pytest.approx([20.0, 20.0 + off_s], abs=1.0)


def test_air_drawn_soon_after_a_shot_is_no_regulator() -> None:
    shots = [*WORK, 29.0, 37.4, 40.4]
    t = times(60.0)
    drawn = np.where(t < 37.0, 1.0 - np.exp(-np.maximum(t - 31.0, 0.0) / 0.6), np.exp(-(t - 37.0) / 0.4))
    [(kind, time_s)] = watched(t, with_shots(t, LEVEL_PA - 8e4 * drawn, shots), shots)
    assert kind == "air draw"
    assert time_s == pytest.approx(31.0, abs=0.5)


def test_a_line_that_had_stood_for_long_and_rests_lower_once_it_is_used_is_not_turned() -> None:
    t = times(70.0)
    p = with_shots(t, LEVEL_PA + np.interp(t, [45.1, 45.2], [0.0, -1.4e4]), [*WORK, 45.0])
    assert watched(t, p, [*WORK, 45.0]) == []


def test_how_a_record_begins_is_no_regulator() -> None:
    t = times(60.0)
    assert watched(t, with_shots(t, LEVEL_PA + np.interp(t, [1.2, 6.0], [0.0, 1.6e4]), []), []) == []


def test_a_line_that_was_pulled_off_is_connected_again_however_slowly_it_fills() -> None:
    t = times(140.0)
    left = np.where(t < 45.0, np.exp(-np.maximum(t - 20.0, 0.0) / 14.0), 1.0 - (1.0 - np.exp(-25.0 / 14.0)) * np.exp(-(t - 45.0) / 60.0))
    found = watched(t, with_shots(t, 7.2e5 * left - 1e5, []), [])
    assert [kind for kind, _ in found][:2] == ["disconnected", "connected"]
    assert found[1][1] == pytest.approx(45.0, abs=1.0)


@pytest.mark.parametrize("block", [7, 64, 650])
def test_blocks_do_not_matter(block: int) -> None:
    t = times(65.0)
    p = with_shots(t, LEVEL_PA + np.interp(t, [25.0, 29.0, 45.0, 47.0], [0.0, 4e4, 4e4, -1e4]), [])
    assert watched(t, p, [], block) == watched(t, p, [], 1)
