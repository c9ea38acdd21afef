"""The log book: gathered from sessions and entries, in sentences and JSON, as a table and as a calendar to carry away."""

from __future__ import annotations

import csv
import io
import math
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any, Final

from analysis.logbook import Digest, Due, LogBook, Service, keep_book
from analysis.units import significant
from dashboard.answers import KPA, LITRE, Json, estimate, number
from dashboard.reader import Reader, change, seconds
from logger.logbook import SERVICE, Entry
from logger.long import is_long
from logger.sensors import OLD_DAYS

if TYPE_CHECKING:
    from analysis.line import Line
    from dashboard.work import Work
    from logger.session import Session

WORSE: Final = {
    "recovery": ("rises", "slower: look at the filter, the couplers and the hose"),
    "dip": ("rises", "deeper: look at the couplers, and drain the receiver"),
    "leak": ("rises", "growing: test the line shut in overnight, and soap the joints"),
    "delivery": ("falls", "less: look at the intake filter, the valves and the belt"),
}


def book_of(work: Work, line_name: str, now: datetime) -> LogBook:
    """Gather the log book of a kept line."""
    line = work.line(line_name)
    sessions = [s for s in work.sessions() if s.line in {line_name, line.name}]
    return keep_book(
        [_digest(work, s, line) for s in sessions],
        services_of(work.entries(line.name), sessions),
        work.water(line, {}, "silica gel")[0].balance,
        {s.made.name or key: s.calibrated for key, s in work.sensors().items() if s.calibrated is not None},
        now=now,
        calibration_days=OLD_DAYS,
    )


def services_of(entries: tuple[Entry, ...], sessions: list[Session]) -> list[Service]:
    """What was done to the line, by the log book and by marks whose words say so."""
    written = [Service(kind=e.kind, when=e.when) for e in entries if e.kind in SERVICE]
    marked = [
        Service(kind=kind, when=datetime.fromtimestamp(s.started.timestamp() + float(m["time_s"]), s.started.tzinfo))
        for s in sessions
        for m in s.marks
        for kind in SERVICE
        if str(m.get("text", "")).strip().casefold() == kind
    ]
    return [*written, *marked]


def _digest(work: Work, session: Session, line: Line) -> Digest:
    """A session in a few numbers; what its own page would refuse tells nothing here."""
    nothing = Digest(name=session.name, started=session.started, duration_s=session.duration_s)
    if is_long(session):
        return nothing
    try:
        record, summary = work.shots(session.name)
        if record.shots:
            return Digest(
                name=session.name,
                started=session.started,
                duration_s=session.duration_s,
                shots=len(record.shots),
                recovery_s=_known(summary.median_recovery_s.value),
                dip_pa=_known(summary.median_dip_pa.value),
            )
        cycles = work.cycles(session.name, None, line.compressor.tank_m3)
    except (ValueError, OSError):
        return nothing
    return Digest(
        name=session.name,
        started=session.started,
        duration_s=session.duration_s,
        leak_m3_per_s=_known(cycles.leak_m3_per_s.value),
        delivery_m3_per_s=_known(cycles.delivery_m3_per_s.value),
    )


def _known(value: float | None) -> float:
    return math.nan if value is None else value


def words(line_name: str, book: LogBook, now: datetime) -> list[str]:
    """Say what is due, what has changed, and what the line has done."""
    if not book.sessions:
        return [
            f"No session names {line_name} as its line yet. Record with --line, or write the line into a session on the page Sessions; "
            "then its shots and hours are kept here."
        ]
    due = [d for d in book.dues if d.is_due(now)]
    head = f"Due now: {', '.join(d.what for d in due)}." if due else "Nothing is due."
    out = [head, f"{line_name}: {book.shots} shots in {seconds(book.work_s)} of work, {len(book.sessions)} sessions."]
    out += [f"{d.what.capitalize()}: {when(d, now)}. {d.why}" for d in book.dues]
    for name, (bad, what) in WORSE.items():
        t = book.trends[name]
        if t.verdict == bad and t.change.value is not None and t.change.low is not None and t.change.high is not None:
            since = f"{book.sessions[0].started:%Y-%m-%d}"
            spread = f"{change(t.change.low)} to {change(t.change.high)}"
            out.append(f"The {name} has changed by {change(t.change.value)} since {since} (95 % {spread}), {what}.")
    return out


