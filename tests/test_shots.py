"""Shots: found where they are, nowhere else, and measured right, whatever the blocks they come in."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from analysis.line_file import parse_line
from analysis.measures import measure, on_slope
from analysis.model import Nozzle, simulate
from analysis.recovered import HELD_S, recovery
from analysis.shots import ShotDetector, ShotRecord, air_per_shot, find_shots, summarise
from analysis.swings import slides
from tests.shot_scores import (
    PLACES,
    PUMP,
    SCENES,
    Scene,
    Scored,
    clumped,
    dip_shape,
    drawn,
    matched_sigma,
    matches,
    record,
    refilled,
    score,
)

SMALL = Scene(name="small", single=3, bursts=1, per_burst=4)
CAREFUL = settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.too_slow])


def scene(name: str) -> Scene:
    return next(s for s in SCENES if s.name == name)


@pytest.mark.parametrize(
    ("name", "least"),
    [
        ("clean at the tool", 0.995),
        ("no shot at all", 1.0),
        ("pump and ripple", 1.0),
        ("a pump from the start", 1.0),
        ("pump, 8 bit", 1.0),
        ("noisy, 10 bit", 0.995),
        ("fast logger", 0.995),
        ("slow logger", 0.95),
        ("dips of 20 ms at 50 Hz", 0.8),
        ("dips of 20 ms at 80 Hz", 0.8),
        ("ringing hose", 0.995),
        ("spikes and gaps", 0.97),
        ("clumps of a USB port", 0.995),
        ("large clumps, fast", 0.995),
        ("on a receiver", 0.95),
        ("receiver with pump", 0.95),
        ("near one step", 0.9),
        ("a day's troubles", 0.99),
        ("troubles, no shots", 1.0),
        ("a dryer, no shots", 1.0),
        ("troubles, noisy", 0.99),
        ("troubles, slow logger", 0.99),
    ],
)
def test_shots_are_found_where_they_are(name: str, least: float) -> None:
    made = record(scene(name), 7)
    found = score(find_shots(made.t_s, made.p_pa), made)
    assert found.f1 >= least


@pytest.mark.parametrize("seed", [1, 3, 5])
@pytest.mark.parametrize("name", [s.name for s in SCENES if len(set(s.happenings)) > 1 or s.dryer_s])
def test_other_events_are_found_and_called_what_they_are(name: str, seed: int) -> None:
    made = record(scene(name), seed)
    assert score(find_shots(made.t_s, made.p_pa), made).events >= 0.9


def test_a_pump_is_seen_to_start_and_stop_through_the_shots() -> None:
    """All places together: in one of them a single scene whose coarse steps hide the shots would decide."""
    slow = ["receiver, 5 gal", "receiver, 11 gal", "compressor end"]
    made = [record(scenes, seed) for seed in range(3) for scenes in (scene("on a receiver"), scene("receiver with pump"))]
    made += [record(drawn(place, seed), seed) for seed in range(3) for place in slow]
    hits, told, there = np.sum([matches(find_shots(m.t_s, m.p_pa), m, PUMP) for m in made], axis=0)
    assert 2.0 * hits / (told + there) >= 0.95


@pytest.mark.parametrize("in_s", [1.0, 3.0, 6.0])
@pytest.mark.parametrize("place", ["receiver, 5 gal", "compressor end"])
def test_a_receiver_that_a_regulator_refills_is_no_pump_however_long_it_takes(place: str, in_s: float) -> None:
    for seed in (0, 1, 5):
        still = replace(drawn(place, seed), pump_pa_per_s=0.0, ripple_pa=0.0)
        made = refilled(record(still, seed), still.kept * still.dip_pa, in_s)
        assert matches(find_shots(made.t_s, made.p_pa), made, PUMP) == (0, 0, 0)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_nothing_that_happens_to_an_idle_line_is_a_shot(seed: int) -> None:
    made = record(scene("troubles, no shots"), seed)
    assert find_shots(made.t_s, made.p_pa).shots == ()


@pytest.mark.parametrize("place", sorted(PLACES))
def test_shots_of_a_line_and_a_logger_drawn_by_chance(place: str) -> None:
    made = record(drawn(place, 1), 21)
    assert score(find_shots(made.t_s, made.p_pa), made).f1 >= (0.95 if place.startswith(("receiver", "compressor")) else 0.99)


@pytest.mark.parametrize(("place", "seed"), [("receiver, 5 gal", 7), ("receiver, 11 gal", 2), ("compressor end", 1)])
def test_a_pump_that_shakes_an_idle_line_fires_no_shots(place: str, seed: int) -> None:
    working = drawn(place, seed)
    idle = replace(working, single=0, bursts=0, pump_pa_per_s=4e3, ripple_pa=0.1 * working.dip_pa)
    made = record(idle, seed)
    assert find_shots(made.t_s, made.p_pa).shots == ()


@pytest.mark.parametrize("hz", [6.5, 11.0, 19.0, 28.0])
@pytest.mark.parametrize("rate_hz", [100.0, 200.0, 1000.0])
def test_a_pump_that_runs_from_the_first_reading_on_fires_no_shots(hz: float, rate_hz: float) -> None:
    shaken = replace(scene("a pump from the start"), ripple_hz=hz, rate_hz=rate_hz)
    made = record(shaken, 4)
    assert find_shots(made.t_s, made.p_pa).shots == ()


@pytest.mark.parametrize("disturbed_pa", [lambda t: 2_400.0 * np.sin(4.6 * np.pi * t), lambda t: -3_200.0 * (t % 0.1024 < 0.012)])
def test_a_regulator_that_hunts_and_a_radio_that_pulls_the_supply_down_fire_no_shots(
    disturbed_pa: Callable[[NDArray[np.float64]], NDArray[np.float64]],
) -> None:
    t = np.arange(60_000) / 1000.0
    p = 620e3 + disturbed_pa(t) + np.random.default_rng(1).normal(0.0, 800.0, t.size)
    assert len(find_shots(t, np.round(p / 300.0) * 300.0).shots) < 5


@pytest.mark.parametrize("both_ways", [True, False])
def test_lone_readings_off_an_idle_line_are_no_shots(both_ways: bool) -> None:
    rng = np.random.default_rng(5)
    t = np.arange(0.0, 1200.0, 0.02)
    p = 6e5 + rng.normal(0.0, 800.0, t.size)
    # Down only, but as rarely as a pump's start pulls down the supply of the sensor.
    at = np.arange(500, t.size - 10, 150 if both_ways else 3500)
    p[at] += rng.uniform(3e4, 1.2e5, at.size) * (rng.choice([-1.0, 1.0], at.size) if both_ways else -1.0)
    assert find_shots(t, p).shots == ()


def test_noise_that_stretches_deep_dips_hides_few_of_them() -> None:
    ragged = Scene(
        name="ragged", rate_hz=50.0, noise_pa=6500.0, dip_pa=58e3, fall_s=0.03, bottom_s=0.1, recovery_s=0.1, single=25, bursts=0
    )
    scores = [score(find_shots(made.t_s, made.p_pa), made) for made in (record(ragged, seed) for seed in range(1, 5))]
    assert sum(s.missed for s in scores) <= 10  # of 100


@pytest.mark.parametrize(("place", "seed"), [("receiver, 5 gal", s) for s in (9, 10, 109, 114)] + [("receiver, 11 gal", 109)])
def test_shots_on_a_receiver_are_found_in_a_pumps_ripple(place: str, seed: int) -> None:
    made = record(drawn(place, seed), seed)
    assert score(find_shots(made.t_s, made.p_pa), made).f1 >= 0.95


@pytest.mark.parametrize(("place", "seed"), [("receiver, 5 gal", 1406), ("compressor end", 1400), ("compressor end", 1404)])
def test_a_pumps_ripple_does_not_put_off_a_recovery(place: str, seed: int) -> None:
    made = record(drawn(place, seed), seed)
    assert score(find_shots(made.t_s, made.p_pa), made).recovery <= 0.03


def test_two_spikes_up_side_by_side_in_noise_are_no_shot() -> None:
    made = record(drawn("tool, 3/8 in", 1703), 1703)  # at 43.2 s
    assert score(find_shots(made.t_s, made.p_pa), made).false == 0


@pytest.mark.parametrize(("place", "seed"), [("receiver, 5 gal", 50), ("receiver, 11 gal", 54), ("compressor end", 54)])
def test_a_draw_beside_a_receiver_is_neither_a_shot_nor_a_regulator_where_a_pump_runs(place: str, seed: int) -> None:
    draws = replace(drawn(place, seed), single=6, bursts=3, gaps=0, happenings=("air draw",) * 3)  # of 2 to 30 dips
    made = record(draws, seed)
    found = find_shots(made.t_s, made.p_pa)
    assert matches(found, made, ("air draw", "regulator change"))[:2] == (3, 3)
    assert score(found, made).f1 == 1.0


@pytest.mark.parametrize("seed", range(4))
def test_dips_of_about_a_step_are_found_where_a_matched_filter_would_see_them(seed: int) -> None:
    near = Scene(
        name="near", dip_pa=2200.0, noise_pa=700.0, step_pa=1350.0, fall_s=0.07, bottom_s=0.2, recovery_s=0.2, overshoot=0.0, kept=0.6,
        every_s=0.7,
    )  # fmt: skip
    made = record(near, seed)
    assert score(find_shots(made.t_s, made.p_pa), made).f1 >= 0.92


def test_a_matched_filter_is_as_sure_as_its_depths_are_spread() -> None:
    faint = Scene(name="faint", noise_pa=600.0, step_pa=0.0, dip_pa=2000.0, fall_s=0.07, bottom_s=0.2, overshoot=0.0, kept=0.5, bursts=0)
    made = record(faint, 1)
    when, noise = float(made.times_s[3]), np.random.default_rng(2)
    x = made.t_s[(made.t_s > when - 0.5) & (made.t_s < when + 0.8)] - when
    columns = np.stack([dip_shape(x, faint), np.ones(x.size), x], axis=1)
    depths = [np.linalg.lstsq(columns, noise.normal(0.0, 600.0, x.size), rcond=None)[0][0] for _ in range(2000)]
    assert matched_sigma(faint, made)[3] == pytest.approx(2000.0 / np.std(depths), rel=0.1)


def test_short_dips_of_a_burst_along_the_line_are_not_fitted_as_wide_falls() -> None:
    made = record(drawn("along the line", 303), 303)
    assert score(find_shots(made.t_s, made.p_pa), made).f1 >= 0.98


@pytest.mark.parametrize("every_s", [0.16, 0.2])
def test_a_hose_that_swings_back_before_the_next_shot_of_a_burst_hides_none(every_s: float) -> None:
    scene = Scene(name="", rate_hz=500.0, fall_s=0.006, bottom_s=0.015, recovery_s=0.03, overshoot=0.4, every_s=every_s, per_burst=6)
    true = record(scene, 1)
    assert score(find_shots(true.t_s, true.p_pa), true).f1 == 1.0


def test_a_gap_hides_no_later_shot_of_a_burst() -> None:
    made = record(drawn("receiver, 11 gal", 4), 4)  # a burst begins 0.7 s after a gap
    assert score(find_shots(made.t_s, made.p_pa), made).missed == 0


def test_noise_that_crosses_the_middle_of_a_faint_fall_again_does_not_hide_it() -> None:
    scores = [score(find_shots(made.t_s, made.p_pa), made) for made in (record(scene("near one step"), seed) for seed in (4, 5, 6))]
    assert sum(s.missed for s in scores) <= 10  # of 108


@pytest.mark.parametrize("name", ["clean at the tool", "fast logger", "ringing hose", "clumps of a USB port", "large clumps, fast"])
def test_onset_and_dip_are_measured_without_bias(name: str) -> None:
    made = record(scene(name), 11)
    found = score(find_shots(made.t_s, made.p_pa), made)
    assert abs(found.onset_s) <= 0.004
    assert found.dip <= 0.03
    assert found.recovery <= 0.05
    assert found.ends >= 0.97


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_sharp_bottom_is_no_spike(seed: int) -> None:
    """The wave of the valve that shuts goes below the level that the dip has settled at, and back within two readings."""
    rng = np.random.default_rng(seed)
    t = np.arange(0.0, 60.0, 0.005) + rng.uniform(-1e-3, 1e-3, 12000)
    p = np.full(t.size, 6.6e5)
    for when in 2.0 + 1.5 * np.arange(36) + rng.uniform(0.0, 0.3, 36):
        x = np.maximum(t - when, 0.0)
        late = np.maximum(x - 0.04, 0.0)
        low = 0.84 * (1.0 - np.exp(-x / 0.008)) + 0.16 * np.clip((x - 0.036) / 0.004, 0.0, 1.0)
        p -= 9e4 * low * np.exp(-late / 0.04)
    shots = find_shots(t, p + rng.normal(0.0, 600.0, t.size)).shots
    dips = np.array([s.dip_pa for s in shots]) / 9e4
    assert len(shots) == 36
    assert dips.min() > 0.89  # the lowest reading may lie 2.5 ms beside the bottom; cut off as a spike it leaves 0.84
    assert np.median(dips) > 0.95


@pytest.mark.parametrize(("rate_hz", "noise_pa"), [(500.0, 1000.0), (1000.0, 300.0), (1000.0, 1000.0)])
@pytest.mark.parametrize("back_s", [0.025, 0.05])
def test_a_dip_that_comes_back_at_once_keeps_its_bottom(rate_hz: float, noise_pa: float, back_s: float) -> None:
    """What lies below the level that the pressure regains within 16 ms is no spike either."""
    rng = np.random.default_rng(4)
    t = np.arange(0.0, 60.0, 1.0 / rate_hz)
    x = np.arange(0.0, 1.0, 1e-4)
    depth = (1.0 - np.exp(-x / 0.004)) * np.exp(-x / back_s)
    p = np.full(t.size, 6.2e5)
    for when in 2.0 + 1.5 * np.arange(36) + rng.uniform(0.0, 0.3, 36):
        p -= 7e4 / depth.max() * np.interp(t - when, x, depth, left=0.0, right=0.0)
    dips = np.array([s.dip_pa for s in find_shots(t, p + rng.normal(0.0, noise_pa, t.size)).shots]) / 7e4
    assert dips.size == 36
    assert dips.min() > 0.95  # where the bottom is cut off, 0.7
    assert np.median(dips) == pytest.approx(1.0, abs=0.02)


@pytest.mark.parametrize(
    ("rate_hz", "fall_s", "back_s"), [(200.0, 0.001, 0.05), (200.0, 0.004, 0.05), (500.0, 0.001, 0.025), (500.0, 0.001, 0.1)]
)
def test_noise_does_not_fill_a_sharp_bottom(rate_hz: float, fall_s: float, back_s: float) -> None:
    t = np.arange(0.0, 90.0, 1.0 / rate_hz)
    x = np.arange(0.0, 1.0, 1e-4)
    depth = (1.0 - np.exp(-x / fall_s)) * np.exp(-x / back_s)
    medians = []
    for seed in (8, 9):
        rng = np.random.default_rng(seed)
        p = np.full(t.size, 6.2e5)
        for when in 2.0 + 2.0 * np.arange(42) + rng.uniform(0.0, 0.3, 42):
            p -= 7e4 / depth.max() * np.interp(t - when, x, depth, left=0.0, right=0.0)
        found = find_shots(t, p + rng.normal(0.0, 3000.0, t.size))
        medians.append(np.median([s.dip_pa / 7e4 for s in found.shots]))
    assert np.mean(medians) == pytest.approx(1.0, abs=3000.0 / 7e4)  # averaged over as long as noise asks, 0.85 to 0.95


def test_recovery_is_measured_at_ninety_percent_of_the_dip() -> None:
    made = record(Scene(name="one", single=12, bursts=0, overshoot=0.0, noise_pa=300.0, step_pa=0.0), 3)
    found = find_shots(made.t_s, made.p_pa)
    # Without overshoot the shape is 1 - exp(-((t - bottom)/recovery)^1.5): 90 % regained at bottom + recovery ln(10)^(2/3).
    true = 0.05 + 0.09 * math.log(10.0) ** (1.0 / 1.5)
    times = [s.recovery_s for s in found.shots]
    assert all(s.outcome == "recovered" for s in found.shots)
    assert np.median(times) == pytest.approx(true, rel=0.03)


@pytest.mark.parametrize("rise_pa_per_s", [2_500.0, 5_000.0])
def test_a_dip_of_few_steps_is_measured_on_the_slope_of_a_line_that_a_pump_fills(rise_pa_per_s: float) -> None:
    rng = np.random.default_rng(4)
    onset_s, before_pa = [], []
    for _ in range(60):
        t = np.arange(0.0, 2.5, 0.008)
        at_s = 1.5 + rng.uniform(0.0, 0.008)
        x = np.maximum(t - at_s, 0.0)
        level = 600_000.0 + rng.uniform(0.0, 2_000.0)
        dip = 5_000.0 * (1.0 - np.exp(-((x / 0.08) ** 1.4))) * np.exp(-np.maximum(x - 0.2, 0.0) / 0.4)
        p = level + rise_pa_per_s * (t - at_s) - dip + rng.normal(0.0, 250.0, t.size)
        p = np.round(p / 2_000.0) * 2_000.0
        fall = measure(t, p, at_s + 0.12, 0.12, 900.0, 4_500.0, 0.008, 0.0, at_s + 0.8)
        assert fall is not None
        fall = on_slope(t, p, fall) if fall.sure > 0.0 else fall
        onset_s.append(fall.time_s - at_s)
        before_pa.append(fall.before_pa - level)
    assert np.mean(onset_s) == pytest.approx(0.0, abs=0.005)
    assert np.mean(before_pa) == pytest.approx(0.0, abs=250.0)


@pytest.mark.parametrize("phase", [0.0, 0.3, 0.6, 0.9])
def test_a_recovery_must_hold_until_the_next_shot_and_not_until_a_reading_before_it(phase: float) -> None:
    t = np.arange(phase / 50.0, 0.4, 0.02)
    p = np.minimum(800_000.0 * t, 80_000.0)
    back_s = 0.09  # when 90 % of 80 kPa are regained
    for until_s in (back_s + HELD_S + 0.002, back_s + HELD_S - 0.002):
        seen = t < until_s
        at = recovery(t[seen], p[seen], 72_000.0, 10.0, 80_000.0, 0.02, until_s=until_s)
        assert np.isfinite(at) == (until_s > back_s + HELD_S)


@pytest.mark.parametrize(("rate_hz", "noise_pa"), [(80.0, 2_500.0), (200.0, 4_000.0), (1000.0, 1_000.0)])
def test_noise_makes_a_recovery_neither_early_nor_late(rate_hz: float, noise_pa: float) -> None:
    rng = np.random.default_rng(3)
    back_s = 0.06 * math.log(10.0)  # when an exponential of 60 ms has regained 90 %
    found, held = [], []
    for _ in range(300):
        t = np.arange(rng.uniform(0.0, 1.0 / rate_hz), back_s + 0.4, 1.0 / rate_hz)
        p = 80_000.0 * (1.0 - np.exp(-t / 0.06)) + rng.normal(0.0, noise_pa, t.size)
        found.append(recovery(t, p, 72_000.0, noise_pa, 80_000.0, 1.0 / rate_hz, until_s=back_s + 0.4))
        border_s = back_s + HELD_S  # half of the shots seem cut off where the next comes in the very moment
        seen = t < border_s
        held.append(np.isfinite(recovery(t[seen], p[seen], 72_000.0, noise_pa, 80_000.0, 1.0 / rate_hz, until_s=border_s)))
    assert np.median(found) == pytest.approx(back_s, abs=0.003)
    assert 0.35 < np.mean(held) < 0.65


def test_a_shot_cut_off_by_the_next_is_censored_not_dropped() -> None:
    made = record(Scene(name="burst", single=1, bursts=1, per_burst=3, every_s=0.22, recovery_s=0.2, overshoot=0.0), 5)
    shots = find_shots(made.t_s, made.p_pa).shots
    assert [s.outcome for s in shots] == ["recovered", "cut off", "cut off", "recovered"]
    assert math.isnan(shots[1].recovery_s)
    assert shots[1].censored_s == pytest.approx(shots[2].time_s - shots[1].time_s, abs=0.01)


def test_the_end_of_the_record_leaves_a_shot_not_recovered() -> None:
    made = record(SMALL, 5)
    keep = made.t_s < made.times_s[-1] + 0.1
    shots = find_shots(made.t_s[keep], made.p_pa[keep]).shots
    assert shots[-1].outcome == "not recovered"
    assert shots[-1].censored_s == pytest.approx(0.1, abs=0.02)


def in_blocks(made: Scored, sizes: list[int]) -> ShotRecord:
    detector = ShotDetector()
    a = 0
    while a < made.t_s.size:
        size = sizes[a % len(sizes)]
        detector.feed(made.t_s[a : a + size], made.p_pa[a : a + size])
        a += size
    return detector.finish()


@CAREFUL
@given(sizes=st.lists(st.integers(1, 900), min_size=1, max_size=5), seed=st.integers(0, 50))
def test_block_sizes_do_not_matter(sizes: list[int], seed: int) -> None:
    made = record(Scene(name="all", single=3, bursts=1, spikes_per_min=6.0, gaps=1), seed)
    assert repr(in_blocks(made, sizes)) == repr(find_shots(made.t_s, made.p_pa))


@pytest.mark.parametrize(
    "name",
    [
        "near one step",
        "on a receiver",
        "receiver with pump",
        "pump and ripple",
        "pump, 8 bit",
        "clumps of a USB port",
        "dips of 20 ms at 50 Hz",
    ],
)
@pytest.mark.parametrize("size", [61, 4999])
def test_block_sizes_do_not_matter_in_noise_and_ripple(name: str, size: int) -> None:
    made = record(scene(name), 3)
    assert repr(in_blocks(made, [size])) == repr(find_shots(made.t_s, made.p_pa))


@CAREFUL
@given(shift_s=st.floats(-1e5, 1e5), seed=st.integers(0, 20))
def test_shifting_the_clock_shifts_the_shots_and_nothing_else(shift_s: float, seed: int) -> None:
    made = record(SMALL, seed)
    one, other = find_shots(made.t_s, made.p_pa), find_shots(made.t_s + shift_s, made.p_pa)
    assert [s.time_s + shift_s for s in one.shots] == pytest.approx([s.time_s for s in other.shots], abs=1e-3)
    assert [s.outcome for s in one.shots] == [s.outcome for s in other.shots]
    assert [s.dip_pa for s in one.shots] == pytest.approx([s.dip_pa for s in other.shots], rel=1e-3)


@CAREFUL
@given(gain=st.floats(0.7, 1.4), seed=st.integers(0, 20))
def test_a_gain_scales_the_pressures_and_moves_no_time(gain: float, seed: int) -> None:
    made = record(SMALL, seed)
    one, other = find_shots(made.t_s, made.p_pa), find_shots(made.t_s, made.p_pa * gain)
    assert [s.time_s for s in one.shots] == pytest.approx([s.time_s for s in other.shots], abs=2e-3)
    assert [s.dip_pa * gain for s in one.shots] == pytest.approx([s.dip_pa for s in other.shots], rel=5e-3)


@CAREFUL
@given(offset_pa=st.floats(-20e3, 20e3), seed=st.integers(0, 20))
def test_an_offset_of_the_zero_moves_the_level_and_nothing_else(offset_pa: float, seed: int) -> None:
    made = record(SMALL, seed)
    one, other = find_shots(made.t_s, made.p_pa), find_shots(made.t_s, made.p_pa + offset_pa)
    assert [s.time_s for s in one.shots] == pytest.approx([s.time_s for s in other.shots], abs=1e-6)
    assert [s.dip_pa for s in one.shots] == pytest.approx([s.dip_pa for s in other.shots], rel=1e-6)
    assert [s.before_pa + offset_pa for s in one.shots] == pytest.approx([s.before_pa for s in other.shots], abs=0.1)


@CAREFUL
@given(at=st.floats(0.05, 0.95), length_s=st.floats(0.3, 3.0), seed=st.integers(0, 20))
def test_a_gap_adds_no_shot(at: float, length_s: float, seed: int) -> None:
    made = record(SMALL, seed)
    start = at * made.t_s[-1]
    keep = (made.t_s < start) | (made.t_s > start + length_s)
    whole, cut = find_shots(made.t_s, made.p_pa), find_shots(made.t_s[keep], made.p_pa[keep])
    assert len(cut.shots) <= len(whole.shots)
    for shot in cut.shots:
        assert min(abs(shot.time_s - other.time_s) for other in whole.shots) < 0.05
    if keep[0] and keep[-1]:
        assert any(e.kind == "gap" and abs(e.time_s - start) < 0.05 for e in cut.events)


def test_missing_readings_are_left_out_and_repeated_times_are_reported() -> None:
    made = record(SMALL, 2)
    p = made.p_pa.copy()
    p[100:103] = np.nan
    t = made.t_s.copy()
    t[500] = t[499]
    found = find_shots(t, p)
    assert found.readings == t.size - 4
    assert any("1 readings repeat a time" in w for w in found.warnings)
    assert len(found.shots) == made.times_s.size


def test_mains_hum_in_a_quiet_fast_record_is_no_interference() -> None:
    made = record(Scene(name="", rate_hz=2000.0, noise_pa=100.0, step_pa=20.0, bursts=0), 1)
    assert score(find_shots(made.t_s, made.p_pa + 5e3 * np.sin(2.0 * np.pi * 50.0 * made.t_s)), made).f1 == 1.0


@pytest.mark.parametrize("every_s", [0.25, 0.55])
def test_clumps_that_come_a_quarter_second_or_more_apart_are_no_gaps(every_s: float) -> None:
    made = record(scene("clean at the tool"), 3)
    whole = made.t_s < every_s * np.floor(made.t_s[-1] / every_s)
    found = find_shots(clumped(made.t_s[whole], every_s), made.p_pa[whole])
    assert found.rate_hz == pytest.approx(200.0, rel=0.03)
    assert [e for e in found.events if e.kind == "gap"] == []
    assert score(found, made).f1 == 1.0


def test_a_regulator_that_hunts_before_the_first_shots_fires_none() -> None:
    made = record(Scene(name="", noise_pa=300.0, bursts=0), 1)
    hunts = 1500.0 * np.exp(-np.mod(made.t_s, 1.3) / 0.3) * (made.t_s < made.times_s[0] - 0.5)
    assert score(find_shots(made.t_s, made.p_pa - hunts), made).f1 == 1.0


def test_evenly_spread_clumps_are_as_good_as_even_times() -> None:
    made = record(Scene(name="even", jitter=0.0), 4)
    stamped = find_shots(clumped(made.t_s, 0.016), made.p_pa)
    even = find_shots(made.t_s, made.p_pa)
    assert len(stamped.shots) == len(even.shots)
    assert [s.time_s for s in stamped.shots] == pytest.approx([s.time_s for s in even.shots], abs=0.005)
    assert [s.dip_pa for s in stamped.shots] == pytest.approx([s.dip_pa for s in even.shots], rel=1e-2)


def test_too_few_readings_are_refused() -> None:
    with pytest.raises(ValueError, match=r"Only 5 readings.*at least 20"):
        find_shots(np.arange(5.0), np.full(5, 6e5))
    with pytest.raises(ValueError, match="3 times but 2 pressures"):
        find_shots(np.arange(3.0), np.arange(2.0))


def test_a_slow_logger_is_told_that_it_cannot_see_shots() -> None:
    t = np.arange(0.0, 600.0, 1.0)
    found = find_shots(t, 6e5 - 10.0 * t)
    assert found.shots == ()
    assert not found.countable
    assert any("too few to see shots" in w for w in found.warnings)


def test_a_constant_reading_has_no_shots_and_no_events() -> None:
    found = find_shots(np.arange(0.0, 20.0, 0.005), np.full(4000, 6e5))
    assert (found.shots, found.events) == ((), ())


def line(seconds: float, rate_hz: float = 200.0, seed: int = 1) -> tuple[np.ndarray, np.ndarray]:
    t = np.arange(0.0, seconds, 1.0 / rate_hz)
    return t, 6.2e5 + np.random.default_rng(seed).normal(0.0, 800.0, t.size)


def kinds(found: ShotRecord) -> list[str]:
    return [e.kind for e in found.events]


def test_a_blow_gun_is_an_air_draw() -> None:
    t, p = line(30.0)
    p -= 60e3 * ((1.0 - np.exp(-np.maximum(t - 10.0, 0.0) / 0.1)) - (1.0 - np.exp(-np.maximum(t - 12.0, 0.0) / 0.1)))
    found = find_shots(t, p)
    assert found.shots == ()
    assert kinds(found) == ["air draw"]
    assert found.events[0].time_s == pytest.approx(10.0, abs=0.1)
    assert found.events[0].until_s == pytest.approx(12.1, abs=0.3)


@pytest.mark.parametrize("fades_s", [0.02, 0.05])
def test_a_draw_that_is_deepest_for_an_instant_is_one(fades_s: float) -> None:
    """The means by which slow events go never come as low as the first dip, which says nothing of when the draw ends."""
    t, p = line(14.0, 500.0)
    p -= np.where((t > 5.0) & (t < 9.0), 45e3 + 15e3 * np.exp(-np.maximum(t - 5.0, 0.0) / fades_s), 0.0)
    found = find_shots(t, p)
    assert found.shots == ()
    assert kinds(found) == ["air draw"]
    assert found.events[0].time_s == pytest.approx(5.0, abs=0.1)
    assert found.events[0].until_s == pytest.approx(9.0, abs=0.2)


@pytest.mark.parametrize(("rate_hz", "stroke_hz"), [(200.0, 14.0), (500.0, 25.0), (1000.0, 33.0)])
def test_a_tool_that_hammers_draws_air_and_fires_no_shots(rate_hz: float, stroke_hz: float) -> None:
    t, p = line(20.0, rate_hz)
    pressed = (t > 8.0) & (t < 11.0)
    sags = 50e3 * (np.exp(-np.maximum(t - 11.0, 0.0) / 0.2) - np.exp(-np.maximum(t - 8.0, 0.0) / 0.3))
    p -= sags + np.where(pressed, 12e3 * (1.0 - np.cos(2.0 * np.pi * stroke_hz * (t - 8.0))), 0.0)
    found = find_shots(t, p)
    assert found.shots == ()
    assert kinds(found) == ["air draw"]
    assert found.events[0].time_s == pytest.approx(8.0, abs=0.1)


def test_a_draw_that_goes_on_sinking_and_is_let_go_is_no_regulator() -> None:
    t, p = line(25.0)
    open_, let_go = np.maximum(t - 5.0, 0.0), np.maximum(t - 13.0, 0.0)
    p -= 20e3 * (1.0 - np.exp(-open_ / 0.05)) + 20e3 * (1.0 - np.exp(-open_ / 0.8)) - 40e3 * (1.0 - np.exp(-let_go / 0.15))
    found = find_shots(t, p)
    assert found.shots == ()
    assert kinds(found) == ["air draw"]
    assert (found.events[0].time_s, found.events[0].until_s) == pytest.approx((5.0, 13.0), abs=0.2)


def test_a_deep_dip_that_a_long_hose_rounds_is_a_shot() -> None:
    halfway = Scene(name="", noise_pa=300.0, dip_pa=45e3, fall_s=0.06, bottom_s=0.13, recovery_s=0.3, overshoot=0.0, bursts=0)
    made = record(halfway, 1)
    assert score(find_shots(made.t_s, made.p_pa), made).f1 == 1.0


@pytest.mark.parametrize("seed", range(3))
def test_a_draw_on_a_receiver_is_no_burst_of_shots(seed: int) -> None:
    """Falls that overlap can imitate any slope; but the first of a burst falls from a line at rest, as a shot by itself does."""
    made = record(scene("on a receiver"), seed)
    end_s = float(made.t_s[-1])
    t = np.arange(end_s + 0.005, end_s + 20.0, 0.005)
    p = np.random.default_rng(seed).normal(np.median(made.p_pa[-200:]), 250.0, t.size)
    for at in (5.0, 11.0):
        p -= np.interp(t - end_s - at, [0.0, 0.4, 0.8, 1.3, 2.3], [0.0, 18e3, 8e3, 3e3, 0.0])
    found = find_shots(np.concatenate([made.t_s, t]), np.concatenate([made.p_pa, np.round(p / 100.0) * 100.0]))
    assert not [s for s in found.shots if s.time_s > end_s]
    assert [e.time_s - end_s for e in found.events if e.kind == "air draw"] == pytest.approx([5.0, 11.0], abs=0.1)


THIN = """
[compressor]
tank = "100 L"
cut_in = "7 bar"
cut_out = "9 bar"
delivery = "200 L/min"
[[part]]
kind = "hose"
length = "{length} m"
bore = "{bore} mm"
[[part]]
kind = "coupler"
[[part]]
kind = "tool"
air_per_shot = "1.8 L"
"""


@pytest.mark.parametrize(("length", "bore"), [(30, 5.0), (30, 4.5), (60, 4.5)])
def test_a_shot_at_the_end_of_a_thin_hose_is_one_however_slowly_it_recovers(length: int, bore: float) -> None:
    """Such a line takes one to two seconds, and half of a deep dip's readings lie low; a blow gun there keeps the pressure down."""
    thin = parse_line(THIN.format(length=length, bore=bore))
    noise = np.random.default_rng(5)
    run = simulate(thin, [2.0, 11.0, 20.0, 29.0], duration_s=38.0, output_rate_hz=250.0)
    found = find_shots(run.t_s, run.tool_pa + noise.normal(0.0, 800.0, run.t_s.size))
    assert [s.time_s for s in found.shots] == pytest.approx([2.0, 11.0, 20.0, 29.0], abs=0.01)
    assert found.events == ()
    assert [s.recovery_s for s in found.shots] == pytest.approx([s.recovery_s for s in run.shots], rel=0.05)

    guns = [Nozzle(from_s=at, until_s=at + span, conductance=1e-8) for at, span in ((3.0, 0.5), (15.0, 1.5))]
    blown = simulate(thin, [], duration_s=30.0, nozzles=guns, output_rate_hz=250.0)
    found = find_shots(blown.t_s, blown.tool_pa + noise.normal(0.0, 800.0, blown.t_s.size))
    assert found.shots == ()
    assert kinds(found) == ["air draw", "air draw"]


