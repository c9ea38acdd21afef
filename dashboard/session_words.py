"""A session in a line of words."""

from __future__ import annotations

from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from dashboard.reader import seconds
from logger.session import Session


def facts(session: Session) -> str:
    """Say when, how long, how many readings and which channels."""
    when = session.started.astimezone(_zone(session.zone)).strftime("%d %b %Y, %H:%M")
    parts = [
        when,
        seconds(session.duration_s),
        f"{session.count:,} readings".replace(",", " "),
        ", ".join(c.name for c in session.channels),
    ]
    if session.line:
        parts.append(f"line: {session.line}")
    return " · ".join(parts)


def _zone(name: str) -> ZoneInfo:
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError):
        return ZoneInfo("UTC")
