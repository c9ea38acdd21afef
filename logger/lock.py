"""Locks that end with the process that holds them, however it ends."""

from __future__ import annotations

import os
import sys
from pathlib import Path
from types import TracebackType
from typing import Self


class LockedError(ValueError):
    """Somebody else holds the lock."""


class FileLock:
    """An exclusive lock on a file, taken at once or refused.

    The operating system holds it, not the file's existence: after a crash or SIGKILL it is free again, and no stale file needs
    to be cleaned up.

    Parameters
    ----------
    path : Path
        File to lock; made when missing, its folder too. It is left behind.
    message : str
        What to say when the lock is taken.

    Raises
    ------
    LockedError
        If another process, or another lock in this one, holds it.
    """

    def __init__(self, path: Path, message: str) -> None:
        path.parent.mkdir(parents=True, exist_ok=True)
        self._fd = os.open(path, os.O_RDWR | os.O_CREAT, 0o644)
        try:
            _lock(self._fd)
        except OSError:
            os.close(self._fd)
            self._fd = -1
            raise LockedError(message) from None

    def release(self) -> None:
        """Give the lock back; harmless when already given back."""
        if self._fd >= 0:
            os.close(self._fd)
            self._fd = -1

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None) -> None:
        self.release()


if sys.platform == "win32":  # pragma: no cover - other system
    import msvcrt

    def _lock(fd: int) -> None:
        msvcrt.locking(fd, msvcrt.LK_NBLCK, 1)

else:
    import fcntl

    def _lock(fd: int) -> None:
        fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)


def is_locked(path: Path) -> bool:
    """Tell whether somebody holds the lock on this file now."""
    if not path.exists():
        return False
    try:
        FileLock(path, "").release()
    except LockedError:
        return True
    return False
