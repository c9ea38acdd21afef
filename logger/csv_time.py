"""Which column is the time, and how what it says becomes seconds.

Counters, epochs, ISO 8601, dates in several orders, clock times. Putting the seconds in order is the task of
`logger.csv_order`.
"""

from __future__ import annotations

import itertools
import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, timezone, tzinfo
from typing import Any, Final

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from logger.csv_cells import COMMA_NUMBER, POINT_NUMBER, TIME_FORMS, ZONE_HOURS, is_number
from logger.csv_columns import Column
from logger.csv_layout import Layout
from logger.csv_text import CsvRefused

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

FACTORS: Final = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9, "min": 60.0, "h": 3600.0, "d": 86400.0}
_NAMES: Final = {
    "s": "seconds",
    "ms": "milliseconds",
    "us": "microseconds",
    "ns": "nanoseconds",
    "min": "minutes",
    "h": "hours",
    "d": "days",
}
_EPOCH_FROM, _EPOCH_TO = 9.4e8, 4.2e9  # seconds since 1970 of the years 2000 to 2103: no counter has run that long
_DAY_S: Final = 86400.0
_SHEET_1970: Final = 25569.0  # 1970-01-01 in a spreadsheet's days since 1899-12-30
_SHEET_FROM, _SHEET_TO = 36526.0, 73051.0  # its days of the years 2000 to 2099
_SHEET_STEP: Final = 9e-4  # steps above 78 s are no longer told from a thousand readings a second
_COUNTER_32: Final = 2.0**32
_MONTHS: Final = {
    name: number
    for number, names in enumerate(
        ("jan", "feb", "mar mrz mae", "apr", "may mai", "jun", "jul", "aug", "sep", "oct okt", "nov", "dec dez"), start=1
    )
    for name in names.split()
}


@dataclass(frozen=True, slots=True, kw_only=True)
class TimeSource:
    """Where the time stands in a line.

    Attributes
    ----------
    form : str
        "number", or one of `TIME_FORMS`, or "date and clock".
    columns : tuple of int
        The column, or those of date and clock.
    unit : str
        Of a number; empty if the file does not say.
    doubt : str
        What was assumed, for the summary; empty if the file says it.
    """

    form: str
    columns: tuple[int, ...]
    unit: str = ""
    doubt: str = ""


@dataclass(slots=True, kw_only=True)
class Stamps:
    """Times as the file states them, in seconds, not yet in order.

    Attributes
    ----------
    seconds : ndarray, shape (n,)
        Since `base_s` where `dated`; else since midnight or the counter's zero. NaN: no time.
    base_s : float
        Start of a week shortly before, in seconds since 1970 (UTC, or local if `zone` is None): counted from 1970 itself, a
        float64 rounds to a quarter of a microsecond.
    dated : bool
        Whether the day is known.
    zone : tzinfo or None
        Zone of the first time where the file states one.
    periods : tuple of float
        After how many seconds the count may begin again: a clock's day, a counter's 32 bits. Empty: never.
    text : str
        How it was read, in words.
    warnings : list of str
        Decisions that the file leaves open.
    """

    seconds: Floats
    base_s: float = 0.0
    dated: bool = False
    zone: tzinfo | None = None
    periods: tuple[float, ...] = ()
    text: str = ""
    warnings: list[str]

    @property
    def local(self) -> bool:
        """Whether the times follow a wall clock, which summer time sets forward and back."""
        return self.zone is None and (self.dated or self.periods == (_DAY_S,))


