"""What a recorder shows while it records: how it stands and its newest readings, for a page that wants them sooner than the journal.

A small file beside each journal, written over in place many times a second and never synced, so it costs the recording nothing. It is a
courtesy: the journal alone holds the readings, and whoever finds this file missing, torn or stale reads the journal. By a second file
a page, or anybody else who may write there, asks the recorder to stop; that works on every system and for every recorder, whoever
started it.
"""

from __future__ import annotations

import contextlib
import json
import struct
import time
import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

LIVE_FILES: Final = "readings*.live"
STOP_FILE: Final = "stop"
ROWS_MOST: Final = 4096
_HEAD: Final = struct.Struct("<II")  # length and CRC-32 of what follows: the file is written over while others read it

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class LiveState:
    """How a recording stood when its recorder last said so.

    Attributes
    ----------
    at_s : float
        Wall time of that [s since 1970].
    state : str
        As in the recorder's status: "recording", "silent", "device away"; "finishing" once it ends.
    warning : str
        What needs attention now, e.g. a disk nearly full.
    bad_lines : int
        Lines left out so far.
    rate_hz : float
        Readings a second.
    rows : ndarray, shape (n, 1 + channels)
        Readings that are newer than the journal's: ``time_s`` and the raw values.
    """

    at_s: float
    state: str
    warning: str
    bad_lines: int
    rate_hz: float
    rows: Floats


class LiveWriter:
    """Show how a recording stands; no trouble here reaches the recording.

    Parameters
    ----------
    journal : Path
        The journal that it belongs to; readings are in the order of its columns.
    """

    def __init__(self, journal: Path) -> None:
        self._file = None
        with contextlib.suppress(OSError):
            self._file = _beside(journal).open("wb", buffering=0)

    def show(
        self,
        held: Sequence[tuple[Floats, Floats]],
        *,
        state: str = "recording",
        warning: str = "",
        bad_lines: int = 0,
        rate_hz: float = 0.0,
    ) -> None:
        """Write the state and the readings held back from the journal, as blocks of times and values."""
        if self._file is None:
            return
        rows = [np.column_stack(block)[-ROWS_MOST:] for block in held]
        newest = np.concatenate(rows)[-ROWS_MOST:] if rows else np.empty((0, 1))
        about = {
            "at_s": time.time(),
            "state": state,
            "warning": warning,
            "bad_lines": bad_lines,
            "rate_hz": rate_hz,
            "columns": newest.shape[1],
        }
        body = json.dumps(about).encode() + b"\n" + np.ascontiguousarray(newest, dtype="<f8").tobytes()
        with contextlib.suppress(OSError, ValueError):
            self._file.seek(0)
            self._file.write(_HEAD.pack(len(body), zlib.crc32(body)) + body)

    def close(self) -> None:
        """Stop showing; the file goes with the session's lock."""
        if self._file is not None:
            self._file.close()
            self._file = None


def _beside(journal: Path) -> Path:
    return journal.with_suffix(".live")


def read_live(journal: Path, *, tries: int = 4) -> LiveState | None:
    """Read, beside its journal, how a recording stands; None where nothing is shown, or it was being written each time we looked."""
    for _ in range(tries):
        try:
            data = _beside(journal).read_bytes()
        except OSError:
            return None
        found = _understood(data)
        if found is not None:
            return found
        time.sleep(1e-3)
    return None


def _understood(data: bytes) -> LiveState | None:
    if len(data) < _HEAD.size:
        return None
    length, crc = _HEAD.unpack_from(data)
    body = data[_HEAD.size : _HEAD.size + length]
    if len(body) < length or zlib.crc32(body) != crc:
        return None
    try:
        head, _, values = body.partition(b"\n")
        about = json.loads(head)
        return LiveState(
            at_s=float(about["at_s"]),
            state=str(about["state"]),
            warning=str(about["warning"]),
            bad_lines=int(about["bad_lines"]),
            rate_hz=float(about["rate_hz"]),
            rows=np.frombuffer(values, dtype="<f8").reshape(-1, int(about["columns"])),
        )
    except (ValueError, KeyError, TypeError):
        return None


def ask_to_stop(folder: Path) -> None:
    """Ask the recorder of a session to finish it."""
    (folder / STOP_FILE).touch()


def stop_asked(folder: Path) -> bool:
    """Tell whether somebody asked for the end of a recording."""
    return (folder / STOP_FILE).exists()
