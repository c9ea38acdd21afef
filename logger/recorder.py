"""The recorder: from a device to the disk, whatever happens in between.

Source, line parser, clock, journal, in one loop. It depends on no page and no analysis: the live count of shots is a courtesy that
may fail without a reading being lost.
"""

from __future__ import annotations

import contextlib
import os
import queue
import re
import shutil
import signal
import sys
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from analysis.units import from_si
from logger.channel import Channel
from logger.clock import DeviceClock, HostClock, host_seconds
from logger.home import home as farend_home
from logger.home import locks_folder
from logger.journal import JournalWriter
from logger.kept import recover_unfinished
from logger.lines import Layout, LineParser, parse_columns
from logger.live import LiveWriter, stop_asked
from logger.lock import FileLock
from logger.readings import new_journal_path
from logger.sensors import as_calibrated, read_sensors
from logger.session import Session, change_session, finish_session, start_session, unlock_session
from logger.sources import Source, find_usb, open_source, usb_serial

if TYPE_CHECKING:
    from analysis.shots import ShotDetector

__all__ = ["Status", "record", "record_from_command", "recover_unfinished"]

Floats = NDArray[np.float64]

SYNC_S: Final = 0.25  # a crash may cost half a second: this, a pass of the loop, and a slow disk
STATUS_S: Final = 0.5
SHOW_S: Final = 0.04  # what is shown to a live page may be so old; it is not synced, so it costs next to nothing
RETRY_S: Final = 0.2
DESCRIBE_S: Final = 15.0  # boards of ours describe themselves each 10 s
SILENT_S: Final = 3.0
DISK_CHECK_S: Final = 10.0
DISK_WARNING_S: Final = 300.0


@dataclass(slots=True, kw_only=True)
class Status:
    """How the recording stands: what the live line shows.

    Attributes
    ----------
    state : str
        "waiting", "recording", "silent", "device away" or "finished".
    name : str
        Of the session, once there is one.
    time_s : float
        Session time of the last reading [s].
    channel : str
        Channel of `pressure_pa`.
    pressure_pa : float
        Last pressure of the tool's channel [Pa gauge]; NaN if there is none.
    rate_hz : float
        Readings a second over the last seconds.
    readings, bad_lines, shots, gaps : int
        Counts so far; gaps are times the device was away.
    last_dip_pa : float
        Dip of the last shot [Pa].
    problems : dict of str to int
        Lines and readings left out, by the reason.
    warning : str
        What needs attention now.
    """

    state: str = "waiting"
    name: str = ""
    time_s: float = 0.0
    channel: str = ""
    pressure_pa: float = float("nan")
    rate_hz: float = 0.0
    readings: int = 0
    bad_lines: int = 0
    shots: int = 0
    gaps: int = 0
    last_dip_pa: float = float("nan")
    problems: dict[str, int] = field(default_factory=dict)
    warning: str = ""


def record(
    *,
    port: str,
    home: Path | str | None = None,
    name: str | None = None,
    baud: int = 115200,
    for_s: float | None = None,
    until: datetime | None = None,
    columns: str | None = None,
    unit: str | None = None,
    line: str = "",
    notes: str = "",
    on_status: Callable[[Status], None] | None = None,
    stop: threading.Event | None = None,
) -> Session:
    """Record a device into a new session until told to stop, and finish the session.

    Parameters
    ----------
    port : str
        Serial port or pyserial URL.
    home : path, optional
        Where sessions are kept; by default FAREND_HOME.
    name : str, optional
        Of the session; by default the local date and time.
    baud : int
        Symbols a second.
    for_s : float, optional
        Session time after which to stop [s].
    until : datetime, optional
        Instant at which to stop.
    columns : str, optional
        What the values of a line are, where the device does not say: ``t_us,tool``.
    unit : str, optional
        Unit of the values where neither device nor columns say it.
    line, notes : str
        Kept with the session.
    on_status : callable, optional
        Called with the status twice a second; it must not block.
    stop : threading.Event, optional
        Set it to stop. SIGINT, SIGTERM and SIGHUP stop as well when called in the main thread.

    Returns
    -------
    Session
        The finished session.

    Raises
    ------
    ValueError
        If the port cannot be opened, is being recorded already, or sends nothing that can be understood.
    """
    if columns is not None:
        layout: Layout | None = parse_columns(columns, unit)
    else:
        layout = None
        if unit:
            parse_columns("x", unit)  # refuse an unknown unit now, not after the first line
    stop = threading.Event() if stop is None else stop
    busy = f"{port} is being recorded by another farend already. Stop that one first, or pick another port."
    with FileLock(locks_folder(home) / (re.sub(r"[^A-Za-z0-9.-]", "_", port) + ".lock"), busy), _stopping(stop):
        recorder = _Recorder(
            port=port,
            home=farend_home(home),
            name=name,
            baud=baud,
            for_s=for_s,
            until=until,
            parser=LineParser(layout=layout, unit=unit),
            texts={"line": line, "notes": notes},
            on_status=on_status,
            stop=stop,
        )
        return recorder.run()


