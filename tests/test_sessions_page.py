"""The page Sessions: edit, tick two to compare, take a session away and bring it back."""

from __future__ import annotations

import base64
import io
from pathlib import Path

import pandas as pd
import pyarrow.parquet as pq
import pytest

from dashboard.app import create_app
from dashboard.pages import sessions
from dashboard.reader import Reader
from dashboard.static_page import text
from dashboard.work import Work
from tests.browser.home import AFTER, BEFORE, NIGHT, make_home


@pytest.fixture
def work(tmp_path: Path) -> Work:
    return Work(make_home(tmp_path))


def test_name_notes_line_and_place_are_kept(work: Work) -> None:
    said = {"name": "north deck", "notes": "rain from ten on", "line": "boathouse", "site": "north side"}
    stays, problem, _ = sessions.edited(work, BEFORE, said, {"path": "/sessions"})
    assert (stays, problem) == (False, "")
    session = work.session("north deck")
    assert (session.notes, session.line, session.site) == ("rain from ten on", "boathouse", "north side")
    assert work.shots("north deck")[0].shots


def test_a_long_list_comes_page_by_page_and_can_be_searched_as_a_whole(work: Work, monkeypatch: pytest.MonkeyPatch) -> None:
    whole = str(sessions.layout(work, {}, Reader("bar")))
    every = [s.name for s in work.sessions()]
    assert whole.count("data-src") == len(every)
    assert "Older" not in whole
    monkeypatch.setattr(sessions, "SHOWN", 2)
    seen: list[str] = []
    for page in range(1, -(-len(every) // 2) + 1):
        leaf = str(sessions.layout(work, {"page": str(page)}, Reader("bar")))
        seen += [name for name in every if f"Trace of {name}" in leaf]
        assert ("Newer" in leaf) == (page > 1)
    assert seen == every
    assert f"1 to 2 of {len(every)}" in str(sessions.layout(work, {"page": "nothing"}, Reader("bar")))
    last = str(sessions.layout(work, {"page": "99"}, Reader("bar")))
    assert f"Trace of {every[-1]}" in last
    assert "Older" not in last
    assert f"Trace of {every[-1]}" in str(sessions.layout(work, {"find": every[-1]}, Reader("bar")))
    assert f"Trace of {every[-1]}" in str(sessions.listed(work, {"path": "/sessions", "search": "?page=99"}))


def test_shots_of_a_session_are_counted_when_it_comes_near_the_view(work: Work) -> None:
    row = str(sessions.layout(work, {"find": BEFORE}, Reader("bar")))
    assert "/count/deck%20before" in row
    client = create_app(work.home).server.test_client()
    assert client.get("/count/deck%20before").text == f" · {len(work.shots(BEFORE)[0].shots)} shots"
    assert client.get("/count/none%20of%20that%20name").text == ""


def test_a_name_that_is_taken_keeps_the_dialog_open(work: Work) -> None:
    stays, problem, _ = sessions.edited(work, BEFORE, {"name": AFTER, "notes": None, "line": None, "site": None}, {})
    assert stays
    assert "already" in problem


def test_two_ticked_are_compared_the_earlier_first(work: Work) -> None:
    assert sessions.picked(work, []) is None
    assert sessions.picked(work, ["deleted meanwhile"]) is None
    assert "Tick one more" in text(sessions.picked(work, [AFTER]))
    assert "3 are ticked" in text(sessions.picked(work, [AFTER, BEFORE, NIGHT]))
    offer = sessions.picked(work, [AFTER, BEFORE])
    assert offer.children[1].children[1].href == "/compare?before=deck+before&after=deck+after"


def test_a_session_is_handed_out_in_each_form(work: Work) -> None:
    client = create_app(work.home).server.test_client()

    def get(form: str, **ask: str) -> bytes:
        got = client.get(f"/download/session.{form}", query_string={"session": BEFORE, **ask})
        assert got.status_code == 200
        assert f"deck%20before.{form}" in got.headers["Content-Disposition"]
        assert int(got.headers["Content-Length"]) == len(got.data)
        return got.data

    csv = pd.read_csv(io.BytesIO(get("csv", unit="psi")))
    assert list(csv.columns) == ["time_s", "tool_psi"]
    assert len(csv) == work.session(BEFORE).count == pq.read_table(io.BytesIO(get("parquet"))).num_rows
    taken = work.take_in("passed on.zip", get("zip"), None)
    assert taken.name == BEFORE
    assert len(work.sessions()) == 4
    refused = client.get("/download/session.csv", query_string={"session": "../x"})
    assert refused.status_code == 404
    assert "There is no session" in refused.text
    assert client.get("/download/session.exe", query_string={"session": BEFORE}).status_code == 404


def test_a_broken_zip_is_refused_on_the_page(work: Work) -> None:
    content = "data:application/zip;base64," + base64.b64encode(b"PK\3\4nothing").decode()
    assert "no zip file that can be read" in text(sessions.imported(work, ["x.zip"], [content], ""))
