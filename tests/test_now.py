"""The Now page without a browser: it follows what is recorded, says at once what is wrong, starts, ends, marks and judges."""

from __future__ import annotations

import json
import os
import shutil
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime
from itertools import islice
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from plotly.utils import PlotlyJSONEncoder

import dashboard.live as following
from analysis.judgements import match_judged
from analysis.shots import find_shots
from dashboard.app import create_app
from dashboard.now_feed import STREAMS_MOST, feed, told, window_asked
from dashboard.pages import now
from dashboard.reader import Reader
from dashboard.recordings import INVENTED_PORT, SAID_FILE, Recordings, check_port
from logger.channel import Channel
from logger.journal import JournalWriter
from logger.kept import list_sessions
from logger.live import LiveWriter
from logger.readings import new_journal_path
from logger.session import change_session, create_session, lock_session, unlock_session
from logger.virtual import VirtualDevice
from tests.browser.home import LINES, nailing

BAR = Reader("bar")
TOOL = Channel(name="tool", unit="kPa")


class Recorder:
    """Writes a session as a recorder does, at the pace of a test."""

    def __init__(self, home: Path, name: str, *channels: Channel) -> None:
        self.session = create_session(home, name, started=datetime.now(UTC), channels=channels or [TOOL])
        self._lock = lock_session(self.session.folder)
        self.journal = JournalWriter(new_journal_path(self.session.folder), ["time_s", *(c.name for c in self.session.channels)])
        self.shown = LiveWriter(self.journal.path)

    def write(self, t_s: np.ndarray, *values: np.ndarray) -> None:
        self.journal.write([t_s, *values])

    def show(self, t_s: np.ndarray, *values: np.ndarray, **about: Any) -> None:
        self.shown.show([(t_s, np.column_stack(values))], **about)

    def end(self) -> None:
        self.journal.close()
        self.shown.close()
        unlock_session(self.session.folder, self._lock)


@contextmanager
def recording(home: Path, name: str = "deck", *channels: Channel) -> Iterator[Recorder]:
    """Record for the length of a block."""
    recorder = Recorder(home, name, *channels)
    try:
        yield recorder
    finally:
        recorder.end()


@pytest.fixture
def home(tmp_path: Path) -> Path:
    (tmp_path / "lines").mkdir()
    shutil.copy(LINES / "boathouse.toml", tmp_path / "lines")
    return tmp_path


@pytest.fixture
def recordings(home: Path) -> Recordings:
    made = Recordings(home)
    assert following._ready.wait(120.0)
    return made


def flat(kpa: float, seconds: float = 2.0, *, since_s: float = 0.0) -> tuple[np.ndarray, np.ndarray]:
    """Readings of one pressure at 250 Hz."""
    t_s = since_s + np.arange(int(seconds * 250)) / 250.0
    return t_s, np.full(t_s.size, kpa)


def seen(recordings: Recordings, **about: Any) -> dict[str, Any]:
    """What the page is told now."""
    message = told(recordings, recordings.live(), BAR, **about)
    json.dumps(message, allow_nan=False)
    return message


def kinds(recordings: Recordings) -> list[str]:
    return [alert["kind"] for alert in seen(recordings)["alerts"]]


def until(condition: Callable[[], object], seconds: float = 30.0) -> None:
    deadline = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < deadline, "it did not come about in time"
        time.sleep(0.02)


# Following


