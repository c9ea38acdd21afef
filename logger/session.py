"""The session: a folder that this module alone knows how to read and write.

::

    sessions/2026-06-03 boathouse deck, no receiver/
      session.toml        what, when (UTC and zone), channels with unit and calibration, line, notes
      readings.parquet    finished: time_s and one column per channel, exactly as the device sent them (float64)
      readings*.arrows    while recording: journals of the same columns, a new one for each start (see journal.py)
      marks.jsonl         marks, one JSON object a line (see marks.py)
      recording.lock      held by the recorder's process while it records

A session is finished in an order in which a crash at any point loses nothing: the Parquet file is written beside, synced and
renamed into place; then session.toml says so; then the journals go.
"""

from __future__ import annotations

import contextlib
import math
import os
import shutil
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import tomlkit
from numpy.typing import NDArray

from logger.channel import Channel
from logger.home import bin_folder, sessions_folder
from logger.journal import Salvage, read_journal, sync_folder
from logger.lock import FileLock, is_locked
from logger.marks import Mark, read_marks, write_mark

if TYPE_CHECKING:
    import pandas as pd

    from logger.csv_in import CsvReading

SESSION_FILE: Final = "session.toml"
READINGS_FILE: Final = "readings.parquet"
JOURNALS: Final = "readings*.arrows"
MARKS_FILE: Final = "marks.jsonl"
LOCK_FILE: Final = "recording.lock"
ROW_GROUP: Final = 1 << 20
_RESERVED: Final = {"con", "prn", "aux", "nul", *(f"{d}{i}" for d in ("com", "lpt") for i in range(1, 10))}


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
        return _read_columns(self.folder, [c.name for c in self.channels])

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
        return _extent(self.folder)

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
        columns = self.raw if "raw" in self.__dict__ else _read_columns(self.folder, [name])
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


def list_sessions(home: Path | str | None = None) -> tuple[Session, ...]:
    """List the sessions kept, oldest first; folders that are none are passed over."""
    root = sessions_folder(home)
    if not root.is_dir():
        return ()
    found = []
    for folder in root.iterdir():
        if folder.is_dir() and not folder.is_symlink() and (folder / SESSION_FILE).is_file():
            with contextlib.suppress(ValueError):
                found.append(open_session(folder))
    return tuple(sorted(found, key=lambda s: (s.started, s.name)))


def find_session(home: Path | str | None, name: str) -> Session:
    """Find a kept session by its name.

    Raises
    ------
    ValueError
        If there is none of that name; the nearest known one is named.
    """
    root = sessions_folder(home)
    with contextlib.suppress(ValueError):
        folder = root / safe_name(name)
        if (folder / SESSION_FILE).is_file() and not folder.is_symlink():
            return open_session(folder)
    kept = list_sessions(home)
    for session in kept:
        if session.name == name:
            return session
    import difflib

    near = difflib.get_close_matches(name, [s.name for s in kept], n=1, cutoff=0.4)
    hint = f" Did you mean {near[0]!r}?" if near else ""
    msg = f"There is no session {name!r} in {root}.{hint} `farend sessions` lists them."
    raise ValueError(msg)


def _journals(folder: Path) -> list[Path]:
    # readings.arrows, readings-2.arrows, ... readings-10.arrows
    return sorted(folder.glob(JOURNALS), key=lambda p: (len(p.name), p.name))


def _read_columns(folder: Path, names: Sequence[str]) -> dict[str, NDArray[np.float64]]:
    wanted = ["time_s", *names]
    path = folder / READINGS_FILE
    try:
        if path.exists():
            table = pq.read_table(path, columns=wanted, partitioning=None)
            missing = set(wanted) - set(table.column_names)
            columns = {n: _floats(table[n]) for n in wanted if n in table.column_names}
        else:
            columns, missing = _read_journals(folder, wanted), set()
    except FileNotFoundError:
        if path.exists():  # the recorder has just finished it, and its journals are gone
            return _read_columns(folder, names)
        raise
    except (pa.ArrowException, OSError) as problem:
        msg = f"{path} cannot be read: {problem}. Its journal or a copy of the folder may still hold the readings."
        raise ValueError(msg) from None
    if missing:
        msg = f"{path} has no column {', '.join(sorted(missing))}, which {SESSION_FILE} speaks of."
        raise ValueError(msg)
    for array in columns.values():
        array.flags.writeable = False
    return columns


def _floats(column: pa.ChunkedArray) -> NDArray[np.float64]:
    return np.array(column.to_numpy(), dtype=np.float64)  # copied, as Arrow's memory may be shared with others


