"""The pages without a browser: each is made from sessions and lines, says why when it cannot, and keeps to its home folder."""

from __future__ import annotations

import base64
import json
import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import dashboard.once
from analysis.estimate import Estimate
from analysis.shots import BurstSag, find_shots, summarise
from dashboard import line_editor, wording
from dashboard.app import PAGES, create_app, read_address, render
from dashboard.pages import compare, leakdown, sessions, shots
from dashboard.reader import Reader, change, finer_seconds
from dashboard.ui import MINUS, burst_of, value_and_interval, window_of
from dashboard.wording import _compared
from dashboard.work import Work
from logger.session import change_session
from tests.browser.home import AFTER, BEFORE, LINES, NIGHT, make_home
from tests.shot_scores import Scene, record


@pytest.fixture(scope="module")
def work(tmp_path_factory: pytest.TempPathFactory) -> Work:
    return Work(make_home(tmp_path_factory.mktemp("home")))


def text_of(part: Any) -> str:
    """All the words of a page, their spaces alike."""
    words = json.dumps(part, default=lambda o: o.to_plotly_json() if hasattr(o, "to_plotly_json") else str(o))
    return words.replace(r"\u00a0", " ")


@pytest.mark.parametrize("page", PAGES, ids=lambda p: p.__name__)
@pytest.mark.parametrize("unit", ["psi", "bar", "kPa"])
def test_every_page_answers_in_every_unit(work: Work, page: Any, unit: str) -> None:
    words = text_of(render(page, work, {}, Reader(unit)))
    assert "Something in farend failed" not in words
    assert page.TITLE in words


@pytest.mark.parametrize("page", PAGES, ids=lambda p: p.__name__)
def test_every_page_says_what_to_do_when_there_is_nothing_yet(tmp_path: Path, page: Any) -> None:
    words = text_of(render(page, Work(tmp_path), {}, Reader("bar")))
    assert "failed" not in words
    assert any(
        hint in words
        for hint in (
            "Bring in a file",
            "Describe the line",
            "farend record",
            "Drop CSV files here",
            "Keep this line",
            "Your air lines, tools",
        )
    )


@pytest.mark.parametrize("page", PAGES, ids=lambda p: p.__name__)
@pytest.mark.parametrize("name", ["no such session", "../../etc/passwd", "", "\x00"])
def test_a_wrong_address_is_answered_with_words(work: Work, page: Any, name: str) -> None:
    query = {
        "session": name,
        "before": name,
        "after": BEFORE,
        "line": name,
        "volume": "many",
        "shots": "-3",
        "every": "x",
        "floor": "??",
        "from": "z",
    }
    assert "Something in farend failed" not in text_of(render(page, work, query, Reader("bar")))


def test_shots_says_how_many_and_lists_them(work: Work) -> None:
    page, query, reader = read_address({"path": "/shots", "search": f"?session={BEFORE}", "unit": "psi"})
    words = text_of(render(page, work, query, reader))
    count = len(work.shots(BEFORE)[0].shots)
    assert count > 5
    assert f"{count} shots in" in words
    assert "Before [psi]" in words


def test_leakdown_needs_a_volume_for_a_flow(work: Work) -> None:
    page, query, reader = read_address({"path": "/leakdown", "search": f"?session={NIGHT}", "unit": "bar"})
    assert "Hole of that size" not in text_of(render(page, work, query, reader))
    assert "Hole of that size" in text_of(render(page, work, {**query, "volume": "29.6 L"}, reader))
    assert "has no unit" in text_of(render(page, work, {**query, "volume": "29.6"}, reader))


def test_an_imported_file_becomes_a_session_and_a_bad_one_is_refused_by_name(tmp_path: Path) -> None:
    work = Work(tmp_path)
    rows = "\n".join(f"{i / 100:.2f},{650 + i % 3}" for i in range(500))

    def sent(text: str) -> str:
        return "data:text/csv;base64," + base64.b64encode(text.encode()).decode()

    words = text_of(
        sessions.imported(
            work, ["../deck.csv", "bare.csv", "empty.csv"], [sent(f"time_s,tool_kpa\n{rows}"), sent(f"a,b\n{rows}"), sent("")], ""
        )
    )
    assert [s.name for s in work.sessions()] == ["deck"]
    assert "Imported" in words
    assert "bare.csv was not imported" in words
    assert "empty.csv was not imported" in words
    assert not (tmp_path.parent / "deck").exists()