def when(due: Due, now: datetime) -> str:
    """Write when something is due: now, in hours of work, by its day."""
    left = due.work_left_s
    if due.is_due(now):
        return "now"
    if left.value is None:
        return f"on {due.on:%Y-%m-%d}" if due.on else "not known"
    hours = f"in about {significant(left.value / 3600.0, 2)} h of work"
    if left.low is not None and left.high is not None:
        low, high = (significant(max(x, 0.0) / 3600.0, 2) for x in (left.low, left.high))
        hours += f" (95 % between {low} and {high} h)"
    return hours + (f", near {due.on:%Y-%m-%d} at this pace" if due.on else "")


def answer(book: LogBook) -> Json:
    """Answer of `farend logbook`."""
    shots, work_s = book.since_drained
    return {
        "shots": book.shots,
        "work_h": number(book.work_s, 1.0 / 3600.0),
        "since_drained": {"shots": shots, "work_h": number(work_s, 1.0 / 3600.0)},
        "due": [
            {"what": d.what, "work_left_h": estimate(d.work_left_s, 1.0 / 3600.0), "on": d.on.isoformat() if d.on else None, "why": d.why}
            for d in book.dues
        ],
        "trends": {name: {"verdict": t.verdict, "change": estimate(t.change), "sessions": t.count} for name, t in book.trends.items()},
        "sessions": [
            {
                "name": d.name,
                "started": d.started.isoformat(),
                "duration_s": number(d.duration_s),
                "shots": d.shots,
                "recovery_s": number(d.recovery_s),
                "dip_kpa": number(d.dip_pa, KPA),
                "leak_l_per_s": number(d.leak_m3_per_s, LITRE),
                "delivery_l_per_s": number(d.delivery_m3_per_s, LITRE),
            }
            for d in book.sessions
        ],
        "warnings": [],
    }


def as_csv(book: LogBook, entries: tuple[Entry, ...], reader: Reader) -> str:
    """Sessions and entries as one table in order of time."""
    out = io.StringIO()
    table = csv.writer(out, lineterminator="\n")
    u = reader.unit.lower()
    table.writerow(["when", "what", "length_s", "shots", "recovery_s", f"dip_{u}", "leak_l_per_s", "delivery_l_per_s", "water_ml", "note"])

    def cell(x: float, digits: int = 4) -> str:
        return "" if math.isnan(x) else significant(x, digits)

    rows: list[tuple[Any, ...]] = [
        (
            d.started,
            f"session: {d.name}",
            f"{d.duration_s:.1f}",
            d.shots,
            cell(d.recovery_s),
            cell(reader.pressure_value(d.dip_pa)),
            cell(1e3 * d.leak_m3_per_s),
            cell(1e3 * d.delivery_m3_per_s),
            "",
            "",
        )
        for d in book.sessions
    ]
    for e in entries:
        wrong = ", ".join(k for k, good in e.answers.items() if not good)
        note = "; ".join(x for x in (f"not in order: {wrong}" if wrong else "", e.note) if x)
        rows.append((e.when, e.kind, "", "", "", "", "", "", "" if e.water_m3 is None else f"{1e6 * e.water_m3:.0f}", note))
    for row in sorted(rows, key=lambda r: r[0]):
        table.writerow([row[0].isoformat(timespec="seconds"), *map(_plain, row[1:])])
    return out.getvalue()


def _plain(cell: object) -> object:
    """Keep a spreadsheet from taking words for a formula."""
    return f"'{cell}" if isinstance(cell, str) and cell[:1] in {"=", "+", "@"} else cell


def as_calendar(line_name: str, book: LogBook, now: datetime) -> bytes:
    """What is due as a calendar (RFC 5545), an all-day event each; what cannot be dated is left out."""
    from icalendar import Calendar, Event

    calendar = Calendar()
    calendar.add("prodid", "-//farend//log book//")
    calendar.add("version", "2.0")
    for due in book.dues:
        if due.on is None:
            continue
        event = Event()
        # The same thing due keeps its name, so that a calendar that is read again is moved, not doubled.
        event.add("uid", f"{line_name}/{due.what}@farend".replace(" ", "-"))
        event.add("dtstamp", now)
        event.add("dtstart", due.on.date())
        event.add("dtend", due.on.date() + timedelta(days=1))
        event.add("summary", f"{line_name}: {due.what}")
        event.add("description", due.why)
        calendar.add_component(event)
    return bytes(calendar.to_ical())
