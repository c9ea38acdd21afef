"""The recorder against virtual devices: everything is kept, whatever happens."""

from __future__ import annotations

import math
import os
import random
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from logger.device import DeviceSettings
from logger.kept import list_sessions, recover_unfinished
from logger.record_command import next_time_of_day
from logger.recorder import Status, live_line, record
from logger.session import open_session
from logger.sources import describe_ports, listen, understand
from logger.virtual import VirtualDevice
from tests.benchmarks.bench_faults import clock_steps, fuzz, plugs
from tests.devices import Background, until

posix = pytest.mark.skipif(os.name != "posix", reason="pseudo-terminals and SIGKILL are POSIX's")
TRANSPORTS = ["pty", "socket"] if os.name == "posix" else ["socket"]


def _trace(seconds: float, rate_hz: float = 200.0) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    t_s = np.arange(int(seconds * rate_hz)) / rate_hz
    return t_s, np.round(600.0 + 20.0 * np.sin(t_s) - 40.0 * np.exp(-(t_s % 3.0) / 0.2), 2)


@pytest.mark.parametrize("transport", TRANSPORTS)
@pytest.mark.parametrize("speed", [120.0, math.inf])
def test_a_played_trace_is_recorded_to_the_last_reading(tmp_path: Path, transport: str, speed: float) -> None:
    t_s, p_kpa = _trace(60.0)
    supply = np.where(np.arange(t_s.size) % 7, p_kpa + 100.0, np.nan)
    near_wrap = 2**32 - 20_000_000
    seen: list[Status] = []
    channels = {"tool": p_kpa, "supply": supply}
    with VirtualDevice(t_s, channels, unit="kPa", rate_hz=200.0, speed=speed, start_us=near_wrap, transport=transport) as device:
        session = record(port=device.port, home=tmp_path, name="deck", line="Boathouse line", on_status=seen.append)
    np.testing.assert_allclose(session.raw["time_s"], t_s, atol=1e-9)
    np.testing.assert_array_equal(session.raw["tool"], p_kpa)
    np.testing.assert_allclose(session.raw["supply"], supply, atol=1e-9)
    np.testing.assert_allclose(session.readings["tool_pa"], p_kpa * 1e3)
    assert session.finished
    assert not session.recovered
    assert session.warnings == ()
    assert session.line == "Boathouse line"
    assert seen[-1].state == "finished"
    assert seen[-1].readings == t_s.size
    assert seen[-1].pressure_pa == pytest.approx(p_kpa[-1] * 1e3)


def test_it_stops_after_the_time_it_was_given(tmp_path: Path) -> None:
    t_s, p_kpa = _trace(30.0)
    with VirtualDevice(t_s, {"tool": p_kpa}, speed=math.inf) as device:
        session = record(port=device.port, home=tmp_path, for_s=12.5)
    assert session.duration_s == pytest.approx(12.5)
    assert session.count == 2501


def test_lines_without_time_or_checksum_get_the_host_s_time(tmp_path: Path) -> None:
    t_s, p_kpa = _trace(1.0, rate_hz=300.0)
    with VirtualDevice(t_s, {"tool": p_kpa}, unit="psi", checksum=False, time_column="") as device:
        session = record(port=device.port, home=tmp_path)
    np.testing.assert_array_equal(session.raw["tool"], p_kpa)
    assert session.duration_s == pytest.approx(1.0, abs=0.15)
    assert session.channels[0].unit == "psi"


@posix
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_killed_recorder_loses_half_a_second_at_most(tmp_path: Path, seed: int) -> None:
    rate_hz = 500.0
    t_s, p_kpa = _trace(60.0, rate_hz)
    with VirtualDevice(t_s, {"tool": p_kpa}, rate_hz=rate_hz) as device:
        code = f"from logger.recorder import record; record(port={device.port!r}, home={os.fspath(tmp_path)!r}, name='deck')"
        with subprocess.Popen([sys.executable, "-c", code], start_new_session=True) as process:
            wanted = int(rate_hz * np.random.default_rng(seed).uniform(0.7, 1.6))
            until(lambda: device.sent > wanted)
            process.send_signal(signal.SIGKILL)
            sent = device.sent
            process.wait()
    assert recover_unfinished(tmp_path) == ("deck",)
    (session,) = list_sessions(tmp_path)
    assert session.recovered
    assert session.count >= sent - 0.5 * rate_hz
    np.testing.assert_array_equal(session.raw["tool"], p_kpa[: session.count])
    np.testing.assert_allclose(session.raw["time_s"], t_s[: session.count], atol=2e-3)


