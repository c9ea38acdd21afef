"""A finished session that is too long to hold: one of its pressures, read from disk by stretches, in bounded memory."""

from __future__ import annotations

import contextlib
import copy
import hashlib
import threading
from collections import OrderedDict
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, TypeVar

import numpy as np
from numpy.typing import NDArray

from logger.channel import Channel
from logger.home import cache_folder
from logger.marks import Mark
from logger.open import NoReadingsError, Recording, more_marks, open_what, out_of_range, pressure_choice, recording_of, session_or_file
from logger.overview import GAP_S, GAP_STEPS, Overview, Piece, load_overview, overview_of, piece_of, save_overview, sketch_of
from logger.readings import READINGS_FILE, Stretches
from logger.session import Session

if TYPE_CHECKING:
    from analysis.record import ShotRecord

Floats = NDArray[np.float64]
T = TypeVar("T")

LONG: Final = 3_000_000  # readings from which on a session is not held as a whole
KEPT: Final = 3 << 20  # readings of row groups that are held; 50 MB
AT_ONCE: Final = 2  # row groups looked through side by side
SOON: Final = 1 << 24  # readings that are looked through before a page could show anything else
SHORT_S: Final = 10.0  # stretches up to this are kept, as pages ask for the same shots again
SHORT_KEPT: Final = 256
CACHED_MOST: Final = 200  # overviews on disk
AROUND_S: Final = 62.0  # that a correction by hand looks at: a shot's recovery is watched for a minute
LIVELY: Final = 3.0  # times the median by which the pressure moves from extreme to extreme: there something happens
AVERAGED: Final = 2_000_000  # readings aimed at
AVERAGED_COLUMNS: Final = ("t_s", "p_pa", "temp_k", "p_amb_series_pa")
AVERAGED_S: Final = (0.02, 0.1)  # shortest and longest time over which readings are averaged


