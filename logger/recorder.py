"""The recorder: from devices to the disk, whatever happens in between.

Each device is read by a thread of its own; one loop takes what they bring, gives it times and has it kept. It depends on no page and
no analysis: the live count of shots is a courtesy that may fail without a reading being lost.
"""

from __future__ import annotations

import contextlib
import errno
import queue
import re
import signal
import threading
from collections.abc import Callable, Iterator, Sequence
from datetime import UTC, datetime
from pathlib import Path
from types import FrameType
from typing import Final

import numpy as np
from numpy.typing import NDArray

from logger import invented
from logger.clock import host_seconds
from logger.device import Device, DeviceSettings, News
from logger.home import home as farend_home
from logger.home import locks_folder
from logger.keeper import Keeper
from logger.live import stop_asked
from logger.live_shots import LiveShots
from logger.lock import FileLock
from logger.sensors import read_sensors
from logger.session import Session
from logger.status import Status, live_line

__all__ = ["Status", "live_line", "record"]

Floats = NDArray[np.float64]

SYNC_S: Final = 0.15  # a crash may cost half a second: this, a pass of the loop, and a slow disk
STATUS_S: Final = 0.5
SHOW_S: Final = 0.04  # what is shown to a live page may be so old; it is not synced, so it costs next to nothing
WAIT_S: Final = 0.05
TOGETHER_S: Final = 0.3  # so long the first readings wait for the other devices to describe themselves
DESCRIBE_S: Final = 15.0  # boards of ours describe themselves each 10 s
# Of several devices the worst state is shown.
STATES: Final = ("device away", "silent", "waiting", "recording")


def record(
    *,
    port: str = "",
    home: Path | str | None = None,
    name: str | None = None,
    baud: int = 115200,
    for_s: float | None = None,
    until: datetime | None = None,
    rotate_s: float | None = None,
    columns: str | None = None,
    unit: str | None = None,
    devices: Sequence[DeviceSettings] = (),
    line: str = "",
    notes: str = "",
    on_status: Callable[[Status], None] | None = None,
    stop: threading.Event | None = None,
) -> Session:
    """Record one device or several into a new session until told to stop, and finish the session.

    Parameters
    ----------
    port : str
        Serial port or pyserial URL of the one device.
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
    rotate_s : float, optional
        Begin a new session each so many seconds; no reading is lost between them.
    columns : str, optional
        What the values of a line are, where the device does not say: ``t_us,tool``.
    unit : str, optional
        Unit of the values where neither device nor columns say it.
    devices : sequence of DeviceSettings
        Several devices, instead of `port`, `baud`, `columns` and `unit`.
    line, notes : str
        Kept with the session.
    on_status : callable, optional
        Called with the status twice a second; it must not block.
    stop : threading.Event, optional
        Set it to stop. SIGINT, SIGTERM and SIGHUP stop as well when called in the main thread.

    Returns
    -------
    Session
        The finished session; the last of several.

    Raises
    ------
    ValueError
        If a port cannot be opened, is being recorded already, or sends nothing that can be understood.
    """
    settings = list(devices) or [DeviceSettings(port=port, baud=baud, columns=columns, unit=unit)]
    if twice := [s.port for i, s in enumerate(settings) if s.port in {other.port for other in settings[:i]}]:
        msg = f"{twice[0]} is given twice. Give each port once."
        raise ValueError(msg)
    if for_s is not None and not for_s > 0.0:
        msg = f"Nothing can be recorded in {for_s:g} s. Give how long to record, e.g. 10 min."
        raise ValueError(msg)
    if rotate_s is not None and rotate_s < 1.0:
        msg = f"A new session every {rotate_s:g} s is too often; give a second or more, e.g. 1 h."
        raise ValueError(msg)
    stop = threading.Event() if stop is None else stop
    with contextlib.ExitStack() as held:
        for one in settings:
            held.enter_context(_device_lock(home, one.port))
        held.enter_context(_stopping(stop))
        notes = notes or (invented.NOTE if any(s.port == invented.PORT for s in settings) else "")
        texts = {"line": line, "notes": notes, "source": ", ".join(s.port for s in settings)}
        keeper = Keeper(farend_home(home), name=name, rotate_s=rotate_s, texts=texts)
        recorder = _Recorder(settings, keeper, home=farend_home(home), for_s=for_s, until=until, on_status=on_status, stop=stop)
        return recorder.run()


