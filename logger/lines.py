"""Device lines: text from a board or gauge becomes rows of numbers; what is not certainly a reading is counted, never guessed.

::

    #farend columns=t_us,a0,a1 rate=250 unit=counts
    1000,512,498*2F
    5000,511,498*22

A line that begins with ``#`` describes. Values are separated by comma, tab, semicolon or spaces; ``*HH`` is the XOR of the bytes
before ``*``, ``*HHHH`` their CRC-16. Once a device has sent checksums, or said ``checksum=``, a line without one is bad: it may be
torn. Gauges that say less (``P=93.2 psi``) are understood through columns given by hand. The ``#farend`` line may further say
``unit=`` per channel (``unit=psi,degC``), ``speed=`` (a played recording runs that much faster than life) and ``end`` (nothing more
will come).
"""

from __future__ import annotations

import binascii
import contextlib
import functools
import math
import operator
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis.units import UnitError
from analysis.units import unit as find_unit

HELLO: Final = b"#farend?\n"  # asks a device of ours to describe itself; others take it for a comment
LONGEST_LINE: Final = 1024
RETURNS: Final = 3  # so many carriage returns without a newline: the device ends its lines with them
DISTURBED_LINES: Final = 2000  # so long after a damaged line more are expected
TIME_COLUMNS: Final = {"t_us": 1e-6, "t_ms": 1e-3, "t_s": 1.0, "time_us": 1e-6, "time_ms": 1e-3, "time_s": 1.0}
MEASURED: Final = frozenset({"pressure", "temperature", "humidity", "voltage", "current", "counts"})
# Beyond these, in SI, no sensor on an air line reads: digits ran together. Counts are those of a 24-bit converter.
LARGEST_SI: Final = {"pressure": 1e8, "temperature": 2e3, "humidity": 2.0, "voltage": 1e3, "current": 1.0, "counts": 2.0**24}
PASSED_OVER: Final = frozenset({"-", "_"})  # whatever stands there
SKIPPED: Final = PASSED_OVER | {"seq"}
NO_CHANNEL: Final = SKIPPED | TIME_COLUMNS.keys()

