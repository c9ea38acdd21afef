"""The session: a folder that this module, with readings.py for the readings, alone knows how to read and write.

::

    sessions/2026-06-03 boathouse deck, no receiver/
      session.toml        what, when (UTC and zone), channels with unit and calibration, line, notes
      readings.parquet    finished: time_s and one column per channel, exactly as the device sent them (float64)
      readings*.arrows    while recording: journals, one for each device (see readings.py and journal.py)
      marks.jsonl         marks, one JSON object a line (see marks.py)
      recording.lock      held by the recorder's process while it records
      readings*.live      while recording: the newest readings, for a page (see live.py)
      stop                while recording: the wish that it end
      spare               while recording: room on the disk that is given back for the last readings

A session is finished in an order in which a crash at any point loses nothing: the Parquet file is written beside, synced and
renamed into place; then session.toml says so; then the journals go.
"""

from __future__ import annotations

import contextlib
import shutil
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import tomlkit
from numpy.typing import NDArray

from logger.channel import Channel
from logger.durable import sync_folder, write_text
from logger.home import new_session_folder
from logger.journal import Salvage
from logger.live import LIVE_FILES, STOP_FILE
from logger.lock import FileLock, is_locked
from logger.marks import Mark, read_marks, write_mark
from logger.readings import READINGS_FILE, ROW_GROUP, ParquetWriter, batches, extent, journals, read_columns

if TYPE_CHECKING:
    import pandas as pd


SESSION_FILE: Final = "session.toml"
MARKS_FILE: Final = "marks.jsonl"
LOCK_FILE: Final = "recording.lock"
SPARE_FILE: Final = "spare"