def test_a_session_is_deleted_to_the_bin_and_brought_back(tmp_path: Path) -> None:
    work = Work(make_home(tmp_path))
    binned = work.delete(BEFORE)
    assert BEFORE not in {s.name for s in work.sessions()}
    assert work.restore(binned.name) == BEFORE
    assert work.edit(BEFORE, "deck/../north", notes="", line="", site="") == "deck-..-north"
    assert (tmp_path / "sessions" / "deck-..-north").is_dir()


def test_a_session_whose_readings_are_destroyed_is_listed_and_says_so(tmp_path: Path) -> None:
    work = Work(make_home(tmp_path))
    (tmp_path / "sessions" / BEFORE / "readings.parquet").write_bytes(b"PAR1 this was never a table")
    assert BEFORE in text_of(render(sessions, work, {}, Reader("bar")))
    assert work.thumbnail(BEFORE).startswith("<svg")
    assert sessions.counted(work, BEFORE) == ""
    for page in (shots, leakdown, compare):
        words = text_of(render(page, work, {"session": BEFORE, "before": BEFORE, "after": NIGHT}, Reader("bar")))
        assert "This did not work" in words
        assert "Something in farend failed" not in words


def test_memory_holds_few_recordings(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(dashboard.once, "RECORDINGS_KEPT", 2)
    work = Work(make_home(tmp_path))
    for name in (BEFORE, AFTER, NIGHT):
        work.recording(name)
    assert sum(key[0] == "recording" for key in work._once._kept) == 2


def test_a_recording_of_work_is_no_leakdown(work: Work) -> None:
    words = text_of(render(leakdown, work, {"session": BEFORE, "volume": "100 L"}, Reader("bar")))
    assert "cannot tell whether the line leaks: it shows work" in words
    assert "Hole of that size" not in words


def test_shots_are_handed_out_as_csv(work: Work) -> None:
    client = create_app(work.home).server.test_client()
    answer = client.get("/download/shots.csv", query_string={"session": BEFORE, "unit": "psi"}, headers={"Host": "localhost"})
    lines = answer.text.splitlines()
    assert lines[0] == "shot,time_s,before_psi,minimum_psi,dip_psi,recovery_s,outcome,by_hand,doubtful"
    assert len(lines) == 1 + len(work.shots(BEFORE)[0].shots)
    assert float(lines[1].split(",")[2]) == pytest.approx(92.8, abs=0.5)
    assert client.get("/download/shots.csv", query_string={"session": "../x"}, headers={"Host": "localhost"}).status_code == 404


def test_results_are_made_once_until_the_session_changes(work: Work) -> None:
    assert work.shots(BEFORE) is work.shots(BEFORE)
    assert work.shots(BEFORE, "tool") is work.shots(BEFORE)  # so that a zoom does not find them again
    session = work.session(BEFORE)
    first = work.recording(BEFORE)
    (session.folder / "marks.jsonl").write_text('{"time_s": 2.0, "kind": "note", "text": "wind"}\n', encoding="utf-8")
    second = work.recording(BEFORE)
    assert second is not first
    assert second.marks[0]["text"] == "wind"


def test_a_line_is_checked_while_typing_and_kept_only_when_it_can_be(tmp_path: Path) -> None:
    work = Work(tmp_path)
    assert "understood" in text_of(line_editor.checked(line_editor.NEW))
    assert "Did you mean 'bore'" in text_of(line_editor.checked(line_editor.NEW.replace("bore =", "boar =")))
    line_editor.kept(work, "../shop", line_editor.NEW)
    assert list(work.lines()) == ["-shop"] or list(work.lines()) == ["..-shop"]
    assert "Not kept" in text_of(line_editor.kept(work, "shop", "nonsense")[0])
    assert len(work.lines()) == 1


def test_the_address_holds_a_window_and_a_burst() -> None:
    assert window_of({"from": "2.5", "to": "7"}) == (2.5, 7.0)
    assert window_of({"from": "7", "to": "2"}) is None
    assert window_of({"from": "nan", "to": "2"}) is None
    assert burst_of({}, "6", "0.3 s") == ((6, 0.3), {})
    assert set(burst_of({"shots": "0", "every": "soon"}, "6", "0.3 s")[1]) == {"shots", "every"}


def test_thumbnails_are_of_sessions_only(work: Work) -> None:
    client = create_app(work.home).server.test_client()
    answer = client.get(f"/thumbnail/{BEFORE}.svg", headers={"Host": "localhost"})
    assert answer.mimetype == "image/svg+xml"
    assert b"<polyline" in answer.data
    for wrong in ("../../secret.svg", "nothing.svg", "..%2f..%2fsecret.svg"):
        assert client.get(f"/thumbnail/{wrong}", headers={"Host": "localhost"}).status_code == 404


def test_compare_says_why_it_can_be_believed_and_what_the_model_expects(work: Work) -> None:
    query = {"before": BEFORE, "after": AFTER}
    words = text_of(render(compare, work, query, Reader("bar")))
    for part in ("Why you can believe this", "Equal work", "Starting pressure", "Bursts", "Which shots were matched", "Log-rank test"):
        assert part in words
    assert "The model expects" not in words
    words = text_of(render(compare, work, {**query, "line_before": "boathouse", "line_after": "boathouse_receiver"}, Reader("bar")))
    assert "The model expects the recovery to change by" in words
    assert "believe the measurement" in words
    assert "There is no air line" in text_of(
        render(compare, work, {**query, "line_before": "lost", "line_after": "boathouse"}, Reader("bar"))
    )


@pytest.mark.parametrize("page", PAGES, ids=lambda p: p.__name__)
def test_what_a_page_says_has_a_minus_and_no_hyphen_before_a_number(work: Work, page: Any) -> None:
    shown = render(page, work, {"before": BEFORE, "after": AFTER}, Reader("bar"))
    said = [
        part.children
        for part in shown._traverse()
        if type(part).__name__ in {"P", "Dd", "Td", "Li", "Small"} and isinstance(part.children, str)
    ]
    assert [text for text in said if MINUS.search(text)] == []


def test_a_column_of_pressures_has_as_many_places_in_each_row() -> None:
    assert Reader("bar").pressures([30e3, 11.4e3, 0.0]) == ["0.300", "0.114", "0.000"]
    assert Reader("psi").pressures([50e3, 60e3]) == ["7.3", "8.7"]


def test_compare_offers_the_sensors_of_each_session_and_no_report_of_nothing(tmp_path: Path) -> None:
    work = Work(make_home(tmp_path))
    two = work.take_in("two.csv", (LINES / "deck_two_channels.csv").read_bytes(), None).name
    query = {"before": two, "after": BEFORE}
    words = text_of(render(compare, work, query, Reader("bar")))
    assert "Sensor before" in words
    assert "Sensor after" not in words
    assert "Report as PDF" in words
    by_tool, by_supply = (text_of(render(compare, work, {**query, "sensor_before": name}, Reader("bar"))) for name in ("tool", "supply"))
    assert by_tool != by_supply
    assert "Report as PDF" not in text_of(render(compare, work, {"before": BEFORE}, Reader("bar")))


def test_compare_says_how_much_at_least_where_every_recovery_of_a_day_was_cut_off() -> None:
    least, took = Estimate(value=None, low=0.275), Estimate(value=0.117, low=0.116, high=0.118)
    words = "recovers", "sooner", "later"
    helped = _compared(Estimate(value=None, high=-0.56), least, took, finer_seconds, words)
    assert helped == "recovers at least 56 % sooner (0.117 s instead of more than 0.275 s)"
    worse = _compared(Estimate(value=None, low=1.27), took, least, finer_seconds, words)
    assert worse == "recovers at least 127 % later (more than 0.275 s instead of 0.117 s)"
    assert _compared(Estimate(value=None, high=0.13), least, took, finer_seconds, words) == ""
    assert value_and_interval(Estimate(value=None, high=-0.56), change) == ("not known", "95 %: at most -56 %")


def test_compare_says_in_one_sentence_what_became_of_a_shot(work: Work) -> None:
    helped = text_of(render(compare, work, {"before": BEFORE, "after": AFTER}, Reader("bar")))
    assert re.search(
        r"It helped\. One and the same shot recovers \d\d % sooner \([\d.]+ s instead of [\d.]+ s\) and dips \d\d % less", helped
    )
    assert "were left out:" not in helped  # the table says it
    worse = text_of(render(compare, work, {"before": AFTER, "after": BEFORE}, Reader("bar")))
    assert re.search(r"It got worse\. One and the same shot recovers \d+ % later .* and dips \d+ % deeper", worse)
    idle = text_of(render(compare, work, {"before": NIGHT, "after": BEFORE}, Reader("bar")))
    assert "No shot was found in the recording before the change." in idle
    assert "not known" not in idle
    assert "set side by side" not in idle  # nothing was compared


def test_shots_are_held_against_the_window_of_the_line_that_the_session_names(tmp_path: Path) -> None:
    work = Work(make_home(tmp_path))
    assert "tool's window" not in text_of(render(shots, work, {"session": BEFORE}, Reader("bar")))
    change_session(work.session(BEFORE).folder, line="boathouse")
    assert "100 % of the shots started inside the tool's window." in text_of(render(shots, work, {"session": BEFORE}, Reader("bar")))
    line = work.home / "lines" / "boathouse.toml"
    line.write_text(line.read_text(encoding="utf-8").replace('window = ["5.5 bar"', 'window = ["6.5 bar"'), encoding="utf-8")
    assert "0 % of the shots started inside the tool's window." in text_of(render(shots, work, {"session": BEFORE}, Reader("bar")))


def test_the_air_of_a_shot_is_weighed_in_the_volume_that_the_reader_gives(work: Work) -> None:
    def card(volume: str) -> str:
        words = text_of(render(shots, work, {"session": BEFORE, "volume": volume}, Reader("bar")))
        return words[words.index("How much air a shot takes") :]

    assert "free air" not in card("")
    assert "How much air a shot takes cannot be told" in card("24 L")  # a regulated line is refilled at once
    assert "A volume must be above zero." in card("0 L")


@pytest.mark.parametrize(("every_s", "why"), [(0.6, "Leave pauses"), (2.5, "It is not the pace: 15 were watched for more than 2.00 s")])
def test_what_keeps_a_recovery_from_being_seen_is_the_pace_or_the_line(every_s: float, why: str) -> None:
    # A tank that nothing refills: each shot takes 6 kPa for good, and 30 kPa for a moment.
    t_s, fired = np.arange(0.0, 40.0, 0.005), np.arange(2.0, 38.0, every_s)
    p_pa = 700e3 - 6e3 * np.searchsorted(fired, t_s) + np.random.default_rng(3).normal(0.0, 100.0, t_s.size)
    for at in fired:
        p_pa -= np.where(t_s > at, 30e3 * np.exp(-np.maximum(t_s - at, 0.0) / 0.1), 0.0)
    record = find_shots(t_s, p_pa)
    words = " ".join(wording.shots(record, summarise(record), Reader("bar")))
    assert f"fewer than half of the shots were seen to recover. {why}" in words


@pytest.mark.parametrize(
    ("low_pa", "said"),
    [
        (Estimate(value=14e3, low=10e3, high=18e3), "0.140 bar (95 % between 0.100 bar and 0.180 bar) lower than the first"),
        (Estimate(value=14e3, low=-4e3, high=18e3), "as high as the first, as far as these shots can tell"),
        (Estimate(value=-1e3), "as high as the first, as far as these shots can tell"),
        (Estimate(value=-14e3, low=-30e3, high=2e3), "as high as the first, as far as these shots can tell"),
        (Estimate(value=-14e3), "0.140 bar higher than the first"),
        (Estimate(value=-14e3, low=-18e3, high=-10e3), "0.140 bar (95 % between 0.100 bar and 0.180 bar) higher than the first"),
    ],
)
def test_later_shots_of_bursts_start_lower_or_higher_or_neither(low_pa: Estimate, said: str) -> None:
    sag = BurstSag(shots_per_s=3.0, nth=5, bursts=4, low_pa=low_pa)
    assert wording._sag(sag, Reader("bar")) == f"In 4 bursts at 3.0 a second the 5th shot started {said}."


def test_a_shot_is_taken_out_and_added_by_hand_and_undone(tmp_path: Path) -> None:
    work = Work(make_home(tmp_path))
    address = {"path": "/shots", "search": f"?session={BEFORE}", "unit": "bar"}
    found = work.shots(BEFORE)[0].shots

    def correct(kind: str, at_s: float) -> str:
        return shots.corrected(work, address, kind, at_s)[1]

    assert correct("not a shot", found[3].time_s) == ""
    record = work.shots(BEFORE)[0]
    assert [s.time_s for s in record.shots] == [s.time_s for i, s in enumerate(found) if i != 3]
    words = text_of(render(shots, work, {"session": BEFORE}, Reader("bar")))
    assert "1 shot taken out by hand, 0 added." in words
    assert "Corrected by hand" in words
    rows = [line.split(",") for line in work.shots_csv(BEFORE, None, "kPa").splitlines()]
    assert [r[0] for r in rows[3:6]] == ["3", "", "4"]
    assert [r[-3] for r in rows[3:6]] == ["recovered", "not a shot", "recovered"]
    assert [r[-2:] for r in rows[3:6]] == [["", ""], ["taken out", ""], ["", ""]]
    assert float(rows[4][1]) == pytest.approx(found[3].time_s, abs=1e-4)
    # Taken out and added again a little beside: both are told.
    marks = work.session(BEFORE).folder / "marks.jsonl"
    with marks.open("a", encoding="utf-8") as file:
        file.write(json.dumps({"time_s": found[6].time_s - 0.05, "kind": "not a shot"}) + "\n")
        file.write(json.dumps({"time_s": found[6].time_s + 0.02, "kind": "shot"}) + "\n")
    assert [line.split(",")[-2] for line in work.shots_csv(BEFORE, None, "kPa").splitlines()].count("added") == 1
    marks.write_text("".join(marks.read_text(encoding="utf-8").splitlines(keepends=True)[:-2]), encoding="utf-8")
    # Near what was taken out, "a shot here" is the undo, also where the moment is not quite the same.
    assert correct("shot", found[3].time_s + 0.03) == ""
    assert repr(work.shots(BEFORE)[0].shots) == repr(found)
    assert "Corrected by hand" not in text_of(render(shots, work, {"session": BEFORE}, Reader("bar")))
    assert "There is a shot at" in correct("shot", found[0].time_s)
    assert "No fall of pressure can be measured" in correct("shot", found[0].time_s - 1.5)
    assert "There is no shot within" in correct("not a shot", found[0].time_s - 1.5)


def test_moments_are_told_as_the_figure_has_them() -> None:
    assert shots._moments([12.34, 60.0], 300.0) == "12.3, 60.0 s"
    assert shots._moments([90.0] * 7, 2400.0) == "1.50, 1.50, 1.50, 1.50, 1.50, 1.50 min …"


def test_shots_of_a_slow_logger_are_not_said_to_be_all() -> None:
    made = record(Scene(name="quick"), 1)
    every = find_shots(made.t_s, made.p_pa)
    some = find_shots(made.t_s[::10], made.p_pa[::10])
    assert 0 < len(some.shots) < len(every.shots)
    said = [wording.shots(found, summarise(found), Reader("bar"))[0] for found in (every, some)]
    assert said[0].startswith(f"{len(every.shots)} shots in ")
    assert said[1].startswith("At 20.0 readings a second shots go unseen between two of them")


def test_a_picked_shot_is_shown_and_pointed_out(work: Work) -> None:
    address = {"path": "/shots", "search": f"?session={BEFORE}", "unit": "kPa"}
    shot = work.shots(BEFORE)[0].shots[2]
    panel, over = shots.shown_picked(work, address, {"shot": 2})
    words = text_of(panel)
    for part in ("Shot 3 of 12", f"{shot.time_s:.2f} s", f"{shot.dip_pa / 1e3:.0f} kPa", "Not a shot", "Shot before", "Shot after"):
        assert part in words
    assert "shot 3" in text_of(over)
    panel, _ = shots.shown_picked(work, address, {"at": 1.0})
    words = text_of(panel)
    assert "No shot found at 1.00 s" in words
    assert "A shot here" in words


def test_a_recording_is_drawn_again_where_the_figure_says(work: Work) -> None:
    client, shot = create_app(work.home).server.test_client(), work.shots(BEFORE)[0].shots[2]
    again = shots.layout(work, {"session": BEFORE}, Reader("kPa"))["recording"].figure.layout.meta["again"]

    def asked(address: str) -> Any:
        return client.get(address, headers={"Host": "localhost"})

    curve, marks, picked = asked(f"{again}&from=2.5&to=9&shot=2").json["data"]
    assert (curve["name"], marks["name"], picked["text"]) == ("pressure", "shots", ["<b>shot 3</b>"])
    assert picked["x"] == pytest.approx([shot.time_s])
    assert picked["y"] == pytest.approx([shot.minimum_pa / 1e3])
    for wrong in (f"{again}&shot=nan", f"{again}&at=noon", again.replace("kPa", "furlong"), "/recording?session=../x"):
        assert asked(wrong).status_code == 404
