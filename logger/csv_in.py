"""CSV files of any logger: what they hold, worked out, or a clear refusal.

`read_csv` is the door. The work is done by `csv_text` (encoding), `csv_layout` (delimiter, header), `csv_columns` (names and
units), `csv_body` (lines to numbers), `csv_time` (which seconds) and `csv_order` (in which order).
"""

from __future__ import annotations

import itertools
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from typing import Final

import numpy as np
import pandas as pd

from analysis.constants import ATMOSPHERE_ABS_PA
from logger.channel import Channel
from logger.csv_body import BadLines, Body, read_body, readings_of
from logger.csv_cells import split
from logger.csv_columns import KNOWN_UNITS, QUANTITIES, SI_SUFFIX, Column, describe, unit_of
from logger.csv_layout import DELIMITERS, Layout, find_layout, head_lines, sample_lines
from logger.csv_order import put_in_order
from logger.csv_rewrite import (
    cell_units,
    clock_commas,
    leading_zeros,
    with_clock_points,
    with_whole_quotes,
    without_cell_units,
    without_checksums,
)
from logger.csv_text import CsvRefused, clean_text
from logger.csv_time import Stamps, TimeSource, choose_time, number_stamps, started_at, text_stamps

__all__ = ["CsvReading", "CsvRefused", "read_csv"]

