"""Log book: what the line has done, what is due, and what changes over time."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from datetime import datetime
from typing import Any, Final
from urllib.parse import urlencode

import dash_mantine_components as dmc
from dash import Dash, Input, Output, State, dcc, html, no_update

from analysis.line import Line
from analysis.logbook import LogBook
from analysis.units import parse_quantity
from dashboard import book, ui
from dashboard.reader import Reader, seconds
from dashboard.work import Work
from logger.logbook import SERVICE

PATH, TITLE, SHORT = "/logbook", "Log book", "Log"
FIELD: Final[dict[str, Any]] = {"size": "md", "className": "control"}


def layout(work: Work, query: Mapping[str, str], reader: Reader) -> html.Div:
    """Say what is due, what has changed, and what the line has done."""
    lines = work.lines()
    if not lines:
        return ui.page(TITLE, ui.no_lines())
    name = str(query.get("line") if query.get("line") in lines else next(iter(lines)))
    line, now = work.line(name), datetime.now().astimezone()
    found = book.book_of(work, name, now)
    said = book.words(line.name, found, now)
    due = any(d.is_due(now) for d in found.dues)
    ask = {"line": name, "unit": reader.unit}
    dues = [(d.what, book.when(d, now), d.why) for d in found.dues]
    return ui.page(
        TITLE,
        ui.controls(ui.choice("line", "Air line", [(n, n) for n in lines], name, default=next(iter(lines)))),
        ui.answer([said[0], *said[1:2], *said[2 + len(found.dues) :]], tone="bad" if due else "good" if found.sessions else "plain"),
        ui.card("What is due", ui.table(["what", "when", "why"], dues, words=True)) if dues else None,
        html.Div([_write_down(name, line, len(work.entries(line.name))), _entries(work, line)], className="two"),
        _sessions(found, reader),
        html.Div(
            [
                html.A("Log book as CSV", href=ui.address("/download/logbook.csv", ask), className="button", download=True),
                html.A("What is due as calendar", href=ui.address("/download/logbook.ics", ask), className="button", download=True),
            ],
            className="actions",
        ),
        ui.cautions("vessel", "whip"),
        ui.how(
            "Shots and hours are those of the sessions that name this line. Water is what the line model lets fall out for each shot at "
            "the site's weather (page Water), since it was last drained; drain every day all the same. Trends are the median of the slopes "
            "between all pairs of sessions with Sen's 95 % interval, said from five sessions on.",
        ),
    )


def _write_down(name: str, line: Line, entries: int) -> html.Section:
    return ui.card(
        "Write down what was done",
        html.Div(
            [
                dmc.Select(id="book-kind", label="What", data=list(SERVICE), value=SERVICE[0], allowDeselect=False, **FIELD),
                dmc.TextInput(id="book-water", label="Water that came out", description="e.g. 80 mL", **FIELD),
                dmc.TextInput(id="book-note", label="Note", description="your words", **FIELD),
            ],
            className="controls",
        ),
        html.Div(
            [
                html.Button("Write it down", id="book-write", className="button strong", n_clicks=0),
                html.Span(id="book-said", role="status"),
                dcc.Store(id="book-line", data={"line": name, "named": line.name, "entries": entries}),
            ],
            className="actions",
        ),
        className="hint",
    )


def _entries(work: Work, line: Line) -> html.Section:
    rows = [
        (
            f"{ui.whole(f'{e.when:%Y-%m-%d}')} {e.when:%H:%M}",
            e.kind,
            "" if e.water_m3 is None else ui.whole(f"{1e6 * e.water_m3:.0f} mL"),
            e.note,
        )
        for e in work.entries(line.name)[::-1][:30]
    ]
    shown = ui.table(["when", "what", "water", "note"], rows, words=True) if rows else html.P("Nothing yet.")
    return ui.card("Written down", shown)


def _sessions(found: LogBook, reader: Reader) -> html.Section | None:
    if not found.sessions:
        return None

    def cell(x: float, write: Callable[[float], str]) -> str:
        return "–" if math.isnan(x) else ui.whole(write(x))

    rows = [
        (
            d.name,
            ui.whole(f"{d.started:%Y-%m-%d}"),
            ui.whole(seconds(d.duration_s)),
            str(d.shots),
            cell(d.recovery_s, seconds),
            ui.bare(cell(d.dip_pa, reader.pressure)),
            cell(d.leak_m3_per_s, reader.flow),
            cell(d.delivery_m3_per_s, reader.flow),
        )
        for d in found.sessions[::-1][:60]
    ]
    return ui.card(
        "Its sessions", ui.table(["session", "day", "length", "shots", "recovery", f"dip [{reader.unit}]", "leak", "delivery"], rows)
    )


def written(work: Work, of: Mapping[str, Any], kind: str, water: str, note: str) -> tuple[Any, Any]:
    """Write an entry; return what to say, and the address's search that shows the page with it."""
    try:
        work.write_down(of["named"], kind, water_m3=parse_quantity(water, "volume") if water.strip() else None, note=note)
    except ValueError as problem:
        return f"Not written: {problem}", no_update
    return f"Written down: {kind}.", f"?{urlencode({'line': of['line'], 'entries': of['entries'] + 1})}"


def register(app: Dash, work: Work) -> None:
    """Connect writing down."""

    @app.callback(
        Output("book-said", "children"),
        Output("url", "search", allow_duplicate=True),
        Input("book-write", "n_clicks"),
        State("book-line", "data"),
        State("book-kind", "value"),
        State("book-water", "value"),
        State("book-note", "value"),
        prevent_initial_call=True,
    )
    def write(clicks: int, of: dict[str, Any], kind: str, water: str | None, note: str | None) -> tuple[Any, Any]:
        return written(work, of, kind, water or "", note or "") if clicks else (no_update, no_update)
