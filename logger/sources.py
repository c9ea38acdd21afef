"""Serial ports and pyserial URLs: open, read in blocks, find again after a loss, and say what a port sends."""

from __future__ import annotations

import contextlib
import math
import os
import time
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, Protocol
from urllib.parse import urlsplit

import numpy as np
from numpy.typing import NDArray

from analysis.units import significant
from analysis.units import unit as find_unit
from logger.invented import PORT as INVENTED
from logger.invented import InventedSource
from logger.lines import HELLO, TIME_COLUMNS, Layout, LineParser, Rows, is_value, parse_columns, split_values
from logger.scaling import check_sensor

BLOCK: Final = 1 << 16
BAUDS: Final = (115200, 9600, 57600, 38400, 19200, 230400)  # to try, the most usual first
WAIT_S: Final = 0.05
GATHER_S: Final = (0.012, 0.018)  # after the first byte wait for more and, if it came, again: a wake-up a block, not a byte
PLENTY: Final = 1024  # but not if so much has come already: the system keeps only some 4 kB for us


class Source(Protocol):
    """Something that bytes come from."""

    def read(self) -> bytes:
        """Return what has come, after a short wait at most; b"" if nothing has. OSError when the device is gone."""

    def ask(self) -> None:
        """Ask the device to describe itself."""

    def close(self) -> None:
        """Give the device back; harmless when it is gone."""


class SerialSource:
    """A serial port or pyserial URL.

    Parameters
    ----------
    port : str
        Port name (``/dev/ttyUSB0``, ``COM3``) or URL (``socket://HOST:PORT``, ``rfc2217://...``).
    baud : int
        Symbols a second; networks pay no heed to it.

    Raises
    ------
    OSError
        If it cannot be opened now (pyserial's SerialException is one).
    ValueError
        If the port is not written as one can be.
    """

    def __init__(self, port: str, baud: int = 115200) -> None:
        import serial

        if port.startswith(("socket://", "rfc2217://")):
            _check_address(port)
        self._serial: Any = serial.serial_for_url(port, baudrate=baud, timeout=WAIT_S, do_not_open=True)
        if not port.startswith("rfc2217://"):  # which has none
            self._serial.write_timeout = 1.0
        if "://" not in port and os.name == "posix":
            self._serial.exclusive = True
        self._serial.open()
        # Only a real port can say how much is waiting; a socket says 0 or 1.
        self._counts = "://" not in port

    def read(self) -> bytes:
        """Return what has come."""
        if not self._counts:
            return bytes(self._serial.read(BLOCK))
        data = bytes(self._serial.read(1))
        waiting = self._serial.in_waiting if data else 0
        for wait_s in GATHER_S if data else ():
            if (before := waiting) >= PLENTY:
                break
            time.sleep(wait_s)
            if (waiting := self._serial.in_waiting) == before:
                break
        while waiting and len(data) < BLOCK:
            data += self._serial.read(waiting)
            waiting = self._serial.in_waiting
        return data

    def ask(self) -> None:
        """Send the question for the ``#farend`` line; devices that take no questions do not mind."""
        self._serial.write(HELLO)

    def close(self) -> None:
        """Close the port."""
        with contextlib.suppress(OSError):
            self._serial.close()


def _check_address(url: str) -> None:
    place = urlsplit(url)
    try:
        whole = bool(place.hostname and place.port)
    except ValueError:  # a port that is no number, or too large
        whole = False
    if not whole:
        msg = f"write it as {place.scheme}://HOST:PORT, e.g. {place.scheme}://192.168.1.7:4000"
        raise ValueError(msg)


