"""How a file is laid out: delimiter, decimal sign, where the readings begin, what stands over them.

Judged from lines at the start, in the middle and at the end. The readings decide: the delimiter is the one with which
most lines fall into the same number of cells that are numbers and times, and the first line of that shape is the first
reading, whatever stands before it.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from logger.csv_cells import decimal_sign, is_missing, is_number, split, time_form
from logger.csv_header import COMMENT, find_header, shortened
from logger.csv_text import CsvRefused

DELIMITERS: Final = {",": "comma", ";": "semicolon", "\t": "tab", "|": "bar", " ": "blank"}
_HEAD_LINES: Final = 2000  # a preamble may be long
_SAMPLE_LINES: Final = 200


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """How to read the lines of a file.

    Attributes
    ----------
    delimiter, decimal : str
        Between cells; within numbers.
    first_line : int
        Index (from 0) of the line with the first reading.
    width, longest : int
        Number of cells in a line; with remarks at its end that only some lines have.
    header, units_row : tuple of str
        The names over the columns, and the row of units under them; empty if there is none.
    header_lines : frozenset of str
        Those lines as written: a logger that was restarted repeats them.
    kinds : tuple of str
        Per column "number", a time form, "text" or "empty".
    sample : tuple of tuples of str
        Cells of lines of the right shape that follow each other from the first reading.
    warnings : tuple of str
        Decisions that the file leaves open.
    """

    delimiter: str
    decimal: str
    first_line: int
    width: int
    longest: int
    header: tuple[str, ...]
    units_row: tuple[str, ...]
    header_lines: frozenset[str]
    kinds: tuple[str, ...]
    sample: tuple[tuple[str, ...], ...]
    warnings: tuple[str, ...]


def find_layout(head: Sequence[str], samples: Sequence[str]) -> Layout:
    """Work out the layout of a file.

    Parameters
    ----------
    head : sequence of str
        The first lines of the file.
    samples : sequence of str
        Lines from the whole of it.

    Raises
    ------
    CsvRefused
        If no delimiter makes a table of it, or the header does not fit the lines.
    """
    usable = [s for s in samples if s.strip() and not COMMENT.match(s)]
    if not usable:
        msg = "there are only comments and blank lines in the file. Needed are lines with a time and a pressure."
        raise CsvRefused(msg)
    ranked = sorted((_score(usable, d), -i, d) for i, d in enumerate(DELIMITERS))
    score, _, delimiter = ranked[-1]
    if score <= 0.0:
        msg = (
            f"no table of numbers was found; a typical line is {shortened(usable[len(usable) // 2])!r}. Needed are lines of at least a "
            "time and a pressure, separated by comma, semicolon, tab, bar or blank."
        )
        raise CsvRefused(msg)
    width = _width(usable, delimiter)
    rows = [r for r in (split(s, delimiter) for s in usable) if len(r) == width]
    later = rows[len(rows) // 2 :]  # in a short file, what stands before the readings is half of it
    kinds = [_kind([row[i] for row in later]) for i in range(width)]
    first = _first_reading(head, delimiter, width, kinds)
    header = find_header(head[:first], delimiter, width, kinds)
    follow = [r for r in (split(s, delimiter) for s in head[first : first + 3 * _SAMPLE_LINES] if not COMMENT.match(s)) if len(r) == width]
    numbers = [[row[i] for row in rows] for i, kind in enumerate(kinds) if kind == "number"]
    decimal, open_question = decimal_sign(numbers, delimiter)
    warnings: tuple[str, ...] = ()
    if open_question:
        read = "a decimal sign" if decimal == "," else "setting thousands apart"
        warnings = (f"the comma in numbers such as {_comma_cell(numbers)} can be read in two ways; it was read as {read}.",)
    return Layout(
        delimiter=delimiter,
        decimal=decimal,
        first_line=first,
        width=width,
        longest=max(width, header.width),
        header=header.names,
        units_row=header.units,
        header_lines=frozenset(header.lines),
        kinds=tuple(kinds),
        sample=tuple(tuple(r) for r in follow[:_SAMPLE_LINES]),
        warnings=warnings,
    )


def _score(lines: Sequence[str], delimiter: str) -> float:
    """Share of the lines that fall into the usual number of cells, times the share of characters that are values."""
    width = _width(lines, delimiter)
    if width < 2:
        return 0.0
    rows = [r for r in (split(s, delimiter) for s in lines) if len(r) == width]
    typed = sum(len(c) for r in rows for c in r if (is_number(c) and c) or time_form(c))
    whole = sum(len(c) for r in rows for c in r if not is_missing(c))
    filled = sum(sum(1 for c in r if is_number(c) or time_form(c)) >= 2 for r in rows)
    if not whole or filled < max(1, len(rows) // 4):
        return 0.0
    # Two cells "1,5;2" and "1" are no numbers, but "1" is: what counts is how much of the line has become values.
    # A blank also stands within dates and names, so it comes second where another does as well.
    return len(rows) / len(lines) * typed / whole * (0.95 if delimiter == " " else 1.0)


def _width(lines: Sequence[str], delimiter: str) -> int:
    return Counter(len(split(s, delimiter)) for s in lines).most_common(1)[0][0]


def _kind(cells: Sequence[str]) -> str:
    full = [c for c in cells if not is_missing(c)]
    if not full:
        return "empty"
    forms = Counter("number" if is_number(c) else time_form(c) or "text" for c in full)
    kind, count = forms.most_common(1)[0]
    return kind if count >= 0.6 * len(full) else "text"


def _first_reading(head: Sequence[str], delimiter: str, width: int, kinds: Sequence[str]) -> int:
    typed = [i for i, kind in enumerate(kinds) if kind not in {"text", "empty"}]
    for at, line in enumerate(head):
        if COMMENT.match(line):
            continue
        cells = split(line, delimiter)
        if len(cells) != width or not any(is_number(cells[i]) or time_form(cells[i]) for i in typed):
            continue
        if all(is_missing(cells[i]) or (is_number(cells[i]) if kinds[i] == "number" else time_form(cells[i])) for i in typed):
            return at
    msg = (
        f"the readings begin after more than {len(head)} lines of other text, or never. Delete what stands before the header and try again."
    )
    raise CsvRefused(msg)


def _comma_cell(columns: Sequence[Sequence[str]]) -> str:
    return next((repr(c.strip()) for column in columns for c in column if "," in c), "")


def head_lines(text: bytes) -> list[str]:
    """Return the first lines, each cut to a sane length."""
    end = 0
    for _ in range(_HEAD_LINES):
        end = text.find(b"\n", end) + 1
        if end == 0:
            end = len(text)
            break
    return [s.decode("utf-8", "replace")[:4000] for s in text[:end].removesuffix(b"\n").split(b"\n")]


def sample_lines(text: bytes) -> list[str]:
    """Return whole lines from the start, the middle and the end; all of them if there are few."""
    lines: list[bytes] = []
    if len(text) < 30_000:
        lines = text.split(b"\n")
    else:
        for share in (0.0, 0.03, 0.35, 0.65, 0.97):
            start = text.find(b"\n", int(len(text) * share)) + 1 if share else 0
            # The last piece may be cut anywhere, so it goes.
            lines += text[start : start + 16_384].split(b"\n")[:-1][:_SAMPLE_LINES]
    return [s.decode("utf-8", "replace")[:4000] for s in lines or text.split(b"\n")]
