"""Open what the user named, a session or a CSV file, as arrays ready for the analysis."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property, partial
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from analysis.constants import ATMOSPHERE_ABS_PA
from analysis.thermometer import believable
from logger.channel import Channel
from logger.kept import find_session
from logger.marks import Mark, read_marks
from logger.overview import Overview, overview_of, piece_of
from logger.session import Session, open_session

if TYPE_CHECKING:
    from analysis.record import ShotRecord
    from analysis.settled import Trace

Floats = NDArray[np.float64]

# Which of several pressures is the tool's, and which temperature is nearest the air's: the first word found in the name wins.
_PRESSURE_WORDS: Final = ("tool", "nailer", "gun", "work", "outlet", "downstream", "line", "hose", "pressure", "receiver", "tank", "supply")
_TEMPERATURE_WORDS: Final = ("gas", "wall", "air", "receiver", "tank", "ambient", "temp")
OWN_TIMES: Final = 0.1  # of a channel's readings at times at which the chosen one has none: it comes from another device
_BAROMETER_WORDS: Final = ("baro", "ambient", "atm", "p_amb", "pamb")


class NoReadingsError(ValueError):
    """Raised where a pressure has no readings."""


@dataclass(frozen=True, kw_only=True)
class Recording:
    """Readings of one pressure, with what belongs to it.

    Attributes
    ----------
    name : str
        The session's or the file's.
    t_s : ndarray, shape (n,)
        Times from the first reading of the file [s], rising.
    p_pa : ndarray, shape (n,)
        Gauge pressure of the chosen channel [Pa]; readings that are missing are left out.
    channel : str
        Name of the chosen channel.
    temp_k : ndarray, shape (n,), or None
        Temperature nearest the air's, between its own readings by straight lines [K]; NaN where there are none for long; None
        where none was measured.
    temperature : str
        Name of that channel, or "".
    p_amb_pa : float
        Ambient pressure [Pa abs]: the barometer's median, else the standard atmosphere.
    p_amb_series_pa : ndarray, shape (n,), or None
        The barometer's readings [Pa abs], where there are any.
    marks : tuple of mark
        In order of time.
    warnings : tuple of str
        What the reader should know.
    session : Session or None
        The session, if it is one.
    """

    name: str
    t_s: Floats
    p_pa: Floats
    channel: str
    temp_k: Floats | None = None
    temperature: str = ""
    p_amb_pa: float = ATMOSPHERE_ABS_PA
    p_amb_series_pa: Floats | None = None
    marks: tuple[Mark, ...] = ()
    warnings: tuple[str, ...] = ()
    session: Session | None = None
    _others: Mapping[str, Callable[[], Floats]] = field(default_factory=dict, repr=False)

    @cached_property
    def pressures(self) -> dict[str, Floats]:
        """Every gauge pressure by its channel's name, at `t_s`; NaN where a channel has no reading [Pa].

        A channel of another device, which reads at other times, is given between its readings by straight lines.
        """
        return {name: self.p_pa if name == self.channel else read() for name, read in self._others.items()}

    @property
    def channels(self) -> tuple[str, ...]:
        """Names of all pressures."""
        return (*self._others,)

    # What a LongRecording offers too: a page asks for stretches and the overview, and need not know how long the recording is.

    @property
    def span_s(self) -> tuple[float, float]:
        """Times of the first and the last reading [s]."""
        return float(self.t_s[0]), float(self.t_s[-1])

    def between(self, from_s: float, until_s: float) -> tuple[Floats, Floats]:
        """Every reading of a stretch [s, Pa gauge], and the neighbours on either side of it."""
        first, last = np.searchsorted(self.t_s, [from_s, until_s])
        kept = slice(max(int(first) - 1, 0), int(last) + 1)
        return self.t_s[kept], self.p_pa[kept]

    def about(self, from_s: float, until_s: float) -> int:
        """How many readings lie in a stretch."""
        first, last = np.searchsorted(self.t_s, [from_s, until_s])
        return int(last - first)

    @cached_property
    def overview(self) -> Overview:
        """Lowest and highest readings in few points."""
        return overview_of([piece_of(self.t_s, self.p_pa)])

    @property
    def seen(self) -> Overview:
        """The overview."""
        return self.overview

    def parts(self) -> Iterator[Recording]:
        """All of it, in one piece."""
        yield self

    def around_judged(self, record: ShotRecord) -> tuple[Floats, Floats]:
        """Every reading around the shots whose nails were judged: here all there are [s, Pa gauge]."""
        del record
        return self.t_s, self.p_pa

    @property
    def ambient_pa(self) -> float | Floats:
        """Ambient pressure [Pa abs]: the barometer's readings where there are any, else one value."""
        return self.p_amb_pa if self.p_amb_series_pa is None else self.p_amb_series_pa

    def shots(self, *, lag_s: float = 0.0) -> ShotRecord:
        """Find the shots, corrected by hand where the marks say so.

        Parameters
        ----------
        lag_s : float
            Time constant of the sensor's response, if known [s]; the shots are told without it.

        Raises
        ------
        ValueError
            If there are too few readings or the lag is not possible.
        """
        from analysis.corrections import corrected_shots

        return corrected_shots(self.t_s, self.p_pa, self.marks, channel=self.channel, lag_s=lag_s)

    def trace(self) -> Trace:
        """Hand it out as one side of a comparison, with the corrections made by hand."""
        from analysis.corrections import corrections
        from analysis.places import named
        from analysis.settled import Trace

        channels = self.session.channels if self.session is not None else ()
        places = {name: name for name in self.channels} | {c.name: c.place for c in channels if c.place}
        place = places.get(self.channel, self.channel)
        supply = next((name for name in self.channels if name != self.channel and named(places[name]) == "supply"), None)
        return Trace(
            t_s=self.t_s,
            p_pa=self.p_pa,
            corrected=corrections(self.marks, self.channel),
            place=place,
            supply_pa=self._others[supply]() if supply is not None and named(place) != "supply" else None,
        )


