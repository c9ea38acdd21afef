"""A second table in the same file: another header among the readings, after which the numbers may mean something else."""

from __future__ import annotations

from logger.csv_cells import is_number, split, time_form
from logger.csv_columns import Column, describe
from logger.csv_header import is_units_row, shortened
from logger.csv_layout import Layout
from logger.csv_text import CsvRefused


def refuse_other_units(line: str, number: int, layout: Layout) -> None:
    """Refuse a file in which a line among the readings names other units than its header.

    Parameters
    ----------
    line : str
        A line that is no reading.
    number : int
        Its place in the file, from 1.
    layout : Layout
        How the file is laid out; says what its header was.

    Raises
    ------
    CsvRefused
        If the line names other units, or names some where the header names none.
    """
    cells = split(line, layout.delimiter)
    if len(cells) != layout.width or any(is_number(c) or time_form(c) for c in cells):
        return
    names = layout.header or ("",) * layout.width
    here = describe(names, cells) if is_units_row(cells) and not is_units_row(names) else describe(cells)
    for was, now in zip(describe(names, layout.units_row), here, strict=True):
        if now.unit and (now.unit, now.absolute) != (was.unit, was.absolute):
            msg = (
                f"line {number} is another header ({shortened(line)!r}): column {was.index + 1} is in {_said(now)} from there on, and in "
                f"{_said(was)} before it. Needed is one table to a file: cut it in two before that line."
            )
            raise CsvRefused(msg)


def _said(column: Column) -> str:
    """Say the unit of a column as a message has it."""
    return f"{column.unit}{' absolute' if column.absolute else ''}" if column.unit else "a unit that is not named"
