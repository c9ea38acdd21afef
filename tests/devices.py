"""Helpers for tests that record: a recorder in the background, and waiting for what must come about."""

from __future__ import annotations

import os
import select
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Self

from logger.recorder import record
from logger.session import Session
from logger.status import Status


def until(condition: Callable[[], bool], seconds: float = 60.0) -> None:
    """Wait for a condition; fail when it does not come about (in the first test the detector may have to be compiled)."""
    deadline = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < deadline, "it did not come about in time"
        time.sleep(0.005)


class Background:
    """A recorder in a thread of its own; as a context it is stopped at the end."""

    def __init__(self, home: Path, port: str = "", **options: object) -> None:
        self.stop = threading.Event()
        self.status = Status()
        self.told = 0  # how often the status was told: once it listens
        self.session: Session | None = None
        self.error: Exception | None = None

        def run() -> None:
            try:
                self.session = record(port=port, home=home, stop=self.stop, on_status=self._take, **options)  # type: ignore[arg-type]
            except Exception as error:
                self.error = error

        self._thread = threading.Thread(target=run)
        self._thread.start()

    def _take(self, status: Status) -> None:
        self.status = status
        self.told += 1

    def join(self) -> Session:
        """Wait for its end and return the session."""
        self._thread.join(30.0)
        assert not self._thread.is_alive()
        if self.error is not None:
            raise self.error
        assert self.session is not None
        return self.session

    def end(self) -> Session:
        """Stop it and return the session."""
        self.stop.set()
        return self.join()


class Cable:
    """Two serial ports joined by a cable, whose way from `far` to `near` may be disturbed; use it as a context.

    Attributes
    ----------
    near, far : str
        The ports.
    disturb : callable
        Turns what `far` sent into what arrives, and says how late [s].
    """

    def __init__(self) -> None:
        import pty
        import tty

        self.disturb: Callable[[bytes], tuple[bytes, float]] = lambda data: (data, 0.0)
        self._masters, self._slaves = [], []
        for _ in range(2):
            master, slave = pty.openpty()
            tty.setraw(slave)
            self._masters.append(master)
            self._slaves.append(slave)
        self.near, self.far = (os.ttyname(s) for s in self._slaves)
        self._stop = threading.Event()
        self._threads = [threading.Thread(target=self._carry, args=(a, b)) for a, b in (self._masters, self._masters[::-1])]

    def _carry(self, source: int, target: int) -> None:
        while not self._stop.is_set():
            if select.select([source], [], [], 0.02)[0]:
                data, late_s = os.read(source, 4096), 0.0
                if target == self._masters[0]:
                    data, late_s = self.disturb(data)
                self._stop.wait(late_s)
                os.write(target, data)

    def __enter__(self) -> Self:
        for thread in self._threads:
            thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        for thread in self._threads:
            thread.join()
        for fd in (*self._masters, *self._slaves):
            os.close(fd)
