"""Change an air-line file part by part, leaving comments and everything else in it as they are."""

from __future__ import annotations

import re
from typing import Any, Final

import tomlkit
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import AoT

from analysis.line_file import KINDS, LineError

# What a part starts with when it is added: what its kind must say, at a usual size.
STARTS: Final[dict[str, dict[str, str]]] = {
    "regulator": {"set": "6 bar"},
    "hose": {"length": "10 m", "bore": "9.5 mm"},
    "receiver": {"volume": "24 L"},
    "tool": {"air_per_shot": "1.5 L"},
}


def put(text: str, where: str | int, key: str, value: str) -> str:
    """Write a key of a part (by its index), of "site" or "compressor", or of the file itself (""); an empty value takes the key out.

    A window is written as its two ends with "to" between them: ``"5.5 bar to 7 bar"``.

    Raises
    ------
    LineError
        If the text is no TOML, or there is no such part.
    """
    document = _read(text)
    table: Any = document
    if isinstance(where, int):
        table = _parts(document)[_known(document, where)]
    elif where:
        table = document.setdefault(where, tomlkit.table())
    if not value.strip():
        table.pop(key, None)
    else:
        table[key] = [end.strip() for end in value.split(" to ")] if key == "window" else value.strip()
    return _written(document)


def add(text: str, after: int, kind: str) -> str:
    """Add a part of a kind behind another one; -1 puts it first.

    Raises
    ------
    LineError
        If the text is no TOML, the kind is unknown, or there is no such part.
    """
    if kind not in KINDS:
        msg = f"{kind!r} is no kind of part. Known are: {', '.join(KINDS)}."
        raise LineError(msg)
    document = _read(text)
    if after >= 0:
        _known(document, after)
    tables = [*_parts(document)]
    made = tomlkit.table()
    made.update({"kind": kind, **STARTS.get(kind, {})})
    made.add(tomlkit.nl())
    return _ordered(document, [*tables[: after + 1], made, *tables[after + 1 :]])


def move(text: str, index: int, by: int) -> str:
    """Move a part up (negative) or down the flow; at the end of the line it stays.

    Raises
    ------
    LineError
        If the text is no TOML, or there is no such part.
    """
    document = _read(text)
    tables = [*_parts(document)]
    part = tables.pop(_known(document, index))
    tables.insert(min(max(index + by, 0), len(tables)), part)
    return _ordered(document, tables)


def remove(text: str, index: int) -> str:
    """Take a part out.

    Raises
    ------
    LineError
        If the text is no TOML, or there is no such part.
    """
    document = _read(text)
    tables = [*_parts(document)]
    del tables[_known(document, index)]
    return _ordered(document, tables)


def said(text: str, where: str | int) -> dict[str, str]:
    """What a table of the file says, as text, key by key; empty where the text is no TOML or has no such table."""
    try:
        document = _read(text)
        return _as_text(_parts(document)[where] if isinstance(where, int) else document.get(where, {}) if where else document)
    except (LineError, IndexError):
        return {}


def parts_said(text: str) -> list[dict[str, str]]:
    """What each part says, in order of flow; empty where the text is no TOML."""
    try:
        return [_as_text(table) for table in _parts(_read(text))]
    except LineError:
        return []


def _as_text(table: Any) -> dict[str, str]:
    items = table.items() if hasattr(table, "items") else ()
    plain = [(key, value) for key, value in items if not isinstance(value, AoT | dict)]
    return {key: " to ".join(map(str, value)) if isinstance(value, list) else str(value) for key, value in plain}


def _read(text: str) -> tomlkit.TOMLDocument:
    try:
        return tomlkit.parse(text.removeprefix("\ufeff"))
    except TOMLKitError as problem:
        msg = f"This is no valid air-line file: {problem}. Put that right in the text first."
        raise LineError(msg) from None


def _parts(document: tomlkit.TOMLDocument) -> Any:
    parts = document.get("part")
    return parts if isinstance(parts, AoT) else []


def _known(document: tomlkit.TOMLDocument, index: int) -> int:
    count = len(_parts(document))
    if not 0 <= index < count:
        msg = f"There is no part {index + 1}; the line has {count}."
        raise LineError(msg)
    return index


def _ordered(document: tomlkit.TOMLDocument, tables: list[Any]) -> str:
    """Write the file with its parts in this order."""
    document.pop("part", None)
    if tables:
        parts = tomlkit.aot()
        for table in tables:
            parts.append(table)
        document["part"] = parts
    return _written(document)


def _written(document: tomlkit.TOMLDocument) -> str:
    return re.sub(r"\n{3,}", "\n\n", tomlkit.dumps(document))