def test_a_hose_pulled_and_connected() -> None:
    t, noise = line(40.0)
    noise -= 6.2e5
    open_end = np.where(t < 10.0, 1.0, np.exp(-(t - 10.0) / 0.5))
    back = np.where(t < 25.0, 0.0, 1.0 - np.exp(-((np.maximum(t - 25.0, 0.0) / 0.3) ** 2)))
    found = find_shots(t, 6.2e5 * np.maximum(open_end, back) + noise)
    assert found.shots == ()
    assert kinds(found) == ["disconnected", "connected"]
    assert [e.time_s for e in found.events] == pytest.approx([10.0, 25.0], abs=0.3)


def test_a_regulator_turned_up_and_down() -> None:
    t, p = line(60.0)
    p += np.interp(t, [0, 10.0, 11.5, 30.0, 40.0, 60.0], [0, 0, 8e4, 8e4, -5e4, -5e4])
    found = find_shots(t, p)
    assert found.shots == ()
    assert kinds(found) == ["regulator change", "regulator change"]
    assert [e.time_s for e in found.events] == pytest.approx([10.0, 30.0], abs=1.0)


@pytest.mark.parametrize("turn_s", [2.5, 4.0, 6.0])
def test_a_regulator_turned_up_by_hand_is_no_pump(turn_s: float) -> None:
    t, p = line(60.0)
    # It goes a little too far and settles, as a tank that cools once its pump has stopped.
    p += np.interp(t, [0, 20.0, 20.0 + turn_s, 24.0 + turn_s, 60.0], [0, 0, 6.2e4, 6e4, 6e4])
    found = find_shots(t, p)
    assert found.shots == ()
    assert kinds(found) == ["regulator change"]
    assert found.events[0].time_s == pytest.approx(20.0, abs=0.5)
    assert found.events[0].until_s == pytest.approx(20.0 + turn_s, abs=1.0)