@contextlib.contextmanager
def _stopping(stop: threading.Event) -> Iterator[None]:
    """Let the signals that end a process end the recording cleanly instead, also when they come twice."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return

    def handler(_number: int, _frame: FrameType | None) -> None:
        stop.set()

    numbers = [n for n in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, n)]
    before = {n: signal.signal(getattr(signal, n), handler) for n in numbers}
    try:
        yield
    finally:
        for n, old in before.items():
            signal.signal(getattr(signal, n), old)


class _Recorder:
    def __init__(
        self,
        *,
        port: str,
        home: Path,
        name: str | None,
        baud: int,
        for_s: float | None,
        until: datetime | None,
        parser: LineParser,
        texts: dict[str, str],
        on_status: Callable[[Status], None] | None,
        stop: threading.Event,
    ) -> None:
        self._port, self._baud, self._home, self._name = port, baud, home, name
        self._for_s, self._until, self._stop = for_s, until, stop
        self._parser, self._texts, self._on_status = parser, texts, on_status
        self._usb = usb_serial(port)
        self._sensors = read_sensors(home)
        self._said: list[str] = []
        self._live = _Live()
        self._status = Status()
        self._source: Source | None = None
        self._session: Session | None = None
        self._lock: FileLock | None = None
        self._journal: JournalWriter | None = None
        self._shown: LiveWriter | None = None
        self._clock: DeviceClock | HostClock | None = None
        self._held: list[tuple[Floats, Floats]] = []
        self._heard = self._synced = self._told = self._showed = self._disk_checked = self._begun = host_seconds()
        self._rate: tuple[float, int] = (self._begun, 0)

    def run(self) -> Session:
        self._source = open_source(self._port, self._baud)
        self._begun = self._heard = host_seconds()
        try:
            self._ask()
            while not self._over():
                self._step()
        except OSError as problem:
            # Of the disk: those of the device are dealt with where they arise.
            self._status.warning = f"Recording stopped: {problem.strerror or problem}."
        finally:
            if self._source is not None:
                self._source.close()
            self._close()
        return self._finish()

    def _step(self) -> None:
        data = self._read()
        now = host_seconds()
        if data:
            self._heard = now
            self._take(data, now)
        if now - self._synced >= SYNC_S:
            self._write()
            self._synced = now
        if now - self._showed >= SHOW_S:
            self._show()
            self._showed = now
        if now - self._told >= STATUS_S:
            self._tell(now)
            self._told = now

    # The device

    def _read(self) -> bytes:
        if self._source is None:
            self._reopen()
            return b""
        try:
            return self._source.read()
        except OSError:
            self._source.close()
            self._source = None
            self._status.state = "device away"
            self._status.gaps += 1
            return b""

    def _reopen(self) -> None:
        self._stop.wait(RETRY_S)
        if self._usb is not None:
            self._port = find_usb(self._usb) or self._port  # it may come back under another name
        try:
            self._source = open_source(self._port, self._baud)
        except ValueError:
            return
        self._parser.reopened()
        self._heard = host_seconds()
        self._status.state = "recording" if self._session else "waiting"
        self._ask()

    def _ask(self) -> None:
        with contextlib.suppress(OSError):  # a device that takes no questions, or has gone again already
            if self._source is not None:
                self._source.ask()

    # The readings

    def _take(self, data: bytes, now: float) -> None:
        rows = self._parser.feed(data)
        if len(rows.values) == 0:
            return
        if self._session is None:
            self._begin(self._parser.layout, now)
        if isinstance(self._clock, DeviceClock):
            assert rows.device is not None
            times = self._clock.feed(rows.device, now)
            good = np.isfinite(times)
            times, values = times[good], rows.values[good]
        else:
            assert self._clock is not None
            times, values = self._clock.feed(len(rows.values), now), rows.values
        if self._for_s is not None:
            kept = times <= self._for_s + 1e-6  # sums of steps are rounded
            self._stop_if(not kept.all())
            times, values = times[kept], values[kept]
        if times.size == 0:
            return
        self._held.append((times, values))
        self._status.readings += times.size
        self._status.time_s = float(times[-1])
        self._status.state = "recording"
        self._live.feed(times, values, self._status)

    def _stop_if(self, over: bool) -> None:
        if over:
            self._stop.set()

    def _begin(self, layout: Layout | None, now: float) -> None:
        assert layout is not None
        without = [c for c, u in zip(layout.channels, layout.units, strict=True) if not u]
        if without:
            msg = f"{self._port} sends {', '.join(without)} without saying the unit. Give it: --unit psi (or kPa, bar, counts, ...)."
            raise ValueError(msg)
        started = datetime.now(UTC)
        found = [as_calibrated(c, u, self._sensors, started) for c, u in zip(layout.channels, layout.units, strict=True)]
        channels = [channel for channel, _ in found]
        self._said += [warning for _, warning in found if warning]
        if len({c.name for c in channels}) < len(channels):
            channels = [Channel(name=c, unit=u) for c, u in zip(layout.channels, layout.units, strict=True)]
            self._said.append("Two sensors have the same name in sensors.toml; the channels are kept without calibration.")
        self._session, self._lock = start_session(
            self._home,
            self._name or started.astimezone().strftime("%Y-%m-%d %H.%M"),
            started=started,
            channels=channels,
            zone=_zone(started),
            source=self._port,
            **self._texts,
        )
        self._journal = JournalWriter(new_journal_path(self._session.folder), ["time_s", *(c.name for c in channels)])
        self._shown = LiveWriter(self._journal.path)
        time_unit = layout.time_unit_s
        if time_unit is None:
            self._clock = HostClock(rate_hz=layout.rate_hz, speed=layout.speed)
        else:
            self._clock = DeviceClock(unit_s=time_unit, speed=layout.speed)
        self._status.name = self._session.name
        self._live.begin(channels, self._status)
        self._synced = now - SYNC_S  # the first readings go to disk at once

    # The disk

    def _write(self) -> None:
        if not self._held or self._journal is None:
            return
        times = np.concatenate([t for t, _ in self._held])
        values = np.concatenate([v for _, v in self._held])
        self._journal.write([times, *values.T])
        self._held.clear()

    def _show(self) -> None:
        if self._shown is not None:
            s = self._status
            self._shown.show(self._held, state=s.state, warning=s.warning, bad_lines=s.bad_lines, rate_hz=s.rate_hz)

    def _close(self) -> None:
        if self._shown is not None:
            self._shown.show(self._held, state="finishing")
            self._shown.close()
        if self._journal is None:
            return
        try:
            self._write()
        except OSError as problem:
            self._status.warning = f"Recording stopped: {problem.strerror or problem}. The last half second could not be written."
        self._journal.close()

    def _finish(self) -> Session:
        if self._session is None:
            raise ValueError(self._status.warning or self._nothing())
        folder = self._session.folder
        assert self._lock is not None
        try:
            warnings = self._summary()
            if warnings:
                change_session(folder, warnings=warnings)
            session = finish_session(folder)
        except OSError as problem:
            msg = (
                f"{self._session.name}: recording stopped, {problem.strerror or problem}. All readings are kept in {folder}; "
                "make room and run `farend sessions`, which finishes it."
            )
            raise ValueError(msg) from None
        finally:
            unlock_session(folder, self._lock)
        self._live.end()
        self._status.state = "finished"
        self._tell(host_seconds())
        return session

    def _summary(self) -> list[str]:
        said = [*self._said]
        said += [f"{n} lines left out: {why}." for why, n in sorted(self._parser.bad.items()) if n]
        if isinstance(self._clock, DeviceClock):
            said += [f"{n} times: {why}." for why, n in sorted(self._clock.problems.items()) if n]
        if self._status.gaps:
            said.append(f"The device was away {self._status.gaps} times; the gaps are kept.")
        if self._status.warning:
            said.append(self._status.warning)
        return said

    # The end and the words

    def _over(self) -> bool:
        now = host_seconds()
        if self._session is None and self._parser.layout is None and now - self._begun > DESCRIBE_S:
            raise ValueError(self._nothing())
        if self._until is not None and datetime.now(UTC) >= self._until:
            return True
        played = self._parser.layout is not None and self._parser.layout.speed != 1.0
        if self._for_s is not None and not played and now - self._begun >= self._for_s + 0.5:
            return True  # a silent device ends too
        if self._session is not None and stop_asked(self._session.folder):
            return True
        return self._stop.is_set() or self._parser.ended

    def _nothing(self) -> str:
        if self._parser.layout is None and self._parser.lines:
            return (
                f"{self._port} sends lines such as {self._parser.sample!r} but does not say what they are. "
                "Say it, e.g. --columns t_us,tool --unit psi; `farend ports` proposes a command."
            )
        if self._parser.bad_lines:
            why = self._parser.bad.most_common(1)[0][0]
            return (
                f"{self._port} sent no reading that could be understood ({self._parser.bad_lines} lines, mostly: {why}; "
                f"the last was {self._parser.sample!r}). Check --columns and --baud."
            )
        return f"{self._port} sent nothing. Check the cable, --baud, and that the board runs; `farend ports` listens on every port."

    def _tell(self, now: float) -> None:
        since, count = self._rate
        if now - since >= 2.0 or self._status.rate_hz == 0.0:
            self._status.rate_hz = (self._status.readings - count) / max(now - since, 1e-6)
            self._rate = (now, self._status.readings)
        if self._status.state == "recording" and now - self._heard > SILENT_S:
            self._status.state = "silent"
        self._status.bad_lines = self._parser.bad_lines
        self._status.problems = dict(self._parser.bad)
        if isinstance(self._clock, DeviceClock):
            self._status.problems |= {k: n for k, n in self._clock.problems.items() if n}
        if now - self._disk_checked >= DISK_CHECK_S:
            self._disk_checked = now
            self._check_disk(now)
        if self._on_status is not None:
            self._on_status(self._status)

    def _check_disk(self, now: float) -> None:
        if self._session is None or self._journal is None:
            return
        written = self._journal.rows * 8.0 * (1 + len(self._session.channels))
        needed = written / max(now - self._begun, 1.0) * DISK_WARNING_S + 2e6
        # Finishing writes the Parquet file beside the journal, which at worst needs as much again.
        free = shutil.disk_usage(self._session.folder).free - written
        self._status.warning = f"Disk nearly full: {max(free, 0) / 1e6:.0f} MB left for readings." if free < needed else ""


class _Live:
    """The pressure and the shots so far, for the live line.

    The shots are found in a thread of their own, so that neither slowness nor trouble there reaches the recording.
    """

    def __init__(self) -> None:
        self._channel: Channel | None = None
        self._at = 0
        self._queue: queue.SimpleQueue[tuple[Floats, Floats] | None] = queue.SimpleQueue()
        self._thread: threading.Thread | None = None
        self._detector: ShotDetector | None = None
        with contextlib.suppress(Exception):
            from analysis.shots import ShotDetector

            # Load and compile before the device is opened, when nothing waits for us.
            ShotDetector().feed(np.arange(400) / 100.0, np.where(np.arange(400) % 100 < 20, 5.5e5, 6e5))
            self._detector = ShotDetector()

    def begin(self, channels: list[Channel], status: Status) -> None:
        """Choose the channel to show: the tool's, else the first pressure."""
        pressures = [i for i, c in enumerate(channels) if c.is_pressure and not c.absolute]
        if not pressures:
            return
        self._at = next((i for i in pressures if "tool" in channels[i].name.casefold()), pressures[0])
        self._channel = channels[self._at]
        status.channel = self._channel.name
        self._thread = threading.Thread(target=self._count, args=(status,), name="live shots", daemon=True)
        self._thread.start()

    def feed(self, times: Floats, values: Floats, status: Status) -> None:
        """Take readings and bring the pressure up to date; the shots follow."""
        if self._channel is None:
            return
        p_pa = self._channel.si(values[:, self._at])
        known = np.isfinite(p_pa)
        if known.any():
            status.pressure_pa = float(p_pa[known][-1])
            self._queue.put((times[known], p_pa[known]))

    def end(self) -> None:
        """Let the detector work off what is waiting."""
        if self._thread is not None:
            self._queue.put(None)
            self._thread.join(10.0)

    def _count(self, status: Status) -> None:
        with contextlib.suppress(Exception):
            while self._detector is not None and (block := self._queue.get()) is not None:
                self._detector.feed(*block)
                shots = self._detector.shots
                status.shots = len(shots)
                if shots:
                    status.last_dip_pa = float(shots[-1].dip_pa)
            if self._detector is not None:
                return
        while self._queue.get() is not None:
            pass  # without a detector, do not let readings pile up


