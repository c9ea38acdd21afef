"""Sessions on disk: what is written is read, raw values never change, names lead nowhere else."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import numpy as np
import pyarrow.parquet as pq
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from analysis.units import PSI_PA
from logger.channel import Channel
from logger.csv_in import read_csv
from logger.export import export_recording
from logger.home import home, line_file, safe_name
from logger.journal import JournalWriter
from logger.kept import delete, find_session, list_sessions, recover_unfinished, rename, restore, save_imported
from logger.marks import read_marks
from logger.open import open_what
from logger.readings import new_journal_path
from logger.session import Session, append_mark, change_session, create_session, finish_session, lock_session, open_session, save_session

STARTED = datetime(2026, 6, 3, 7, 12, tzinfo=UTC)
TOOL = Channel(name="tool", unit="psi")


def _saved(folder: Path, name: str = "deck", **more: object) -> Session:
    t = np.arange(100) / 10.0
    raw = {"time_s": t, "tool": 90.0 + np.sin(t), "wall": np.where(np.arange(100) % 10, np.nan, 20.0)}
    channels = [TOOL, Channel(name="wall", unit="degC")]
    return save_session(folder, name, started=STARTED, channels=channels, raw=raw, **more)  # type: ignore[arg-type]


def test_the_folder_is_the_contract_s(tmp_path: Path) -> None:
    session = _saved(tmp_path, "2026-06-03 boathouse deck, no receiver", marks=[{"time_s": 1.0, "kind": "note", "text": "début"}])
    assert session.folder == tmp_path / "sessions" / "2026-06-03 boathouse deck, no receiver"
    assert sorted(p.name for p in session.folder.iterdir()) == ["marks.jsonl", "readings.parquet", "session.toml"]
    table = pq.read_table(session.folder / "readings.parquet", partitioning=None)
    assert table.column_names == ["time_s", "tool", "wall"]
    assert json.loads((session.folder / "marks.jsonl").read_text(encoding="utf-8"))["text"] == "début"
    text = (session.folder / "session.toml").read_text(encoding="utf-8")
    assert 'unit = "psi"' in text
    assert "2026-06-03T07:12:00Z" in text


def test_readings_are_si_and_named_with_their_unit(tmp_path: Path) -> None:
    session = _saved(tmp_path)
    frame = session.readings
    assert frame.index.name == "time_s"
    assert list(frame.columns) == ["tool_pa", "wall_k"]
    assert frame["tool_pa"].iloc[0] == pytest.approx(90.0 * PSI_PA)
    assert frame["wall_k"].iloc[0] == 293.15
    assert np.isnan(frame["wall_k"].iloc[1])
    assert session.count == 100
    assert session.duration_s == pytest.approx(9.9)


def test_a_corrected_calibration_changes_readings_and_not_what_was_sent(tmp_path: Path) -> None:
    session = _saved(tmp_path)
    kept = (session.folder / "readings.parquet").read_bytes()
    changed = change_session(session.folder, channels=[Channel(name="tool", unit="psi", gain=1.02, offset=-0.5)], notes="re-calibrated")
    assert (session.folder / "readings.parquet").read_bytes() == kept
    np.testing.assert_allclose(changed.readings["tool_pa"], session.readings["tool_pa"] * 1.02 - 0.5 * PSI_PA)
    assert changed.notes == "re-calibrated"
    assert changed.channel("wall").unit == "degC"


_texts = st.text(st.characters(exclude_categories=["Cs", "Cc"]), max_size=40)
_floats = st.floats(allow_nan=True, allow_infinity=False, width=64)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=60, deadline=None)
@given(
    values=st.lists(st.tuples(_floats, _floats), max_size=30),
    notes=_texts,
    name=_texts,
    offset_min=st.integers(-720, 720),
    absolute=st.booleans(),
)
def test_what_is_written_is_read(
    tmp_path: Path, values: list[tuple[float, float]], notes: str, name: str, offset_min: int, absolute: bool
) -> None:
    started = datetime(2026, 10, 25, 2, 30, 0, 123456, tzinfo=timezone(timedelta(minutes=offset_min)))
    a, b = (np.array([v[i] for v in values], dtype=np.float64) for i in (0, 1))
    raw: dict[str, NDArray[np.float64]] = {"time_s": np.linspace(0.0, 9.9, len(values)), "a0": a, "tank": b}
    channels = (Channel(name="a0", unit="counts"), Channel(name="tank", unit="bar", absolute=absolute, place="receiver"))
    try:
        safe_name(name)
    except ValueError:
        name = "session"
    kept = open_session(save_session(tmp_path, name, started=started, channels=channels, raw=raw, notes=notes, zone="Europe/Oslo").folder)
    assert kept.started == started
    assert kept.channels == channels
    assert kept.notes == notes
    for column, sent in raw.items():
        assert kept.raw[column].tobytes() == sent.tobytes()


@pytest.mark.parametrize("name", ["../../etc", "a/b\\c", "..", "C:\\x", "/abs", "x\0y", "line\nbreak", "trailing. ", "é" * 300])
def test_no_name_leads_out_of_the_folder(tmp_path: Path, name: str) -> None:
    try:
        session = _saved(tmp_path, name)
    except ValueError as refused:
        assert "cannot be the name of a session" in str(refused)
        return
    assert session.folder.resolve().parent == (tmp_path / "sessions").resolve()
    assert find_session(tmp_path, session.name).folder == session.folder


@pytest.mark.parametrize("name", ["", " ", ".", "..", "con", "NUL.txt", "lpt1"])
def test_names_that_systems_keep_for_themselves_are_refused(name: str) -> None:
    with pytest.raises(ValueError, match="cannot be the name of a session"):
        safe_name(name)


def test_a_name_taken_gets_a_number(tmp_path: Path) -> None:
    assert [_saved(tmp_path).name for _ in range(3)] == ["deck", "deck 2", "deck 3"]


def test_a_link_in_the_folder_is_passed_over(tmp_path: Path) -> None:
    elsewhere = _saved(tmp_path / "elsewhere")
    (tmp_path / "sessions").mkdir()
    (tmp_path / "sessions" / "link").symlink_to(elsewhere.folder, target_is_directory=True)
    assert list_sessions(tmp_path) == ()
    with pytest.raises(ValueError, match="There is no session 'link'"):
        find_session(tmp_path, "link")


def test_a_deletion_can_be_undone(tmp_path: Path) -> None:
    session = _saved(tmp_path)
    binned = delete(session.folder, tmp_path)
    assert list_sessions(tmp_path) == ()
    _saved(tmp_path)
    back = restore(binned, tmp_path)
    assert {s.folder.name for s in list_sessions(tmp_path)} == {"deck", "deck 2"}
    assert back.count == 100


def test_renaming_takes_the_folder_along_and_no_other_session_s_place(tmp_path: Path) -> None:
    session = _saved(tmp_path)
    renamed = rename(session.folder, "deck: after")
    assert renamed.name == renamed.folder.name == "deck- after"
    other = _saved(tmp_path)
    with pytest.raises(ValueError, match="There is a session 'deck- after' already"):
        rename(other.folder, "deck: after")


def test_a_session_being_recorded_is_left_alone(tmp_path: Path) -> None:
    session = create_session(tmp_path, "now", started=STARTED, channels=[TOOL])
    with lock_session(session.folder):
        assert session.recording
        assert recover_unfinished(tmp_path) == ()
        with pytest.raises(ValueError, match="is being recorded by another process"):
            delete(session.folder, tmp_path)
    assert not session.recording


def _journal(session: Session, start: int, stop: int, *, close: bool = True) -> None:
    writer = JournalWriter(new_journal_path(session.folder), ["time_s", "tool"])
    for i in range(start, stop):
        k = np.arange(100 * i, 100 * (i + 1), dtype=np.float64)
        writer.write([k / 100.0, k])
    writer.close()
    if not close:  # as a crash leaves it: without the end-of-stream mark, the last batch torn
        data = writer.path.read_bytes()
        writer.path.write_bytes(data[:-200])


def test_journals_become_the_final_file(tmp_path: Path) -> None:
    session = create_session(tmp_path, "deck", started=STARTED, channels=[TOOL])
    _journal(session, 0, 3)
    _journal(session, 3, 5)
    unfinished = open_session(session.folder)
    assert not unfinished.finished
    assert unfinished.count == 500
    np.testing.assert_array_equal(unfinished.raw["tool"], np.arange(500))
    finished = finish_session(session.folder)
    assert finished.finished
    assert not finished.recovered
    assert sorted(p.name for p in session.folder.iterdir()) == ["readings.parquet", "session.toml"]
    np.testing.assert_array_equal(finished.raw["tool"], np.arange(500))
    assert finish_session(session.folder).count == 500


def test_reading_goes_on_when_the_recorder_finishes_meanwhile(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    session = create_session(tmp_path, "deck", started=STARTED, channels=[TOOL])
    _journal(session, 0, 3)
    listed = [session.folder / "readings.arrows"]
    finish_session(session.folder)
    kept = (session.folder / "readings.parquet").rename(session.folder / "away")

    def just_finished(folder: Path) -> list[Path]:
        if kept.exists():
            kept.rename(folder / "readings.parquet")
        return listed

    monkeypatch.setattr("logger.readings.journals", just_finished)
    assert open_session(session.folder).count == 300
    (session.folder / "readings.parquet").rename(kept)
    assert open_session(session.folder).raw["tool"].size == 300


@given(cuts=st.lists(st.integers(1, 59), max_size=6), late=st.floats(-2.0, 30.0), shared=st.booleans())
@settings(max_examples=30, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_journals_of_several_devices_are_one_table_by_time(tmp_path: Path, cuts: list[int], late: float, shared: bool) -> None:
    session = create_session(tmp_path, "deck", started=STARTED, channels=[TOOL, Channel(name="supply", unit="kPa")])
    tool_s: NDArray[np.float64] = np.arange(60) / 10.0
    supply_s: NDArray[np.float64] = (tool_s if shared else tool_s + 0.0371) + late
    for name, times in (("tool", tool_s), ("supply", supply_s)):
        writer = JournalWriter(new_journal_path(session.folder), ["time_s", name])
        for part in np.split(np.arange(60), sorted(set(cuts)) if name == "tool" else [20]):
            writer.write([times[part], np.asarray(part + 0.5, dtype=np.float64)])
        writer.close()
    for seen in (open_session(session.folder), finish_session(session.folder)):
        raw = seen.raw
        assert (np.diff(raw["time_s"]) > 0).all()
        assert seen.count == raw["time_s"].size == np.unique([*tool_s, *supply_s]).size
        for name, times in (("tool", tool_s), ("supply", supply_s)):
            kept = np.isfinite(raw[name])
            np.testing.assert_array_equal(raw["time_s"][kept], times)
            np.testing.assert_array_equal(raw[name][kept], np.arange(60) + 0.5)


def test_what_a_crash_left_open_is_found_again(tmp_path: Path) -> None:
    session = create_session(tmp_path, "deck", started=STARTED, channels=[TOOL])
    _journal(session, 0, 4, close=False)
    assert "not closed properly" in open_what("deck", home=tmp_path).warnings[-1]
    assert recover_unfinished(tmp_path) == ("deck",)
    recovered = open_session(session.folder)
    assert recovered.recovered
    assert recovered.count == 300
    assert recovered.warnings == ("The recorder was ended without warning; at most the last half second of readings is lost.",)
    assert recover_unfinished(tmp_path) == ()


def test_damage_in_the_middle_is_said(tmp_path: Path) -> None:
    session = create_session(tmp_path, "deck", started=STARTED, channels=[TOOL])
    _journal(session, 0, 4)
    path = session.folder / "readings.arrows"
    data = bytearray(path.read_bytes())
    data[len(data) // 2] ^= 1
    path.write_bytes(data)
    finished = finish_session(session.folder)
    assert finished.count == 300
    assert finished.warnings == ("The journal was damaged in one stretch; the readings there are lost.",)


def test_a_crash_while_finishing_loses_nothing(tmp_path: Path) -> None:
    session = create_session(tmp_path, "deck", started=STARTED, channels=[TOOL])
    _journal(session, 0, 2)
    journal = session.folder / "readings.arrows"
    kept = journal.read_bytes()
    (session.folder / "readings.parquet.new").write_bytes(b"half of it")
    assert finish_session(session.folder).count == 200
    journal.write_bytes(kept)  # the crash came between renaming and tidying up
    assert recover_unfinished(tmp_path) == ("deck",)
    assert not journal.exists()
    assert open_session(session.folder).count == 200


def test_times_that_do_not_rise_are_left_out(tmp_path: Path) -> None:
    session = create_session(tmp_path, "deck", started=STARTED, channels=[TOOL])
    writer = JournalWriter(new_journal_path(session.folder), ["time_s", "tool"])
    writer.write([np.array([0.0, 1.0, 0.5, 2.0]), np.array([1.0, 2.0, 3.0, 4.0])])
    writer.write([np.array([1.5, 3.0]), np.array([5.0, 6.0])])
    writer.close()
    assert finish_session(session.folder).raw["tool"].tolist() == [1.0, 2.0, 4.0, 6.0]


def test_an_imported_file_keeps_its_values_as_written(tmp_path: Path) -> None:
    rows = [f"{10 * i},{90 + i / 8},20.5" for i in range(20)]
    text = "\n".join(["t_ms,tool (psi),wall_degc", *rows[:7], "rubbish", *rows[7:]])
    reading = read_csv(text.encode(), name="night.csv")
    session = open_session(save_imported(tmp_path, "night", reading))
    assert session.raw["tool"].tolist() == [90 + i / 8 for i in range(20)]
    assert session.channels == reading.channels
    np.testing.assert_array_equal(session.readings["tool_pa"], reading.readings["tool_pa"])
    assert "1 lines of the file could not be read and were left out." in session.warnings
    assert any("does not say the day" in w for w in session.warnings)


# Marks


def test_marks_are_kept_in_order_and_a_torn_one_costs_only_itself(tmp_path: Path) -> None:
    session = _saved(tmp_path)
    append_mark(session.folder, {"time_s": 5.0, "kind": "changed", "text": "fitted the receiver"})
    path = session.folder / "marks.jsonl"
    path.write_bytes(path.read_bytes() + b'{"time_s": 7.0, "ki')
    append_mark(session.folder, {"time_s": 2.0, "kind": "judged", "depth": "flush"})
    assert [m["time_s"] for m in open_session(session.folder).marks] == [2.0, 5.0]
    assert "line 2: left out" in read_marks(path)[1][0]


@pytest.mark.parametrize(
    ("mark", "why"),
    [
        ({"kind": "note"}, "time_s = None"),
        ({"time_s": float("nan"), "kind": "note"}, "time_s = nan"),
        ({"time_s": True, "kind": "note"}, "time_s = True"),
        ({"time_s": 1, "kind": "nozle"}, "kind = 'nozle'; it is one of note"),
        ({"time_s": 1, "kind": "nozzle", "duration_s": 4.0}, "needs the number conductance_l_per_s_bar"),
        ({"time_s": 1, "kind": "judged", "depth": "ok"}, "needs depth"),
    ],
)
def test_what_is_no_mark_is_refused(tmp_path: Path, mark: dict[str, object], why: str) -> None:
    with pytest.raises(ValueError, match=why):
        append_mark(_saved(tmp_path).folder, mark)


# Opening


def test_the_tool_s_pressure_is_taken_unless_told_otherwise(tmp_path: Path) -> None:
    t = np.arange(5.0)
    raw = {"time_s": t, "supply": 8.0 + t, "tool": np.array([6.0, np.nan, 6.2, 6.3, 6.4]), "baro": np.full(5, 0.98), "wall": 20.0 + t}
    channels = [
        Channel(name="supply", unit="bar"),
        Channel(name="tool", unit="bar"),
        Channel(name="baro", unit="bar", absolute=True),
        Channel(name="wall", unit="degC"),
    ]
    save_session(tmp_path, "two", started=STARTED, channels=channels, raw=raw)
    recording = open_what("two", home=tmp_path)
    assert recording.channel == "tool"
    assert recording.t_s.tolist() == [0.0, 2.0, 3.0, 4.0]
    assert recording.p_amb_pa == pytest.approx(98_000.0)
    assert recording.temp_k is not None
    np.testing.assert_allclose(recording.temp_k, [293.15, 295.15, 296.15, 297.15])
    assert sorted(recording.pressures) == ["supply", "tool"]
    np.testing.assert_allclose(recording.pressures["supply"], [8e5, 10e5, 11e5, 12e5])
    assert open_what("two", channel="supply_pa", home=tmp_path).t_s.size == 5
    with pytest.raises(ValueError, match="no pressure channel 'tank'; it has supply, tool"):
        open_what("two", channel="tank", home=tmp_path)


def test_an_absolute_pressure_becomes_gauge(tmp_path: Path) -> None:
    channels = [Channel(name="tank", unit="kPa", absolute=True)]
    save_session(tmp_path, "abs", started=STARTED, channels=channels, raw={"time_s": np.arange(2.0), "tank": np.array([701.325, 601.325])})
    recording = open_what("abs", home=tmp_path)
    np.testing.assert_allclose(recording.p_pa, [600e3, 500e3])
    assert "standard atmosphere" in recording.warnings[0]


def test_readings_that_are_no_pressure_yet_are_refused(tmp_path: Path) -> None:
    raw = {"time_s": np.arange(2.0), "a0": np.ones(2)}
    save_session(tmp_path, "counts", started=STARTED, channels=[Channel(name="a0", unit="counts")], raw=raw)
    with pytest.raises(ValueError, match=r"no channel that measures a pressure\. It has a0_counts"):
        open_what("counts", home=tmp_path)


@pytest.mark.parametrize(
    ("what", "why"), [("dek", "Did you mean 'deck'"), ("nothing.csv", "there is no such file"), ("x/y", "no such file")]
)
def test_what_is_not_there_is_said(tmp_path: Path, what: str, why: str) -> None:
    _saved(tmp_path)
    with pytest.raises(ValueError, match=why):
        open_what(what, home=tmp_path)


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("started = 3", "needed is a date and time"),
        ("started = 2026-01-01T00:00:00Z\n[channels.tool]\n", "the unit of its raw values is missing"),
        ('started = 2026-01-01T00:00:00Z\n[channels.tool]\nunit="psy"\n', "not a unit that farend knows"),
        ('started = 2026-01-01T00:00:00Z\n[channels.tool]\nunit="psi"\ngian=2\n', "gian = 2 is not understood"),
        ('started = 2026-01-01T00:00:00Z\n[channels.tool]\nunit="psi"\ngain=0\n', "gives no readings"),
        ("started = ", "Invalid value"),
    ],
)
def test_a_session_file_that_was_edited_wrongly_is_refused_with_the_reason(tmp_path: Path, text: str, why: str) -> None:
    (tmp_path / "session.toml").write_text(text)
    with pytest.raises(ValueError, match=why):
        open_session(tmp_path)


# Export


@pytest.mark.parametrize("suffix", [".csv", ".parquet"])
def test_an_export_has_the_contract_s_columns(tmp_path: Path, suffix: str) -> None:
    recording = open_what(_saved(tmp_path).folder)
    path = tmp_path / f"out{suffix}"
    assert export_recording(recording, path, unit="psi") == 100
    if suffix == ".csv":
        lines = path.read_text().splitlines()
        assert lines[0] == "time_s,tool_psi,wall_degc"
        assert [float(x) for x in lines[1].split(",")] == [0.0, 90.0, 20.0]
    else:
        table = pq.read_table(path)
        assert table.column_names == ["time_s", "tool_psi", "wall_degc"]
        np.testing.assert_allclose(table["tool_psi"], recording.p_pa / PSI_PA, atol=1e-6)


def test_an_export_says_what_it_can_write(tmp_path: Path) -> None:
    recording = open_what(_saved(tmp_path).folder)
    with pytest.raises(ValueError, match=r"must end in \.csv or \.parquet"):
        export_recording(recording, tmp_path / "out.xls")
    with pytest.raises(ValueError, match="degC is a unit of temperature"):
        export_recording(recording, tmp_path / "out.csv", unit="degC")


def test_home_is_where_the_environment_says(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("FAREND_HOME", str(tmp_path))
    assert home() == tmp_path
    monkeypatch.delenv("FAREND_HOME")
    assert home() == Path.home() / "farend"
    (tmp_path / "lines").mkdir()
    (tmp_path / "lines" / "shop.toml").write_text("")
    assert line_file("shop", tmp_path) == tmp_path / "lines" / "shop.toml"
    with pytest.raises(ValueError, match=r"no such air-line file\. Kept lines: shop"):
        line_file("../shop2", tmp_path)
