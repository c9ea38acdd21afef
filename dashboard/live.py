"""A recording that is being made: followed on disk, where the recorder, a process of its own, writes it.

Each look reads only what came since the last one: new batches of the journal, then the few newest readings that the recorder shows
beside it. Memory stays small however long the recording is, and a recording that has run for hours is taken in piece by piece.
"""

from __future__ import annotations

import threading
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from analysis.constants import ATMOSPHERE_ABS_PA
from analysis.detector import ShotDetector
from analysis.record import Shot
from logger.channel import Channel
from logger.home import sessions_folder
from logger.journal import JournalTail
from logger.live import LiveState, read_live
from logger.lock import is_locked
from logger.open import tool_channel
from logger.readings import journals
from logger.session import LOCK_FILE, SESSION_FILE, Session, open_session

SHOWN_S = 20.0  # of the trace
AVERAGED_S = 0.06  # for the pressure in figures: half of it is delay
FAULT_S = 0.3  # without a valid reading while others come
STALE_S = 2.0  # a recorder that says nothing for so long does not run
SEEK_S = 0.25  # how often a new recording is looked for
BUDGET_S = 0.1  # of one look, for what was recorded before

Floats = NDArray[np.float64]
_ready = threading.Event()


@dataclass(frozen=True, slots=True, kw_only=True)
class Live:
    """The state of a recording at one moment.

    Attributes
    ----------
    session : Session
        The session that is being recorded.
    channel : str
        The pressure that is shown; "" where the session has none.
    t_s, p_pa : ndarray, shape (n,)
        Its last 20 seconds: times from the start [s], gauge pressure [Pa].
    now_pa : float
        Median of the last moments [Pa gauge]; NaN before the first reading.
    last_s : float
        Time of the last reading [s]; NaN before it.
    shots : tuple of Shot
        So far; the last may still be recovering.
    state : str
        "recording", "silent", "device away", "finishing", "stalled" (the recorder does not answer) or "sensor fault".
    warning : str
        What the recorder warns of, e.g. a disk nearly full.
    raw : float
        The last value as the device sent it.
    share : float
        How much of what is on disk has been taken in, 0..1.
    """

    session: Session
    channel: str
    t_s: Floats
    p_pa: Floats
    now_pa: float
    last_s: float
    shots: tuple[Shot, ...]
    state: str
    warning: str
    raw: float
    share: float


class Follower:
    """Follows whatever is being recorded under a home folder, the newest where there are several.

    Parameters
    ----------
    home : Path
        Folder with ``sessions``.
    """

    def __init__(self, home: Path) -> None:
        self.home = home
        threading.Thread(target=_warm_up, daemon=True).start()
        self._followed: _Followed | None = None
        self._sought = -np.inf

    def look(self) -> Live | None:
        """Look at the recording that is being made; None if there is none."""
        if self._followed is not None and not is_locked(self._followed.session.folder / LOCK_FILE):
            self._followed, self._sought = None, -np.inf
        now = time.monotonic()
        if now - self._sought >= SEEK_S:
            self._sought = now
            newest = _newest(self.home)
            if newest is not None and (self._followed is None or newest != self._followed.session.folder):
                self._followed = _opened(newest)
        return None if self._followed is None else self._followed.look()


def _warm_up() -> None:
    """Have the detector compiled: a first start may take a while over it, and meanwhile only the pressure is shown."""
    try:
        ShotDetector().feed(np.arange(600) / 200.0, np.where(np.arange(600) % 200 < 20, 5.5e5, 6e5))
    finally:
        _ready.set()


def _newest(home: Path) -> Path | None:
    """Folder of the session that was begun last and is being recorded; only those that hold a lock file are looked into."""
    locks = sorted(sessions_folder(home).glob(f"*/{LOCK_FILE}"), key=_made, reverse=True)
    return next((lock.parent for lock in locks if not lock.parent.is_symlink() and is_locked(lock)), None)


def _made(path: Path) -> float:
    try:
        return path.stat().st_mtime
    except OSError:
        return -np.inf


def _opened(folder: Path) -> _Followed | None:
    if not (folder / SESSION_FILE).is_file():  # its recorder is about to write it
        return None
    try:
        return _Followed(open_session(folder))
    except (ValueError, OSError):
        return None


