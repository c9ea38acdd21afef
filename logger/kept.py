"""The sessions that are kept: list, find, rename, throw away, bring back, and finish what a crash left open."""

from __future__ import annotations

import contextlib
import difflib
import shutil
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import tomlkit

from logger.durable import write_text
from logger.home import bin_folder, new_session_folder, safe_name, sessions_folder
from logger.readings import journals
from logger.session import SESSION_FILE, Session, finish_session, lock_session, open_session, save_session, unlock_session

if TYPE_CHECKING:
    from logger.csv_in import CsvReading


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

    near = difflib.get_close_matches(name, [s.name for s in kept], n=1, cutoff=0.4)
    hint = f" Did you mean {near[0]!r}?" if near else ""
    msg = f"There is no session {name!r} in {root}.{hint} `farend sessions` lists them."
    raise ValueError(msg)


def recover_unfinished(home: Path | str | None = None) -> tuple[str, ...]:
    """Finish every session that a crash left open and that nobody records now; return their names."""
    names = []
    for session in list_sessions(home):
        left_over = not session.finished or journals(session.folder)
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
    folder = new_session_folder(home, session.name)
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
