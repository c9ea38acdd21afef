"""The section of the page Line that reads the line's parts from a session: what the fit found, against what the file says."""

from __future__ import annotations

import math
from functools import partial
from typing import TYPE_CHECKING, Any

import dash_mantine_components as dmc
from dash import Dash, Input, Output, State, dcc, html, no_update

from dashboard import fit_words, ui
from dashboard.fitting import FitState
from dashboard.reader import Reader, change, seconds
from dashboard.work import Work

if TYPE_CHECKING:
    from analysis.fit import LineFit, Parameter
    from analysis.line import Line

LOOK_MS = 700
TITLE = "What this session says of the line"


def section(work: Work, session: str, line_name: str, query: dict[str, str], reader: Reader) -> html.Section:
    """Offer the fit, or show how it stands; the address says whether it was asked for."""
    if query.get("fit") != "1":
        offer = ui.link("/line", {**query, "fit": "1"}, "Read the line from this session")
        note = (
            "Bore, restrictions, volumes and air per shot are fitted to the readings around the shots and test nozzles. "
            "It takes 5 to 20 s; the pages go on meanwhile."
        )
        return ui.card(TITLE, html.Div([offer], className="actions"), note=note, className="hint")
    line = work.line(line_name)
    work.start_fit(session, line)
    state = work.fit_state(session, line)
    return html.Section(
        [
            html.H2(TITLE),
            html.Div(shown(state, line, reader), id="fit", className="page"),
            ui.warnings(work.recording(session).warnings),
            html.Div(
                [html.Button("Stop", id="fit-stop", className="button"), html.Button("Start again", id="fit-again", className="button")],
                id="fit-buttons",
                className=f"actions fit-{state.kind}",
            ),
            dcc.Interval(id="fit-tick", interval=LOOK_MS, disabled=state.kind != "running"),
            dcc.Store(id="fit-of", data={"session": session, "line": line_name}),
        ],
        className="card hint",  # a report leaves it out: it is asked for on the page
    )


def shown(state: FitState, line: Line, reader: Reader) -> list[Any]:
    """Show how a fit stands."""
    if state.kind == "running":
        words = f"Fitting: {state.took_s:.0f} s so far, usually 5 to 20 s. You may leave this page; the fit goes on."
        return [html.P(words, role="status"), dmc.Progress(value=100, animated=True, striped=True, **{"aria-label": "Fitting"})]
    if state.kind == "stopped":
        return [html.P("Stopped.", role="status")]
    if state.kind == "done" and state.fit is not None:
        return found(state.fit, line, reader, state.took_s)
    return [ui.refused(state.why or "There is no fit yet.")]


def found(fit: LineFit, line: Line, reader: Reader, took_s: float) -> list[Any]:
    """Show a fit: findings first, then each part against the file, then what cannot be told apart."""
    told = any(p.value.value is not None for p in fit.parameters)
    tone = "unsure" if not told else "bad" if fit_words.wrong(fit, reader) else "good"
    sure = "read from the session, with 95 % intervals" if told else None
    names = {p.name: fit_words.parameter_name(p.name, line) for p in fit.parameters}
    out: list[Any] = [ui.answer(fit_words.findings(fit, reader), tone=tone, sure=sure)]
    if told:
        rows = [_row(p, names[p.name], reader) for p in fit.parameters]
        out.append(ui.table(["part", "read", "the file says", "off by"], rows, caption="Fitted against the air-line file"))
        out.append(
            ui.readouts(
                [
                    ("Air behind the supply valve", *ui.value_and_interval(fit.volume_downstream_m3, reader.volume)),
                    (f"Loss at {reader.flow(fit.flow_m3_per_s)}", *ui.value_and_interval(fit.line_drop_pa, reader.pressure)),
                    ("Left over", reader.pressure(fit.residual_pa) if math.isfinite(fit.residual_pa) else "–", "root mean square"),
                ]
            )
        )
    if fit.cannot_separate:
        apart = ["; ".join(names.get(n, n) for n in group) for group in fit.cannot_separate]
        out.append(html.P("Cannot be told apart, or not told at all, from this session:"))
        out.append(html.Ul([html.Li(_capital(a)) for a in apart]))
    out.append(ui.warnings(fit.warnings))
    out.append(html.P(f"Took {seconds(took_s)}.", className="note"))
    return [x for x in out if x is not None]


def _row(p: Parameter, name: str, reader: Reader) -> tuple[Any, ...]:
    write = partial(fit_words.quantity, p, reader)
    off = "" if p.value.value is None or not p.nominal else change(p.value.value / p.nominal - 1.0)
    return (_capital(name), ui.stacked(p.value, write), "–" if p.nominal is None else write(p.nominal), off)


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def register(app: Dash, work: Work) -> None:
    """Look after the fit while the page is open."""
    of = State("fit-of", "data")

    def look(data: dict[str, str], unit: str) -> tuple[Any, bool, str]:
        line = work.line(data["line"])
        state = work.fit_state(data["session"], line)
        return shown(state, line, Reader(unit)), state.kind != "running", f"actions fit-{state.kind}"

    outputs = (Output("fit", "children"), Output("fit-tick", "disabled"), Output("fit-buttons", "className"))
    again = tuple(Output(o.component_id, o.component_property, allow_duplicate=True) for o in outputs)

    @app.callback(*outputs, Input("fit-tick", "n_intervals"), of, State("unit", "value"), prevent_initial_call=True)
    def tick(_: int | None, data: dict[str, str], unit: str) -> Any:
        return look(data, unit)

    @app.callback(*again, Input("fit-stop", "n_clicks"), of, State("unit", "value"), prevent_initial_call=True)
    def stop(clicks: int | None, data: dict[str, str], unit: str) -> Any:
        if not clicks:
            return (no_update,) * 3
        work.stop_fit(data["session"], work.line(data["line"]))
        return look(data, unit)

    @app.callback(*again, Input("fit-again", "n_clicks"), of, State("unit", "value"), prevent_initial_call=True)
    def start(clicks: int | None, data: dict[str, str], unit: str) -> Any:
        if not clicks:
            return (no_update,) * 3
        work.start_fit(data["session"], work.line(data["line"]), again=True)
        return look(data, unit)