class _Followed:
    """One recording: the readings of its tool's pressure, taken in once each."""

    def __init__(self, session: Session) -> None:
        self.session = session
        self._channel: Channel | None = tool_channel(session.channels)
        self._tail: JournalTail | None = None
        self._detector = ShotDetector()
        self._t_s, self._p_pa = np.empty(0), np.empty(0)
        self._last_s, self._good_s, self._raw = np.nan, np.nan, np.nan

    def look(self) -> Live:
        """Take in what is new."""
        shown, caught_up = self._take_in() if self._channel is not None else (None, True)
        t_s, p_pa, last_s = self._t_s, self._p_pa, self._last_s
        if not caught_up:  # the newest readings are worth more than those of hours ago
            t_s, p_pa, last_s = self._only_shown(shown)
        new = t_s >= last_s - AVERAGED_S
        return Live(
            session=self.session,
            channel="" if self._channel is None else self._channel.name,
            t_s=t_s,
            p_pa=p_pa,
            now_pa=float(np.median(p_pa[new])) if new.any() else float("nan"),
            last_s=float(last_s),
            shots=self._detector.shots,
            state=self._state(shown, last_s if caught_up else np.nan),
            warning="" if shown is None else shown.warning,
            raw=float(self._raw),
            share=1.0 if caught_up else 0.0 if self._tail is None else self._tail.share,
        )

    def _take_in(self) -> tuple[LiveState | None, bool]:
        """Read what the recorder shows before the journal: so nothing lies between the two."""
        tail = self._find_tail()
        if tail is None:
            return None, True
        shown = read_live(tail.path)
        if not _ready.is_set():
            return shown, False
        until = time.monotonic() + BUDGET_S
        pieces: list[tuple[Floats, Floats]] = []
        caught_up = True
        for batch in tail.new():
            self._take(batch["time_s"], batch[self._name], pieces)
            if time.monotonic() > until:
                caught_up = tail.share >= 1.0
                break
        if caught_up:
            self._take(*self._columns_of(shown), pieces)
        if pieces:
            t_s = np.concatenate([self._t_s, *(t for t, _ in pieces)])
            p_pa = np.concatenate([self._p_pa, *(p for _, p in pieces)])
            kept = int(np.searchsorted(t_s, t_s[-1] - SHOWN_S))
            self._t_s, self._p_pa = t_s[kept:], p_pa[kept:]
        return shown, caught_up

    def _columns_of(self, shown: LiveState | None) -> tuple[Floats, Floats]:
        """Times and raw values of our channel among what the recorder shows."""
        columns = [] if self._tail is None else self._tail.columns
        if shown is None or not columns or shown.rows.shape[1] != len(columns):
            return np.empty(0), np.empty(0)
        return shown.rows[:, 0], shown.rows[:, columns.index(self._name)]

    def _only_shown(self, shown: LiveState | None) -> tuple[Floats, Floats, float]:
        t_s, raw = self._columns_of(shown)
        p_pa = self._pressure(raw)
        good = p_pa > -ATMOSPHERE_ABS_PA
        return t_s[good], p_pa[good], float(t_s[-1]) if t_s.size else np.nan

    def _pressure(self, raw: Floats) -> Floats:
        assert self._channel is not None
        return self._channel.si(raw) - (ATMOSPHERE_ABS_PA if self._channel.absolute else 0.0)

    @property
    def _name(self) -> str:
        return "" if self._channel is None else self._channel.name

    def _find_tail(self) -> JournalTail | None:
        """The journal of the device that has the tool's channel."""
        if self._tail is None or self._name not in self._tail.columns:
            for path in journals(self.session.folder):
                tail = JournalTail(path)
                if self._name in tail.columns:
                    self._tail = tail
                    break
        return self._tail

    def _take(self, t_s: Floats, raw: Floats, pieces: list[tuple[Floats, Floats]]) -> None:
        new = t_s > self._last_s if np.isfinite(self._last_s) else np.full(t_s.size, True)
        t_s, raw = t_s[new], raw[new]
        if not t_s.size:
            return
        self._last_s, self._raw = t_s[-1], raw[-1]
        p_pa = self._pressure(raw)
        good = p_pa > -ATMOSPHERE_ABS_PA  # below a vacuum there is no pressure; NaN is none either
        if good.any():
            t_s, p_pa = t_s[good], p_pa[good]
            self._good_s = t_s[-1]
            self._detector.feed(t_s, p_pa)
            pieces.append((t_s, p_pa))

    def _state(self, shown: LiveState | None, last_s: float) -> str:
        if shown is not None and shown.state != "finishing" and time.time() - shown.at_s > STALE_S:
            return "stalled"
        if shown is not None and shown.state != "recording":
            return shown.state
        if np.isfinite(last_s) and not last_s - self._good_s <= FAULT_S:
            return "sensor fault"
        return "recording"
