"""Line: the air line as a row of parts, what each part costs in pressure, and what the line does when shots are fired."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from dash import Dash, html

from analysis.cautions import cautions
from analysis.line import Line
from dashboard import line_figures, line_fit, ui, wording
from dashboard.job_card import working
from dashboard.line_words import compressor_facts, part_facts
from dashboard.reader import Reader, seconds
from dashboard.work import Work

if TYPE_CHECKING:
    from analysis.model import Simulation
    from analysis.steady import Steady

PATH, TITLE, SHORT = "/line", "Line", "Line"
SHOTS, EVERY = "6", "0.5 s"
AFTER_S = 4.0  # how long the simulation goes on after the last shot
TABLE_MOST = 40


def layout(work: Work, query: Mapping[str, str], reader: Reader) -> html.Div:
    """Say what this line does."""
    lines = work.lines()
    if not lines:
        return ui.page(TITLE, ui.no_lines())
    name = query.get("line") or next(iter(lines))
    line = work.line(name)
    burst, problems = ui.burst_of(query, SHOTS, EVERY)
    sessions = [("", "none"), *[(s.name, s.name) for s in work.sessions()]]
    choices = ui.controls(
        ui.choice("line", "Air line", [(n, n) for n in lines], name, default=next(iter(lines))),
        ui.entry("shots", "Shots fired", query.get("shots", SHOTS), default=SHOTS, error=problems.get("shots")),
        ui.entry("every", "One every", query.get("every", EVERY), default=EVERY, error=problems.get("every")),
        ui.choice("session", "Beside the measured session", sessions, query.get("session", "")),
    )
    if burst is None:
        return ui.page(TITLE, choices, ui.card(line.name, parts_row(line, reader)), _cautions(line))
    shots, every_s = burst
    fired = tuple(1.0 + i * every_s for i in range(shots))
    simulation = work.simulate(line, fired, fired[-1] + AFTER_S)
    flow = (line.tool.air_per_shot_m3 or 0.0) / every_s
    steady = work.steady(line, flow)
    return ui.page(
        TITLE,
        choices,
        ui.answer(wording.simulation(line, simulation, reader), tone=_tone(line, simulation), sure="by the model, not measured"),
        ui.card(
            line.name,
            parts_row(line, reader, [x.outlet_pa for x in steady.losses]),
            note=f"With the pressure behind each part while {reader.flow(flow)} of free air flows without pause, the tank at cut-in.",
        ),
        html.Div([_simulated(line, simulation, reader), _losses(line, steady, flow, reader)], className="two"),
        _shots_table(simulation, reader),
        _beside(work, query.get("session", ""), line, reader),
        line_fit.section(work, query["session"], name, dict(query), reader) if query.get("session") else None,
        ui.warnings([c for c in cautions(line) if "assumed" in c]),
        _cautions(line),
        _how(simulation),
    )


def _tone(line: Line, simulation: Simulation) -> str:
    window = line.tool.window_pa
    if window is None or not simulation.shots:
        return "plain"
    return "good" if min(s.before_pa for s in simulation.shots) >= window[0] else "bad"


def _simulated(line: Line, simulation: Simulation, reader: Reader) -> html.Section:
    start = ("start of the line", simulation.p_pa[:, 1]) if simulation.receiver_pa is None else ("receiver", simulation.receiver_pa)
    curves = {name: (simulation.t_s, p) for name, p in (("tool", simulation.tool_pa), start)}
    fig = line_figures.traces(curves, reader, shots_s=[s.time_s for s in simulation.shots], band_pa=line.tool.window_pa)
    note = "Green: the tool's window. Short orange strokes: shots." if line.tool.window_pa else "Short orange strokes: shots."
    return ui.card(
        "When these shots are fired", ui.figure(fig, "Simulated pressure at the tool against time"), note=note, className="figure-card"
    )


def _losses(line: Line, steady: Steady, flow_m3_per_s: float, reader: Reader) -> html.Section:
    kinds = {label: part.kind for label, part in zip(line.labels(), line.parts, strict=True)}
    rows = [
        (f"{x.name} (as set)" if kinds[x.label] == "regulator" else x.name, x.loss_pa) for x in steady.losses if kinds[x.label] != "tool"
    ]
    fig = line_figures.losses(rows, reader)
    note = f"At the mean flow of this work, {reader.flow(flow_m3_per_s)} of free air. Single shots lose more: their flow comes in a rush."
    if steady.chokes_at:
        note = f"{steady.chokes_at} cannot pass {reader.flow(flow_m3_per_s)} of free air without pause: work slower, or make it wider."
    return ui.card("What each part takes", ui.figure(fig, "Pressure lost in each part at steady flow"), note=note, className="figure-card")


def _shots_table(simulation: Simulation, reader: Reader) -> html.Section:
    rows = [
        (
            str(i + 1),
            *[ui.bare(reader.pressure(p)) for p in (s.before_pa, s.minimum_pa, s.dip_pa)],
            ui.bare(seconds(s.recovery_s)) if math.isfinite(s.recovery_s) else "cut\u00a0off",
            ui.bare(reader.air(s.air_m3)),
        )
        for i, s in enumerate(simulation.shots[:TABLE_MOST])
    ]
    u = reader.unit
    heads = ["shot", f"before [{u}]", f"lowest [{u}]", f"dip [{u}]", "back after [s]", "free air [L]"]
    return ui.card("Shot by shot", ui.table(heads, rows))


def _beside(work: Work, name: str, line: Line, reader: Reader) -> html.Section | None:
    """Set a session's shots beside what the model makes of the same schedule."""
    if not name:
        return None
    recording = work.opened(name)
    search = work.searching(name)
    if search is not None:
        return working(recording, search, "Looking for the shots")
    record, measured = work.shots(name)
    if not record.shots:
        return ui.card(f"{name} beside the model", ui.empty("No shots in this session", "Choose one that was recorded while nailing."))
    simulation, modelled = work.beside(name, line)
    first, last = record.shots[0].time_s - 1.0, record.shots[min(len(record.shots), 4) - 1].time_s + 2.0
    curves = {}
    for label, t_s, p_pa in (("measured", *recording.between(first, last)), ("model", simulation.t_s + first, simulation.tool_pa)):
        shown = (t_s >= first) & (t_s <= last)
        curves[label] = (t_s[shown], p_pa[shown])
    fig = line_figures.traces(curves, reader)
    return ui.card(
        f"{name} beside the model",
        *[html.P(s) for s in wording.measured_beside_modelled(measured, modelled, reader)],
        ui.figure(fig, "Measured and modelled pressure at the tool against time"),
        note="The first shots.",
        hint="Drag across to look closer, double-tap to see all.",
    )


