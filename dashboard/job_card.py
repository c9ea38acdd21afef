"""How far an answer of a long session is, told while the rest of the page can be used already."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from dash import ClientsideFunction, Dash, Input, Output, State, dcc, html, no_update

from dashboard import ui
from dashboard.session_words import facts
from dashboard.underway import Job
from dashboard.work import Work
from logger.long import LongRecording
from logger.open import Recording

EVERY_MS = 700


def working(recording: Recording | LongRecording, job: Job[Any], what: str) -> html.Section:
    """Say what is under way, of which session, and how far; the page is shown again once the job has ended."""
    assert isinstance(recording, LongRecording)  # nothing else takes a while
    asked = {"job": job.name, "session": recording.name, "channel": recording.channel, "sketch": not recording.surveyed}
    return html.Section(
        [
            html.H2(what),
            html.P(f"{recording.name}: {facts(recording.session)}", className="note"),
            html.P(said(job), id="job-said", role="status"),
            html.Progress(id="job-bar", value=_bar(job), max="1", className="progress", **{"aria-label": what}),
            html.P("The session is long. The pages can be used meanwhile; leave this one and come back as you like.", className="note"),
            html.Div(
                [
                    html.Button("Stop", id="job-stop", className="button quiet", n_clicks=0),
                    html.Button("Start again", id="job-again", className="button", n_clicks=0),
                ],
                id="job-buttons",
                className=_buttons(job),
            ),
            dcc.Interval(id="job-tick", interval=EVERY_MS),
            dcc.Store(id="job-of", data=asked),
            dcc.Store(id="job-ended"),
            dcc.Store(id="overview-made"),
        ],
        className="card",
    )


def said(job: Job[Any]) -> str:
    """Say how much is done."""
    if job.stopped:
        return "Stopped."
    return "Looking through the readings" if job.share is None else f"Worked out {100.0 * job.share:.0f} %"


def _bar(job: Job[Any]) -> str | None:
    return None if job.share is None else f"{job.share:.3f}"


def _buttons(job: Job[Any]) -> str:
    return f"actions job-{'stopped' if job.stopped else 'running'}"


def progress(work: Work, asked: Mapping[str, Any]) -> tuple[Any, Any, Any, Any, Any]:
    """Look at a job: the words, the bar, the buttons, a word once it has ended, and one once all readings can be drawn instead of a
    sketch.
    """
    job = work.jobs.named(asked["job"])
    if job is None or (job.ended and not job.stopped):
        return no_update, no_update, no_update, "ended", no_update
    recording = work.opened(asked["session"], asked["channel"]) if asked["sketch"] else None
    made = "made" if isinstance(recording, LongRecording) and recording.surveyed else no_update
    return said(job), _bar(job), _buttons(job), no_update, made


def stopped(work: Work, asked: Mapping[str, Any]) -> tuple[Any, Any]:
    """Stop a job; return the words and the buttons."""
    job = work.jobs.named(asked["job"])
    if job is None:
        return no_update, no_update
    job.stop()
    return said(job), _buttons(job)


def register(app: Dash, work: Work) -> None:
    """Follow the job, stop it, and show the page again when it has ended or is to be started again."""

    @app.callback(
        Output("job-said", "children"),
        Output("job-bar", "value"),
        Output("job-buttons", "className"),
        Output("job-ended", "data"),
        Output("overview-made", "data"),
        Input("job-tick", "n_intervals"),
        State("job-of", "data"),
        State("overview-made", "data"),
        prevent_initial_call=True,
    )
    def follow(_tick: int, asked: dict[str, Any], made: str | None) -> tuple[Any, Any, Any, Any, Any]:
        return progress(work, {**asked, "sketch": asked["sketch"] and not made})

    @app.callback(
        Output("job-said", "children", allow_duplicate=True),
        Output("job-buttons", "className", allow_duplicate=True),
        Input("job-stop", "n_clicks"),
        State("job-of", "data"),
        prevent_initial_call=True,
    )
    def stop(clicks: int, asked: dict[str, Any]) -> tuple[Any, Any]:
        return stopped(work, asked) if clicks else (no_update, no_update)

    ui.show_again(app, "job-ended")
    ui.show_again(app, "job-again", "n_clicks")
    app.clientside_callback(ClientsideFunction("recording", "draw"), Input("overview-made", "data"), prevent_initial_call=True)
