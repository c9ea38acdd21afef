"""Shots: the recording with every shot marked, one shot against all others, the table, and the recovery curve."""

from __future__ import annotations

import time
from collections.abc import Mapping, Sequence
from typing import Any

import flask
import numpy as np
from dash import ALL, ClientsideFunction, Dash, Input, Output, State, ctx, dcc, html, no_update
from plotly.io.json import to_json_plotly

from analysis.corrections import KINDS
from analysis.record import ShotRecord
from analysis.shots import REST_S, ShotSummary, recovery_curve
from dashboard import figures, recording_figures, shot_figures, ui, wording
from dashboard import shot_parts as parts
from dashboard.address import choices, reader_of
from dashboard.job_card import working
from dashboard.leak_choices import quantity
from dashboard.reader import Reader, finer_seconds, seconds
from dashboard.underway import Job
from dashboard.work import Work

PATH, TITLE, SHORT = "/shots", "Shots", "Shots"
MOMENTS_MOST = 6  # of a kind of event, in the table


def layout(work: Work, query: Mapping[str, str], reader: Reader) -> html.Div:
    """Say what happened to the pressure at each shot."""
    names = [s.name for s in work.sessions()]
    if not names:
        return ui.page(TITLE, ui.no_sessions())
    name = query.get("session") or names[0]
    recording = work.opened(name, query.get("channel"))
    search = work.searching(name, query.get("channel"))
    if search is not None:
        return _meanwhile(names, recording, search, query, reader)
    record, summary = work.shots(name, query.get("channel"))
    chosen = chosen_shot(query, record)
    picked: dict[str, float] = {} if chosen is None else {"shot": chosen}
    fig = parts.recording_figure(recording, record, reader, ui.window_of(query), picked)
    content: list[Any] = [
        dcc.Store(id="picked", data=picked),
        dcc.Store(id="corrected"),
        parts.times_store(record),
        ui.controls(ui.session_choice(names, name), ui.channel_choice(recording)),
        ui.answer(
            wording.shots(record, summary, reader),
            tone="plain" if record.countable and (record.shots or not record.warnings) else "unsure",
            sure=_sure(record, summary),
        ),
    ]
    if record.shots:
        content.append(ui.readouts(_readouts(summary, reader)))
    content += [
        parts.recording_card(recording, record, fig, reader),
        html.Section(
            [
                html.Div(parts.panel(recording, record, reader, picked), id="shot-panel"),
                html.P(id="correction-problem", className="check-bad", role="alert"),
            ],
            className="card hint",
            **{"aria-label": "One shot"},
        ),
        parts.corrected_card(recording),
    ]
    if record.shots:
        content.append(
            html.Div(
                [
                    ui.card(
                        "One shot against the others",
                        html.Div(parts.overlay(recording, record, reader, chosen), id="overlay"),
                        note="All shots, each from the instant it was fired; the one picked in orange.",
                    ),
                    ui.card(
                        "How fast it recovers",
                        _recovery(record, summary),
                        note="Share of shots back within 90 % of their dip. Short bars: shots cut off by the next one.",
                    ),
                ],
                className="two",
            )
        )
        content.append(
            ui.card(
                "Every shot",
                parts.grid(record, reader),
                html.Div(
                    html.A(
                        "Download as CSV",
                        href=ui.address("/download/shots.csv", {**query, "session": name, "unit": reader.unit}),
                        className="button",
                    ),
                    className="actions",
                ),
                hint="Tap a heading to sort, a row to see that shot above.",
            )
        )
        content.append(_cadence(summary, reader))
        content.append(_air(work, name, query, reader))
    content.append(_events(record))
    content.append(ui.warnings([*recording.warnings, *record.warnings]))
    content.append(_how(record, reader))
    return ui.page(TITLE, *content)


def _meanwhile(names: Sequence[str], recording: parts.Kept, search: Job[ShotRecord], query: Mapping[str, str], reader: Reader) -> html.Div:
    """Show a long recording while its shots are looked for."""
    return ui.page(
        TITLE,
        dcc.Store(id="picked", data={}),
        ui.controls(ui.session_choice(names, recording.name), ui.channel_choice(recording)),
        working(recording, search, "Looking for the shots"),
        parts.recording_card(recording, None, parts.recording_figure(recording, None, reader, ui.window_of(query), None), reader),
        ui.warnings(recording.warnings),
    )


def chosen_shot(query: Mapping[str, str], record: ShotRecord) -> int | None:
    """Index of the shot that the address points out; the first without one."""
    text = query.get("shot", "1")
    index = int(text) - 1 if text.isdigit() else 0
    return index if 0 <= index < len(record.shots) else 0 if record.shots else None


