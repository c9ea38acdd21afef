"""Sessions: what was recorded, and the place where files are brought in."""

from __future__ import annotations

import base64
import binascii
from collections.abc import Mapping, Sequence
from typing import Any
from urllib.parse import quote

import dash_mantine_components as dmc
import flask
from dash import ALL, ClientsideFunction, Dash, Input, Output, State, ctx, dcc, html, no_update

from analysis.units import UNITS
from dashboard import ui
from dashboard.address import choices
from dashboard.reader import Reader
from dashboard.session_words import facts
from dashboard.work import Work
from logger.session import Session

PATH, TITLE, SHORT = "/sessions", "Sessions", "Sessions"
PRESSURE_UNITS = ("psi", "bar", "kPa", "mbar", "MPa", "Pa")
EDITED = ("name", "notes", "line", "site")
SHOWN = 20  # sessions of a page: a browser takes a while over hundreds
LARGEST_BYTES = 250 * 1024 * 1024


def layout(work: Work, query: Mapping[str, str], reader: Reader) -> html.Div:
    """Show the sessions, newest first."""
    del reader
    every = work.sessions()
    search = ui.controls(ui.entry("find", "Find", query.get("find", ""), hint="In names, notes and places")) if len(every) > 5 else None
    return ui.page(
        TITLE,
        _drop(),
        html.Div(id="imported", **{"aria-live": "polite"}),
        search,
        html.Div(_found(every, query), id="session-list"),
        html.Div(id="ticked-answer", className="picked", **{"aria-live": "polite"}),
        _dialogs(),
        lead=_lead(every),
    )


def _found(every: Sequence[Session], query: Mapping[str, str]) -> Any:
    """List what was asked for."""
    wanted = query.get("find", "").strip().casefold()
    shown = [s for s in every if wanted in f"{s.name} {s.notes} {s.site} {s.line}".casefold()]
    if not every:
        return ui.empty(
            "No sessions yet",
            "Drop a CSV file from any logger above, or record a sensor with: farend record --port PORT. To look around with an invented "
            "session, run: farend demo.",
        )
    if not shown:
        return ui.empty("Nothing of that name", f"None of {len(every)} sessions mentions “{query.get('find', '')}”.", ("Show all", PATH))
    return _listed(shown, query)


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
    """List them page by page."""
    pages = -(-len(sessions) // SHOWN)
    asked = query.get("page", "1")
    page = min(max(int(asked) if asked.isdecimal() else 1, 1), pages)
    first = (page - 1) * SHOWN
    shown = sessions[first : first + SHOWN]
    rows = html.Ul([_session(s) for s in shown], className="sessions")
    if pages == 1:
        return html.Div(rows)
    steps = [
        ui.link(PATH, {**query, "page": str(page - 1)}, "‹ Newer", "button") if page > 1 else None,
        html.Span(f"{first + 1} to {first + len(shown)} of {len(sessions)}"),
        ui.link(PATH, {**query, "page": str(page + 1)}, "Older ›", "button") if page < pages else None,
    ]
    return html.Div([rows, html.Nav(steps, className="actions leaf", **{"aria-label": "More sessions"})])


def _session(session: Session) -> html.Li:
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
                    html.P([facts(session), html.Span(**{"data-text": f"/count/{quote(name)}"})], className="facts"),
                    html.P(session.notes) if session.notes else None,
                ]
            ),
            html.Div(
                [
                    ui.link("/shots", ask, "Shots"),
                    ui.link("/leakdown", ask, "Leak-down"),
                    html.Button("Edit", id={"edit": name}, className="button quiet", n_clicks=0, **{"aria-label": f"Edit {name}"}),
                    dmc.Checkbox(
                        id={"pick": name}, label="Compare", checked=False, size="md", className="pick", **{"aria-label": f"Compare {name}"}
                    ),
                    _take_away(session),
                    html.Button("Delete", id={"delete": name}, className="button quiet", n_clicks=0, **{"aria-label": f"Delete {name}"}),
                ],
                className="actions",
            ),
        ],
        className="session",
    )


def _take_away(session: Session) -> html.Details | None:
    """Offer a session as a file, once it is finished."""
    if not session.finished:
        return None
    rows = (("zip", "All of it, to pass on"), ("csv", "Readings as CSV"), ("parquet", "Readings as Parquet"))
    links = [html.A(what, href=ui.address(f"/download/session.{form}", {"session": session.name}), download=True) for form, what in rows]
    return html.Details([html.Summary("Export", **{"aria-label": f"Export {session.name}"}), html.Div(links)], className="take-away")


