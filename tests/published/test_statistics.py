"""Censored times against the remission data of Freireich et al. (1963), as taught from many textbooks.

Rows ST-01 to ST-07 of the project's reference values. Times and textbook values are from memory; the totals of the data were read in two
teaching notes, and the further digits recomputed with an independent library.
"""

from __future__ import annotations

import numpy as np
import pytest

from analysis.statistics import kaplan_meier, log_rank

# ST-01. Freireich et al., Blood 21 (1963) 699: weeks in remission, '+' still in remission when last seen.
TREATED = "6 6 6 6+ 7 9+ 10 10+ 11+ 13 16 17+ 19+ 20+ 22 23 25+ 32+ 32+ 34+ 35+"
CONTROL = "1 1 2 2 3 4 4 5 5 8 8 8 8 11 11 12 12 15 17 22 23"


def cases(text: str) -> tuple[list[float], list[bool]]:
    words = text.split()
    return [float(w.rstrip("+")) for w in words], [not w.endswith("+") for w in words]


def test_st_01_the_data_have_their_published_totals() -> None:
    (ta, ea), (tb, eb) = cases(TREATED), cases(CONTROL)
    both = np.array(ta + tb)
    assert (both.size, sum(ea) + sum(eb), both.sum()) == (42, 30, 541)
    assert round(both.mean(), 2) == 12.88
    assert np.median(both) == 10.5


def test_st_02_kaplan_meier_of_the_treated() -> None:
    curve = kaplan_meier(*cases(TREATED))
    assert list(curve.time) == [6, 7, 10, 13, 16, 22, 23]
    # Textbook 0.857 ... 0.448 (from memory); the further digits recomputed with an independent library.
    assert curve.share == pytest.approx([0.857143, 0.806723, 0.752941, 0.690196, 0.627451, 0.537815, 0.448179], abs=1e-6)


def test_st_03_greenwood_standard_errors() -> None:
    curve = kaplan_meier(*cases(TREATED))
    # Greenwood's formula (1926), computed.
    assert curve.standard_error == pytest.approx([0.076360, 0.086935, 0.096350, 0.106815, 0.114054, 0.128234, 0.134591], abs=1e-5)


def test_st_04_median_remission() -> None:
    assert kaplan_meier(*cases(TREATED)).median.value == 23
    assert kaplan_meier(*cases(CONTROL)).median.value == 8


def test_st_05_log_rank() -> None:
    test = log_rank(*cases(TREATED), *cases(CONTROL))
    # Mantel-Haenszel form, textbook 16.79 (from memory), recomputed.
    assert test.observed == 9
    assert test.expected == pytest.approx(19.2505, rel=1e-5)
    assert test.variance == pytest.approx(6.25696, rel=1e-5)
    assert test.chi_square == pytest.approx(16.79294, rel=1e-5)
    assert test.p_value == pytest.approx(4.169e-5, rel=2e-4)


def test_st_06_the_simplified_form_is_another_number() -> None:
    first, second = log_rank(*cases(TREATED), *cases(CONTROL)), log_rank(*cases(CONTROL), *cases(TREATED))
    assert (first.expected, second.expected) == pytest.approx((19.2505, 10.7495), abs=1e-4)
    simplified = sum((t.observed - t.expected) ** 2 / t.expected for t in (first, second))
    assert simplified == pytest.approx(15.2329, abs=1e-3)
    assert simplified < first.chi_square


def test_st_07_rates_by_arm_follow_from_the_curve_s_counts() -> None:
    for text, events, rate in ((TREATED, 9, 0.0250696), (CONTROL, 21, 0.1153846)):
        times, ended = cases(text)
        curve = kaplan_meier(times, ended)
        assert int(curve.ended.sum()) == events
        assert curve.ended.sum() / sum(times) == pytest.approx(rate, abs=1e-7)
