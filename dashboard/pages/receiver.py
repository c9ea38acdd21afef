"""Receiver: the smallest one that keeps a burst above a floor, by the model, with the handbook's answer beside it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING

from dash import Dash, html

from analysis.units import UnitError, parse_quantity
from dashboard import figures, ui, wording
from dashboard.reader import Reader, seconds
from dashboard.work import Work

if TYPE_CHECKING:
    from analysis.line import Line
    from analysis.sizing import Sizing

PATH, TITLE, SHORT = "/receiver", "Receiver", "Receiver"
SHOTS, EVERY = "6", "0.3 s"
FLOORS = {"bar": "5.6 bar", "psi": "82 psi", "kPa": "560 kPa"}


def layout(work: Work, query: Mapping[str, str], reader: Reader) -> html.Div:
    """Say how big a receiver must be."""
    lines = work.lines()
    lead = "How big must a receiver near the work be, so that a burst of shots stays above a floor?"
    if not lines:
        return ui.page(TITLE, ui.no_lines(), lead=lead)
    name = query.get("line") or next(iter(lines))
    line = work.line(name)
    burst, problems = ui.burst_of(query, SHOTS, EVERY)
    floor_text = query.get("floor") or _usual_floor(line, reader)
    floor_pa, floor_problem = _floor(floor_text)
    head = ui.controls(
        ui.choice("line", "Air line", [(n, n) for n in lines], name, default=next(iter(lines))),
        ui.entry("shots", "Shots in the burst", query.get("shots", SHOTS), default=SHOTS, error=problems.get("shots")),
        ui.entry("every", "One every", query.get("every", EVERY), default=EVERY, error=problems.get("every")),
        ui.entry("floor", "No shot starts below", floor_text, default=_usual_floor(line, reader), error=floor_problem),
    )
    if burst is None or floor_pa is None:
        return ui.page(
            TITLE, head, ui.empty("One entry cannot be read", "It is marked above, with what is needed."), _cautions(()), lead=lead
        )
    try:
        sizing = work.size(line, burst[0], burst[1], floor_pa)
    except ValueError as refusal:
        return ui.page(TITLE, head, ui.refused(refusal), _cautions(()), lead=lead)
    return ui.page(
        TITLE,
        head,
        ui.answer(_sentences(sizing, reader), sure="by the model, not measured"),
        ui.readouts(_readouts(sizing, reader)),
        html.Div([_picture(sizing, floor_pa, reader), _table(sizing, floor_pa, reader)], className="two"),
        _cautions(sizing.cautions),
        _how(sizing, reader),
        lead=lead,
    )


def _sentences(sizing: Sizing, reader: Reader) -> list[str]:
    """Say the answer; the candidates and the cautions, which the page shows in places of their own, are left out."""
    return [s for s in wording.sizing(sizing, reader) if not s.startswith((" ", "Mind:"))]


def _usual_floor(line: Line, reader: Reader) -> str:
    """Lower end of the tool's window where it has one."""
    window = line.tool.window_pa
    return FLOORS[reader.unit] if window is None else reader.pressure(window[0])


def _floor(text: str) -> tuple[float | None, str | None]:
    """Read the floor typed [Pa gauge], or say what is wrong with it."""
    try:
        floor = parse_quantity(text, "pressure")
    except UnitError as problem:
        return None, str(problem)
    return (floor, None) if floor > 0 else (None, "The floor is a gauge pressure above zero.")


def _readouts(sizing: Sizing, reader: Reader) -> list[tuple[str, str, str | None]]:
    fill = seconds(sizing.fill_s) if math.isfinite(sizing.fill_s) else "–"
    back = seconds(sizing.recovery_s) if math.isfinite(sizing.recovery_s) else "over 15 s"
    if not sizing.receiver_m3:
        return [
            ("Smallest receiver", "none", "the line alone holds the floor"),
            ("Lowest before a shot", reader.pressure(sizing.lowest_pa), "without a receiver"),
            ("Handbook formula", reader.volume(sizing.handbook_m3), "receiver alone feeds the burst"),
            ("Back after the burst", back, "90 % of the sag"),
        ]
    return [
        ("Smallest receiver", reader.volume(sizing.receiver_m3), "by the model"),
        ("Next that is sold", reader.volume(sizing.common_m3) if math.isfinite(sizing.common_m3) else "none", "usual sizes"),
        ("Handbook formula", reader.volume(sizing.handbook_m3), "receiver alone feeds the burst"),
        ("Back after the burst", back, "90 % of the sag"),
        ("First filling", fill, "to 95 %, with the line"),
    ]


def _picture(sizing: Sizing, floor_pa: float, reader: Reader) -> html.Section:
    volumes = [c.volume_m3 for c in sizing.candidates]
    lowest = [c.lowest_pa for c in sizing.candidates]
    if sizing.receiver_m3 and sizing.receiver_m3 <= max(volumes):
        volumes.append(sizing.receiver_m3)
        lowest.append(sizing.lowest_pa)
    fig = figures.sizing(volumes, lowest, reader, floor_pa=floor_pa, chosen_m3=sizing.receiver_m3 or None, handbook_m3=sizing.handbook_m3)
    return ui.card(
        "Pressure against volume", ui.figure(fig, "Lowest pressure at a shot against the receiver's volume"), className="figure-card"
    )


def _table(sizing: Sizing, floor_pa: float, reader: Reader) -> html.Section:
    rows = [
        (
            ui.bare(reader.volume(c.volume_m3)) if c.volume_m3 else "none",
            "yes" if c.lowest_pa >= floor_pa else "no",
            ui.bare(reader.pressure(c.lowest_pa)),
            ui.bare(reader.pressure(c.minimum_pa)),
            ui.bare(seconds(c.recovery_s)) if math.isfinite(c.recovery_s) else "over 15",
        )
        for c in sizing.candidates
    ]
    u = reader.unit
    heads = [f"receiver [{reader.volume_unit}]", "holds the floor", f"lowest before a shot [{u}]", f"lowest of all [{u}]", "back after [s]"]
    return ui.card("Sizes that are sold", ui.table(heads, rows))


def _cautions(more: tuple[str, ...]) -> html.Aside:
    return ui.cautions("rated", "vessel", "whip", "eyes", "limits", more=more) if not more else ui.cautions("limits", more=more)


def _how(sizing: Sizing, reader: Reader) -> html.Details:
    return ui.how(
        "The burst is fired at the line in the model with one receiver after another, from the worst moment: the tank stands at "
        f"cut-in. At rest the tool then has {reader.pressure(sizing.settled_pa)}. A line that has a receiver gets the new volume "
        "there; else it stands ahead of the last hose where there are two, or ahead of the tool's coupler.",
        f"{sizing.why} In the formula T C is the free air of the burst, p_a 100 kPa, p₁ the pressure at rest and p₂ the floor.",
        formula="handbook: V = T C p_a / (p₁ − p₂)",
    )


def register(app: Dash, work: Work) -> None:
    """Nothing to connect: the address holds all choices."""
    del app, work
