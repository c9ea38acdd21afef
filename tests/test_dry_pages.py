"""The pages Water and Setting: what is entered reaches the answer, what is judged is kept, mistakes are said beside the entry."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest

from analysis.dial_in import dial_in
from analysis.estimate import Estimate
from analysis.shots import BurstSag
from dashboard.dry_answers import setting_words
from dashboard.pages import setting, water
from dashboard.reader import Reader
from dashboard.static_page import find, of_class, text
from dashboard.work import Work
from tests.browser.home import BEFORE, make_home

PSI = Reader("psi")


@pytest.fixture
def work(tmp_path: Path) -> Work:
    return Work(make_home(tmp_path))


def judge(work: Work, shot: int, depth: str = "flush", mm: str = "", of: str = "ring nail, spruce") -> tuple[object, object]:
    return setting.keep(work, {"path": "/setting", "search": f"?session={BEFORE}"}, str(shot), depth, mm, of)


def test_a_judgement_is_kept_with_its_fastener_and_enters_the_setting(work: Work) -> None:
    said, search = judge(work, 0, "proud")
    assert said == "Kept."
    assert "work=ring+nail%2C+spruce" in str(search)
    assert "next=1" in str(search)
    judge(work, 3, "deep")
    found = work.setting(BEFORE, None, 8e5, None)
    assert [j.depth for j in found.judged] == ["proud", "deep"]
    assert [j.shot for j in found.judged] == [work.shots(BEFORE)[0].shots[i] for i in (0, 3)]
    assert found.work == "ring nail, spruce"
    assert found.setting.limit_pa == 8e5


def test_millimetres_may_have_a_decimal_comma_and_stand_proud(work: Work) -> None:
    judge(work, 0, mm="0,4")
    judge(work, 1, mm="−1 mm")
    assert [j.depth for j in work.setting(BEFORE, None, None, None).judged] == pytest.approx([0.4e-3, -1e-3])


@pytest.mark.parametrize(("shot", "mm", "why"), [(99, "", "there is no shot 100; the session has 12"), (1, "deepish", "is no depth")])
def test_what_cannot_be_a_judgement_is_not_kept(work: Work, shot: int, mm: str, why: str) -> None:
    said, _ = judge(work, shot, mm=mm)
    assert why in str(said)
    assert not work.session(BEFORE).marks


def test_one_kind_of_work_at_a_time(work: Work) -> None:
    for shot in (0, 1, 2):
        judge(work, shot)
    judge(work, 5, "deep", of="brad, oak")
    most = work.setting(BEFORE, None, None, None)
    assert (most.work, len(most.judged)) == ("ring nail, spruce", 3)
    assert any("2 kinds of work were judged" in w for w in most.warnings)
    assert len(work.setting(BEFORE, None, None, "brad, oak").judged) == 1
    recording, record = work.recording(BEFORE), work.shots(BEFORE)[0]
    with pytest.raises(ValueError, match=r"No shot was judged as .screw.\. Judged were: .ring nail, spruce., .brad, oak."):
        dial_in(recording.t_s, recording.p_pa, record, recording.marks, work="screw")


def test_the_limit_of_the_tool_is_heeded(work: Work) -> None:
    judge(work, 0)
    shown = text(setting.layout(work, {"session": BEFORE, "tool": "deck nailer"}, PSI))
    assert "Heeded limit: 101.5 psi" in shown  # the top of its window, 7 bar
    assert "Heeded limit: 90.0 psi" in text(setting.layout(work, {"session": BEFORE, "limit": "90 psi"}, PSI))


def test_weather_that_is_entered_reaches_the_answer(work: Work) -> None:
    warm = text(find(water.layout(work, {}, PSI), of_class("answer-first")))
    cold = text(find(water.layout(work, {"coldest": "4 degC"}, PSI), of_class("answer-first")))
    assert "No water forms" in warm
    assert "Water forms on the way to the tool" in cold


def test_working_time_is_told_with_its_interval_and_a_dryer_only_where_there_is_one(work: Work) -> None:
    page = text(water.layout(work, {"line": "boathouse_receiver"}, PSI))
    assert re.search(
        r"Work until the tank is drained\d+ h95 %: \d+ to \d+ hWork until the receiver is drained–no water gathers in it", page
    )
    assert "held by the dryer" not in page
    assert re.search(r"at regulator \(\d+ °C, \d+ °F\), the line is [\d.]+ K \([\d.]+ °F\) warmer", page)


def test_a_mistake_in_the_weather_is_said_where_it_was_made(work: Work) -> None:
    page = water.layout(work, {"humidity": "wet"}, PSI)
    (entry,) = find(page, lambda part: getattr(part, "label", "") == "Its humidity")
    assert "wet" in entry.error
    assert "One entry cannot be read" in text(page)


def test_the_sag_of_quick_work_is_told_in_depth(work: Work) -> None:
    found = work.setting(BEFORE, None, None, None)
    sag = BurstSag(shots_per_s=3.0, nth=5, bursts=4, low_pa=Estimate(value=0.6e5, low=0.5e5, high=0.7e5))
    told = replace(found.setting, verdict="setting", flush_pa=Estimate(value=6e5), depth_per_pa=Estimate(value=1e-3 / 0.6e5))
    words = " ".join(setting_words(replace(found, setting=told, sag=sag), Reader("bar")))
    assert "In bursts at 3.0 a second shot 5 starts 0.60 bar lower than the first: it sits 1.0 mm prouder." in words
    assert "fit a receiver" in words
    assert "prouder" not in " ".join(setting_words(replace(found, setting=told, sag=None), Reader("bar")))
