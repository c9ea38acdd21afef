"""Before and after: a known change is covered and named, no change is never called better."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from analysis.compare import (
    PACE_PRIOR,
    SUPPLY_RECOVERY,
    Comparison,
    _mean_log_dip,
    _ratio,
    compare,
    direction,
    log_normal_mean,
    longer_than,
    wait_s,
)
from analysis.estimate import Estimate
from analysis.held_alike import effect
from analysis.settled import Trace, settled_shots
from dashboard import compare_words, wording
from dashboard.reader import Reader
from logger.open import open_what
from tests.benchmarks.bench_compare import Sharp, sharp_pair
from tests.browser.home import nailing
from tests.shot_scores import Scene, record

BEFORE = Scene(name="before", single=14, bursts=12, per_burst=4, every_s=0.9, overshoot=0.03)


def against(after: Scene, before: Scene = BEFORE, seed: int = 1) -> Comparison:
    b, a = record(before, seed), record(after, seed + 100)
    return compare(Trace(t_s=b.t_s, p_pa=b.p_pa), Trace(t_s=a.t_s, p_pa=a.p_pa))


def changed(**settings: float) -> Scene:
    values = {name: getattr(BEFORE, name) for name in BEFORE.__slots__} | settings
    return Scene(**values)


def recovery_s(scene: Scene) -> float:
    from tests.shot_scores import dip_shape

    x = np.arange(0.0, 3.0, 1e-4)
    y = dip_shape(x, scene) / -dip_shape(x, scene).min()
    return float(x[np.flatnonzero(y < -0.1)[-1] + 1])


def test_the_same_line_on_two_days_has_not_changed() -> None:
    for seed in range(4):
        result = against(BEFORE, seed=seed)
        assert result.verdict == "no change", result.why


def test_slower_work_does_not_make_the_line_look_better() -> None:
    slow = changed(single=40, bursts=2, every_s=1.5)
    fast = changed(single=8, bursts=14, every_s=0.3, per_burst=5)
    for seed in range(3):
        assert against(slow, before=fast, seed=seed).verdict in ("no change", "cannot tell")


def test_a_fifteen_percent_shorter_recovery_is_seen() -> None:
    after = changed(bottom_s=0.85 * BEFORE.bottom_s, recovery_s=0.85 * BEFORE.recovery_s)
    result = against(after)
    true = recovery_s(after) / recovery_s(BEFORE) - 1.0
    assert result.verdict == "better", result.why
    assert result.recovery_change.low is not None
    assert result.recovery_change.high is not None
    assert result.recovery_change.low <= true <= result.recovery_change.high


def test_a_deeper_dip_is_worse() -> None:
    result = against(changed(dip_pa=1.25 * BEFORE.dip_pa))
    assert result.verdict == "worse", result.why
    assert result.dip_change.value == pytest.approx(0.25, abs=0.03)


def test_a_higher_setting_alone_is_no_improvement() -> None:
    # The tool takes air in proportion to absolute pressure, so the same line dips 11 % deeper at 80 kPa more.
    share = (BEFORE.level_pa + 80e3 + 101_325.0) / (BEFORE.level_pa + 101_325.0)
    result = against(changed(level_pa=BEFORE.level_pa + 80e3, dip_pa=BEFORE.dip_pa * share))
    assert result.verdict in ("no change", "cannot tell"), result.why
    assert any("compared at equal pressure" in w for w in result.warnings)


def test_another_setting_leaves_the_recovery_less_sure() -> None:
    # A supply that does not grow with the setting makes the recovery a little longer, or shorter for a lower one.
    for pressure_pa, times in ((90e3, 1.07), (-90e3, 0.93)):
        share = (BEFORE.level_pa + pressure_pa + 101_325.0) / (BEFORE.level_pa + 101_325.0)
        slower = {"bottom_s": times * BEFORE.bottom_s, "recovery_s": times * BEFORE.recovery_s}
        result = against(changed(level_pa=BEFORE.level_pa + pressure_pa, dip_pa=BEFORE.dip_pa * share, **slower))
        assert result.verdict == "cannot tell", result.why
        assert "Set the same pressure on both days" in result.why
    assert against(changed(bottom_s=1.07 * BEFORE.bottom_s, recovery_s=1.07 * BEFORE.recovery_s)).verdict == "worse"


def test_intervals_of_five_shots_hold_the_truth() -> None:
    side = settled_shots(sharp_pair(7, 1.0, 1.0)[0].recorded(1))
    few = replace(side, index=side.index[:5], burst=np.arange(5))
    rng = np.random.default_rng(6)
    held = 0
    for _ in range(300):
        one, other = (replace(few, dip_pa=1e5 * np.exp(rng.normal(0.0, 0.08, 5))) for _ in range(2))
        change = _ratio(one, other, _mean_log_dip, 0.0)[2]
        assert change.low is not None
        assert change.high is not None
        held += change.low <= 0.0 <= change.high
    assert held >= 285  # as if the scatter were known, it would be 280


def on_a_tank(from_s: float) -> Trace:
    """Forty like shots behind a regulator whose tank runs down in 400 s until its pump starts: recoveries take up to half as long again."""
    rng, t = np.random.default_rng(int(from_s)), np.arange(0.0, 166.0, 0.005)
    p = 650e3 + rng.normal(0.0, 500.0, t.size)
    for at_s in 3.0 + 4.0 * np.arange(40):
        since_s = np.maximum(t - at_s, 0.0)
        back_s = 0.15 * (1.0 + 0.5 * ((from_s + at_s) % 400.0) / 400.0)
        p -= 80e3 * (1.0 - np.exp(-since_s / 0.01)) * np.exp(-np.maximum(since_s - 0.04, 0.0) / back_s)
    return Trace(t_s=t, p_pa=p)


@pytest.mark.parametrize(("before_s", "after_s"), [(0.0, 200.0), (200.0, 0.0)])
def test_a_tank_that_runs_down_makes_the_line_neither_better_nor_worse(before_s: float, after_s: float) -> None:
    result = compare(on_a_tank(before_s), on_a_tank(after_s))
    assert abs(result.recovery_change.value or 0.0) > 0.12
    assert result.verdict == "cannot tell", result.why
    assert "drift too much" in result.why
    assert any("drift over minutes" in w for w in result.warnings)


def estimate(value: float, half: float) -> Estimate:
    return Estimate(value=value, low=value - half, high=value + half)


def test_what_another_day_can_do_alone_is_no_verdict() -> None:
    assert direction(estimate(-0.15, 0.08)) == "less"
    assert direction(estimate(0.15, 0.08)) == "more"
    # On the same line, 20 K warmer: sure of the sign, but not that the line did it.
    assert direction(estimate(-0.055, 0.025)) == "unclear"
    assert direction(estimate(-0.04, 0.025)) == "same"
    assert direction(estimate(0.0, 0.12)) == "unclear"
    result = against(changed(bottom_s=0.945 * BEFORE.bottom_s, recovery_s=0.945 * BEFORE.recovery_s))
    assert result.verdict == "cannot tell", result.why
    assert "other weather" in result.why


def test_too_few_shots_cannot_tell_and_say_what_to_do() -> None:
    result = against(changed(single=2, bursts=0))
    assert result.verdict == "cannot tell"
    assert "There are only 2 shots after the change; 5 are needed" in result.why
    assert "Fire ten single shots, 3 s apart" in result.why
    assert result.recovery_change.value is None


def slow_line(tau_s: float, seed: int, *, least: float = 0.0) -> Trace:
    """Shots three seconds apart on a line that comes back exponentially; only those from a moment on."""
    t_s, kpa = nailing(tau_s, 70.0, np.random.default_rng(seed))
    return Trace(t_s=t_s[t_s >= least], p_pa=1e3 * kpa[t_s >= least])


def test_a_slow_line_worked_at_a_usual_pace_can_be_compared() -> None:
    # Recoveries over a second: none of the shots waited for five of them, most for two and a half.
    before, after = slow_line(0.48, 1), slow_line(0.34, 2)
    result = compare(before, after)
    assert result.verdict == "better", result.why
    assert result.recovery_change.value == pytest.approx((0.04 + 0.34 * np.log(10)) / (0.04 + 0.48 * np.log(10)) - 1.0, abs=0.03)
    assert compare(before, slow_line(0.48, 3)).verdict == "no change"


def test_the_advice_goes_by_what_the_line_needs() -> None:
    short = slow_line(0.48, 1, least=33.0)  # a few shots are left
    result = compare(short, short)
    assert result.verdict == "cannot tell"
    assert wait_s(result.before, result.after) == 6
    assert "Fire ten single shots, 6 s apart" in result.why


def test_a_sensor_that_was_moved_to_the_new_receiver_proves_nothing() -> None:
    b, a = record(BEFORE, 1), record(changed(dip_pa=0.4 * BEFORE.dip_pa), 2)

    def placed(one: str, other: str) -> Comparison:
        return compare(Trace(t_s=b.t_s, p_pa=b.p_pa, place=one), Trace(t_s=a.t_s, p_pa=a.p_pa, place=other))

    moved = placed("tool", "deck receiver")
    assert moved.verdict == "cannot tell"
    assert "sat at the tool before and at the receiver after" in moved.why
    assert moved.dip_change.value is None
    for same in (("tool", "Tool inlet"), ("p1", "tool"), ("", "")):
        assert placed(*same).verdict == "better"


def test_a_record_that_is_too_short_is_refused() -> None:
    with pytest.raises(ValueError, match="Only 3 readings"):
        compare(Trace(t_s=[0.0, 1.0, 2.0], p_pa=[6e5] * 3), Trace(t_s=[0.0, 1.0, 2.0], p_pa=[6e5] * 3))


def test_recoveries_that_were_all_cut_off_last_longer_than_that() -> None:
    slow = changed(single=0, bursts=14, per_burst=5, every_s=0.3, bottom_s=2.0 * BEFORE.bottom_s, recovery_s=2.0 * BEFORE.recovery_s)
    quick = changed(single=0, bursts=14, per_burst=5, every_s=0.3, bottom_s=0.4 * BEFORE.bottom_s, recovery_s=0.4 * BEFORE.recovery_s)
    true = recovery_s(quick) / recovery_s(slow) - 1.0
    helped, worse = against(quick, before=slow), against(slow, before=quick)
    assert helped.before.ended.sum() < 5
    assert (helped.verdict, worse.verdict) == ("better", "worse")
    assert helped.recovery_change.value is None
    assert helped.recovery_change.high is not None
    assert true < helped.recovery_change.high < -0.1
    assert worse.recovery_change.low is not None
    assert 0.1 < worse.recovery_change.low < 1.0 / (1.0 + true) - 1.0
    assert against(slow, before=changed(bottom_s=2.0 * BEFORE.bottom_s, recovery_s=2.0 * BEFORE.recovery_s)).verdict == "cannot tell"


def test_how_long_cases_last_at_least_goes_by_those_that_tell() -> None:
    # Six that lasted longer than 0.3 and none that did not: one in 64 if half of all did not.
    times = [0.1, 0.2, 0.3, 0.31, 0.32, 0.33, 0.34, 0.35]
    assert longer_than(times, [False] * 8) == 0.3
    assert longer_than(times, [False, True] + [False] * 6) == 0.2  # of 0.3, one of seven did not
    assert longer_than(times[:5], [False] * 5) is None


def test_censored_log_normal_mean_is_unbiased() -> None:
    rng = np.random.default_rng(2)
    t = rng.lognormal(np.log(0.4), 0.2, 4000)
    limit = rng.uniform(0.25, 0.7, t.size)
    ended = t <= limit
    mean = log_normal_mean(np.minimum(t, limit), ended)
    assert mean == pytest.approx(np.log(0.4), abs=0.015)
    # Leaving the cut-off ones out would be biased low.
    assert np.log(t[ended]).mean() < np.log(0.4) - 0.05
    assert np.isnan(log_normal_mean([0.3, 0.2], [False, False]))


def test_a_line_without_a_regulator_is_compared_at_one_pressure() -> None:
    drifting = changed(pump_pa_per_s=4000.0)
    shorter = changed(pump_pa_per_s=4000.0, bottom_s=0.85 * BEFORE.bottom_s, recovery_s=0.85 * BEFORE.recovery_s)
    assert against(drifting, before=drifting).verdict in ("no change", "cannot tell")
    assert against(shorter, before=drifting).verdict == "better"


def test_what_the_pace_does_is_read_within_each_day_and_taken_out() -> None:
    rng = np.random.default_rng(4)
    pace = rng.uniform(0.2, 0.6, 40), rng.uniform(0.0, 0.3, 40)
    # The line itself changes by -0.2, and each shot by 0.06 for all of the shot before.
    logs = tuple(0.06 * x + rng.normal(0.0, 0.003, 40) + shift for x, shift in zip(pace, (0.0, -0.2), strict=True))
    sides = pace[0][:, None], pace[1][:, None]
    found = effect(sides, (logs[0], logs[1]), [PACE_PRIOR])
    u = found.covariance[0, 0] ** 0.5
    assert found.slope[0] == pytest.approx(0.06, abs=3.0 * u)
    assert u < 0.01
    fair = [y + np.log(found.taken_out(x)) for x, y in zip(sides, logs, strict=True)]
    assert fair[1].mean() - fair[0].mean() == pytest.approx(-0.2, abs=0.005)
    # Shots that all came at one pace tell nothing of it: only the prior is left.
    unknown = effect((np.full((40, 1), 0.5), np.full((40, 1), 0.1)), (logs[0], logs[1]), [PACE_PRIOR])
    assert unknown.slope[0] == pytest.approx(0.0, abs=1e-9)
    assert unknown.covariance[0, 0] ** 0.5 == pytest.approx(0.05, rel=1e-6)


def test_what_the_pace_and_the_supply_do_is_read_from_the_shots_and_taken_out() -> None:
    rng = np.random.default_rng(9)
    sides = tuple(np.stack([rng.uniform(0.0, 0.3, 60), rng.normal(level, 0.06, 60)], axis=1) for level in (0.0, 0.12))
    logs = tuple(0.04 * x[:, 0] - 1.4 * x[:, 1] + rng.normal(0.0, 0.02, 60) + shift for x, shift in zip(sides, (0.0, 0.1), strict=True))
    found = effect((sides[0], sides[1]), (logs[0], logs[1]), [PACE_PRIOR, SUPPLY_RECOVERY])
    assert found.slope[1] == pytest.approx(-1.4, abs=0.15)
    fair = [y + np.log(found.taken_out(x)) for x, y in zip(sides, logs, strict=True)]
    assert fair[1].mean() - fair[0].mean() == pytest.approx(0.1, abs=2.0 * np.hypot(found.u_between, 0.02 * (2.0 / 60.0) ** 0.5))
    assert found.between(1).value == pytest.approx(np.expm1(-1.4 * 0.12), abs=0.03)
    # A supply that stood still on each day, at another pressure: how far that goes is as unsure as before any shot was seen.
    still = tuple(np.stack([x[:, 0], np.full(60, level)], axis=1) for x, level in zip(sides, (0.0, 0.12), strict=True))
    assert effect((still[0], still[1]), (logs[0], logs[1]), [PACE_PRIOR, SUPPLY_RECOVERY]).u_between == pytest.approx(0.75 * 0.12, rel=0.02)


def read_beside_the_tank(low_pa: float, high_pa: float, faster: float, seed: int) -> Trace:
    """Single shots on a line that recovers as its supply lets it, while a tank runs down from one pressure to another twice."""
    rng = np.random.default_rng(seed)
    times = 3.0 + np.cumsum(rng.uniform(3.0, 4.5, 40))
    t = np.arange(0.0, times[-1] + 4.0, 1.0 / 250.0)
    supply = high_pa - (high_pa - low_pa) * (2.0 * t / t[-1] % 1.0)
    p = 6e5 + rng.normal(0.0, 400.0, t.size)
    for at in times:
        since = np.maximum(t - at, 0.0)
        tau = 0.14 * faster * ((np.interp(at, t, supply) + 101_325.0) / 8e5) ** -1.5 * float(np.exp(rng.normal(0.0, 0.03)))
        p -= (
            60e3
            * float(np.exp(rng.normal(0.0, 0.03)))
            * (1.0 - np.exp(-((since / 0.012) ** 2)))
            * np.exp(-np.maximum(since - 0.03, 0.0) / tau)
        )
    return Trace(t_s=t, p_pa=p, supply_pa=supply + rng.normal(0.0, 1500.0, t.size))


@pytest.mark.parametrize(("faster", "verdict"), [(1.0, "no change"), (0.85, "better")])
def test_a_fuller_tank_makes_no_line_better_where_its_pressure_was_read(faster: float, verdict: str) -> None:
    before, after = read_beside_the_tank(6.5e5, 8e5, 1.0, 1), read_beside_the_tank(7.2e5, 8.7e5, faster, 2)
    told = compare(before, after)
    assert told.verdict == verdict
    change = told.recovery_change
    assert change.low is not None
    assert change.high is not None
    assert change.low < faster - 1.0 < change.high
    assert told.supply_shift.value == pytest.approx(8.7e5**-1.5 / 8e5**-1.5 - 1.0, abs=0.06)
    unread = compare(replace(before, supply_pa=None), replace(after, supply_pa=None))
    assert unread.supply_shift.value is None
    assert unread.recovery_change.low is not None
    assert unread.recovery_change.high is not None
    assert change.high - change.low < 0.7 * (unread.recovery_change.high - unread.recovery_change.low)


def test_what_the_supply_does_is_said() -> None:
    told = compare(read_beside_the_tank(6.5e5, 8e5, 1.0, 1), read_beside_the_tank(7.2e5, 8.7e5, 1.0, 2))
    said = dict(compare_words.checks(told, Reader("bar")))["Supply"]
    assert "stood at 7.22 bar before the change and at 7.96 bar after" in said
    assert "change the recovery by -1" in said
    assert "was read beside" in wording.compare(told, Reader("bar"))[-1]


def test_the_supply_of_a_recording_goes_with_it_to_a_comparison(tmp_path: Path) -> None:
    rows = "".join(f"{0.01 * k:.2f},{600 + k % 3},{800 + k % 2}\n" for k in range(50))
    (tmp_path / "both.csv").write_text("time_s,tool_kpa,supply_kpa\n" + rows)
    traces = [open_what(tmp_path / "both.csv", channel=channel).trace() for channel in ("tool", "supply")]
    assert np.asarray(traces[0].supply_pa).tolist() == pytest.approx([1e3 * (800 + k % 2) for k in range(50)])
    assert traces[1].supply_pa is None
    (tmp_path / "one.csv").write_text("time_s,tool_kpa\n" + "".join(row.rpartition(",")[0] + "\n" for row in rows.split()))
    assert open_what(tmp_path / "one.csv").trace().supply_pa is None


def test_a_supply_that_was_read_on_one_day_alone_is_left_aside() -> None:
    before, after = read_beside_the_tank(6.5e5, 8e5, 1.0, 1), read_beside_the_tank(6.5e5, 8e5, 1.0, 2)
    assert compare(before, replace(after, supply_pa=None)).supply_shift.value is None
    broken = compare(before, replace(after, supply_pa=np.zeros(np.size(after.t_s))))
    assert broken.supply_shift.value is None
    assert any("after: the sensor at the supply reads nothing, or less than the line" in w for w in broken.warnings)


def test_a_few_recoveries_far_from_the_others_hardly_count() -> None:
    rng = np.random.default_rng(8)
    t = rng.lognormal(np.log(0.3), 0.02, 30)
    astray = np.concatenate([t, [0.1]])
    plain, with_one = (log_normal_mean(x, np.ones(x.size, dtype=bool)) for x in (t, astray))
    assert with_one == pytest.approx(plain, abs=0.005)
    assert np.log(astray).mean() < plain - 0.03


@pytest.mark.parametrize(("tau", "dip", "verdict"), [(1.0, 1.0, "no change"), (0.85, 1.0, "better"), (0.5, 0.9, "better")])
def test_what_noise_does_to_sharp_dips_is_taken_out(tau: float, dip: float, verdict: str) -> None:
    before, after = sharp_pair(7, tau, dip)
    result = compare(before.recorded(1), after.recorded(2))
    assert result.verdict == verdict
    assert min(result.before.dip_bias, result.after.dip_bias) < -0.015
    for change, true in ((result.dip_change, dip - 1.0), (result.recovery_change, after.recovery_s / before.recovery_s - 1.0)):
        assert change.low is not None
        assert change.high is not None
        assert change.low <= true <= change.high
    assert result.dip_before_pa.value == pytest.approx(before.dip_pa, rel=0.025)


def test_what_noise_does_is_not_told_where_it_is_averaged_out_or_hidden_by_steps() -> None:
    _, shot = sharp_pair(7, 1.0, 1.0)
    brief = replace(shot, tau_s=0.1, fall_s=0.02)
    few, many = (settled_shots(replace(brief, rate_hz=rate_hz).recorded(1)) for rate_hz in (50.0, 200.0))
    assert few.record.depth_u > 0.0  # measured by its mean dip, which averages noise out
    assert few.dip_bias == 0.0
    assert many.dip_bias < -0.015
    assert few.dip_pa.mean() == pytest.approx(shot.dip_pa, rel=0.03)
    clean = replace(shot, noise_pa=0.02 * shot.dip_pa).recorded(1)
    step_pa = 0.2 * shot.dip_pa
    coarse = settled_shots(replace(clean, p_pa=np.round(np.asarray(clean.p_pa) / step_pa) * step_pa))
    blurred = settled_shots(replace(shot, tau_s=0.2, rate_hz=100.0, noise_pa=0.14 * shot.dip_pa).recorded(1))
    assert blurred.dip_bias == 0.0  # the mean dip would have to be averaged over more than itself
    assert blurred.dip_bias_u == pytest.approx(0.028, abs=0.005)
    assert coarse.dip_bias == 0.0
    assert coarse.dip_bias_u == pytest.approx(0.02, abs=0.005)


def test_days_logged_at_unlike_rates_are_less_sure_and_say_so() -> None:
    shot = Sharp(tau_s=0.15, fall_s=0.006, dip_pa=80e3, noise_pa=500.0)
    slow, quick = replace(shot, rate_hz=50.0).recorded(4), shot.recorded(5)
    alike, unlike = compare(shot.recorded(3), quick), compare(slow, quick)
    for result in (alike, unlike):
        for change in (result.dip_change, result.recovery_change):
            assert change.low is not None
            assert change.high is not None
            assert change.low <= 0.0 <= change.high
    assert alike.verdict == "no change", alike.why
    assert unlike.verdict == "cannot tell", unlike.why
    assert "log both days at the same rate" in unlike.why
    assert not any("readings a second" in w for w in alike.warnings)
    assert any("50.0 readings a second before and 200 after" in w for w in unlike.warnings)


def test_noise_does_nothing_to_round_dips_or_where_there_is_little() -> None:
    quiet, noisy = (against(changed(noise_pa=noise), before=changed(noise_pa=noise)) for noise in (800.0, 2000.0))
    assert quiet.before.dip_bias == 0.0
    assert abs(noisy.before.dip_bias) < 0.01
