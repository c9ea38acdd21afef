"""Peculiarities taken out of the text before it is read as a table: units in the cells, checksums, clock fractions.

Some loggers write ``6.51 bar`` into every cell, or are captured raw from the port with a checksum behind each line, or
write ``10:00:00,125`` between commas. Each is looked for in a sample, and only where most lines have it is the text touched.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from functools import reduce
from itertools import pairwise
from operator import xor
from typing import Final

from logger.csv_columns import unit_of
from logger.csv_header import COMMENT
from logger.lines import crc16

_MOST: Final = 0.8
_CELL_UNIT: Final = re.compile(
    r"(?<=[0-9.])\s?(kPa|MPa|mbar|hPa|bar|psi[ag]?|Pa|[°º] ?[CF]|deg ?[CF]|%\s?(?:RH|rh)?|mA|mV|V|ms|us|µs|s)(?=\s*(?:[,;\t|\"]|$))"
)
_OPENING: Final = re.compile(rb'(^|[,;\t|])[ ]?"(?:[^"]|"")*$')
_CLOSING: Final = re.compile(rb'^(?:[^"]|"")*"([,;\t|]|$)')
_CHECKSUM: Final = re.compile(rb"(?m)^(.*)\*([0-9A-Fa-f]{2}(?:[0-9A-Fa-f]{2})?)[ \t]*$")
_CLOCK_COMMA: Final = re.compile(r"[0-9]:[0-9]{2}:[0-9]{2},([0-9]{3}),")


def with_whole_quotes(text: bytes) -> bytes:
    """Join lines that a line end within quotes has cut apart; blank lines after them keep the line numbers.

    Joined is only what begins with an opening and ends with a closing quote a few lines on: a torn line stays torn.
    """
    if b'"' not in text:
        return text
    lines = text.split(b"\n")
    odd = [i for i, line in enumerate(lines) if line.count(b'"') % 2]
    for first, last in pairwise(odd):
        if last - first <= 5 and _OPENING.search(lines[first]) and _CLOSING.match(lines[last]):
            lines[first] = b" ".join(lines[first : last + 1])
            lines[first + 1 : last + 1] = [b""] * (last - first)
    return b"\n".join(lines) if odd else text


def without_cell_units(text: bytes, samples: Sequence[str]) -> tuple[bytes, str]:
    """Strip units that stand behind the numbers, and return a line that shows them; empty if there are none.

    A cell with another unit than the same cell of most lines keeps it, so that it is not read as a number.
    """
    lines = [s for s in samples if s.strip() and not COMMENT.match(s)]
    found = Counter(tuple(m[1] for m in _CELL_UNIT.finditer(line)) for line in lines)
    found.pop((), None)
    if not found:
        return text, ""
    units, count = found.most_common(1)[0]
    if count < _MOST * max(1, len(lines) - 5) or not all(unit_of(u)[0] for u in units):
        return text, ""
    example = next(line for line in lines if tuple(m[1] for m in _CELL_UNIT.finditer(line)) == units)
    names = "|".join(re.escape(u) for u in sorted(set(units), key=len, reverse=True))
    pattern = re.compile(rf"(?m)(?<=[0-9.])[ \t\u00a0]?(?:{names})(?=[ \t]*(?:[,;\t|\"]|$))")
    return pattern.sub("", text.decode()).encode(), example


def cell_units(cells: Sequence[str]) -> tuple[str, ...]:
    """Return the unit of each cell of a line that shows them."""
    matches = [_CELL_UNIT.search(cell.strip()) for cell in cells]
    return tuple(m[1] if m else "" for m in matches)


def without_checksums(text: bytes, samples: Sequence[str]) -> tuple[bytes, list[int]]:
    """Check and strip ``*HH``, an XOR, or ``*HHHH``, a CRC-16; returns the numbers of lines that fail, which are blanked."""
    lines = [s for s in samples if s.strip() and not COMMENT.match(s)]
    if sum(bool(re.search(r"\*[0-9A-Fa-f]{2}(?:[0-9A-Fa-f]{2})?\s*$", s)) for s in lines) < _MOST * len(lines):
        return text, []
    kept: list[bytes] = []
    failed: list[int] = []
    first = True
    for number, line in enumerate(text.split(b"\n"), start=1):
        match = _CHECKSUM.match(line)
        if match:
            first = False
            good = (reduce(xor, match[1], 0) if len(match[2]) == 2 else crc16(match[1])) == int(match[2], 16)
            kept.append(match[1] if good else b"")
            if not good:
                failed.append(number)
        else:
            # A line that lost its checksum lost whatever stood before it, too; above the first reading is the header.
            bare = first or not line.strip() or COMMENT.match(line.decode("utf-8", "replace"))
            kept.append(line if bare else b"")
            if not bare:
                failed.append(number)
    return b"\n".join(kept), failed


def clock_commas(samples: Sequence[str]) -> bool:
    """Whether clock times have a comma before three decimals while commas also stand between the columns."""
    lines = [s for s in samples if s.strip() and not COMMENT.match(s)]
    return sum(bool(_CLOCK_COMMA.search(s)) for s in lines) >= _MOST * max(1, len(lines) - 5)


def leading_zeros(samples: Sequence[str]) -> bool:
    """Whether three digits after a clock begin with a zero at times, as no number of its own would."""
    return any((m := _CLOCK_COMMA.search(s)) and m[1].startswith("0") and m[1] != "000" for s in samples)


def with_clock_points(text: bytes) -> bytes:
    """Write the clock's fraction with a point."""
    return re.sub(rb"(?<=[0-9]:[0-9]{2}:[0-9]{2}),(?=[0-9]{3},)", b".", text)