@posix
@pytest.mark.parametrize("name", ["SIGINT", "SIGTERM", "SIGHUP"])
def test_a_signal_ends_the_recording_cleanly_even_twice(tmp_path: Path, name: str) -> None:
    t_s, p_kpa = _trace(60.0)
    with VirtualDevice(t_s, {"tool": p_kpa}) as device:
        code = f"from logger.recorder import record; record(port={device.port!r}, home={os.fspath(tmp_path)!r}, name='deck')"
        with subprocess.Popen([sys.executable, "-c", code], start_new_session=True) as process:
            until(lambda: device.sent > 150)
            process.send_signal(getattr(signal, name))
            process.send_signal(getattr(signal, name))
            assert process.wait(20.0) == 0
    (session,) = list_sessions(tmp_path)
    assert session.finished
    assert not session.recovered
    # A signal leaves the few lines that are still on the wire; all that was read before is kept, in order and as sent.
    assert session.count >= 100
    np.testing.assert_array_equal(session.raw["tool"], p_kpa[: session.count])


@contextmanager
def _linked(link: Path, device: VirtualDevice) -> Iterator[VirtualDevice]:
    """Show a device under a fixed name, as a system does with a board that is plugged in again."""
    with device:
        link.symlink_to(device.port)
        try:
            yield device
        finally:
            link.unlink()


@posix
@pytest.mark.parametrize("restarted", [False, True])
def test_an_unplugged_device_is_taken_up_again(tmp_path: Path, restarted: bool) -> None:
    t_s, p_kpa = _trace(2.0)
    link = tmp_path / "ttyBOARD"
    first = VirtualDevice(t_s, {"tool": p_kpa}, speed=20.0, ends=False, start_us=100_000_000)
    later = VirtualDevice(t_s, {"tool": p_kpa}, speed=20.0, start_us=50_000 if restarted else 110_000_000)
    with _linked(link, first):
        recorder = Background(tmp_path, os.fspath(link), name="deck")
        until(lambda: recorder.status.readings == t_s.size)
    until(lambda: recorder.status.state == "device away")
    with _linked(link, later):
        came_back = time.monotonic()
        until(lambda: later.sent > 0, 5.0)
        assert time.monotonic() - came_back < 1.0
        session = recorder.join()
    lost = 1 if restarted else 0  # the first stamp after a restart is believed only with the second
    assert session.count == 2 * t_s.size - lost
    times = session.raw["time_s"]
    assert (np.diff(times) > 0).all()
    gap = times[t_s.size] - times[t_s.size - 1]
    assert gap > 1.0
    if not restarted:
        assert gap == pytest.approx(10.0 - 2.0 + 0.005)
    assert any("away once" in w for w in session.warnings)


@posix
def test_two_recorders_on_one_device_are_refused(tmp_path: Path) -> None:
    t_s, p_kpa = _trace(60.0)
    with VirtualDevice(t_s, {"tool": p_kpa}) as device:
        recorder = Background(tmp_path, device.port)
        until(lambda: device.sent > 10)
        with pytest.raises(ValueError, match="is being recorded by another farend already"):
            record(port=device.port, home=tmp_path)
        recorder.stop.set()
        assert recorder.join().count > 10


