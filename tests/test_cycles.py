"""Pump cycles: every run, its times, duty, delivery and leak, on simulated tanks and where there is nothing to find."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.cycle_trend import change_over
from analysis.cycles import Cycles, find_cycles
from analysis.estimate import Estimate
from analysis.leakdown import leak_at
from analysis.tank_air import air_temperature
from analysis.trend import trend_of_estimates
from tests.nights import Pumping, simulate_night, simulate_pumping

TANKS = {
    "each second": simulate_pumping(1),
    "each 5 s": simulate_pumping(2, every_s=5.0, minutes=120.0, volume_m3=0.2, delivery=4e-3),
    "each 10 s": simulate_pumping(3, every_s=10.0, minutes=180.0, volume_m3=0.27, delivery=4.5e-3),
    "10 a second, small tank": simulate_pumping(4, every_s=0.1, minutes=30.0, volume_m3=0.03, delivery=2e-3, noise_pa=1000.0),
    "light work": simulate_pumping(5, every_s=2.0, minutes=120.0, volume_m3=0.2, delivery=5e-3, work=6e-4, conductance=5e-10),
    "from empty": simulate_pumping(6, start_pa=0.0),
}


def judge(tank: Pumping) -> Cycles:
    return find_cycles(tank.t_s, tank.p_pa, volume_m3=tank.volume_m3)


def number(x: float | None) -> float:
    assert x is not None
    return x


def covers(e: Estimate, true: float) -> bool:
    return number(e.low) <= true <= number(e.high)


@pytest.mark.parametrize("name", TANKS)
def test_every_run_is_found_and_placed_to_a_reading(name: str) -> None:
    tank = TANKS[name]
    found = judge(tank).cycles
    within = max(1.0, 1.5 * float(np.median(np.diff(tank.t_s))))
    end = tank.t_s[-1]
    true = [(a, z) for a, z in tank.runs if a < end - 3 * within]
    assert len(found) == len(true)
    for run, (start, stop) in zip(found, true, strict=True):
        if start > 0.0:
            assert number(run.start_s) == pytest.approx(start, abs=within)
        if stop is not None and stop < end - 2 * within:
            assert number(run.stop_s) == pytest.approx(stop, abs=within)


@pytest.mark.parametrize("name", [n for n in TANKS if n != "from empty"])
def test_duty_within_a_third_of_a_point_and_period(name: str) -> None:
    tank = TANKS[name]
    answer = judge(tank)
    whole = [(a, z, b) for (a, z), (b, _) in zip(tank.runs, tank.runs[1:], strict=False) if z is not None and b < tank.t_s[-1]]
    duty = sum(z - a for a, z, _ in whole) / sum(b - a for a, _, b in whole)
    assert number(answer.duty.value) == pytest.approx(duty, abs=0.004 if name == "each 10 s" else 0.003)
    assert number(answer.mean_period_s) == pytest.approx(float(np.mean([b - a for a, _, b in whole])), rel=0.01)


@pytest.mark.parametrize("name", TANKS)
def test_delivery_and_leak(name: str) -> None:
    tank = TANKS[name]
    answer = judge(tank)
    assert number(answer.delivery_m3_per_s.value) == pytest.approx(tank.delivery_m3_per_s, rel=0.05)
    assert number(answer.leak_m3_per_s.value) == pytest.approx(tank.leak_m3_per_s, rel=0.06)
    for estimate, true in ((answer.delivery_m3_per_s, tank.delivery_m3_per_s), (answer.leak_m3_per_s, tank.leak_m3_per_s)):
        assert number(estimate.low) < true < number(estimate.high)


def test_pump_up_from_empty_is_a_run_but_no_cycle() -> None:
    tank = TANKS["from empty"]
    answer = judge(tank)
    periods = np.diff([a for a, _ in tank.runs[1:] if a < tank.t_s[-1] - 2.0])
    assert number(answer.mean_period_s) == pytest.approx(float(periods.mean()), rel=0.01)
    assert number(answer.cut_in_pa) == pytest.approx(650e3, rel=0.01)
    assert number(answer.cut_out_pa) == pytest.approx(820e3, rel=0.01)


def test_record_that_begins_within_a_run_has_no_start_for_it() -> None:
    tank = TANKS["each second"]
    start, stop = tank.runs[1]
    assert stop is not None
    kept = tank.t_s > start + 0.4 * (stop - start)
    answer = find_cycles(tank.t_s[kept], tank.p_pa[kept], volume_m3=tank.volume_m3)
    assert answer.cycles[0].start_s is None
    assert answer.cycles[0].cut_in_pa is None
    assert number(answer.cycles[0].stop_s) == pytest.approx(stop, abs=1.0)


def test_pump_that_never_unloads_is_an_answer() -> None:
    tank = simulate_pumping(7, minutes=20.0, start_pa=640e3, conductance=2.5e-9, delivery=3e-3, work=1.2e-3, never_unloads=True)
    answer = judge(tank)
    assert answer.never_unloads
    assert answer.cycles == ()
    assert answer.duty.value is None
    assert any("does not keep up" in w for w in answer.warnings)


def test_pressure_that_rises_between_the_runs_tells_no_leak() -> None:
    tank = simulate_pumping(
        3, minutes=16.574, start_pa=645_864.0, conductance=1.47668e-9, delivery=3.42365e-3, work=7.38564e-4, never_unloads=True
    )
    answer = judge(tank)
    assert answer.leak_m3_per_s.value is None or number(answer.leak_m3_per_s.low) < leak_at(1.47668e-9, answer.reference_pa)


def test_pump_that_stays_off_is_an_answer() -> None:
    night = simulate_night(1, conductance=5e-12, hours=2.0)
    answer = find_cycles(night.t_s, night.p_pa, volume_m3=0.05)
    assert answer.cycles == ()
    assert not answer.never_unloads
    assert any("Use the leak-down" in w for w in answer.warnings)


def test_leak_by_the_share_of_time_agrees_with_the_slope_when_nobody_works() -> None:
    answer = judge(TANKS["each second"])
    assert number(answer.leak_by_time_m3_per_s.value) == pytest.approx(number(answer.leak_m3_per_s.value), rel=0.06)
    working = judge(TANKS["light work"])
    assert number(working.leak_by_time_m3_per_s.value) > 1.3 * number(working.leak_m3_per_s.value)


def test_line_behind_a_regulator_that_recovers_is_no_pump() -> None:
    t = np.arange(0.0, 1800.0, 0.5)
    since = np.minimum(t % 150.0, 150.0)
    p = 650e3 - np.where(since < 60.0, 100e3 * since / 60.0, 100e3 * np.exp(-(since - 60.0) / 8.0))
    answer = find_cycles(t, p + np.random.default_rng(1).normal(0.0, 300.0, t.size), volume_m3=0.05)
    assert answer.cycles == ()
    assert not answer.never_unloads
    assert any("levelling off" in w for w in answer.warnings)


@pytest.mark.parametrize(
    ("step_s", "back_s", "depth_pa", "burst"), [(0.02, 0.1, 68e3, 2), (0.1, 20.0, 28e3, 2), (1.0, 6.0, 33e3, 7), (2.0, 20.0, 65e3, 11)]
)
def test_shots_behind_a_regulator_are_no_pump_that_never_unloads(step_s: float, back_s: float, depth_pa: float, burst: int) -> None:
    rng = np.random.default_rng(3)
    t = np.arange(0.0, 1800.0, step_s)
    p = 600e3 + rng.normal(0.0, 500.0, t.size)
    for begins in np.cumsum(rng.exponential(40.0, 30) + 5.0):
        for at in begins + 0.4 * np.arange(burst):
            later = t >= at
            p[later] -= depth_pa / (1.0 if at == begins else 3.0) * np.exp(-(t[later] - at) / back_s)
    answer = find_cycles(t, p, volume_m3=0.05)
    assert not answer.never_unloads
    assert answer.cycles == ()
    assert any("regulator" in w for w in answer.warnings)


def test_leak_that_grows_within_a_recording_is_seen() -> None:
    rate = np.linspace(1.0, 1.5, 12) + np.random.default_rng(2).normal(0.0, 0.02, 12)
    grown = change_over(np.arange(12.0), rate)
    assert number(grown.low) < 0.5 < number(grown.high)
    assert number(grown.low) > 0.3
    assert change_over([0.0, 1.0], [1.0, 2.0]).value is None
    steady = judge(TANKS["each second"])
    assert number(steady.leak_change.low) < 0.03
    assert abs(number(steady.delivery_change.value)) < 0.05
    with pytest.raises(ValueError, match="do not belong together"):
        change_over([0.0], [1.0, 2.0])


def test_trend_over_sessions_says_what_grows_and_what_falls() -> None:
    def around(*values: float) -> list[Estimate]:
        return [Estimate(value=v, low=0.95 * v, high=1.05 * v) for v in values]

    assert trend_of_estimates([0.0, 10.0, 20.0], around(1.0, 1.2, 1.5)).verdict == "rises"
    assert trend_of_estimates([20.0, 10.0, 0.0], around(1.0, 1.2, 1.5)).verdict == "falls"
    assert trend_of_estimates([0.0, 10.0], around(1.0, 1.01)).verdict == "steady"
    wide = [Estimate(value=1.0, low=0.2, high=1.8), Estimate(value=1.2, low=0.5, high=2.0)]
    assert trend_of_estimates([0.0, 10.0], wide).verdict == "cannot tell"
    assert trend_of_estimates([0.0, 10.0], [Estimate(value=None), *around(1.0)]).verdict == "cannot tell"


def test_cycle_with_a_gap_in_it_is_not_counted() -> None:
    tank = TANKS["each second"]
    kept = (tank.t_s < 900.0) | (tank.t_s > 1300.0)
    answer = find_cycles(tank.t_s[kept], tank.p_pa[kept], volume_m3=tank.volume_m3)
    assert number(answer.duty.value) == pytest.approx(number(judge(tank).duty.value), abs=0.003)
    assert number(answer.leak_m3_per_s.value) == pytest.approx(tank.leak_m3_per_s, rel=0.06)
    assert any("gap" in w for w in answer.warnings)


def test_pump_that_hardly_outruns_the_leak_says_how_little_it_knows() -> None:
    tank = simulate_pumping(34, conductance=3e-9)
    answer = judge(tank)
    assert len(answer.cycles) == 8
    for estimate, true in ((answer.delivery_m3_per_s, tank.delivery_m3_per_s), (answer.leak_m3_per_s, tank.leak_m3_per_s)):
        assert number(estimate.low) < true < number(estimate.high)


def test_few_runs_in_a_slow_night_are_placed_to_a_reading() -> None:
    tank = simulate_pumping(35, minutes=300.0, every_s=10.0, conductance=3e-11)
    for run, (start, stop) in zip(judge(tank).cycles, tank.runs, strict=True):
        assert number(run.start_s) == pytest.approx(start, abs=10.0)
        assert number(run.stop_s) == pytest.approx(number(stop), abs=10.0)


def test_part_of_a_cycle_gives_no_duty() -> None:
    tank = TANKS["each second"]
    start, stop = tank.runs[0]
    assert stop is not None
    kept = (tank.t_s > start - 100.0) & (tank.t_s < stop + 100.0)
    answer = find_cycles(tank.t_s[kept], tank.p_pa[kept], volume_m3=tank.volume_m3)
    assert len(answer.cycles) == 1
    assert answer.duty.value is None
    assert any("No whole cycle" in w for w in answer.warnings)


def test_shots_between_are_no_pauses_of_the_pump() -> None:
    tank = simulate_pumping(8, every_s=0.1, minutes=20.0)
    p = tank.p_pa.copy()
    for at in np.arange(30.0, 1190.0, 7.3):
        since = tank.t_s - at
        p -= np.where((since >= 0) & (since < 6.0), 25e3 * np.exp(-np.clip(since, 0.0, 6.0) / 0.25), 0.0)
    found = find_cycles(tank.t_s, p, volume_m3=tank.volume_m3).cycles
    assert len(found) == len([a for a, _ in tank.runs if a < tank.t_s[-1] - 5.0])


@pytest.mark.parametrize("seed", [21, 22, 23])
@pytest.mark.parametrize("every_s", [1.0, 5.0])
def test_work_within_the_runs_widens_what_the_pump_delivers_and_is_said(every_s: float, seed: int) -> None:
    tank = simulate_pumping(seed, every_s=every_s, work=1.5e-3, minutes=90.0)
    answer = judge(tank)
    for estimate, true in ((answer.delivery_m3_per_s, tank.delivery_m3_per_s), (answer.leak_m3_per_s, tank.leak_m3_per_s)):
        assert number(estimate.low) < true < number(estimate.high)
    assert any("may deliver more" in said for said in answer.warnings)


@pytest.mark.parametrize("seed", [51, 52])
@pytest.mark.parametrize(("every_s", "noise_pa"), [(1.0, 1e4), (5.0, 5e3), (5.0, 1e4)])
def test_heavy_noise_hides_no_run_and_the_intervals_hold(every_s: float, noise_pa: float, seed: int) -> None:
    tank = simulate_pumping(seed, every_s=every_s, noise_pa=noise_pa, minutes=90.0)
    answer = judge(tank)
    assert len(answer.cycles) == len([a for a, _ in tank.runs if a < tank.t_s[-1] - 15.0])
    whole = [(a, z, b) for (a, z), (b, _) in zip(tank.runs, tank.runs[1:], strict=False) if z is not None]
    duty = sum(z - a for a, z, _ in whole) / sum(b - a for a, _, b in whole)
    for estimate, true in (
        (answer.duty, duty),
        (answer.delivery_m3_per_s, tank.delivery_m3_per_s),
        (answer.leak_m3_per_s, tank.leak_m3_per_s),
    ):
        assert number(estimate.low) < true < number(estimate.high)


def test_spikes_change_nothing() -> None:
    tank = TANKS["each second"]
    p = tank.p_pa.copy()
    p[[300, 911, 912, 2000]] += np.array([60e3, -50e3, -50e3, 80e3])
    with_spikes, without = find_cycles(tank.t_s, p, volume_m3=0.09), judge(tank)
    assert len(with_spikes.cycles) == len(without.cycles)
    assert number(with_spikes.duty.value) == pytest.approx(number(without.duty.value), abs=1e-3)


def test_without_a_volume_shares_stand_and_flows_do_not() -> None:
    tank = TANKS["each second"]
    answer = find_cycles(tank.t_s, tank.p_pa)
    assert answer.delivery_m3_per_s.value is None
    assert answer.leak_m3_per_s.value is None
    assert number(answer.leak_share) == pytest.approx(tank.leak_m3_per_s / tank.delivery_m3_per_s, rel=0.07)
    assert any("volume" in w for w in answer.warnings)


def test_impossible_volume_is_refused() -> None:
    with pytest.raises(ValueError, match="holds no air"):
        find_cycles(np.arange(100.0), np.full(100, 7e5), volume_m3=-1.0)


@settings(max_examples=6, deadline=None)
@given(shift=st.floats(-1e5, 1e9), scale=st.floats(0.3, 10.0))
def test_clock_and_volume_go_through(shift: float, scale: float) -> None:
    tank = TANKS["each 5 s"]
    plain = judge(tank)
    moved = judge(replace(tank, t_s=tank.t_s + shift, volume_m3=tank.volume_m3 * scale))
    assert len(moved.cycles) == len(plain.cycles)
    assert number(moved.duty.value) == pytest.approx(number(plain.duty.value), abs=1e-4)
    assert number(moved.delivery_m3_per_s.value) == pytest.approx(scale * number(plain.delivery_m3_per_s.value), rel=0.01)


def test_air_pressed_at_once_warms_as_the_isentrope_says() -> None:
    t = np.linspace(0.0, 1.0, 2000)
    p = 7e5 + 1e5 * t
    theta = air_temperature(t, p, np.zeros(t.size - 1), np.zeros(t.size - 1), 1e9, 1.0)
    assert theta[-1] == pytest.approx((8.0 / 7.0) ** (0.4 / 1.4), rel=1e-4)


@pytest.mark.parametrize(
    ("name", "step_kpa"), [("each second", 3.447), ("each second", 10.0), ("each 10 s", 3.447), ("each 10 s", 10.0), ("light work", 3.447)]
)
def test_a_coarse_sensor_moves_turns_by_a_reading_and_flows_within_their_intervals(name: str, step_kpa: float) -> None:
    tank = TANKS[name]
    coarse = replace(tank, p_pa=np.round(tank.p_pa / (1e3 * step_kpa)) * 1e3 * step_kpa)
    answer, fine = judge(coarse), judge(tank)
    within = max(3.0, 1.5 * float(np.median(np.diff(tank.t_s))))
    for run, other in zip(answer.cycles, fine.cycles, strict=True):
        if run.start_s is not None and run.start_s > 0.0:
            assert run.start_s == pytest.approx(number(other.start_s), abs=within)
    assert number(answer.duty.low) < number(fine.duty.value) < number(answer.duty.high)
    for e, true in ((answer.delivery_m3_per_s, tank.delivery_m3_per_s), (answer.leak_m3_per_s, tank.leak_m3_per_s)):
        assert number(e.low) < true < number(e.high) or number(e.value) == pytest.approx(true, rel=0.06)


def test_noise_moves_the_turns_by_no_more_than_the_duty_says() -> None:
    tank = TANKS["each second"]
    noisy = replace(tank, p_pa=tank.p_pa + np.random.default_rng(1).normal(0.0, 8e3, tank.t_s.size))
    answer = judge(noisy)
    assert len(answer.cycles) == len(judge(tank).cycles)
    assert number(answer.duty.low) < number(judge(tank).duty.value) < number(answer.duty.high)


def test_sensor_that_ends_below_the_cut_out_tells_the_period_and_nothing_else() -> None:
    tank = TANKS["each second"]
    answer = judge(replace(tank, p_pa=np.minimum(tank.p_pa, 780e3)))
    assert answer.mean_period_s == pytest.approx(number(judge(tank).mean_period_s), rel=0.01)
    assert answer.duty.value is None
    assert answer.delivery_m3_per_s.value is None
    assert any("end of its range" in w for w in answer.warnings)


@pytest.mark.parametrize(("every", "said"), [(20, "hardly 3 readings"), (60, "too slow to show")])
def test_readings_too_slow_for_a_pump_are_no_pump_that_never_unloads(every: int, said: str) -> None:
    tank = TANKS["each second"]
    answer = judge(replace(tank, t_s=tank.t_s[::every], p_pa=tank.p_pa[::every]))
    assert not answer.never_unloads
    assert answer.duty.value is None
    assert any(said in w for w in answer.warnings)


def test_noise_of_about_a_step_is_not_taken_for_readings_that_share_theirs() -> None:
    t = np.arange(0.0, 4000.0, 0.5)
    since = t % 1000.0
    saw = 900e3 - 200e3 * np.where(since < 985.0, since / 985.0, (1000.0 - since) / 15.0)
    p = np.round((saw + np.random.default_rng(3).normal(0.0, 800.0, t.size)) / 1000.0) * 1000.0
    found = find_cycles(t, p, volume_m3=0.024)
    assert found.duty.low is not None
    assert found.duty.high is not None
    assert found.duty.low < 0.015 < found.duty.high


def test_small_tank_whose_air_cools_unlike_the_usual_has_a_wider_interval() -> None:
    # Stirred air: heat goes with the difference alone, and twice as well while the pump runs.
    volume, wall, gas, on, leaking, pumping = 0.024, 291.0, 291.0, False, 3e-4, 2e-3
    mass = 821e3 * volume / (287.05 * gas)
    step_s, p = 0.05, np.empty(48_000)
    for i in range(p.size):
        p[i] = mass * 287.05 * gas / volume
        on = p[i] < 721e3 or (on and p[i] < 901e3)
        into = pumping * 1.185 * (1.0 - 0.15 * (p[i] - 721.8e3) / 620.5e3) if on else 0.0
        out = leaking * 1.185 * p[i] / 721.8e3 * np.sqrt(293.15 / gas)
        heat = 5.8 * (1.6 if on else 1.0) * (wall - gas) + into * (1005.0 * (333.0 - gas) + 287.05 * gas) - out * 287.05 * gas
        gas += heat * step_s / (mass * 717.6)
        mass += (into - out) * step_s
    t = np.arange(0.0, p.size * step_s, 0.5)
    read = p[::10] - 101_325.0 + np.random.default_rng(8).normal(0.0, 500.0, t.size)
    answer = find_cycles(t, read, volume_m3=volume)
    assert covers(answer.leak_m3_per_s, leaking)
    assert covers(answer.delivery_m3_per_s, pumping)
