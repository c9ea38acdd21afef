"""Locks that end with the process that holds them, however it ends."""

from __future__ import annotations

import os
import sys
import time
from pathlib import Path
from types import TracebackType
from typing import Final, Self

LOOKS_S: Final = (0.005, 0.02, 0.05)


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
        for wait_s in (*LOOKS_S, None):  # somebody may only be looking whether it is held, see `is_locked`
            try:
                _lock(self._fd)
                return
            except OSError:
                if wait_s is not None:
                    time.sleep(wait_s)
        os.close(self._fd)
        self._fd = -1
        raise LockedError(message)

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
    try:
        fd = os.open(path, os.O_RDWR)
    except FileNotFoundError:
        return False
    try:
        _lock(fd)
    except OSError:
        return True
    finally:
        os.close(fd)
    return False