@dataclass(frozen=True, kw_only=True)
class Session:
    """A recording with all that is known of it. The readings are read from disk when first asked for.

    Attributes
    ----------
    name : str
        As shown; the folder has the same name where the file system allows.
    folder : Path
        Where it is.
    started : datetime
        Time of the first reading, UTC.
    zone : str
        Time zone of the place ("Europe/Oslo", "UTC+02:00"), to show local times.
    channels : tuple of Channel
        One per column of raw values.
    line : str
        Name of the air line, or "".
    site, notes, source : str
        Free text; what it was read from.
    finished : bool
        Whether the readings are in their final file.
    recovered : bool
        Whether they were brought to safety after a crash.
    warnings : tuple of str
        What the reader should know: damaged stretches, marks that were left out.
    """

    name: str
    folder: Path
    started: datetime
    zone: str
    channels: tuple[Channel, ...]
    line: str = ""
    site: str = ""
    notes: str = ""
    source: str = ""
    finished: bool = True
    recovered: bool = False
    warnings: tuple[str, ...] = ()

    @cached_property
    def raw(self) -> dict[str, NDArray[np.float64]]:
        """``time_s`` and the raw values of each channel, as kept [unit of the channel]; read-only arrays."""
        return read_columns(self.folder, [c.name for c in self.channels])

    @cached_property
    def readings(self) -> pd.DataFrame:
        """Readings in SI, indexed by ``time_s``: ``tool_pa`` (gauge), ``tank_abs_pa``, ``wall_k``, ... ; missing ones are NaN."""
        import pandas as pd

        columns = {c.column: c.si(self.raw[c.name]) for c in self.channels}
        return pd.DataFrame(columns, index=pd.Index(self.raw["time_s"], name="time_s"), copy=False)

    @cached_property
    def marks(self) -> tuple[Mark, ...]:
        """Marks in order of time."""
        path = self.folder / MARKS_FILE
        return read_marks(path)[0] if path.exists() else ()

    @cached_property
    def _extent(self) -> tuple[int, float]:
        return extent(self.folder)

    @property
    def count(self) -> int:
        """Number of readings, without reading them."""
        return self._extent[0]

    @property
    def duration_s(self) -> float:
        """Time from the first reading to the last [s]; 0 without readings."""
        return self._extent[1]

    @property
    def recording(self) -> bool:
        """Whether a recorder is at work on it now."""
        return is_locked(self.folder / LOCK_FILE)

    def channel(self, name: str) -> Channel:
        """Find a channel by name.

        Raises
        ------
        ValueError
            If there is none; the message names those there are.
        """
        for channel in self.channels:
            if channel.name == name:
                return channel
        msg = f"{self.name} has no channel {name!r}; it has {', '.join(c.name for c in self.channels)}."
        raise ValueError(msg)

    def column_si(self, name: str) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Times [s] and one channel in SI, without reading the other columns."""
        channel = self.channel(name)
        columns = self.raw if "raw" in self.__dict__ else read_columns(self.folder, [name])
        return columns["time_s"], channel.si(columns[name])


# Reading


def open_session(folder: Path | str) -> Session:
    """Open a session by its folder.

    Raises
    ------
    ValueError
        If it is no session, or session.toml cannot be understood; the message says what is wrong and where.
    """
    folder = Path(folder)
    path = folder / SESSION_FILE
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        msg = f"{folder} is no session: it holds no {SESSION_FILE}. Name a session (see `farend sessions`), its folder, or a CSV file."
        raise ValueError(msg) from None
    try:
        table = tomllib.loads(text)
        channels = tuple(Channel.from_toml(name, t) for name, t in _table(table, "channels").items())
        started = table.get("started")
        if not isinstance(started, datetime):
            msg = f"started = {started!r}; needed is a date and time, e.g. started = 2026-06-03T07:12:00Z."
            raise ValueError(msg)
        session = Session(
            name=str(table.get("name") or folder.name),
            folder=folder,
            started=started.replace(tzinfo=UTC) if started.tzinfo is None else started.astimezone(UTC),
            zone=str(table.get("zone", "UTC")),
            channels=channels,
            line=str(table.get("line", "")),
            site=str(table.get("site", "")),
            notes=str(table.get("notes", "")),
            source=str(table.get("source", "")),
            finished=(folder / READINGS_FILE).exists(),
            recovered=table.get("recovered") is True,
            warnings=tuple(str(w) for w in table.get("warnings", [])),
        )
    except (ValueError, AttributeError, UnicodeDecodeError) as problem:
        msg = f"{path}: {problem}"
        raise ValueError(msg) from None
    return session


def _table(table: Mapping[str, Any], key: str) -> dict[str, Any]:
    found = table.get(key, {})
    if not isinstance(found, dict) or not all(isinstance(t, dict) for t in found.values()):
        msg = f"{key}: needed is a table per channel, e.g. [channels.tool]."
        raise ValueError(msg)
    return found


# Writing


def create_session(
    home: Path | str | None,
    name: str,
    *,
    started: datetime,
    channels: Sequence[Channel],
    zone: str = "UTC",
    line: str = "",
    site: str = "",
    notes: str = "",
    source: str = "",
) -> Session:
    """Make a new session's folder and write its session.toml. A name that is taken gets a number behind.

    Raises
    ------
    ValueError
        If the name, a time without zone, or a channel cannot be kept.
    OSError
        If the folder cannot be written.
    """
    session, lock = start_session(
        home, name, started=started, channels=channels, zone=zone, line=line, site=site, notes=notes, source=source
    )
    unlock_session(session.folder, lock)
    return session


def start_session(
    home: Path | str | None,
    name: str,
    *,
    started: datetime,
    channels: Sequence[Channel],
    zone: str = "UTC",
    line: str = "",
    site: str = "",
    notes: str = "",
    source: str = "",
) -> tuple[Session, FileLock]:
    """Make a new session as `create_session` does, and hold its lock from before it can be seen."""
    if started.tzinfo is None:
        msg = f"started = {started.isoformat()} has no time zone; a session starts at a known instant."
        raise ValueError(msg)
    if len({c.name for c in channels}) != len(channels):
        msg = f"Two channels have the same name: {', '.join(c.name for c in channels)}."
        raise ValueError(msg)
    folder = new_session_folder(home, name)
    lock = lock_session(folder)
    document = tomlkit.document()
    document.add("name", tomlkit.item(folder.name))
    document.add("started", tomlkit.item(started.astimezone(UTC)))
    document.add("zone", tomlkit.item(zone))
    for key, value in (("line", line), ("site", site), ("notes", notes), ("source", source)):
        if value:
            document.add(key, tomlkit.item(value))
    tables = tomlkit.table(is_super_table=True)
    for channel in channels:
        tables.add(channel.name, tomlkit.item(channel.as_toml()))
    document.add("channels", tables)
    write_text(folder / SESSION_FILE, tomlkit.dumps(document))
    return open_session(folder), lock


def change_session(folder: Path | str, *, channels: Sequence[Channel] | None = None, **texts: Any) -> Session:
    """Change what session.toml says (name is changed by `rename`), leaving comments and all else as they are.

    Parameters
    ----------
    folder : path
        The session's.
    channels : sequence of Channel, optional
        Channels to change, found by name: a new calibration, unit or place. The readings stay as they are.
    **texts
        Of ``line, site, notes, source, zone, started, recovered, warnings`` those to change.
    """
    path = Path(folder) / SESSION_FILE
    document = tomlkit.parse(path.read_text(encoding="utf-8"))
    for key, value in texts.items():
        if key not in {"line", "site", "notes", "source", "zone", "started", "recovered", "warnings"}:
            msg = f"{key!r} is nothing that a session's {SESSION_FILE} keeps."
            raise ValueError(msg)
        if key in document:
            document[key] = value
        else:
            # Before the first table: what follows a table would belong to it.
            items = {k: document.pop(k) for k in list(document) if isinstance(document[k], dict)}
            document.add(key, tomlkit.item(list(value) if isinstance(value, tuple) else value))
            for k, item in items.items():
                document.add(k, item)
    for channel in channels or ():
        tables = document["channels"]
        if channel.name not in tables:
            msg = f"{path}: there is no channel {channel.name!r} to change."
            raise ValueError(msg)
        tables[channel.name] = channel.as_toml()
    write_text(path, tomlkit.dumps(document))
    return open_session(folder)


def add_channels(folder: Path | str, channels: Sequence[Channel]) -> Session:
    """Add the channels of a further device to a session that is being recorded."""
    path = Path(folder) / SESSION_FILE
    document = tomlkit.parse(path.read_text(encoding="utf-8"))
    tables = document["channels"]
    assert isinstance(tables, dict)
    for channel in channels:
        tables[channel.name] = tomlkit.item(channel.as_toml())
    write_text(path, tomlkit.dumps(document))
    return open_session(folder)


def finish_session(folder: Path | str, *, recovered: bool = False) -> Session:
    """Turn the journals into readings.parquet and remove them; harmless on a finished session.

    Works batch by batch, in constant memory.

    Parameters
    ----------
    folder : path
        The session's.
    recovered : bool
        Note in session.toml that this was done after a crash.
    """
    folder = Path(folder)
    session = open_session(folder)
    left = journals(folder)
    # After a crash between renaming and tidying up, the file is there and whole; anything shorter than the journals is not.
    if not (folder / READINGS_FILE).exists() or (left and extent(folder)[0] < sum(b["time_s"].size for b in batches(folder))):
        salvage = Salvage()
        with ParquetWriter(folder, [c.name for c in session.channels]) as writer:
            for batch in batches(folder, salvage):
                writer.write(batch)
        changes: dict[str, Any] = {}
        if recovered:
            ended = "The recorder was ended without warning; at most the last half second of readings is lost."
            changes = {"recovered": True, "warnings": [*session.warnings, ended]}
        if salvage.damaged:
            stretches = "one stretch" if salvage.damaged == 1 else f"{salvage.damaged} stretches"
            changes["warnings"] = [
                *changes.get("warnings", session.warnings),
                f"The journal was damaged in {stretches}; the readings there are lost.",
            ]
        if changes:
            session = change_session(folder, **changes)
    for path in left:
        path.unlink()
    sync_folder(folder)
    return open_session(folder)


def save_session(
    home: Path | str | None,
    name: str,
    *,
    started: datetime,
    channels: Sequence[Channel],
    raw: Mapping[str, NDArray[np.float64]],
    marks: Sequence[Mark] = (),
    warnings: Sequence[str] = (),
    **texts: str,
) -> Session:
    """Keep readings that are complete already as a new, finished session.

    Parameters
    ----------
    home, name, started, channels
        As for `create_session`; `texts` too (zone, line, site, notes, source).
    raw : mapping of str to array, shape (n,)
        ``time_s`` (rising) and the raw values of each channel in its unit.
    marks : sequence of mark
        Marks to keep with it.
    warnings : sequence of str
        What the reader of the session should know.
    """
    missing = {"time_s", *(c.name for c in channels)} - set(raw)
    if missing:
        msg = f"readings of {', '.join(sorted(missing))} are missing."
        raise ValueError(msg)
    session = create_session(home, name, started=started, channels=channels, **texts)
    try:
        with ParquetWriter(session.folder, [c.name for c in channels]) as writer:
            arrays = {n: np.asarray(v, dtype=np.float64) for n, v in raw.items()}
            for start in range(0, arrays["time_s"].size, ROW_GROUP):
                writer.write({n: v[start : start + ROW_GROUP] for n, v in arrays.items()})
        for mark in marks:
            write_mark(session.folder / MARKS_FILE, mark)
        if warnings:
            change_session(session.folder, warnings=list(warnings))
    except BaseException:
        shutil.rmtree(session.folder, ignore_errors=True)
        raise
    return open_session(session.folder)


def append_mark(folder: Path | str, mark: Mark) -> None:
    """Append a mark to a session, also while it is recorded.

    Raises
    ------
    ValueError
        If it is no mark, or the folder no session.
    """
    session = open_session(folder)
    write_mark(session.folder / MARKS_FILE, mark)


def unlock_session(folder: Path, lock: FileLock) -> None:
    """Give the lock back and take its file away (Windows removes no open file), with all that only concerns a recording under way."""
    for file in (*folder.glob(LIVE_FILES), folder / STOP_FILE, folder / SPARE_FILE):
        with contextlib.suppress(OSError):
            file.unlink(missing_ok=True)
    lock.release()
    with contextlib.suppress(OSError):  # somebody else has taken it meanwhile
        (folder / LOCK_FILE).unlink(missing_ok=True)


def lock_session(folder: Path) -> FileLock:
    """Take the lock that a recorder holds while it records into this session."""
    return FileLock(folder / LOCK_FILE, f"{folder.name} is being recorded by another process already.")