def _device_lock(home: Path | str | None, port: str) -> FileLock:
    busy = f"{port} is being recorded by another farend already. Stop that one first, or pick another port."
    real = port if "://" in port else str(Path(port).resolve())  # one device may have several names
    try:
        return FileLock(locks_folder(home) / (re.sub(r"[^A-Za-z0-9.-]", "_", real)[-120:] + ".lock"), busy)
    except OSError as problem:
        msg = f"{farend_home(home)} cannot be written: {problem.strerror}. Set FAREND_HOME to a folder that can."
        raise ValueError(msg) from None


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
        settings: Sequence[DeviceSettings],
        keeper: Keeper,
        *,
        home: Path,
        for_s: float | None,
        until: datetime | None,
        on_status: Callable[[Status], None] | None,
        stop: threading.Event,
    ) -> None:
        self._keeper, self._for_s, self._until, self._on_status, self._stop = keeper, for_s, until, on_status, stop
        self._sensors = read_sensors(home)
        self._status = Status()
        self._live = LiveShots(self._status)
        self._inbox: queue.SimpleQueue[News] = queue.SimpleQueue()
        self._devices: list[Device] = []
        self._early: list[tuple[Device, Floats, Floats, float]] = []
        try:
            self._devices += [Device(s, self._inbox) for s in settings]
        except BaseException:
            self._release()
            raise
        self._origin_s: float | None = None
        self._ended_by = ""
        self._begun = self._synced = self._showed = self._told = host_seconds()
        self._rate: tuple[float, int] = (self._begun, 0)

    def run(self) -> Session:
        try:
            for device in self._devices:
                device.start()
            while not self._over():
                self._step(WAIT_S)
        except OSError as problem:
            # Of the disk: those of the devices are dealt with where they arise.
            why = "the disk is full" if problem.errno in {errno.ENOSPC, errno.EDQUOT} else problem.strerror or problem
            self._ended_by = f"Recording stopped: {why}. What was read before is kept."
        finally:
            self._release()
        self._drain()
        if self._keeper.session is None:
            raise ValueError(self._ended_by or " ".join(d.not_understood() for d in self._devices))
        session = self._keeper.close(self._summary())
        self._live.end()
        self._status.state = "finished"
        self._tell(host_seconds())
        return session

    def _release(self) -> None:
        for device in self._devices:
            device.stop()

    def _step(self, wait_s: float) -> None:
        with contextlib.suppress(queue.Empty):
            self._take(self._inbox.get(timeout=wait_s))
            while host_seconds() < self._synced + SYNC_S:  # what has piled up while the disk was slow
                self._take(self._inbox.get_nowait())
        now = host_seconds()
        if self._early and now - self._early[0][3] > TOGETHER_S:
            self._keep()
        if now - self._synced >= SYNC_S:
            self._keeper.write(now)
            self._synced = host_seconds()
        if now - self._showed >= SHOW_S:
            self._show()
            self._showed = now
        if now - self._told >= STATUS_S:
            if self._keeper.session is not None and stop_asked(self._keeper.session.folder):
                self._stop.set()
            self._tell(now)
            self._told = now

    def _drain(self) -> None:
        """Keep what the devices had brought before they were let go."""
        try:
            while not self._inbox.empty():
                self._take(self._inbox.get_nowait())
            self._keep()
        except (OSError, ValueError) as problem:
            self._ended_by = self._ended_by or f"The last readings could not be kept: {problem}."

    # The readings

    def _take(self, news: News) -> None:
        device = news.device
        times, values = device.take(news, self._origin(news.host_s))
        if self._for_s is not None and times.size:
            kept = times <= self._for_s + 1e-6  # sums of steps are rounded
            device.done = not kept.all()
            times, values = times[kept], values[kept]
        if times.size:
            self._early.append((device, times, values, news.host_s))
            if self._keeper.session is not None or all(d.ready or d.done for d in self._devices):
                self._keep()

    def _keep(self) -> None:
        """Have kept what has come; before the first session, of all devices together, so that it knows all channels from the start."""
        if self._keeper.session is None:
            self._synced = -np.inf  # the first readings go to disk at once
            for device in self._devices:
                if device.ready and not self._keeper.knows(device):
                    self._join(device)
        for device, times, values, host_s in self._early:
            if self._keeper.knows(device) or (not device.done and self._join(device)):
                self._keeper.put(device, times, values, host_s)
                self._status.readings += times.size
                self._status.time_s = float(times[-1])
                self._live.feed(device, times, values)
                if device.speed == 1.0:
                    self._status.said += device.check(times, values, self._keeper.channels(device))
        self._early.clear()

    def _origin(self, host_s: float) -> float | None:
        """Host time at which the recording's time is 0, if several devices share it."""
        if len(self._devices) > 1 and self._origin_s is None:
            self._origin_s = host_s
        return self._origin_s

    def _join(self, device: Device) -> bool:
        """Take in a device that has sent its first reading."""
        try:
            channels, said = device.channels(self._sensors, datetime.now(UTC), alone=len(self._devices) == 1)
        except ValueError as problem:
            if self._keeper.session is None and len(self._devices) == 1:
                raise
            device.done = True  # the others go on
            said = [f"{problem} It was left out."]
        else:
            self._live.offer(device, self._keeper.join(device, channels))
        self._keeper.said += said
        self._status.said += said
        return not device.done

    # The end and the words

    def _over(self) -> bool:
        now = host_seconds()
        if self._keeper.session is None and now - self._begun > DESCRIBE_S and all(d.parser.layout is None for d in self._devices):
            raise ValueError(" ".join(d.not_understood() for d in self._devices))
        if self._until is not None and datetime.now(UTC) >= self._until:
            return True
        played = any(d.speed != 1.0 for d in self._devices)
        if self._for_s is not None and not played:
            # A silent device ends too; one that sends ends by its own time, unless that hardly goes on.
            silent = all(d.silent_s(now) > 0.5 for d in self._devices)
            if now - self._begun >= (self._for_s + 0.5 if silent else 3.0 * self._for_s + 0.5):
                return True
        if all(d.ended for d in self._devices):
            if self._keeper.session is None and self._keeper.said:
                raise ValueError(" ".join(self._keeper.said))
            return True
        return self._stop.is_set()

    def _summary(self) -> list[str]:
        said = [*self._keeper.said]
        for device in self._devices:
            of = f"{device.port}: " if len(self._devices) > 1 else ""
            said += [f"{of}{n} lines or readings left out: {why}." for why, n in sorted(device.problems.items()) if n]
            if device.gaps_said and not device.gaps:  # being away is said anyway
                said.append(of + device.gaps_said)
            if device.gaps:
                said.append(f"{device.port if of else 'The device'} was away {_times(device.gaps)}; the gaps are kept.")
            if device.flooded:
                said.append(f"{device.port} sent more than could be recorded; readings are missing.")
            said += [device.pace_said] if device.pace_said else []
            said += [f"{name}: {n} readings mean a broken wire or an over-range, no pressure." for name, n in device.faults.items()]
        if self._keeper.late:
            said.append(f"{self._keeper.late} readings came too late for their session and were left out.")
        said += [text for text in (self._ended_by, self._keeper.disk_warning) if text]
        return said

    def _show(self) -> None:
        for d in self._devices:
            warning = self._status.warning
            self._keeper.show(d, state=d.state, warning=warning, bad_lines=d.parser.bad_lines, rate_hz=self._status.rate_hz)

    def _tell(self, now: float) -> None:
        status = self._status
        since, count = self._rate
        if status.state != "finished" and (now - since >= 2.0 or status.rate_hz == 0.0):
            status.rate_hz = (status.readings - count) / max(now - since, 1e-6)
            self._rate = (now, status.readings)
        if status.state != "finished":
            for device in self._devices:
                device.look(now)
            status.state = min((d.state for d in self._devices), key=STATES.index)
        status.name = "" if self._keeper.session is None else self._keeper.session.name
        status.gaps = sum(d.gaps for d in self._devices)
        status.bad_lines = sum(d.parser.bad_lines for d in self._devices)
        status.problems = {why: n for d in self._devices for why, n in d.problems.items()}
        trouble = [text for d in self._devices for text in (d.trouble, d.fault, d.pace_said) if text]
        status.warning = " ".join([*([self._ended_by] if self._ended_by else []), self._keeper.disk_warning, *trouble]).strip()
        if self._on_status is not None:
            self._on_status(status)


def _times(count: int) -> str:
    return "once" if count == 1 else f"{count} times"
