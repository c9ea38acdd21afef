"""Sessions: what was recorded, and the place where files are brought in."""

from __future__ import annotations

import base64
import binascii
from collections.abc import Mapping, Sequence
from typing import Any
from urllib.parse import quote
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import dash_mantine_components as dmc
from dash import ALL, MATCH, Dash, Input, Output, State, ctx, dcc, html, no_update

from analysis.units import UNITS
from dashboard import ui
from dashboard.reader import Reader, seconds
from dashboard.work import Work
from logger.session import Session

PATH, TITLE, SHORT = "/sessions", "Sessions", "Sessions"
PRESSURE_UNITS = ("psi", "bar", "kPa", "mbar", "MPa", "Pa")
EDITED = ("name", "notes", "line", "site")
SHOWN = 60  # sessions listed at first
COUNTED = 30  # sessions at the head of the list whose shots are counted there
LARGEST_BYTES = 250 * 1024 * 1024


def layout(work: Work, query: Mapping[str, str], reader: Reader) -> html.Div:
    """Show the sessions, newest first."""
    del reader
    wanted = query.get("find", "").strip().casefold()
    every = work.sessions()
    shown = [s for s in every if wanted in f"{s.name} {s.notes} {s.site} {s.line}".casefold()]
    found: Any
    if not every:
        found = ui.empty(
            "No sessions yet",
            "Drop a CSV file from any logger above, or record a sensor with: farend record --port PORT. To look around with an invented "
            "session, run: farend demo.",
        )
    elif not shown:
        found = ui.empty("Nothing of that name", f"None of {len(every)} sessions mentions “{query.get('find', '')}”.", ("Show all", PATH))
    else:
        found = _listed(shown, query)
    search = ui.controls(ui.entry("find", "Find", query.get("find", ""), hint="In names, notes and places")) if len(every) > 5 else None
    return ui.page(
        TITLE,
        _drop(),
        html.Div(id="imported", **{"aria-live": "polite"}),
        search,
        html.Div(found, id="session-list"),
        _dialogs(),
        lead=_lead(every),
    )


def _lead(every: Sequence[Session]) -> str:
    count = len(every)
    return (
        "Bring readings in, then ask them something." if not count else f"{count} recording{'s' if count != 1 else ''}, the newest first."
    )


def _drop() -> html.Div:
    return html.Div(
        [
            dcc.Upload(
                html.Div(
                    [
                        html.Strong("Drop CSV files here, or tap to choose"),
                        html.Span("Several at once is fine; so are sessions that farend packed. Units are read from the header."),
                    ],
                    className="inside",
                ),
                id="files",
                multiple=True,
                accept=".csv,.txt,.tsv,.dat,.log,.zip",
                max_size=LARGEST_BYTES,
                className="drop",
                className_active="drop over",
            ),
            dmc.Select(
                id="files-unit",
                label="Unit, if a file names none",
                data=[{"value": "", "label": "read it from the file"}, *[{"value": u, "label": UNITS[u].name} for u in PRESSURE_UNITS]],
                value="",
                allowDeselect=False,
                size="md",
                className="control",
            ),
        ],
        className="intake",
    )


def _listed(sessions: Sequence[Session], query: Mapping[str, str]) -> html.Div:
    """List the newest; the others on demand, as hundreds take a browser a while."""
    shown = sessions if query.get("all") else sessions[:SHOWN]
    rows = html.Ul([_session(s, counted=i < COUNTED) for i, s in enumerate(shown)], className="sessions")
    left = len(sessions) - len(shown)
    return html.Div([rows, ui.link(PATH, {**query, "all": "1"}, f"Show {left} older ones too") if left else None])