def open_source(port: str, baud: int = 115200, *, columns: str | None = None, registers: Path | None = None) -> Source:
    """Open a port, or say in plain words why not.

    Parameters
    ----------
    port, baud
        As for `SerialSource`.
    columns : str, optional
        What to look for in messages that name their values.
    registers : Path, optional
        Register map of the Modbus transmitters at this port.

    Raises
    ------
    ValueError
        If it cannot be opened.
    """
    if port == INVENTED:
        return InventedSource()
    try:
        if port.startswith("mqtt://"):
            from logger.mqtt import MqttSource

            return MqttSource(port, columns)
        if registers is not None:
            from logger.modbus import ModbusSource

            return ModbusSource(port, registers)
        return SerialSource(port, baud)
    except OSError as problem:
        raise ValueError(why_not(port, problem)) from None
    except (ValueError, KeyError) as problem:  # pyserial raises a KeyError for an option that it does not know
        if registers is not None:
            raise  # the map says what is wrong with it
        msg = f"{port} is no port or URL that can be opened: {problem}."
        raise ValueError(msg) from None


def why_not(port: str, problem: OSError) -> str:
    """Say why a port cannot be opened and what to do."""
    text = str(problem)
    if port.startswith(("socket://", "rfc2217://", "mqtt://")):
        said = "" if isinstance(problem, ConnectionError | TimeoutError) or "could not open" in text.lower() else f" ({text})"
        return f"{port} does not answer{said}. Check its address and that the device is on."
    if "Permission" in text or "denied" in text:
        return f"{port}: no permission to use it. On Linux: sudo usermod -a -G dialout $USER, then log in again."
    if "exclusively lock" in text or "busy" in text.lower():
        return f"{port} is busy. Close the other program, or pick a port from `farend ports`."
    if "No such file" in text or "FileNotFound" in text or "could not open" in text:
        return f"{port}: there is no such port. Plug the board in, or pick a port from `farend ports`."
    if "Could not configure" in text or "Inappropriate ioctl" in text or "Not a tty" in text:
        return f"{port} is no serial port. Pick one from `farend ports`."
    return f"{port}: {text}"


def usb_serial(port: str) -> str | None:
    """Serial number of the USB device behind a port, by which it is found again under another name."""
    from serial.tools import list_ports

    return next((p.serial_number for p in list_ports.comports() if p.device == port and p.serial_number), None)


def find_usb(serial_number: str) -> str | None:
    """Port at which the USB device of this serial number is now; None while it is away."""
    from serial.tools import list_ports

    return next((p.device for p in list_ports.comports() if p.serial_number == serial_number), None)


@dataclass(frozen=True, slots=True, kw_only=True)
class PortReport:
    """A port and what it seems to send.

    Attributes
    ----------
    port, name : str
        How to open it; what it calls itself.
    lines : int
        Lines heard.
    rate_hz : float or None
        Lines a second, roughly.
    sample : str
        One of them.
    sends : str
        In a sentence, what it sends.
    command : str or None
        The `farend record` line to use; None if nothing was understood.
    found : tuple of str
        What a look at the readings found, a sentence a channel: noise, resolution, and what is wrong.
    """

    port: str
    name: str
    lines: int
    rate_hz: float | None
    sample: str
    sends: str
    command: str | None
    found: tuple[str, ...] = ()

    def as_json(self) -> dict[str, Any]:
        """The same as a JSON object."""
        keys = ("port", "name", "lines", "rate_hz", "sample", "sends", "command")
        return {**{k: getattr(self, k) for k in keys}, "found": list(self.found)}

    def sentence(self) -> str:
        """The same for reading."""
        told = [self.command] if self.command else []
        if told and told[0].endswith("UNIT"):
            told.append("UNIT is what the numbers are in: psi, bar, kPa, V, mA, counts.")
        more = "".join(f"\n    {text}" for text in (*told, *self.found))
        return f"{self.port} ({self.name}): {self.sends}{more}"


def list_ports() -> list[tuple[str, str]]:
    """List the serial ports of this machine, each with what it calls itself."""
    from serial.tools import list_ports as tools

    return sorted((p.device, p.description if p.description not in {None, "n/a"} else "no description") for p in tools.comports())