def test_a_short_rise_off_a_tank_that_leaks_is_its_pump() -> None:
    t, p = line(60.0)
    p += np.interp(t, [0, 20.0, 26.0, 60.0], [4e3, 0, 6e4, 5e4])
    assert kinds(find_shots(t, p)) == ["pump start", "pump stop"]


def test_a_regulator_that_is_turned_slowly_among_noise() -> None:
    t, p = line(60.0)
    p += np.interp(t, [0, 10.0, 12.0, 30.0, 32.0, 60.0], [0, 0, -4e4, -4e4, 0, 0])
    found = find_shots(t, p)
    assert found.shots == ()
    assert kinds(found) == ["regulator change", "regulator change"]
    assert [e.time_s for e in found.events] == pytest.approx([10.0, 30.0], abs=0.5)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_hum_hides_neither_the_steps_of_a_burst_nor_a_straight_slope(seed: int) -> None:
    t = np.arange(0.0, 1.0, 1.0 / 125.0)
    hum = 600.0 * np.sin(2.0 * np.pi * 50.0 * t + seed) + np.random.default_rng(seed).normal(0.0, 200.0, t.size)
    noise = float(np.median(np.abs(np.diff(hum, 2)))) / 1.6521
    steps = -3e3 * np.sum([1.0 - np.exp(-((np.maximum(t - at, 0.0) / 0.05) ** 1.3)) for at in (0.0, 0.33, 0.67)], axis=0)
    assert slides(t, -9e3 * t + hum, 0.0, 1.0, 3e3, noise)
    assert not slides(t, steps + hum, 0.0, 1.0, 3e3, noise)


