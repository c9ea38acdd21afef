"""What was answered before work, kept with its date: one JSON object a line, appended as it is answered."""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from logger.home import home as home_folder

FILE = "checks.jsonl"


@dataclass(frozen=True, slots=True, kw_only=True)
class Check:
    """Answers of one day for one line.

    Attributes
    ----------
    when : datetime
        Zone-aware.
    line : str
        Name of the air line.
    answers : mapping of str to bool
        Question by its short name: whether it was found in order.
    note : str
        Free text.
    """

    when: datetime
    line: str
    answers: Mapping[str, bool]
    note: str = ""


def keep_check(home: Path | str | None, check: Check) -> None:
    """Append answers, and wait until they are on disk."""
    path = home_folder(home) / FILE
    path.parent.mkdir(parents=True, exist_ok=True)
    said = {"when": check.when.isoformat(timespec="seconds"), "line": check.line, "answers": dict(check.answers), "note": check.note}
    with path.open("a", encoding="utf-8") as file:
        file.write(json.dumps(said, ensure_ascii=False) + "\n")
        file.flush()
        os.fsync(file.fileno())


def read_checks(home: Path | str | None, line: str | None = None) -> tuple[Check, ...]:
    """Read what was answered, in order of time; of one line, or of all. A line that cannot be read is passed over."""
    path = home_folder(home) / FILE
    found = []
    for text in path.read_text(encoding="utf-8").splitlines() if path.is_file() else ():
        try:
            said = json.loads(text)
            answers = {str(k): bool(v) for k, v in said["answers"].items()}
            check = Check(
                when=datetime.fromisoformat(said["when"]), line=str(said["line"]), answers=answers, note=str(said.get("note", ""))
            )
        except (ValueError, KeyError, TypeError, AttributeError):
            continue
        if line is None or check.line == line:
            found.append(check)
    return tuple(sorted(found, key=lambda c: c.when))
