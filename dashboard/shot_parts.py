"""What the Shots page is made of: the recording with its marks, one shot's measures, all shots laid over each other, the table."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import dash_ag_grid as dag
import numpy as np
import plotly.graph_objects as go
from dash import dcc, html

from analysis.corrections import KINDS, corrections
from analysis.record import ShotRecord
from dashboard import figures, recording_figures, shot_figures, ui
from dashboard.laid_over import laid_over
from dashboard.reader import Reader, seconds
from dashboard.zoom import curve
from logger.long import LongRecording
from logger.open import Recording

SMALL_DIP_PA = 20e3  # dips that need another digit to differ
FIGURE, AGAIN = "recording", "/recording"  # of the recording: its figure, and the address where it is drawn again

Kept = Recording | LongRecording
Picked = Mapping[str, float]  # {"shot": index}, {"at": a moment of the curve [s]} or {"out": time of a shot taken out [s]}


def recording_figure(
    recording: Kept, record: ShotRecord | None, reader: Reader, shown_s: tuple[float, float] | None, picked: Picked | None
) -> go.Figure:
    """Draw a recording with its shots, or without as long as they are being looked for; what is seen in a stretch of it."""
    drawn = _drawn(recording, record, picked)
    return recording_figures.recording(*curve(recording, shown_s), reader, whole_s=recording.span_s, shown_s=shown_s, **drawn)


def recording_parts(
    recording: Kept, record: ShotRecord | None, reader: Reader, shown_s: tuple[float, float] | None, picked: Picked | None
) -> dict[str, list[dict[str, Any]]]:
    """What of that figure follows its window."""
    drawn = _drawn(recording, record, picked)
    window_s, length_s = shown_s or recording.span_s, time_unit_s(recording)
    return recording_figures.recording_parts(*curve(recording, shown_s), reader, window_s=window_s, length_s=length_s, **drawn)


def picked_of(query: Mapping[str, str]) -> Picked:
    """Read what is picked.

    Raises
    ------
    ValueError
        If it is no finite number.
    """
    picked = {key: float(query[key]) for key in ("shot", "at", "out") if key in query}
    if not all(math.isfinite(value) for value in picked.values()):
        msg = "What is picked is no number."
        raise ValueError(msg)
    return picked


def time_unit_s(recording: Kept) -> float:
    """Length of the unit of the time axis [s]."""
    begin_s, end_s = recording.span_s
    return figures.time_axis(end_s - begin_s)[1]


def _drawn(recording: Kept, record: ShotRecord | None, picked: Picked | None) -> dict[str, Any]:
    """What is drawn besides the curve."""
    shots, taken_out, events = (record.shots, record.taken_out, record.events) if record is not None else ((), (), ())
    return {
        "shots": shots,
        "taken_out": [(s.time_s, s.minimum_pa) for s in taken_out],
        "picked": _place(recording, record, picked),
        "marks": [(float(m["time_s"]), str(m.get("text") or m["kind"])) for m in recording.marks if m["kind"] not in KINDS],
        "events": [(e.time_s, e.until_s, e.kind) for e in events if e.kind not in {"pump start", "pump stop"}],
    }


def _place(recording: Kept, record: ShotRecord | None, picked: Picked | None) -> tuple[float, float, str] | None:
    """Where to point, and what to write there."""
    if record is not None and picked and "shot" in picked and 0 <= int(picked["shot"]) < len(record.shots):
        shot = record.shots[int(picked["shot"])]
        return shot.time_s, shot.minimum_pa, f"shot {int(picked['shot']) + 1}"
    if picked and ("at" in picked or "out" in picked):
        at_s = float(picked.get("at", picked.get("out", 0.0)))
        return at_s, _pressure_at(recording, at_s), f"{at_s:.2f} s"
    return None


def _pressure_at(recording: Kept, at_s: float) -> float:
    t, p = recording.between(at_s, at_s)
    return float(np.interp(at_s, t, p)) if t.size else float("nan")


def recording_card(recording: Kept, record: ShotRecord | None, fig: go.Figure, reader: Reader) -> html.Section:
    """Frame the recording, and tell the browser where it asks for the figure again when it is moved."""
    marked = f" with {len(record.shots)} shots marked" if record is not None else ""
    again = ui.address(AGAIN, {"session": recording.name, "channel": recording.channel, "unit": reader.unit})
    fig.layout.meta = {"again": again, "unit_s": time_unit_s(recording)}
    return ui.card(
        "The recording",
        ui.figure(fig, f"Pressure of {recording.name} against time{marked}", id=FIGURE),
        note="Hollow: a doubtful shot." if record is not None and any(s.doubtful for s in record.shots) else None,
        hint=("" if record is None else "Tap a mark to see its shot, or the curve where one is missing. ")
        + "Drag across to zoom, double-tap to see all.",
        className="figure-card",
    )


def panel(recording: Kept, record: ShotRecord, reader: Reader, picked: Picked | None) -> list[Any]:
    """Show one shot's measures with what can be done about it; or the moment that was chosen, where there is none."""
    if picked and "out" in picked:
        return [
            html.H2(f"Taken out by hand, at {picked['out']:.2f} s"),
            html.P("The detector took this for a shot; it counts no longer.", className="note"),
            html.Div([_correct("Put it back", "shot", picked["out"])], className="actions"),
        ]
    if picked and "at" in picked:
        at_s = float(picked["at"])
        p_pa = _pressure_at(recording, at_s)
        return [
            html.H2(f"No shot found at {at_s:.2f} s"),
            html.P(f"The pressure was {reader.pressure(p_pa)}. Was a shot fired here that has no mark?", className="note"),
            html.Div([_correct("A shot here", "shot", at_s)], className="actions"),
        ]
    index = int(picked["shot"]) if picked and "shot" in picked else 0
    if not 0 <= index < len(record.shots):
        return [html.H2("No shot"), html.P("Tap the curve where a shot was fired that has no mark.", className="note")]
    shot = record.shots[index]
    unit, length_s = figures.time_axis(recording.span_s[1] - recording.span_s[0])
    on_the_axis = None if unit == "s" else f"{shot.time_s / length_s:.3f} {unit}"
    recovery = seconds(shot.recovery_s) if shot.outcome == "recovered" else f"over {seconds(shot.censored_s)}"
    return [
        html.H2(
            f"Shot {index + 1} of {len(record.shots)}" + (", added by hand" if shot.by_hand else ", doubtful" if shot.doubtful else "")
        ),
        ui.readouts(
            [
                ("At", f"{shot.time_s:.2f} s", on_the_axis),
                ("Before", reader.pressure(shot.before_pa), None),
                ("Lowest", reader.pressure(shot.minimum_pa), None),
                ("Dip", reader.pressure(shot.dip_pa), None),
                ("Recovery", recovery, shot.outcome),
            ]
        ),
        html.Div(
            [
                _step("‹ Shot before", -1, disabled=index == 0),
                _step("Shot after ›", 1, disabled=index + 1 == len(record.shots)),
                *([_correct("It was a shot", "shot", shot.time_s, quiet=True)] if shot.doubtful else []),
                _correct("Not a shot", "not a shot", shot.time_s, quiet=True),
            ],
            className="actions",
        ),
        html.P("Nothing else in the recording vouches for it: see the notes below.", className="note") if shot.doubtful else None,
        html.P("The arrow keys ← → step too.", className="note keys"),
    ]


