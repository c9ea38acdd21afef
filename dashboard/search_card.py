"""How far the search for shots in a long session is, told while the rest of the page can be used already."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from dash import ClientsideFunction, Dash, Input, Output, State, dcc, html, no_update

from dashboard.pages.sessions import facts
from dashboard.work import Work
from logger.session import Session

EVERY_MS = 700


def searching(session: Session, channel: str, share: float) -> html.Section:
    """Show what is known of a session, and the progress; the page is shown again once the search has ended."""
    return html.Section(
        [
            html.H2("Looking for shots"),
            html.P(facts(session), className="facts"),
            html.P(said(share), id="search-said", role="status"),
            html.Progress(id="search-bar", value=f"{share:.3f}", max="1", className="progress", **{"aria-label": "Worked out"}),
            html.P("The session is long. The pages can be used meanwhile; leave this one and come back as you like.", className="note"),
            dcc.Interval(id="search-tick", interval=EVERY_MS),
            dcc.Store(id="search-of", data={"session": session.name, "channel": channel}),
            dcc.Store(id="search-ended"),
        ],
        className="card",
    )


def said(share: float) -> str:
    """Say how much is done."""
    return f"Worked out {100.0 * share:.0f} %"


def progress(work: Work, asked: Mapping[str, str]) -> tuple[Any, Any, Any]:
    """Look at a search: the words, the bar, and a word once it has ended."""
    share = work.searching(asked["session"], asked["channel"])
    return (no_update, no_update, "ended") if share is None else (said(share), f"{share:.3f}", no_update)


def register(app: Dash, work: Work) -> None:
    """Follow the search, and show the page again when it has ended."""

    @app.callback(
        Output("search-said", "children"),
        Output("search-bar", "value"),
        Output("search-ended", "data"),
        Input("search-tick", "n_intervals"),
        State("search-of", "data"),
        prevent_initial_call=True,
    )
    def follow(_tick: int, asked: dict[str, str]) -> tuple[Any, Any, Any]:
        return progress(work, asked)

    app.clientside_callback(
        ClientsideFunction("farend", "again"),
        Output("address", "data", allow_duplicate=True),
        Input("search-ended", "data"),
        State("address", "data"),
        prevent_initial_call=True,
    )
