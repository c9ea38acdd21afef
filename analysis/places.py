"""Places along a line in words: a distance from the inlet of a hose, and where a sensor sits by its name."""

from __future__ import annotations

import re
from typing import Final

from analysis.line import Line
from analysis.units import UnitError, parse_quantity

NAMED: Final = ("tool", "receiver", "supply")


def named(words: str) -> str:
    """Which of the places that names tell a sensor's name or place speaks of; empty where it says none."""
    return next((place for place in NAMED if place in words.casefold()), "")


def along_hose(line: Line, place: str) -> tuple[str, float] | None:
    """Hose and share of its length [0..1] that a place such as `hose 12 m` names; None where it names a joint.

    Raises
    ------
    ValueError
        If the line has no such hose, or it is shorter.
    """
    match = re.fullmatch(r"\s*(hose\d*)\s+(\d.*)", place)
    if not match:
        return None
    labels = line.labels()
    hoses = [label for label in labels if label.startswith("hose")]
    if match[1] not in hoses:
        msg = f"{place!r}: {line.name} has no {match[1]}; its hoses are {', '.join(hoses) or 'none'}."
        raise ValueError(msg)
    try:
        at = parse_quantity(match[2], "length")
    except UnitError as problem:
        msg = f"{place!r}: {problem}"
        raise ValueError(msg) from None
    length = line.parts[labels.index(match[1])].length_m or 0.0
    if at > length:
        msg = f"{place!r} lies beyond the end of {match[1]}, which is {length:g} m long."
        raise ValueError(msg)
    return match[1], at / length
