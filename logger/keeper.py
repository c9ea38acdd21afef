"""Keeps what is recorded: sessions, journals and the disk they are on.

A recording is one session or, when it is to begin a new one from time to time, one after another. Each device writes a journal of its
own. Nothing here reads a device or waits for one.
"""

from __future__ import annotations

import contextlib
import shutil
import threading
from collections.abc import Hashable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from logger.channel import Channel
from logger.device import uniquely_named
from logger.journal import JournalWriter
from logger.live import LiveWriter
from logger.lock import FileLock
from logger.long import look_through
from logger.readings import new_journal_path
from logger.session import SPARE_FILE, Session, add_channels, change_session, finish_session, start_session, unlock_session
from logger.zone import zone_here

Floats = NDArray[np.float64]

DISK_CHECK_S: Final = 2.0
DISK_WARNING_S: Final = 300.0
DISK_LAST_S: Final = 10.0  # with room for so long left, stop while all can still be kept
DISK_SPARE: Final = 2e6  # bytes for the rest that a session holds
SPARE_BYTES: Final = 1 << 20  # kept free for the last readings, should others fill the disk
RESCUE: Final = "-rest"  # in the name of the journal that holds them
BATCH: Final = 4096  # readings in one write at most: on a full disk the last one is lost
LATE_S: Final = 2.0  # readings of a device may come so much later than those of another


class DiskFullError(OSError):
    """The disk is so nearly full that recording must end."""


def free_bytes(folder: Path) -> float:
    """Free space on the disk that holds a folder."""
    return float(shutil.disk_usage(folder).free)


@dataclass(slots=True)
class _Chapter:
    """A session being written.

    Attributes
    ----------
    session, lock
        The session and the lock that says it is being recorded.
    start_s : float
        The recording's time at which it begins.
    begun_s : float
        Host time at which it was begun.
    """

    session: Session
    lock: FileLock
    start_s: float
    begun_s: float
    journals: dict[Hashable, JournalWriter] = field(default_factory=dict)
    shown: dict[Hashable, LiveWriter] = field(default_factory=dict)
    held: dict[Hashable, list[tuple[Floats, Floats]]] = field(default_factory=dict)
    bytes: float = 0.0