def _session(session: Session, *, counted: bool) -> html.Li:
    """Show one session: its trace, facts, and where to go with it."""
    name = session.name
    tags = [html.Span(t, className="tag") for t, is_so in (("recording now", session.recording), ("recovered", session.recovered)) if is_so]
    ask = {"session": name}
    return html.Li(
        [
            html.Div(html.Img(alt=f"Trace of {name}", **{"data-src": f"/thumbnail/{quote(name)}.svg"}), className="thumb"),
            html.Div(
                [
                    html.H2([name, " ", *tags]),
                    html.P([facts(session), html.Span(id={"count": name}) if counted else None], className="facts"),
                    html.P(session.notes) if session.notes else None,
                ]
            ),
            html.Div(
                [
                    ui.link("/shots", ask, "Shots"),
                    ui.link("/leakdown", ask, "Leak-down"),
                    dmc.Checkbox(
                        id={"pick": name}, label="Compare", checked=False, size="md", className="pick", **{"aria-label": f"Compare {name}"}
                    ),
                    html.Button("Edit", id={"edit": name}, className="button quiet", n_clicks=0, **{"aria-label": f"Edit {name}"}),
                    _take_away(session),
                    html.Button("Delete", id={"delete": name}, className="button quiet", n_clicks=0, **{"aria-label": f"Delete {name}"}),
                ],
                className="actions",
            ),
        ],
        className="session",
    )


def _tick(name: str) -> dmc.Checkbox:
    return dmc.Checkbox(id={"pick": name}, label="Compare", checked=False, size="md", className="pick", **{"aria-label": f"Compare {name}"})


def _take_away(session: Session) -> html.Details | None:
    """Offer a session as a file, once it is finished."""
    if not session.finished:
        return None
    rows = (("zip", "All of it, to pass on"), ("csv", "Readings as CSV"), ("parquet", "Readings as Parquet"))
    links = [html.A(what, href=ui.address(f"/download/session.{form}", {"session": session.name}), download=True) for form, what in rows]
    return html.Details([html.Summary("Export", **{"aria-label": f"Export {session.name}"}), html.Div(links)], className="take-away")


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


def _dialogs() -> html.Div:
    return html.Div(
        [
            dcc.Store(id="binned"),
            dcc.Store(id="editing"),
            html.Div(id="picked", **{"aria-live": "polite"}),
            dmc.Modal(
                id="edit-dialog",
                title="Edit the session",
                children=[
                    dmc.TextInput(id="edit-name", label="Name", size="md"),
                    dmc.Textarea(id="edit-notes", label="Notes", autosize=True, minRows=2, maxRows=8, size="md"),
                    dmc.TextInput(id="edit-line", label="Air line", description="the name of one on the Setup page", size="md"),
                    dmc.TextInput(id="edit-site", label="Place", size="md"),
                    html.P(id="edit-problem", className="check-bad", role="alert"),
                    html.Button("Keep", id="edit-go", className="button strong", n_clicks=0),
                ],
                opened=False,
            ),
        ]
    )


def register(app: Dash, work: Work) -> None:
    """Connect import, edit, compare, delete and undo."""

    @app.callback(Output({"count": MATCH}, "children"), Input({"count": MATCH}, "id"))
    def count(session: dict[str, str]) -> str:
        return counted(work, session["count"])

    @app.callback(
        Output("imported", "children"),
        Output("session-list", "children"),
        Output("files", "contents"),
        Input("files", "contents"),
        State("files", "filename"),
        State("files-unit", "value"),
        prevent_initial_call=True,
    )
    def bring_in(contents: list[str] | None, names: list[str], unit: str) -> tuple[Any, Any, Any]:
        if not contents:
            return no_update, no_update, no_update
        return imported(work, names, contents, unit), _list(work), None

    @app.callback(
        Output("imported", "children", allow_duplicate=True),
        Output("session-list", "children", allow_duplicate=True),
        Input({"delete": ALL}, "n_clicks"),
        prevent_initial_call=True,
    )
    def remove(clicks: list[int]) -> tuple[Any, Any]:
        if not any(clicks) or not isinstance(ctx.triggered_id, dict):
            return no_update, no_update
        return deleted(work, ctx.triggered_id["delete"]), _list(work)

    @app.callback(
        Output("imported", "children", allow_duplicate=True),
        Output("session-list", "children", allow_duplicate=True),
        Input({"undo": ALL}, "n_clicks"),
        prevent_initial_call=True,
    )
    def bring_back(clicks: list[int]) -> tuple[Any, Any]:
        if not any(clicks) or not isinstance(ctx.triggered_id, dict):
            return no_update, no_update
        return html.P(f"{work.restore(ctx.triggered_id['undo'])} is back.", className="note"), _list(work)

    @app.callback(
        Output("edit-dialog", "opened"),
        Output("editing", "data"),
        *(Output(f"edit-{what}", "value") for what in EDITED),
        Output("edit-problem", "children"),
        Input({"edit": ALL}, "n_clicks"),
        prevent_initial_call=True,
    )
    def ask(clicks: list[int]) -> tuple[Any, ...]:
        if not any(clicks) or not isinstance(ctx.triggered_id, dict):
            return (no_update,) * (3 + len(EDITED))
        session = work.session(ctx.triggered_id["edit"])
        return True, session.name, *(getattr(session, what) for what in EDITED), ""

    @app.callback(
        Output("edit-dialog", "opened", allow_duplicate=True),
        Output("edit-problem", "children", allow_duplicate=True),
        Output("session-list", "children", allow_duplicate=True),
        Input("edit-go", "n_clicks"),
        State("editing", "data"),
        *(State(f"edit-{what}", "value") for what in EDITED),
        prevent_initial_call=True,
    )
    def keep(clicks: int, old: str, *said: str | None) -> tuple[Any, Any, Any]:
        return edited(work, old, dict(zip(EDITED, said, strict=True))) if clicks and old else (no_update, no_update, no_update)

    @app.callback(Output("picked", "children"), Input({"pick": ALL}, "checked"), State({"pick": ALL}, "id"), prevent_initial_call=True)
    def pick(ticked: list[bool], ids: list[dict[str, str]]) -> Any:
        return picked(work, [i["pick"] for i, on in zip(ids, ticked, strict=True) if on])