class LongRecording:
    """Readings of one pressure of a finished session, without holding them.

    Attributes
    ----------
    name, channel, channels, marks, session
        As of a `Recording`.

    Raises
    ------
    ValueError
        If it has no such pressure, or its readings cannot be read.
    """

    def __init__(self, session: Session, channel: str | None, home: Path | str | None) -> None:
        self.name, self.session = session.name, session
        self.channel, self.channels = pressure_choice(session, channel)
        self.marks: Sequence[Mark] = session.marks
        self._stretches = Stretches(session.folder)
        self._home = home
        self._lock, self._making = threading.Lock(), threading.Lock()
        self._made: list[Overview] = []  # once it is known; one list for all that share these readings
        self._hurry = threading.Event()  # somebody waits for it
        self._faults: dict[int, int] = {}
        self._groups: OrderedDict[int, tuple[Floats, Floats]] = OrderedDict()
        self._short: OrderedDict[tuple[float, float], tuple[Floats, Floats]] = OrderedDict()
        extremes = self._extremes()
        self._notes = extremes.warnings
        self.sketch = sketch_of(extremes.t_s.reshape(-1, 2), np.sort(extremes.p_pa.reshape(-1, 2)), sum(self._stretches.sizes))

    def with_marks(self, marks: Sequence[Mark], warnings: Sequence[str] = ()) -> LongRecording:
        """Share the readings and all that is known of them, with these marks and what is to be said of them."""
        other = copy.copy(self)
        other.marks, other._notes = marks, (*self._notes, *warnings)
        return other

    @property
    def warnings(self) -> tuple[str, ...]:
        """What the reader should know."""
        faults = self.seen.faults
        return (*self.session.warnings, *([out_of_range(faults, self.channel)] if faults else []), *self._notes)

    @property
    def span_s(self) -> tuple[float, float]:
        """Times of the first and the last reading [s]."""
        return float(self.sketch.t_s[0]), float(self.sketch.t_s[-1])

    @property
    def overview(self) -> Overview:
        """Lowest and highest readings in few points: read through once, then kept on disk."""
        if not self._made:
            self._hurry.set()
            self.survey()
        return self._made[0]

    def survey(self, pause: Callable[[], None] | None = None) -> None:
        """Make the overview, unless it was; if with a `pause` before each row group, then one after the other until somebody waits."""

        def look(part: Recording) -> Piece:
            if pause is not None and not self._hurry.is_set():
                pause()
            return piece_of(part.t_s, part.p_pa)

        with self._making:
            if not self.surveyed:
                self._keep(self._each(look, at_once=1 if pause else AT_ONCE))

    @property
    def seen(self) -> Overview:
        """The overview as far as it can be had at once: a sketch where it was not made yet and takes a moment."""
        return self.overview if self.surveyed or sum(self._stretches.sizes) <= SOON else self.sketch

    @property
    def surveyed(self) -> bool:
        """Whether the overview was made."""
        if not self._made:
            kept = load_overview(self._overview_file)
            self._made += [kept] if kept is not None else []
        return bool(self._made)

    def _extremes(self) -> Recording:
        """The lowest and the highest reading of each row group, as the file's index tells them, as if they were a recording."""
        channels = self._read_with(beside=False)
        raw = self._stretches.extremes([c.name for c in channels])
        return recording_of(self.session, {**raw, **{c.name: _within(c.valid, raw[c.name]) for c in channels}}, self.channel)

    def _keep(self, pieces: Iterable[Piece]) -> None:
        self._made.append(replace(overview_of(pieces), faults=sum(self._faults.values())))
        save_overview(self._overview_file, self._made[0])
        _drop_oldest(self._overview_file.parent)

    @cached_property
    def _overview_file(self) -> Path:
        file = self.session.folder / READINGS_FILE
        stat, channel = file.stat(), [c for c in self.session.channels if c.is_pressure]
        told = f"{file.resolve()} {stat.st_size} {stat.st_mtime_ns} {self.channel} {channel}"
        return cache_folder(self._home) / "overviews" / f"{hashlib.sha256(told.encode()).hexdigest()[:32]}.npz"

    def blocks(self) -> Iterator[tuple[Floats, Floats]]:
        """All readings in order, a row group at a time [s, Pa gauge]."""
        for part in self._parts():
            yield part.t_s, part.p_pa

    def between(self, from_s: float, until_s: float) -> tuple[Floats, Floats]:
        """Every reading of a stretch [s, Pa gauge], and its neighbours as far as the same row groups hold them."""
        asked = (from_s, until_s)
        with self._lock:
            if asked in self._short:
                self._short.move_to_end(asked)
                return self._short[asked]
            pieces = [self._group(i) for i, (a, z) in enumerate(self._stretches.times) if z >= from_s and a <= until_s]
            if not pieces:
                return np.empty(0), np.empty(0)
            t, p = pieces[0] if len(pieces) == 1 else (np.concatenate([x[0] for x in pieces]), np.concatenate([x[1] for x in pieces]))
            first, last = np.searchsorted(t, [from_s, until_s])
            kept = slice(max(int(first) - 1, 0), int(last) + 1)
            if until_s - from_s > SHORT_S:
                return t[kept], p[kept]
            self._short[asked] = t[kept].copy(), p[kept].copy()
            while len(self._short) > SHORT_KEPT:
                self._short.popitem(last=False)
            return self._short[asked]

    def about(self, from_s: float, until_s: float) -> int:
        """About how many readings lie in a stretch."""
        begin, end = np.array(self._stretches.times).T
        inside = np.clip(np.minimum(end, until_s) - np.maximum(begin, from_s), 0.0, None)
        return int(inside @ (np.array(self._stretches.sizes) / np.maximum(end - begin, 1e-9)))

    def near(self, moments_s: Sequence[float], reach_s: float) -> tuple[Floats, Floats]:
        """Every reading that lies so near to one of these moments, and the last of all [s, Pa gauge]."""
        parts: list[tuple[Floats, Floats]] = []
        until_s = -np.inf
        for at_s in sorted(moments_s):
            t, p = self.between(at_s - reach_s, at_s + reach_s)
            new = t > until_s
            parts.append((t[new], p[new]))
            until_s = max(until_s, float(t[-1])) if t.size else until_s
        end_s = self.span_s[1]
        if end_s > until_s:
            t, p = self.between(end_s, end_s)
            parts.append((t[-1:], p[-1:]))
        return np.concatenate([t for t, _ in parts]), np.concatenate([p for _, p in parts])

    def around_judged(self, record: ShotRecord) -> tuple[Floats, Floats]:
        """Every reading around the shots whose nails were judged [s, Pa gauge]."""
        fired_s = [shot.time_s for shot in record.shots]
        judged = np.searchsorted(fired_s, [float(m["time_s"]) for m in self.marks if m["kind"] == "judged"])
        return self.near([fired_s[i - 1] for i in judged if i], AROUND_S)

    def shots(self, *, lag_s: float = 0.0) -> ShotRecord:
        """Find the shots, as `Recording.shots` does, reading all of it piece by piece."""
        from analysis.detector import ShotDetector

        detector = ShotDetector(lag_s=lag_s)
        for t, p in self.blocks():
            detector.feed(t, p)
        return self.corrected(detector.finish(), lag_s=lag_s)

    def corrected(self, found: ShotRecord, *, lag_s: float = 0.0) -> ShotRecord:
        """Correct what the detector found by hand, where the marks say so."""
        from analysis.corrections import correct, corrections, seen_by_somebody

        made, found = corrections(self.marks, self.channel), seen_by_somebody(found, self.marks)
        return correct(found, *self.near(list(made), AROUND_S), made, lag_s=lag_s)

    def averaged(self, pause: Callable[[], None] | None = None) -> Recording:
        """Means over equal numbers of readings, some hundredths of a second each: for what looks at hours, not at tenths; with a `pause`
        before each row group, if there is one.
        """
        over_s = min(max((self.span_s[1] - self.span_s[0]) / AVERAGED, AVERAGED_S[0]), AVERAGED_S[1])
        steps_s = np.diff(next(self._parts()).t_s)
        count = max(1, round(over_s / float(np.median(steps_s)))) if steps_s.size else 1
        with self._making:
            known = self.surveyed

            def look(part: Recording) -> tuple[Recording, Piece | None]:
                if pause is not None and (known or not self._hurry.is_set()):
                    pause()
                return _means(part, count), None if known else piece_of(part.t_s, part.p_pa)

            looked = self._each(look, beside=True)
            if not known:  # as all of it was read
                self._keep(piece for _, piece in looked if piece is not None)
        means = [mean for mean, _ in looked]
        last = means[-1]
        joined: dict[str, Floats] = {}
        for name in AVERAGED_COLUMNS:
            kept = [getattr(mean, name) for mean in means]
            if all(values is not None for values in kept):
                joined[name] = np.concatenate(kept)
        ambient = joined.get("p_amb_series_pa")
        return Recording(
            name=self.name,
            t_s=joined["t_s"],
            p_pa=joined["p_pa"],
            channel=self.channel,
            temp_k=joined.get("temp_k"),
            temperature=last.temperature if "temp_k" in joined else "",
            p_amb_pa=last.p_amb_pa if ambient is None else float(np.median(ambient)),
            p_amb_series_pa=ambient,
            marks=tuple(self.marks),
            warnings=self.warnings,
            session=self.session,
        )

    def stretch(self, most: int | None = None) -> Recording:
        """All pressures of one stretch of at most so many readings, for what needs every reading of them: the one that holds most of
        the test nozzles, and of those the one in which most moves; a warning says which it is.
        """
        most = LONG if most is None else most
        sizes, lively = self._stretches.sizes, self._lively()
        best, begin, end, first = (-1.0, 0), 0, 1, 0
        for last in range(len(sizes)):
            while first < last and sum(sizes[first : last + 1]) > most:
                first += 1
            held = sum(lively[first : last + 1]), sum(sizes[first : last + 1])
            if held > best:
                best, begin, end = held, first, last + 1
        raw = [self._stretches.read(i, [c.name for c in self.session.channels]) for i in range(begin, end)]
        whole = recording_of(self.session, {name: np.concatenate([part[name] for part in raw]) for name in raw[0]}, self.channel)
        from_s, until_s = whole.span_s
        looked_at, of = (f"{count:_}".replace("_", " ") for count in (whole.t_s.size, self.overview.readings))
        where = f"from {from_s / 60.0:.0f} to {until_s / 60.0:.0f} min"
        note = f"only {looked_at} of {of} readings are looked at, {where}, where most happens."
        return replace(whole, marks=tuple(self.marks), warnings=(note, *self.warnings))

    def _lively(self) -> list[float]:
        """How much each row group holds: blocks in which the pressure moves more than in most others, and far above those test nozzles."""
        t, moved = self.overview.t_s[1:], np.abs(np.diff(self.overview.p_pa))
        moving = np.sort(t[moved > LIVELY * np.median(moved)]) if t.size else t
        nozzles = np.sort([float(m["time_s"]) for m in self.marks if m["kind"] == "nozzle"])

        def inside(times: Floats, a: float, z: float) -> int:
            return int(np.searchsorted(times, z, side="right") - np.searchsorted(times, a))

        return [inside(moving, a, z) + inside(nozzles, a, z) * (1.0 + moving.size) for a, z in self._stretches.times]

    def _group(self, number: int) -> tuple[Floats, Floats]:
        if number not in self._groups:
            part = self._part(number, beside=False)
            self._groups[number] = (np.empty(0), np.empty(0)) if part is None else (part.t_s, part.p_pa)
        self._groups.move_to_end(number)
        while len(self._groups) > 1 and sum(t.size for t, _ in self._groups.values()) > KEPT:
            self._groups.popitem(last=False)
        return self._groups[number]

    def parts(self) -> Iterator[Recording]:
        """All pressures and the temperature of each row group, in order; those without a reading of this pressure are left out."""
        for number in range(len(self._stretches.times)):
            with contextlib.suppress(NoReadingsError):
                yield recording_of(self.session, self._stretches.read(number, [c.name for c in self.session.channels]), self.channel)

    def _parts(self) -> Iterator[Recording]:
        parts = (self._part(i, beside=False) for i in range(len(self._stretches.times)))
        yield from (part for part in parts if part is not None)

    def _each(self, look: Callable[[Recording], T], *, beside: bool = False, at_once: int = AT_ONCE) -> list[T]:
        """What `look` makes of each row group, in order; several are read at once."""

        def of(number: int) -> T | None:
            part = self._part(number, beside=beside)
            return None if part is None else look(part)

        with ThreadPoolExecutor(at_once) as pool:
            return [made for made in pool.map(of, range(len(self._stretches.times))) if made is not None]

    def _read_with(self, *, beside: bool) -> list[Channel]:
        """Channel of this pressure, and what it takes to understand it: the barometer, and the temperature `beside` it if asked for."""
        its = next(c for c in self.session.channels if c.is_pressure and c.name.casefold() == self.channel.casefold())
        more = [c for c in self.session.channels if (c.absolute or not c.is_pressure) and c is not its]
        return [its, *(more if beside or its.absolute else [])]

    def _part(self, number: int, *, beside: bool) -> Recording | None:
        """One row group as a recording, with the temperature `beside` it; None where this pressure has no reading in it."""
        its, *more = self._read_with(beside=beside)
        raw = self._stretches.read(number, [c.name for c in (its, *more)])
        self._faults[number] = its.faults(raw[its.name])
        try:
            return recording_of(self.session, raw, self.channel)
        except NoReadingsError:
            return None


