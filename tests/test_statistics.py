"""Censored statistics against an independent library, and laws that must hold."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.stats
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.statistics import bootstrap_blocks, kaplan_meier, log_rank, median_interval, percentile_interval

CASES = st.lists(st.tuples(st.floats(0.01, 100.0), st.booleans()), min_size=1, max_size=60)


def split(cases: list[tuple[float, bool]]) -> tuple[np.ndarray, np.ndarray]:
    return np.array([t for t, _ in cases]), np.array([e for _, e in cases])


def censored(t: np.ndarray, e: np.ndarray) -> scipy.stats.CensoredData:
    return scipy.stats.CensoredData(uncensored=t[e], right=t[~e])


@settings(max_examples=60, deadline=None)
@given(cases=CASES)
def test_kaplan_meier_agrees_with_scipy(cases: list[tuple[float, bool]]) -> None:
    t, e = split(cases)
    ours = kaplan_meier(t, e)
    theirs = scipy.stats.ecdf(censored(t, e)).sf
    assert ours.share == pytest.approx(theirs.evaluate(ours.time), abs=1e-12)


@settings(max_examples=40, deadline=None)
@given(a=CASES, b=CASES)
def test_log_rank_agrees_with_scipy(a: list[tuple[float, bool]], b: list[tuple[float, bool]]) -> None:
    (ta, ea), (tb, eb) = split(a), split(b)
    if ea.sum() + eb.sum() < 2:
        return
    ours = log_rank(ta, ea, tb, eb)
    if ours.variance < 1e-6:
        return  # one group has nobody left at every end: nothing to compare
    theirs = scipy.stats.logrank(censored(ta, ea), censored(tb, eb))
    assert ours.chi_square == pytest.approx(float(theirs.statistic) ** 2, rel=1e-6, abs=1e-9)
    assert ours.p_value == pytest.approx(float(theirs.pvalue), rel=1e-6)


@settings(max_examples=60, deadline=None)
@given(cases=CASES, scale=st.floats(0.01, 100.0))
def test_a_change_of_unit_changes_times_and_no_share(cases: list[tuple[float, bool]], scale: float) -> None:
    t, e = split(cases)
    t = np.round(t, 2)
    one, other = kaplan_meier(t, e), kaplan_meier(t * scale, e)
    assert one.share == pytest.approx(other.share)
    assert one.time * scale == pytest.approx(other.time)


@settings(max_examples=60, deadline=None)
@given(cases=CASES)
def test_the_band_holds_the_curve_and_stays_within_0_and_1(cases: list[tuple[float, bool]]) -> None:
    curve = kaplan_meier(*split(cases))
    inside = np.isfinite(curve.low)
    assert np.all(curve.low[inside] <= curve.share[inside] + 1e-12)
    assert np.all(curve.share[inside] <= curve.high[inside] + 1e-12)
    assert np.all((curve.low[inside] >= 0.0) & (curve.high[inside] <= 1.0))


def test_without_censoring_the_median_is_the_plain_one() -> None:
    t = np.arange(1.0, 102.0)
    median = kaplan_meier(t, np.ones(t.size, dtype=bool)).median
    assert median.value == 51.0
    assert median.low is not None
    assert median.high is not None
    assert 38.0 < median.low < 51.0 < median.high < 64.0


def test_a_median_that_was_never_reached_is_not_known() -> None:
    curve = kaplan_meier([1.0, 2.0, 3.0, 4.0], [True, False, False, False])
    assert curve.median.value is None
    assert curve.mean_until(2.0) == pytest.approx(1.0 + 0.75)


def test_median_interval_covers_as_often_as_it_says() -> None:
    rng = np.random.default_rng(3)
    hits = 0
    for _ in range(400):
        interval = median_interval(rng.normal(size=25))
        hits += interval.low is not None and interval.high is not None and interval.low <= 0.0 <= interval.high
    assert 0.93 <= hits / 400 <= 1.0
    assert median_interval([]).value is None
    assert median_interval([1.0, 2.0, 3.0]).low is None


def test_blocks_are_drawn_as_wholes() -> None:
    block = np.repeat(np.arange(10), 5)
    value = np.repeat(np.arange(10.0), 5)
    means = bootstrap_blocks(lambda i: float(value[i].mean()), block, times=400)
    # The blocks' own scatter, not a fifth of its variance as single cases would give.
    assert means.std() == pytest.approx(value.std() / np.sqrt(10), rel=0.15)
    interval = percentile_interval(4.5, means)
    assert interval.low is not None
    assert interval.high is not None
    assert interval.low < 4.5 < interval.high
    assert np.array_equal(means, bootstrap_blocks(lambda i: float(value[i].mean()), block, times=400))


def test_bad_cases_are_refused() -> None:
    with pytest.raises(ValueError, match="2 times but 1 marks"):
        kaplan_meier([1.0, 2.0], [True])
    with pytest.raises(ValueError, match="at least one time"):
        kaplan_meier([], [])
    with pytest.raises(ValueError, match="finite and not negative"):
        kaplan_meier([-1.0], [True])
    with pytest.raises(ValueError, match="No end was seen"):
        log_rank([1.0], [False], [2.0], [False])
