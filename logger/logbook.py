"""The log book: what was done to a line and found before work, one JSON object a line, appended as it is written down."""

from __future__ import annotations

import json
import math
import os
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any, Final

from logger.home import home as home_folder

FILE: Final = "logbook.jsonl"
CHECKED: Final = "checked before work"
SERVICE: Final = ("tank drained", "receiver drained", "desiccant changed", "filter changed", "tool serviced")


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One thing written down.

    Attributes
    ----------
    when : datetime
        Zone-aware.
    line : str
        Name of the air line.
    kind : str
        `CHECKED` or one of `SERVICE`.
    answers : mapping of str to bool
        Before work: question by its short name, and whether it was found in order.
    water_m3 : float or None
        Water that came out, where it was measured [m3].
    note : str
        Free text.
    """

    when: datetime
    line: str
    kind: str
    answers: Mapping[str, bool] = field(default_factory=dict)
    water_m3: float | None = None
    note: str = ""


def write_entry(home: Path | str | None, entry: Entry) -> None:
    """Append an entry, and wait until it is on disk.

    Raises
    ------
    ValueError
        If the kind is unknown, the time has no zone, or the water is no amount.
    """
    if entry.kind not in {CHECKED, *SERVICE}:
        msg = f"{entry.kind!r} is nothing that the log book knows. Known are: {', '.join((CHECKED, *SERVICE))}."
        raise ValueError(msg)
    if entry.when.tzinfo is None:
        msg = f"{entry.when.isoformat()} has no time zone; an entry needs one."
        raise ValueError(msg)
    if entry.water_m3 is not None and not (math.isfinite(entry.water_m3) and entry.water_m3 >= 0.0):
        msg = f"{entry.water_m3} m3 of water cannot be; needed is none or more."
        raise ValueError(msg)
    said: dict[str, Any] = {"when": entry.when.isoformat(timespec="seconds"), "line": entry.line, "kind": entry.kind}
    said |= {"answers": dict(entry.answers)} if entry.answers else {}
    said |= {"water_ml": round(1e6 * entry.water_m3, 3)} if entry.water_m3 is not None else {}
    said |= {"note": entry.note} if entry.note else {}
    path = home_folder(home) / FILE
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("a", encoding="utf-8") as file:
        file.write(json.dumps(said, ensure_ascii=False) + "\n")
        file.flush()
        os.fsync(file.fileno())


def read_entries(home: Path | str | None, line: str | None = None) -> tuple[Entry, ...]:
    """Read the log book in order of time, of one line or of all. A line of the file that cannot be read is passed over."""
    path = home_folder(home) / FILE
    found = [_entry(text) for text in (path.read_text(encoding="utf-8").splitlines() if path.is_file() else ())]
    return tuple(sorted((e for e in found if e is not None and line in {None, e.line}), key=lambda e: e.when))


def _entry(text: str) -> Entry | None:
    try:
        said = json.loads(text)
        water = said.get("water_ml")
        return Entry(
            when=datetime.fromisoformat(said["when"]),
            line=str(said["line"]),
            kind=str(said["kind"]),
            answers={str(k): bool(v) for k, v in said.get("answers", {}).items()},
            water_m3=None if water is None else float(water) / 1e6,
            note=str(said.get("note", "")),
        )
    except (ValueError, KeyError, TypeError, AttributeError):
        return None