def _read_journals(folder: Path, wanted: Sequence[str]) -> dict[str, NDArray[np.float64]]:
    parts: dict[str, list[NDArray[np.float64]]] = {n: [] for n in wanted}
    for batch in _batches(folder):
        for n in wanted:
            parts[n].append(batch.get(n, np.full(batch["time_s"].size, np.nan)))
    return {n: np.concatenate(p) if p else np.empty(0) for n, p in parts.items()}


def _batches(folder: Path, salvage: Salvage | None = None) -> Iterator[dict[str, NDArray[np.float64]]]:
    """Intact batches of all journals, times strictly rising."""
    last = -math.inf
    for path in _journals(folder):
        for batch in read_journal(path, salvage):
            t = batch["time_s"]
            keep = t > np.maximum.accumulate(np.concatenate(([last], t[:-1]))) if t.size else np.empty(0, dtype=bool)
            if not keep.all():
                batch = {n: v[keep] for n, v in batch.items()}
            if batch["time_s"].size:
                last = float(batch["time_s"][-1])
                yield batch


def _extent(folder: Path) -> tuple[int, float]:
    path = folder / READINGS_FILE
    if path.exists():
        try:
            file = pq.ParquetFile(path)
        except (pa.ArrowException, OSError):
            return 0, 0.0
        with file:
            meta = file.metadata
            at = file.schema_arrow.names.index("time_s")
            stats = [meta.row_group(i).column(at).statistics for i in range(meta.num_row_groups)]
            known = [s for s in stats if s is not None and s.has_min_max]
            return meta.num_rows, (max(s.max for s in known) - min(s.min for s in known)) if known else 0.0
    rows, first, last = 0, math.nan, math.nan
    try:
        for batch in _batches(folder):
            t = batch["time_s"]
            first = float(t[0]) if rows == 0 else first
            last = float(t[-1])
            rows += t.size
    except FileNotFoundError:
        if path.exists():  # the recorder has just finished it, and its journals are gone
            return _extent(folder)
        raise
    return rows, last - first if rows else 0.0


# Names


def safe_name(name: str) -> str:
    """Return the name as a folder's name that every usual file system takes and that leads nowhere else.

    Raises
    ------
    ValueError
        If nothing is left of it, or it is a name that a system keeps for itself.
    """
    kept = "".join("-" if c in '<>:"/\\|?*' or ord(c) < 32 or ord(c) == 127 else c for c in name)
    kept = kept.encode("utf-8", "ignore")[:120].decode("utf-8", "ignore").strip().strip(".").strip()
    if not kept.strip("-. ") or kept.split(".")[0].strip().casefold() in _RESERVED:
        msg = f"{name!r} cannot be the name of a session. Use words, e.g. 'deck, no receiver'."
        raise ValueError(msg)
    return kept


def _new_folder(home: Path | str | None, name: str) -> Path:
    root = sessions_folder(home)
    root.mkdir(parents=True, exist_ok=True)
    wanted = safe_name(name)
    for number in range(1, 10_000):
        folder = root / (wanted if number == 1 else f"{wanted} {number}")
        with contextlib.suppress(FileExistsError):
            folder.mkdir()
            sync_folder(root)
            return folder
    msg = f"There are already 10 000 sessions named {wanted!r}; choose another name."
    raise ValueError(msg)


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
    folder = _new_folder(home, name)
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


def write_text(path: Path, text: str) -> None:
    """Replace a file so that a crash leaves the old one or the new one, never half of either."""
    temporary = path.with_name(path.name + ".new")
    with temporary.open("w", encoding="utf-8", newline="\n") as file:
        file.write(text)
        file.flush()
        os.fsync(file.fileno())
    temporary.replace(path)
    sync_folder(path.parent)


def new_journal_path(folder: Path) -> Path:
    """Path for the next journal of a session: readings.arrows, then readings-2.arrows, ... ."""
    number = 1
    while (path := folder / ("readings.arrows" if number == 1 else f"readings-{number}.arrows")).exists():
        number += 1
    return path


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
    journals = _journals(folder)
    # After a crash between renaming and tidying up, the file is there and whole; anything shorter than the journals is not.
    if not (folder / READINGS_FILE).exists() or (journals and _extent(folder)[0] < sum(b["time_s"].size for b in _batches(folder))):
        salvage = Salvage()
        with _ParquetWriter(folder, [c.name for c in session.channels]) as writer:
            for batch in _batches(folder, salvage):
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
    for path in journals:
        path.unlink()
    sync_folder(folder)
    return open_session(folder)


