"""The pressure and the shots so far, for the live line: a courtesy that may fail without a reading being lost."""

from __future__ import annotations

import contextlib
import math
import queue
import threading
from collections.abc import Hashable, Sequence
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from logger.channel import Channel
from logger.status import Status

if TYPE_CHECKING:
    from analysis.detector import ShotDetector

Floats = NDArray[np.float64]


LOOK_S: Final = 0.2  # the count need be no fresher, and each look costs


class LiveShots:
    """Follow one pressure: the tool's, else the first that comes.

    The shots are found in a thread of their own, so that neither slowness nor trouble there reaches the recording.

    Parameters
    ----------
    status : Status
        Kept up to date.
    """

    def __init__(self, status: Status) -> None:
        self._status = status
        self._owner: Hashable = None
        self._channel: Channel | None = None
        self._at = 0
        self._queue: queue.SimpleQueue[tuple[Floats, Floats] | None] = queue.SimpleQueue()
        self._ended = threading.Event()
        self._thread: threading.Thread | None = None
        self._detector: ShotDetector | None = None
        with contextlib.suppress(Exception):
            from analysis.detector import ShotDetector

            # Load and compile before the device is opened, when nothing waits for us.
            ShotDetector().feed(np.arange(400) / 100.0, np.where(np.arange(400) % 100 < 20, 5.5e5, 6e5))
            self._detector = ShotDetector()

    def offer(self, owner: Hashable, channels: Sequence[Channel]) -> None:
        """Consider the channels of a device that has just begun to send."""
        pressures = [i for i, c in enumerate(channels) if c.is_pressure and not c.absolute]
        at = next((i for i in pressures if "tool" in channels[i].name.casefold()), pressures[0] if pressures else None)
        if at is None or self._channel is not None:
            return
        self._owner, self._at, self._channel = owner, at, channels[at]
        self._status.channel = channels[at].name
        self._thread = threading.Thread(target=self._count, name="live shots", daemon=True)
        self._thread.start()

    def feed(self, owner: Hashable, times: Floats, values: Floats) -> None:
        """Take readings of a device and bring the pressure up to date; the shots follow."""
        if self._channel is None or owner != self._owner:
            return
        p_pa = self._channel.si(values[:, self._at])
        known = np.isfinite(p_pa)
        self._status.pressure_pa = float(p_pa[known][-1]) if known.any() else math.nan
        if known.any():
            self._queue.put((times[known], p_pa[known]))

    def end(self) -> None:
        """Let the detector work off what is waiting."""
        if self._thread is not None:
            self._ended.set()
            self._queue.put(None)
            self._thread.join(10.0)

    def _count(self) -> None:
        going_on = True
        with contextlib.suppress(Exception):
            while self._detector is not None and going_on:
                blocks: list[tuple[Floats, Floats]] = []
                while (block := self._queue.get()) is not None:
                    blocks.append(block)
                    if self._queue.empty():
                        break
                going_on = block is not None
                if blocks:
                    self._detector.feed(np.concatenate([t for t, _ in blocks]), np.concatenate([p for _, p in blocks]))
                shots = self._detector.shots
                self._status.shots = len(shots)
                if shots:
                    self._status.last_dip_pa = float(shots[-1].dip_pa)
                self._ended.wait(LOOK_S)
        while going_on and self._queue.get() is not None:
            pass  # without a detector, do not let readings pile up