@posix
def test_a_full_disk_stops_cleanly_and_keeps_what_was_read(tmp_path: Path) -> None:
    t_s, p_kpa = _trace(60.0, 1000.0)
    # A limit on the size of a file fails a write half way, as a full disk does.
    code = (
        "import resource; resource.setrlimit(resource.RLIMIT_FSIZE, (200_000, 200_000))\n"
        "from logger.recorder import record\n"
        "seen = []\n"
        "session = record(port={port!r}, home={home!r}, name='deck', on_status=lambda s: seen.append(s.readings))\n"
        "print(seen[-1])\n"
    )
    with VirtualDevice(t_s, {"tool": p_kpa}, speed=4.0) as device:
        filled = code.format(port=device.port, home=os.fspath(tmp_path))
        done = subprocess.run([sys.executable, "-c", filled], capture_output=True, text=True, timeout=60, check=True)
    assert done.stderr == ""
    recover_unfinished(tmp_path)
    (session,) = list_sessions(tmp_path)
    assert session.finished
    assert 1000 <= session.count < t_s.size
    np.testing.assert_array_equal(session.raw["tool"], p_kpa[: session.count])
    assert session.count == int(done.stdout)  # the last of it in another journal, for which room had been kept
    assert any("Recording stopped: File too large" in w for w in session.warnings)
    assert sorted(f.name for f in session.folder.iterdir()) == ["readings.parquet", "session.toml"]


def test_damaged_lines_give_no_reading_that_nobody_sent() -> None:
    row = fuzz(10_000, random.Random(3))
    assert row.survived == row.tried


def test_setting_the_wall_clock_moves_no_reading() -> None:
    row = clock_steps(2, random.Random(2))
    assert row.survived == row.tried


@posix
@pytest.mark.parametrize("restart", [False, True])
def test_plugging_in_again_and_again_is_one_recording(restart: bool) -> None:
    row = plugs(4, random.Random(1), restart=restart)
    assert row.survived == row.tried


class _Talker:
    """A gauge on a socket that says what it is told, again and again, and answers nothing."""

    def __init__(self, text: bytes) -> None:
        import socket

        self._server = socket.create_server(("127.0.0.1", 0))
        self.port = f"socket://127.0.0.1:{self._server.getsockname()[1]}"
        self._text = text
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._talk)

    def _talk(self) -> None:
        self._server.settimeout(0.05)
        peer = None
        while not self._stop.is_set():
            try:
                if peer is None:
                    peer, _ = self._server.accept()
                peer.sendall(self._text)
            except TimeoutError:
                continue
            except OSError:
                break
            self._stop.wait(0.01)
        if peer is not None:
            peer.close()
        self._server.close()

    def __enter__(self) -> _Talker:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join()


def test_a_plain_gauge_is_recorded_by_its_columns(tmp_path: Path) -> None:
    with _Talker(b"P=93.2 psi\r\n") as gauge:
        session = record(port=gauge.port, home=tmp_path, columns="tool", for_s=0.2)
    assert session.channels[0].unit == "psi"
    assert set(session.raw["tool"]) == {93.2}


def test_values_without_a_unit_are_refused(tmp_path: Path) -> None:
    with _Talker(b"93.2\n") as gauge, pytest.raises(ValueError, match=r"sends tool without saying the unit\. Give it: --unit psi"):
        record(port=gauge.port, home=tmp_path, columns="tool")
    assert list_sessions(tmp_path) == ()


def test_lines_that_nobody_explains_are_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("logger.recorder.DESCRIBE_S", 2.0)
    with _Talker(b"12,93.2\n") as gauge, pytest.raises(ValueError, match=r"sends lines such as '12,93\.2' but does not say what they are"):
        record(port=gauge.port, home=tmp_path)


def test_a_port_that_is_not_there_is_said(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="there is no such port"):
        record(port=os.fspath(tmp_path / "ttyNONE"), home=tmp_path)
    if os.name == "posix":
        with pytest.raises(ValueError, match="is no serial port"):
            record(port="/dev/null", home=tmp_path)
    with pytest.raises(ValueError, match="does not answer"):
        record(port="socket://127.0.0.1:1", home=tmp_path)
    for url in ("nonsense://x", "loop://?what=this"):
        with pytest.raises(ValueError, match="no port or URL that can be opened"):
            record(port=url, home=tmp_path)
    for url in ("socket://192.168.1.7", "socket://192.168.1.7:99999"):
        with pytest.raises(ValueError, match="write it as socket://HOST:PORT"):
            record(port=url, home=tmp_path)
    with pytest.raises(ValueError, match="not a unit that farend knows"):
        record(port="socket://127.0.0.1:1", home=tmp_path, unit="psy")


