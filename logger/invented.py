"""An invented sensor for trying things out: the port ``invented:deck`` sends a nailer at work, for as long as it is recorded.

Nothing of it is measured. It speaks as a board does, so that all from the line parser on is the real thing.
"""

from __future__ import annotations

import time
from typing import Final

import numpy as np
from numpy.typing import NDArray

from logger.lines import with_checksum

PORT: Final = "invented:deck"
NOTE: Final = "Invented."  # kept with a session of it
RATE_HZ: Final = 250.0
REST_KPA, DIP_KPA, NOISE_KPA = 640.0, 62.0, 0.4
FALL_S, RECOVERY_TAU_S = 0.03, 0.16
SHOTS_APART_S: Final = (1.6, 3.2)
WAIT_S: Final = 0.02


class InventedSource:
    """A made-up board; see `logger.sources.Source` for what its methods mean."""

    def __init__(self, seed: int | None = None) -> None:
        self._rng = np.random.default_rng(seed)
        self._begun: float | None = None
        self._sent = 0
        self._fired = [self._rng.uniform(*SHOTS_APART_S)]
        self._said = b""

    def read(self) -> bytes:
        """Return the lines that are due."""
        if self._begun is None:
            self._begun = time.monotonic()
        time.sleep(WAIT_S)
        due = int((time.monotonic() - self._begun) * RATE_HZ)
        t_s = np.arange(self._sent, due) / RATE_HZ
        self._sent = due
        said, self._said = self._said, b""
        stamps = np.mod(np.round(1e6 * (t_s + 1.0)), 2**32).astype(np.int64)
        lines = [with_checksum(f"{t},{p:.2f}") + "\n" for t, p in zip(stamps, self._kpa(t_s), strict=True)]
        return said + "".join(lines).encode("ascii")

    def ask(self) -> None:
        """Describe itself before the next reading."""
        self._said = f"\n#farend columns=t_us,tool unit=kPa rate={RATE_HZ:g} checksum=xor\n".encode("ascii")

    def close(self) -> None:
        """Do nothing: there is no board."""

    def _kpa(self, t_s: NDArray[np.float64]) -> NDArray[np.float64]:
        if not t_s.size:
            return t_s
        while self._fired[-1] < t_s[-1]:
            self._fired = [*self._fired[-3:], self._fired[-1] + self._rng.uniform(*SHOTS_APART_S)]
        kpa = REST_KPA + self._rng.normal(0.0, NOISE_KPA, t_s.size)
        for at in self._fired:
            since = t_s - at
            depth = DIP_KPA * np.clip(since / FALL_S, 0.0, 1.0) * np.exp(-np.clip(since - FALL_S, 0.0, None) / RECOVERY_TAU_S)
            kpa -= np.where(since > 0.0, depth, 0.0)
        return kpa