def test_a_recording_is_followed_marked_and_judged_whoever_makes_it(home: Path, recordings: Recordings) -> None:
    assert seen(recordings)["state"] == "none"
    assert "nothing is being recorded" in now.marked(recordings, "", "fitted the receiver")[0]
    assert "nothing is being recorded" in now.judged(recordings, "flush", BAR)
    t_s, kpa = nailing(0.4, 60.0, np.random.default_rng(3))
    half = t_s.size // 2
    with recording(home) as recorder:
        recorder.write(t_s[:half], kpa[:half])
        until(lambda: recordings.live() is not None)
        first = seen(recordings)["texts"]
        recorder.write(t_s[half:], kpa[half:])
        second = seen(recordings)["texts"]
        assert 0 < int(first["shots"]) < int(second["shots"]) == 12
        assert second["figure"] == "6.40"
        assert second["minute"] == "12 in the last minute"
        assert now.marked(recordings, "", "nails too deep") == (f"“nails too deep” marked at {t_s[-1]:.1f} s.", "")
        assert now.marked(recordings, "Fitted receiver", "half a wor")[1] == "half a wor"
        assert "write what happened" in now.marked(recordings, "", "  ")[0]
        assert now.judged(recordings, "flush", BAR, "50 mm, spruce") == "Shot 12, fired at 6.40 bar: flush."
    assert seen(recordings)["state"] == "none"
    marks = list_sessions(home)[0].marks
    said = {(m["kind"], m.get("text")) for m in marks}
    assert said == {("judged", "50 mm, spruce"), ("note", "nails too deep"), ("changed", "Fitted receiver")}
    shots = find_shots(t_s, 1e3 * kpa).shots
    (judged,), lost = match_judged(marks, shots)
    assert judged.shot == shots[-1]
    assert lost == ()


def test_readings_show_before_the_journal_has_them_and_count_once(home: Path, recordings: Recordings) -> None:
    t_s, kpa = nailing(0.4, 60.0, np.random.default_rng(4))
    looks = []
    with recording(home) as recorder:
        for start in range(0, t_s.size, 100):
            block = slice(start, start + 50), slice(start, start + 100)
            recorder.show(t_s[block[0]], kpa[block[0]])
            looks.append(recordings.live())
            recorder.write(t_s[block[1]], kpa[block[1]])
            looks.append(recordings.live())
        live = recordings.live()
    assert looks[2] is not None
    assert looks[2].last_s == t_s[149]  # shown, not yet written
    assert live is not None
    whole = find_shots(t_s, 1e3 * kpa).shots
    assert [s.time_s for s in live.shots] == [s.time_s for s in whole]


def test_however_long_a_recording_only_the_last_seconds_are_held(home: Path, recordings: Recordings) -> None:
    with recording(home) as recorder:
        for hour in range(3):
            recorder.write(*flat(640.0, 900.0, since_s=3600.0 * hour))
            live = recordings.live()
    assert live is not None
    assert live.t_s.size == live.p_pa.size <= 20.0 * 250 + 1
    assert live.last_s == pytest.approx(2 * 3600.0 + 900.0, abs=0.01)


