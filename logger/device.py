"""One device of a recording: a thread that reads it whatever happens, the parser of its lines, and its clock."""

from __future__ import annotations

import contextlib
import math
import queue
import re
import threading
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis.units import significant
from logger.channel import Channel
from logger.clock import MISDATED, DeviceClock, HostClock, host_seconds
from logger.lines import LineParser, parse_columns
from logger.scaling import check_sensor
from logger.sensors import Sensor, as_calibrated
from logger.sources import WAIT_S, Source, find_usb, open_source, usb_serial

Floats = NDArray[np.float64]

RETRY_S: Final = 0.2
SILENT_S: Final = 3.0
CHECK_S: Final = 3.0  # of readings, for the sensor check
HELD_BYTES: Final = 1 << 22  # read ahead of what is recorded at most: minutes of a slow disk, seconds of a flood
TROUBLE_S: Final = 5.0  # for so long most lines must be bad before it is said


@dataclass(frozen=True, slots=True, kw_only=True)
class DeviceSettings:
    """Where a device is, and what its lines are where it does not say.

    Attributes
    ----------
    port : str
        Serial port, pyserial URL, or ``mqtt://BROKER/TOPIC``.
    name : str
        What to call it, and so its channels, where there are several; "" for what it says itself.
    baud : int
        Symbols a second.
    columns, unit : str or None
        As for `LineParser`.
    registers : Path or None
        Register map of a Modbus transmitter.
    """

    port: str
    name: str = ""
    baud: int = 115200
    columns: str | None = None
    unit: str | None = None
    registers: Path | None = None

    def __post_init__(self) -> None:
        if not self.port:
            msg = "A port is needed. Pick one from `farend ports`."
            raise ValueError(msg)
        if self.baud <= 0:
            msg = f"--baud {self.baud} is no speed of a line. Usual are 9600, 57600 and 115200."
            raise ValueError(msg)
        if self.columns is not None:
            parse_columns(self.columns, self.unit)
        elif self.unit:
            parse_columns("x", self.unit)  # refuse an unknown unit now, not after the first line


def named_port(text: str) -> tuple[str, str]:
    """Split ``supply=/dev/ttyUSB1`` into name and port; ("", text) for a port alone."""
    match = re.fullmatch(r"([A-Za-z]\w*)=(.+)", text)
    return (match[1], match[2]) if match else ("", text)


@dataclass(frozen=True, slots=True, kw_only=True)
class News:
    """What a device's thread has to tell: bytes, or that it has gone or come back."""

    device: Device
    host_s: float
    data: bytes = b""
    gone: str = ""
    back: bool = False