def _step(label: str, by: int, *, disabled: bool) -> html.Button:
    return html.Button(label, className="button", type="button", disabled=disabled, **{"data-step": by})


def _correct(label: str, kind: str, at_s: float, *, quiet: bool = False) -> html.Button:
    look = "button quiet" if quiet else "button strong"
    return html.Button(label, id={"correct": kind, "at": f"{at_s:.6f}"}, className=look, n_clicks=0)


def corrected_card(recording: Kept) -> html.Section | None:
    """List what was corrected by hand, each to be undone."""
    made = corrections(recording.marks, recording.channel)
    if not made:
        return None
    items = [
        html.Li(
            [
                html.Span(f"{at:.2f} s: {'a shot' if kind == 'shot' else 'not a shot, taken out'}"),
                _correct("Undo", "not a shot" if kind == "shot" else "shot", at, quiet=True),
            ]
        )
        for at, kind in sorted(made.items())
    ]
    return ui.card("Corrected by hand", html.Ul(items, className="corrected"), note="Kept with the session and heeded everywhere.")


def overlay(recording: Kept, record: ShotRecord, reader: Reader, chosen: int | None) -> html.Div:
    """Lay the shots over each other; if there are very many, evenly picked ones and the chosen one."""
    chosen = None if chosen is None or not 0 <= chosen < len(record.shots) else chosen
    curves = laid_over(recording, record, chosen)
    at = list(curves).index(chosen) if chosen is not None else None
    fig = shot_figures.overlay([*curves.values()], reader, chosen=at, numbers=[i + 1 for i in curves])
    return ui.figure(fig, "Pressure after each shot, laid over each other")


def times_store(record: ShotRecord) -> dcc.Store:
    """What the browser needs to step from shot to shot: when each was fired [s]."""
    return dcc.Store(id="shot-times", data=[round(s.time_s, 4) for s in record.shots])


def grid(record: ShotRecord, reader: Reader) -> dag.AgGrid:
    """List every shot in a table that sorts."""
    small = bool(record.shots) and np.median([s.dip_pa for s in record.shots]) < SMALL_DIP_PA
    rows = [
        {
            "shot": i + 1,
            "time": s.time_s,
            "before": reader.pressure_value(s.before_pa),
            "minimum": reader.pressure_value(s.minimum_pa),
            "dip": reader.pressure_value(s.dip_pa),
            "recovery": None if s.outcome != "recovered" else s.recovery_s,
            "outcome": s.outcome + (", by hand" if s.by_hand else ", doubtful" if s.doubtful else ""),
        }
        for i, s in enumerate(record.shots)
    ]

    def number(places: int) -> dict[str, Any]:
        written = {"function": f"params.value == null ? '' : d3.format('.{places}f')(params.value)"}
        return {"type": "numericColumn", "minWidth": 92, "flex": 1, "valueFormatter": written}

    columns = [
        {"field": "shot", "headerName": "Shot", "minWidth": 72, "maxWidth": 90, "pinned": "left"},
        {"field": "time", "headerName": "At [s]", **number(2)},
        {"field": "before", "headerName": f"Before [{reader.unit}]", **number(reader.places)},
        {"field": "minimum", "headerName": f"Lowest [{reader.unit}]", **number(reader.places)},
        {"field": "dip", "headerName": f"Dip [{reader.unit}]", **number(reader.places + small)},
        {"field": "recovery", "headerName": "Recovery [s]", **number(2)},
        {"field": "outcome", "headerName": "Outcome", "minWidth": 130, "flex": 1},
    ]
    return dag.AgGrid(
        id="shot-table",
        rowData=rows,
        columnDefs=columns,
        getRowId="params.data.shot.toString()",
        eventListeners={"selectionChanged": ["shotSelected(params)"]},
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
