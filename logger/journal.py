"""The journal: what the recorder has read, on disk within half a second, and found again after any end.

A journal is an uncompressed Arrow IPC stream. Each batch carries its sequence number and the CRC-32 of its values in the batch's
custom metadata, because Arrow itself has no checksum and would take damaged bytes for pressures. The stream is synced after each
batch. It has no footer: a stream that simply ends is the normal case after a crash.

Power loss: the file and its folder entry are synced before the first batch counts as written, and each batch is synced before the
next one begins, so what a power cut can tear is the last batch only, and the checksum finds that.
"""

from __future__ import annotations

import contextlib
import io
import os
import struct
import zlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO, Final

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from logger.durable import sync_folder

if TYPE_CHECKING:
    from typing_extensions import Buffer

_CONTINUATION: Final = b"\xff\xff\xff\xff"


class _WholeFile(io.FileIO):
    """A file that writes all or raises: a nearly full disk takes a part of it and says so by a number only, which Arrow overlooks."""

    def write(self, data: Buffer, /) -> int:
        """Write all of it."""
        view = memoryview(data).cast("B")
        done = 0
        while done < len(view):
            done += super().write(view[done:]) or 0
        return done


class JournalWriter:
    """Append batches of readings to a new journal file, each safely on disk before `write` returns.

    Parameters
    ----------
    path : Path
        File to make; it must not exist.
    columns : sequence of str
        Names of the columns, all float64; by custom the first is ``time_s``.
    """

    def __init__(self, path: Path, columns: Sequence[str]) -> None:
        self.path = path
        self.columns = list(columns)
        self.rows = 0
        self._sequence = 0
        self._schema = pa.schema([pa.field(name, pa.float64()) for name in columns])
        self._file = _WholeFile(path, "xb")
        self._whole = 0
        self._stream = pa.ipc.new_stream(self._file, self._schema)
        self._sync()
        sync_folder(path.parent)

    def write(self, values: Sequence[NDArray[np.float64]]) -> None:
        """Append one batch and wait until it is on disk.

        Parameters
        ----------
        values : sequence of array, shape (n,)
            One array per column; NaN where a reading is missing.

        Raises
        ------
        OSError
            If the disk is full or gone. What was written before stays readable: a torn batch is cut off again.
        """
        arrays = [np.ascontiguousarray(v, dtype=np.float64) for v in values]
        # From buffers, as `pa.array` loads pandas at its first use: half a second in which nobody reads the port.
        columns = [pa.Array.from_buffers(pa.float64(), a.size, [None, pa.py_buffer(a)]) for a in arrays]
        batch = pa.RecordBatch.from_arrays(columns, schema=self._schema)
        marks = {b"sequence": str(self._sequence).encode(), b"crc32": f"{_checksum(arrays, self._sequence):08x}".encode()}
        try:
            self._stream.write_batch(batch, custom_metadata=marks)
            self._sync()
        except OSError:
            self._cut()
            raise
        self._sequence += 1
        self.rows += batch.num_rows

    def close(self) -> None:
        """Close the file; the end-of-stream mark is a nicety and may fail on a full disk."""
        if self._file.closed:
            return
        try:
            self._stream.close()
            self._sync()
        except (OSError, pa.ArrowException):
            self._cut()
        finally:
            self._file.close()

    def _sync(self) -> None:
        _datasync(self._file.fileno())
        self._whole = self._file.tell()

    def _cut(self) -> None:
        try:
            self._file.truncate(self._whole)
            self._file.seek(self._whole)
        except OSError:
            pass  # the device itself is gone; the reader copes with the torn tail


def _checksum(arrays: Sequence[NDArray[np.float64]], sequence: int) -> int:
    crc = zlib.crc32(struct.pack("<q", sequence))
    for a in arrays:
        crc = zlib.crc32(a.data, crc)
    return crc


def _datasync(fd: int) -> None:
    getattr(os, "fdatasync", os.fsync)(fd)


@dataclass(slots=True)
class Salvage:
    """What reading a journal met: filled while `read_journal` runs.

    Attributes
    ----------
    rows, batches : int
        Intact readings and batches.
    damaged : int
        Stretches in the middle that failed and were left out.
    torn : bool
        Whether the end is torn, as a crash leaves it.
    """

    rows: int = 0
    batches: int = 0
    damaged: int = 0
    torn: bool = False


def read_journal(path: Path, salvage: Salvage | None = None) -> Iterator[dict[str, NDArray[np.float64]]]:
    """Yield every intact batch of a journal, in order, as arrays by column name.

    A damaged batch costs only itself: reading goes on at the next message that parses and has a right checksum. A torn tail, a
    zero-filled tail and a file still being written end the journal quietly.
    """
    salvage = Salvage() if salvage is None else salvage
    size = path.stat().st_size
    with path.open("rb") as file:
        schema, start = _read_schema(file.read(1 << 20))
        if schema is None:
            salvage.torn = True
            return
        position, last = start, -1
        while position < size:
            step = _message_length(file, position, size)
            found = None
            if step:
                file.seek(position)
                found = _read_batch(file.read(step), schema)
            if found is None:
                if _is_end(file, position):
                    return
                following = _next_message(file, position + 1, size, schema)
                if following is None:
                    salvage.torn = True
                    return
                salvage.damaged += 1
                position = following
                continue
            sequence, columns = found
            position += step
            if sequence <= last:
                continue  # an old batch seen again, in a block that the file system brought back
            last = sequence
            salvage.batches += 1
            salvage.rows += len(next(iter(columns.values()))) if columns else 0
            yield columns


