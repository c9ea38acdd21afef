"""What a single cell of a file can be: a number, a time, a missing reading, or words."""

from __future__ import annotations

import csv
import re
from collections.abc import Sequence
from typing import Final

MISSING: Final = (
    "",
    "nan",
    "NaN",
    "NAN",
    "-nan",
    "NA",
    "N/A",
    "n/a",
    "#N/A",
    "null",
    "NULL",
    "None",
    "none",
    "-",
    "--",
    "---",
    "----",
    "?",
)
_MISSING_SET: Final = frozenset(MISSING)
INFINITE: Final = re.compile(r"(?i)[+-]?(inf|infinity|1\.#inf\d*)")

_EXPONENT: Final = r"([eE][+-]?[0-9]{1,3})?"
POINT_NUMBER: Final = re.compile(rf"[+-]?([0-9]+(\.[0-9]*)?|\.[0-9]+){_EXPONENT}")
COMMA_NUMBER: Final = re.compile(rf"[+-]?([0-9]+(,[0-9]*)?|,[0-9]+){_EXPONENT}")
# Thousands set apart, by whatever is not the decimal sign; at least one group, all groups whole.
POINT_GROUPED: Final = re.compile(r"[+-]?[0-9]{1,3}([,' ][0-9]{3})+(\.[0-9]*)?")
COMMA_GROUPED: Final = re.compile(r"[+-]?[0-9]{1,3}([.' ][0-9]{3})+(,[0-9]*)?")

_WEEKDAY: Final = r"(?:[A-Za-z]{2,9}\.?,? )?"
_DATE: Final = r"(?:(?P<a>[0-9]{1,4}|[A-Za-z]{3,9})[-./ ](?P<b>[0-9]{1,2}|[A-Za-z]{3,9})\.?[-./ ,] ?(?P<c>[0-9]{1,4})|(?P<packed>[0-9]{8}))"
_CLOCK: Final = r"(?P<h>[0-9]{1,3}):(?P<m>[0-9]{2})(?::(?P<s>[0-9]{2})(?P<f>[.,][0-9]{1,9}|:[0-9]{3})?)?(?: ?(?P<half>[AaPp])\.?[Mm]\.?)?"
_PACKED_CLOCK: Final = r"(?P<h>[0-9]{2})(?P<m>[0-9]{2})(?P<s>[0-9]{2})(?P<f>[.,][0-9]{1,9})?"
_DASHED_CLOCK: Final = r"(?P<h>[0-9]{2})[-.](?P<m>[0-9]{2})[-.](?P<s>[0-9]{2})(?P<f>[.,][0-9]{1,9})?"
# What a name of a zone means in hours; where a name means several things, the one that shop loggers mean.
ZONE_HOURS: Final = {"Z": 0, "z": 0, "UTC": 0, "GMT": 0, "WET": 0, "CET": 1, "EET": 2, "BST": 1, "CEST": 2, "EEST": 3} | {
    f"{zone}{season}T": hours + (season == "D") for zone, hours in (("E", -5), ("C", -6), ("M", -7), ("P", -8)) for season in "SD"
}
_ZONE: Final = rf"(?: ?(?P<zone>{'|'.join(ZONE_HOURS)}|[+-][0-9]{{2}}(?::?[0-9]{{2}})?)(?:\[[A-Za-z_/+-]+\])?)?"
_SHORT_CLOCK: Final = r"(?P<m>[0-9]{1,3}):(?P<s>[0-9]{2})(?P<f>[.,][0-9]{1,9})"

# By name, the ways to write a time; named groups carry the parts. Regular expressions here are RE2's too: no look-around.
TIME_FORMS: Final = {
    "datetime": f"{_WEEKDAY}{_DATE}(?:[Tt_]| +|, ?|; ?){_CLOCK}{_ZONE}",
    "dashed": f"{_DATE}[Tt_ ]{_DASHED_CLOCK}{_ZONE}",
    "year last": rf"(?:[A-Za-z]{{2,9}} )?(?P<a>[A-Za-z]{{3}}) +(?P<b>[0-9]{{1,2}}) {_CLOCK}{_ZONE} (?P<c>[0-9]{{4}})(?P<packed>)",
    "packed": f"(?P<packed>[0-9]{{8}})[Tt_ ]{_PACKED_CLOCK}{_ZONE}",
    "clock": _CLOCK,
    "short clock": _SHORT_CLOCK,
    "date": _DATE,
}
_FORMS: Final = {name: re.compile(pattern) for name, pattern in TIME_FORMS.items()}


def time_form(cell: str) -> str:
    """Name the way in which a cell writes a time; empty if it does not."""
    text = cell.strip()
    if not text[:1].isalnum() or len(text) > 60:
        return ""
    for name, pattern in _FORMS.items():
        if (match := pattern.fullmatch(text)) and not (name == "date" and match["packed"]):
            return name
    return ""


def is_missing(cell: str) -> bool:
    """Whether a cell says that there is no reading."""
    return cell.strip() in _MISSING_SET or bool(INFINITE.fullmatch(cell.strip()))


def is_number(cell: str) -> bool:
    """Whether a cell is a number, whatever its decimal sign."""
    text = cell.strip()
    return any(p.fullmatch(text) for p in (POINT_NUMBER, COMMA_NUMBER, POINT_GROUPED, COMMA_GROUPED))


def split(line: str, delimiter: str) -> list[str]:
    """Split a line into cells; a space stands for any run of spaces and tabs. Quotes hold a cell together."""
    if '"' in line:
        text = re.sub(r"[ \t]+(?=(?:[^\"]*\"[^\"]*\")*[^\"]*$)", " ", line.strip()) if delimiter == " " else line
        try:
            return next(csv.reader([text], delimiter=delimiter, skipinitialspace=True), [])
        except csv.Error:
            return text.split(delimiter)
    return line.split() if delimiter == " " else line.split(delimiter)


def decimal_sign(cells: Sequence[Sequence[str]], delimiter: str) -> tuple[str, bool]:
    """Tell decimal comma from decimal point by the cells of the number columns.

    ``18,250`` is eighteen and a quarter or eighteen thousand. Any cell that can only be one of them decides for the
    file; a point beside such commas makes them thousands.

    Returns
    -------
    tuple
        The sign, and whether nothing in the file decided it.
    """
    flat = [c.strip() for column in cells for c in column if is_number(c)]
    commas = [c for c in flat if "," in c]
    if not commas:
        return ".", False
    # A torn cell may look like anything, so the more frequent kind of evidence wins.
    points = sum("." in c and "," not in c and not COMMA_GROUPED.fullmatch(c) for c in flat)
    thousands = points + sum(c.count(",") > 1 or 0 <= c.find(",") < c.find(".") for c in commas)
    decimals = sum(
        c.count(",") == 1 and (0 <= c.find(".") < c.find(",") or not POINT_GROUPED.fullmatch(c) or c.lstrip("+-").startswith("0"))
        for c in commas
    )
    if thousands != decimals:
        return ("." if thousands > decimals else ","), False
    if any("." in c for c in flat if POINT_NUMBER.fullmatch(c)):
        return ".", False
    for column in cells:
        # 998, 999, 1,000: below a thousand without a comma, above with one.
        plain = [c for c in column if is_number(c) and "," not in c]
        if plain and all(len(c.lstrip("+- ")) <= 3 for c in plain) and any("," in c for c in column):
            return ".", delimiter != ","
    # Where the comma already stands between the columns, few would use it as a decimal sign, too.
    return ("." if delimiter == "," else ","), True