def _zone(at: datetime) -> str:
    """Name of this machine's time zone, or its offset where the name cannot be found."""
    named = os.environ.get("TZ", "").lstrip(":")
    if not named and os.name == "posix":
        with contextlib.suppress(OSError):
            named = os.fspath(Path("/etc/localtime").resolve()).partition("/zoneinfo/")[2]
    if named and not named.startswith("/"):
        from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

        with contextlib.suppress(ZoneInfoNotFoundError, ValueError):
            return ZoneInfo(named).key
    offset = at.astimezone().strftime("%z")
    return f"UTC{offset[:3]}:{offset[3:5]}"


def record_from_command(
    *,
    home: Path | str | None,
    port: str,
    baud: int = 115200,
    name: str | None = None,
    for_s: float | None = None,
    until: str | None = None,
    columns: str | None = None,
    unit: str | None = None,
    line: str = "",
) -> Path:
    """Record as the command line asks, with a live line on stderr, and return the session's folder.

    Raises
    ------
    ValueError
        As `record`; or if `until` is no time of day.
    """
    for recovered in recover_unfinished(home):
        print(f"{recovered}: was not closed properly; its readings were brought to safety.", file=sys.stderr)
    print(f"Recording from {port}. Stop with Ctrl-C.", file=sys.stderr)
    live = sys.stderr.isatty()
    last = 0.0

    def show(status: Status) -> None:
        nonlocal last
        now = time.monotonic()
        if live:
            print(f"\r{live_line(status)}\x1b[K", end="", file=sys.stderr, flush=True)
        elif now - last >= 60.0 or status.state == "finished":
            print(live_line(status), file=sys.stderr, flush=True)
            last = now

    session = record(
        port=port,
        home=home,
        name=name,
        baud=baud,
        for_s=for_s,
        until=None if until is None else next_time_of_day(until, datetime.now().astimezone()),
        columns=columns,
        unit=unit,
        line=line,
        on_status=show,
    )
    if live:
        print(file=sys.stderr)
    for warning in session.warnings:
        print(warning, file=sys.stderr)
    return session.folder