class JournalTail:
    """Follow a journal that is being written: each look reads only what came since the last.

    Parameters
    ----------
    path : Path
        The journal.

    Attributes
    ----------
    share : float
        How much of the file has been read, 0..1.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.share = 0.0
        self._schema: pa.Schema | None = None
        self._position, self._last = 0, -1

    @property
    def columns(self) -> list[str]:
        """Names of the columns; none before the journal has begun."""
        if self._schema is None:
            with contextlib.suppress(FileNotFoundError), self.path.open("rb") as file:
                self._schema, self._position = _read_schema(file.read(1 << 20))
        return [] if self._schema is None else list(self._schema.names)

    def new(self) -> Iterator[dict[str, NDArray[np.float64]]]:
        """Yield the intact batches that were not yielded before; whoever stops early goes on there the next time."""
        try:
            file = self.path.open("rb")
        except FileNotFoundError:
            return  # the recording has just been finished
        with file:
            size = os.fstat(file.fileno()).st_size if self.columns else 0
            while self._schema is not None and self._position < size:
                step = _message_length(file, self._position, size)
                file.seek(self._position)
                found = _read_batch(file.read(step), self._schema) if step else None
                if found is None:
                    # The end as a rule: a batch that is not all there yet. Behind a damaged one there is a next one.
                    following = _next_message(file, self._position + 1, size, self._schema) if step else None
                    if following is None:
                        return
                    self._position = following
                    continue
                self._position += step
                self.share = self._position / size
                sequence, columns = found
                if sequence > self._last:
                    self._last = sequence
                    yield columns


def _read_schema(head: bytes) -> tuple[pa.Schema | None, int]:
    if len(head) < 8 or head[:4] != _CONTINUATION:
        return None, 0
    length = 8 + int.from_bytes(head[4:8], "little", signed=True)
    try:
        message = pa.ipc.read_message(pa.py_buffer(head[:length]))
        schema = pa.ipc.read_schema(message)
    except (pa.ArrowException, OSError, EOFError, ValueError):
        return None, 0
    return schema, length


def _message_length(file: BinaryIO, position: int, size: int) -> int:
    """Length of the record-batch message here: prefix, metadata and body; 0 when there is none or it is not all there."""
    file.seek(position)
    prefix = file.read(8)
    if len(prefix) < 8 or prefix[:4] != _CONTINUATION:
        return 0
    metadata = int.from_bytes(prefix[4:8], "little", signed=True)
    if not 0 < metadata <= min(1 << 20, size - position - 8):
        return 0
    body = _body_length(file.read(metadata))
    total = 8 + metadata + body
    return total if body >= 0 and position + total <= size else 0


def _body_length(metadata: bytes) -> int:
    """Read `bodyLength` from the flatbuffer of a message, checking every offset; -1 if it is not one.

    The flatbuffer's root table is Message {version, header type, header, bodyLength, custom_metadata}: field 3 is the length.
    """
    try:
        (root,) = struct.unpack_from("<i", metadata, 0)
        (back,) = struct.unpack_from("<i", metadata, root)
        table = root - back
        if root < 0 or table < 0:
            return -1
        (field,) = struct.unpack_from("<H", metadata, table + 4 + 2 * 3)
        (body,) = struct.unpack_from("<q", metadata, root + field) if field else (0,)
    except struct.error:
        return -1
    return int(body) if 0 <= body < 1 << 40 else -1


def _read_batch(data: bytes, schema: pa.Schema) -> tuple[int, dict[str, NDArray[np.float64]]] | None:
    """Decode one message and check it; None unless every bit is as it was written."""
    try:
        stream = pa.BufferReader(data)
        message = pa.ipc.read_message(stream)
        if message.type != "record batch":
            return None
        # The message alone does not give up its custom metadata; a stream of schema and message does.
        whole = schema.serialize().to_pybytes() + data
        with pa.ipc.open_stream(pa.py_buffer(whole)) as reader:
            read = reader.read_next_batch_with_custom_metadata()
        batch, marks = read.batch, read.custom_metadata
        batch.validate(full=True)
        sequence = int(marks[b"sequence"])
        crc = int(marks[b"crc32"], 16)
        arrays = [np.asarray(c.to_numpy(zero_copy_only=False), dtype=np.float64) for c in batch.columns]
        if any(c.null_count for c in batch.columns):
            return None
    except (pa.ArrowException, OSError, EOFError, ValueError, KeyError, TypeError, StopIteration, AttributeError):
        return None
    if _checksum([np.ascontiguousarray(a) for a in arrays], sequence) != crc:
        return None
    return sequence, dict(zip(schema.names, arrays, strict=True))


def _is_end(file: BinaryIO, position: int) -> bool:
    """Tell whether only an end-of-stream mark or zeros follow."""
    file.seek(position)
    if file.read(8) == _CONTINUATION + b"\0\0\0\0":
        position += 8
    file.seek(position)
    while block := file.read(1 << 20):
        if block.strip(b"\0"):
            return False
    return True


def _next_message(file: BinaryIO, position: int, size: int, schema: pa.Schema) -> int | None:
    """Find the next intact batch."""
    block_size = 1 << 20
    while position < size:
        file.seek(position)
        block = file.read(block_size + 3)
        at = block.find(_CONTINUATION)
        while at >= 0:
            step = _message_length(file, position + at, size)
            if step:
                file.seek(position + at)
                if _read_batch(file.read(step), schema) is not None:
                    return position + at
            at = block.find(_CONTINUATION, at + 1)
        position += block_size
    return None