class Keeper:
    """Write readings to disk.

    Parameters
    ----------
    home : Path
        Where sessions are kept.
    name : str or None
        Of the session; by default the local date and time.
    rotate_s : float or None
        Begin a new session each so many seconds.
    texts : dict of str to str
        Kept with each session: line, notes, source.

    Attributes
    ----------
    session : Session or None
        The one that is being written, or the last.
    late : int
        Readings that came too late for their session.
    said : list of str
        Warnings to keep with the session.
    """

    def __init__(self, home: Path, *, name: str | None, rotate_s: float | None, texts: dict[str, str]) -> None:
        self._home, self._name, self._rotate_s, self._texts = home, name, rotate_s, texts
        self._channels: dict[Hashable, list[Channel]] = {}
        self._chapters: list[_Chapter] = []
        self._finishing: list[threading.Thread] = []
        self._failures: list[str] = []
        self._disk_checked = -np.inf
        self.session: Session | None = None
        self.finished: list[Session] = []
        self.late = 0
        self.said: list[str] = []
        self.disk_warning = ""

    # Who writes what

    def knows(self, device: Hashable) -> bool:
        """Whether the device has joined."""
        return device in self._channels

    def join(self, device: Hashable, channels: Sequence[Channel]) -> list[Channel]:
        """Take in a device that has begun to send; return its channels as they are named in the session."""
        taken = [c.name for known in self._channels.values() for c in known]
        self._channels[device] = uniquely_named(channels, taken)
        return self._channels[device]

    def channels(self, device: Hashable) -> list[Channel]:
        """Channels of a device that has joined."""
        return self._channels[device]

    def put(self, device: Hashable, times: Floats, values: Floats, host_s: float) -> None:
        """Take readings of a device; they are on disk after the next `write`.

        Raises
        ------
        OSError
            If a session must be begun for them and cannot be.
        """
        while times.size:
            if not self._chapters:
                self._begin(float(times[0]) if self.session else 0.0, host_s, float(times[-1]))
            now = self._chapters[-1]
            if self._rotate_s is not None and times[-1] >= now.start_s + self._rotate_s:
                start_s = now.start_s + self._rotate_s * np.floor((float(times[-1]) - now.start_s) / self._rotate_s)
                first = int(np.searchsorted(times, start_s))
                self._hold(device, times[:first], values[:first])
                times, values = times[first:], values[first:]
                self._begin(float(start_s), host_s, float(times[-1]))
                continue
            self._hold(device, times, values)
            return

    def _hold(self, device: Hashable, times: Floats, values: Floats) -> None:
        """Lay readings to the session in whose time they are."""
        for chapter in reversed(self._chapters):
            first = int(np.searchsorted(times, chapter.start_s))
            if first < times.size:
                if device not in chapter.journals:
                    self._add(chapter, device)
                chapter.held[device].append((times[first:] - chapter.start_s, values[first:]))
                times, values = times[:first], values[:first]
        self.late += times.size

    def _begin(self, start_s: float, host_s: float, latest_s: float) -> None:
        """Begin a session; readings up to `latest_s` of the recording's time have come."""
        started = datetime.now(UTC) - timedelta(seconds=min(latest_s - start_s, 60.0) if self.session else 0.0)
        session, lock = start_session(
            self._home,
            self._name or started.astimezone().strftime("%Y-%m-%d %H.%M"),
            started=started,
            channels=[c for known in self._channels.values() for c in known],
            zone=zone_here(started),
            **self._texts,
        )
        _lay_by(session.folder / SPARE_FILE)
        self._chapters.append(_Chapter(session=session, lock=lock, start_s=start_s, begun_s=host_s))
        self.session = session

    def _add(self, chapter: _Chapter, device: Hashable) -> None:
        channels = self._channels[device]
        if not set(channels) <= set(chapter.session.channels):
            chapter.session = add_channels(chapter.session.folder, channels)
        path = new_journal_path(chapter.session.folder)
        chapter.journals[device] = JournalWriter(path, ["time_s", *(c.name for c in channels)])
        chapter.shown[device] = LiveWriter(path)
        chapter.held[device] = []
        if chapter is self._chapters[-1]:
            self.session = chapter.session

    def show(self, device: Hashable, *, state: str, warning: str, bad_lines: int, rate_hz: float) -> None:
        """Show how a device stands, and its readings that are not on disk yet, to a page that looks."""
        if self._chapters and device in self._chapters[-1].shown:
            chapter = self._chapters[-1]
            chapter.shown[device].show(chapter.held[device], state=state, warning=warning, bad_lines=bad_lines, rate_hz=rate_hz)

    # To disk

    def write(self, now: float) -> None:
        """Bring all that is held to disk, end the session before the present one, and look at the disk.

        Raises
        ------
        OSError
            If the disk is full or gone. What was written before stays.
        """
        for chapter in self._chapters:
            try:
                self._write(chapter)
            except OSError:
                self._make_room(chapter)
                raise
        while len(self._chapters) > 1 and now - self._chapters[1].begun_s > LATE_S:
            self._end(self._chapters.pop(0))
        if self._chapters and now - self._disk_checked >= DISK_CHECK_S:
            self._disk_checked = now
            self._look_after(self._chapters[-1], now)

    def _make_room(self, chapter: _Chapter) -> None:
        """After a write that failed: free the spare room and go on in new journals, for what is still held."""
        with contextlib.suppress(OSError):
            (chapter.session.folder / SPARE_FILE).unlink(missing_ok=True)
        for device, journal in chapter.journals.items():
            if journal.path.stem.endswith(RESCUE):
                continue  # it was in vain
            with contextlib.suppress(OSError):
                rescue = JournalWriter(journal.path.with_name(f"{journal.path.stem}{RESCUE}.arrows"), journal.columns)
                journal.close()
                chapter.journals[device] = rescue

    def _write(self, chapter: _Chapter) -> None:
        for device, blocks in chapter.held.items():
            if blocks:
                times = np.concatenate([t for t, _ in blocks])
                values = np.concatenate([v for _, v in blocks])
                for part in range(0, times.size, BATCH):
                    rows = slice(part, part + BATCH)
                    chapter.journals[device].write([times[rows], *values[rows].T])
                chapter.bytes += 8.0 * times.size * (1 + values.shape[1])
                blocks.clear()

    def _look_after(self, chapter: _Chapter, now: float) -> None:
        folder = chapter.session.folder
        if not all(writer.path.exists() for writer in chapter.journals.values()):
            # Renamed or deleted under our hands: what is written now would be lost with it.
            self.said.append(f"The folder {folder} was moved or deleted during the recording; it goes on in another session.")
            self._shut(self._chapters.pop())
            chapter.lock.release()
            return
        per_s = chapter.bytes / max(now - chapter.begun_s, 1.0)
        free = free_bytes(folder)
        if free < per_s * DISK_LAST_S + DISK_SPARE:
            message = "the disk is full"
            raise DiskFullError(message)
        # Finishing writes the final file beside the journal, which at worst needs as much again.
        left = free - chapter.bytes
        low = left < per_s * DISK_WARNING_S + DISK_SPARE
        self.disk_warning = (
            f"Disk nearly full: {max(left, 0.0) / 1e6:.0f} MB left for readings, for {_minutes(left - DISK_SPARE, per_s)}." if low else ""
        )

    # The end

    def _shut(self, chapter: _Chapter) -> None:
        for device, shown in chapter.shown.items():
            shown.show(chapter.held[device], state="finishing")
            shown.close()
        for journal in chapter.journals.values():
            journal.close()

    def _end(self, chapter: _Chapter, warnings: Sequence[str] = ()) -> None:
        """Finish a session in a thread, so that nobody waits for it."""
        self._shut(chapter)

        def finish() -> None:
            folder = chapter.session.folder
            try:
                if warnings:
                    change_session(folder, warnings=list(warnings))
                session = finish_session(folder)
                look_through(session, self._home)
                self.finished.append(session)
            except (OSError, ValueError) as problem:
                why = getattr(problem, "strerror", None) or problem
                self._failures.append(
                    f"{chapter.session.name}: recording stopped, {why}. All readings are kept in {folder}; "
                    "make room and run `farend sessions`, which finishes it."
                )
            finally:
                unlock_session(folder, chapter.lock)

        thread = threading.Thread(target=finish, name=f"finishes {chapter.session.name}")
        thread.start()
        self._finishing.append(thread)

    def close(self, warnings: Sequence[str]) -> Session:
        """Write what is held, finish every session and return the last.

        Raises
        ------
        ValueError
            If one could not be finished; its readings are kept.
        """
        warnings = list(warnings)
        try:
            self.write(-np.inf)
        except OSError as problem:
            warnings.append(f"The last half second could not be written: {problem.strerror or problem}.")
        while self._chapters:
            chapter = self._chapters.pop(0)
            with contextlib.suppress(OSError):
                self._end(chapter, [] if self._chapters else warnings)
        for thread in self._finishing:
            thread.join()
        if self._failures:
            raise ValueError(" ".join(self._failures))
        if not self.finished:
            raise ValueError(" ".join(warnings) or "Nothing was recorded.")
        return max(self.finished, key=lambda s: s.started)


def _minutes(left: float, per_s: float) -> str:
    minutes = left / per_s / 60.0 if per_s > 0.0 else np.inf
    return "a minute at most" if minutes < 1.0 else f"some {minutes:.0f} minutes" if minutes < 1e4 else "a while"


def _lay_by(path: Path) -> None:
    """Take some room on the disk that can be given back when it is needed; a disk without room for it is looked after anyway."""
    with contextlib.suppress(OSError):
        path.write_bytes(bytes(SPARE_BYTES))