def _sure(record: ShotRecord, summary: ShotSummary) -> str:
    if not record.shots:
        return ""
    seen = f"{record.rate_hz:.0f} readings a second"
    return f"recovery seen to its end in {summary.recovered} of {summary.shots} shots, {seen}"


def _readouts(summary: ShotSummary, reader: Reader) -> list[tuple[str, str, str | None]]:
    return [
        ("Shots", str(summary.shots), f"{summary.cut_off} cut off by the next"),
        ("Before a shot, median", ui.value_and_interval(summary.median_before_pa, reader.pressure)[0], _steady(summary, reader)),
        ("Dip, median", *ui.value_and_interval(summary.median_dip_pa, reader.pressure)),
        ("Recovery, median", *ui.value_and_interval(summary.median_recovery_s, finer_seconds)),
        ("Lowest of all", "–" if summary.lowest_pa is None else reader.pressure(summary.lowest_pa), "at the bottom of a dip"),
    ]


def _steady(summary: ShotSummary, reader: Reader) -> str | None:
    """What counts for even nails: how far apart the shots started."""
    where = " at one setting" if summary.turns else ""
    return None if summary.steadiness_set_pa is None else f"80 % within {reader.pressure(summary.steadiness_set_pa)}{where}"


def _recovery(record: ShotRecord, summary: ShotSummary) -> html.Div:
    fig = shot_figures.recovery({"": curve_of(record)}, medians_s={"": summary.median_recovery_s.value})
    return ui.figure(fig, "Share of shots recovered against the time since the shot")


def curve_of(record: ShotRecord) -> tuple[Any, Any, Any]:
    """Kaplan-Meier steps of a record: times [s], share still waiting, and times of shots that were cut off [s]."""
    curve = recovery_curve(record.shots)
    return curve.time, curve.share, [s.censored_s for s in record.shots if s.outcome != "recovered"]


def _cadence(summary: ShotSummary, reader: Reader) -> html.Section | None:
    if len(summary.cadence) < 2:
        return None
    dips = reader.pressures([c.dip_pa for c in summary.cadence])
    starts = iter(reader.pressures([abs(c.low_pa) for c in summary.cadence if c.low_pa is not None]))
    rows = [
        (
            f"{c.from_s:g} to {c.until_s:g} s" if np.isfinite(c.until_s) else f"over {c.from_s:g} s",
            str(c.shots),
            "–" if c.low_pa is None else f"{next(starts)} {'lower' if c.low_pa > 0.0 else 'higher'}",
            dip,
        )
        for c, dip in zip(summary.cadence, dips, strict=True)
    ]
    heads = ["after the shot before", "shots", f"starts [{reader.unit}]", f"dip [{reader.unit}]"]
    note = f"Medians. Lower or higher than the first shot after a rest of {REST_S:g} s or longer."
    return ui.card("Slow and fast work", ui.table(heads, rows), note=note)


def _air(work: Work, name: str, query: Mapping[str, str], reader: Reader) -> html.Section:
    """Weigh the air of a shot, where the reader knows what holds it."""
    volume = quantity(query.get("volume", ""), "volume")
    said = None
    if volume.value is not None:
        said = html.P(ui.typeset(wording.air_per_shot(work.air_per_shot(name, query.get("channel"), volume.value), reader)))
    return ui.card(
        "How much air a shot takes",
        ui.controls(ui.entry("volume", "Air behind the sensor", query.get("volume", ""), hint="e.g. 24 L or 5 gal", error=volume.problem)),
        said,
        note="The pressure of a known volume weighs it: of the receiver that the sensor sits on, with the hose to the tool.",
        className="hint" if said is None else "",  # a report leaves it out
    )


def _events(record: ShotRecord) -> html.Section | None:
    if not record.events:
        return None
    kinds: dict[str, list[float]] = {}
    for e in record.events:
        kinds.setdefault(e.kind, []).append(e.time_s)
    rows = [(kind, str(len(at)), _moments(at, record.duration_s)) for kind, at in kinds.items()]
    return ui.card("What was no shot", ui.table(["kind", "times", "at"], rows))


def _moments(at_s: Sequence[float], duration_s: float) -> str:
    """Write the first few moments as the figure's time axis has them."""
    unit, length_s = figures.time_axis(duration_s)
    first = ", ".join(f"{t / length_s:.{1 if unit == 's' else 2}f}" for t in at_s[:MOMENTS_MOST])
    return f"{first} {unit}{' …' if len(at_s) > MOMENTS_MOST else ''}"