def test_a_recording_of_hours_is_taken_in_piece_by_piece(home: Path, recordings: Recordings, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(following, "BUDGET_S", 0.0)
    with recording(home) as recorder:
        for i in range(5):
            recorder.write(*flat(640.0, 1.0, since_s=float(i)))
        recorder.show(*flat(650.0, 0.2, since_s=5.0))
        shares: list[float] = []
        while not shares or shares[-1] < 1.0:
            live = recordings.live()
            assert live is not None
            shares.append(live.share)
            assert live.now_pa == pytest.approx(650e3)  # of what the recorder shows
        assert shares == sorted(shares)
        assert 0.0 < shares[0] < 0.5
        assert len(shares) >= 5
        assert recordings.live().last_s > 5.0  # type: ignore[union-attr]


def test_of_two_recordings_the_newer_is_shown_and_the_other_when_it_has_ended(home: Path, recordings: Recordings) -> None:
    with recording(home, "older") as older:
        older.write(*flat(600.0))
        until(lambda: seen(recordings)["texts"].get("name") == "older")
        with recording(home, "newer") as newer:
            os.utime(older.session.folder / "recording.lock", (1, 1))
            newer.write(*flat(650.0))
            until(lambda: seen(recordings)["texts"].get("name") == "newer")
        until(lambda: seen(recordings)["texts"].get("name") == "older")


def test_the_tools_channel_is_shown_though_another_device_has_it(home: Path, recordings: Recordings) -> None:
    with recording(home, "two", Channel(name="tank", unit="kPa"), TOOL) as recorder:
        recorder.journal.close()
        recorder.journal.path.unlink()
        tank = JournalWriter(new_journal_path(recorder.session.folder), ["time_s", "tank"])
        tool = JournalWriter(new_journal_path(recorder.session.folder), ["time_s", "tool"])
        tank.write(list(flat(900.0)))
        tool.write(list(flat(640.0)))
        until(lambda: recordings.live() is not None)
        assert (seen(recordings)["texts"]["channel"], seen(recordings)["texts"]["figure"]) == ("tool", "6.40")
        tank.close()
        tool.close()


# What is wrong is said at once


def test_a_device_that_is_away_is_said_once(home: Path, recordings: Recordings) -> None:
    with recording(home) as recorder:
        recorder.write(*flat(640.0))
        recorder.shown.show([], state="device away", warning="/dev/ttyUSB0 is away; looking for it.")
        assert kinds(recordings) == ["device away"]


@pytest.mark.parametrize("state", ["silent", "device away"])
def test_a_device_that_is_silent_or_away_is_said(home: Path, recordings: Recordings, state: str) -> None:
    with recording(home) as recorder:
        recorder.write(*flat(640.0))
        recorder.show(*flat(640.0, 0.1, since_s=2.0))
        assert kinds(recordings) == []
        recorder.shown.show([], state=state)
        assert kinds(recordings) == [state]


def test_a_recorder_that_says_nothing_any_more_is_said(home: Path, recordings: Recordings, monkeypatch: pytest.MonkeyPatch) -> None:
    with recording(home) as recorder:
        recorder.write(*flat(640.0))
        recorder.shown.show([])
        assert kinds(recordings) == []
        later = time.time() + following.STALE_S + 1.0
        monkeypatch.setattr(time, "time", lambda: later)
        assert kinds(recordings) == ["stalled"]


def test_a_disk_that_fills_is_said_in_the_recorders_words(home: Path, recordings: Recordings) -> None:
    with recording(home) as recorder:
        recorder.write(*flat(640.0))
        recorder.shown.show([], warning="Disk nearly full: 12 MB left for readings.")
        assert seen(recordings)["alerts"] == [{"kind": "warning", "text": "Disk nearly full: 12 MB left for readings."}]


def test_a_broken_wire_is_a_sensor_fault_and_no_pressure(home: Path, recordings: Recordings) -> None:
    loop = Channel(name="tool", unit="mA", to="bar", gain=10.0 / 16.0, offset=-2.5, valid=(3.6, 21.0))
    with recording(home, "loop", loop) as recorder:
        recorder.write(*flat(12.0))
        assert kinds(recordings) == []
        recorder.write(*flat(0.0, 1.0, since_s=2.0))
        (alert,) = seen(recordings)["alerts"]
        assert alert["kind"] == "sensor fault"
        assert "it sends 0, which is no pressure" in alert["text"]
        recorder.write(*flat(12.0, 1.0, since_s=3.0))
        assert kinds(recordings) == []


def test_a_pressure_below_a_vacuum_is_a_sensor_fault(home: Path, recordings: Recordings) -> None:
    with recording(home) as recorder:
        recorder.write(*flat(-150.0))
        assert kinds(recordings) == ["sensor fault"]
        assert seen(recordings)["texts"]["figure"] == "–"


def test_counts_without_calibration_say_what_to_do(home: Path, recordings: Recordings) -> None:
    with recording(home, "raw", Channel(name="a0", unit="counts")) as recorder:
        recorder.write(*flat(512.0))
        (alert,) = seen(recordings)["alerts"]
        assert "farend calibrate" in alert["text"]


def test_the_window_of_the_line_is_watched_unless_the_reader_set_another(home: Path, recordings: Recordings) -> None:
    with recording(home) as recorder:
        change_session(recorder.session.folder, line="boathouse")
        recorder.write(*flat(640.0))
        assert seen(recordings)["window"] == pytest.approx([5.5, 7.0])
        assert seen(recordings)["alerts"] == []
        asked = window_asked({"low": "95 psi", "high": "110 psi"})
        (alert,) = seen(recordings, window_pa=asked)["alerts"]
        assert alert["kind"] == "below"
        recorder.write(*flat(720.0, 1.0, since_s=2.0))
        (alert,) = seen(recordings)["alerts"]
        assert alert == {"kind": "above", "text": "Above the tool's window (7.00 bar)"}


@pytest.mark.parametrize(
    "ask", [{}, {"low": "5 bar"}, {"low": "7 bar", "high": "5 bar"}, {"low": "5", "high": "7"}, {"low": "x", "high": "<b>"}]
)
def test_a_window_that_cannot_be_is_none(ask: dict[str, str]) -> None:
    assert window_asked(ask) is None


# The feed


def test_the_feed_sends_each_piece_of_the_trace_once(home: Path, recordings: Recordings) -> None:
    t_s, kpa = nailing(0.4, 60.0, np.random.default_rng(5))
    with recording(home) as recorder:
        recorder.write(t_s[:2500], kpa[:2500])
        lines = feed(recordings, BAR, None)
        messages = [json.loads(next(lines))]
        for start in (2500, 2600, 2700):
            recorder.write(t_s[start : start + 100], kpa[start : start + 100])
            messages.append(json.loads(next(lines)))
        lines.close()  # type: ignore[attr-defined]
    sent = np.concatenate([m["trace"][0] for m in messages])
    assert np.all(np.diff(sent) > 0)
    assert sent[-1] == pytest.approx(t_s[2799], abs=1e-3)
    assert len(messages[0]["trace"][0]) > 100
    assert all(len(m["trace"][0]) <= 82 for m in messages[1:])  # 200 a second and both ends


def test_who_joins_late_gets_the_trace_from_its_beginning_once_it_has_been_read(
    home: Path, recordings: Recordings, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(following, "BUDGET_S", 0.0)
    with recording(home) as recorder:
        for i in range(3):
            recorder.write(*flat(640.0, 1.0, since_s=float(i)))
        recorder.show(*flat(650.0, 0.2, since_s=3.0))
        lines = feed(recordings, BAR, None)
        messages = [json.loads(next(lines))]
        while messages[-1]["texts"]["catching"]:
            messages.append(json.loads(next(lines)))
        lines.close()  # type: ignore[attr-defined]
    assert messages[0]["trace"][0][0] >= 3.0
    assert messages[-1]["trace"][0][0] == 0.0
    assert messages[-1]["trace"][0][-1] > 3.0


def test_a_folder_that_cannot_be_read_is_said_and_tried_again(recordings: Recordings, monkeypatch: pytest.MonkeyPatch) -> None:
    def gone() -> None:
        raise PermissionError(13, "Permission denied", "sessions")

    lines = feed(recordings, BAR, None)
    with monkeypatch.context() as broken:
        broken.setattr(recordings, "live", gone)
        assert json.loads(next(lines))["texts"]["refused"] == "sessions cannot be read: Permission denied."
    assert json.loads(next(lines))["texts"]["refused"] == ""


def test_only_so_many_pages_may_watch_and_one_that_leaves_makes_room(home: Path) -> None:
    client = create_app(home).server.test_client()
    answers = [client.get("/live", headers={"Host": "localhost"}) for _ in range(STREAMS_MOST + 1)]
    assert [a.status_code for a in answers] == [200] * STREAMS_MOST + [503]
    assert len(list(islice(answers[0].iter_encoded(), 2))) == 2
    for answer in answers:
        answer.close()
    with client.get("/live", headers={"Host": "localhost"}) as answer:
        assert answer.status_code == 200


# Start and end


@pytest.mark.parametrize(
    "port",
    [
        "",
        "spy:///dev/null?file=/tmp/x",
        "alt:///dev/null?class=x",
        "loop://",
        "hwgrep://.*",
        "rfc2217://host:2000?logging=debug",
        "socket://host:22/../x",
        "/etc/passwd",
        "/dev/../etc/passwd",
        "--for=1s",
        "invented:other",
        "socket://a b:1",
        "mqtt://shop/tool?x=1",
    ],
)
def test_only_ports_are_opened_from_the_page(recordings: Recordings, port: str) -> None:
    with pytest.raises(ValueError, match=r"no port that can be recorded|No sensor is chosen"):
        recordings.start([port])


def test_network_addresses_and_the_invented_sensor_are_ports() -> None:
    for port in ("socket://192.168.1.20:4000", "rfc2217://shop.local:2217", "mqtt://anna@shop:1883/deck/tool", "invented:deck"):
        assert check_port(f" {port} ") == port


def test_a_name_that_cannot_be_is_refused_before_anything_starts(recordings: Recordings) -> None:
    assert "cannot be the name" in now.started(recordings, ["invented:deck"], "CON", "", "", "")
    assert recordings.waiting() is False


def test_a_recording_is_started_goes_on_by_itself_and_is_stopped(home: Path, recordings: Recordings) -> None:
    assert now.started(recordings, ["invented:deck"], "deck, north", "boathouse", "", "") == ""
    assert "being started already" in now.started(recordings, ["invented:deck"], "again", "", "", "")
    until(lambda: seen(recordings)["state"] == "live" and seen(recordings)["texts"]["figure"] != "–")
    assert "deck, north is being recorded already" in now.started(recordings, ["invented:deck"], "again", "", "", "")
    process = recordings._process
    assert process is not None
    if os.name == "posix":
        assert os.getsid(process.pid) == process.pid != os.getsid(0)  # a signal to the pages' terminal does not reach it
    other = Recordings(home)  # the pages, started anew
    until(lambda: other.live() is not None)
    assert now.stopped(other) == "Stopping deck, north …"
    assert process.wait(30) == 0
    (session,) = list_sessions(home)
    assert (session.name, session.line, session.notes, session.finished) == ("deck, north", "boathouse", "Invented.", True)
    assert session.count > 10
    assert seen(recordings)["state"] == "none"
    assert "nothing is being recorded" in now.stopped(recordings)


def test_a_start_that_fails_says_why(home: Path, recordings: Recordings) -> None:
    assert now.started(recordings, ["socket://127.0.0.1:9"], "x", "", "", "") == ""
    until(lambda: seen(recordings)["texts"].get("refused"))
    assert "socket://127.0.0.1:9 does not answer" in seen(recordings)["texts"]["refused"]
    assert (home / SAID_FILE).exists()
    assert recordings.waiting() is False


def test_ports_are_listed_with_what_they_send(recordings: Recordings, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("logger.sources.list_ports", lambda: [("/dev/ttyNONE", "a board")])
    shown, chosen = now.ports(recordings, [])
    words = json.dumps(shown, cls=PlotlyJSONEncoder)
    assert "a board" in words
    assert "there is no such port" in words
    assert "invented:deck" in words
    assert chosen == []
    assert now.ports(recordings, ["gone", "invented:deck"])[1] == ["invented:deck"]


def test_several_sensors_are_recorded_side_by_side_under_their_names(home: Path, recordings: Recordings) -> None:
    t_s = np.arange(0.0, 600.0, 0.01)
    with VirtualDevice(t_s, {"a0": np.full(t_s.size, 812.0)}, ends=False) as device:
        ports, called = ["invented:deck", device.port], {"invented:deck": "tool", device.port: " supply "}
        assert "chosen twice" in now.started(recordings, [device.port, device.port], "", "", "", "")
        assert "cannot name a sensor" in now.started(recordings, ports, "", "", "", "", called={device.port: "up stream"})
        assert now.started(recordings, ports, "both", "", "", "", called=called) == ""
        until(lambda: (live := recordings.live()) is not None and len(live.session.channels) == 2 and live.now_pa > 0.0)
        recordings.stop()
        process = recordings._process
        assert process is not None
        assert process.wait(30) == 0
    (session,) = list_sessions(home)
    assert {c.name for c in session.channels} == {"tool", "supply"}
    assert np.nanmedian(session.raw["supply"]) == pytest.approx(812.0)


def test_what_was_typed_is_for_the_sensors_that_do_not_say_it_themselves(recordings: Recordings, monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[list[str]] = []
    monkeypatch.setattr("dashboard.recordings._detached", lambda words, _home: asked.append(words))
    recordings._heard = {"socket://a:1": replace(INVENTED_PORT, command="farend record --port socket://a:1 --columns t_us,tool --unit psi")}
    recordings.start(["socket://a:1", "socket://b:1"], columns="a0", unit="bar", called={"socket://b:1": "supply"})
    recordings.start(["socket://a:1"], "deck", unit="bar")
    assert asked == [
        ["--port=socket://a:1", "--port=supply=socket://b:1", "--columns=t_us,tool", "--columns=a0", "--unit=psi", "--unit=bar"],
        ["--port=socket://a:1", "--columns=t_us,tool", "--unit=bar", "--name=deck"],
    ]
