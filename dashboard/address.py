"""What an address asks of a page: its choices, and the reader's units."""

from __future__ import annotations

from collections.abc import Mapping
from urllib.parse import parse_qs

from dashboard.reader import UNIT_SETS, Reader


def choices(address: Mapping[str, str]) -> dict[str, str]:
    """Choices in an address, with the reader's tariff where it names none."""
    query = {key: values[-1] for key, values in parse_qs((address.get("search") or "").lstrip("?")).items()}
    if address.get("tariff"):
        query.setdefault("tariff", address["tariff"])
    return query


def reader_of(address: Mapping[str, str]) -> Reader:
    """Units that the reader has chosen."""
    unit = address.get("unit")
    return Reader(unit if unit in UNIT_SETS else "bar")
