"""Clocks: wraps, drift, delays and restarts, against simulated truth."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from logger.clock import DeviceClock, HostClock

Floats = NDArray[np.float64]


def _arrivals(clock: DeviceClock, true_s: Floats, stamps: Floats, *, jitter_s: float, seed: int = 1, stalls: float = 0.002) -> Floats:
    """Feed the stamps in blocks as a jittery host would read them."""
    rng = np.random.default_rng(seed)
    times: list[Floats] = []
    i, host_s = 0, float(true_s[0])
    while i < true_s.size:
        host_s += 0.02 + rng.exponential(jitter_s) + (0.3 if rng.random() < stalls else 0.0)
        j = int(np.searchsorted(true_s, host_s - 0.001 - rng.exponential(0.0005)))
        if j > i:
            times.append(clock.feed(stamps[i:j], 1000.0 + host_s))
            i = j
    return np.concatenate(times)[: true_s.size]


@pytest.mark.parametrize(("drift_ppm", "jitter_s"), [(200, 0.002), (-200, 0.01), (0, 0.03), (60, 0.005)])
def test_stamps_are_within_2_ms_of_true_at_a_jittery_host(drift_ppm: float, jitter_s: float) -> None:
    true_s = np.arange(120_000) / 200.0
    stamps = np.floor(np.mod(true_s * (1 + drift_ppm * 1e-6) * 1e6 + 4.2e9, 2**32))  # wraps after a minute and a half
    times = _arrivals(DeviceClock(unit_s=1e-6), true_s, stamps, jitter_s=jitter_s)
    assert np.abs(times - true_s).max() < 2e-3
    assert (np.diff(times) > 0).all()


def test_a_bad_resonator_is_put_right_after_a_while() -> None:
    true_s = np.arange(120_000) / 200.0
    times = _arrivals(DeviceClock(unit_s=1e-6), true_s, np.floor(true_s * 1.005 * 1e6), jitter_s=0.005)
    late = true_s > 300.0
    assert np.abs(times - true_s)[late].max() < 5e-3


@pytest.mark.parametrize("times_as_fast", [1e-3, 0.5, 1.05, 2.0])
def test_a_clock_at_quite_another_pace_is_noticed(times_as_fast: float) -> None:
    true_s = np.arange(6000) / 100.0
    clock = DeviceClock(unit_s=1e-6)
    _arrivals(clock, true_s, np.floor(true_s * times_as_fast * 1e6), jitter_s=0.005)
    assert clock.times_as_fast == pytest.approx(times_as_fast, rel=0.02, abs=0.01)


def test_a_host_that_stands_still_for_a_while_is_not_taken_for_another_pace() -> None:
    true_s = np.arange(60_000) / 500.0
    clock = DeviceClock(unit_s=1e-6)
    for first in range(0, true_s.size, 10):
        read_s = max(float(true_s[first + 9]), 24.0 if 12.0 < true_s[first] < 24.0 else 0.0)  # a backlog of twelve seconds
        clock.feed(true_s[first : first + 10] * (1 + 200e-6) * 1e6, 1000.0 + read_s)
    assert math.isnan(clock.times_as_fast)


def test_a_restart_of_the_board_costs_a_reading_and_leaves_a_gap() -> None:
    before, after = np.arange(1000) / 100.0, 13.0 + np.arange(1000) / 100.0
    clock = DeviceClock(unit_s=1e-6)
    stamps = np.concatenate([5e6 + before * 1e6, 1e5 + np.arange(1000) * 1e4])
    true_s = np.concatenate([before, after])
    times = _arrivals(clock, true_s, stamps, jitter_s=1e-3, stalls=0.0)
    good = np.isfinite(times)
    assert (~good).sum() == 1
    assert (np.diff(times[good]) > 0).all()
    assert np.abs(times - true_s)[good].max() < 0.05
    assert clock.problems["device restarted"] == 1


def test_one_damaged_stamp_moves_nothing() -> None:
    stamps = np.arange(1.0, 401.0) * 1e4
    stamps[200] = 3.9e9
    clock = DeviceClock(unit_s=1e-6)
    times = np.concatenate([clock.feed(stamps[i : i + 20], 50.0 + i / 100.0 + 0.2) for i in range(0, 400, 20)])
    assert np.flatnonzero(np.isnan(times)).tolist() == [200]
    assert times[-1] == pytest.approx(3.99, abs=1e-3)
    assert clock.problems == {"time stamp fits nothing": 1}


def test_a_damaged_stamp_slightly_ahead_moves_nothing_and_lost_lines_stay_lost() -> None:
    stamps = np.delete(np.arange(1.0, 401.0) * 1e4, np.arange(300, 350))  # half a second of lines lost
    stamps[100] += 440_000.0
    clock = DeviceClock(unit_s=1e-6)
    times = np.concatenate([clock.feed(stamps[i : i + 20], 50.0 + stamps[min(i + 19, 349)] * 1e-6) for i in range(0, 350, 20)])
    assert np.flatnonzero(np.isnan(times)).tolist() == [100]
    np.testing.assert_allclose(np.delete(times, 100), (np.delete(stamps, 100) - 1e4) * 1e-6, atol=2e-3)


def test_a_duplicate_is_left_out() -> None:
    clock = DeviceClock(unit_s=1e-3)
    times = clock.feed(np.array([10.0, 20.0, 20.0, 30.0]), 5.0)
    assert np.isnan(times).tolist() == [False, False, True, False]
    assert times[3] == pytest.approx(0.02)


def test_a_device_that_slept_leaves_a_gap_and_a_host_that_slept_does_not() -> None:
    clock = DeviceClock(unit_s=1e-6)

    def second(s: int, host_s: float) -> Floats:
        return clock.feed(np.asarray((100 * s + np.arange(100)) * 1e4, dtype=np.float64), host_s)

    seconds = [second(s, 10.0 + s + 1.0) for s in range(10)]
    assert seconds[-1][-1] == pytest.approx(9.99, abs=0.01)
    # The host pauses for 20 s, then reads the backlog at once: nothing has happened.
    backlog = [second(s, 40.0 + 0.001 * s) for s in range(10, 30)]
    assert backlog[-1][-1] == pytest.approx(29.99, abs=0.02)
    # The device sleeps for 50 s and its clock stands still.
    later = [second(s, 10.0 + s + 51.0) for s in range(30, 40)]
    assert later[-1][-1] == pytest.approx(89.99, abs=1.5)
    assert clock.problems["device's clock stood still"] == 1


@given(cuts=st.lists(st.integers(1, 399), max_size=8), start=st.integers(0, 2**32 - 1))
def test_a_played_recording_keeps_its_time_exactly(cuts: list[int], start: int) -> None:
    stamps = np.mod(start + np.arange(400) * 2500.0, 2.0**32)
    clock = DeviceClock(unit_s=1e-6, speed=60.0)
    places = sorted({0, *cuts, 400})
    times = np.concatenate([clock.feed(stamps[a:b], 5.0 + b * 2500e-6 / 60) for a, b in itertools.pairwise(places)])
    np.testing.assert_allclose(times, np.arange(400) * 2500e-6, atol=1e-9)


@given(counts=st.lists(st.integers(0, 30), min_size=1, max_size=50), rate=st.sampled_from([None, 50.0, 1000.0]))
def test_without_a_device_clock_times_rise(counts: list[int], rate: float | None) -> None:
    clock = HostClock(rate_hz=rate)
    times = np.concatenate([clock.feed(n, 100.0 + 0.02 * i) for i, n in enumerate(counts)])
    assert (np.diff(times) > 0).all()
    assert not times.size or times[0] == 0.0


def test_without_a_device_clock_a_pause_stays_a_pause() -> None:
    clock = HostClock(rate_hz=100.0)
    before = [clock.feed(10, 7.0 + 0.1 * i) for i in range(20)]
    after = clock.feed(10, 7.0 + 1.9 + 30.0)
    assert before[-1][-1] == pytest.approx(1.99, abs=0.02)
    assert after[0] - before[-1][-1] == pytest.approx(29.91, abs=0.02)
    assert math.isclose(after[1] - after[0], 0.01, rel_tol=1e-6)


def _paced(stamps: Floats, true_us: Floats, *, disturbed: bool) -> tuple[DeviceClock, Floats]:
    """Feed stamps in small blocks, as readings of these true times arrive."""
    clock = DeviceClock(unit_s=1e-6)
    blocks = [slice(i, i + 5) for i in range(0, stamps.size, 5)]
    times = [clock.feed(stamps[b], 5.01 + float(true_us[b][-1]) * 1e-6, disturbed=disturbed) for b in blocks]
    return clock, np.concatenate(times)


@pytest.mark.parametrize(
    ("at", "off_us"),
    [(302, 330.0), (301, 8000.0), (303, 40_000.0), (300, -1000.0)],  # off the pace; or on it, but not where the next one says
)
def test_on_a_disturbed_line_a_stamp_must_keep_the_pace(at: int, off_us: float) -> None:
    true_us = np.arange(0.0, 2.4e6, 4000.0)
    stamps = true_us.copy()
    stamps[at] += off_us
    _, times = _paced(stamps, true_us, disturbed=True)
    assert np.flatnonzero(np.isnan(times)).tolist() == [at]
    np.testing.assert_allclose(np.delete(times, at), np.delete(np.arange(600) * 0.004, at), atol=1e-3)


def test_on_a_clean_line_every_stamp_that_goes_on_is_taken() -> None:
    stamps = np.arange(0.0, 2.4e6, 4000.0)
    stamps[300] += 900.0
    assert np.isfinite(_paced(stamps, stamps, disturbed=False)[1]).all()


def test_lost_lines_on_a_disturbed_line_cost_nothing_more() -> None:
    kept = np.delete(np.arange(0.0, 2.4e6, 4000.0), [150, 222, 223, 224, 400, 402])
    _, times = _paced(kept, kept, disturbed=True)
    assert np.isfinite(times).all()


def test_a_device_that_changes_its_pace_on_a_disturbed_line_loses_a_few_readings_at_most() -> None:
    stamps = np.concatenate([np.arange(0.0, 1.2e6, 4000.0), 1_201_500.0 + np.arange(0.0, 300 * 5300.0, 5300.0)])
    clock = DeviceClock(unit_s=1e-6)
    times = [clock.feed(stamps[i : i + 3], 9.0 + stamps[i + 2] * 1e-6, disturbed=True) for i in range(0, 600, 3)]
    assert np.isnan(np.concatenate(times)).sum() <= 4


def test_a_device_that_is_uneven_is_never_held_to_a_pace() -> None:
    rng = np.random.default_rng(2)
    stamps: Floats = np.cumsum(rng.uniform(2000.0, 6000.0, 600)).round()
    clock = DeviceClock(unit_s=1e-6)
    times = [clock.feed(stamps[i : i + 5], 9.0 + stamps[i + 4] * 1e-6, disturbed=True) for i in range(0, 600, 5)]
    assert np.isfinite(np.concatenate(times)).all()


def test_a_gap_in_the_device_s_own_time_is_counted() -> None:
    kept = np.delete(np.arange(0.0, 4e6, 4000.0), [*range(300, 325), 500, *range(700, 800)])
    clock, _ = _paced(kept, kept, disturbed=False)
    assert clock.gaps == 2
    assert clock.longest_gap_s == pytest.approx(0.404)