class Device:
    """One device.

    Parameters
    ----------
    settings : DeviceSettings
        Where and what it is.
    inbox : queue of News
        Where its thread puts what it reads.

    Attributes
    ----------
    state : str
        "waiting", "recording", "silent" or "device away".
    gaps : int
        Times it was away.
    trouble : str
        What is wrong with it now.
    flooded : bool
        Whether it has sent more than could be recorded.
    fault : str
        What the last reading says of a broken wire or an over-range; "" if nothing.
    faults : Counter
        Readings that say so, by channel.
    """

    def __init__(self, settings: DeviceSettings, inbox: queue.SimpleQueue[News]) -> None:
        self.settings = settings
        self.port = settings.port
        layout = None if settings.columns is None else parse_columns(settings.columns, settings.unit)
        self.parser = LineParser(layout=layout, unit=settings.unit)
        self.state, self.gaps, self.trouble = "waiting", 0, ""
        self.done = False  # it has sent all that was asked for, or is of no use
        self.board = usb_serial(settings.port)
        self.flooded = False
        self.fault, self.faults = "", Counter[str]()
        self._inbox = inbox
        self._read_bytes = self._taken_bytes = 0  # each is written by one thread only
        self._clock: DeviceClock | HostClock | None = None
        self._stop = threading.Event()
        self._heard = host_seconds()
        self._judged = (host_seconds(), 0, 0)
        self._first: list[tuple[Floats, Floats]] | None = []  # readings for the sensor check, until it is made
        self._refused: Counter[str] = Counter()  # what sources that are gone by now had to leave out
        self._source = self._open()
        self._thread = threading.Thread(target=self._listen, name=f"reads {self.port}", daemon=True)

    # The thread that reads

    def start(self) -> None:
        """Begin to read."""
        self._thread.start()

    def stop(self) -> None:
        """Stop reading and give the device back."""
        self._stop.set()
        if self._thread.is_alive():
            self._thread.join(5.0)
        self._source.close()

    def _open(self) -> Source:
        s = self.settings
        return open_source(self.port, s.baud, columns=s.columns, registers=s.registers)

    def _listen(self) -> None:
        self._ask()
        while not self._stop.is_set():
            if self._behind > HELD_BYTES:  # a flood: let it wait at the port
                self._stop.wait(WAIT_S)
                continue
            try:
                data = self._source.read()
            except Exception as problem:  # drivers raise all sorts of things when a plug is pulled
                self._source.close()
                self._refused += _bad(self._source)
                self._source = _Nothing()
                self._inbox.put(News(device=self, host_s=host_seconds(), gone=_why_gone(problem)))
                if not self._again():
                    return
                self._inbox.put(News(device=self, host_s=host_seconds(), back=True))
                self._ask()
                continue
            if data:
                self._read_bytes += len(data)
                self._inbox.put(News(device=self, host_s=host_seconds(), data=data))

    @property
    def _behind(self) -> int:
        """Bytes that were read and wait to be recorded."""
        return self._read_bytes - self._taken_bytes

    def _again(self) -> bool:
        """Wait until the device is back, perhaps under another name; False if told to stop before."""
        while not self._stop.wait(RETRY_S):
            if self.board is not None:
                place = find_usb(self.board)
                if place is None:
                    continue  # under its old name there may be another board by now
                self.port = place
            with contextlib.suppress(ValueError):
                self._source = self._open()
                return True
        return False

    def _ask(self) -> None:
        with contextlib.suppress(OSError):  # a device that takes no questions, or has gone again already
            self._source.ask()

    # The readings

    @property
    def ended(self) -> bool:
        """Whether nothing more will come of it."""
        return self.done or self.parser.ended

    @property
    def ready(self) -> bool:
        """Whether it has said what it sends, with every unit."""
        return self.parser.layout is not None and all(self.parser.layout.units)

    @property
    def speed(self) -> float:
        """How much faster than life its readings come."""
        return 1.0 if self.parser.layout is None else self.parser.layout.speed

    @property
    def problems(self) -> Counter[str]:
        """Lines and readings left out, by the reason."""
        found = Counter(self.parser.bad)
        if isinstance(self._clock, DeviceClock):
            found.update({k: n for k, n in self._clock.problems.items() if n})
        return found + self._refused + _bad(self._source)

    @property
    def gaps_said(self) -> str:
        """What to say of readings that are missing by the device's own time; "" if none."""
        if not isinstance(self._clock, DeviceClock) or not self._clock.gaps:
            return ""
        longest = significant(self._clock.longest_gap_s, 3)
        return f"By its own time {self._clock.gaps} stretches of readings never came, the longest of {longest} s."

    @property
    def pace_said(self) -> str:
        """What to say of a clock that goes at another pace than time; "" if it does not."""
        if not isinstance(self._clock, DeviceClock) or math.isnan(self._clock.times_as_fast):
            return ""
        return (
            f"{self.port}: its time stamps go {significant(self._clock.times_as_fast, 3)} times as fast as time, so no duration in this "
            "recording is right. Check t_us or t_ms in the columns, and that the board's clock is the one it was programmed for."
        )

    def take(self, news: News, origin_s: float | None) -> tuple[Floats, Floats]:
        """Turn news into readings.

        Parameters
        ----------
        news : News
            Of this device.
        origin_s : float or None
            Host time at which the recording's time is 0, where several devices share it; None: at the first reading.

        Returns
        -------
        times, values : ndarray, shapes (n,) and (n, channels)
            Times [s, rising] and raw values; empty where there is no reading.
        """
        if news.gone:
            self.state, self.trouble, self.fault = "device away", f"{self.port} is away ({news.gone}); looking for it.", ""
            self.gaps += 1
        elif news.back:
            self.parser.reopened()
            self.state, self.trouble = "waiting", ""
            self._heard = news.host_s
        self._taken_bytes += len(news.data)
        rows = self.parser.feed(news.data)
        if news.data:
            self._heard = news.host_s
        layout = self.parser.layout
        if layout is None or len(rows.values) == 0 or self.done:
            return np.empty(0), np.empty((0, 0))
        if self._clock is None:
            time_unit = layout.time_unit_s
            if time_unit is None:
                self._clock = HostClock(rate_hz=layout.rate_hz, speed=layout.speed, origin_s=origin_s)
            else:
                self._clock = DeviceClock(unit_s=time_unit, speed=layout.speed, origin_s=origin_s)
        if isinstance(self._clock, DeviceClock):
            assert rows.device is not None
            times = self._clock.feed(rows.device, news.host_s, disturbed=self.parser.disturbed)
            good = np.isfinite(times)
            times, values = times[good], rows.values[good]
        else:
            times, values = self._clock.feed(len(rows.values), news.host_s), rows.values
        if times.size:
            self.state = "recording"
        return times, values

    def channels(self, sensors: dict[str, Sensor], now: datetime, *, alone: bool) -> tuple[list[Channel], list[str]]:
        """Return its channels, calibrated where a sensor is known, and what to say of them.

        Parameters
        ----------
        sensors : dict of str to Sensor
            Those known.
        now : datetime
            To tell an old calibration.
        alone : bool
            Whether it is the only device: then its channels' names say which sensor is meant; of several devices only the name
            given to one, or a board's serial number, does.

        Raises
        ------
        ValueError
            If it does not say a unit.
        """
        layout = self.parser.layout
        assert layout is not None
        without = [c for c, u in zip(layout.channels, layout.units, strict=True) if not u]
        if without:
            msg = f"{self.port} sends {', '.join(without)} without saying the unit. Give it: --unit psi (or kPa, bar, counts, ...)."
            raise ValueError(msg)
        found: list[Channel] = []
        said: list[str] = []
        for sent, unit in zip(layout.channels, layout.units, strict=True):
            known = {k: s for k, s in sensors.items() if s.channel == sent and (alone or s.board)}
            made, warning = as_calibrated(sent, unit, known, now, board=self.board)
            name = self._called(sent, len(layout.channels))
            if name != sent:  # a name given to the device stands above the sensor's
                if not made.sensor:
                    made, warning = as_calibrated(name, unit, sensors, now, board=self.board)
                made = replace(made, name=name)
            found.append(made)
            said += [warning] if warning else []
        return found, said

    def _called(self, channel: str, of: int) -> str:
        if not self.settings.name:
            return channel
        return self.settings.name if of == 1 else f"{self.settings.name}_{channel}"

    def check(self, times: Floats, values: Floats, channels: Sequence[Channel]) -> list[str]:
        """Look for broken wires; gather the first seconds of readings, judge the sensors once by them, and return the advice."""
        for i, channel in enumerate(channels):
            if faults := channel.faults(values[:, i]):
                self.faults[channel.name] += faults
        self.fault = " ".join(filter(None, (c.fault(v) for c, v in zip(channels, values[-1].tolist(), strict=True))))
        if self._first is None:
            return []
        self._first.append((times, values))
        if times[-1] - self._first[0][0][0] < CHECK_S:
            return []
        t_s = np.concatenate([t for t, _ in self._first])
        raw = np.concatenate([v for _, v in self._first])
        self._first = None
        said = []
        for i, channel in enumerate(channels):
            if channel.quantity in {"temperature", "humidity"}:
                continue  # they move slowly, and may be sent slowly
            with contextlib.suppress(ValueError):  # too few readings to judge
                advice = check_sensor(t_s.tolist(), raw[:, i].tolist(), channel.valid).advice
                said += [f"{channel.name}: {a}" for a in advice]
        return said

    def silent_s(self, now: float) -> float:
        """How long nothing has been heard of it [s]."""
        return now - self._heard

    def look(self, now: float) -> None:
        """Bring `state` and `trouble` up to date."""
        if self._behind > HELD_BYTES // 2:
            self.flooded = True
            self.trouble = f"{self.port} sends more than can be recorded, and readings are lost. Let it send less."
            return
        if self.state == "recording" and now - self._heard > SILENT_S:
            self.state, self.trouble = "silent", f"{self.port} has been silent for {now - self._heard:.0f} s."
        elif self.state == "silent":
            if now - self._heard <= SILENT_S:
                self.state, self.trouble = "recording", ""
            else:
                self.trouble = f"{self.port} has been silent for {now - self._heard:.0f} s."
        since, lines, before = self._judged
        if now - since >= TROUBLE_S and self.state in {"waiting", "recording"}:
            left_out = self.parser.bad_lines + self._misdated
            new_lines, new_bad = self.parser.lines - lines, left_out - before
            self._judged = (now, self.parser.lines, left_out)
            bad = new_bad > 0.5 * max(new_lines, 1) and new_bad >= 5
            self.trouble = self.not_understood() if bad or self.state == "waiting" else ""

    @property
    def _misdated(self) -> int:
        return self._clock.problems[MISDATED] if isinstance(self._clock, DeviceClock) else 0

    def not_understood(self) -> str:
        """Say why its lines give no readings."""
        parser = self.parser
        if self._misdated > parser.bad_lines:
            return (
                f"{self.port} sends time stamps that do not go with the time that passes; the last line was {parser.sample!r}. "
                "Check the columns: t_us counts millionths of a second, t_ms thousandths."
            )
        if parser.garbled:
            return f"{self.port} sends bytes that are no text. Try another --baud, e.g. 9600, 57600 or 115200."
        if parser.layout is None and parser.lines:
            return (
                f"{self.port} sends lines such as {parser.sample!r} but does not say what they are. "
                "Say it, e.g. --columns t_us,tool --unit psi; `farend ports` proposes a command."
            )
        if parser.bad_lines:
            why = parser.bad.most_common(1)[0][0]
            return (
                f"{self.port} sent no reading that could be understood ({parser.bad_lines} lines, mostly: {why}; "
                f"the last was {parser.sample!r}). Check --columns and --baud."
            )
        if refused := self._refused + _bad(self._source):
            why = "; ".join(f"{why} ({n} times)" for why, n in refused.most_common(3))
            return f"{self.port} gave no reading: {why}. Check the settings, the wires (A and B swapped?) and the sensor's supply."
        return f"{self.port} sent nothing. Check the cable, --baud, and that the board runs; `farend ports` listens on every port."


def _why_gone(problem: Exception) -> str:
    """Say in a few words why a device could not be read any more."""
    text = str(getattr(problem, "strerror", None) or problem)
    # So pyserial calls a port whose other end has gone.
    return "unplugged, or another program reads it too" if "returned no data" in text else text


def _bad(source: Source) -> Counter[str]:
    """What a source that does more than pass on bytes had to leave out."""
    return Counter(getattr(source, "bad", None))


class _Nothing:
    """What there is while a device is away."""

    def read(self) -> bytes:
        return b""

    def ask(self) -> None:
        pass

    def close(self) -> None:
        pass


def uniquely_named(channels: Sequence[Channel], taken: Sequence[str]) -> list[Channel]:
    """Number the channels whose name is taken: tool, tool_2, ... ."""
    names = set(taken)
    found = []
    for channel in channels:
        name, number = channel.name, 1
        while name in names:
            number += 1
            name = f"{channel.name}_{number}"
        names.add(name)
        found.append(channel if name == channel.name else replace(channel, name=name))
    return found
