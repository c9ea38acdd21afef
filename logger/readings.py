"""The readings of a session on disk: journals while it is recorded, one Parquet file when it is finished.

Each device of a recording writes a journal of its own, with the columns of its channels; on reading they become one table, merged by
time, in which a channel is NaN (missing) at the other devices' times. So no device waits for another, and a crash costs each the same.
"""

from __future__ import annotations

import math
import os
from collections.abc import Iterable, Iterator, Mapping, Sequence
from functools import lru_cache
from pathlib import Path
from typing import Final

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from numpy.typing import NDArray

from logger.durable import sync_folder
from logger.journal import Salvage, read_journal

READINGS_FILE: Final = "readings.parquet"
JOURNALS: Final = "readings*.arrows"
ROW_GROUP: Final = 1 << 18  # few enough that a page reads the ones it shows at once

Columns = dict[str, NDArray[np.float64]]


def journals(folder: Path) -> list[Path]:
    """Journals of a session, in the order in which they were begun."""
    # readings.arrows, readings-2.arrows, ... readings-10.arrows
    return sorted(folder.glob(JOURNALS), key=lambda p: (len(p.name), p.name))


def new_journal_path(folder: Path) -> Path:
    """Path for the next journal of a session: readings.arrows, then readings-2.arrows, ... ."""
    number = 1
    while (path := folder / ("readings.arrows" if number == 1 else f"readings-{number}.arrows")).exists():
        number += 1
    return path


def read_columns(folder: Path, names: Sequence[str]) -> Columns:
    """Read ``time_s`` and these columns, finished or not.

    Raises
    ------
    ValueError
        If they cannot be read; the message says why.
    """
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
            return read_columns(folder, names)
        raise
    except (pa.ArrowException, OSError) as problem:
        msg = f"{path} cannot be read: {problem}. Its journal or a copy of the folder may still hold the readings."
        raise ValueError(msg) from None
    if missing:
        msg = f"{path} has no column {', '.join(sorted(missing))}, which its session.toml speaks of."
        raise ValueError(msg)
    for array in columns.values():
        array.flags.writeable = False
    return columns


def _floats(column: pa.ChunkedArray) -> NDArray[np.float64]:
    return np.array(column.to_numpy(), dtype=np.float64)  # copied, as Arrow's memory may be shared with others


def _read_journals(folder: Path, wanted: Sequence[str]) -> Columns:
    parts: dict[str, list[NDArray[np.float64]]] = {n: [] for n in wanted}
    for batch in batches(folder):
        for n in wanted:
            parts[n].append(batch.get(n, np.full(batch["time_s"].size, np.nan)))
    return {n: np.concatenate(p) if p else np.empty(0) for n, p in parts.items()}


def batches(folder: Path, salvage: Salvage | None = None) -> Iterator[Columns]:
    """Intact batches of all journals as one table, times strictly rising, in constant memory."""
    streams = [_rising(path, salvage) for path in journals(folder)]
    if len(streams) == 1:
        yield from streams[0]
        return
    held = {stream: batch for stream in streams if (batch := next(stream, None)) is not None}
    while held:
        until = min(batch["time_s"][-1] for batch in held.values())  # up to here every journal has been read
        pieces = []
        for stream, batch in list(held.items()):
            count = int(np.searchsorted(batch["time_s"], until, side="right"))
            pieces.append({n: v[:count] for n, v in batch.items()})
            rest: Columns | None = {n: v[count:] for n, v in batch.items()} if count < batch["time_s"].size else next(stream, None)
            if rest is None:
                del held[stream]
            else:
                held[stream] = rest
        yield _side_by_side(pieces)


def _rising(path: Path, salvage: Salvage | None) -> Iterator[Columns]:
    last = -math.inf
    for batch in read_journal(path, salvage):
        t = batch["time_s"]
        keep = t > np.maximum.accumulate(np.concatenate(([last], t[:-1]))) if t.size else np.empty(0, dtype=bool)
        if not keep.all():
            batch = {n: v[keep] for n, v in batch.items()}
        if batch["time_s"].size:
            last = float(batch["time_s"][-1])
            yield batch


def _side_by_side(pieces: Sequence[Columns]) -> Columns:
    """One table of several: a row a time, NaN where a piece has no reading."""
    times, rows = np.unique(np.concatenate([p["time_s"] for p in pieces]), return_inverse=True)
    table: Columns = {"time_s": times}
    start = 0
    for piece in pieces:
        size = piece["time_s"].size
        for name, values in piece.items():
            if name != "time_s":
                table.setdefault(name, np.full(times.size, np.nan))[rows[start : start + size]] = values
        start += size
    return table