def _dialogs() -> html.Div:
    return html.Div(
        [
            dcc.Store(id="binned"),
            dcc.Store(id="editing"),
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

    @app.server.route("/count/<path:name>")
    def count(name: str) -> flask.Response:
        return flask.Response(counted(work, name), mimetype="text/plain")

    @app.callback(
        Output("imported", "children"),
        Output("session-list", "children"),
        Output("files", "contents"),
        Input("files", "contents"),
        State("files", "filename"),
        State("files-unit", "value"),
        State("address", "data"),
        prevent_initial_call=True,
    )
    def bring_in(contents: list[str] | None, names: list[str], unit: str, address: dict[str, str]) -> tuple[Any, Any, Any]:
        if not contents:
            return no_update, no_update, no_update
        return imported(work, names, contents, unit), listed(work, address), None

    @app.callback(
        Output("imported", "children", allow_duplicate=True),
        Output("session-list", "children", allow_duplicate=True),
        Input({"delete": ALL}, "n_clicks"),
        State("address", "data"),
        prevent_initial_call=True,
    )
    def remove(clicks: list[int], address: dict[str, str]) -> tuple[Any, Any]:
        if not any(clicks) or not isinstance(ctx.triggered_id, dict):
            return no_update, no_update
        return deleted(work, ctx.triggered_id["delete"]), listed(work, address)

    @app.callback(
        Output("imported", "children", allow_duplicate=True),
        Output("session-list", "children", allow_duplicate=True),
        Input({"undo": ALL}, "n_clicks"),
        State("address", "data"),
        prevent_initial_call=True,
    )
    def bring_back(clicks: list[int], address: dict[str, str]) -> tuple[Any, Any]:
        if not any(clicks) or not isinstance(ctx.triggered_id, dict):
            return no_update, no_update
        return html.P(f"{work.restore(ctx.triggered_id['undo'])} is back.", className="note"), listed(work, address)

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
        State("address", "data"),
        *(State(f"edit-{what}", "value") for what in EDITED),
        prevent_initial_call=True,
    )
    def keep(clicks: int, old: str, address: dict[str, str], *said: str | None) -> tuple[Any, Any, Any]:
        if not clicks or not old:
            return no_update, no_update, no_update
        return edited(work, old, dict(zip(EDITED, said, strict=True)), address)

    app.clientside_callback(
        ClientsideFunction("farend", "tick"), Output({"pick": ALL}, "checked"), Input({"pick": ALL}, "id"), Input("ticked", "data")
    )

    @app.callback(Output("ticked-answer", "children"), Input("ticked", "data"), Input({"pick": ALL}, "id"))
    def pick(ticked: list[str], _listed: list[dict[str, str]]) -> Any:
        return picked(work, ticked)


def edited(work: Work, old: str, said: Mapping[str, str | None], address: Mapping[str, str]) -> tuple[Any, Any, Any]:
    """Keep what was typed; return whether the dialog stays, what is wrong, and the list."""
    try:
        work.edit(old, said["name"] or "", notes=said["notes"] or "", line=said["line"] or "", site=said["site"] or "")
    except (ValueError, OSError) as problem:
        return True, str(problem), no_update
    return False, "", listed(work, address)


def picked(work: Work, names: Sequence[str]) -> Any:
    """Offer to compare the two sessions that are ticked, the earlier as before."""
    there = sorted((s for s in work.sessions() if s.name in names), key=lambda s: s.started) if names else []
    if not there:
        return None
    untick = html.Button("Untick", id="untick", className="button quiet")
    if len(there) != 2:
        said = "Tick one more to compare it with." if len(there) == 1 else f"{len(there)} are ticked; two can be compared."
        return html.Div([html.P([html.Strong(", ".join(s.name for s in there)), html.Br(), said]), untick])
    before, after = there
    go = ui.link("/compare", {"before": before.name, "after": after.name}, "Compare them", "button strong")
    return html.Div([html.P(f"{before.name}, then {after.name}"), html.Div([untick, go], className="actions")])


def listed(work: Work, address: Mapping[str, str]) -> Any:
    """List the sessions again, as the address has them."""
    return _found(work.sessions(), choices(address))


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