class _ParquetWriter:
    """Write readings.parquet beside its place and rename it there when all is on disk."""

    def __init__(self, folder: Path, names: Sequence[str]) -> None:
        self._folder = folder
        self._temporary = folder / (READINGS_FILE + ".new")
        self._names = ["time_s", *names]
        self._schema = pa.schema([pa.field(n, pa.float64()) for n in self._names])
        self._held: list[dict[str, NDArray[np.float64]]] = []
        self._rows = 0

    def __enter__(self) -> _ParquetWriter:
        # Neighbouring doubles share their leading bytes, so splitting the streams by byte packs them best.
        self._writer = pq.ParquetWriter(
            self._temporary, self._schema, compression="zstd", use_dictionary=False, use_byte_stream_split=self._names
        )
        return self

    def write(self, batch: Mapping[str, NDArray[np.float64]]) -> None:
        self._held.append({n: batch[n] for n in self._names})
        self._rows += batch["time_s"].size
        if self._rows >= ROW_GROUP:
            self._flush()

    def _flush(self) -> None:
        if self._held:
            columns = [pa.array(np.concatenate([b[n] for b in self._held]), from_pandas=False) for n in self._names]
            self._writer.write_table(pa.Table.from_arrays(columns, schema=self._schema), row_group_size=ROW_GROUP)
        self._held, self._rows = [], 0

    def __exit__(self, kind: type[BaseException] | None, value: object, trace: object) -> None:
        if kind is None:
            self._flush()
        self._writer.close()
        if kind is not None:
            self._temporary.unlink(missing_ok=True)
            return
        with self._temporary.open("rb+") as file:
            os.fsync(file.fileno())
        self._temporary.replace(self._folder / READINGS_FILE)
        sync_folder(self._folder)


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
        with _ParquetWriter(session.folder, [c.name for c in channels]) as writer:
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
    """Give the lock back and take its file away (Windows removes no open file)."""
    lock.release()
    with contextlib.suppress(OSError):  # somebody else has taken it meanwhile
        (folder / LOCK_FILE).unlink(missing_ok=True)


def lock_session(folder: Path) -> FileLock:
    """Take the lock that a recorder holds while it records into this session."""
    return FileLock(folder / LOCK_FILE, f"{folder.name} is being recorded by another process already.")


def recover_unfinished(home: Path | str | None = None) -> tuple[str, ...]:
    """Finish every session that a crash left open and that nobody records now; return their names."""
    names = []
    for session in list_sessions(home):
        left_over = not session.finished or _journals(session.folder)
        if not left_over:
            continue
        try:
            lock = lock_session(session.folder)
        except ValueError:
            continue
        try:
            finish_session(session.folder, recovered=True)
        finally:
            unlock_session(session.folder, lock)
        names.append(session.name)
    return tuple(names)


def rename(folder: Path | str, name: str) -> Session:
    """Give a session another name; its folder goes with it.

    Raises
    ------
    ValueError
        If the name cannot be kept or is taken, or the session is being recorded.
    """
    session = open_session(folder)
    target = session.folder.with_name(safe_name(name))
    unlock_session(session.folder, lock_session(session.folder))  # refused while it is recorded
    if target != session.folder:
        if target.exists():
            msg = f"There is a session {target.name!r} already; choose another name."
            raise ValueError(msg)
        session.folder.rename(target)
    document = tomlkit.parse((target / SESSION_FILE).read_text(encoding="utf-8"))
    document["name"] = target.name
    write_text(target / SESSION_FILE, tomlkit.dumps(document))
    return open_session(target)


def delete(folder: Path | str, home: Path | str | None = None) -> Path:
    """Move a session to the bin and return where it is there, for `restore`.

    Raises
    ------
    ValueError
        If it is no session or is being recorded.
    """
    session = open_session(folder)
    unlock_session(session.folder, lock_session(session.folder))  # refused while it is recorded
    root = bin_folder(home)
    root.mkdir(parents=True, exist_ok=True)
    number, target = 1, root / session.folder.name
    while target.exists():
        number += 1
        target = root / f"{session.folder.name} ({number})"
    shutil.move(session.folder, target)
    return target


def restore(binned: Path | str, home: Path | str | None = None) -> Session:
    """Bring a deleted session back from the bin."""
    session = open_session(binned)
    folder = _new_folder(home, session.name)
    folder.rmdir()
    shutil.move(session.folder, folder)
    return open_session(folder)


def save_imported(home: Path | str | None, name: str, reading: CsvReading) -> Path:
    """Keep an imported file as a session, its values as they were written, and return its folder."""
    warnings = list(reading.warnings)
    if reading.started is None:
        warnings.append("the file does not say the day; the session's start is when it was imported.")
    if reading.bad_count:
        warnings.append(f"{reading.bad_count} lines of the file could not be read and were left out.")
    raw = {c.name: reading.raw[c.name].to_numpy(dtype=np.float64) for c in reading.channels}
    return save_session(
        home,
        name,
        started=reading.started or datetime.now(UTC),
        channels=reading.channels,
        raw={"time_s": reading.readings.index.to_numpy(dtype=np.float64), **raw},
        warnings=warnings,
        source=reading.name,
    ).folder