_A_NUMBER: Final = rb"[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d{1,3})?"
_NUMBER: Final = re.compile(_A_NUMBER)
_NUMBERS: Final = re.compile(_A_NUMBER + rb"(?:," + _A_NUMBER + rb")*")
_TEXT: Final = bytes([*range(32, 127), 9, 10, 13])
_MISSING: Final = frozenset({b"", b"nan", b"NaN", b"NAN"})
_HEX: Final = re.compile(rb"[0-9A-Fa-f]{2}(?:[0-9A-Fa-f]{2})?")
CHECKSUMS: Final = {"xor": 2, "crc16": 4}  # digits of each
# One value as a gauge writes it: a label and = or : before, a unit behind, both optional.
_TALK: Final = re.compile(
    rb"[,;\s]*(?:(?P<label>[A-Za-z][A-Za-z0-9_ ]{0,30}?)\s*[=:]\s*)?(?P<number>"
    + _A_NUMBER
    + rb")(?:\s*(?P<unit>[A-Za-z%\xc2\xb0][A-Za-z0-9%/\xc2\xb0]{0,9}))?(?=[,;\s]|$)"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """What the values of a line are.

    Attributes
    ----------
    columns : tuple of str
        As listed: a time column (``t_us``, ``t_ms``, ``t_s``), channels, and ``_``, ``-`` or ``seq`` for what is passed over.
    channels : tuple of str
        Names of the channels, in order.
    units : tuple of str
        Unit of each channel, "" where nobody has said it.
    rate_hz : float or None
        Lines a second, if the device says so.
    speed : float
        How much faster than life a played recording comes; 1 for anything real.
    checksum : str
        Which one every line must carry, a key of `CHECKSUMS`; "" where nobody has said.
    """

    columns: tuple[str, ...]
    channels: tuple[str, ...]
    units: tuple[str, ...]
    rate_hz: float | None = None
    speed: float = 1.0
    checksum: str = ""

    @property
    def time_unit_s(self) -> float | None:
        """Unit of the device's time stamps [s]; None if it sends none."""
        return next((TIME_COLUMNS[c] for c in self.columns if c in TIME_COLUMNS), None)


def parse_columns(text: str, unit: str | None = None, **more: float | str | None) -> Layout:
    """Read a list of columns such as ``t_us,tool_psi,wall_degC``.

    Parameters
    ----------
    text : str
        Names, separated by commas. A unit may follow a name after ``_``.
    unit : str, optional
        Unit of the channels that name none: one for all, or a list, one per channel.
    **more
        Further attributes of the layout.

    Raises
    ------
    ValueError
        If a name is empty or twice there, there is no channel, or a unit is unknown.
    """
    columns = tuple(c.strip() for c in text.split(","))
    names = [c for c in columns if c not in SKIPPED]
    times = [c for c in names if c in TIME_COLUMNS]
    if "" in columns or len(set(names)) != len(names) or len(times) > 1 or len(times) == len(names):
        msg = f"columns={text} is no list of a line's values. Give a name for each, e.g. t_us,tool,supply; _ passes one over."
        raise ValueError(msg)
    given = [u.strip() for u in (unit or "").split(",")]
    channels: list[str] = []
    units: list[str] = []
    for name in names:
        if name in TIME_COLUMNS:
            continue
        stem, known = split_unit(name)
        fallback = given[0] if len(given) == 1 else given[len(channels)] if len(channels) < len(given) else ""
        channels.append(stem)
        units.append(known or (find_unit(fallback).name if fallback else ""))
    if len(given) not in {1, len(channels)}:
        msg = f"unit={unit} names {len(given)} units for {len(channels)} channels ({', '.join(channels)}). Give one, or one for each."
        raise ValueError(msg)
    if len(set(channels)) != len(channels):
        msg = f"columns={text}: two channels have the same name."
        raise ValueError(msg)
    return Layout(columns=columns, channels=tuple(channels), units=tuple(units), **more)  # type: ignore[arg-type]


def split_unit(name: str) -> tuple[str, str]:
    """Split ``tool_psi`` into its name and unit; ("a0", "") if no unit follows, or only a unit: ("pressure", "psi")."""
    stem, _, last = name.rpartition("_")
    try:
        u = find_unit(last)
    except UnitError:
        return name, ""
    if u.quantity not in MEASURED:
        return name, ""
    if not stem:
        return (u.quantity, u.name) if len(last) > 1 else (name, "")
    return stem, u.name


@dataclass(slots=True)
class Rows:
    """Readings of one block.

    Attributes
    ----------
    device : ndarray, shape (n,), or None
        Time stamps as the device counts them; None where it sends none.
    values : ndarray, shape (n, channels)
        Raw values; NaN where the device left one out.
    """

    device: NDArray[np.float64] | None
    values: NDArray[np.float64]


@dataclass(slots=True)
class LineParser:
    """Turn bytes, in blocks of any size, into rows of numbers.

    Attributes
    ----------
    layout : Layout or None
        What the values are: given by hand, else from the device's ``#farend`` line; None until one is known.
    bad : Counter
        Lines that were left out, by the reason.
    lines : int
        Data lines seen, good and bad.
    ended : bool
        The device said that nothing more will come.
    unit : str or None
        Unit for channels whose unit neither name nor device gives.
    """

    layout: Layout | None = None
    unit: str | None = None
    bad: Counter[str] = field(default_factory=Counter)
    lines: int = 0
    ended: bool = False
    _rest: bytes = b""
    _end: bytes = b"\n"
    _synced: bool = False
    _bytes: int = 0
    _odd_bytes: int = 0
    _bad_at: int = -(10**9)  # the last bad line, as counted by `lines`
    _digits: int = 0  # of the checksum that lines carry
    _foreign: bool = False
    _plan: _Plan | None = None
    _last_line: bytes = b""

    def reopened(self) -> None:
        """Forget what was left of a line: after opening a port, all up to the first line end is thrown away."""
        self._rest, self._synced = b"", False

    @property
    def disturbed(self) -> bool:
        """Whether damaged lines have come lately; then some that look whole may be damaged too."""
        return self.lines - self._bad_at < DISTURBED_LINES

    @property
    def sample(self) -> str:
        """The last data line seen, for messages."""
        return self._last_line[:80].decode("ascii", "replace")

    @property
    def garbled(self) -> bool:
        """Whether what came lately is no text: most likely another baud rate."""
        return self._bytes >= 32 and self._odd_bytes > 0.1 * self._bytes

    @property
    def bad_lines(self) -> int:
        """Number of lines that were left out."""
        return self.bad.total()

    def feed(self, data: bytes) -> Rows:
        """Take the next bytes and return the readings of the lines that they complete."""
        self._bytes, self._odd_bytes = self._bytes + len(data), self._odd_bytes + len(data.translate(None, _TEXT))
        if self._bytes > 4096:
            self._bytes, self._odd_bytes = self._bytes // 2, self._odd_bytes // 2
        if b"\n" in data:
            self._end = b"\n"
        if not self._synced:
            data = self._rest + data
            if b"\n" not in data and data.count(b"\r") >= RETURNS:
                self._end = b"\r"
            first, newline, data = data.partition(self._end)
            if not newline:
                self._rest = first[-LONGEST_LINE:]
                return self._rows([])
            if first.startswith(b"#farend"):  # an answer that came at once; any other first line may be torn
                self._describe(first)
            self._synced, self._rest = True, b""
        whole, newline, rest = (self._rest + data).rpartition(self._end)
        if len(rest) > LONGEST_LINE:
            self.bad["line too long"] += 1
            self._bad_at = self.lines
            self._synced, rest = False, b""
        self._rest = rest
        return self._rows(whole.split(self._end) if newline else [])

    def _rows(self, lines: Sequence[bytes]) -> Rows:
        rows = [row for line in lines if (row := self._line(line)) is not None]
        layout = self.layout
        if layout is None:
            return Rows(None, np.empty((0, 0)))
        timed = layout.time_unit_s is not None
        table = np.array(rows, dtype=np.float64).reshape(len(rows), len(layout.channels) + timed)
        return Rows(table[:, 0], table[:, 1:]) if timed else Rows(None, table)

    def _line(self, line: bytes) -> list[float] | None:
        line = line.rstrip(b"\r\0")
        if not line.strip():
            return None
        if line.lstrip().startswith(b"#"):
            self._describe(line)
            return None
        self.lines += 1
        self._last_line = line
        try:
            return self._values(self._checked(line))
        except _BadLineError as why:
            self.bad[str(why)] += 1
            self._bad_at = self.lines
            return None

    def _checked(self, line: bytes) -> bytes:
        """Return the line without its checksum, which is right."""
        body, star, digits = line.rpartition(b"*")
        digits = digits.strip()
        needed = CHECKSUMS.get(self.layout.checksum, self._digits) if self.layout is not None else self._digits
        if not star:
            if needed:
                reason = "no checksum"
                raise _BadLineError(reason)
            return line
        # Of a device that sends the long one the short one is no line of its own, but one that lost two digits.
        known = _HEX.fullmatch(digits) and needed in {0, len(digits)}
        if not known or int(digits, 16) != (xor(body) if len(digits) == CHECKSUMS["xor"] else crc16(body)):
            reason = "wrong checksum"
            raise _BadLineError(reason)
        self._digits = len(digits)
        return body

    def _values(self, line: bytes) -> list[float] | None:
        layout = self.layout
        if layout is None:
            return None  # nobody has said what the values are; the recorder asks for it
        if self._foreign:
            reason = "columns other than at the start"
            raise _BadLineError(reason)
        fields = line.split(b",")
        if len(fields) != len(layout.columns) or not _NUMBERS.fullmatch(line):  # not as most boards write
            fields = split_values(line)
            if len(fields) != len(layout.columns) or not all(
                _NUMBER.fullmatch(f) or f in _MISSING or c in PASSED_OVER for f, c in zip(fields, layout.columns, strict=True)
            ):
                fields = self._talk(line, layout)
            elif not PASSED_OVER.isdisjoint(layout.columns):
                self._hear_units(fields, layout)
        if self._plan is None or self._plan.layout is not self.layout:
            self._plan = _planned(self.layout or layout)
        plan = self._plan
        row: list[float] = []
        if plan.time is not None:
            if (text := fields[plan.time]) in _MISSING:
                reason = "no time stamp"
                raise _BadLineError(reason)
            row.append(float(text))
        there = False
        for at, largest in plan.channels:
            if (text := fields[at]) in _MISSING:
                row.append(math.nan)
                continue
            there = True
            value = float(text)
            if not -largest <= value <= largest:
                reason = "no value" if math.isinf(value) else "no sensor reads that"
                raise _BadLineError(reason)
            row.append(value)
        if not there or math.isinf(row[0]):
            reason = "no value"
            raise _BadLineError(reason)
        return row

    def _talk(self, line: bytes, layout: Layout) -> list[bytes]:
        """Values of a line with labels and units; every byte of it must be understood."""
        fields: list[bytes] = []
        position = 0
        units: list[str] = []
        line = line.strip()
        while position < len(line):
            match = _TALK.match(line, position)
            if match is None or match.end() == position:
                reason = "not numbers"
                raise _BadLineError(reason)
            fields.append(match["number"])
            position = match.end()
            column = layout.columns[len(fields) - 1] if len(fields) <= len(layout.columns) else "-"
            said = "" if match["unit"] is None else _unit_said(match["unit"])
            if column in SKIPPED:
                continue
            expected = column.rpartition("_")[2] if column in TIME_COLUMNS else layout.units[len(units)]
            if said and expected not in {"", said}:
                # A gauge that somebody switched from psi to bar must not be mixed in.
                reason = f"unit {said}, not {expected}"
                raise _BadLineError(reason)
            if said and column not in TIME_COLUMNS and find_unit(said).quantity not in MEASURED:
                reason = "not numbers"
                raise _BadLineError(reason)
            if column not in TIME_COLUMNS:
                units.append(said or expected)
        if len(fields) != len(layout.columns):
            reason = "wrong number of values"
            raise _BadLineError(reason)
        if tuple(units) != layout.units:
            self.layout = replace(layout, units=tuple(units))
        return fields

    def _hear_units(self, fields: Sequence[bytes], layout: Layout) -> None:
        """Heed a unit of pressure in a place passed over behind a value: ``93.2,psi``."""
        units = list(layout.units)
        channel = -1
        for i, (column, text) in enumerate(zip(layout.columns, fields, strict=True)):
            channel += column not in NO_CHANNEL
            if column not in PASSED_OVER or i == 0 or layout.columns[i - 1] in NO_CHANNEL:
                continue
            with contextlib.suppress(UnitError, UnicodeDecodeError):
                said = find_unit(text.decode("utf-8"))
                if said.quantity == "pressure":  # V, A and C may be words of another kind
                    if units[channel] not in {"", said.name}:
                        reason = f"unit {said.name}, not {units[channel]}"
                        raise _BadLineError(reason)
                    units[channel] = said.name
        if tuple(units) != layout.units:
            self.layout = replace(layout, units=tuple(units))

    def _describe(self, line: bytes) -> None:
        """Take in a ``#farend`` line; other comments are passed over."""
        words = line.decode("ascii", "replace").split()
        if not words or words[0] != "#farend":
            return
        if words[1:] == ["end"]:
            self.ended = True
            return
        said = dict(w.split("=", 1) for w in words[1:] if "=" in w)
        if "columns" not in said:
            return
        try:
            rate = float(said["rate"]) if "rate" in said else None
            speed = float(said.get("speed", "1"))
            if (rate is not None and not 0 < rate < 1e6) or not speed > 0:
                raise ValueError
            checksum = said.get("checksum", "")
            if checksum not in {"", *CHECKSUMS}:
                raise ValueError
            layout = parse_columns(said["columns"], said.get("unit") or self.unit, rate_hz=rate, speed=speed, checksum=checksum)
        except ValueError:
            self.bad["description not understood"] += 1
            return
        if self.layout is None:
            self.layout = layout
        else:
            # After a restart the board may have been set up otherwise; its values are then other things.
            self._foreign = len(layout.columns) != len(self.layout.columns) or (
                layout.channels != self.layout.channels and layout.units != self.layout.units
            )


@dataclass(frozen=True, slots=True)
class _Plan:
    """Where in a line the time is, and each channel with its largest believable value in its unit."""

    layout: Layout
    time: int | None
    channels: tuple[tuple[int, float], ...]


def _planned(layout: Layout) -> _Plan:
    units = [find_unit(u) if u else None for u in layout.units]
    largest = [1e12 if u is None else LARGEST_SI.get(u.quantity, 1e12) / u.factor for u in units]
    places = [i for i, c in enumerate(layout.columns) if c not in NO_CHANNEL]
    time = next((i for i, c in enumerate(layout.columns) if c in TIME_COLUMNS), None)
    return _Plan(layout, time, tuple(zip(places, largest, strict=True)))


def _unit_said(seen: bytes) -> str:
    try:
        return find_unit(seen.decode("utf-8")).name
    except (UnitError, UnicodeDecodeError):
        reason = "not numbers"
        raise _BadLineError(reason) from None  # "5l2" is a damaged 512, not five of something


class _BadLineError(ValueError):
    """A line that is no reading; the text is the reason under which it is counted."""


def xor(data: bytes) -> int:
    """XOR of all bytes, the checksum of device lines."""
    return functools.reduce(operator.xor, data, 0)


def crc16(data: bytes) -> int:
    """CRC-16 with polynomial 0x1021 from 0xFFFF, the longer checksum of device lines: it knows any two bits that were flipped."""
    return binascii.crc_hqx(data, 0xFFFF)


def with_checksum(line: str, kind: str = "xor") -> str:
    """Append a checksum to a line."""
    data = line.encode("ascii")
    return f"{line}*{xor(data):02X}" if kind == "xor" else f"{line}*{crc16(data):04X}"


def split_values(line: bytes) -> list[bytes]:
    """Split a line at its commas, else semicolons, else tabs, else spaces."""
    for separator in (b",", b";", b"\t"):
        if separator in line:
            return [f.strip() for f in line.split(separator)]
    return line.split()


def is_value(field: bytes) -> bool:
    """Whether this is one value as a gauge writes it: a number, with a label and a unit if it likes."""
    return _TALK.fullmatch(field) is not None
