"""Now: the pressure at this moment, from a recording that is being made; for the phone on the scaffold.

The page is laid out once. ``assets/now.js`` follows ``/live`` and puts what it is told into the places that carry ``data-now``;
starting, ending and marking go through callbacks.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

import dash_mantine_components as dmc
from dash import ALL, ClientsideFunction, Dash, Input, Output, State, ctx, dcc, html, no_update

from dashboard import ui
from dashboard.now_feed import serve_feed
from dashboard.reader import Reader, seconds
from dashboard.recordings import Recordings
from dashboard.work import Work

PATH, TITLE, SHORT = "/now", "Now", "Now"
CHANGES = ("Fitted receiver", "Set regulator", "Changed hose", "Drained")
DEPTHS = ("proud", "flush", "deep")


def layout(work: Work, query: Mapping[str, str], reader: Reader) -> html.Div:
    """Lay out all that the page may show; what is shown of it follows the recording."""
    return ui.page(
        TITLE,
        html.Div(
            [
                html.Div([_figure(), _trace(), _numbers()], className="now-seen", **{"data-when": "live"}),
                html.Div([_judge(), _marks(), _end()], className="now-done", **{"data-when": "live"}),
                _waiting(),
                html.Div([_begin(work)], **{"data-when": "none"}),
                html.Div([_settings(query)], className="now-settings"),
            ],
            id="now",
            className="now-page",
            **{"data-state": "asking", "data-unit": reader.unit},
        ),
    )


def _place(key: str, tag: Callable[..., Any] = html.Span, **more: Any) -> Any:
    """Leave a place that the feed fills."""
    return tag("", **{"data-now": key, **more})


def _figure() -> html.Section:
    return html.Section(
        [
            html.P([_place("name"), " · ", _place("channel"), " · ", _place("for")], className="note"),
            html.P([_place("figure", className="now-value"), " ", _place("unit", className="now-unit")], className="now-pressure"),
            _place("window", html.P, className="note"),
            html.Div(id="now-alerts", className="now-alerts", role="alert"),
            _place("catching", html.P, className="note"),
        ],
        className="card now",
        **{"aria-label": "Pressure at the tool"},
    )


def _trace() -> html.Section:
    canvas = html.Canvas(id="now-trace", role="img", **{"aria-label": "Pressure of the last 20 seconds"})
    return html.Section(
        [html.H2("The last 20 seconds"), canvas, html.P("A triangle marks a shot.", className="note")], className="card figure-card"
    )


def _numbers() -> html.Dl:
    numbers = (("Shots", "shots", "minute"), ("Last dip", "dip", "from"), ("Last recovery", "recovery", "of"))
    return html.Dl(
        [
            html.Div([html.Dt(label), _place(value, html.Dd, className="readout-value"), _place(below, html.Dd, className="readout-below")])
            for label, value, below in numbers
        ],
        className="readouts",
    )


def _judge() -> html.Section:
    buttons = [html.Button(depth.capitalize(), id={"judge": depth}, className="button", n_clicks=0) for depth in DEPTHS]
    of = dmc.TextInput(
        id="judge-of",
        label="Fastener and wood",
        placeholder="e.g. 50 mm ring, spruce",
        size="md",
        className="control",
        persistence=True,
        persistence_type="local",
    )
    return html.Section(
        [
            html.H2("How deep is the last nail?"),
            html.P(_place("last"), className="note"),
            html.Div(buttons, className="now-taps", role="group", **{"aria-label": "Judge the last nail"}),
            html.P(id="judge-said", role="status"),
            of,
        ],
        className="card",
    )


def _marks() -> html.Section:
    taps = [html.Button(text, id={"mark": text}, className="button", n_clicks=0) for text in CHANGES]
    own = dmc.TextInput(id="mark-text", label="In your own words", placeholder="e.g. nails too deep", size="md", className="control")
    return html.Section(
        [
            html.H2("Mark this moment"),
            html.Div(taps, className="now-taps two-wide", role="group", **{"aria-label": "Mark a change"}),
            html.Div([own, html.Button("Mark", id={"mark": ""}, className="button strong", n_clicks=0)], className="now-own"),
            html.P(id="mark-said", role="status"),
        ],
        className="card",
    )


def _end() -> html.Section:
    return html.Section(
        [
            html.Button("Stop recording", id="stop-go", className="button", n_clicks=0),
            dcc.ConfirmDialog(id="stop-sure", message="Stop this recording? What was recorded is kept."),
            html.P(id="stop-said", role="status"),
        ],
        className="card",
    )


def _waiting() -> html.Section:
    return html.Section(
        [
            html.H2("Waiting for the first reading"),
            html.P("The recorder listens to the sensor. If nothing comes within 15 seconds it says what is wrong.", className="note"),
            html.Button("Give up", id="give-up", className="button", n_clicks=0),
        ],
        className="card",
        **{"data-when": "waiting"},
    )


def _begin(work: Work) -> html.Section:
    lines = [{"value": "", "label": "not said"}, *[{"value": name, "label": name} for name in work.lines()]]
    return html.Section(
        [
            html.H2("Nothing is being recorded"),
            html.P(id="now-ended", className="note"),
            _place("refused", html.P, className="check-bad", role="alert"),
            html.Div(
                dmc.CheckboxGroup(
                    id="start-ports",
                    label="Sensors",
                    description="Several are recorded side by side on one time base",
                    children=_ports([]),
                    value=[],
                    size="md",
                ),
                id="start-sensors",
            ),
            html.Button("Look again", id="ports-look", className="button quiet", n_clicks=0),
            dmc.TextInput(
                id="start-name", label="Name of the recording", placeholder="e.g. deck, north side", size="md", className="control"
            ),
            dmc.Select(
                id="start-line",
                label="Air line",
                description="Its tool's window is watched",
                data=lines,
                value="",
                allowDeselect=False,
                size="md",
            ),
            html.Details(
                [
                    html.Summary("A sensor of another kind"),
                    dmc.TextInput(
                        id="start-other", label="Address of a sensor in the network", placeholder="socket://192.168.1.20:4000", size="md"
                    ),
                    _called("", "Its name, where there are several"),
                    dmc.TextInput(id="start-columns", label="Values of a line", placeholder="t_us,tool", size="md"),
                    dmc.TextInput(id="start-unit", label="Unit of the pressure", placeholder="psi", size="md"),
                ],
                className="how",
            ),
            html.Button("Start recording", id="start-go", className="button strong", n_clicks=0),
            html.P(id="start-said", role="status"),
            html.P(
                "A recording started in a terminal with farend record --port PORT --name NAME shows here at once as well.", className="note"
            ),
        ],
        className="card now-begin",
    )


def _ports(rows: list[tuple[str, str, str]]) -> list[Any]:
    shown = [
        html.Div(
            [dmc.Checkbox(label=name, description=sends, value=port, size="md", className="port"), _called(port, f"Name of {port}")],
            className="sensor",
        )
        for port, name, sends in rows
    ]
    return shown or [html.P("Listening on the ports …", className="note")]


def _called(port: str, label: str) -> dmc.TextInput:
    """Ask what the sensor at a port is called; shown where several are chosen."""
    return dmc.TextInput(id={"called": port}, label=label, placeholder="e.g. supply", size="md", className="control called")


def _settings(query: Mapping[str, str]) -> html.Section:
    def switch(name: str, label: str) -> dmc.Switch:
        return dmc.Switch(id=f"now-{name}", label=label, persistence=True, persistence_type="local", checked=False, size="lg")

    return html.Section(
        [
            html.H2("Alert me"),
            html.Div([switch("sound", "with sound"), switch("vibration", "with vibration")], className="now-switches"),
            ui.controls(
                ui.entry("low", "Alert below", query.get("low", ""), hint="Instead of the window of the air line, e.g. 5.5 bar"),
                ui.entry("high", "Alert above", query.get("high", ""), hint="Both are needed, e.g. 7 bar"),
            ),
        ],
        className="card",
    )


def register(app: Dash, work: Work) -> None:
    """Hand out the feed; start, end, mark and judge."""
    recordings = work.recordings
    serve_feed(app.server, recordings)

    @app.callback(
        Output("start-ports", "children"), Output("start-ports", "value"), Input("ports-look", "n_clicks"), State("start-ports", "value")
    )
    def look(clicks: int, chosen: list[str]) -> tuple[Any, Any]:
        del clicks
        return ports(recordings, chosen)

    app.clientside_callback(
        ClientsideFunction("farend", "several"),
        Output("start-sensors", "className"),
        Input("start-ports", "value"),
        Input("start-other", "value"),
    )

    @app.callback(
        Output("start-said", "children"),
        Input("start-go", "n_clicks"),
        State("start-ports", "value"),
        State("start-other", "value"),
        State({"called": ALL}, "value"),
        State({"called": ALL}, "id"),
        State("start-name", "value"),
        State("start-line", "value"),
        State("start-columns", "value"),
        State("start-unit", "value"),
        prevent_initial_call=True,
    )
    def start(clicks: int, ports: list[str], other: str, called: list[str], ids: list[dict[str, str]], *said: str) -> Any:
        if not clicks:
            return no_update
        other = (other or "").strip()
        names = {i["called"] or other: text or "" for i, text in zip(ids, called, strict=True)}
        return started(recordings, [*(ports or []), *([other] if other else [])], *said, called=names)

    @app.callback(Output("stop-sure", "displayed"), Input("stop-go", "n_clicks"), prevent_initial_call=True)
    def ask(clicks: int) -> bool:
        return bool(clicks)

    @app.callback(
        Output("stop-said", "children"), Input("stop-sure", "submit_n_clicks"), Input("give-up", "n_clicks"), prevent_initial_call=True
    )
    def stop(sure: int | None, given_up: int) -> Any:
        return stopped(recordings) if sure or given_up else no_update

    @app.callback(
        Output("mark-said", "children"),
        Output("mark-text", "value"),
        Input({"mark": ALL}, "n_clicks"),
        State("mark-text", "value"),
        prevent_initial_call=True,
    )
    def mark(clicks: list[int], own: str | None) -> tuple[Any, Any]:
        return marked(recordings, ctx.triggered_id["mark"], own or "") if any(clicks) else (no_update, no_update)

    @app.callback(
        Output("judge-said", "children"),
        Input({"judge": ALL}, "n_clicks"),
        State("judge-of", "value"),
        State("unit", "value"),
        prevent_initial_call=True,
    )
    def judge(clicks: list[int], of: str | None, unit: str) -> Any:
        return judged(recordings, ctx.triggered_id["judge"], Reader(unit), of or "") if any(clicks) else no_update


def ports(recordings: Recordings, chosen: Sequence[str]) -> tuple[list[Any], list[str]]:
    """List the ports with what they send; keep what was chosen, else choose the first that sends something."""
    if recordings.live() is not None:  # leave its sensors alone; the page asks again when the recording has ended
        return _ports([]), list(chosen)
    found = recordings.ports()
    rows = [(r.port, f"{r.port} ({r.name})", r.sends[:1].upper() + r.sends[1:]) for r in found]
    kept = [r.port for r in found if r.port in chosen]
    return _ports(rows), kept or [r.port for r in found if r.command][:1]


def started(
    recordings: Recordings,
    ports: Sequence[str],
    name: str | None,
    line: str,
    columns: str | None,
    unit: str | None,
    *,
    called: Mapping[str, str] | None = None,
) -> str:
    """Start a recorder; return what to say."""
    try:
        recordings.start(ports, name or "", called=called, line=line, columns=columns or "", unit=unit or "")
    except (ValueError, OSError) as problem:
        return f"Not started: {problem}"
    return ""


def stopped(recordings: Recordings) -> str:
    """End the recording; return what to say."""
    try:
        return f"Stopping {recordings.stop()} …"
    except (ValueError, OSError) as problem:
        return f"Not stopped: {problem}"


def marked(recordings: Recordings, tapped: str, own: str) -> tuple[str, str]:
    """Mark this moment, in the words of the button or in the reader's own; return what to say, and what stays in the field."""
    try:
        time_s = recordings.mark(tapped or own, "changed" if tapped else "note")
    except (ValueError, OSError) as problem:
        return f"Not marked: {problem}", own
    return f"“{(tapped or own).strip()}” marked at {seconds(time_s)}.", own if tapped else ""


def judged(recordings: Recordings, depth: str, reader: Reader, of: str = "") -> str:
    """Judge the last nail; return what to say."""
    try:
        number, shot = recordings.judge(depth, of)
    except (ValueError, OSError) as problem:
        return f"Not judged: {problem}"
    return f"Shot {number}, fired at {reader.pressure(shot.before_pa)}: {depth}."