def open_what(
    what: Path | str,
    *,
    channel: str | None = None,
    unit: str | None = None,
    marks: Path | str | None = None,
    home: Path | str | None = None,
) -> Recording:
    """Open a session by name or folder, or a CSV file.

    Parameters
    ----------
    what : path or str
        A session's name, its folder, or a CSV file.
    channel : str, optional
        Which pressure; without it the tool's, else the likeliest.
    unit : str, optional
        Unit of the pressures in a file that names none.
    marks : path, optional
        Marks that go with it, one JSON object a line; those of a session are kept as well.
    home : path, optional
        Where sessions are kept; by default FAREND_HOME.

    Raises
    ------
    ValueError
        If there is nothing of that name, it has no such channel or no pressure, or a file is refused.
    """
    found = session_or_file(what, home)
    return _from_csv(found, channel, unit, marks) if isinstance(found, Path) else _from_session(found, channel, marks)


def session_or_file(what: Path | str, home: Path | str | None = None) -> Session | Path:
    """Find a session by its name or folder, or a file, without reading any of it.

    Raises
    ------
    ValueError
        If there is nothing of that name.
    """
    path = Path(what)
    if path.is_dir() and (path / "session.toml").exists():
        return open_session(path)
    if path.is_file():
        return open_session(path.parent) if path.name == "session.toml" else path
    try:
        return find_session(home, str(what))
    except ValueError as problem:
        if path.suffix.lower() in {".csv", ".txt", ".tsv", ".dat", ".log"} or len(path.parts) > 1:
            kind = "there is no such file"
            if path.exists():
                folder = path.is_dir()
                kind = "is a folder, but no session (it holds no session.toml)" if folder else "is no plain file; save what it gives to one"
            msg = f"{what}: {kind}. Check the name, or see `farend sessions`."
            raise ValueError(msg) from None
        msg = f"{problem} Nor is there a file of that name here."
        raise ValueError(msg) from None