_TOO_BAD: Final = 0.1  # share of bad lines above which nothing is believed
_LEAST: Final = 2  # readings
_NO_PRESSURE_PA: Final = 1e8  # a kilobar: no air line, but a number that lost its decimal sign
_SLACK_PA: Final = 1e4  # a sensor's zero may be off by as much
_OTHER_THINGS: Final = re.compile(
    r"temp(eratur(e)?)?|hum(idity)?|rh|feuchte|batt(ery)?|volt(age)?|index|sample|count|flag|status|state|shots?|trigger|event|flow|durchfluss"
    r"|speed|rpm|depth"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class CsvReading:
    """What a file holds.

    Attributes
    ----------
    name : str
        Of the file, as given.
    readings : DataFrame
        Index `time_s` (seconds from the first reading, rising), one SI column per channel: ``tool_pa`` (gauge), ``baro_abs_pa``,
        ``wall_k``, ``shed_rh`` (0..1), ``a0_v``, ``a0_a``, ``a0_counts``. NaN where the file says that there is no reading.
    raw : DataFrame
        The same rows in the file's own units; columns are the channels' names.
    channels : tuple of Channel
        Name, unit as in the file, gauge or absolute.
    sources : dict
        Name of the channel to the header it stood under.
    started : datetime or None
        Time of the first reading, aware; None if the file does not say the day.
    columns, time, unit : str
        What was understood, in words.
    rows : int
        Good readings.
    duration_s, rate_hz : float
        From first to last reading [s]; inverse of the median step [Hz].
    bad_lines : tuple of (int, str)
        The first thousand lines left out, with number and reason; `bad_count` is how many there were.
    repaired : dict
        "out_of_order", "duplicates", "wraps", and where they occurred "clock_changes", "restarts", "spread".
    warnings : tuple of str
        What the reader should know.
    """

    name: str
    readings: pd.DataFrame
    raw: pd.DataFrame
    channels: tuple[Channel, ...]
    sources: Mapping[str, str]
    started: datetime | None
    columns: str
    time: str
    unit: str
    rows: int
    duration_s: float
    rate_hz: float
    bad_lines: tuple[tuple[int, str], ...] = ()
    bad_count: int = 0
    repaired: Mapping[str, int] = field(default_factory=dict)
    warnings: tuple[str, ...] = ()


def read_csv(source: Path | str | bytes, *, name: str = "", unit: str | None = None, pressure_needed: bool = True) -> CsvReading:
    """Read a CSV file of readings.

    Parameters
    ----------
    source : path or bytes
        The file, or its content.
    name : str
        What to call it in messages; the file's name if empty.
    unit : str, optional
        Unit of the pressures where the file names none, e.g. "psi", "bar abs", "counts".
    pressure_needed : bool
        Whether a file in which no column can be a pressure is refused; where only the weather is wanted it is not.

    Returns
    -------
    CsvReading
        Readings, channels and what was understood.

    Raises
    ------
    CsvRefused
        If the file is not readings, or not enough of it is, or it does not say what its numbers are. The message says
        what was seen, what is needed and what to do.
    """
    path = None if isinstance(source, bytes) else Path(source)
    called = name or (path.name if path else "the file")
    try:
        data = source if isinstance(source, bytes) else Path(source).read_bytes()
    except OSError as error:
        msg = f"{called}: cannot be read ({error.strerror}). Check the path."
        raise CsvRefused(msg) from error
    try:
        with np.errstate(over="ignore", invalid="ignore"):  # absurd numbers are sorted out by comparison
            return _read(data, called, unit, pressure_needed=pressure_needed)
    except CsvRefused as refusal:
        msg = f"{called}: {refusal}"
        raise CsvRefused(msg) from None


def _read(data: bytes, called: str, unit: str | None, *, pressure_needed: bool) -> CsvReading:
    given = _given_unit(unit)
    text, encoding, warnings = clean_text(data)
    del data
    bad = BadLines()
    text = with_whole_quotes(text)
    text, failed = without_checksums(text, sample_lines(text))
    bad.extend(np.array(failed, dtype=np.int64), "its checksum is wrong or missing")
    _refuse_if_bad(bad, text.count(b"\n") + 1 if failed else 0)
    text, shows_units = without_cell_units(text, sample_lines(text))
    text, layout = _layout(text)
    warnings += layout.warnings
    units = layout.units_row or (cell_units(split(shows_units, layout.delimiter)) if shows_units else ())
    columns = describe(layout.header or [""] * layout.width, units)
    source = choose_time(columns, layout)
    used, spare = _value_columns(columns, layout, source, given, warnings, pressure_needed=pressure_needed)
    texts = () if source.form == "number" else source.columns
    places = [c.index for c in used]
    text = readings_of(text, layout)  # of a large file, two copies at a time are enough
    body = read_body(text, layout, [*source.columns, *places] if not texts else places, texts, bad)
    del text
    lines = int(body.line.size) + bad.count
    stamps = _stamps(body, source, layout, bad)
    _drop_impossible(body, stamps, used, bad)
    warnings += _without_vacuum(body, used)
    silent = np.ones(body.line.size, dtype=np.bool_)
    for i in places:
        silent &= np.isnan(body.numbers[i])
    if silent.any():
        warnings.append(f"{int(silent.sum())} lines hold a time but no reading; left out.")
        stamps.seconds = stamps.seconds[~silent]
        body.keep(~silent)
    if body.infinite:
        warnings.append(f"{body.infinite} readings say infinite (sensor out of range?); taken as missing.")
    _refuse_if_bad(bad, lines)
    ordered = put_in_order(
        stamps.seconds, [body.numbers[i] for i in places], body.line, periods=stamps.periods, local=stamps.local, dated=stamps.dated
    )
    for row, why in sorted(ordered.bad):
        bad.add(int(body.line[row]), why)
    _refuse_if_bad(bad, lines)
    if ordered.seconds.size < _LEAST:
        msg = f"only {ordered.seconds.size} reading(s) with a time. Needed are at least {_LEAST}: check that this is the whole recording."
        raise CsvRefused(msg)
    warnings += stamps.warnings + ordered.warnings
    channels, sources = _channels(used, columns)
    t_s = ordered.seconds - ordered.seconds[0]
    index = pd.Index(t_s, name="time_s")
    moved = ordered.rows.size < body.line.size or bool(np.any(ordered.rows[1:] < ordered.rows[:-1]))
    values = [body.numbers[i][ordered.rows] if moved else body.numbers[i] for i in places]
    raw = pd.DataFrame({c.name: v for c, v in zip(channels, values, strict=True)}, index=index, copy=False)
    readings = pd.DataFrame({c.column: c.si(v) for c, v in zip(channels, values, strict=True)}, index=index, copy=False)
    if not any(c.is_pressure for c in channels):
        warnings.append("no column is a pressure yet: calibrate the sensor's channel after import (`farend calibrate`).")
    return CsvReading(
        name=called,
        readings=readings,
        raw=raw,
        channels=channels,
        sources=sources,
        started=started_at(stamps, float(ordered.seconds[0])),
        columns=_columns_text(used, spare, channels, layout, encoding),
        time=_time_text(source, columns, stamps, ordered.repaired),
        unit=_unit_text(used, columns),
        rows=int(t_s.size),
        duration_s=float(t_s[-1]),
        rate_hz=1.0 / float(np.median(np.diff(t_s))),
        bad_lines=tuple(sorted(bad.kept)),
        bad_count=bad.count,
        repaired=ordered.repaired,
        warnings=tuple(dict.fromkeys(warnings)),
    )


def _layout(text: bytes) -> tuple[bytes, Layout]:
    """Find the layout; where commas within clock times stand in its way, with points instead."""
    samples = sample_lines(text)
    try:
        layout = find_layout(head_lines(text), samples)
    except CsvRefused:
        if not clock_commas(samples):
            raise
    else:
        if layout.header or layout.delimiter != "," or not (clock_commas(samples) and leading_zeros(samples)):
            return text, layout
    text = with_clock_points(text)
    return text, find_layout(head_lines(text), sample_lines(text))


def _given_unit(unit: str | None) -> tuple[str, bool] | None:
    if unit is None or not unit.strip():
        return None
    found, absolute = unit_of(unit)
    if not found or QUANTITIES[found] not in {"pressure", "voltage", "current", "counts"}:
        msg = (
            f"{unit!r} is no unit of a pressure reading. Give one of Pa, kPa, MPa, bar, mbar, psi, kgf/cm2, inHg, mmHg (with 'abs' where "
            "absolute), V, mV, mA or counts."
        )
        raise CsvRefused(msg)
    return found, bool(absolute)


def _value_columns(
    columns: Sequence[Column],
    layout: Layout,
    source: TimeSource,
    given: tuple[str, bool] | None,
    warnings: list[str],
    *,
    pressure_needed: bool,
) -> tuple[list[Column], list[Column]]:
    """Pick the columns that are readings, give the given unit to those without one, and return the rest apart."""
    numeric = [
        c
        for c in columns
        if c.index not in source.columns and (layout.kinds[c.index] == "number" or (layout.kinds[c.index] == "empty" and c.unit))
    ]
    known = [c for c in numeric if c.quantity in SI_SUFFIX]
    open_ones = [c for c in numeric if not (c.unit or c.names_foreign_unit or c.is_time_named or c.is_counter_named)]
    open_ones = [c for c in open_ones if not any(_OTHER_THINGS.fullmatch(word) for word in c.name.split("_"))]
    if not layout.header:
        open_ones = [c for c in open_ones if not _counts_lines(c, layout)]
    sensors = [c for c in known if c.quantity in {"pressure", "voltage", "current", "counts"}]
    if given and not any(c.quantity == "pressure" for c in known):
        if not open_ones and not sensors:
            msg = (
                f"no column could be a pressure; seen were {_listed(columns)}. Needed is a column of numbers for the pressure: name it in "
                "the header."
            )
            raise CsvRefused(msg)
        known += [replace(c, unit=given[0], absolute=given[1]) for c in open_ones]
        if len(open_ones) > 1 and not layout.header:
            warnings.append(
                f"without a header, {' and '.join(c.shown for c in open_ones)} are all taken as pressures in {given[0]}. If one is "
                "something else, write a header over the columns."
            )
    elif given and any(c.quantity == "pressure" and (c.unit, c.absolute) != given for c in known):
        warnings.append("the file names its units itself; the unit given beside was not used.")
    if not known or (pressure_needed and not any(c.quantity in {"pressure", "voltage", "current", "counts"} for c in known)):
        example = "psi" if not open_ones else f"psi (for {', '.join(c.shown for c in open_ones[:3])})"
        msg = (
            f"nothing says which column is a pressure and in which unit; seen were {_listed(columns)}. Needed is a unit: give it with "
            f"--unit, e.g. --unit {example}, or write it into the header, e.g. tool_psi or tool (bar). Known: {KNOWN_UNITS}."
        )
        raise CsvRefused(msg)
    used = sorted(known, key=lambda c: c.index)
    places = {c.index for c in used} | set(source.columns)
    return used, [c for c in columns if c.index not in places]


def _counts_lines(column: Column, layout: Layout) -> bool:
    cells = [row[column.index].strip() for row in layout.sample]
    return len(cells) > 2 and all(c.isdigit() for c in cells) and all(int(b) - int(a) == 1 for a, b in itertools.pairwise(cells))


def _stamps(body: Body, source: TimeSource, layout: Layout, bad: BadLines) -> Stamps:
    """Read the times; lines without one are bad."""
    if source.form == "number":
        stamps = number_stamps(body.numbers[source.columns[0]], source)
    else:
        stamps = text_stamps([body.texts[i] for i in source.columns], source, layout)
    there = np.isfinite(stamps.seconds)
    if not there.all():
        bad.extend(body.line[~there], "no time that can be read")
        stamps.seconds = stamps.seconds[there]
        body.keep(there)
    return stamps


def _drop_impossible(body: Body, stamps: Stamps, used: Sequence[Column], bad: BadLines) -> None:
    possible = np.ones(body.line.size, dtype=np.bool_)
    for column in used:
        if column.quantity == "pressure":
            factor = Channel(name="x", unit=column.unit).si(1.0)
            possible &= ~(np.abs(body.numbers[column.index]) > _NO_PRESSURE_PA / factor)
    if not possible.all():
        bad.extend(body.line[~possible], "no pressure of air is that high")
        stamps.seconds = stamps.seconds[possible]
        body.keep(possible)


def _without_vacuum(body: Body, used: Sequence[Column]) -> list[str]:
    """Take pressures below a vacuum for what they are, a logger's word for no reading such as -999; says how many."""
    said = []
    for column in used:
        if column.quantity == "pressure":
            lowest = (0.0 if column.absolute else -ATMOSPHERE_ABS_PA) - _SLACK_PA
            read = body.numbers[column.index]
            none = read < lowest / Channel(name="x", unit=column.unit).si(1.0)
            if none.any() and (none | np.isnan(read)).all():
                msg = (
                    f"every reading of {column.shown} is below a vacuum (the highest is {np.nanmax(read):g} {column.unit}). Needed is a "
                    "pressure of air: say another unit with --unit, or log it again once the sensor's zero is right."
                )
                raise CsvRefused(msg)
            if none.any():
                body.numbers[column.index][none] = np.nan
                said.append(f"{int(none.sum())} readings of {column.shown} are below a vacuum (a word for no reading?); taken as missing.")
    return said


def _refuse_if_bad(bad: BadLines, lines: int) -> None:
    if bad.count <= _TOO_BAD * lines:
        return
    named = sorted(bad.kept)[:3]
    examples = "; ".join(f"line {line}: {why}" for line, why in named)
    msg = (
        f"{bad.count} of {lines} lines cannot be read ({examples}). More than a tenth is too much to trust the rest. Export the "
        "recording again, or cut the file down to the part that is whole."
    )
    raise CsvRefused(msg)


def _channels(used: Sequence[Column], columns: Sequence[Column]) -> tuple[tuple[Channel, ...], dict[str, str]]:
    """Name the channels: by header, else `line` for a pressure, else by what they measure; no name twice."""
    taken: set[str] = {"time_s", "device_s", "host_s"}
    made: list[Channel] = []
    sources: dict[str, str] = {}
    for column in used:
        plain = column.name or ("line" if column.quantity in {"pressure", "voltage", "current", "counts"} else column.quantity)
        name = plain if plain not in taken else f"{plain}_{column.quantity}"
        if name in taken or (plain in taken and any(c.name == plain and c.quantity == column.quantity for c in made)):
            name = next(f"{plain}_{k}" for k in range(2, len(columns) + 3) if f"{plain}_{k}" not in taken)
        taken.add(name)
        made.append(Channel(name=name, unit=column.unit, absolute=column.absolute))
        sources[name] = column.shown
    return tuple(made), sources


def _listed(columns: Sequence[Column]) -> str:
    return ", ".join(repr(c.shown) for c in columns[:8]) + (", ..." if len(columns) > 8 else "")


def _columns_text(used: Sequence[Column], spare: Sequence[Column], channels: Sequence[Channel], layout: Layout, encoding: str) -> str:
    read = ", ".join(f"{c.shown} as {channel.name}" for c, channel in zip(used, channels, strict=True))
    left = f"; left out: {', '.join(c.shown for c in spare)}" if spare else ""
    return f"{read}{left} ({DELIMITERS[layout.delimiter]} between, decimal {'comma' if layout.decimal == ',' else 'point'}, {encoding})"


def _time_text(source: TimeSource, columns: Sequence[Column], stamps: Stamps, repaired: Mapping[str, int]) -> str:
    where = " and ".join(columns[i].shown for i in source.columns)
    wraps = repaired["wraps"]
    what = "past midnight" if stamps.periods == (86400.0,) else "begun again"
    again = f", {what} {wraps} time{'s' * (wraps > 1)}, undone" if wraps else ""
    return f"{where}: {stamps.text}{again}"


def _unit_text(used: Sequence[Column], columns: Sequence[Column]) -> str:
    texts = []
    for column in used:
        if column.quantity in {"pressure", "voltage", "current", "counts"}:
            stated = bool(columns[column.index].unit)
            kind = "" if column.quantity != "pressure" else " absolute" if column.absolute else " gauge"
            texts.append(f"{column.unit}{kind}, {'from the file' if stated else 'as given'}")
    return "; ".join(dict.fromkeys(texts))
