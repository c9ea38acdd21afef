"""Shots: the recording with every shot marked, one shot against all others, the table, and the recovery curve."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import dash_ag_grid as dag
import numpy as np
from dash import MATCH, ClientsideFunction, Dash, Input, Output, Patch, State, html, no_update

from analysis.record import Shot, ShotRecord
from analysis.shots import ShotSummary
from analysis.statistics import kaplan_meier
from dashboard import figures, ui, wording
from dashboard.reader import Reader, seconds
from dashboard.work import Work
from logger.open import Recording

PATH, TITLE, SHORT = "/shots", "Shots", "Shots"
OVERLAY_MOST = 120  # curves laid over each other; more are a smear that takes long to draw
OVERLAY_LEAST_S, OVERLAY_MOST_S = 0.6, 8.0


def layout(work: Work, query: Mapping[str, str], reader: Reader) -> html.Div:
    """Say what happened to the pressure at each shot."""
    names = [s.name for s in work.sessions()]
    if not names:
        return ui.page(TITLE, ui.no_sessions())
    name = query.get("session") or names[0]
    recording = work.recording(name, query.get("channel"))
    record, summary = work.shots(name, query.get("channel"))
    chosen = chosen_shot(query, record)
    parts: list[Any] = [
        ui.controls(ui.session_choice(names, name), ui.channel_choice(recording)),
        ui.answer(
            wording.shots(record, summary, reader),
            tone="plain" if record.shots or not record.warnings else "unsure",
            sure=_sure(record, summary),
        ),
    ]
    if record.shots:
        parts.append(ui.readouts(_readouts(summary, reader)))
    parts.append(_recording_card(name, recording, record, reader, query, chosen))
    if record.shots:
        parts.append(
            html.Div(
                [
                    ui.card(
                        "One shot against the others",
                        html.Div(overlay(recording, record, reader, chosen), id="overlay"),
                        note="All shots, each from the instant it was fired. Tap a row below to see that shot in orange.",
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
        parts.append(
            ui.card(
                "Every shot",
                grid(record, reader),
                html.Div(
                    html.A(
                        "Download as CSV",
                        href=ui.address("/download/shots.csv", {**query, "session": name, "unit": reader.unit}),
                        className="button",
                    ),
                    className="actions",
                ),
                note="Tap a heading to sort, a row to see that shot above.",
            )
        )
        parts.append(_cadence(summary, reader))
    parts.append(_events(record))
    parts.append(ui.warnings([*recording.warnings, *record.warnings]))
    parts.append(_how(record, reader))
    return ui.page(TITLE, *parts)


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
        ("Dip, median", *ui.value_and_interval(summary.median_dip_pa, reader.pressure)),
        ("Recovery, median", *ui.value_and_interval(summary.median_recovery_s, seconds)),
        ("Before a shot, median", *ui.value_and_interval(summary.median_before_pa, reader.pressure)),
        ("Lowest of all", "–" if summary.lowest_pa is None else reader.pressure(summary.lowest_pa), "at the bottom of a dip"),
    ]


def _recording_card(
    name: str, recording: Recording, record: ShotRecord, reader: Reader, query: Mapping[str, str], chosen: int | None
) -> html.Section:
    fig = figures.recording(
        recording.t_s,
        recording.p_pa,
        reader,
        shots=[(s.time_s, s.minimum_pa) for s in record.shots],
        shown_s=ui.window_of(query),
        chosen=chosen if "shot" in query else None,
        marks=[(float(m["time_s"]), str(m.get("text") or m["kind"])) for m in recording.marks],
        events=[(e.time_s, e.until_s, e.kind) for e in record.events if e.kind not in {"pump start", "pump stop"}],
    )
    return ui.card(
        "The recording",
        ui.figure(fig, f"Pressure of {name} against time with {len(record.shots)} shots marked", id=trace_id(name, recording)),
        note=("Triangles: the lowest pressure of each shot. " if record.shots else "") + "Drag across to zoom, double-tap to see all.",
        className="figure-card",
    )


def trace_id(name: str, recording: Recording) -> dict[str, str]:
    """Name a figure so that its zoom finds the readings again."""
    axis, _ = figures.time_axis(float(recording.t_s[-1] - recording.t_s[0]))
    return {"trace": name, "channel": recording.channel, "axis": axis}


def overlay(recording: Recording, record: ShotRecord, reader: Reader, chosen: int | None) -> html.Div:
    """Lay the shots over each other; if there are very many, evenly picked ones and the chosen one."""
    shots = record.shots
    step = max(1, -(-len(shots) // OVERLAY_MOST))
    picked = sorted({*range(0, len(shots), step), *([] if chosen is None else [chosen])})
    length = _overlay_length(record)
    curves = [_cut(recording, shots[i], length) for i in picked]
    at = picked.index(chosen) if chosen is not None else None
    fig = figures.overlay(curves, reader, chosen=at, numbers=[i + 1 for i in picked])
    return ui.figure(fig, "Pressure after each shot, laid over each other")


def _overlay_length(record: ShotRecord) -> float:
    times = [s.recovery_s for s in record.shots if s.outcome == "recovered"] or [s.censored_s for s in record.shots]
    return float(np.clip(1.6 * np.percentile(times, 75), OVERLAY_LEAST_S, OVERLAY_MOST_S))


def _cut(recording: Recording, shot: Shot, length_s: float) -> tuple[Any, Any]:
    until = shot.time_s + (min(length_s, shot.censored_s) if shot.outcome == "cut off" else length_s)
    a, z = np.searchsorted(recording.t_s, [shot.time_s - 0.1, until])
    return recording.t_s[a:z] - shot.time_s, recording.p_pa[a:z] - shot.before_pa


def _recovery(record: ShotRecord, summary: ShotSummary) -> html.Div:
    fig = figures.recovery({"": curve_of(record)}, medians_s={"": summary.median_recovery_s.value})
    return ui.figure(fig, "Share of shots recovered against the time since the shot")


def curve_of(record: ShotRecord) -> tuple[Any, Any, Any]:
    """Kaplan-Meier steps of a record: times [s], share still waiting, and times of shots that were cut off [s]."""
    ended = [s.outcome == "recovered" for s in record.shots]
    curve = kaplan_meier([s.censored_s for s in record.shots], ended)
    return curve.time, curve.share, [s.censored_s for s in record.shots if s.outcome != "recovered"]


def grid(record: ShotRecord, reader: Reader) -> dag.AgGrid:
    """List every shot in a table that sorts."""
    digits = {"psi": 1, "bar": 2, "kPa": 0}[reader.unit]
    rows = [
        {
            "shot": i + 1,
            "time": s.time_s,
            "before": reader.pressure_value(s.before_pa),
            "minimum": reader.pressure_value(s.minimum_pa),
            "dip": reader.pressure_value(s.dip_pa),
            "recovery": None if s.outcome != "recovered" else s.recovery_s,
            "outcome": s.outcome,
        }
        for i, s in enumerate(record.shots)
    ]

    def number(places: int) -> dict[str, Any]:
        written = {"function": f"params.value == null ? '' : d3.format('.{places}f')(params.value)"}
        return {"type": "numericColumn", "minWidth": 92, "flex": 1, "valueFormatter": written}

    columns = [
        {"field": "shot", "headerName": "Shot", "minWidth": 72, "maxWidth": 90, "pinned": "left"},
        {"field": "time", "headerName": "At [s]", **number(2)},
        {"field": "before", "headerName": f"Before [{reader.unit}]", **number(digits)},
        {"field": "minimum", "headerName": f"Lowest [{reader.unit}]", **number(digits)},
        {"field": "dip", "headerName": f"Dip [{reader.unit}]", **number(digits)},
        {"field": "recovery", "headerName": "Recovery [s]", **number(2)},
        {"field": "outcome", "headerName": "Outcome", "minWidth": 130, "flex": 1},
    ]
    return dag.AgGrid(
        id="shot-table",
        rowData=rows,
        columnDefs=columns,
        defaultColDef={"sortable": True, "resizable": True, "wrapHeaderText": True, "autoHeaderHeight": True, "suppressMovable": True},
        dashGridOptions={
            "rowHeight": 44,
            "rowSelection": {"mode": "singleRow", "checkboxes": False, "enableClickSelection": True},
            "suppressCellFocus": False,
        },
        className="ag-theme-quartz ag",
        style={"height": f"{min(60 + 44 * len(rows), 480)}px"},
        dangerously_allow_code=False,
    )


def _cadence(summary: ShotSummary, reader: Reader) -> html.Section | None:
    if len(summary.cadence) < 2:
        return None
    rows = [
        (
            f"{c.from_s:g} to {c.until_s:g} s" if np.isfinite(c.until_s) else f"over {c.from_s:g} s",
            str(c.shots),
            ui.bare(reader.pressure(c.before_pa)),
            ui.bare(reader.pressure(c.dip_pa)),
        )
        for c in summary.cadence
    ]
    heads = ["after the shot before", "shots", f"before, median [{reader.unit}]", f"dip, median [{reader.unit}]"]
    return ui.card("Slow and fast work", ui.table(heads, rows))


def _events(record: ShotRecord) -> html.Section | None:
    if not record.events:
        return None
    kinds: dict[str, list[float]] = {}
    for e in record.events:
        kinds.setdefault(e.kind, []).append(e.time_s)
    rows = [(kind, str(len(at)), ", ".join(f"{t:.1f} s" for t in at[:6]) + (" …" if len(at) > 6 else "")) for kind, at in kinds.items()]
    return ui.card("What was no shot", ui.table(["kind", "times", "at"], rows))


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
    """Connect zooming, and the choice of a shot."""

    @app.callback(
        Output({"trace": MATCH, "channel": MATCH, "axis": MATCH}, "figure"),
        Input({"trace": MATCH, "channel": MATCH, "axis": MATCH}, "relayoutData"),
        State({"trace": MATCH, "channel": MATCH, "axis": MATCH}, "id"),
        State("unit", "value"),
        prevent_initial_call=True,
    )
    def zoom(moved: dict[str, Any] | None, trace: dict[str, str], unit: str) -> Any:
        shown = ui.window_moved(moved, trace["axis"])
        return no_update if shown is None else zoomed(work, trace, shown, Reader(unit))

    app.clientside_callback(
        ClientsideFunction("farend", "keep_window"),
        Output({"trace": MATCH, "channel": MATCH, "axis": MATCH}, "className"),
        Input({"trace": MATCH, "channel": MATCH, "axis": MATCH}, "relayoutData"),
        State({"trace": MATCH, "channel": MATCH, "axis": MATCH}, "id"),
        prevent_initial_call=True,
    )

    @app.callback(
        Output("overlay", "children"),
        Input("shot-table", "selectedRows"),
        State("address", "data"),
        prevent_initial_call=True,
    )
    def choose(rows: list[dict[str, Any]] | None, address: dict[str, str]) -> Any:
        return no_update if not rows else overlaid(work, address, rows[0]["shot"] - 1)


def zoomed(work: Work, trace: Mapping[str, str], shown: tuple[float, float] | str, reader: Reader) -> Patch:
    """Redraw the pressure curve for the window shown."""
    recording = work.recording(trace["trace"], trace["channel"])
    window = None if isinstance(shown, str) else shown
    x, y = figures.trace_points(recording.t_s, recording.p_pa, reader, window)
    patch = Patch()
    patch["data"][0]["x"], patch["data"][0]["y"] = x, y
    return patch


def overlaid(work: Work, address: Mapping[str, str], chosen: int) -> html.Div:
    """Draw the shots again with another one pointed out."""
    from dashboard.app import read_address

    _, query, reader = read_address(dict(address))
    name = query.get("session") or work.sessions()[0].name
    recording = work.recording(name, query.get("channel"))
    return overlay(recording, work.shots(name, query.get("channel"))[0], reader, chosen)
