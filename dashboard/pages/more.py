"""More: the pages that a phone's bar has no room for, each with what it is for."""

from __future__ import annotations

from collections.abc import Mapping

from dash import Dash, dcc, html

from dashboard import ui
from dashboard.reader import Reader
from dashboard.work import Work

PATH, TITLE, SHORT = "/more", "More", "More"
OTHERS = (
    ("/line", "Line", "What each part of the line takes from the pressure, and what the line does when you fire."),
    ("/receiver", "Receiver", "How large a receiver must be, and what else would help."),
    ("/water", "Water", "How much water comes with the air, where it falls out, when to drain."),
    ("/setting", "Setting", "Which pressure sets this nail flush in this wood."),
    ("/logbook", "Log book", "What the line has done, what is due, and what changes over time."),
    ("/setup", "Setup", "Your air lines, tools and sensors."),
)


def layout(work: Work, query: Mapping[str, str], reader: Reader) -> html.Div:
    """List the pages."""
    del work, query, reader
    return ui.page(
        TITLE,
        html.Ul(
            [
                html.Li(dcc.Link([html.Span(title, className="more-title"), html.Span(what, className="more-what")], href=path))
                for path, title, what in OTHERS
            ],
            className="more-list",
        ),
    )


def register(app: Dash, work: Work) -> None:
    """Nothing to connect."""
    del app, work
