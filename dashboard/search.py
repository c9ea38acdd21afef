"""The search for shots in a long session: it goes on in the background while the pages answer, and can be asked how far it is."""

from __future__ import annotations

import contextlib
import logging
import os
import sys
import threading
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from analysis.record import ShotRecord
    from logger.long import LongRecording

PIECE: Final = 1 << 16  # readings given to the detector at a time: others get their turn in between
NICER: Final = 5  # how much the search stands back behind the pages
LOST: Final = "The search for shots ended without an answer; the terminal in which farend runs says why."


class StillSearchingError(Exception):
    """Raised where an answer needs shots that are still being looked for."""


class Search:
    """One search, begun at once; readings are read and forgotten row group by row group."""

    def __init__(self, recording: LongRecording) -> None:
        self._recording = recording
        self._looked_at = 0
        self._found: ShotRecord | None = None
        self._problem = ""
        self._ended = threading.Event()
        threading.Thread(target=self._run, daemon=True).start()

    @property
    def share(self) -> float:
        """How much of the recording was looked at, 0..1."""
        return min(self._looked_at / max(self._recording.overview.readings, 1), 1.0)

    @property
    def ended(self) -> bool:
        """Whether there is a result, or a reason for none."""
        return self._ended.is_set()

    def result(self) -> ShotRecord:
        """Wait for what was found.

        Raises
        ------
        ValueError
            If there are too few readings, or they cannot be read.
        """
        self._ended.wait()
        if self._found is None:
            raise ValueError(self._problem)
        return self._found

    def _run(self) -> None:
        from analysis.detector import ShotDetector

        if sys.platform == "linux":  # elsewhere a priority is the whole process's
            with contextlib.suppress(OSError):
                os.setpriority(os.PRIO_PROCESS, threading.get_native_id(), NICER)
        try:
            detector = ShotDetector()
            for t, p in self._recording.blocks():
                for a in range(0, t.size, PIECE):
                    detector.feed(t[a : a + PIECE], p[a : a + PIECE])
                    self._looked_at += min(PIECE, t.size - a)
            self._found = detector.finish()
        except (ValueError, OSError) as problem:
            self._problem = str(problem)
        except Exception:
            logging.getLogger("farend").exception("the search for shots in %s failed", self._recording.name)
            self._problem = LOST
        finally:
            self._ended.set()
