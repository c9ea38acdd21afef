"""A session as one zip file to pass on, and back."""

from __future__ import annotations

import contextlib
import io
import shutil
import zipfile
from pathlib import Path
from typing import IO, Final

from logger.home import new_session_folder, sessions_folder
from logger.session import Session, open_session

# All that a finished session consists of. Nothing else is packed, and nothing else is taken in.
FILES: Final = ("session.toml", "readings.parquet", "marks.jsonl")
NEEDED: Final = FILES[:2]
LARGEST_BYTES: Final = 2 * 1024**3  # unpacked; two days of two channels at 1 kHz take a third of it


def pack(session: Session, file: IO[bytes]) -> None:
    """Write a session as a zip file that `unpack` takes.

    Raises
    ------
    ValueError
        If the session is still being recorded.
    """
    if not session.finished:
        msg = f"{session.name} is not finished. Stop the recording first, or let `farend sessions` bring it to safety."
        raise ValueError(msg)
    # Parquet is compressed already.
    with zipfile.ZipFile(file, "w", zipfile.ZIP_STORED) as packed:
        for name in FILES:
            path = session.folder / name
            if path.is_file():
                packed.write(path, f"{session.folder.name}/{name}")


def unpack(home: Path | str | None, data: bytes) -> Session:
    """Keep a session that was packed; a name that is taken gets a number behind.

    Only the three files of a session are read, whatever the zip calls the folder they are in, so that nothing in it can lead elsewhere.

    Raises
    ------
    ValueError
        If it is no zip file, holds no session or more than one, or would be too large.
    """
    try:
        packed = zipfile.ZipFile(io.BytesIO(data))
    except zipfile.BadZipFile:
        msg = "This is no zip file that can be read; it may have been cut off on its way. Ask for it again."
        raise ValueError(msg) from None
    with packed:
        found = {name: [i for i in packed.infolist() if i.filename.replace("\\", "/").rpartition("/")[2] == name] for name in FILES}
        if any(len(found[name]) != 1 for name in NEEDED) or len(found["marks.jsonl"]) > 1:
            msg = f"This zip file does not hold one session; needed are {' and '.join(NEEDED)}, once each, as farend packs them."
            raise ValueError(msg)
        inside = [(name, infos[0]) for name, infos in found.items() if infos]
        if sum(info.file_size for _, info in inside) > LARGEST_BYTES:
            msg = (
                f"Unpacked, this session takes more than {LARGEST_BYTES // 1024**3} GB. Bring it in as a folder: copy it into the sessions."
            )
            raise ValueError(msg)
        folder = _new_folder(home, inside[0][1].filename)
        try:
            for name, info in inside:
                with packed.open(info) as source, (folder / name).open("xb") as target:
                    shutil.copyfileobj(source, target)
            return _checked(folder)
        except (ValueError, OSError, zipfile.BadZipFile, NotImplementedError, RuntimeError) as problem:
            shutil.rmtree(folder)
            msg = f"The session in this zip file cannot be used: {problem}"
            raise ValueError(msg) from problem


def _new_folder(home: Path | str | None, named: str) -> Path:
    """Make a folder named as in the zip, where that can be a session's name."""
    parts = named.replace("\\", "/").split("/")
    if len(parts) > 1:
        with contextlib.suppress(ValueError):
            return new_session_folder(home, parts[-2])
    return new_session_folder(home, "packed session")


def _checked(folder: Path) -> Session:
    """Open what was unpacked, its readings too."""
    assert folder.parent == sessions_folder(folder.parents[1])
    session = open_session(folder)
    for channel in session.channels:
        session.column_si(channel.name)
    return session