def test_a_regulator_turned_down_two_seconds_before_work_begins() -> None:
    t, p = line(40.0)
    p += np.interp(t, [0, 10.0, 13.0, 40.0], [0, 0, -5e4, -5e4])
    for at in np.arange(15.2, 24.0, 1.5):
        p -= 6e4 * np.where(t > at, (1.0 - np.exp(-np.maximum(t - at, 0.0) / 0.01)) * np.exp(-np.maximum(t - at, 0.0) / 0.15), 0.0)
    found = find_shots(t, p)
    assert kinds(found) == ["regulator change"]
    assert found.events[0].time_s == pytest.approx(10.0, abs=0.5)
    assert len(found.shots) == 6


@pytest.mark.parametrize("down_s", [0.5, 1.0])
def test_a_line_that_sags_slowly_while_air_is_drawn_and_comes_back_slowly(down_s: float) -> None:
    t, p = line(40.0)
    drawn = np.where(t < 17.0, 1.0 - np.exp(-np.maximum(t - 10.0, 0.0) / down_s), np.exp(-np.maximum(t - 17.0, 0.0) / 0.6))
    found = find_shots(t, p - 1e5 * drawn)
    assert found.shots == ()
    assert kinds(found) == ["air draw"]
    assert (found.events[0].time_s, found.events[0].until_s) == pytest.approx((10.0, 17.5), abs=1.0)


