"""Marks: what somebody did or saw during a session, one JSON object a line, appended as they are made."""

from __future__ import annotations

import json
import math
import os
from pathlib import Path
from typing import Any, Final

KINDS: Final = ("note", "changed", "judged", "nozzle", "supply shut", "supply open", "temperature_degc", "shot", "not a shot")
# "shot" and "not a shot" correct the detector by hand: analysis/corrections.py.
DEPTHS: Final = ("proud", "flush", "deep")

Mark = dict[str, Any]


def check_mark(mark: object) -> Mark:
    """Return the mark if it is one.

    Raises
    ------
    ValueError
        If a key is missing or a value impossible; the message says which.
    """
    if not isinstance(mark, dict):
        msg = f'a mark is a JSON object such as {{"time_s": 50.0, "kind": "note", "text": "..."}}, not {mark!r}.'
        raise ValueError(msg)
    if not _is_number(mark.get("time_s")):
        msg = f"time_s = {mark.get('time_s')!r}; needed is a number of seconds from the start."
        raise ValueError(msg)
    kind = mark.get("kind")
    if kind not in KINDS:
        msg = f"kind = {kind!r}; it is one of {', '.join(KINDS)}."
        raise ValueError(msg)
    needed = {"nozzle": ("duration_s", "conductance_l_per_s_bar"), "temperature_degc": ("temperature_degc",)}.get(str(kind), ())
    for key in needed:
        if not _is_number(mark.get(key)):
            msg = f"a mark of kind {kind} needs the number {key}; seen is {mark.get(key)!r}."
            raise ValueError(msg)
    if kind == "judged" and mark.get("depth") not in DEPTHS and not _is_number(mark.get("depth_mm")):
        msg = f"a mark of kind judged needs depth ({', '.join(DEPTHS)}) or depth_mm."
        raise ValueError(msg)
    if not isinstance(mark.get("channel", ""), str):
        msg = f"channel = {mark['channel']!r}; it is the name of a channel."
        raise ValueError(msg)
    return dict(mark)


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


def read_marks(path: Path) -> tuple[tuple[Mark, ...], tuple[str, ...]]:
    """Read marks in order of time; a line that is none is left out and reported in the second value, never guessed."""
    marks: list[Mark] = []
    warnings: list[str] = []
    for number, line in enumerate(path.read_bytes().split(b"\n"), 1):
        if not line.strip():
            continue
        try:
            marks.append(check_mark(json.loads(line.decode("utf-8-sig"))))
        except ValueError as problem:
            warnings.append(f"{path.name}, line {number}: left out: {problem}")
    marks.sort(key=lambda m: float(m["time_s"]))
    return tuple(marks), tuple(warnings)


def write_mark(path: Path, mark: Mark) -> None:
    """Append a mark and wait until it is on disk.

    Raises
    ------
    ValueError
        If it is no mark.
    """
    line = json.dumps(check_mark(mark), ensure_ascii=False, allow_nan=False).encode() + b"\n"
    with path.open("ab+", buffering=0) as file:
        # A line torn by a crash must not swallow this one.
        if file.seek(0, os.SEEK_END) and (file.seek(-1, os.SEEK_END) or True) and file.read(1) != b"\n":
            line = b"\n" + line
        file.write(line)
        os.fsync(file.fileno())
