"""The time zone of this machine."""

from __future__ import annotations

import contextlib
import os
from datetime import datetime
from pathlib import Path


def zone_here(at: datetime) -> str:
    """Name of this machine's time zone ("Europe/Oslo"), or its offset at this instant where the name cannot be found."""
    named = os.environ.get("TZ", "").lstrip(":")
    if not named and os.name == "posix":
        with contextlib.suppress(OSError):
            named = os.fspath(Path("/etc/localtime").resolve()).partition("/zoneinfo/")[2]
    if named and not named.startswith("/"):
        from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

        with contextlib.suppress(ZoneInfoNotFoundError, ValueError):
            return ZoneInfo(named).key
    offset = at.astimezone().strftime("%z")
    return f"UTC{offset[:3]}:{offset[3:5]}"