def test_a_hose_that_is_connected_again_as_soon_as_it_is_empty() -> None:
    t, noise = line(40.0)
    empty = np.where(t < 15.5, np.exp(-np.maximum(t - 10.0, 0.0) / 1.3), 1.0 - 0.985 * np.exp(-np.maximum(t - 15.5, 0.0) / 0.9))
    found = find_shots(t, 6.2e5 * empty + noise - 6.2e5)
    assert found.shots == ()
    assert kinds(found) == ["disconnected", "connected"]


def test_a_regulator_that_rests_higher_after_each_use_is_no_pump() -> None:
    t, p = line(60.0)
    for at in (10.0, 10.3, 10.6, 10.9, 24.0, 24.3, 24.6, 40.0, 44.0):
        x = np.maximum(t - at, 0.0)
        p -= np.where(x > 0.0, 8e4 * (1.0 - np.exp(-x / 0.01)) * np.exp(-x / 0.15), 0.0)
    p += np.interp(t, [0.0, 11.0, 18.0, 60.0], [0.0, 0.0, 1.6e4, 1.6e4])
    assert "pump start" not in kinds(find_shots(t, p))


def test_a_shot_that_its_reflection_deepens_is_no_air_drawn() -> None:
    t, p = line(60.0)
    for i, at in enumerate(np.arange(5.0, 55.0, 2.0)):
        x = np.maximum(t - at, 0.0)
        p -= np.where(x > 0.0, 6e4 * (1.0 - np.exp(-x / 0.012)) * np.exp(-((x / 0.19) ** 6)), 0.0)
        p -= (2.5e4 if i % 6 == 5 else 0.0) * np.exp(-(((t - at - 0.14) / 0.035) ** 2))
    found = find_shots(t, p)
    assert len(found.shots) == 25
    assert found.events == ()


