"""The recorder where something is in its way: disks, folders, names of ports, networks."""

from __future__ import annotations

import errno
import os
import queue
import shutil
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from numpy.typing import NDArray

from logger import keeper, sources
from logger.clock import host_seconds
from logger.device import HELD_BYTES, Device, DeviceSettings, News
from logger.journal import JournalWriter
from logger.kept import list_sessions, recover_unfinished
from logger.lines import HELLO, with_checksum
from logger.recorder import record
from logger.virtual import VirtualDevice
from tests.devices import Background, until

posix = pytest.mark.skipif(os.name != "posix", reason="pseudo-terminals and signals are POSIX's")


def _trace(seconds: float, rate_hz: float = 200.0) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    t_s = np.arange(int(seconds * rate_hz)) / rate_hz
    return t_s, np.round(600.0 + 20.0 * np.sin(t_s), 2)


def _now_us(begun: float) -> int:
    """What a board's clock shows that showed a second at its first reading."""
    return 1_000_000 + int(1e6 * (time.monotonic() - begun))


# The disk


def test_a_disk_that_fills_is_said_five_minutes_before(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    t_s, p_kpa = _trace(60.0)
    free = [1e12]
    monkeypatch.setattr(keeper, "free_bytes", lambda _folder: free[0])
    monkeypatch.setattr(keeper, "DISK_CHECK_S", 0.05)
    per_s = 200.0 * 16.0
    with VirtualDevice(t_s, {"tool": p_kpa}) as device:
        recorder = Background(tmp_path, device.port)
        until(lambda: recorder.status.readings > 200)
        assert recorder.status.warning == ""
        free[0] = keeper.DISK_SPARE + 200.0 * per_s
        until(lambda: "Disk nearly full" in recorder.status.warning)
        free[0] = 1e12
        until(lambda: recorder.status.warning == "")
        session = recorder.end()
    np.testing.assert_array_equal(session.raw["tool"], p_kpa[: session.count])


def test_before_the_disk_is_full_it_ends_with_all_kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    t_s, p_kpa = _trace(60.0)
    free = [1e12]
    monkeypatch.setattr(keeper, "free_bytes", lambda _folder: free[0])
    monkeypatch.setattr(keeper, "DISK_CHECK_S", 0.05)
    with VirtualDevice(t_s, {"tool": p_kpa}) as device:
        recorder = Background(tmp_path, device.port)
        until(lambda: recorder.status.readings > 100)
        free[0] = keeper.DISK_SPARE
        session = recorder.join()
    assert session.finished
    assert session.count == recorder.status.readings
    assert session.warnings == ("Recording stopped: the disk is full. What was read before is kept.",)


def test_a_slow_disk_costs_no_reading(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    t_s, p_kpa = _trace(3.0, 1000.0)
    write = JournalWriter.write

    def slowly(self: JournalWriter, values: list[NDArray[np.float64]]) -> None:
        time.sleep(0.5)
        write(self, values)

    monkeypatch.setattr(JournalWriter, "write", slowly)
    with VirtualDevice(t_s, {"tool": p_kpa}, rate_hz=1000.0) as device:
        session = record(port=device.port, home=tmp_path)
    np.testing.assert_array_equal(session.raw["tool"], p_kpa)
    np.testing.assert_allclose(session.raw["time_s"], t_s, atol=2e-3)


def test_a_home_that_cannot_be_written_is_said(tmp_path: Path) -> None:
    (tmp_path / "home").write_text("a file, no folder")
    with (
        VirtualDevice([0.0], {"tool": [600.0]}) as device,
        pytest.raises(ValueError, match=r"cannot be written: .* Set FAREND_HOME to a folder that can"),
    ):
        record(port=device.port, home=tmp_path / "home")


def test_a_disk_that_turns_read_only_ends_the_recording_with_all_that_was_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    t_s, p_kpa = _trace(60.0)
    write, broken = JournalWriter.write, [False]

    def fail(self: JournalWriter, values: list[NDArray[np.float64]]) -> None:
        if broken[0]:
            raise OSError(errno.EROFS, os.strerror(errno.EROFS))
        write(self, values)

    monkeypatch.setattr(JournalWriter, "write", fail)
    with VirtualDevice(t_s, {"tool": p_kpa}) as device:
        recorder = Background(tmp_path, device.port)
        until(lambda: recorder.status.readings > 100)
        broken[0] = True
        session = recorder.join()
    assert any("Recording stopped: Read-only file system" in w for w in session.warnings)
    assert session.count >= recorder.status.readings - 200  # what had not been written yet
    np.testing.assert_array_equal(session.raw["tool"], p_kpa[: session.count])


def test_when_its_folder_is_deleted_it_goes_on_in_another(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    t_s, p_kpa = _trace(60.0)
    monkeypatch.setattr(keeper, "DISK_CHECK_S", 0.05)
    with VirtualDevice(t_s, {"tool": p_kpa}) as device:
        recorder = Background(tmp_path, device.port, name="deck")
        until(lambda: recorder.status.readings > 100)
        shutil.rmtree(tmp_path / "sessions" / "deck")
        until(lambda: bool(list_sessions(tmp_path)) and list_sessions(tmp_path)[0].count > 100)
        session = recorder.end()
    assert any("was moved or deleted during the recording" in w for w in session.warnings)
    kept = session.raw["tool"]
    at = int(np.flatnonzero(p_kpa == kept[0])[0])
    np.testing.assert_array_equal(kept, p_kpa[at : at + kept.size])
    assert session.raw["time_s"][0] == 0.0


def test_an_old_session_that_cannot_be_recovered_does_not_keep_a_new_one_from_beginning(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    from logger import record_command

    def damaged(_home: object) -> tuple[str, ...]:
        msg = "readings.arrows cannot be read"
        raise ValueError(msg)

    monkeypatch.setattr(record_command, "recover_unfinished", damaged)
    t_s, p_kpa = _trace(1.0)
    with VirtualDevice(t_s, {"tool": p_kpa}) as device:
        folder = record_command.record_from_command(home=tmp_path, port=device.port)
    assert folder.is_dir()
    assert "could not be brought to safety now: readings.arrows cannot be read" in capsys.readouterr().err


# Names of ports


@posix
def test_one_device_under_two_names_is_refused(tmp_path: Path) -> None:
    t_s, p_kpa = _trace(60.0)
    link = tmp_path / "by-id"
    with VirtualDevice(t_s, {"tool": p_kpa}) as device:
        link.symlink_to(device.port)
        recorder = Background(tmp_path, device.port)
        until(lambda: device.sent > 10)
        with pytest.raises(ValueError, match="is being recorded by another farend already"):
            record(port=os.fspath(link), home=tmp_path)
        with pytest.raises(ValueError, match=r"busy|being recorded"):
            record(port=os.fspath(link), home=tmp_path / "another home")
        recorder.end()


@posix
def test_a_board_is_found_again_under_another_name_by_its_serial_number(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from serial.tools import list_ports

    connected: dict[str, str] = {}
    monkeypatch.setattr(
        list_ports, "comports", lambda: [SimpleNamespace(device=d, serial_number=n, description="board") for d, n in connected.items()]
    )
    t_s, p_kpa = _trace(1.0)
    with VirtualDevice(t_s, {"tool": p_kpa}, ends=False) as first:
        connected[first.port] = "S-17"
        begun = time.monotonic()
        recorder = Background(tmp_path, first.port)
        until(lambda: recorder.status.readings == t_s.size)
        connected.clear()
    until(lambda: recorder.status.state == "device away")
    # Another board has come under a new name, and ours under a third.
    with (
        VirtualDevice(t_s, {"tool": 0 * p_kpa}, start_us=_now_us(begun)) as other,
        VirtualDevice(t_s, {"tool": p_kpa}, start_us=_now_us(begun)) as again,
    ):
        connected[other.port] = "S-99"
        time.sleep(0.5)  # it is not taken for ours, though it may have our old name
        connected[again.port] = "S-17"
        session = recorder.join()
    assert session.count == 2 * t_s.size
    np.testing.assert_array_equal(session.raw["tool"], np.concatenate([p_kpa, p_kpa]))


# The terminal


@posix
def test_a_closed_terminal_ends_nothing_but_the_live_line(tmp_path: Path) -> None:
    t_s, p_kpa = _trace(60.0)
    with VirtualDevice(t_s, {"tool": p_kpa}) as device:
        code = (
            "from logger.record_command import record_from_command\n"
            f"record_from_command(home={os.fspath(tmp_path)!r}, port={device.port!r}, name='deck', for_s=3.0)\n"
        )
        process = subprocess.Popen([sys.executable, "-c", code], stderr=subprocess.PIPE, start_new_session=True)
        until(lambda: device.sent > 100)
        assert process.stderr is not None
        process.stderr.close()  # whoever read its messages has gone
        process.wait(30.0)
    (session,) = list_sessions(tmp_path)
    assert session.finished
    assert session.count == 601
    assert recover_unfinished(tmp_path) == ()


# Networks


class _NetworkPort:
    """A serial server as RFC 2217 has it, which sends lines once it is asked."""

    def __init__(self, values: NDArray[np.float64]) -> None:
        self._server = socket.create_server(("127.0.0.1", 0))
        self.number = self._server.getsockname()[1]
        self._values = values
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()
        self.baud = 0

    def _serve(self) -> None:
        from serial import rfc2217

        peer, _ = self._server.accept()
        peer.settimeout(10.0)
        port = _FakePort()
        manager = rfc2217.PortManager(port, SimpleNamespace(write=peer.sendall))  # type: ignore[arg-type]
        heard = b""
        while HELLO not in heard:
            heard += b"".join(manager.filter(peer.recv(1024)))
        lines = [with_checksum(f"{4000 * i},{v:.2f}") for i, v in enumerate(self._values)]
        text = "\n#farend columns=t_us,tool unit=kPa checksum=xor\n" + "".join(f"{ln}\n" for ln in lines) + "#farend end\n"
        peer.sendall(b"".join(manager.escape(text.encode())))
        self.baud = port.baudrate
        while peer.recv(1024):
            pass
        peer.close()

    def close(self) -> None:
        self._thread.join(10.0)
        self._server.close()


class _FakePort(SimpleNamespace):
    """What a serial server needs of a port."""

    def __init__(self) -> None:
        lines = dict.fromkeys(("cts", "dsr", "ri", "cd", "rts", "dtr", "rtscts", "xonxoff", "break_condition"), False)
        super().__init__(baudrate=9600, bytesize=8, parity="N", stopbits=1, **lines)

    def reset_input_buffer(self) -> None:
        """Nothing waits."""

    def reset_output_buffer(self) -> None:
        """Nothing waits."""


@pytest.mark.filterwarnings(r"ignore:set(Daemon|Name)\(\) is deprecated:DeprecationWarning")  # of pyserial
def test_a_serial_server_is_recorded(tmp_path: Path) -> None:
    _, p_kpa = _trace(2.0)
    server = _NetworkPort(p_kpa)
    settings = DeviceSettings(port=f"rfc2217://127.0.0.1:{server.number}", baud=57600)
    session = record(devices=[settings], home=tmp_path)
    server.close()
    np.testing.assert_array_equal(session.raw["tool"], p_kpa)
    assert server.baud == 57600


def test_a_network_sensor_that_goes_is_taken_up_again(tmp_path: Path) -> None:
    t_s, p_kpa = _trace(1.0)
    with VirtualDevice(t_s, {"tool": p_kpa}, transport="socket", ends=False) as first:
        begun = time.monotonic()
        number = int(first.port.rpartition(":")[2])
        recorder = Background(tmp_path, first.port)
        until(lambda: recorder.status.readings == t_s.size)
    until(lambda: recorder.status.state == "device away")
    again: Callable[..., socket.socket] = socket.create_server
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(socket, "create_server", lambda _address: again(("127.0.0.1", number)))
        second = VirtualDevice(t_s, {"tool": p_kpa}, transport="socket", start_us=_now_us(begun))
    with second:
        session = recorder.join()
    np.testing.assert_array_equal(session.raw["tool"], np.concatenate([p_kpa, p_kpa]))


# What it can do without


def test_without_the_shots_readings_are_kept_all_the_same(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*_: object) -> None:
        msg = "the detector has a fault"
        raise RuntimeError(msg)

    monkeypatch.setattr("analysis.shots.ShotDetector.feed", broken)
    t_s, p_kpa = _trace(1.0)
    with VirtualDevice(t_s, {"tool": p_kpa}) as device:
        session = record(port=device.port, home=tmp_path)
    np.testing.assert_array_equal(session.raw["tool"], p_kpa)


class _Flood:
    """A source that always has more."""

    block = b"93.2\n" * 4000

    def read(self) -> bytes:
        return self.block

    def ask(self) -> None:
        pass

    def close(self) -> None:
        pass


def test_a_flood_waits_at_the_port_and_not_in_memory(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("logger.device.open_source", lambda *_args, **_options: _Flood())
    inbox: queue.SimpleQueue[News] = queue.SimpleQueue()
    device = Device(DeviceSettings(port="x", columns="tool", unit="psi"), inbox)
    most = HELD_BYTES // len(_Flood.block) + 1
    device.start()
    until(lambda: inbox.qsize() == most)
    device.take(inbox.get(), None)
    until(lambda: inbox.qsize() == most)  # it goes on, as far as that
    device.look(host_seconds())
    device.stop()
    assert inbox.qsize() == most
    assert "sends more than can be recorded" in device.trouble
    assert device.flooded


def test_reasons_for_a_port_that_does_not_open_are_plain() -> None:
    assert "sudo usermod -a -G dialout" in sources.why_not("/dev/ttyUSB0", OSError("[Errno 13] Permission denied"))
    assert "Close the other program" in sources.why_not("COM3", OSError("could not open port 'COM3': busy"))
