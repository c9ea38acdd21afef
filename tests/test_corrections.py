"""The detector corrected by hand: what is taken out or added, what that does to the neighbours, and that it can all be undone."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import farend
from analysis.corrections import correct, corrected_shots, corrections
from analysis.shots import find_shots
from logger.marks import check_mark, read_marks, write_mark
from tests.shot_scores import Scene, record

MADE = record(Scene(name="work", single=6, bursts=3, per_burst=4, every_s=0.3), 5)
FOUND = find_shots(MADE.t_s, MADE.p_pa)


def mark(time_s: float, kind: str, **more: Any) -> dict[str, Any]:
    return check_mark({"time_s": time_s, "kind": kind, **more})


def by_hand(*marks: dict[str, Any], channel: str | None = None) -> Any:
    return corrected_shots(MADE.t_s, MADE.p_pa, marks, channel=channel)


def test_without_corrections_nothing_changes() -> None:
    assert correct(FOUND, MADE.t_s, MADE.p_pa, {}) is FOUND
    assert repr(by_hand(mark(3.0, "note"), mark(4.0, "judged", depth="flush"), mark(5.0, "changed"))) == repr(FOUND)


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    st.lists(st.tuples(st.floats(0.0, 60.0), st.sampled_from(["shot", "not a shot"])), max_size=5),
)
def test_every_correction_is_undone_by_its_opposite(made: list[tuple[float, str]]) -> None:
    opposite = {"shot": "not a shot", "not a shot": "shot"}
    once = list(dict(made).items())
    marks = [mark(t, k) for t, k in once] + [mark(t, opposite[k]) for t, k in once]
    assert corrections(marks) == {}
    assert repr(by_hand(*marks)) == repr(FOUND)


@settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.sets(st.integers(0, len(FOUND.shots) - 1), min_size=1, max_size=6))
def test_shots_taken_out_are_gone_and_the_others_stay(gone: set[int]) -> None:
    found = by_hand(*[mark(FOUND.shots[i].time_s, "not a shot") for i in gone])
    kept = [s.time_s for i, s in enumerate(FOUND.shots) if i not in gone]
    assert [s.time_s for s in found.shots] == kept
    assert [s.time_s for s in found.taken_out] == [FOUND.shots[i].time_s for i in sorted(gone)]
    assert found.events == FOUND.events
    assert any(f"{len(gone)} shot" in w and "taken out by hand, 0 added" in w for w in found.warnings)


@pytest.mark.parametrize("which", [2, 7, 10, len(FOUND.shots) - 1])
def test_a_shot_added_by_hand_is_measured_as_a_found_one(which: int) -> None:
    true = FOUND.shots[which]
    missed = replace(FOUND, shots=tuple(s for s in FOUND.shots if s is not true))
    found = correct(missed, MADE.t_s, MADE.p_pa, {true.time_s + 0.02: "shot"})
    added = found.shots[which]
    assert added.by_hand
    assert sum(s.by_hand for s in found.shots) == 1
    assert added.time_s == pytest.approx(true.time_s, abs=0.004)
    # Within a burst few readings between two shots say where the recovering line stood: three times their noise.
    assert added.before_pa == pytest.approx(true.before_pa, abs=3000.0)
    assert added.dip_pa == pytest.approx(MADE.dips_pa[which], abs=3000.0)  # the dip that was put in
    assert added.outcome == true.outcome
    if true.outcome == "recovered":
        assert added.recovery_s == pytest.approx(true.recovery_s, abs=0.012)
    assert any("0 shots taken out by hand, 1 added" in w for w in found.warnings)


def test_a_shot_whose_follower_is_taken_out_is_watched_on() -> None:
    cut = next(i for i, s in enumerate(FOUND.shots) if s.outcome == "cut off")
    before = FOUND.shots[cut]
    found = by_hand(mark(FOUND.shots[cut + 1].time_s, "not a shot"))
    now = next(s for s in found.shots if s.time_s == before.time_s)
    assert now.censored_s > before.censored_s


def test_a_shot_added_within_a_recovery_cuts_it_off() -> None:
    # The detector is made to believe in a single long recovery over two shots.
    first = next(i for i, s in enumerate(FOUND.shots) if s.outcome == "cut off")
    merged = replace(FOUND.shots[first], outcome="recovered", recovery_s=0.5, censored_s=0.5)
    missed = replace(FOUND, shots=(*FOUND.shots[:first], merged, *FOUND.shots[first + 2 :]))
    found = correct(missed, MADE.t_s, MADE.p_pa, {FOUND.shots[first + 1].time_s: "shot"})
    assert found.shots[first].outcome == "cut off"
    assert np.isnan(found.shots[first].recovery_s)
    assert found.shots[first].censored_s == pytest.approx(FOUND.shots[first].censored_s, abs=0.004)


def test_a_correction_that_means_nothing_is_said_and_changes_nothing() -> None:
    quiet = FOUND.shots[0].time_s - 1.5
    found = by_hand(mark(quiet, "not a shot"), mark(quiet - 0.5, "shot"))
    assert repr(found.shots) == repr(FOUND.shots)
    assert any("marked as no shot, but none is found there" in w for w in found.warnings)
    assert any("no fall of pressure that can be measured" in w for w in found.warnings)
    assert repr(by_hand(mark(FOUND.shots[3].time_s, "shot"))) == repr(FOUND)  # it is a shot already


def test_a_correction_holds_for_the_channel_on_which_it_was_made() -> None:
    at = FOUND.shots[1].time_s
    assert len(by_hand(mark(at, "not a shot", channel="supply"), channel="tool").shots) == len(FOUND.shots)
    assert len(by_hand(mark(at, "not a shot", channel="tool"), channel="tool").shots) == len(FOUND.shots) - 1
    assert len(by_hand(mark(at, "not a shot"), channel="tool").shots) == len(FOUND.shots) - 1
    with pytest.raises(ValueError, match="channel = 3; it is the name of a channel"):
        mark(at, "not a shot", channel=3)


def test_corrections_are_kept_among_the_marks(tmp_path: Path) -> None:
    file = tmp_path / "marks.jsonl"
    for made in (mark(2.0, "not a shot"), mark(1.0, "shot"), mark(2.0, "shot")):
        write_mark(file, made)
    kept, problems = read_marks(file)
    assert not problems
    assert corrections(kept) == {1.0: "shot"}


def test_the_commands_heed_corrections(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    csv, marks = tmp_path / "work.csv", tmp_path / "marks.jsonl"
    rows = "\n".join(f"{t:.4f},{p / 1e3:.3f}" for t, p in zip(MADE.t_s, MADE.p_pa, strict=True))
    csv.write_text(f"time_s,tool_kpa\n{rows}\n", encoding="utf-8")
    gone = [FOUND.shots[i].time_s for i in (1, 4)]
    marks.write_text("\n".join(json.dumps(mark(at, "not a shot")) for at in gone), encoding="utf-8")

    def ask(*words: str) -> dict[str, Any]:
        assert farend.main([*words, "--json"]) == 0
        return dict(json.loads(capsys.readouterr().out))

    whole, corrected = ask("shots", str(csv)), ask("shots", str(csv), "--marks", str(marks))
    assert len(corrected["shots"]) == len(whole["shots"]) - 2 == corrected["summary"]["shots"]
    assert corrected["by_hand"]["taken_out_s"] == pytest.approx(gone, abs=0.01)
    assert "2 shots taken out by hand, 0 added." in corrected["warnings"]
    compared = ask("compare", str(csv), str(csv), "--marks", str(marks))
    assert compared["shots"]["before"] == compared["shots"]["after"] == len(whole["shots"]) - 2
    assert any("taken out by hand" in w for w in compared["warnings"])
