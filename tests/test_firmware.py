"""Our board's firmware, really run: compiled by avr-gcc, executed by libsimavr, read through a pty by the recorder."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from logger.lines import LineParser
from logger.recorder import record

HERE = Path(__file__).resolve().parent
FIRMWARE = HERE.parent / "logger" / "firmware" / "farend" / "farend.ino"
SIMAVR = Path("/usr/include/simavr/sim_avr.h")
TRACE_HZ = 1000

pytestmark = pytest.mark.skipif(
    os.environ.get("FAREND_FIRMWARE_TESTS") != "required"
    and (sys.platform == "win32" or not (shutil.which("avr-gcc") and shutil.which("gcc") and SIMAVR.exists())),
    reason="needs avr-gcc, gcc and libsimavr (Debian: gcc-avr avr-libc libsimavr-dev); FAREND_FIRMWARE_TESTS=required insists on them",
)


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    folder = tmp_path_factory.mktemp("firmware")
    elf, board = folder / "farend.elf", folder / "avr_board"
    strict = ["-Wall", "-Wextra", "-Werror"]
    subprocess.run(
        ["avr-gcc", "-mmcu=atmega328p", "-DF_CPU=16000000UL", "-Os", *strict, "-x", "c", FIRMWARE, "-o", elf], check=True, timeout=60
    )
    subprocess.run(["gcc", "-O2", "-o", board, HERE / "avr_board.c", "-lsimavr", "-lutil"], check=True, timeout=60)
    return elf, board


@contextmanager
def _board(built: tuple[Path, Path], folder: Path, millivolts: NDArray[np.float64]) -> Iterator[str]:
    """Run the board on a trace, a row a millisecond, and give its port."""
    elf, board = built
    trace = folder / "trace.bin"
    millivolts.astype("<f8").tofile(trace)
    command = [str(board), str(elf), str(trace), str(millivolts.shape[1]), str(TRACE_HZ)]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        port = next(line.split()[1] for line in process.stdout if line.startswith("PORT "))
        try:
            yield port
        finally:
            process.communicate("\n", timeout=20)


def _trace(seconds: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Times, and millivolts of two channels: a ramp, which tells the time, and a slow wave."""
    t_s = np.arange(int(seconds * TRACE_HZ)) / TRACE_HZ
    return t_s, np.column_stack([500.0 + 100.0 * t_s, 2500.0 + 1500.0 * np.sin(2.0 * np.pi * t_s / 5.0)])


def _told(port: str, command: str, expected: bytes) -> bytes:
    """Send a command and return what the board sends until the expected answer is there."""
    import serial

    with serial.serial_for_url(port, timeout=0.05) as line:
        until = time.monotonic() + 5.0
        while b"*" not in line.read(64):  # until it has started and sends readings
            assert time.monotonic() < until
        line.write(command.encode() + b"\n")
        answer = b""
        while expected not in answer:
            assert time.monotonic() < until, answer[-300:]
            answer += line.read(4096)
    return answer


def test_the_recorder_reads_from_the_board_what_was_on_its_inputs(built: tuple[Path, Path], tmp_path: Path) -> None:
    t_s, millivolts = _trace(40.0)
    with _board(built, tmp_path, millivolts) as port:
        _told(port, "channels 2", b"columns=t_us,a0,a1 rate=250 unit=counts checksum=xor\n")
        _told(port, "rate 200", b"columns=t_us,a0,a1 rate=200 unit=counts checksum=xor\n")
        session = record(port=port, home=tmp_path, name="board", for_s=2.0)
    assert [c.unit for c in session.channels] == ["counts", "counts"]
    assert session.count == 401  # not one lost
    np.testing.assert_allclose(np.diff(session.raw["time_s"]), 5e-3, atol=1e-5)
    # The ramp says when the first reading was taken; from there both channels must follow the trace.
    time_s = session.raw["time_s"]
    began = float(np.mean(((session.raw["a0"] + 0.5) * 5000.0 / 1023.0 - 500.0) / 100.0 - time_s))  # the converter cuts off
    at = began + time_s
    for k, name in enumerate(("a0", "a1")):
        expected = np.interp(at, t_s, millivolts[:, k]) * 1023.0 / 5000.0
        error = np.abs(session.raw[name] - expected)
        assert np.median(error) < 2.0
        assert error.max() < 5.0
    assert session.warnings == ()


def test_the_board_refuses_what_it_cannot_do(built: tuple[Path, Path], tmp_path: Path) -> None:
    _, millivolts = _trace(40.0)
    with _board(built, tmp_path, millivolts) as port:
        _told(port, "rate 2000", b"nothing was changed\n")  # with an average of 4 the line is too slow
        _told(port, "channels 7", b"nothing was changed\n")
        _told(port, "help", b"# commands:")
        _told(port, "average 1", b"rate=250")
        heard = _told(port, "rate 500", b"rate=500 unit=counts checksum=xor\n")
    parser = LineParser()
    parser.feed(heard)
    assert parser.layout is not None
    assert parser.layout.rate_hz == 500.0
    assert parser.layout.channels == ("a0",)
    assert parser.bad_lines == 0
