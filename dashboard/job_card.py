"""How far an answer of a long session is, told while the rest of the page can be used already."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from dash import ClientsideFunction, Dash, Input, Output, State, dcc, html, no_update

from dashboard import ui
from dashboard.pages.sessions import facts
from dashboard.underway import Job
from dashboard.work import Work
from logger.long import LongRecording
from logger.open import Recording

EVERY_MS = 700


def working(recording: Recording | LongRecording, job: Job[Any]) -> html.Section:
    """Show what is known of a session, and the progress; the page is shown again once the job has ended."""
    assert isinstance(recording, LongRecording)  # nothing else takes a while
    asked = {"job": job.name, "session": recording.name, "channel": recording.channel, "sketch": not recording.surveyed}
    share = job.share
    return html.Section(
        [
            html.H2("Working it out"),
            html.P(facts(recording.session), className="facts"),
            html.P(said(share), id="job-said", role="status"),
            html.Progress(id="job-bar", value=_bar(share), max="1", className="progress", **{"aria-label": "Worked out"}),
            html.P("The session is long. The pages can be used meanwhile; leave this one and come back as you like.", className="note"),
            dcc.Interval(id="job-tick", interval=EVERY_MS),
            dcc.Store(id="job-of", data=asked),
            dcc.Store(id="job-ended"),
            dcc.Store(id="overview-made"),
            dcc.Store(id="overview-shown"),
        ],
        className="card",
    )


def said(share: float | None) -> str:
    """Say how much is done."""
    return "Looking through the readings" if share is None else f"Worked out {100.0 * share:.0f} %"


def _bar(share: float | None) -> str | None:
    return None if share is None else f"{share:.3f}"


def progress(work: Work, asked: Mapping[str, Any]) -> tuple[Any, Any, Any, Any]:
    """Look at a job: the words, the bar, a word once it has ended, and one once all readings can be drawn instead of a sketch."""
    job = work.jobs.named(asked["job"])
    if job is None or job.ended:
        return no_update, no_update, "ended", no_update
    recording = work.opened(asked["session"], asked["channel"]) if asked["sketch"] else None
    made = "made" if isinstance(recording, LongRecording) and recording.surveyed else no_update
    return said(job.share), _bar(job.share), no_update, made


def register(app: Dash, work: Work) -> None:
    """Follow the job, and show the page again when it has ended."""

    @app.callback(
        Output("job-said", "children"),
        Output("job-bar", "value"),
        Output("job-ended", "data"),
        Output("overview-made", "data"),
        Input("job-tick", "n_intervals"),
        State("job-of", "data"),
        State("overview-made", "data"),
        prevent_initial_call=True,
    )
    def follow(_tick: int, asked: dict[str, Any], made: str | None) -> tuple[Any, Any, Any, Any]:
        return progress(work, {**asked, "sketch": asked["sketch"] and not made})

    ui.show_again(app, "job-ended")
    # With the window that the address has by now, see the Shots page.
    app.clientside_callback(
        ClientsideFunction("farend", "again"),
        Output("overview-shown", "data"),
        Input("overview-made", "data"),
        State("address", "data"),
        prevent_initial_call=True,
    )