def test_a_line_that_is_emptied_is_disconnected_once() -> None:
    t, noise = line(40.0)
    found = find_shots(t, 6.2e5 * np.where(t < 10.0, 1.0, np.exp(-np.maximum(t - 10.0, 0.0) / 0.3)) + noise - 6.2e5)
    assert found.shots == ()
    assert kinds(found) == ["disconnected"]


def test_a_pump_cycling_on_a_leak_is_no_shot() -> None:
    t, p = line(300.0, rate_hz=100.0)
    corners = np.cumsum([0.0, *([40.0, 15.0] * 6)])[:12]
    p += np.interp(t, corners, [0.0 if i % 2 == 0 else -8e4 for i in range(corners.size)])
    found = find_shots(t, p)
    assert found.shots == ()
    starts = [e.time_s for e in found.events if e.kind == "pump start"]
    stops = [e.time_s for e in found.events if e.kind == "pump stop"]
    assert starts == pytest.approx(list(corners[1:-1:2]), abs=1.0)
    assert stops == pytest.approx(list(corners[2:-1:2]), abs=1.0)
    assert len(found.events) == len(starts) + len(stops)


def test_a_receiver_that_is_refilled_after_a_burst_is_no_pump() -> None:
    made = record(Scene(name="bursts", single=3, bursts=3, per_burst=8, dip_pa=30e3, overshoot=0.0, noise_pa=600.0), 4)
    p = made.p_pa.copy()
    for at in made.times_s:  # each shot leaves the receiver lower, and the regulator fills it again
        p -= np.where(made.t_s > at, 3.5e3 * np.exp(-(made.t_s - at) / 4.0), 0.0)
    t = np.concatenate([made.t_s, made.t_s[-1] + np.arange(1, 3000) / 200.0])
    tail = p[-1] + (620e3 - p[-1]) * (1.0 - np.exp(-np.arange(1, 3000) / 800.0))
    found = find_shots(t, np.concatenate([p, tail + np.random.default_rng(3).normal(0.0, 600.0, tail.size)]))
    assert "pump start" not in kinds(found)


STEP_PA = 1172.0


def test_shots_of_one_step_in_noise_of_a_quarter_of_it() -> None:
    shots = Scene(name="one step", rate_hz=500.0, dip_pa=1.1 * STEP_PA, noise_pa=0.23 * STEP_PA, step_pa=STEP_PA, level_pa=529.4 * STEP_PA,
                  fall_s=0.05, bottom_s=0.15, recovery_s=0.2, overshoot=0.0, kept=0.7, bursts=0, single=20)  # fmt: skip
    made = record(shots, 1)
    assert score(find_shots(made.t_s, made.p_pa), made).f1 > 0.9


@pytest.mark.parametrize(("dip_pa", "noise_pa", "step_pa", "fall_s"), [(3000.0, 1000.0, 300.0, 0.08), (1500.0, 400.0, 1000.0, 0.04)])
def test_steady_work_hides_no_shots_on_a_receiver(dip_pa: float, noise_pa: float, step_pa: float, fall_s: float) -> None:
    steady = Scene(name="steady", dip_pa=dip_pa, noise_pa=noise_pa, step_pa=step_pa, fall_s=fall_s, bottom_s=2.5 * fall_s, recovery_s=0.2,
                   overshoot=0.0, single=3, bursts=1, per_burst=70, every_s=0.8)  # fmt: skip
    made = record(steady, 3)
    assert score(find_shots(made.t_s, made.p_pa), made).f1 >= 0.95


@pytest.mark.parametrize("every_s", [0.86, 0.95])
def test_shots_that_noise_hides_by_chance_hide_no_others(every_s: float) -> None:
    steady = Scene(name="steady", rate_hz=100.0, dip_pa=3000.0, noise_pa=980.0, fall_s=0.08, bottom_s=0.24, recovery_s=0.17, overshoot=0.0,
                   single=3, bursts=1, per_burst=60, every_s=every_s)  # fmt: skip
    scores = [score(find_shots(made.t_s, made.p_pa), made).f1 for made in (record(steady, seed) for seed in (1, 2, 3))]
    assert np.mean(scores) > 0.7  # 0.45 where those raised what others are measured against


@pytest.mark.parametrize(("fall_s", "noise_pa", "kept"), [(0.02, 560.0, 0.7), (0.08, 560.0, 0.0)])
def test_steady_work_that_pauses_seldom_is_counted(fall_s: float, noise_pa: float, kept: float) -> None:
    steady = Scene(name="steady", dip_pa=4000.0, noise_pa=noise_pa, fall_s=fall_s, bottom_s=0.09 + fall_s, recovery_s=0.2, overshoot=0.0,
                   kept=kept, pump_pa_per_s=11e3 * kept, single=2, bursts=1, per_burst=60, every_s=0.36)  # fmt: skip
    scores = [score(find_shots(made.t_s, made.p_pa), made).f1 for made in (record(steady, seed) for seed in (1, 2, 3))]
    assert np.mean(scores) > 0.95


def test_a_small_tool_behind_a_receiver_is_said() -> None:
    scene = Scene(name="receiver", dip_pa=9e3, noise_pa=120.0, step_pa=100.0, fall_s=0.08, bottom_s=0.2, recovery_s=0.2, overshoot=0.0,
                  kept=0.6, single=20, apart_s=(4.0, 6.0), bursts=0, pump_pa_per_s=4000.0)  # fmt: skip
    made = record(scene, 4)
    between = 0.5 * (made.times_s[5:-1] + made.times_s[6:])[::2]
    p = made.p_pa + 0.17 * scene.dip_pa * sum(dip_shape(made.t_s - at, scene) for at in between)
    assert any("18 % of the usual dip, are not counted" in said for said in find_shots(made.t_s, p).warnings)
    assert not any("not counted" in said for said in find_shots(made.t_s, made.p_pa).warnings)


