"""What stands over the readings: their names, and the row of units beside them."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

from logger.csv_cells import is_missing, is_number, split
from logger.csv_columns import describe, unit_of
from logger.csv_text import CsvRefused

COMMENT: Final = re.compile(r'\s*"?(#|%|//|!|\*\*)')


@dataclass(slots=True, kw_only=True)
class Header:
    """Names and units over the columns; empty where there are none.

    Attributes
    ----------
    names, units : tuple of str
        One for each column.
    lines : list of str
        As written: a logger that was restarted repeats them.
    width : int
        Number of names, where remarks at the end of some lines have one too; else 0.
    """

    names: tuple[str, ...] = ()
    units: tuple[str, ...] = ()
    lines: list[str] = field(default_factory=list)
    width: int = 0


def find_header(before: Sequence[str], delimiter: str, width: int, kinds: Sequence[str]) -> Header:
    """Find header and units row among the lines before the first reading, from below.

    Parameters
    ----------
    before : sequence of str
        The lines above the first reading.
    delimiter, width, kinds
        How the readings are laid out: cells in a line, and what is in them.

    Raises
    ------
    CsvRefused
        If what looks like the header has another number of cells than the readings.
    """
    units: tuple[str, ...] = ()
    lines: list[str] = []
    unsure: Header | None = None
    last_other = ""
    for line in [s for s in reversed(before) if s.strip() and not COMMENT.match(s)][:8]:
        cells = _padded(split(line, delimiter), width, kinds)
        if not any(c.strip() for c in cells):
            continue
        if _has_remarks(cells, width):
            return Header(names=tuple(cells[:width]), units=units, lines=[*lines, line], width=len(cells))
        if len(cells) != width:
            last_other = last_other or line
            if _names_units(line, delimiter):
                break
            continue
        if not units and is_units_row(cells):
            units = tuple(cells)
            lines.append(line)
        elif not all(is_number(c) or is_missing(c) for c in cells):
            if not units:
                units, lines = _units_above(before, line, delimiter, width, kinds)
            here = Header(names=tuple(cells), units=units, lines=[*lines, line])
            if units or any(c.unit or c.is_time_named for c in describe(cells)):
                return here
            unsure = unsure or here  # a first reading that was torn looks like names, too: a row above it may know better
        elif not any(is_missing(c) for c in cells):
            break
    if unsure:
        return unsure
    if units:
        return Header(names=units, lines=lines)
    for line in reversed(before):
        if COMMENT.match(line) and (found := _from_comment(line, delimiter, width)):
            return found
    cells = split(last_other, delimiter)
    if len(cells) != width and _names_units(last_other, delimiter):
        hint = (
            " Are decimal commas mixed with commas between the columns? Then export with semicolons."
            if delimiter == "," and width == 2 * len(cells)
            else ""
        )
        msg = (
            f"the header {shortened(last_other)!r} names {len(cells)} columns, but the lines have {width}. Needed is one name for each "
            f"column; correct the header.{hint}"
        )
        raise CsvRefused(msg)
    return Header()


def _from_comment(line: str, delimiter: str, width: int) -> Header | None:
    """Read names from a comment: as a device describes its lines, or a header behind a comment sign."""
    described = re.search(r"\bcolumns=(\S+)", line)
    if described:
        names = tuple(described[1].split(","))
        unit = re.search(r"\bunit=(\S+)", line)
        if len(names) == width:
            stated = tuple("" if not unit or describe([n])[0].unit or describe([n])[0].is_time_named else unit[1] for n in names)
            return Header(names=names, units=stated, lines=[line])
        return None
    cells = split(COMMENT.sub("", line, count=1).strip(), delimiter)
    if len(cells) == width and not any(is_number(c) for c in cells):
        return Header(names=tuple(cells), lines=[line])
    return None


def _units_above(before: Sequence[str], header: str, delimiter: str, width: int, kinds: Sequence[str]) -> tuple[tuple[str, ...], list[str]]:
    """Find a row of units that stands above the header instead of under it."""
    at = max(i for i, line in enumerate(before) if line == header)
    above = [s for s in before[:at] if s.strip() and not COMMENT.match(s)][-1:]
    for line in above:
        cells = _padded(split(line, delimiter), width, kinds)
        if len(cells) == width and is_units_row(cells) and not any(c.unit for c in describe(split(header, delimiter))):
            return tuple(cells), [line]
    return (), []


def _has_remarks(cells: Sequence[str], width: int) -> bool:
    """Whether a header names more columns than most lines have, the last of them without a unit: remarks, written now and then."""
    extra = cells[width:]
    columns = describe(cells)
    return (
        bool(extra)
        and any(c.unit for c in columns[:width])
        and not any(c.unit or c.is_time_named for c in columns[width:])
        and not any(is_number(c) for c in cells)
    )


def _names_units(line: str, delimiter: str) -> bool:
    """Whether a line of another shape than the readings looks like a header all the same."""
    cells = split(line, delimiter)
    return len(cells) > 1 and any(unit_of(w)[0] for c in cells for w in re.split(r"[\s_()\[\]]+", c))


def _padded(cells: list[str], width: int, kinds: Sequence[str]) -> list[str]:
    """Even out a delimiter at the end of the line that only the header or only the readings have."""
    while len(cells) > width and not cells[-1].strip():
        cells = cells[:-1]
    while len(cells) < width and kinds[len(cells)] == "empty" and all(k == "empty" for k in kinds[len(cells) :]):
        cells = [*cells, ""]
    return cells


def is_units_row(cells: Sequence[str]) -> bool:
    """Whether cells are units, or formats of time, and at least one is a unit."""
    full = [c.strip() for c in cells if c.strip()]
    known = [bool(unit_of(c.strip("()[]"))[0]) for c in full]
    formats = [bool(re.fullmatch(r"[(\[]?[YyMmDdHhSsJjTt:.\-/ f+z]+[)\]]?", c)) for c in full]  # such as hh:mm:ss
    return any(known) and all(k or f for k, f in zip(known, formats, strict=True))


def shortened(line: str) -> str:
    """Cut a line to what fits into a message."""
    text = line.strip()
    return text if len(text) <= 60 else text[:57] + "..."