def is_long(session: Session) -> bool:
    """Tell whether a session is so long that it is not held as a whole."""
    return session.finished and session.count > LONG


def open_light(
    what: Path | str,
    *,
    channel: str | None = None,
    unit: str | None = None,
    marks: Path | str | None = None,
    home: Path | str | None = None,
) -> Recording | LongRecording:
    """Open what `open_what` opens, without holding the readings of a long session.

    Raises
    ------
    ValueError
        If there is nothing of that name, it has no such channel or no pressure, or a file is refused.
    """
    found = session_or_file(what, home)
    if isinstance(found, Path) or not is_long(found):
        return open_what(what, channel=channel, unit=unit, marks=marks, home=home)
    recording = LongRecording(found, channel, home)
    if any(c.valid is not None for c in found.channels):
        _ = recording.overview  # which counts the faults that are warned of
    return recording if marks is None else recording.with_marks(*more_marks(recording.marks, marks))


def look_through(session: Session, home: Path | str | None) -> None:
    """Make and keep the overviews of a session that has just been finished, if it is long: its first opening need not wait for them."""
    if is_long(session):
        for channel in (c.name for c in session.channels if c.is_pressure):
            with contextlib.suppress(ValueError, OSError):  # its page says why
                _ = LongRecording(session, channel, home).overview