@pytest.mark.parametrize("power", [0.5, 0.9])
def test_noise_of_which_more_is_slow_hardly_ever_looks_like_a_shot(power: float) -> None:
    rate_hz, n = 100.0, 30_000
    hz = np.maximum(np.fft.rfftfreq(n, 1.0 / rate_hz), rate_hz / n)
    wanders = np.fft.irfft(np.fft.rfft(np.random.default_rng(8).normal(0.0, 1.0, n)) / hz**power, n)
    p = 6e5 + 500.0 * wanders / np.diff(wanders).std()
    assert len(find_shots(np.arange(n) / rate_hz, p).shots) <= 8


@pytest.mark.parametrize("steps_per_s", [0.3, 1.0, 3.2])
@pytest.mark.parametrize("noise", [0.05, 0.15, 0.25])
def test_a_drift_across_the_steps_of_a_sensor_is_no_shot(steps_per_s: float, noise: float) -> None:
    t = np.arange(0.0, 60.0, 0.002)
    p = 529.4 - steps_per_s * t + np.random.default_rng(1).normal(0.0, noise, t.size)
    assert find_shots(t, np.round(p) * STEP_PA).shots == ()


def test_a_pump_that_starts_while_the_tool_fires_every_second() -> None:
    working = Scene(name="work", dip_pa=6000.0, noise_pa=150.0, step_pa=50.0, fall_s=0.06, bottom_s=0.12, recovery_s=0.15, overshoot=0.0,
                    kept=0.5, single=30, bursts=0, apart_s=(0.95, 1.05))  # fmt: skip
    made = record(working, 3)
    start_s = 15.2
    found = find_shots(made.t_s, made.p_pa + np.where(made.t_s > start_s, 10e3 * (made.t_s - start_s), 0.0))
    starts = [e.time_s for e in found.events if e.kind == "pump start"]
    assert starts == pytest.approx([start_s], abs=0.8)
    assert len(found.shots) == 30


@pytest.mark.parametrize("rate_hz", [50.0, 200.0, 1000.0])
def test_a_tool_that_is_plugged_in_is_no_shot(rate_hz: float) -> None:
    t, p = line(30.0, rate_hz)
    after = t >= 10.0
    x = t[after] - 10.0
    # The chamber fills at once, seen through a sensor with a lag of 3 ms, then the rest of the tool slowly.
    first = 1.0 - np.exp(-(x + 0.5 / rate_hz) / 0.003)
    p[after] -= 9e4 * (0.84 * first + 0.16 * (1.0 - np.exp(-x / 0.03))) * np.exp(-((x / 0.2) ** 2))
    found = find_shots(t, p)
    if rate_hz < 100.0:  # how it fell lies between two readings
        assert any("at 10.0 s" in w and "a tool that was plugged in" in w for w in found.warnings)
        return
    assert found.shots == ()
    assert kinds(found) == ["connected"]


@pytest.mark.parametrize(("rate_hz", "noise_pa"), [(200.0, 800.0), (400.0, 1600.0), (1000.0, 2400.0)])
def test_a_tool_that_is_plugged_in_is_known_however_the_readings_lie_on_it(rate_hz: float, noise_pa: float) -> None:
    known = 0
    for seed in range(10):
        t, _ = line(24.0, rate_hz)
        x = np.maximum(t - 10.0 - 0.1 * seed / rate_hz, 0.0)
        fall = 0.84 * (1.0 - np.exp(-x / 0.003)) + 0.16 * (1.0 - np.exp(-x / 0.03))
        p = 6.2e5 - 9e4 * fall * np.exp(-((x / 0.2) ** 2)) + np.random.default_rng(seed).normal(0.0, noise_pa, t.size)
        found = find_shots(t, p)
        known += found.shots == () and kinds(found) == ["connected"]
        assert (found.shots == ()) != any("counts as a shot" in w for w in found.warnings)
    assert known >= 8


@pytest.mark.parametrize("rate_hz", [80.0, 100.0, 200.0])
@pytest.mark.parametrize("noise_pa", [500.0, 1500.0, 2500.0])
def test_sharp_shots_after_long_pauses_are_shots(rate_hz: float, noise_pa: float) -> None:
    sharp = Scene(name="sharp", rate_hz=rate_hz, noise_pa=noise_pa, fall_s=0.006, bottom_s=0.07, single=20, bursts=2, apart_s=(9.0, 20.0))
    made = record(sharp, 1)
    found = find_shots(made.t_s, made.p_pa)
    assert kinds(found) == []
    assert score(found, made).f1 == 1.0


def test_a_few_shots_on_a_slow_logger_are_no_tool_that_is_plugged_in() -> None:
    # How sharply a fall begins between readings 20 ms apart is chance: one of these always looks as sharp as a chamber that fills.
    for seed in range(12):
        few = Scene(name="few", rate_hz=50.0, noise_pa=500.0, fall_s=0.009, bottom_s=0.06, single=3, bursts=0, apart_s=(9.0, 12.0))
        made = record(few, seed)
        found = find_shots(made.t_s, made.p_pa)
        assert kinds(found) == []
        assert len(found.shots) == 3


def test_nails_at_rising_settings_of_the_regulator_are_all_shots() -> None:
    made = record(Scene(name="nails", single=24, bursts=0, noise_pa=600.0, step_pa=244.0, apart_s=(3.5, 4.5), fall_s=0.0075), 6)
    rising = made.t_s / made.t_s[-1]  # 4.8 to 6.8 bar
    p = made.p_pa + (4.8e5 + 2.0e5 * np.floor(6.0 * rising) / 5.0 - 620e3)
    found = find_shots(made.t_s, p)
    assert len(found.shots) == 24
    assert "connected" not in kinds(found)


@pytest.mark.parametrize("noise_pa", [600.0, 1800.0])
def test_a_tool_that_is_plugged_in_before_the_first_shots_and_once_among_them(noise_pa: float) -> None:
    made = record(Scene(name="work", rate_hz=200.0, single=14, bursts=2, apart_s=(20.0, 25.0), noise_pa=noise_pa, fall_s=0.012), 2)
    p = made.p_pa.copy()
    plugged_s = [10.0, float(made.times_s[9]) + 10.0]
    for at in plugged_s:
        x = np.maximum(made.t_s - at, 0.0)
        p -= 9e4 * (0.84 * (1.0 - np.exp(-x / 0.003)) + 0.16 * (1.0 - np.exp(-x / 0.03))) * np.exp(-((x / 0.2) ** 2))
    for size in (977, made.t_s.size):
        found = in_blocks(Scored(t_s=made.t_s, p_pa=p, times_s=made.times_s, dips_pa=made.dips_pa), [size])
        assert kinds(found) == ["connected", "connected"]
        assert [e.time_s for e in found.events] == pytest.approx(plugged_s, abs=0.01)
        assert score(found, made).f1 == 1.0


def test_a_burst_of_interference_is_one_event_and_no_shot() -> None:
    t, p = line(30.0)
    rng = np.random.default_rng(4)
    for i in np.flatnonzero((t > 10.0) & (t < 10.8)):
        if rng.random() < 0.4:
            p[i] += rng.uniform(-150e3, 150e3)
    found = find_shots(t, p)
    assert found.shots == ()
    assert kinds(found) == ["interference"]
    assert found.events[0].time_s == pytest.approx(10.0, abs=0.3)


@pytest.mark.parametrize("rate_hz", [200.0, 1000.0])
def test_the_whistle_of_a_chuck_hides_no_shot(rate_hz: float) -> None:
    deep = Scene(name="deep", rate_hz=rate_hz, noise_pa=500.0, dip_pa=150_000.0, per_burst=3, every_s=0.5)
    made = record(deep, 2)
    since = np.maximum(made.t_s[:, None] - made.times_s, 0.0)
    flow = (np.minimum(since / 0.005, 1.0) * np.exp(-since / 0.15)).max(axis=1)
    found = find_shots(made.t_s, made.p_pa + 9_000.0 * flow * np.random.default_rng(3).normal(size=flow.size))
    assert score(found, made).f1 == 1.0


