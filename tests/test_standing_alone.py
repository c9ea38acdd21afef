"""Shots that nothing else in a record vouches for are said to be doubtful, and those that others do are not."""

from __future__ import annotations

import json
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

import farend
from analysis.corrections import correct, corrected_shots, time_to_mark
from analysis.shots import ShotRecord, find_shots, summarise
from dashboard.reader import Reader
from dashboard.wording import shots as words
from dashboard.work import Work
from logger.channel import Channel
from logger.session import save_session
from tests.shot_scores import Floats, Scene, dip_shape

RATE_HZ = 200.0
BEGAN = datetime(2026, 6, 3, 7, 12, tzinfo=UTC)
TOOL = Scene(name="a nailer")
OTHER = Scene(name="another", dip_pa=110_000.0, bottom_s=0.11)
PUFFS = [Scene(name="a puff", dip_pa=dip_pa, bottom_s=lasts_s, fall_s=0.02) for dip_pa, lasts_s in ((55e3, 0.07), (75e3, 0.13))]


def line(shots: Sequence[float], others: Sequence[tuple[float, Scene]] = ()) -> tuple[Floats, Floats]:
    """Readings of a line with shots of a tool [s], and other falls: when [s] and what they look like."""
    rng = np.random.default_rng(len(shots))
    falls = [*((at, TOOL) for at in shots), *others]
    t = np.arange(0.0, max(at for at, _ in falls) + 8.0, 1.0 / RATE_HZ)
    p = 620e3 + rng.normal(0.0, 600.0, t.size)
    for at, scene in falls:
        p += scene.dip_pa * rng.uniform(0.98, 1.02) * dip_shape(t - at, scene)
    return t, p


def doubtful(found: ShotRecord) -> list[float]:
    return [s.time_s for s in found.shots if s.doubtful]


@pytest.mark.parametrize("count", [1, 2])
def test_a_few_falls_where_nobody_fires_again_soon_are_no_shots_and_that_is_said(count: int) -> None:
    at = [9.003 + 9.37 * i for i in range(count)]
    found = find_shots(*line(at))
    assert found.shots == ()
    assert [s.time_s for s in found.unvouched] == pytest.approx(at, abs=0.02)
    assert [e.time_s for e in found.events if e.kind == "connected"] == pytest.approx(at, abs=0.02)
    (said,) = found.warnings
    assert said.startswith("The fall at 9.0 s may be no shot: no other" if count == 1 else f"The {count} falls at 9.0, 18.4")
    assert "a tool that was plugged in, or a puff of a blow gun, and does not count as a shot" in said
    assert "mark “A shot here” on the Shots page" in said
    assert said.endswith("Next time fire a few bursts: they show what a shot looks like.")
    head = words(found, summarise(found), Reader())[0]
    assert head.endswith("; 1 fall may have been one." if count == 1 else "; 2 falls may have been some.")


@pytest.mark.parametrize("count", [3, 5, 8])
def test_more_of_them_count_unless_minutes_pass_between(count: int) -> None:
    t, p = line([9.003 + 11.37 * i for i in range(count)])
    assert len(find_shots(t, p).shots) == count
    t, p = line([9.003 + 61.37 * i for i in range(count)])
    found = find_shots(t, p)
    assert found.shots == ()
    times = [f"{9.003 + 61.37 * i:.1f}" for i in range(count)]
    told = {f"{e.time_s:.1f}" for e in found.events if e.kind == "connected"}
    assert told == set(times)
    assert all(any(at in w for w in found.warnings) for at in times)


def test_a_shot_that_soon_follows_one_like_it_shows_that_somebody_works() -> None:
    at = [9.003, 14.003, 40.003]
    found = find_shots(*line(at))
    assert doubtful(found) == pytest.approx(at, abs=0.02)
    (said,) = found.warnings
    assert "3 of 3 shots (at 9.0, 14.0, 40.0 s) stand alone" in said
    assert "Mark “not a shot” on the Shots page what was none. Next time fire a few bursts: they show" in said


def test_a_faint_fall_that_nothing_vouches_for_is_no_event_either() -> None:
    faint = Scene(name="a flicker", dip_pa=6e3, noise_pa=600.0)
    found = find_shots(*line([], [(20.0, faint)]))
    assert found.shots == ()
    assert found.events == ()
    assert any("The fall at 20.0 s may be no shot" in w for w in found.warnings)


def test_a_sensor_without_its_zero_is_no_obstacle() -> None:
    t, p = line([9.003 + 9.37 * i for i in range(5)])
    assert len(find_shots(t, p - 1e6).shots) == 5


