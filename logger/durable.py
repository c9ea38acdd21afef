"""Files that a crash or a power cut leaves whole."""

from __future__ import annotations

import os
from pathlib import Path


def sync_folder(folder: Path) -> None:
    """Make the folder's entries (a new or renamed file) durable; a no-operation where folders cannot be opened."""
    try:
        fd = os.open(folder, os.O_RDONLY)
    except OSError:
        return  # Windows: the file system's own journal does it
    try:
        os.fsync(fd)
    except OSError:
        pass
    finally:
        os.close(fd)


def write_text(path: Path, text: str) -> None:
    """Replace a file so that a crash leaves the old one or the new one, never half of either."""
    temporary = path.with_name(path.name + ".new")
    with temporary.open("w", encoding="utf-8", newline="\n") as file:
        file.write(text)
        file.flush()
        os.fsync(file.fileno())
    temporary.replace(path)
    sync_folder(path.parent)
