"""The board's firmware, really run: compiled for the ATmega328P, executed instruction by instruction, read by the recorder.

The host in `tests/firmware/avr_host.c` drives the converter from a known trace and writes down every conversion and every byte
sent, so that what the recorder kept can be compared with both.
"""

from __future__ import annotations

import contextlib
import os
import re
import select
import shutil
import signal
import subprocess
import time
import tty
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Final, Self

import numpy as np
import pytest
from numpy.typing import NDArray

from analysis.shots import find_shots
from analysis.units import to_si
from logger.lines import LineParser
from logger.recorder import Status, record
from logger.scaling import ratiometric

Floats = NDArray[np.float64]

HERE: Final = Path(__file__).parent
SOURCE: Final = HERE.parent / "logger" / "firmware" / "farend_board" / "farend_board.ino"
ARDUINO: Final = Path("/usr/share/arduino/hardware/arduino/avr")
CHIP: Final = ["-mmcu=atmega328p", "-DF_CPU=16000000UL", "-Os", "-Wall", "-Wextra"]
FLASH_BYTES: Final = 32256  # what a boot loader leaves of 32 KiB
RAM_BYTES: Final = 2048
SUPPLY_MV: Final = 5000.0
FULL_SCALE_PSI: Final = 150.0
TRACE_HZ: Final = 5000.0
COUNT_PA: Final = to_si(FULL_SCALE_PSI, "psi") / (0.8 * 1023.0)


def _missing(what: str) -> None:
    if os.environ.get("FAREND_FIRMWARE_TESTS") == "required":
        pytest.fail(f"{what}, and FAREND_FIRMWARE_TESTS=required.")
    pytest.skip(f"{what}; the tests of the board's firmware are left out.")


