"""A recording that is being made: followed on disk, where the recorder, a process of its own, writes it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from analysis.detector import ShotDetector
from analysis.record import Shot
from logger.kept import list_sessions
from logger.open import open_what
from logger.session import Session

SHOWN_S = 20.0  # of the trace
AVERAGED_S = 0.1  # for the pressure in figures


@dataclass(frozen=True, slots=True, kw_only=True)
class Live:
    """The state of a recording at one moment.

    Attributes
    ----------
    session : Session
        The session that is being recorded.
    channel : str
        The pressure that is shown.
    t_s, p_pa : ndarray, shape (n,)
        Its last 20 seconds: times from the start [s], gauge pressure [Pa].
    now_pa : float
        Median of the last tenth of a second [Pa gauge].
    shots : tuple of Shot
        So far; the last may still be recovering.
    """

    session: Session
    channel: str
    t_s: NDArray[np.float64]
    p_pa: NDArray[np.float64]
    now_pa: float
    shots: tuple[Shot, ...]


class Follower:
    """Follows whatever is being recorded under a home folder; readings are fed to the shot detector once."""

    def __init__(self, home: Path) -> None:
        self.home = home
        self._folder: Path | None = None
        self._detector = ShotDetector()
        self._until_s = -np.inf

    def look(self) -> Live | None:
        """Look at the recording that is being made; None if there is none, or no reading yet."""
        session = next((s for s in list_sessions(self.home) if s.recording), None)
        if session is None or session.count == 0:
            return None
        recording = open_what(session.folder, home=self.home)
        if session.folder != self._folder:
            self._folder, self._detector, self._until_s = session.folder, ShotDetector(), -np.inf
        t, p = recording.t_s, recording.p_pa
        new = int(np.searchsorted(t, self._until_s, side="right"))
        self._detector.feed(t[new:], p[new:])
        self._until_s = float(t[-1])
        shown = t >= t[-1] - SHOWN_S
        return Live(
            session=session,
            channel=recording.channel,
            t_s=t[shown],
            p_pa=p[shown],
            now_pa=float(np.median(p[t >= t[-1] - AVERAGED_S])),
            shots=self._detector.shots,
        )