def _cautions(line: Line) -> html.Aside:
    return ui.cautions("limits", more=[c for c in cautions(line) if "assumed" not in c])


def _how(simulation: Simulation) -> html.Details:
    return ui.how(
        "The line is solved in time: hoses as one-dimensional flow of compressible air with friction; tank, receiver and tool as "
        "volumes with mass, energy and heat to their walls; couplers and valves as restrictions by ISO 6358; the regulator with its "
        "droop. What the file does not say is assumed and named above.",
        f"{simulation.steps} time steps; the books of mass close to {simulation.mass_error:.0e}, those of energy to "
        f"{simulation.energy_error:.0e}.",
        formula="q_m = C ρ₀ p₁ √(T₀/T₁) φ(p₂/p₁);   hose: Euler equations with wall friction",
    )


def parts_row(line: Line, reader: Reader, pressures_pa: Sequence[float] | None = None) -> html.Ol:
    """Draw the parts in order of flow; with the pressure behind each, where it is known."""
    known = list(pressures_pa or ())
    first = _item("compressor", "compressor", compressor_facts(line.compressor, reader), None)
    rest = [
        _item(p.kind, p.name, part_facts(p, reader), None if i >= len(known) else reader.pressure(known[i]))
        for i, p in enumerate(line.parts)
    ]
    return html.Ol([first, *rest], className="parts")


def _item(kind: str, name: str, facts: str, pressure: str | None) -> html.Li:
    return html.Li(
        [
            html.Span(name, className="part-name"),
            html.Span(facts, className="part-facts"),
            html.Span([pressure, html.Small("at it" if kind == "tool" else "behind it")], className="part-pressure") if pressure else None,
        ],
        className=f"part {kind}",
    )


def register(app: Dash, work: Work) -> None:
    """Connect the fit; all else is in the address."""
    line_fit.register(app, work)