def live_line(status: Status) -> str:
    """One line that says how the recording stands."""
    minutes, seconds = divmod(int(status.time_s), 60)
    parts = [status.state, f"{minutes // 60}:{minutes % 60:02d}:{seconds:02d}"]
    if status.pressure_pa == status.pressure_pa:
        # The reader's units are the dashboard's affair; here both usual ones are shown.
        parts.append(f"{status.channel} {from_si(status.pressure_pa, 'bar'):.2f} bar, {from_si(status.pressure_pa, 'psi'):.1f} psi")
    parts += [f"{status.rate_hz:.0f}/s", f"{status.readings} readings", f"{status.shots} shots"]
    if status.bad_lines:
        parts.append(f"{status.bad_lines} bad lines")
    if status.warning:
        parts.append(status.warning)
    return " | ".join(parts)


def next_time_of_day(text: str, now: datetime) -> datetime:
    """Return the next instant at which clocks here show this time of day, e.g. 06:30.

    Raises
    ------
    ValueError
        If the text is none.
    """
    match = re.fullmatch(r"([01]?\d|2[0-3])[:.]([0-5]\d)", text.strip())
    if not match:
        msg = f"{text!r} is no time of day. Write it as 06:30."
        raise ValueError(msg)
    then = now.replace(hour=int(match[1]), minute=int(match[2]), second=0, microsecond=0)
    return then if then > now else then + timedelta(days=1)