def _from_session(session: Session, channel: str | None, marks: Path | str | None) -> Recording:
    if session.count == 0:
        msg = f"{session.name} holds no readings."
        raise ValueError(msg)
    warnings = list(session.warnings)
    if not session.finished and not session.recording:
        warnings.append("was not closed properly; `farend sessions` brings its readings to safety.")
    for faulty in (c for c in session.channels if c.valid is not None):
        number = faulty.faults(session.raw[faulty.name])
        if number:
            warnings.append(out_of_range(number, faulty.name))
    if session.channels and session.finished:
        time_s = session.column_si(session.channels[0].name)[0]
        columns = {c.column: partial(_column, session, c.name) for c in session.channels}
    else:  # a recorder may be adding to the journals: read once
        raw = session.raw
        time_s = raw["time_s"]
        columns = {c.column: partial(c.si, raw[c.name]) for c in session.channels}
    return _recording(session.name, time_s, columns, channel, [*session.marks], warnings, marks, session)


def more_marks(marks: Sequence[Mark], file: Path | str) -> tuple[list[Mark], list[str]]:
    """Add the marks of a file, in order of time; and say which of its lines were left out."""
    more, left_out = read_marks(Path(file))
    return sorted([*marks, *more], key=lambda m: float(m["time_s"])), list(left_out)


def out_of_range(number: int, channel: str) -> str:
    """Say that readings were left out because they mean a fault."""
    return f"{number} readings of {channel} lie outside its valid range (broken wire or over-range) and are left out."


def _from_csv(path: Path, channel: str | None, unit: str | None, marks: Path | str | None) -> Recording:
    from logger.csv_in import read_csv

    reading = read_csv(path, name=path.stem, unit=unit)
    frame = reading.readings
    columns = {str(c): partial(frame[c].to_numpy, dtype=np.float64) for c in frame.columns}
    return _recording(path.name, frame.index.to_numpy(dtype=np.float64), columns, channel, [], list(reading.warnings), marks, None)


def _column(session: Session, name: str) -> Floats:
    return session.column_si(name)[1]


def _recording(
    name: str,
    time_s: Floats,
    columns: Mapping[str, Callable[[], Floats]],
    channel: str | None,
    marks: list[Mark],
    warnings: list[str],
    marks_file: Path | str | None,
    session: Session | None,
) -> Recording:
    if marks_file is not None:
        marks, left_out = more_marks(marks, marks_file)
        warnings += left_out
    absolute = {c.removesuffix("_abs_pa"): c for c in columns if c.endswith("_abs_pa")}
    temperatures = {c.removesuffix("_k"): c for c in columns if c.endswith("_k")}
    pressures, barometer = _pressures(columns)

    chosen = _choose(name, pressures, columns, channel)
    keep_of = columns[pressures[chosen]]()
    keep = np.isfinite(keep_of)
    if not keep.any():
        msg = f"{name}: channel {chosen} has no readings."
        raise NoReadingsError(msg)
    whole = bool(keep.all())
    t_s = time_s if whole else time_s[keep]

    p_amb_series: Floats | None = None
    p_amb = ATMOSPHERE_ABS_PA
    if barometer is not None:
        p_amb_series = _filled(time_s, columns[absolute[barometer]](), t_s)
        if p_amb_series is not None:
            p_amb = float(np.median(p_amb_series))
    if any(pressures[n] == absolute.get(n) for n in pressures) and p_amb_series is None:
        warnings.append("has absolute pressures and no barometer; gauge pressures are taken from a standard atmosphere, 101.3 kPa.")

    def read(column: str, values: Floats | None = None) -> Floats:
        p = columns[column]() if values is None else values
        known = np.isfinite(p)
        if values is None and not whole and (known & ~keep).sum() > OWN_TIMES * known.sum():
            p = _between(time_s[known], p[known], t_s)  # another device, which reads at other times (some may be the same by chance)
        else:
            p = p if whole else p[keep]
        if column.endswith("_abs_pa"):
            p = p - (p_amb if p_amb_series is None else p_amb_series)
        return p

    temperature = _likeliest(temperatures, _TEMPERATURE_WORDS) if temperatures else ""
    temp_k = believable(time_s, columns[temperatures[temperature]]())[keep] if temperature else None
    if temp_k is not None and not np.isfinite(temp_k).any():
        temp_k = None
    return Recording(
        name=name,
        t_s=t_s,
        p_pa=read(pressures[chosen], keep_of),
        channel=chosen,
        temp_k=temp_k,
        temperature=temperature if temp_k is not None else "",
        p_amb_pa=p_amb,
        p_amb_series_pa=p_amb_series,
        marks=tuple(marks),
        warnings=tuple(warnings),
        session=session,
        _others={n: partial(read, c) for n, c in pressures.items()},
    )


