"""The lines of readings as arrays of numbers, with every line that is not one counted and named.

The whole body goes to Arrow's reader at once. Only where that fails are the lines looked at: first their number of
cells, then every cell as text. So a clean file costs little more than Arrow itself, and a torn one is read no less strictly.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv as pacsv
from numpy.typing import NDArray

from logger.csv_cells import COMMA_GROUPED, COMMA_NUMBER, INFINITE, MISSING, POINT_GROUPED, POINT_NUMBER, is_missing, is_number, split
from logger.csv_header import COMMENT
from logger.csv_layout import Layout
from logger.csv_tables import refuse_other_units
from logger.csv_torn import torn_lines

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

_CHUNK: Final = 1 << 24  # bytes looked at in one go, to keep temporary arrays small
_BLOCK: Final = 1 << 22  # Arrow's block; no line may be longer
_KEPT: Final = 1000  # bad lines named; beyond that they are only counted


@dataclass(slots=True)
class BadLines:
    """Lines left out: the first thousand with number and reason, the rest counted."""

    count: int = 0
    kept: list[tuple[int, str]] = field(default_factory=list)

    def add(self, line: int, why: str) -> None:
        """Count one line, numbered from 1."""
        self.count += 1
        if len(self.kept) < _KEPT:
            self.kept.append((line, why))

    def extend(self, lines: Ints, why: str) -> None:
        """Count lines that share a reason."""
        for line in lines[: max(0, _KEPT - len(self.kept))].tolist():
            self.kept.append((line, why))
        self.count += lines.size


@dataclass(slots=True)
class Body:
    """The readings of a file, column by column.

    Attributes
    ----------
    line : ndarray of int, shape (n,)
        Line number of each row, from 1.
    numbers : dict
        Column place to array of shape (n,); NaN where the file says that there is no reading.
    texts : dict
        Column place to Arrow string array of length n, for times written as text.
    infinite : int
        Cells that said infinite, taken as missing.
    """

    line: Ints
    numbers: dict[int, Floats]
    texts: dict[int, Any]
    infinite: int = 0

    def keep(self, mask: Bools) -> None:
        """Drop the rows that are not in the mask."""
        if not mask.all():
            self.line = self.line[mask]
            self.numbers = {i: v[mask] for i, v in self.numbers.items()}
            self.texts = {i: v.filter(pa.array(mask)) for i, v in self.texts.items()}


def readings_of(text: bytes, layout: Layout) -> bytes:
    """Return the text from the first reading on."""
    return text[_offset(text, layout.first_line) :]


def read_body(data: bytes, layout: Layout, numbers: Sequence[int], texts: Sequence[int], bad: BadLines) -> Body:
    """Read the lines from the first reading on.

    Parameters
    ----------
    data : bytes
        The text from the first reading on, UTF-8, lines ended by a line feed.
    layout : Layout
        How to read it.
    numbers, texts : sequence of int
        The columns wanted as numbers and as text; others are not looked at.
    bad : BadLines
        Takes the lines that are left out.
    """
    if layout.delimiter == " ":
        data = _single_blanks(data)
    if layout.longest > layout.width:
        data = _without_remarks(data, layout)
    starts, ends = _lines(data)
    number = np.arange(starts.size, dtype=np.int64) + (layout.first_line + 1)
    full = ends > starts
    if not full.all():
        starts, ends, number = starts[full], ends[full], number[full]
    wanted = [*numbers, *texts]
    quoted = b'"' in data
    # Arrow forgives a quote in the middle of a cell; a number with one in it is none.
    table = None if quoted else _typed(data, layout, numbers, wanted)
    if table is None or table.num_rows != starts.size:
        width = _widths(data, starts, ends, layout.delimiter, quoted=quoted)
        good = width == layout.width
        if not good.all():
            _complain_widths(data, starts, ends, number, width, layout, bad)
            data, starts, ends, number = _only(data, starts, ends, number, good)
        table = _typed(data, layout, numbers, wanted)
        if table is not None and table.num_rows != starts.size:
            table = None
    infinite = 0
    if table is not None:
        body = Body(
            line=number, numbers={i: _floats(table.column(str(i))) for i in numbers}, texts={i: table.column(str(i)) for i in texts}
        )
        good = np.ones(number.size, dtype=np.bool_)
    else:
        body, good = _from_text(data, starts, ends, number, layout, numbers, texts, bad)
    for values in body.numbers.values():
        endless = np.isinf(values)
        if endless.any():
            infinite += int(endless.sum())
            values[endless] = np.nan
    body.infinite += infinite
    if number.size:
        torn = good & torn_lines(data, starts, ends, layout)
        for at in np.flatnonzero(torn).tolist():
            last = data[starts[at] : ends[at]].rsplit(layout.delimiter.encode(), 1)[-1].decode("utf-8", "replace")
            bad.add(int(number[at]), f"last value {last[:40]!r} has fewer digits than the others: the line is torn")
        body.keep(good & ~torn)
    return body


def _offset(text: bytes, line: int) -> int:
    at = 0
    for _ in range(line):
        at = text.find(b"\n", at) + 1
    return at


def _without_remarks(data: bytes, layout: Layout) -> bytes:
    """Cut remarks off the lines that have one; what ends in a number instead stays, to be found out as torn."""
    starts, ends = _lines(data)
    width = _widths(data, starts, ends, layout.delimiter, quoted=b'"' in data)
    pieces, done = [], 0
    for at in np.flatnonzero((width > layout.width) & (width <= layout.longest)).tolist():
        cells = split(data[starts[at] : ends[at]].decode("utf-8", "replace"), layout.delimiter)
        kept, rest = cells[: layout.width], cells[layout.width :]
        if not any(is_number(c) for c in rest) and not any('"' in c or layout.delimiter in c for c in kept):
            pieces += [data[done : starts[at]], layout.delimiter.join(kept).encode()]
            done = ends[at]
    return b"".join([*pieces, data[done:]])


def _single_blanks(data: bytes) -> bytes:
    """Make every run of blanks and tabs one blank, and none at the ends of a line."""
    data = data.replace(b"\t", b" ")
    if not (b"  " in data or b" \n" in data or b"\n " in data or data[:1] == b" " or data[-1:] == b" "):
        return data
    a = np.frombuffer(data, dtype=np.uint8)
    blank = a == 32
    edge = blank | (a == 10)
    before = np.concatenate(([True], edge[:-1]))
    after = np.concatenate(((a == 10)[1:], [True]))
    once = a[~(blank & before)]
    a = once
    after = np.concatenate(((a == 10)[1:], [True]))
    return a[~((a == 32) & after)].tobytes()


def _lines(data: bytes) -> tuple[Ints, Ints]:
    ends = _positions(data, 10)
    if data and data[-1] != 10:
        ends = np.append(ends, len(data))
    starts = np.empty_like(ends)
    if ends.size:
        starts[0] = 0
        starts[1:] = ends[:-1] + 1
    return starts, ends


def _positions(data: bytes, byte: int) -> Ints:
    a = np.frombuffer(data, dtype=np.uint8)
    found = [np.flatnonzero(a[i : i + _CHUNK] == byte).astype(np.int64) + i for i in range(0, a.size, _CHUNK)]
    return np.concatenate(found) if found else np.empty(0, dtype=np.int64)


def _typed(data: bytes, layout: Layout, numbers: Sequence[int], wanted: Sequence[int], *, as_text: bool = False) -> Any:
    """Read with Arrow; None where it finds a line of another shape or a cell that is no number."""
    types = {str(i): pa.string() if as_text or i not in numbers else pa.float64() for i in wanted}
    try:
        return pacsv.read_csv(
            pa.BufferReader(data),
            read_options=pacsv.ReadOptions(column_names=[str(i) for i in range(layout.width)], block_size=_BLOCK),
            parse_options=pacsv.ParseOptions(delimiter=layout.delimiter),
            convert_options=pacsv.ConvertOptions(
                column_types=types,
                include_columns=[str(i) for i in wanted],
                null_values=list(MISSING),
                strings_can_be_null=True,
                decimal_point=layout.decimal,
            ),
        )
    except (pa.ArrowInvalid, pa.ArrowKeyError):
        return None


def _floats(column: Any) -> Floats:
    whole = column.to_numpy() if isinstance(column, pa.ChunkedArray) else column.to_numpy(zero_copy_only=False)
    values = np.asarray(whole, dtype=np.float64)  # null becomes NaN
    return values if values.flags.writeable else values.copy()


def _widths(data: bytes, starts: Ints, ends: Ints, delimiter: str, *, quoted: bool) -> Ints:
    """Count the cells of each line; -1 where quotes are not closed or stand within a cell."""
    between = _positions(data, ord(delimiter))
    if not quoted:
        return np.searchsorted(between, ends) - np.searchsorted(between, starts) + 1
    quotes = _positions(data, ord('"'))
    # A delimiter counts if an even number of quotes stands between it and the start of its line.
    before_line = np.searchsorted(quotes, starts)
    line = np.searchsorted(starts, between, side="right") - 1
    between = between[(np.searchsorted(quotes, between) - before_line[line]) % 2 == 0]
    width = np.searchsorted(between, ends) - np.searchsorted(between, starts) + 1
    width[(np.searchsorted(quotes, ends) - before_line) % 2 == 1] = -1
    of_line = np.searchsorted(starts, quotes, side="right") - 1
    inside = (of_line >= 0) & (quotes < ends[of_line])
    quotes, of_line = quotes[inside], of_line[inside]
    closing = (np.arange(quotes.size) + int(np.flatnonzero(inside)[0]) - before_line[of_line]) % 2 == 1 if quotes.size else quotes > 0
    a = np.concatenate(([np.uint8(10)], np.frombuffer(data, dtype=np.uint8), [np.uint8(10)]))
    beside = np.where(closing, a[quotes + 2], a[quotes])  # after a closing quote, before an opening one
    at_edge = np.isin(beside, np.frombuffer(b'\n" ' + delimiter.encode(), dtype=np.uint8))
    width[of_line[~at_edge]] = -1
    return width


def _complain_widths(data: bytes, starts: Ints, ends: Ints, number: Ints, width: Ints, layout: Layout, bad: BadLines) -> None:
    for at in np.flatnonzero(width != layout.width).tolist():
        line = data[starts[at] : ends[at]]
        if _says_nothing(line, layout):
            continue
        if width[at] < 0:
            why = "its quotes are not closed, or stand within a value"
        elif width[at] < layout.width:
            why = f"{width[at]} of {layout.width} values: the line is torn"
        else:
            why = f"{width[at]} values instead of {layout.width}"
        bad.add(int(number[at]), why)


def _says_nothing(line: bytes, layout: Layout) -> bool:
    """Whether a line is a comment, the header once more, or blank but for delimiters."""
    text = line[:4000].decode("utf-8", "replace")
    if layout.delimiter != ";" and text.startswith(";"):
        return True
    return bool(COMMENT.match(text)) or text in layout.header_lines or not text.strip(layout.delimiter + " \t\f\"'")


def _only(data: bytes, starts: Ints, ends: Ints, number: Ints, good: Bools) -> tuple[bytes, Ints, Ints, Ints]:
    """Rebuild the text from the good lines alone, run by run."""
    edges = np.flatnonzero(np.diff(np.concatenate(([0], good.astype(np.int8), [0]))))
    pieces = []
    for first, past in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        pieces += [data[starts[first] : ends[past - 1]], b"\n"]
    cut = ends[-1:] == len(data)  # a last line without its end stays without it: it may be torn
    if pieces and good[-1] and cut.all():
        pieces.pop()
    kept = b"".join(pieces)
    starts, ends = _lines(kept)
    full = ends > starts
    return kept, starts[full], ends[full], number[good]


def _from_text(
    data: bytes, starts: Ints, ends: Ints, number: Ints, layout: Layout, numbers: Sequence[int], texts: Sequence[int], bad: BadLines
) -> tuple[Body, Bools]:
    """Judge every cell as text; what is no number makes its line bad."""
    table = _typed(data, layout, numbers, [*numbers, *texts], as_text=True) if number.size else None
    if table is None or table.num_rows != number.size:
        table = _by_hand(data, starts, ends, layout, [*numbers, *texts])
    body = Body(line=number, numbers={}, texts={i: table.column(str(i)) for i in texts})
    good = np.ones(number.size, dtype=np.bool_)
    for i in numbers:
        cells = pc.utf8_trim_whitespace(table.column(str(i)))
        values, wrong, endless = _to_numbers(cells, layout, i)
        body.numbers[i] = values
        body.infinite += endless
        for at in np.flatnonzero(wrong & good).tolist():
            line = data[starts[at] : ends[at]]
            if not _says_nothing(line, layout):
                refuse_other_units(line.decode("utf-8", "replace"), int(number[at]), layout)
                bad.add(int(number[at]), f"{_shown(cells[at].as_py())} is no number")
        good &= ~wrong
    return body, good


def _by_hand(data: bytes, starts: Ints, ends: Ints, layout: Layout, wanted: Sequence[int]) -> Any:
    """Split lines that Arrow reads otherwise than they stand (quotes within a cell, stray characters)."""
    columns: dict[str, list[str | None]] = {str(i): [] for i in wanted}
    for start, end in zip(starts.tolist(), ends.tolist(), strict=True):
        cells = split(data[start:end].decode("utf-8", "replace"), layout.delimiter)
        for i in wanted:
            cell = cells[i] if i < len(cells) else "(missing)"
            columns[str(i)].append(None if is_missing(cell) else cell)
    return pa.table({name: pa.chunked_array([pa.array(cells, type=pa.string())]) for name, cells in columns.items()})


def _to_numbers(cells: Any, layout: Layout, column: int) -> tuple[Floats, Bools, int]:
    """Turn text into numbers: values, which cells are none, and how many say infinite."""
    plain, grouped = (COMMA_NUMBER, COMMA_GROUPED) if layout.decimal == "," else (POINT_NUMBER, POINT_GROUPED)
    missing = _mask(pc.or_(pc.is_null(cells), pc.fill_null(pc.is_in(cells, value_set=pa.array(MISSING)), False)))
    endless = _matches(cells, INFINITE.pattern)
    is_number = _matches(cells, plain.pattern)
    # A file that sets thousands apart in one column does so in all, in the time's from 1,000 s on only.
    columns = {column, *(i for i, kind in enumerate(layout.kinds) if kind == "number")}
    groups = [cell for row in layout.sample for i in columns if grouped.fullmatch(cell := row[i].strip())]
    if len(groups) >= 2 or any(layout.decimal in cell for cell in groups):
        is_group = _matches(cells, grouped.pattern) & ~is_number
        others = "[.' ]" if layout.decimal == "," else "[,' ]"
        cells = pc.replace_substring_regex(cells, others, "") if is_group.any() else cells
        is_number |= is_group
    usable = pc.if_else(pa.array(is_number), cells.combine_chunks() if isinstance(cells, pa.ChunkedArray) else cells, None)
    if layout.decimal == ",":
        usable = pc.replace_substring(usable, ",", ".")
    usable = pc.utf8_ltrim(usable, "+")
    return _floats(pc.cast(usable, pa.float64())), ~(is_number | missing | endless), int(endless.sum())


def _matches(cells: Any, pattern: str) -> Bools:
    return _mask(
        pc.fill_null(
            pc.match_substring_regex(cells, f"^(?:{pattern.removeprefix('(?i)')})$", ignore_case=pattern.startswith("(?i)")), False
        )
    )


def _mask(column: Any) -> Bools:
    return np.asarray(column.to_numpy(zero_copy_only=False) if isinstance(column, pa.Array) else column.to_numpy(), dtype=np.bool_)


def _shown(cell: str | None) -> str:
    text = cell or ""
    return repr(text if len(text) <= 30 else text[:27] + "...")
