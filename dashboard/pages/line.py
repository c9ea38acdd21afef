"""Line: the air line as a row of parts, what each part costs in pressure, and what the line does when shots are fired."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from dash import Dash, html

from analysis.line import Line, Part, cautions
from analysis.units import from_si
from dashboard import ui
from dashboard.reader import Reader, significant
from dashboard.work import Work

PATH, TITLE, SHORT = "/line", "Line", "Line"


def layout(work: Work, query: Mapping[str, str], reader: Reader) -> html.Div:
    """Say what this line does."""
    lines = work.lines()
    if not lines:
        return ui.page(TITLE, ui.no_lines())
    name = query.get("line") or next(iter(lines))
    line = work.line(name)
    return ui.page(
        TITLE,
        ui.controls(ui.choice("line", "Air line", [(n, n) for n in lines], name)),
        ui.card(line.name, parts_row(line, reader)),
        ui.cautions("rated", "vessel", "whip", "eyes", "limits", more=cautions(line)),
    )


def parts_row(line: Line, reader: Reader, pressures_pa: Sequence[float] | None = None) -> html.Ol:
    """Draw the parts in order of flow; with the pressure behind each, where it is known."""
    c = line.compressor
    first = _item(
        "compressor",
        "compressor",
        f"{reader.volume(c.tank_m3)} tank, {reader.flow(c.delivery_m3_per_s)}",
        f"{_band(reader, c.cut_in_pa, c.cut_out_pa)}",
        None,
    )
    rest = [
        _item(p.kind, p.name, part_facts(p, reader), None, None if pressures_pa is None else reader.pressure(pressures_pa[i]))
        for i, p in enumerate(line.parts)
    ]
    return html.Ol([first, *rest], className="parts")


def _band(reader: Reader, low_pa: float, high_pa: float) -> str:
    low, high = reader.pressure(low_pa), reader.pressure(high_pa)
    return f"{low.removesuffix(' ' + reader.unit)} to {high}"


def _item(kind: str, name: str, facts: str, more: str | None, pressure: str | None) -> html.Li:
    return html.Li(
        [
            html.Span(name, className="part-name"),
            html.Span(", ".join(x for x in (facts, more) if x), className="part-facts"),
            html.Span([pressure, html.Small("behind it")], className="part-pressure") if pressure else None,
        ],
        className=f"part {kind}",
    )


def part_facts(part: Part, reader: Reader) -> str:
    """Say a part's main numbers."""
    facts: list[Any] = []
    if part.set_pa is not None:
        facts.append(f"set to {reader.pressure(part.set_pa)}")
    if part.length_m is not None and part.bore_m is not None:
        inches = reader.unit == "psi"
        length = f"{significant(from_si(part.length_m, 'ft'), 3)} ft" if inches else f"{significant(part.length_m, 3)} m"
        bore = f"{significant(from_si(part.bore_m, 'in'), 3)} in" if inches else f"{significant(from_si(part.bore_m, 'mm'), 3)} mm"
        facts.append(f"{length}, bore {bore}")
    if part.kind == "receiver" and part.volume_m3 is not None:
        facts.append(reader.volume(part.volume_m3))
    if part.kind in {"coupler", "valve", "filter", "dryer"} and part.conductance is not None:
        facts.append(
            f"{significant(from_si(part.conductance, 'L/s/bar'), 2)} L/s/bar" + (" (assumed)" if "conductance" in part.assumed else "")
        )
    if part.air_per_shot_m3 is not None:
        facts.append(f"{reader.air(part.air_per_shot_m3)} a shot" + (" (assumed)" if "air_per_shot" in part.assumed else ""))
    if part.window_pa is not None:
        facts.append(f"window {_band(reader, *part.window_pa)}")
    return ", ".join(facts)


def register(app: Dash, work: Work) -> None:
    """Nothing to connect: the address holds all choices."""
    del app, work