def tool_channel(channels: Sequence[Channel]) -> Channel | None:
    """The pressure that is meant where nobody chose one: the tool's, else the likeliest; None without a pressure."""
    pressures = {c.name: c for c in channels if c.is_pressure and not (c.absolute and _has(c.name, _BAROMETER_WORDS))}
    return pressures[_likeliest({n: n for n in pressures}, _PRESSURE_WORDS)] if pressures else None


def _pressures(columns: Iterable[str]) -> tuple[dict[str, str], str | None]:
    """Columns of the pressures by name, and the name of the barometer."""
    gauge = {c.removesuffix("_pa"): c for c in columns if c.endswith("_pa") and not c.endswith("_abs_pa")}
    absolute = {c.removesuffix("_abs_pa"): c for c in columns if c.endswith("_abs_pa")}
    # A pressure named like a barometer is one only if it is absolute; of two at the same place the gauge one is meant.
    barometer = next((n for n in absolute if _has(n, _BAROMETER_WORDS)), None)
    return {**{n: c for n, c in absolute.items() if n != barometer}, **gauge}, barometer


def pressure_choice(session: Session, channel: str | None) -> tuple[str, tuple[str, ...]]:
    """Name of the pressure that is meant, and of all there are.

    Raises
    ------
    ValueError
        If the session has none, or not this one.
    """
    columns = {c.column: c for c in session.channels}
    pressures, _ = _pressures(columns)
    return _choose(session.name, pressures, columns, channel), tuple(pressures)


def recording_of(session: Session, raw: Mapping[str, Floats], channel: str) -> Recording:
    """Take raw columns of a session, all of it or a stretch, as a recording of one pressure.

    Raises
    ------
    NoReadingsError
        If that pressure has no readings in them.
    """
    columns = {c.column: partial(c.si, raw[c.name]) for c in session.channels if c.name in raw}
    return _recording(session.name, raw["time_s"], columns, channel, [*session.marks], [], None, session)


def _choose(name: str, pressures: Mapping[str, str], columns: Mapping[str, object], channel: str | None) -> str:
    if not pressures:
        seen = f"It has {', '.join(columns)}." if columns else "It has no columns."
        msg = f"{name} has no channel that measures a pressure. {seen} Give its calibration, or say the unit with --unit."
        raise ValueError(msg)
    if channel is None:
        return _likeliest(pressures, _PRESSURE_WORDS)
    wanted = channel.strip().casefold()
    for known, column in pressures.items():
        if wanted in {known.casefold(), column.casefold()}:
            return known
    msg = f"{name} has no pressure channel {channel!r}; it has {', '.join(pressures)}."
    raise ValueError(msg)


def _likeliest(names: Mapping[str, str], words: tuple[str, ...]) -> str:
    """Name that is the earliest word, else that contains it, else the first."""
    for word in words:
        for name in names:
            if name.casefold() == word:
                return name
        for name in names:
            if word in name.casefold():
                return name
    return next(iter(names))


def _has(name: str, words: tuple[str, ...]) -> bool:
    return any(w in name.casefold() for w in words)


def _between(time_s: Floats, values: Floats, t_s: Floats) -> Floats:
    """Values at `t_s` by straight lines between readings; NaN outside them and in their gaps."""
    step_s = float(np.median(np.diff(time_s))) if time_s.size > 1 else 0.0
    after = np.clip(np.searchsorted(time_s, t_s), 1, max(time_s.size - 1, 1))
    covered = (t_s >= time_s[0]) & (t_s <= time_s[-1])
    if time_s.size > 1:
        covered &= time_s[after] - time_s[after - 1] <= 3.0 * step_s
    return np.where(covered, np.interp(t_s, time_s, values), np.nan)


def _filled(time_s: Floats, values: Floats, t_s: Floats) -> Floats | None:
    """Values at `t_s`, between readings by straight lines; None if there are no readings."""
    known = np.isfinite(values)
    if not known.any():
        return None
    if known.all() and t_s.size == time_s.size:
        return values
    return np.interp(t_s, time_s[known], values[known])
