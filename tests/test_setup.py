"""The Setup page: lines edited part by part without losing anything, answers before work kept with their date."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.cautions import maker_limit
from analysis.line_check import questions
from analysis.line_edit import STARTS, add, move, put, remove, said
from analysis.line_file import KINDS, LineError, known_keys, parse_line
from dashboard import line_editor
from dashboard.pages import setup
from dashboard.reader import Reader
from dashboard.static_page import find, of_class, text
from dashboard.work import Work
from tests.browser.home import LINES, make_home
from tests.commands import ask, refuse

BOATHOUSE = (LINES / "boathouse.toml").read_text(encoding="utf-8")


def kinds(line_text: str) -> list[str]:
    return [p.kind for p in parse_line(line_text).parts]


def test_a_value_is_changed_and_all_else_stays() -> None:
    after = put(BOATHOUSE, 1, "bore", "9.5 mm")
    assert after == BOATHOUSE.replace('bore = "7 mm"', 'bore = "9.5 mm"')
    assert "# free air" in after
    assert parse_line(put(BOATHOUSE, "site", "altitude", "1200 m")).site.altitude_m == 1200.0
    assert parse_line(put(BOATHOUSE, "", "name", "North line")).name == "North line"
    assert parse_line(put(BOATHOUSE, 3, "window", "5 bar to 6.5 bar")).tool.window_pa == pytest.approx((5e5, 6.5e5))


def test_an_empty_value_takes_the_key_out() -> None:
    assert "rated" not in said(put(BOATHOUSE, 0, "rated", "  "), 0)
    assert put(BOATHOUSE, 0, "droop", "") == BOATHOUSE


def test_parts_are_added_moved_and_taken_out() -> None:
    after = add(BOATHOUSE, 1, "receiver")
    assert kinds(after) == ["regulator", "hose", "receiver", "coupler", "tool"]
    assert kinds(move(after, 2, -2)) == ["receiver", "regulator", "hose", "coupler", "tool"]
    assert kinds(remove(after, 0)) == ["hose", "receiver", "coupler", "tool"]
    assert kinds(add(BOATHOUSE, -1, "filter"))[0] == "filter"


@given(st.integers(0, 3), st.integers(-5, 5))
def test_moving_loses_no_part_and_ends_at_the_ends(index: int, by: int) -> None:
    before = [said(BOATHOUSE, i) for i in range(4)]
    moved = move(BOATHOUSE, index, by)
    after = [said(moved, i) for i in range(4)]
    assert sorted(map(str, after)) == sorted(map(str, before))
    assert after[min(max(index + by, 0), 3)] == before[index]


@pytest.mark.parametrize("kind", [k for k in KINDS if k != "tool"])
def test_what_is_added_can_be_used_at_once(kind: str) -> None:
    parse_line(add(BOATHOUSE, 0, kind))
    assert set(STARTS.get(kind, {})) <= set(known_keys(kind))
    assert all(key in line_editor.LABELS or key.replace("_", " ") for key in known_keys(kind))


def test_what_cannot_be_edited_is_said() -> None:
    with pytest.raises(LineError, match="Put that right in the text first"):
        put("name = ", "", "name", "x")
    with pytest.raises(LineError, match="There is no part 9; the line has 4"):
        remove(BOATHOUSE, 8)
    with pytest.raises(LineError, match="'pump' is no kind of part"):
        add(BOATHOUSE, 0, "pump")
    assert said("name = ", 0) == {}


def test_fields_that_say_what_the_file_says_change_nothing() -> None:
    fields = [{"field": key, "of": "1"} for key in known_keys("hose")]
    values = [said(BOATHOUSE, 1).get(f["field"], "") for f in fields]
    assert line_editor.changed(BOATHOUSE, values, fields) == BOATHOUSE
    values[[f["field"] for f in fields].index("length")] = "25 m"
    assert parse_line(line_editor.changed(BOATHOUSE, values, fields)).parts[1].length_m == 25.0


def test_the_row_draws_every_part_and_points_to_an_underrated_one() -> None:
    low = put(BOATHOUSE, 1, "rated", "5 bar")
    row = line_editor.drawn(low, "1", Reader("bar"))
    buttons = find(row, of_class("place-button"))
    assert [b.to_plotly_json()["props"]["aria-pressed"] for b in buttons] == ["false", "false", "false", "true", "false", "false"]
    assert "look here" in text(buttons[3])
    assert "rated 5.0 bar" in text(line_editor.part_said(low, "1"))
    assert len(find(line_editor.drawn(put(low, 1, "bore", "nonsense"), "1", Reader("psi")), of_class("place-button"))) == 6


def test_chosen_place_follows_the_part() -> None:
    assert line_editor.acted(BOATHOUSE, "1", "later")[1] == "2"
    assert line_editor.acted(BOATHOUSE, "0", "earlier")[1] == "0"
    assert line_editor.acted(BOATHOUSE, "0", "remove")[1] == "compressor"
    after, place = line_editor.added(BOATHOUSE, "compressor", "filter")
    assert (kinds(after)[0], place) == ("filter", "0")


def test_answers_before_work_are_kept_with_their_date(tmp_path: Path) -> None:
    work = Work(make_home(tmp_path))
    line = work.line("boathouse")
    keys = [q.key for q in questions(line)]
    assert "receiver drained" not in keys  # the boathouse line has none
    assert all(q.source for q in questions(line))
    assert setup.answered(work, line.name, keys, "") == "Kept: all in order."
    said_so = setup.answered(work, line.name, keys[:-1], "goggles are lost")
    assert "Not in order: eyes" in said_so
    kept = work.entries(line.name)
    assert [sum(c.answers.values()) for c in kept] == [len(keys), len(keys) - 1]
    assert kept[1].note == "goggles are lost"
    assert kept[0].when.tzinfo is not None
    page = text(setup.layout(work, {"view": "before", "line": "boathouse"}, Reader("psi")))
    assert "goggles are lost" in page
    assert setup.answered(work, "no such line", keys, "").startswith("Not kept")


@pytest.mark.parametrize("view", [key for key, _ in setup.VIEWS])
def test_every_view_stands_with_and_without_anything_kept(tmp_path: Path, view: str) -> None:
    assert text(setup.layout(Work(tmp_path), {"view": view}, Reader("bar")))
    work = Work(make_home(tmp_path / "home"))
    (tmp_path / "home" / "sensors.toml").write_text(
        '[deck]\nchannel = "a0"\nname = "tool"\nunit = "counts"\nto = "psi"\ngain = 0.18\noffset = -18.0\npressure = "gauge"\n'
        "calibrated = 2020-06-03T07:12:00Z\n",
        encoding="utf-8",
    )
    words = text(setup.layout(work, {"view": view}, Reader("bar")))
    assert ("check its zero again" in words) == (view == "sensors")


TOOLS = '[[tool]]\nname = "framing nailer"\nrated = "8.3 bar"\n\n[[tool]]\nname = "deck nailer"\nwindow = ["5 bar", "6.5 bar"]\n'


def test_tools_are_kept_and_the_lower_of_two_limits_counts(tmp_path: Path) -> None:
    work = Work(make_home(tmp_path))
    assert setup.tools_kept(work, TOOLS) == "Kept: 2 tools."
    tools = work.tools()
    assert {"framing nailer", "deck nailer"} <= set(tools)
    assert maker_limit(tools["deck nailer"]) == pytest.approx(6.5e5)  # the kept line's own says 7 bar
    assert "6.50 bar" in text(setup.tools_checked(TOOLS, Reader("bar")))


@pytest.mark.parametrize(
    ("wrong", "why"),
    [
        (TOOLS.replace("rated", "ratd"), "line 3: 'ratd' is not a key of a tool. Did you mean 'rated'"),
        (TOOLS.replace("framing", "deck"), "Two tools are called 'deck nailer'"),
        (TOOLS.replace("8.3 bar", "-1 bar"), "line 3: rated"),
        ('[[tool]]\nrated = "8 bar"\n', "with a name"),
        ("[[part]]\n", "'part' is not a key of a file of tools"),
        ("[[tool]\n", "no valid file of tools"),
    ],
)
def test_tools_that_cannot_be_are_refused_and_nothing_is_kept(tmp_path: Path, wrong: str, why: str) -> None:
    work = Work(tmp_path)
    assert why in setup.tools_kept(work, wrong)
    assert why in text(setup.tools_checked(wrong, Reader("bar")))
    assert work.tools_text() == ""


def test_the_command_heeds_the_limit_of_a_tool(tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("FAREND_HOME", str(tmp_path))
    Work(tmp_path).save_tools(TOOLS)
    sample = [str(LINES / "dialling_in.csv"), "--marks", str(LINES / "dialling_in.jsonl")]
    assert ask(capsys, "setting", *sample, "--tool", "deck nailer")["limit_kpa"] == pytest.approx(650.0)
    assert "Known are: framing nailer, deck nailer" in refuse(capsys, "setting", *sample, "--tool", "stapler")