def extent(folder: Path) -> tuple[int, float]:
    """Number of readings and the time from the first to the last [s], without reading them all where that can be."""
    path = folder / READINGS_FILE
    if path.exists():
        stat = path.stat()
        return _extent_of(path, stat.st_mtime_ns, stat.st_size)
    rows, first, last = 0, math.nan, math.nan
    try:
        for batch in batches(folder):
            t = batch["time_s"]
            first = float(t[0]) if rows == 0 else first
            last = float(t[-1])
            rows += t.size
    except FileNotFoundError:
        if path.exists():  # the recorder has just finished it, and its journals are gone
            return extent(folder)
        raise
    return rows, last - first if rows else 0.0


@lru_cache(maxsize=1024)
def _extent_of(path: Path, _changed_ns: int, _size: int) -> tuple[int, float]:
    """Extent of a finished session, by the index of its file, which a page asks for again and again."""
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


class Stretches:
    """The row groups of a finished session, to be read one by one; the file's index is read once.

    Attributes
    ----------
    times : list of (float, float)
        First and last time of each [s].
    sizes : list of int
        How many readings each holds.

    Raises
    ------
    ValueError
        If the file cannot be read, or does not say its times; the message says which.
    """

    def __init__(self, folder: Path) -> None:
        self._path = folder / READINGS_FILE
        try:
            with pq.ParquetFile(self._path) as file:
                self._index, at = file.metadata, file.schema_arrow.names.index("time_s")
        except (pa.ArrowException, OSError) as problem:
            raise ValueError(self._lost(problem)) from None
        groups = [self._index.row_group(i) for i in range(self._index.num_row_groups)]
        seen = [group.column(at).statistics for group in groups]
        if any(s is None or not s.has_min_max for s in seen):
            msg = f"{self._path} does not say which times it holds where. Export the session and import it again."
            raise ValueError(msg)
        self.times = [(float(s.min), float(s.max)) for s in seen]
        self.sizes = [int(group.num_rows) for group in groups]

    def extremes(self, names: Sequence[str]) -> Columns:
        """Lowest and highest value of each column in each row group, by the file's index alone: two rows a row group, at its first and
        its last time; NaN where it holds no reading.

        Raises
        ------
        ValueError
            If there is no such column; the message says which.
        """
        there = self._index.schema.names
        self._check(names, there)
        columns: Columns = {"time_s": np.array(self.times).ravel()}
        for name in names:
            seen = (self._index.row_group(i).column(there.index(name)).statistics for i in range(len(self.times)))
            columns[name] = np.array([(s.min, s.max) if s is not None and s.has_min_max else (np.nan, np.nan) for s in seen]).ravel()
        return columns

    def read(self, number: int, names: Sequence[str]) -> Columns:
        """Read ``time_s`` and these columns of one row group; not to be written to.

        Raises
        ------
        ValueError
            If they cannot be read; the message says why.
        """
        wanted = ["time_s", *names]
        try:
            with pq.ParquetFile(self._path, metadata=self._index) as file:
                table = file.read_row_group(number, columns=wanted)
        except (pa.ArrowException, OSError) as problem:
            raise ValueError(self._lost(problem)) from None
        self._check(wanted, table.column_names)
        return {n: table[n].to_numpy() for n in wanted}

    def _check(self, wanted: Iterable[str], there: Iterable[str]) -> None:
        missing = set(wanted) - set(there)
        if missing:
            msg = f"{self._path} has no column {', '.join(sorted(missing))}, which its session.toml speaks of."
            raise ValueError(msg)

    def _lost(self, problem: Exception) -> str:
        return f"{self._path} cannot be read: {problem}. A copy of the folder may still hold the readings."


class ParquetWriter:
    """Write readings.parquet beside its place and rename it there when all is on disk."""

    def __init__(self, folder: Path, names: Sequence[str]) -> None:
        self._folder = folder
        self._temporary = folder / (READINGS_FILE + ".new")
        self._names = ["time_s", *names]
        self._schema = pa.schema([pa.field(n, pa.float64()) for n in self._names])
        self._held: list[Columns] = []
        self._rows = 0

    def __enter__(self) -> ParquetWriter:
        # Neighbouring doubles share their leading bytes, so splitting the streams by byte packs them best.
        self._writer = pq.ParquetWriter(
            self._temporary, self._schema, compression="zstd", use_dictionary=False, use_byte_stream_split=self._names
        )
        return self

    def write(self, batch: Mapping[str, NDArray[np.float64]]) -> None:
        """Append readings; a column that the batch has not is missing there."""
        size = batch["time_s"].size
        self._held.append({n: batch[n] if n in batch else np.full(size, np.nan) for n in self._names})
        self._rows += size
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