@pytest.mark.parametrize(("rate_hz", "hz"), [(200.0, 60.0), (400.0, 50.0), (500.0, 60.0), (1000.0, 50.0)])
def test_hum_hides_no_shot_on_a_receiver(rate_hz: float, hz: float) -> None:
    tank = Scene(
        name="tank",
        rate_hz=rate_hz,
        noise_pa=300.0,
        dip_pa=9_000.0,
        fall_s=0.07,
        bottom_s=0.2,
        recovery_s=0.6,
        overshoot=0.0,
        per_burst=3,
        every_s=0.5,
    )
    made = record(tank, 3)
    found = find_shots(made.t_s, made.p_pa + 3_000.0 * np.sin(2.0 * np.pi * hz * made.t_s + 1.0))
    assert score(found, made).f1 > 0.98


@pytest.mark.parametrize("others", [0, 8])
def test_small_slow_falls_beside_deep_shots_are_said(others: int) -> None:
    deep = Scene(name="deep", noise_pa=400.0, dip_pa=200_000.0, bursts=0, single=30, apart_s=(4.0, 4.5))
    small = Scene(name="small", dip_pa=30_000.0, fall_s=0.025, bottom_s=0.08)
    made = record(deep, 2)
    p = made.p_pa.copy()
    for at in made.times_s[5 : 5 + others] + 2.2:
        p += small.dip_pa * dip_shape(made.t_s - at, small)
    found = find_shots(made.t_s, p)
    assert score(found, made).f1 == 1.0
    assert [w.startswith("At least") and "15 % of the usual dip" in w for w in found.warnings] == [True] * (others > 0)


def averaged(made: Scored, rate_hz: float) -> Scored:
    """The recording by a slower logger that averages over each of its steps."""
    n = round(1.0 / (rate_hz * float(np.median(np.diff(made.t_s)))))
    whole = made.t_s.size // n * n
    return replace(made, t_s=made.t_s[:whole].reshape(-1, n).mean(axis=1), p_pa=made.p_pa[:whole].reshape(-1, n).mean(axis=1))


@pytest.mark.parametrize("every_s", [0.2, 0.25])
def test_quick_shots_on_a_slow_logger_are_no_interference(every_s: float) -> None:
    quick = Scene(name="quick", rate_hz=2000.0, noise_pa=300.0, bottom_s=0.04, recovery_s=0.05, every_s=every_s, per_burst=6)
    made = averaged(record(quick, 1), 50.0)
    found = find_shots(made.t_s, made.p_pa)
    assert "interference" not in kinds(found)
    assert score(found, made).f1 >= 0.98


def test_summary_of_a_session() -> None:
    made = record(Scene(name="session", every_s=0.7), 1)
    found = find_shots(made.t_s, made.p_pa)
    summary = summarise(found, window_pa=(600e3, 640e3))
    assert summary.shots == made.times_s.size
    assert summary.recovered + summary.cut_off + summary.not_recovered == summary.shots
    assert summary.median_dip_pa.value == pytest.approx(float(np.median(made.dips_pa)), rel=0.03)
    low, high = summary.median_recovery_s.low, summary.median_recovery_s.high
    assert low is not None
    assert high is not None
    assert low <= (summary.median_recovery_s.value or 0.0) <= high
    assert 0.0 < (summary.in_window or 0.0) <= 1.0
    assert sum(row.shots for row in summary.cadence) == summary.shots - 1


def test_bursts_that_pull_the_line_down_are_told() -> None:
    # Each shot leaves 30 % of its dip behind for longer than a burst lasts, so the 4th starts three such steps low.
    sinking = Scene(name="sinking", single=0, bursts=6, per_burst=4, every_s=0.33, kept=0.3, overshoot=0.0, noise_pa=300.0)
    made = record(sinking, 2)
    sag = summarise(find_shots(made.t_s, made.p_pa)).sag
    assert sag is not None
    assert (sag.nth, sag.bursts) == (4, 6)
    assert sag.shots_per_s == pytest.approx(3.0, rel=0.1)
    assert sag.low_pa.value == pytest.approx(3 * 0.3 * sinking.dip_pa, rel=0.1)


def test_how_much_lower_fast_work_starts_is_the_same_at_every_setting() -> None:
    sinking = Scene(name="sinking", single=0, bursts=6, per_burst=4, every_s=0.4, jitter=0.0, kept=0.3, overshoot=0.0, noise_pa=300.0)
    made = refilled(record(sinking, 2), 0.3 * sinking.dip_pa, 4.0)
    turned_s = 0.5 * float(made.times_s[11] + made.times_s[12])
    told = []
    for up_pa in (0.0, 1e5):
        found = find_shots(made.t_s, made.p_pa + up_pa * np.clip((made.t_s - turned_s) / 0.5, 0.0, 1.0))
        fast, *rested = summarise(found).cadence
        assert (fast.from_s, fast.shots, sum(row.shots for row in rested)) == (0.3, 18, 5)
        assert {row.low_pa for row in rested} == {None}
        low = [found.shots[4 * i].before_pa - found.shots[4 * i + j].before_pa for i in range(6) for j in (1, 2, 3)]
        assert fast.low_pa == pytest.approx(float(np.median(low)))
        told.append(fast.low_pa or 0.0)
    assert told[1] == pytest.approx(told[0], rel=0.02)
    assert told[0] > 0.3 * sinking.dip_pa


def test_a_regulator_that_was_turned_makes_no_unsteady_line() -> None:
    made = record(Scene(name="set", single=12, bursts=0, noise_pa=300.0), 4)
    up_s = 0.5 * float(made.times_s[5] + made.times_s[6])
    found = find_shots(made.t_s, made.p_pa + 1e5 * np.clip((made.t_s - up_s) / 0.5, 0.0, 1.0))
    summary = summarise(found)
    assert [e.kind for e in found.events] == ["regulator change"]
    assert (summary.shots, summary.turns) == (12, 1)
    assert summary.steadiness_pa == pytest.approx(1e5, rel=0.03)
    steady = summarise(find_shots(made.t_s, made.p_pa))
    assert steady.turns == 0
    assert steady.steadiness_set_pa == steady.steadiness_pa
    assert summary.steadiness_set_pa == pytest.approx(steady.steadiness_pa, abs=300.0)


def test_summary_without_shots_says_nothing() -> None:
    t, p = line(10.0)
    summary = summarise(find_shots(t, p))
    assert summary.shots == 0
    assert summary.median_recovery_s.value is None
    assert summary.median_dip_pa.value is None
    assert summary.steadiness_pa is None
    assert summary.steadiness_set_pa is None
    assert summary.cadence == ()
    assert summary.sag is None


def test_air_per_shot_from_what_stays_gone_in_a_known_volume() -> None:
    drawn = Scene(name="tank", dip_pa=8000.0, noise_pa=200.0, step_pa=0.0, fall_s=0.05, bottom_s=0.15, overshoot=0.0, kept=0.8, bursts=0)
    made = record(drawn, 1)
    found = find_shots(made.t_s, made.p_pa)
    air = air_per_shot(found, 0.05)
    # 12 shots take 6.4 kPa each out of 50 L within 45 s, when the air is nearly back at the wall's temperature (exponent about 1.15).
    expected = 0.05 * 6400.0 / (1.15 * 287.05 * 293.15) / 1.185
    assert air.value == pytest.approx(expected, rel=0.08)
    assert air.low is not None
    assert air.high is not None
    assert air.low < expected < air.high
    behind_a_regulator = record(scene("clean at the tool"), 1)
    assert air_per_shot(find_shots(behind_a_regulator.t_s, behind_a_regulator.p_pa), 0.05).value is None
    with pytest.raises(ValueError, match="holds no air"):
        air_per_shot(found, 0.0)


def test_live_view_counts_a_shot_soon_after_it_is_fired() -> None:
    made = record(SMALL, 3)
    detector = ShotDetector()
    first = float(made.times_s[0])
    soon = made.t_s < first + 1.2
    detector.feed(made.t_s[soon], made.p_pa[soon])
    assert len(detector.shots) == 1
    assert detector.shots[0].time_s == pytest.approx(first, abs=0.01)