def test_what_cannot_be_recorded_is_said_at_once(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="is given twice"):
        record(devices=[DeviceSettings(port="socket://127.0.0.1:1")] * 2, home=tmp_path)
    with pytest.raises(ValueError, match="Nothing can be recorded in -5 s"):
        record(port="socket://127.0.0.1:1", home=tmp_path, for_s=-5.0)
    with pytest.raises(ValueError, match="--baud 0 is no speed of a line"):
        record(port="socket://127.0.0.1:1", home=tmp_path, baud=0)
    with pytest.raises(ValueError, match="A port is needed"):
        record(home=tmp_path)


def test_a_broken_wire_is_said_while_it_is_broken(tmp_path: Path) -> None:
    (tmp_path / "sensors.toml").write_text(
        '[red]\nchannel = "tool"\nname = "tool"\nunit = "V"\nto = "psi"\ngain = 37.5\noffset = -18.75\nvalid = [0.3, 4.7]\n',
        encoding="utf-8",
    )
    t_s = np.arange(1000) / 250.0
    volts = np.where(t_s < 2.0, 3.0, 0.02)
    with VirtualDevice(t_s, {"tool": volts}, unit="V", ends=False) as device:
        recorder = Background(tmp_path, device.port)
        until(lambda: recorder.status.pressure_pa > 0.0)
        assert recorder.status.warning == ""
        until(lambda: recorder.status.warning != "")
        assert recorder.status.warning == "tool reads 0.02 V: a broken wire or no supply at the sensor."
        until(lambda: math.isnan(recorder.status.pressure_pa))  # the last good one is not shown as if it went on
        session = recorder.end()
    faults = int((session.raw["tool"] < 0.3).sum())
    assert f"tool: {faults} readings mean a broken wire or an over-range, no pressure." in session.warnings


def test_listening_says_what_a_port_sends_and_how_to_record_it() -> None:
    with _Talker(b"P=93.2 psi\n") as gauge:
        (report,) = describe_ports(0.2, [(gauge.port, "gauge")])
    assert report.command == f"farend record --port {gauge.port} --columns tool"
    assert "P=93.2 psi" in report.sentence()
    t_s, p_kpa = _trace(5.0)
    with VirtualDevice(t_s, {"tool": p_kpa, "supply": p_kpa}) as device:
        report = listen(device.port, 0.3)
    assert report.sends.startswith("describes itself: tool in kPa, supply in kPa")
    assert report.command == f"farend record --port {device.port}"
    assert report.as_json()["lines"] == report.lines > 5
    assert report.found[0].startswith("tool: about ")


def _lines(form: str) -> bytes:
    """Two seconds of lines at 20 a second."""
    return "".join(form.format(i=i, us=50_000 * i + 7, ms=50 * i, s=0.05 * i, n=i % 3) for i in range(41)).encode()


@pytest.mark.parametrize(
    ("data", "sends", "options"),
    [
        (b"", "silent", None),
        (bytes(range(128, 255)) * 3, "Try another --baud", None),
        (_lines("{us},93.{n}\n"), "lines such as", " --columns t_us,tool --unit UNIT"),
        (_lines("{ms}\t93.{n}\t94.{n}\n"), "lines such as", " --columns t_ms,tool,ch2 --unit UNIT"),
        (_lines("{s:.3f};93.{n}\n"), "lines such as", " --columns t_s,tool --unit UNIT"),
        (_lines("{i} 93.{n}\n"), "lines such as", " --columns seq,tool --unit UNIT"),
        (_lines("{i},{us},93.{n}\n"), "lines such as", " --columns seq,t_us,tool --unit UNIT"),
        (_lines("T=21.3 C, P=93.{n} psi\r\n"), "lines such as", " --columns temperature,tool"),
        (_lines("93.{n} psi, {n}\n"), "lines such as", " --columns tool_psi,ch2 --unit UNIT"),
        (_lines("$PRS,93.{n},psi\n"), "lines such as '$PRS,93.1,psi'", " --columns _,tool,_"),
        (_lines("2026-06-03 10:00:0{n},93.{n}\n"), "lines such as", " --columns _,tool --unit UNIT"),
        (_lines("+006.4{n}bar\r"), "lines such as '+006.41bar'", " --columns tool"),
        (b"93.1\n", "but no whole line in 2 s. Listen longer: --listen 20.", None),
        (b"x\n0.1\t9\n0.2\t9\n0.1\t8\n0.2\t9\n0.3\t9\n", "lines such as", " --columns tool,ch2 --unit UNIT"),
        (b"ready\nsteady\nwaiting for trigger\nsteady\n", "no plain numbers", None),
        (b"93.1 93.2 93.3", "without line ends", None),
    ],
)
def test_what_was_heard_is_understood(data: bytes, sends: str, options: str | None) -> None:
    report = understand("COM3", data, 2.0)
    assert sends in report.sends
    assert report.command == (None if options is None else f"farend record --port COM3{options}")