def describe_ports(listen_s: float = 2.0, ports: Sequence[tuple[str, str]] | None = None, baud: int | None = None) -> list[PortReport]:
    """Listen on every port at once for a while and say what each sends, see `listen`."""
    ports = list_ports() if ports is None else ports
    with ThreadPoolExecutor(max(len(ports), 1)) as pool:
        return list(pool.map(lambda port: listen(port[0], listen_s, name=port[1], baud=baud), ports))


def listen(port: str, seconds: float = 2.0, *, name: str = "given by hand", baud: int | None = None) -> PortReport:
    """Listen on one port and say what it seems to send; at one speed or, if none is given, at each usual one until text comes."""
    first: PortReport | None = None
    for speed in BAUDS if baud is None else (baud,):
        try:
            data = _heard(port, seconds, speed)
        except ValueError as problem:
            return PortReport(port=port, name=name, lines=0, rate_hz=None, sample="", sends=str(problem), command=None)
        report = understand(port, data, seconds, name=name, baud=speed)
        if _is_text(data) and (report.command or first is None):
            return report
        first = first or report
    assert first is not None
    return first


def _heard(port: str, seconds: float, baud: int) -> bytes:
    data = bytearray()
    source = open_source(port, baud)
    until = time.monotonic() + seconds
    try:
        source.ask()
        while time.monotonic() < until:
            data += source.read()
    except OSError:
        pass  # gone while listening: what was heard counts
    finally:
        source.close()
    return bytes(data)


def _is_text(data: bytes) -> bool:
    """Whether these bytes are text; nothing is."""
    return sum(32 <= b < 127 or b in b"\r\n\t" for b in data) >= 0.9 * len(data)


def understand(port: str, data: bytes, seconds: float, *, name: str = "", baud: int = 115200) -> PortReport:
    """Say what these bytes are, and how to record them."""

    def report(
        sends: str, options: str | None, lines: int = 0, rate: float | None = None, sample: str = "", found: tuple[str, ...] = ()
    ) -> PortReport:
        speed = "" if baud == 115200 else f" --baud {baud}"
        command = None if options is None else f"farend record --port {port}{speed}{options}"
        return PortReport(port=port, name=name, lines=lines, rate_hz=rate, sample=sample, sends=sends, command=command, found=found)

    if not data:
        return report(f"silent for {seconds:g} s. It may wait for a command, or send seldom.", None)
    if not _is_text(data):
        return report(f"no text but bytes such as {data[:8].hex(' ')}. Try another --baud, e.g. 9600, 57600 or 115200.", None)
    parser = LineParser()
    rows = parser.feed(data)
    end = b"\n" if b"\n" in data else b"\r"
    whole = [ln.strip() for ln in data.split(end)[1:-1] if ln.strip() and not ln.lstrip().startswith(b"#")]
    rate = round(len(whole) / seconds, 1)
    sample = whole[-1][:60].decode("ascii", "replace") if whole else ""
    if parser.layout is not None:
        layout = parser.layout
        units = [u or "no unit" for u in layout.units]
        channels = ", ".join(f"{c} in {u}" for c, u in zip(layout.channels, units, strict=True))
        missing = "" if all(layout.units) else " --unit UNIT"
        return report(
            f"describes itself: {channels}; about {rate:g} lines a second.", missing, len(whole), rate, sample, _look(layout, rows, seconds)
        )
    if not whole and end in data:
        text = data.strip()[-60:].decode("ascii", "replace")
        return report(f"text such as {text!r}, but no whole line in {seconds:g} s. Listen longer: --listen {10 * seconds:g}.", None)
    if not whole:
        return report("text without line ends. A reading must end with a newline.", None)
    columns, said = _guess(whole, len(whole) / seconds)
    if columns is None:
        return report(f"lines that are no plain numbers, e.g. {sample!r}.", None, len(whole), rate, sample)
    known = LineParser(layout=parse_columns(columns))
    rows = known.feed(b"\n" + b"\n".join(whole) + b"\n")
    found = _look(known.layout, rows, seconds)
    unit = "" if said else " --unit UNIT"
    what = f"lines such as {sample!r}, about {rate:g} a second."
    return report(what, f" --columns {columns}{unit}", len(whole), rate, sample, found)


