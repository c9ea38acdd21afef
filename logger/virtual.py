"""A virtual device: plays a recorded trace as a board would send it, over a pseudo-terminal or, where there is none, a socket.

It answers the recorder's question with its ``#farend`` line and only then begins, so that not one line is lost to a port being
opened. Its time stamps are those of the trace, so that a trace played faster than life keeps its time.
"""

from __future__ import annotations

import contextlib
import math
import os
import select
import socket
import threading
import time
from collections.abc import Mapping
from types import TracebackType
from typing import Final, Self

import numpy as np
from numpy.typing import ArrayLike

from logger.lines import HELLO, with_checksum

BATCH_S: Final = 0.01


class VirtualDevice:
    """A board that sends a trace; use it as a context.

    Parameters
    ----------
    t_s : array_like, shape (n,)
        Times of the readings [s].
    channels : mapping of str to array_like, shape (n,)
        What each channel sends, in `unit`; NaN is sent as an empty value.
    unit : str
        Unit of the values; one for all or one for each, by commas.
    rate_hz : float, optional
        Said in the description only.
    speed : float
        How much faster than life; ``math.inf`` as fast as it is taken.
    decimals : int
        Digits after the point; 0 sends whole numbers.
    checksum : bool
        Whether lines carry one.
    time_column : str
        "t_us" (32 bit, wraps), "t_ms" or "" for none.
    start_us : int
        What the device's clock says at the first reading.
    transport : str
        "pty" or "socket"; by default what the system has.
    ends : bool
        Whether it says at the end of the trace that nothing more will come; the recorder then stops.

    Attributes
    ----------
    port : str
        Where to find it.
    sent : int
        Lines sent so far.
    """

    def __init__(
        self,
        t_s: ArrayLike,
        channels: Mapping[str, ArrayLike],
        *,
        unit: str = "kPa",
        rate_hz: float | None = None,
        speed: float = 1.0,
        decimals: int = 2,
        checksum: bool = True,
        time_column: str = "t_us",
        start_us: int = 1_000_000,
        transport: str | None = None,
        ends: bool = True,
    ) -> None:
        self._t_s = np.asarray(t_s, dtype=np.float64)
        self._values = {name: np.asarray(v, dtype=np.float64) for name, v in channels.items()}
        self._unit, self._rate_hz, self._speed = unit, rate_hz, speed
        self._decimals, self._checksum, self._time_column, self._start_us = decimals, checksum, time_column, start_us
        self._ends = ends
        self.sent = 0
        self._stop = threading.Event()
        self._end: _End = (_Pty if (transport or ("pty" if os.name == "posix" else "socket")) == "pty" else _Socket)()
        self.port = self._end.port
        self._thread = threading.Thread(target=self._play, name="virtual device", daemon=True)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None) -> None:
        self._stop.set()
        self._thread.join(5.0)
        self._end.close()

    @property
    def description(self) -> str:
        """The device's ``#farend`` line."""
        columns = ",".join([*([self._time_column] if self._time_column else []), *self._values])
        parts = ["#farend", f"columns={columns}", f"unit={self._unit}"]
        if self._rate_hz:
            parts.append(f"rate={self._rate_hz:g}")
        if self._speed != 1.0:
            parts.append(f"speed={self._speed:g}")
        if self._checksum:
            parts.append("checksum=xor")
        return " ".join(parts)

    def lines(self, start: int, stop: int) -> list[str]:
        """Data lines of readings `start` to `stop`, without newlines."""
        texts: list[list[str]] = []
        if self._time_column:
            scale, wrap = (1e6, 2**32) if self._time_column == "t_us" else (1e3, 2**32)
            offset = self._start_us * scale / 1e6
            stamps = np.mod(np.round((self._t_s[start:stop] - self._t_s[0]) * scale + offset), wrap)
            texts.append([str(int(s)) for s in stamps])
        texts += [[_number(v, self._decimals) for v in values[start:stop]] for values in self._values.values()]
        lines = [",".join(parts) for parts in zip(*texts, strict=True)]
        return [with_checksum(ln) for ln in lines] if self._checksum else lines

    def _play(self) -> None:
        with contextlib.suppress(OSError):  # the reader has gone away: so does the device
            if not self._asked():
                return
            self._send(f"\n{self.description}\n")
            begun = time.monotonic()
            n = self._t_s.size
            while self.sent < n and not self._stop.is_set():
                due = n if math.isinf(self._speed) else self._due((time.monotonic() - begun) * self._speed)
                due = min(due, self.sent + 2000)
                if due == self.sent:
                    self._stop.wait(BATCH_S)
                    continue
                self._send("".join(f"{ln}\n" for ln in self.lines(self.sent, due)))
                self.sent = due
            if self._ends and not self._stop.is_set():
                self._send("#farend end\n")

    def _due(self, elapsed_s: float) -> int:
        return int(np.searchsorted(self._t_s, self._t_s[0] + elapsed_s, side="right"))

    def _asked(self) -> bool:
        heard = b""
        while not self._stop.is_set():
            heard += self._end.receive(0.05)
            if HELLO in heard:
                return True
        return False

    def _send(self, text: str) -> None:
        data = text.encode("ascii")
        while data and not self._stop.is_set():
            data = data[self._end.send(data) :]


def _number(value: float, decimals: int) -> str:
    return "" if math.isnan(value) else f"{value:.{decimals}f}"


class _End:
    """The device's end of the cable."""

    port: str

    def send(self, data: bytes) -> int:
        """Send some of it, waiting a short while for room; return how much."""
        raise NotImplementedError

    def receive(self, wait_s: float) -> bytes:
        """Return what has come within the wait."""
        raise NotImplementedError

    def close(self) -> None:
        """Pull the plug."""
        raise NotImplementedError


class _Pty(_End):
    """A pseudo-terminal; it loses nothing, as a write waits until the reader has made room."""

    def __init__(self) -> None:
        import pty
        import tty

        self._master, self._slave = pty.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        self.port = os.ttyname(self._slave)

    def send(self, data: bytes) -> int:
        if not select.select([], [self._master], [], 0.05)[1]:
            return 0
        try:
            return os.write(self._master, data[:1024])
        except BlockingIOError:
            time.sleep(1e-3)
            return 0

    def receive(self, wait_s: float) -> bytes:
        if not select.select([self._master], [], [], wait_s)[0]:
            return b""
        return os.read(self._master, 4096)

    def close(self) -> None:
        os.close(self._slave)
        os.close(self._master)


class _Socket(_End):
    """A TCP server on this machine only."""

    def __init__(self) -> None:
        self._server = socket.create_server(("127.0.0.1", 0))
        self._server.settimeout(0.05)
        self._peer: socket.socket | None = None
        self.port = f"socket://127.0.0.1:{self._server.getsockname()[1]}"

    def send(self, data: bytes) -> int:
        assert self._peer is not None
        try:
            return self._peer.send(data)
        except TimeoutError:
            return 0

    def receive(self, wait_s: float) -> bytes:
        try:
            if self._peer is None:
                self._peer, _ = self._server.accept()
            self._peer.settimeout(wait_s)
            return self._peer.recv(4096)
        except TimeoutError:
            return b""

    def close(self) -> None:
        if self._peer is not None:
            self._peer.close()
        self._server.close()