def _how(record: ShotRecord, reader: Reader) -> html.Details:
    return ui.how(
        f"{record.readings} readings over {seconds(record.duration_s)}, {record.rate_hz:.4g} a second; the sensor's noise is "
        f"{reader.pressure(record.noise_pa)} and its smallest step {reader.pressure(record.resolution_pa)}. A shot is a sudden fall "
        "that stands out of that noise and comes back as a tool's does; regulator changes, air draws, the pump and interference are told "
        "apart.",
        "Dip: pressure just before less the lowest true pressure. Recovery: time until 90 % of the dip is regained and held for 150 ms. "
        "Where the next shot came first the recovery was not seen to its end; such shots count as “longer than that” "
        "(Kaplan and Meier, 1958), so fast work does not make the line look quicker than it is.",
        formula="dip = p(before) − p(lowest);   recovered when p ≥ p(before) − 0.1 · dip",
    )


def register(app: Dash, work: Work) -> None:
    """Connect the figure, which is drawn again when it is moved (assets/recording.js), and the choice of a shot."""

    @app.server.route(parts.AGAIN)
    def again() -> flask.Response:
        ask = flask.request.args
        try:
            drawn = redrawn(work, ask, Reader(ask.get("unit", "bar")))
        except (ValueError, OSError) as problem:
            return flask.Response(str(problem), status=404, mimetype="text/plain")
        return flask.Response(to_json_plotly(drawn), mimetype="application/json", headers={"Cache-Control": "no-store"})

    # What is picked is told to the browser once; from then on it tells: a click, a row, a step (assets/shots.js).
    app.clientside_callback(
        ClientsideFunction("shots", "arrive"), Output("picked", "data"), Input("shot-times", "data"), State("picked", "data")
    )
    app.clientside_callback(ClientsideFunction("shots", "click"), Input(parts.FIGURE, "clickData"))

    @app.callback(
        Output("shot-panel", "children"),
        Output("overlay", "children"),
        Input("picked", "data"),
        State("address", "data"),
        prevent_initial_call=True,
    )
    def show(picked: dict[str, float] | None, address: dict[str, str]) -> Any:
        return shown_picked(work, address, picked) if picked else (no_update, no_update)

    @app.callback(
        Output("corrected", "data"),
        Output("correction-problem", "children"),
        Input({"correct": ALL, "at": ALL}, "n_clicks"),
        State("address", "data"),
        prevent_initial_call=True,
    )
    def correct(clicks: list[int], address: dict[str, str]) -> Any:
        if not any(clicks) or not isinstance(ctx.triggered_id, dict):
            return no_update, no_update
        return corrected(work, address, ctx.triggered_id["correct"], float(ctx.triggered_id["at"]))

    # A corrected session is another one: show the page again, with the window and the shot that the address holds by now.
    ui.show_again(app, "corrected")


def redrawn(work: Work, ask: Mapping[str, str], reader: Reader) -> dict[str, Any]:
    """Draw again what a recording's figure shows in the window asked for: the curve, the marks, events and notes, what is picked.

    Raises
    ------
    ValueError
        If there is no such session or sensor, or what is picked is no number.
    """
    name, channel = ask.get("session", ""), ask.get("channel")
    recording = work.opened(name, channel)
    waiting = work.searching(name, channel, again=False) is not None
    record = None if waiting else work.shots(name, channel)[0]
    drawn = parts.recording_parts(recording, record, reader, ui.window_of(ask), parts.picked_of(ask))
    return {**drawn, "data": [recording_figures.packed(trace) for trace in drawn["data"]]}


def _asked(work: Work, address: Mapping[str, str]) -> tuple[str, str | None, Reader]:
    """Session, channel and units that an address asks for."""
    query = choices(address)
    return query.get("session") or work.sessions()[0].name, query.get("channel"), reader_of(address)


def shown_picked(work: Work, address: Mapping[str, str], picked: parts.Picked) -> tuple[Any, Any]:
    """Show what was picked: its panel, and the shots laid over each other."""
    name, channel, reader = _asked(work, address)
    recording, record = work.opened(name, channel), work.shots(name, channel)[0]
    chosen = int(picked["shot"]) if "shot" in picked else None
    over = parts.overlay(recording, record, reader, chosen) if record.shots else no_update
    return parts.panel(recording, record, reader, picked), over


def corrected(work: Work, address: Mapping[str, str], kind: str, at_s: float) -> tuple[Any, str]:
    """Correct the detector; say why not where it cannot be."""
    name, channel, _ = _asked(work, address)
    if kind not in KINDS:
        return no_update, ""
    try:
        work.correct(name, channel, kind, at_s)
    except (ValueError, OSError) as problem:
        return no_update, str(problem)
    return f"{kind} {at_s} {time.monotonic_ns()}", ""