def _look(layout: Layout | None, rows: Rows, seconds: float) -> tuple[str, ...]:
    """What the readings say of each sensor, as far as there are enough."""
    if layout is None:
        return ()
    count = len(rows.values)
    t_s = np.arange(count) * (seconds / max(count, 1))
    if rows.device is not None and layout.time_unit_s is not None and count > 1:
        t_s = np.mod(rows.device - rows.device[0], 2.0**32) * layout.time_unit_s
    found = []
    for i, (channel, unit) in enumerate(zip(layout.channels, layout.units, strict=True)):
        try:
            check = check_sensor(t_s.tolist(), rows.values[:, i].tolist())
        except ValueError:
            continue
        slow = unit and find_unit(unit).quantity in {"temperature", "humidity"}  # they move slowly, and may be sent slowly
        step = "" if math.isnan(check.resolution) else f", smallest step {significant(check.resolution, 3)}"
        found.append(
            " ".join(
                [
                    f"{channel}: about {significant(check.mean, 4)} {unit}".rstrip() + f", noise {significant(check.noise, 2)}{step}.",
                    *(() if slow else check.advice),
                ]
            )
        )
    return tuple(found)


def _guess(lines: Sequence[bytes], rate_hz: float) -> tuple[str | None, bool]:
    """Columns that fit most lines, so many a second; True if the lines name their units."""
    body = [ln.rpartition(b"*")[0] or ln for ln in lines]
    for count in range(1, 9):
        skipped = _words(body, count)
        parser = LineParser(layout=parse_columns(",".join("_" if i in skipped else f"ch{i}" for i in range(count))))
        rows = parser.feed(b"\n" + b"\n".join(body) + b"\n").values
        if len(rows) < 0.8 * len(body):
            continue
        assert parser.layout is not None
        clocks: list[str] = []  # a number, a time, or both
        while len(clocks) < rows.shape[1] - 1 and clocks in ([], ["seq"]) and (clock := _clock(rows[:, len(clocks)], rate_hz)):
            clocks.append(clock)
        units = parser.layout.units[len(clocks) :]
        names = _names(units)
        if any(units) and not all(units):
            names = [f"{name}_{unit}" if unit else name for name, unit in zip(names, units, strict=True)]
        named = iter([*clocks, *names])
        return ",".join("_" if i in skipped else next(named) for i in range(count)), all(units)
    return None, False


def _words(lines: Sequence[bytes], count: int) -> set[int]:
    """Which of so many values hold no number in most lines; none if that would be all of them, or the lines have another number."""
    rows = [fields for ln in lines if len(fields := split_values(ln)) == count]
    if count == 1 or len(rows) < 0.8 * len(lines):
        return set()
    words = {i for i in range(count) if sum(is_value(row[i]) for row in rows) < 0.5 * len(rows)}
    return words if len(words) < count else set()


def _clock(values: NDArray[np.float64], rate_hz: float) -> str:
    """Which kind of clock a value of the lines is, "seq" if it numbers them; "" if it is neither."""
    steps = np.diff(values)
    if len(steps) < 3 or not (steps > 0).all():
        return ""
    step = float(np.median(steps))
    even = (np.abs(steps - step) < 0.5 * step).mean() > 0.8
    for name in ("t_us", "t_ms", "t_s"):
        # A board that starts again when its port is opened is silent for a part of the time.
        if even and 0.4 < step * rate_hz * TIME_COLUMNS[name] < 2.5:
            return name
    return "seq" if step == 1.0 else ""


def _names(units: Sequence[str]) -> list[str]:
    """Names for channels of which at most the units are known: the first that may be a pressure is the tool's."""
    quantities = [find_unit(u).quantity if u else "" for u in units]
    names: list[str] = []
    for i, quantity in enumerate(quantities):
        if quantity in {"temperature", "humidity"}:
            names.append(quantity if quantity not in names else f"{quantity}_{i + 1}")
        else:
            names.append(f"ch{i + 1}" if "tool" in names else "tool")
    return names