def edited(work: Work, old: str, said: Mapping[str, str | None]) -> tuple[Any, Any, Any]:
    """Keep what was typed; return whether the dialog stays, what is wrong, and the list."""
    try:
        work.edit(old, said["name"] or "", notes=said["notes"] or "", line=said["line"] or "", site=said["site"] or "")
    except (ValueError, OSError) as problem:
        return True, str(problem), no_update
    return False, "", _list(work)


def picked(work: Work, names: Sequence[str]) -> Any:
    """Offer to compare the two sessions that are ticked, the earlier as before."""
    if not names:
        return None
    if len(names) != 2:
        said = "Tick one more to compare them." if len(names) == 1 else f"{len(names)} are ticked; tick two."
        return html.Div(html.P(said), className="picked")
    before, after = sorted((work.session(n) for n in names), key=lambda s: s.started)
    go = ui.link("/compare", {"before": before.name, "after": after.name}, "Compare them", "button strong")
    return html.Div([html.P(f"{before.name}, then {after.name}"), go], className="picked")


def _list(work: Work) -> html.Div:
    return _listed(work.sessions(), {})


def imported(work: Work, names: Sequence[str], contents: Sequence[str], unit: str) -> html.Div:
    """Import what was dropped; say of each file what was understood, or why it was refused."""
    return html.Div([_imported(work, name, content, unit) for name, content in zip(names, contents, strict=True)], className="page")


def _imported(work: Work, name: str, content: str, unit: str) -> Any:
    try:
        data = base64.b64decode(content.partition(",")[2], validate=True)
        taken = work.take_in(name, data, unit)
    except (ValueError, OSError, binascii.Error) as problem:
        return html.Section(
            [html.P(f"{name} was not imported", className="answer-tone"), html.P(str(problem))], className="answer tone-bad", role="alert"
        )
    ask = {"session": taken.name}
    return html.Section(
        [
            html.P("Imported", className="answer-tone"),
            *[html.P(s) for s in taken.sentences],
            html.Div([ui.link("/shots", ask, "Shots", "button strong"), ui.link("/leakdown", ask, "Leak-down")], className="actions"),
        ],
        className="answer tone-good",
    )


def counted(work: Work, name: str) -> str:
    """Say how many shots a session has, once the list stands; nothing where there are none or it cannot be told."""
    try:
        shots = work.shot_count(name)
    except (ValueError, OSError):
        return ""
    return f" · {shots} shot{'s' if shots != 1 else ''}" if shots else ""


def deleted(work: Work, name: str) -> Any:
    """Move a session to the bin, and offer to bring it back."""
    try:
        binned = work.delete(name)
    except (ValueError, OSError) as problem:
        return ui.refused(problem)
    undo = html.Button("Undo", id={"undo": binned.name}, className="button", n_clicks=0)
    return html.Div([html.P(f"{name} is in the bin."), undo], className="card")