def choose_time(columns: Sequence[Column], layout: Layout) -> TimeSource:
    """Pick the time among the columns.

    Raises
    ------
    CsvRefused
        If no column can be identified as time.
    """
    found: list[tuple[float, TimeSource]] = []
    date = next((c.index for c in columns if layout.kinds[c.index] == "date"), None)
    for column in columns:
        kind = layout.kinds[column.index]
        cells = [row[column.index].strip() for row in layout.sample]
        if kind in {"datetime", "dashed", "year last", "packed"}:
            found.append((5.0 - 2.0 * _repeats(cells), TimeSource(form=kind, columns=(column.index,))))
        elif kind in {"clock", "short clock"}:
            if date is not None and kind == "clock":
                found.append((5.0 - 2.0 * _repeats(cells), TimeSource(form="date and clock", columns=(date, column.index))))
            else:
                found.append((4.0 - 2.0 * _repeats(cells), TimeSource(form=kind, columns=(column.index,))))
        elif kind == "number" and (score := _number_score(column, cells, layout)) > 0.0:
            doubt = "" if column.is_time_named else f"{column.shown} taken as time, because it rises steadily"
            unit = column.unit if column.quantity == "time" else ""
            found.append((score, TimeSource(form="number", columns=(column.index,), unit=unit, doubt=doubt)))
    if not found:
        named = next((c.shown for c in columns if c.is_time_named and not c.is_counter_named and layout.kinds[c.index] == "number"), "")
        if named:
            msg = f"the times in {named!r} rise too seldom from line to line to be times. Sort the lines by time, or export them again."
            raise CsvRefused(msg)
        seen = ", ".join(f"{c.shown!r}" for c in columns)
        msg = (
            f"no column could be identified as time; seen were {seen}. Needed is one such as time_s, t_ms, t_us, a date and time or a "
            "clock time: name it so in the header."
        )
        raise CsvRefused(msg)
    return max(found, key=lambda pair: (pair[0], -pair[1].columns[0]))[1]


def _number_score(column: Column, cells: Sequence[str], layout: Layout) -> float:
    pattern = COMMA_NUMBER if layout.decimal == "," else POINT_NUMBER
    other = "." if layout.decimal == "," else ","
    plain = [c.replace(other, "") for c in cells if is_number(c)]
    values = np.array([float(c.replace(",", ".")) for c in plain if pattern.fullmatch(c)])
    steps = np.diff(values)
    if values.size == 1 and column.quantity == "time":
        return 4.5  # a single reading: refused later, for what it is
    if steps.size and (steps < 0.0).mean() > 0.9:
        steps = -steps  # newest first
    if steps.size < 1 or (steps >= 0.0).mean() < 0.6 or not (steps > 0.0).any() or (column.unit and column.quantity != "time"):
        return 0.0
    repeated = 2.0 * float((steps == 0.0).mean() > 0.5)
    if column.quantity == "time" and not column.is_counter_named:
        return 4.5 - repeated
    if column.is_time_named:
        return 3.5 - repeated
    steadily = float((steps > 0.0).mean()) > 0.9
    if not layout.header:
        # Of two columns that rise, the one that does not just number the lines is the time.
        return (1.5 if bool(np.all(steps == 1.0)) else 2.0) if steadily and not repeated else 0.0
    counts = bool(np.all(steps == 1.0))
    return 1.0 if column.index == 0 and steadily and not counts and not column.is_counter_named else 0.0


def _repeats(cells: Sequence[str]) -> float:
    same = [a == b for a, b in itertools.pairwise(cells)]
    return float(bool(same) and sum(same) > 0.5 * len(same))


