"""What a recorder shows while it records: a page sees it within a moment, and nothing of it can harm the recording."""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from logger.journal import JournalTail, JournalWriter
from logger.kept import list_sessions
from logger.live import LIVE_FILES, STOP_FILE, LiveWriter, ask_to_stop, read_live
from logger.lock import FileLock, is_locked
from logger.recorder import record
from logger.sources import listen


def until(condition: Callable[[], object], seconds: float = 20.0) -> None:
    """Wait for a condition; fail when it does not come about."""
    deadline = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < deadline, "it did not come about in time"
        time.sleep(0.01)


def test_what_is_shown_is_what_is_read(tmp_path: Path) -> None:
    journal = tmp_path / "readings.arrows"
    writer = LiveWriter(journal)
    times, values = np.array([1.0, 1.5]), np.array([[600.0, np.nan], [601.0, 2.0]])
    writer.show([(times[:1], values[:1]), (times[1:], values[1:])], state="silent", warning="Disk nearly full", bad_lines=3, rate_hz=250.0)
    found = read_live(journal)
    assert found is not None
    assert (found.state, found.warning, found.bad_lines, found.rate_hz) == ("silent", "Disk nearly full", 3, 250.0)
    assert np.array_equal(found.rows, np.column_stack([times, values]), equal_nan=True)
    writer.show([], state="recording")
    found = read_live(journal)
    assert found is not None
    assert found.rows.size == 0
    writer.close()


@pytest.mark.parametrize("data", [b"", b"\x00" * 8, b"\x10\x00\x00\x00\x00\x00\x00\x00short", b"\xff" * 200])
def test_a_torn_file_is_no_state(tmp_path: Path, data: bytes) -> None:
    (tmp_path / "readings-2.live").write_bytes(data)
    assert read_live(tmp_path / "readings-2.arrows") is None


def test_a_folder_that_takes_no_file_does_not_matter(tmp_path: Path) -> None:
    journal = tmp_path / "nowhere" / "readings.arrows"
    writer = LiveWriter(journal)
    writer.show([], state="recording")
    writer.close()
    assert read_live(journal) is None


def test_a_journal_is_followed_batch_by_batch(tmp_path: Path) -> None:
    path = tmp_path / "readings.arrows"
    writer = JournalWriter(path, ["time_s", "tool"])
    tail = JournalTail(path)
    assert list(tail.new()) == []
    for i in range(5):
        writer.write([np.array([float(i)]), np.array([600.0])])
    assert next(iter(tail.new()))["time_s"].tolist() == [0.0]
    assert [float(b["time_s"][0]) for b in tail.new()] == [1.0, 2.0, 3.0, 4.0]
    assert list(tail.new()) == []
    assert tail.share == 1.0
    whole = path.stat().st_size
    writer.write([np.array([5.0]), np.array([600.0])])
    data = path.read_bytes()
    path.write_bytes(data[: whole + 40])  # as a reader may catch it: half of the next batch
    assert list(tail.new()) == []
    damaged = bytearray(data)
    damaged[-9] ^= 0xFF
    path.write_bytes(bytes(damaged) + data[whole:])
    assert [float(b["time_s"][0]) for b in tail.new()] == [5.0]
    writer.close()


def test_the_invented_sensor_is_recorded_shown_and_stopped_from_elsewhere(tmp_path: Path) -> None:
    assert "describes itself: tool in kPa" in listen("invented:deck", 0.3).sends
    thread = threading.Thread(target=record, kwargs={"port": "invented:deck", "home": tmp_path, "name": "trial", "line": "boathouse"})
    thread.start()
    folder = tmp_path / "sessions" / "trial"
    until(lambda: (found := read_live(folder / "readings.arrows")) is not None and found.state == "recording" and len(found.rows) > 1)
    session = list_sessions(tmp_path)[0]
    assert session.recording
    ask_to_stop(session.folder)
    thread.join(20.0)
    assert not thread.is_alive()
    (kept,) = list_sessions(tmp_path)
    assert kept.finished
    assert kept.line == "boathouse"
    assert 500e3 < kept.readings["tool_pa"].median() < 700e3
    assert not list(folder.glob(LIVE_FILES))
    assert not (folder / STOP_FILE).exists()


def test_looking_at_a_lock_never_costs_anybody_the_lock(tmp_path: Path) -> None:
    path = tmp_path / "recording.lock"
    assert not is_locked(path)
    assert not path.exists()
    FileLock(path, "busy").release()
    ended = threading.Event()

    def look() -> None:
        while not ended.is_set():
            is_locked(path)
            time.sleep(0.001)

    lookers = [threading.Thread(target=look) for _ in range(3)]
    for looker in lookers:
        looker.start()
    try:
        for _ in range(200):
            with FileLock(path, "busy"):
                if os.name == "posix":
                    assert is_locked(path)
    finally:
        ended.set()
        for looker in lookers:
            looker.join()