def test_listening_says_what_is_wrong_with_a_sensor() -> None:
    lines = b"".join(f"{20_000 * i},{512}\n".encode() for i in range(90))
    report = understand("COM3", b"\n#farend columns=t_us,a0 unit=counts\n" + lines, 2.0)
    assert "The value never moves" in report.found[0]
    slow = understand("COM3", b"x\n" + b"".join(f"{1_000_000 * i},{512 + i % 2}\n".encode() for i in range(20)), 20.0)
    assert "too slow to see shots; send 100 or more" in slow.sentence()


@posix
def test_listening_finds_the_speed_of_the_line() -> None:
    with _Slow(9600) as gauge:
        report = listen(gauge.port, 0.5)
    assert report.command == f"farend record --port {gauge.port} --baud 9600 --columns tool"
    with _Slow(4800) as gauge:
        report = listen(gauge.port, 0.2, baud=9600)
    assert report.command is None
    assert "Try another --baud" in report.sends


class _Slow:
    """A gauge whose words can be read at one speed of the line only; use it as a context."""

    def __init__(self, baud: int) -> None:
        import pty
        import termios
        import tty

        self._master, self._slave = pty.openpty()
        tty.setraw(self._slave)
        self.port = os.ttyname(self._slave)
        speed = getattr(termios, f"B{baud}")
        self._stop = threading.Event()

        def play() -> None:
            while not self._stop.wait(0.02):
                right = termios.tcgetattr(self._master)[4] == speed
                os.write(self._master, b"P=93.2 psi\n" if right else bytes(range(128, 150)))

        self._thread = threading.Thread(target=play)

    def __enter__(self) -> _Slow:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join()
        os.close(self._slave)
        os.close(self._master)


def test_a_time_of_day_is_the_next_one() -> None:
    now = datetime.fromisoformat("2026-06-03T22:10:00+02:00")
    assert next_time_of_day("06:30", now).isoformat() == "2026-06-04T06:30:00+02:00"
    assert next_time_of_day("22:11", now).isoformat() == "2026-06-03T22:11:00+02:00"
    with pytest.raises(ValueError, match="is no time of day"):
        next_time_of_day("25:00", now)


def test_the_live_line_says_what_matters() -> None:
    status = Status(
        state="recording", time_s=3725.0, channel="tool", pressure_pa=620528.2, rate_hz=199.7, readings=745000, shots=12, bad_lines=3
    )
    line = live_line(status)
    for part in ("recording", "1:02:05", "6.21 bar", "90.0 psi", "200/s", "12 shots", "3 bad lines"):
        assert part in line
    assert "1 reading | 1 shot" in live_line(Status(readings=1, shots=1))


def test_a_session_is_readable_while_it_is_recorded(tmp_path: Path) -> None:
    t_s, p_kpa = _trace(60.0)
    with VirtualDevice(t_s, {"tool": p_kpa}) as device:
        recorder = Background(tmp_path, device.port)
        until(lambda: bool(list_sessions(tmp_path)) and list_sessions(tmp_path)[0].count > 50)
        session = open_session(list_sessions(tmp_path)[0].folder)
        assert session.recording
        assert not session.finished
        np.testing.assert_array_equal(session.raw["tool"], p_kpa[: session.raw["tool"].size])
        recorder.stop.set()
        recorder.join()