def number_stamps(values: Floats, source: TimeSource) -> Stamps:
    """Read times that are numbers.

    Raises
    ------
    CsvRefused
        If the file names no unit and the numbers do not tell it.
    """
    finite = values[np.isfinite(values)]
    warnings: list[str] = [f"{source.doubt}."] if source.doubt else []
    if not finite.size:
        return Stamps(seconds=values, text="no times", warnings=warnings)
    middle = float(np.median(finite[:: max(1, finite.size // 100_000)]))
    unit, assumed = source.unit, False
    steps = np.diff(finite[:100_000])
    steps = steps[steps > 0.0]
    step = float(np.median(steps)) if steps.size else 0.0
    if not unit and (written := _written_dates(values, finite, step, warnings)) is not None:
        return written
    if not unit:
        unit = next((u for u in ("s", "ms", "us", "ns") if _EPOCH_FROM <= middle * FACTORS[u] <= _EPOCH_TO), "")
        if unit == "s" and step > 100.0 and bool(np.all(finite == np.round(finite))):
            unit = ""  # a counter of microseconds looks like that too
        if not unit:
            whole = bool(np.all(finite[:1000] == np.round(finite[:1000])))
            uneven = steps.size > 2 and float(np.ptp(steps[:1000])) > 0.0
            if (whole and step >= 50.0 and uneven) or step >= 3600.0 or 0.0 < step < 2e-5:
                msg = (
                    f"the time column names no unit, and steps of {step:.3g} are unlikely to be seconds. Needed is the unit: name the "
                    "column time_s, t_ms or t_us in the header."
                )
                raise CsvRefused(msg)
            unit, assumed = "s", True
    seconds = values * FACTORS[unit]
    if _EPOCH_FROM <= middle * FACTORS[unit] <= _EPOCH_TO and unit in {"s", "ms", "us", "ns"}:
        base = _week_before(middle * FACTORS[unit])
        seconds = (values - base / FACTORS[unit]) * FACTORS[unit]
        return Stamps(seconds=seconds, base_s=base, dated=True, zone=UTC, text=f"{_NAMES[unit]} since 1970 (UTC)", warnings=warnings)
    periods: tuple[float, ...] = ()
    if unit in {"ms", "us"} and (finite < _COUNTER_32).mean() > 0.99:
        seconds = np.where(values >= _COUNTER_32, np.nan, seconds)
        periods = (_COUNTER_32 * FACTORS[unit],)
    if unit in {"ms", "s"}:
        periods = (*periods, _COUNTER_32 * 1e-6)  # micros() divided by a thousand or a million
    if assumed and step >= 10.0:
        warnings.append(f"the time column names no unit; it was read as seconds, which makes a reading each {step:g} s.")
    return Stamps(seconds=seconds, periods=periods, text=_NAMES[unit] + (" (assumed: no unit named)" if assumed else ""), warnings=warnings)


def _written_dates(values: Floats, finite: Floats, step: float, doubts: list[str]) -> Stamps | None:
    """Read numbers that are dates: 20260314225000, or a spreadsheet's days since 1899-12-30; None if they are something else."""
    low, high = float(finite.min()), float(finite.max())
    if low > 1.97e13 and high < 2.2e13:
        day, clock = np.divmod(values, 1e6)
        days = _day_number(day // 1e4, day // 100.0 % 100.0, day % 100.0)
        hours, minutes, seconds = clock // 1e4, clock // 100.0 % 100.0, clock % 100.0
        written = np.isfinite(days) & (hours < 25.0) & (minutes < 60.0) & (seconds < 61.0)
        if written.sum() == finite.size:
            base = _first_week(days)
            since = days * _DAY_S - base + hours * 3600.0 + minutes * 60.0 + seconds
            return Stamps(seconds=since, base_s=base, dated=True, text="yyyymmddhhmmss", warnings=doubts)
    if low >= _SHEET_FROM and high <= _SHEET_TO and 0.0 < step < _SHEET_STEP:
        base = _week_before((low - _SHEET_1970) * _DAY_S)
        since = np.round(((values - _SHEET_1970) * _DAY_S - base) * 1e3) / 1e3
        said = f"the time column names no unit; {low:.5f} was read as a date, as spreadsheets count days since 1899-12-30."
        return Stamps(seconds=since, base_s=base, dated=True, text="a spreadsheet's days", warnings=[*doubts, said])
    return None


def text_stamps(cells: Sequence[Any], source: TimeSource, layout: Layout) -> Stamps:
    """Read times that are text; `cells` holds one Arrow string array, or those of date and clock."""
    if source.form == "datetime" and (quick := _iso_stamps(cells[0], layout, source)) is not None:
        return quick
    warnings: list[str] = []
    if source.form == "date and clock":
        day, day_text = _days(_parts(cells[0], "date"), layout, warnings)
        clock = _parts(cells[1], "clock")
        base = _first_week(day)
        seconds = day * _DAY_S - base + _clock_s(clock)
        return Stamps(seconds=seconds, base_s=base, dated=True, text=f"date ({day_text}) and clock time", warnings=warnings)
    parts = _parts(cells[0], source.form)
    if source.form == "clock" and not bool(pc.any(pc.not_equal(parts["s"], "")).as_py()):
        parts, said = _two_parts(parts, layout.header[source.columns[0]] if layout.header else "")
        warnings += said
    if source.form in {"clock", "short clock"}:
        seconds = _clock_s(parts)
        hours = _integers(parts["h"]) if "h" in parts else np.zeros(seconds.size)
        if "h" not in parts:
            long = bool(np.nanmax(seconds, initial=0.0) >= 3600.0)
            return Stamps(seconds=seconds, periods=() if long else (3600.0,), text="minutes and seconds", warnings=warnings)
        if bool(np.nanmax(hours, initial=0.0) > 24.0):
            return Stamps(seconds=seconds, text="hours, minutes and seconds since the start", warnings=warnings)
        return Stamps(seconds=seconds, periods=(_DAY_S,), text="clock time without a date", warnings=warnings)
    day, day_text = _days(parts, layout, warnings)
    base = _first_week(day)
    seconds = day * _DAY_S - base + _clock_s(parts)
    zones, which = _distinct(parts["zone"])
    with_zone = np.array([z != "" for z in zones])[which]
    if with_zone.mean() < 0.5:
        return Stamps(seconds=seconds, base_s=base, dated=True, text=f"date ({day_text}) and time without a zone", warnings=warnings)
    offsets = [_offset_s(z) for z in zones]
    seconds = np.where(with_zone, seconds - np.array(offsets)[which], np.nan)
    stated = [offset for z, offset in zip(zones, offsets, strict=True) if z]  # in the order in which they appear
    text = f"date ({day_text}) and time with zone{', whose offset changes' if len(stated) > 1 else ''}"
    zone = timezone(timedelta(seconds=stated[0]))
    return Stamps(seconds=seconds, base_s=base, dated=True, zone=zone, text=text, warnings=warnings)


def _two_parts(parts: dict[str, Any], header: str) -> tuple[dict[str, Any], list[str]]:
    """Read times such as 12:05, which say hours and minutes or minutes and seconds; says what was assumed."""
    first = _integers(parts["h"])
    says = header.casefold()
    minutes = {name: part for name, part in parts.items() if name not in {"h", "half"}} | {"m": parts["h"], "s": parts["m"]}
    if "mm:ss" in says and "hh:mm" not in says:
        return minutes, []
    again = np.diff(first * 60.0 + _integers(parts["m"])) == 0.0
    if "hh:mm" in says or bool(pc.any(pc.not_equal(parts["half"], "")).as_py()) or again.mean() > 0.2:
        return parts, []
    if bool(np.nanmax(first, initial=0.0) >= 24.0):
        return minutes, ["times such as 49:55 were read as minutes and seconds; if they are hours and minutes, name the column 'hh:mm'."]
    return parts, ["times such as 12:05 were read as hours and minutes; if they are minutes and seconds, name the column 'mm:ss'."]


def started_at(stamps: Stamps, first_s: float) -> datetime | None:
    """Return when the first reading was taken; None if the file does not tell the day.

    A time without a zone is taken in the zone of this computer.
    """
    if not stamps.dated:
        return None
    moment = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=stamps.base_s) + timedelta(seconds=first_s)
    if stamps.zone is not None:
        return moment.astimezone(stamps.zone)
    try:
        return moment.replace(tzinfo=None).astimezone()
    except (OverflowError, OSError, ValueError):
        return moment


_ISO: Final = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}[T ][0-9]{2}:[0-9]{2}:[0-9]{2}(\.[0-9]{1,9})?(Z|[+-][0-9]{2}:?[0-9]{2})?")


def _iso_stamps(cells: Any, layout: Layout, source: TimeSource) -> Stamps | None:
    """Read ISO 8601 of one and the same shape the fast way; None if the cells are something else."""
    sample = [row[source.columns[0]].strip() for row in layout.sample]
    matches = [_ISO.fullmatch(c) for c in sample]
    if not matches or not all(matches):
        return None
    zoned = {bool(m and m[2]) for m in matches}
    lengths = pc.min_max(pc.binary_length(cells)).as_py()
    if len(zoned) > 1 or lengths["min"] != lengths["max"]:
        return None
    try:
        stamps = pc.cast(cells, pa.timestamp("ns", tz="UTC" if zoned == {True} else None))
    except pa.ArrowInvalid:
        return None
    whole = pc.cast(stamps, pa.int64())
    base = _week_before((pc.min(whole).as_py() or 0) * 1e-9)
    ticks = np.asarray(pc.subtract(whole, round(base) * 10**9).to_numpy(), dtype=np.float64)  # null becomes NaN
    zone: tzinfo | None = None
    text = "ISO 8601 without a zone"
    if zoned == {True}:
        offsets = [str(m[2]) for m in matches if m]
        last = str(cells[-1].as_py() or "")
        zone = timezone(timedelta(seconds=_offset_s(offsets[0])))
        changes = bool(last) and last[-len(offsets[0]) :] != offsets[0]
        text = f"ISO 8601 with zone{', whose offset changes' if changes else ''}"
    return Stamps(seconds=ticks * 1e-9, base_s=base, dated=True, zone=zone, text=text, warnings=[])


def _week_before(moment_s: float) -> float:
    """Start of the week (by days since 1970) before a moment; 0 where there is no moment."""
    return moment_s // (7.0 * _DAY_S) * 7.0 * _DAY_S if np.isfinite(moment_s) else 0.0


def _first_week(days: Floats) -> float:
    known = days[np.isfinite(days)]
    return _week_before(float(known.min()) * _DAY_S) if known.size else 0.0


def _parts(cells: Any, form: str) -> dict[str, Any]:
    text = pc.utf8_trim_whitespace(cells)
    pattern = TIME_FORMS[form]
    found = pc.extract_regex(text, f"^(?:{pattern})$")
    return {name: pc.struct_field(found, name) for name in re.findall(r"\?P<(\w+)>", pattern)}


def _distinct(part: Any) -> tuple[list[str], Ints]:
    """Return the different texts of a column, in order of appearance, and which of them each row has."""
    whole = part.combine_chunks() if isinstance(part, pa.ChunkedArray) else part
    encoded = pc.fill_null(whole, "").dictionary_encode()
    if isinstance(encoded, pa.ChunkedArray):
        encoded = encoded.combine_chunks()
    return encoded.dictionary.to_pylist(), np.asarray(encoded.indices.to_numpy(), dtype=np.int64)


def _integers(part: Any) -> Floats:
    empty = pc.equal(part, "")
    return _array(pc.cast(pc.if_else(empty, None, part), pa.float64()))


def _array(column: Any) -> Floats:
    whole = column.to_numpy() if isinstance(column, pa.ChunkedArray) else column.to_numpy(zero_copy_only=False)
    return np.asarray(whole, dtype=np.float64)  # null becomes NaN


def _clock_s(parts: dict[str, Any]) -> Floats:
    minutes, whole = _integers(parts["m"]), _integers(parts["s"])
    fraction = pc.replace_substring_regex(parts["f"], "^[.,:]", "0.")
    seconds = np.nan_to_num(whole) + np.nan_to_num(_integers(fraction))
    hours = _integers(parts["h"]) if "h" in parts else np.zeros(minutes.size)
    if "half" in parts:
        halves, which = _distinct(parts["half"])
        stated = np.array([h != "" for h in halves])[which]
        after_noon = np.array([h.lower() == "p" for h in halves])[which]
        hours = np.where(stated, np.where(hours > 12.0, np.nan, hours % 12.0 + 12.0 * after_noon), hours)
    impossible = (seconds >= 61.0) | ((minutes >= 60.0) & ("h" in parts))
    return np.where(impossible, np.nan, hours * 3600.0 + minutes * 60.0 + seconds)


def _days(parts: dict[str, Any], layout: Layout, warnings: list[str]) -> tuple[Floats, str]:
    """Return days since 1970 and the order in which the file writes them."""
    if "a" not in parts:
        packed = _integers(parts["packed"])
        return _day_number(packed // 10000, packed // 100 % 100, packed % 100), "yyyymmdd"
    packed = _integers(parts["packed"])
    if np.isfinite(packed).mean() > 0.5:
        return _day_number(packed // 10000, packed // 100 % 100, packed % 100), "yyyymmdd"
    # Few different days stand in a file: work each out once.
    kinds, place = _distinct(pc.binary_join_element_wise(parts["a"], parts["b"], parts["c"], "/"))
    split = [k.split("/") if k else ["", "", ""] for k in kinds]
    numbers = [[_number(x) for x in three] for three in split]
    count = np.bincount(place, minlength=len(kinds))
    common = [(s, n) for s, n, k in zip(split, numbers, count.tolist(), strict=True) if any(s) and k >= 0.001 * place.size]
    order, said = _date_order(common, layout)
    if said:
        warnings.append(said)
    y, m, d = (order.index(k) for k in "ymd")
    table = np.array(
        [_day_number(*(np.array([n[i]]) for i in (y, m, d)))[0] if all(np.isfinite(n)) else np.nan for n in numbers],
        dtype=np.float64,
    )
    written = {"y": "yyyy", "m": "mm", "d": "dd"}
    return table[place], "-".join(written[k] for k in order)


def _date_order(dates: Sequence[tuple[Sequence[str], Sequence[float]]], layout: Layout) -> tuple[str, str]:
    """Decide between day and month first, by the dates themselves; says so where they leave it open."""
    if any(len(s[0]) >= 3 and s[0].isdigit() for s, _ in dates):
        return "ymd", ""
    if any(s[0].isalpha() for s, _ in dates):
        return "mdy", ""
    if any(s[1].isalpha() for s, _ in dates):
        return "dmy", ""
    dotted = any(
        "." in row[i] and ":" not in row[i].split(".")[0] for row in layout.sample[:5] for i in range(layout.width) if _is_dotted(row[i])
    )
    first = [n[0] for _, n in dates]
    second = [n[1] for _, n in dates]
    if all(len(s[2]) <= 2 for s, _ in dates) and any(n[0] > 31 for _, n in dates):
        return "ymd", ""
    if dotted or any(x > 12 for x in first):
        return "dmy", ""
    if any(x > 12 for x in second):
        return "mdy", ""
    # A night's recording goes from one day to the next: whichever part moves by one is the day.
    if len(set(first)) != len(set(second)):
        return ("dmy" if len(set(first)) > len(set(second)) else "mdy"), ""
    order = "dmy" if layout.decimal == "," or layout.delimiter == ";" else "mdy"
    shown = "/".join(dates[0][0]) if dates else "the date"
    return order, f"{shown} may be day/month or month/day; it was read as {'day/month' if order == 'dmy' else 'month/day'}."


def _is_dotted(cell: str) -> bool:
    return bool(re.match(r"\s*[0-9]{1,2}\.[0-9]{1,2}\.[0-9]{2,4}", cell))


def _number(text: str) -> float:
    if text.isdigit():
        return float(text)
    return float(_MONTHS.get(text[:3].lower(), np.nan))


def _day_number(year: Floats, month: Floats, day: Floats) -> Floats:
    year = np.where(year < 100.0, year + 2000.0, year)
    sane = np.isfinite(year + month + day) & (year >= 1971) & (year < 2200) & (month >= 1) & (month <= 12) & (day >= 1) & (day <= 31)
    y, m, d = (np.where(sane, x, 1.0) for x in (year, month, day))
    months = ((np.where(sane, y, 1971.0) - 1970.0) * 12.0 + m - 1.0).astype(np.int64)
    start = months.astype("datetime64[M]").astype("datetime64[D]").astype(np.int64)
    past = (months + 1).astype("datetime64[M]").astype("datetime64[D]").astype(np.int64)
    days = start + d - 1.0
    return np.where(sane & (days < past), days, np.nan)


def _offset_s(zone: str) -> float:
    match = re.fullmatch(r"([+-])([0-9]{2}):?([0-9]{2})?", zone)
    if not match:
        return ZONE_HOURS.get(zone, 0) * 3600.0
    seconds = int(match[2]) * 3600 + int(match[3] or 0) * 60
    return float(min(seconds, 86399) * (-1 if match[1] == "-" else 1))