def _run(*command: str | Path) -> str:
    done = subprocess.run([str(c) for c in command], capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode == 0, done.stderr
    return done.stdout + done.stderr


@pytest.fixture(scope="session")
def host(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Build the program that plays the board; needs a C compiler and libsimavr."""
    if shutil.which("avr-gcc") is None or not Path("/usr/lib/avr/include/avr/io.h").exists():
        _missing("avr-gcc or avr-libc is not installed (Debian: gcc-avr, avr-libc)")
    if shutil.which("cc") is None or not Path("/usr/include/simavr/sim_avr.h").exists():
        _missing("A C compiler or libsimavr is not installed (Debian: gcc, libsimavr-dev, libelf-dev)")
    program = tmp_path_factory.mktemp("host") / "avr_host"
    source = HERE / "firmware" / "avr_host.c"
    _run("cc", "-O2", "-Wall", "-Wextra", "-Werror", "-o", program, source, "-lsimavr", "-lelf", "-lutil", "-lm")
    return program


def _build(folder: Path, *defines: str) -> Path:
    elf = folder / "farend_board.elf"
    _run("avr-gcc", "-x", "c", "-std=gnu99", "-Werror", *CHIP, *defines, "-o", elf, SOURCE)
    return elf


@pytest.fixture(scope="session")
def plain_c(host: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Build the firmware as plain C; the host is asked for first, as it says what is missing."""
    assert host.exists()
    return _build(tmp_path_factory.mktemp("plain"))


@pytest.fixture(scope="session")
def sketch(host: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Build the same source as the Arduino IDE does: C++, the core's main(), timer 0 running."""
    assert host.exists()
    core = ARDUINO / "cores" / "arduino"
    if not core.exists():
        _missing("The Arduino core is not installed (Debian: arduino-core-avr)")
    folder = tmp_path_factory.mktemp("sketch")
    flags = [*CHIP, "-DARDUINO=10819", "-DARDUINO_AVR_UNO", "-DARDUINO_ARCH_AVR", "-DDECIMAL_DIG=__DECIMAL_DIG__"]
    flags += ["-I", str(core), "-I", str(ARDUINO / "variants" / "standard"), "-ffunction-sections", "-fdata-sections"]
    _run("avr-g++", "-x", "c++", "-std=gnu++11", "-Werror", "-include", "Arduino.h", *flags, "-c", SOURCE, "-o", folder / "sketch.o")
    objects = [folder / "sketch.o"]
    for source in ("main.cpp", "wiring.c", "hooks.c"):  # the core's own warnings are not ours to mend
        objects.append(folder / f"{source}.o")
        _run("avr-gcc", *flags, "-w", "-c", core / source, "-o", objects[-1])
    elf = folder / "sketch.elf"
    _run("avr-gcc", *CHIP, "-Wl,--gc-sections", *objects, "-o", elf)
    return elf


@dataclass
class Sent:
    """What the board did: its lines, and the conversions behind them."""

    text: str
    conversions: Floats  # time_s, channel, millivolt

    def rows(self) -> Floats:
        """Data lines that were sent whole, checksum removed."""
        lines = self.text.split("\n")[:-1]
        return np.array([ln.partition("*")[0].split(",") for ln in lines if re.fullmatch(r"\d+(,[\d.]+)+\*[0-9A-F]{4}", ln)], dtype=float)

    def means(self, average: int) -> tuple[Floats, Floats]:
        """Mean time [s] and mean count of each reading, from the conversions (one channel)."""
        whole = self.conversions[: len(self.conversions) // average * average].reshape(-1, average, 3)
        return whole[:, :, 0].mean(axis=1), np.minimum(np.floor(whole[:, :, 2] * 1023.0 / SUPPLY_MV), 1023.0).mean(axis=1)


class Board:
    """A board that runs in real time, or with `speed` 0 as fast as it goes until the trace ends; use it as a context."""

    def __init__(self, host: Path, elf: Path, folder: Path, millivolts: Floats, *, noise_mv: float = 0.0, speed: float = 1.0) -> None:
        trace = np.atleast_2d(millivolts.T).T
        self._folder = folder
        trace.astype("<f8").tofile(folder / "trace.f64")
        settings = [str(trace.shape[1]), str(TRACE_HZ), str(noise_mv), str(speed)]
        self._process = subprocess.Popen([host, elf, folder / "trace.f64", *settings, folder], stdout=subprocess.PIPE, text=True)
        with contextlib.suppress(PermissionError):  # a board does not wait for the computer, however busy: root, as in CI, can have it so
            os.sched_setscheduler(self._process.pid, os.SCHED_FIFO, os.sched_param(1))
        assert self._process.stdout is not None
        self.port = next(ln.split()[1] for ln in self._process.stdout if ln.startswith("port "))

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None) -> None:
        self.finish()

    def press_reset(self) -> None:
        self._process.send_signal(signal.SIGUSR1)

    def ground_d2(self) -> None:
        self._process.send_signal(signal.SIGUSR2)

    def finish(self, *, wait: bool = False) -> Sent:
        """End it and return what it did."""
        if not wait:
            self._process.terminate()
        self._process.communicate(timeout=60)
        assert self._process.returncode == 0
        text = (self._folder / "sent.txt").read_text(encoding="ascii")
        return Sent(text, np.loadtxt(self._folder / "conversions.txt", ndmin=2))


class Terminal:
    """The board's port, opened as a terminal program would."""

    def __init__(self, port: str) -> None:
        self._fd = os.open(port, os.O_RDWR | os.O_NOCTTY)
        tty.setraw(self._fd)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None) -> None:
        os.close(self._fd)

    def listen(self, seconds: float) -> bytes:
        """Return all that comes within a while."""
        heard, until = b"", time.monotonic() + seconds
        while (left := until - time.monotonic()) > 0:
            if select.select([self._fd], [], [], left)[0]:
                heard += os.read(self._fd, 65536)
        return heard

    def say(self, command: str) -> str:
        """Send a command and return the answer."""
        self.send(command)
        return self.comment()

    def send(self, command: str) -> None:
        os.write(self._fd, command.encode("ascii") + b"\n")

    def comment(self) -> str:
        """Return the next line beginning with #, unless it only announces one."""
        return self.wait_for(rb"^#(?! the next line).*(?=\n)")

    def wait_for(self, pattern: bytes) -> str:
        """Read on until this comes."""
        heard, until = b"", time.monotonic() + 10.0
        while time.monotonic() < until:
            heard += self.listen(0.02)
            if found := re.search(pattern, heard, re.MULTILINE):
                return found[0].decode("ascii")
        pytest.fail(f"{pattern!r} did not come, but {heard[-200:]!r}")


def _millivolts(p_pa: Floats) -> Floats:
    return SUPPLY_MV * (0.1 + 0.8 * p_pa / to_si(FULL_SCALE_PSI, "psi"))


def _shots(duration_s: float) -> Floats:
    """Invented line pressure [Pa gauge]: 90 psi, every 1.7 s a dip of 15 psi within 25 ms that recovers with 0.3 s."""
    t = np.arange(round(duration_s * TRACE_HZ)) / TRACE_HZ
    since = np.mod(t, 1.7)
    dip = to_si(15.0, "psi") * (1.0 - np.exp(-since / 0.008)) * np.exp(-since / 0.3)
    return to_si(90.0, "psi") - dip


def _first_kept(kept: Floats, sent: Floats) -> int:
    """Which sent reading is the first that the recorder kept; all from there must follow, without gap or change."""
    found = [i for i in range(len(sent) - len(kept) + 1) if np.array_equal(sent[i : i + len(kept)], kept)]
    assert len(found) == 1, "what was kept is not an unbroken stretch of what was sent"
    return found[0]


def test_fits_the_chip(plain_c: Path) -> None:
    text, data, bss = (int(v) for v in _run("avr-size", plain_c).splitlines()[1].split()[:3])
    assert text + data < FLASH_BYTES
    assert data + bss < RAM_BYTES - 512, "the stack needs room"


def test_every_line_is_the_mean_of_its_conversions(host: Path, plain_c: Path, tmp_path: Path) -> None:
    ramp = np.linspace(0.0, SUPPLY_MV, round(12.0 * TRACE_HZ))
    sent = Board(host, plain_c, tmp_path, ramp, noise_mv=6.0, speed=0.0).finish(wait=True)
    rows = sent.rows()
    _, mean = sent.means(8)
    assert len(rows) > 2900
    assert np.array_equal(rows[:, 0], 4000.0 * np.arange(1, len(rows) + 1))
    assert np.abs(rows[:, 1] - mean[: len(rows)]).max() <= 0.005 + 1e-9  # two decimals
    described = [ln for ln in sent.text.split("\n") if ln.startswith("#")]
    assert described == ["#farend columns=t_us,a0 rate=250 unit=counts checksum=crc16 average=8 lost=0"] * 2  # at 0 and 10 s


def _knows_the_sensor(home: Path) -> Path:
    """A home whose sensors.toml says what sits on a0, by the label of the transducer."""
    scale = ratiometric(FULL_SCALE_PSI, 1023.0)
    assert scale.valid is not None
    home.mkdir()
    (home / "sensors.toml").write_text(
        f'[hose-end]\nchannel = "a0"\nname = "tool"\nunit = "counts"\nto = "psi"\n'
        f"gain = {scale.gain}\noffset = {scale.offset}\nvalid = [{scale.valid[0]}, {scale.valid[1]}]\n",
        encoding="utf-8",
    )
    return home


@pytest.mark.parametrize("build", ["plain_c", "sketch"])
def test_the_recorder_recovers_the_pressure(host: Path, build: str, request: pytest.FixtureRequest, tmp_path: Path) -> None:
    elf: Path = request.getfixturevalue(build)
    p_pa = _shots(20.0)
    with Board(host, elf, tmp_path, _millivolts(p_pa), noise_mv=3.0) as board:
        session = record(port=board.port, home=_knows_the_sensor(tmp_path / "home"), name="bench", for_s=6.0)
        sent = board.finish()
    assert [(c.name, c.unit, c.to) for c in session.channels] == [("tool", "counts", "psi")]
    assert session.warnings == ()  # not one bad line, gap or odd time stamp
    assert len(session.readings) >= 1450  # for_s also ends by the host's clock, half a second later
    first = _first_kept(session.raw["tool"], sent.rows()[:, 1])

    # Pressure against the trace: half a count is what rounding and the mean of eight noisy conversions may cost.
    recovered = session.readings["tool_pa"].to_numpy()
    true_s = sent.means(8)[0][first : first + len(recovered)]
    window = true_s[:, None] + np.linspace(-0.4e-3, 0.4e-3, 9)
    error = recovered - np.interp(window, np.arange(p_pa.size) / TRACE_HZ, p_pa).mean(axis=1)
    assert error.std() < 0.5 * COUNT_PA
    assert abs(error.mean() + 0.5 * COUNT_PA) < 0.1 * COUNT_PA  # a converter rounds down: half a count low
    assert np.abs(error).max() < 2.0 * COUNT_PA

    # Time: what the session says against the instant of the conversions.
    time_s = session.readings.index.to_numpy()
    late = (time_s - time_s[0]) - (true_s - true_s[0])
    assert np.abs(late).max() < 2e-3

    # And what it is all for: the shots are found when they were fired, every 1.7 s, those with a before and an after.
    shots = [s for s in find_shots(time_s, recovered).shots if 0.2 < s.time_s < time_s[-1] - 0.2]
    fired = np.arange(0.0, 20.0, 1.7) - true_s[0]
    expected = fired[(fired > 0.2) & (fired < time_s[-1] - 0.2)]
    assert [s.time_s for s in shots] == pytest.approx(expected.tolist(), abs=0.01)
    depth = to_si(90.0, "psi") - p_pa.min()
    assert [s.dip_pa for s in shots] == pytest.approx([depth] * len(expected), abs=3.0 * COUNT_PA)


@pytest.mark.parametrize("restart", [False, True])
def test_the_recorder_follows_a_wrapping_clock_and_a_restart(
    host: Path, plain_c: Path, tmp_path_factory: pytest.TempPathFactory, tmp_path: Path, restart: bool
) -> None:
    elf = plain_c if restart else _build(tmp_path_factory.mktemp("wrap"), f"-DFIRST_TIME_US={2**32 - 3_000_000}UL")
    with Board(host, elf, tmp_path, _millivolts(_shots(12.0)), noise_mv=3.0) as board:
        pressed: list[float] = []

        def while_recording(status: Status) -> None:
            if restart and not pressed and status.readings > 250:
                board.press_reset()
                pressed.append(status.time_s)

        session = record(port=board.port, home=tmp_path / "home", name="bench", for_s=4.0, on_status=while_recording)
        sent = board.finish().rows()
    steps = np.diff(session.readings.index.to_numpy())
    assert (steps > 0).all()
    if restart:
        assert any("device restarted" in w for w in session.warnings)
        assert len(session.readings) > 800
        assert session.readings.index[-1] > pressed[0] + 0.5, "it went on after the restart"
    else:
        assert session.warnings == ()
        first = _first_kept(session.raw["a0"], sent[:, 1])
        assert sent[first, 0] > 4e9
        assert sent[first + len(steps), 0] < 1e8
        assert np.abs(steps - 4e-3).max() < 1e-4


@pytest.fixture
def terminal(host: Path, plain_c: Path, tmp_path: Path) -> Iterator[tuple[Board, Terminal]]:
    """A board whose six inputs lie at 300, 900, 1500, ... mV, and a terminal at its port."""
    millivolts = np.tile(300.0 + 600.0 * np.arange(6), (10, 1))
    with Board(host, plain_c, tmp_path, millivolts) as board, Terminal(board.port) as port:
        port.wait_for(rb"\*....\n")  # readings come after the description of the start
        yield board, port


@pytest.mark.parametrize(
    ("commands", "channels", "rate", "average"),
    [
        (["rate 100", "channels 6"], 6, 100, 8),
        (["rate 400"], 1, 400, 8),
        (["baud 500000", "average 2", "rate 2000"], 1, 2000, 2),
        (["baud 1000000", "average 1", "channels 4", "rate 2000"], 4, 2000, 1),
        (["rate 20", "average 64", "channels 2"], 2, 20, 64),
    ],
)
def test_commands_set_it_up(terminal: tuple[Board, Terminal], commands: list[str], channels: int, rate: int, average: int) -> None:
    _, port = terminal
    answers = [port.say(c) for c in commands]
    assert not any("refused" in a or "understood" in a for a in answers), answers
    port.listen(0.1)
    parser = LineParser()
    described = port.say("#farend?")
    parser.feed(b"\n" + described.encode("ascii") + b"\n")
    parser.reopened()
    rows = parser.feed(port.listen(1.5))
    names = [f"a{i}" for i in range(channels)]
    assert described == f"#farend columns=t_us,{','.join(names)} rate={rate} unit=counts checksum=crc16 average={average} lost=0"
    assert parser.bad_lines == 0
    assert rows.device is not None
    assert len(rows.device) > 0.5 * rate  # how many come in a while is the simulator's affair; their spacing is the board's
    assert set(np.diff(rows.device)) == {round(1e6 / rate / 16) * 16 if rate < 31 else 1e6 / rate}
    assert np.array_equal(rows.values, np.tile(np.floor((300.0 + 600.0 * np.arange(channels)) * 1023 / SUPPLY_MV), (len(rows.device), 1)))
    assert port.say("#farend?").endswith("lost=0")


def test_what_cannot_be_is_refused_with_a_reason(terminal: tuple[Board, Terminal]) -> None:
    _, port = terminal
    for command, reason in [
        ("rate 0", "# refused: rate: 1 to 2000"),
        ("rate 70000", "# refused: rate: 1 to 2000"),
        ("channels 7", "# refused: channels: 1 to 6"),
        ("average 3", "# refused: average: 1, 2, 4"),
        ("baud 230400", "# refused: baud: 9600 to"),  # 3.5 % off with a 16 MHz crystal
        ("rate 550", "# refused: the line is too slow"),
        ("average 64", "# refused: no time for so many conversions"),
        ("rate", "# not understood; commands:"),
        ("rate 25O", "# not understood; commands:"),
        ("please send everything you have right now", "# not understood; commands:"),
    ]:
        assert port.say(command).startswith(reason)
    assert "columns=t_us,a0 rate=250 " in port.say("#farend?")


def test_an_echo_is_not_answered_and_does_not_hide_the_question(terminal: tuple[Board, Terminal]) -> None:
    _, port = terminal
    for line in ("4000,592.25*0C", "# not understood; commands: rate N", "#farend columns=t_us,a0 rate=250 unit=counts"):
        port.send(line)
    assert b"#" not in port.listen(0.3)
    assert port.say("8000,592.25*06 8000,592.25*06 #farend?").startswith("#farend columns=t_us,a0 ")


def test_settings_outlast_a_restart_until_d2_is_grounded(terminal: tuple[Board, Terminal]) -> None:
    board, port = terminal
    assert "rate=400" in port.say("rate 400")
    board.press_reset()
    assert b"\n#farend columns=t_us,a0 rate=400 " in port.listen(0.5)
    board.ground_d2()
    port.listen(0.1)
    board.press_reset()
    assert b"\n#farend columns=t_us,a0 rate=250 " in port.listen(0.5)