def _within(valid: tuple[float, float] | None, extremes: Floats) -> Floats:
    """Lowest and highest raw values, pair by pair, as far as they are no fault; NaN where all from one to the other are."""
    if valid is None:
        return extremes
    fault = (extremes[1::2] < valid[0]) | (extremes[::2] > valid[1])
    return np.where(np.repeat(fault, 2), np.nan, np.clip(extremes, *valid))


def _means(part: Recording, count: int) -> Recording:
    """Means over so many readings each."""
    starts = _starts(part.t_s, count)
    sizes = np.diff(np.append(starts, part.t_s.size))
    columns = {name: getattr(part, name) for name in AVERAGED_COLUMNS}
    means: dict[str, Any] = {name: None if values is None else np.add.reduceat(values, starts) / sizes for name, values in columns.items()}
    return replace(part, _others={}, **means)


def _starts(t_s: Floats, count: int) -> NDArray[np.int64]:
    """Where to begin a new mean: every `count` readings, and after each gap."""
    steps = np.diff(t_s)
    far = np.flatnonzero(steps > max(GAP_STEPS * float(np.median(steps)), GAP_S)) + 1 if steps.size else np.empty(0, dtype=np.int64)
    return np.unique(np.concatenate([np.arange(0, t_s.size, count), far])).astype(np.int64)


def _drop_oldest(folder: Path) -> None:
    """Let no more overviews lie about than are of use."""
    with contextlib.suppress(OSError):
        files = sorted(folder.glob("*.npz"), key=lambda f: f.stat().st_mtime)
        for file in files[:-CACHED_MOST]:
            file.unlink(missing_ok=True)