def test_a_slow_logger_is_told_to_log_more() -> None:
    t, p = line([9.003])
    (said,) = find_shots(t[::2], p[::2]).warnings
    assert "fire a few bursts, and log at least 200 readings a second" in said


@pytest.mark.parametrize(("count", "every_s"), [(4, 1.0), (4, 3.1), (6, 9.37)])
def test_enough_alike_vouch_for_each_other_the_sooner_the_fewer(count: int, every_s: float) -> None:
    found = find_shots(*line([9.003 + every_s * i for i in range(count)]))
    assert len(found.shots) == count
    assert doubtful(found) == []
    assert found.warnings == ()


def test_a_few_bursts_vouch_for_themselves_and_for_lone_shots_like_them() -> None:
    bursts = [start + 0.4 * i for start in (5.0, 11.0) for i in range(4)]
    found = find_shots(*line([*bursts, 20.0, 30.0]))
    assert len(found.shots) == 10
    assert doubtful(found) == []
    assert found.warnings == ()


def test_falls_unlike_all_others_are_doubtful_and_no_others() -> None:
    found = find_shots(*line([5.0 + 3.1 * i for i in range(12)], [(46.0, PUFFS[0]), (49.0, PUFFS[1])]))
    assert len(found.shots) == 14
    assert doubtful(found) == pytest.approx([46.0, 49.0], abs=0.03)
    assert any("2 of 14 shots (at 46.0, 49.0 s) stand alone" in w for w in found.warnings)


def test_enough_shots_of_a_second_tool_vouch_for_each_other() -> None:
    work, second = [5.0 + 3.1 * i for i in range(12)], [46.0 + 4.3 * i for i in range(6)]
    assert doubtful(find_shots(*line(work, [(at, OTHER) for at in second]))) == []
    assert doubtful(find_shots(*line(work, [(at, OTHER) for at in second[:3]]))) == pytest.approx(second[:3], abs=0.02)


def test_what_somebody_knows_ends_the_doubt() -> None:
    t, p = line([9.003, 70.0, 131.0])
    found = find_shots(t, p)
    none, shot, other = (s.time_s for s in found.unvouched)
    assert time_to_mark(found, t, p, {}, "shot", shot + 0.01) == shot
    one = correct(found, t, p, {other: "shot"})
    assert [s.doubtful for s in one.shots] == [True, True, False]
    assert one.events == ()
    assert one.unvouched == ()
    assert not any("may be no shot" in w for w in one.warnings)
    known = correct(found, t, p, {none: "not a shot", shot: "shot"})
    assert [s.doubtful for s in known.shots] == [False, True]
    assert not any("3 of 3" in w for w in known.warnings)
    assert any("1 of 2 shots (at 131.0 s) stands alone" in w for w in known.warnings)
    assert "1 shot taken out by hand, 0 added, 1 confirmed." in known.warnings
    marks = [{"time_s": s.time_s, "kind": "shot"} for s in found.unvouched]
    assert corrected_shots(t, p, marks).warnings == ("0 shots taken out by hand, 0 added, 3 confirmed.",)


def test_a_shot_whose_nail_was_judged_is_not_doubtful() -> None:
    t, p = line([9.003, 20.0, 31.0])
    found = corrected_shots(t, p, [{"time_s": at, "kind": "judged", "depth": "flush"} for at in (11.0, 33.0)])
    assert [s.doubtful for s in found.shots] == [False, True, False]
    assert any("1 of 3 shots (at 20.0 s) stands alone" in w for w in found.warnings)


def test_the_table_handed_out_says_which(tmp_path: Path) -> None:
    t, p = line([5.0 + 3.1 * i for i in range(12)], [(46.0, PUFFS[0])])
    save_session(tmp_path, "few", started=BEGAN, channels=[Channel(name="tool", unit="kPa")], raw={"time_s": t, "tool": p / 1e3})
    rows = [row.split(",") for row in Work(tmp_path).shots_csv("few", None, "bar").splitlines()]
    assert [row[-1] for row in rows] == ["doubtful", *[""] * 12, "yes"]


def test_the_answer_says_which_and_how_many(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    csv = tmp_path / "few.csv"
    t, p = line([9.003, 14.0])
    csv.write_text("time_s,tool_kpa\n" + "\n".join(f"{at:.4f},{pa / 1e3:.3f}" for at, pa in zip(t, p, strict=True)), encoding="utf-8")
    assert farend.main(["shots", str(csv), "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["doubtful_s"] == pytest.approx([9.003, 14.0], abs=0.02)
    found = find_shots(t, p)
    assert words(found, summarise(found), Reader("kPa"))[0].startswith("2 shots in 22.0 s, 2 of them doubtful")
