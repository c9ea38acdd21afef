"""The log book: what was done is kept, hours and water add up, a trend is said only where it is one, dates reach a calendar."""

from __future__ import annotations

import csv
import io
import math
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import icalendar
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import farend
from analysis.desiccant import Desiccant
from analysis.line import Line
from analysis.line_file import parse_line
from analysis.logbook import Digest, Due, LogBook, Service, keep_book
from analysis.trend import trend
from analysis.water import WaterBalance, water_balance
from dashboard import book
from dashboard.app import create_app
from dashboard.pages import logbook
from dashboard.reader import Reader
from dashboard.static_page import text
from dashboard.work import Work
from logger.logbook import CHECKED, Entry, read_entries, write_entry
from logger.session import append_mark, change_session
from tests.browser.home import AFTER, BEFORE, LINES, make_home
from tests.commands import ask, refuse

NOW = datetime(2026, 6, 30, 12, tzinfo=UTC)
DAY = timedelta(days=1)


def line() -> Line:
    return parse_line((LINES / "boathouse.toml").read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def water() -> WaterBalance:
    return water_balance(line(), shots_per_day=1000.0, hours_per_day=8.0)


def session(day: int, shots: int = 1000, recovery_s: float = 0.4) -> Digest:
    return Digest(name=f"day {day}", started=NOW - day * DAY, duration_s=8 * 3600.0, shots=shots, recovery_s=recovery_s, dip_pa=5e4)


def kept(water: WaterBalance, sessions: list[Digest], services: list[Service] | None = None, **calibrated: datetime) -> LogBook:
    return keep_book(sessions, services or [], water, calibrated, now=NOW, calibration_days=365)


# Adding up


def test_shots_and_hours_add_up_since_the_tank_was_drained(water: WaterBalance) -> None:
    sessions = [session(d) for d in (20, 10, 2)]
    assert kept(water, sessions).since_drained == (3000, 3 * 8 * 3600.0)
    assert kept(water, sessions, [Service(kind="tank drained", when=NOW - 5 * DAY)]).since_drained == (1000, 8 * 3600.0)
    assert kept(water, sessions, [Service(kind="filter changed", when=NOW)]).since_drained == (3000, 3 * 8 * 3600.0)


def test_the_tank_is_due_when_its_bowl_is_full_by_the_water_of_so_many_shots(water: WaterBalance) -> None:
    per_shot_kg = (water.tank_kg_per_day.value or 0.0) / 1000.0
    shots = round(0.75 * water.bowl_m3 * 1000.0 / per_shot_kg)
    (due,) = kept(water, [session(1, shots)]).dues
    assert due.what == "drain the tank"
    # A quarter is left, at the pace of that session: a third of its eight hours.
    assert due.work_left_s.value == pytest.approx(8 * 3600.0 / 3.0, rel=1e-3)
    assert due.work_left_s.low is not None
    assert due.work_left_s.low < 8 * 3600.0 / 3.0
    assert not due.is_due(NOW)
    (full,) = kept(water, [session(1, 2 * shots)]).dues
    assert full.is_due(NOW)
    assert full.on == NOW


def test_desiccant_goes_by_the_air_it_has_dried() -> None:
    hose = '[[part]]\nkind = "hose"'
    text_of = (LINES / "boathouse.toml").read_text(encoding="utf-8").replace(hose, '[[part]]\nkind = "dryer"\n\n' + hose)
    dry = parse_line(text_of)
    balance = water_balance(dry, shots_per_day=1000.0, hours_per_day=8.0, desiccant=Desiccant(mass_kg=0.5))

    def due(*of: list[Any]) -> Due:
        return next(d for d in kept(balance, *of).dues if d.what == "change the desiccant")

    fresh = due([])
    assert fresh.work_left_s == balance.desiccant_life_s
    used = due([session(3, 2000)])
    assert used.work_left_s.value == pytest.approx((balance.desiccant_life_s.value or 0.0) - 16 * 3600.0)
    changed = [Service(kind="desiccant changed", when=NOW - DAY)]
    assert (
        next(d for d in kept(balance, [session(3, 2000)], changed).dues if d.what == "change the desiccant").work_left_s
        == fresh.work_left_s
    )


def test_calibrations_go_by_the_calendar_and_the_most_urgent_comes_first(water: WaterBalance) -> None:
    found = kept(water, [session(1, 10)], old=NOW - 400 * DAY, new=NOW - 10 * DAY).dues
    assert next(d.what for d in found) == "check the zero of old"
    assert [d.is_due(NOW) for d in found if "new" in d.what] == [False]
    assert next(d for d in found if "new" in d.what).on == NOW + 355 * DAY


# Trends


def test_a_steady_worsening_is_seen_and_said(water: WaterBalance) -> None:
    rng = np.random.default_rng(3)
    slower = [session(90 - 10 * i, recovery_s=0.4 * 1.2 ** (i / 8) * math.exp(rng.normal(0.0, 0.02))) for i in range(9)]
    found = kept(water, slower).trends["recovery"]
    assert found.verdict == "rises"
    assert found.change.value == pytest.approx(0.20, abs=0.06)
    said = " ".join(book.words("Deck", kept(water, slower), NOW))
    assert "recovery has changed by +2" in said or "recovery has changed by +1" in said
    assert "look at the filter" in said


def test_no_trend_is_made_of_a_few_sessions_or_of_scatter(water: WaterBalance) -> None:
    few = [session(10 * i, recovery_s=0.3 + 0.1 * i) for i in range(4)]
    assert kept(water, few).trends["recovery"].verdict == "cannot tell"
    rng = np.random.default_rng(4)
    false = sum(trend(np.arange(8.0), np.exp(rng.normal(0.0, 0.1, 8))).verdict in {"rises", "falls"} for _ in range(400))
    assert false / 400 <= 0.05


@given(st.floats(1e-3, 1e3), st.floats(1e2, 1e7), st.floats(0.1, 10.0))
def test_units_and_clock_change_no_trend(scale: float, shift_s: float, stretch: float) -> None:
    t, v = np.arange(6.0) * 86_400.0, np.array([1.0, 1.1, 1.3, 1.2, 1.5, 1.6])
    plain, other = trend(t, v), trend(t * stretch + shift_s, v * scale)
    assert other.verdict == plain.verdict
    assert other.change.value == pytest.approx(plain.change.value, rel=1e-6)


def test_missing_values_are_left_out() -> None:
    t, v = np.arange(7.0), np.array([1.0, 1.1, math.nan, 1.2, 1.3, -1.0, 1.4])
    assert trend(t, v).count == 5


# Kept on disk


def test_entries_come_back_in_order_and_a_torn_line_costs_only_itself(tmp_path: Path) -> None:
    later = Entry(when=NOW, line="a", kind="tank drained", water_m3=80e-6, note="rusty")
    earlier = Entry(when=NOW - DAY, line="b", kind=CHECKED, answers={"eyes": False})
    for entry in (later, earlier):
        write_entry(tmp_path, entry)
    path = tmp_path / "logbook.jsonl"
    path.write_text(path.read_text(encoding="utf-8") + '{"when": "2026-0', encoding="utf-8")
    assert read_entries(tmp_path) == (earlier, later)
    assert read_entries(tmp_path, "a") == (later,)


@pytest.mark.parametrize(
    ("entry", "why"),
    [
        (Entry(when=NOW, line="a", kind="washed"), "nothing that the log book knows"),
        (Entry(when=NOW.replace(tzinfo=None), line="a", kind="tank drained"), "has no time zone"),
        (Entry(when=NOW, line="a", kind="tank drained", water_m3=-1.0), "of water cannot be"),
    ],
)
def test_what_cannot_be_an_entry_is_refused(tmp_path: Path, entry: Entry, why: str) -> None:
    with pytest.raises(ValueError, match=why):
        write_entry(tmp_path, entry)
    assert not (tmp_path / "logbook.jsonl").exists()


# Command and page


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    home = make_home(tmp_path)
    for name in (BEFORE, AFTER):
        change_session(home / "sessions" / name, line="boathouse")
    monkeypatch.setenv("FAREND_HOME", str(home))
    return home


@pytest.mark.usefixtures("home")
def test_the_command_counts_writes_down_and_hands_out(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    before = ask(capsys, "logbook", "--line", "boathouse")
    assert before["shots"] == before["since_drained"]["shots"] == 24
    table, calendar = tmp_path / "book.csv", tmp_path / "due.ics"
    done = ["--done", "tank drained", "--water", "80 mL", "--note", "=rusty", "--csv", str(table), "--calendar", str(calendar)]
    after = ask(capsys, "logbook", "--line", "boathouse", *done)
    assert after["since_drained"]["shots"] == 0
    rows = list(csv.DictReader(io.StringIO(table.read_text(encoding="utf-8"))))
    assert [r["what"] for r in rows] == [f"session: {BEFORE}", f"session: {AFTER}", "tank drained"]
    assert (rows[2]["water_ml"], rows[2]["note"]) == ("80", "'=rusty")
    events = icalendar.Calendar.from_ical(calendar.read_bytes()).walk("VEVENT")
    assert {str(e["SUMMARY"]) for e in events} <= {"Boathouse line: drain the tank"}
    assert "no such air-line file" in refuse(capsys, "logbook", "--line", "nowhere")
    assert farend.main(["logbook", "--line", "boathouse"]) == 0
    assert "Boathouse line: 24 shots" in capsys.readouterr().out


def test_marks_in_a_session_count_as_services(home: Path) -> None:
    work = Work(home)
    append_mark(home / "sessions" / AFTER, {"time_s": 30.0, "kind": "changed", "text": "Tank drained"})
    services = book.services_of((), list(work.sessions()))
    assert [s.kind for s in services] == ["tank drained"]
    assert services[0].when == work.session(AFTER).started + timedelta(seconds=30)


def test_the_page_writes_down_and_hands_out(home: Path) -> None:
    work = Work(home)
    said, search = logbook.written(work, {"line": "boathouse", "named": "Boathouse line", "entries": 0}, "tool serviced", "", "oiled")
    assert said == "Written down: tool serviced."
    assert search == "?line=boathouse&entries=1"
    assert "Not written" in logbook.written(work, {"line": "boathouse", "named": "x", "entries": 0}, "tank drained", "much", "")[0]
    words = text(logbook.layout(work, {}, Reader("psi")))
    assert "oiled" in words
    assert "24 shots" in words
    client = create_app(home).server.test_client()
    assert client.get("/download/logbook.ics?line=boathouse").data.startswith(b"BEGIN:VCALENDAR")
    assert client.get("/download/logbook.csv?line=../x").status_code == 404
