"""Now: the pressure at this moment, from a recording that is being made; for the phone on the scaffold."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import dash_mantine_components as dmc
from dash import Dash, Input, Output, State, dcc, html

from dashboard import figures, ui
from dashboard.live import Live
from dashboard.reader import Reader, seconds
from dashboard.work import Work

PATH, TITLE, SHORT = "/now", "Now", "Now"
EVERY_MS = 500  # the recorder puts readings on disk twice a second


def layout(work: Work, query: Mapping[str, str], reader: Reader) -> html.Div:
    """Show what is being recorded, and go on showing it."""
    del query
    return ui.page(
        TITLE,
        html.Div(view(work, reader), id="now", className="page"),
        html.Div(
            [
                dmc.TextInput(
                    id="mark-text", label="Mark this moment", placeholder="e.g. fitted the receiver", size="md", className="control"
                ),
                html.Button("Mark", id="mark-go", className="button strong", n_clicks=0),
                html.P(id="mark-said", role="status"),
            ],
            className="card",
        ),
        dcc.Interval(id="now-tick", interval=EVERY_MS),
    )


def view(work: Work, reader: Reader) -> list[Any]:
    """Show the recording that is being made, or how to begin one."""
    live = work.live()
    if live is None:
        return [
            ui.empty(
                "Nothing is being recorded",
                "Start it where the sensor is plugged in: farend ports shows what is connected, farend record --port PORT --name NAME "
                "records it. This page shows it at once.",
                ("Earlier sessions", "/sessions"),
            )
        ]
    window = work.window_of(live.session)
    outside = window is not None and not window[0] <= live.now_pa <= window[1]
    fig = figures.traces(
        {live.channel: (live.t_s, live.p_pa)}, reader, band_pa=window, shots_s=[s.time_s for s in live.shots if s.time_s >= live.t_s[0]]
    )
    fig.update_xaxes(range=[float(live.t_s[0]), float(live.t_s[-1])])
    return [
        html.Section(
            [
                html.P(f"{live.session.name}: {live.channel}", className="note"),
                html.P(reader.pressure(live.now_pa), className="now-pressure"),
                html.P("Outside of the tool's window" if outside else "", className="check-bad"),
            ],
            className=f"card now {'tone-bad' if outside else ''}",
        ),
        ui.readouts(_readouts(live, reader)),
        ui.card("The last 20 seconds", ui.figure(fig, "Pressure of the last 20 seconds", id="now-trace"), className="figure-card"),
    ]


def _readouts(live: Live, reader: Reader) -> list[tuple[str, str, str | None]]:
    last = live.shots[-1] if live.shots else None
    minute = sum(s.time_s >= live.t_s[-1] - 60.0 for s in live.shots)
    recovered = [s.recovery_s for s in live.shots if s.outcome == "recovered"]
    return [
        ("Shots", str(len(live.shots)), f"{minute} in the last minute"),
        (
            "Last dip",
            "–" if last is None else reader.pressure(last.dip_pa),
            None if last is None else f"from {reader.pressure(last.before_pa)}",
        ),
        ("Last recovery", seconds(recovered[-1]) if recovered else "–", "of a shot that recovered"),
        ("Recording for", seconds(float(live.t_s[-1])), None),
    ]


def register(app: Dash, work: Work) -> None:
    """Keep the page up to date, and take marks."""

    @app.callback(Output("now", "children"), Input("now-tick", "n_intervals"), State("unit", "value"), prevent_initial_call=True)
    def look(tick: int, unit: str) -> list[Any]:
        del tick
        return view(work, Reader(unit))

    @app.callback(
        Output("mark-said", "children"),
        Output("mark-text", "value"),
        Input("mark-go", "n_clicks"),
        State("mark-text", "value"),
        prevent_initial_call=True,
    )
    def mark(clicks: int, text: str | None) -> tuple[str, str]:
        return (marked(work, text or ""), "") if clicks else ("", text or "")


def marked(work: Work, text: str) -> str:
    """Mark this moment of the recording; return what to say."""
    try:
        return f"Marked at {seconds(work.mark_now(text))}."
    except (ValueError, OSError) as problem:
        return f"Not marked: {problem}"
