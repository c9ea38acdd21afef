"""Setup: the air-line files, checked while they are written, with the cautions that belong to them."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any
from urllib.parse import urlencode

import dash_mantine_components as dmc
from dash import Dash, Input, Output, State, dcc, html, no_update

from analysis.line import cautions, parse_line
from analysis.line_check import rating_cautions
from dashboard import ui
from dashboard.pages.line import parts_row
from dashboard.reader import Reader
from dashboard.work import Work

PATH, TITLE, SHORT = "/setup", "Setup", "Setup"

NEW = """name = "My line"

[site]
altitude = "100 m"
temperature = "20 degC"

[compressor]
tank = "50 L"
cut_in = "6.5 bar"
cut_out = "8.5 bar"
delivery = "180 L/min"      # free air, from the compressor's plate

[[part]]
kind = "regulator"
set = "6.0 bar"

[[part]]
kind = "hose"
length = "25 m"
bore = "9 mm"

[[part]]
kind = "coupler"

[[part]]
kind = "tool"
air_per_shot = "1.5 L"      # free air
window = ["5.0 bar", "7.0 bar"]
"""

KEYS = (
    ("regulator", "set, droop, conductance or cv, b"),
    ("hose", "length, bore, roughness"),
    ("coupler, valve, filter, dryer", "conductance or cv, b; filter and dryer also volume"),
    ("receiver", "volume"),
    ("tool", "air_per_shot, window, volume"),
    ("any part", "name, rated, leak"),
)


def layout(work: Work, query: Mapping[str, str], reader: Reader) -> html.Div:
    """Show the editor with the chosen line."""
    lines = work.lines()
    chosen = query.get("line", "") or (next(iter(lines)) if lines else "")
    text = lines.get(chosen, NEW)
    name = chosen if chosen in lines else "my line"
    choices = [*[(n, n) for n in lines], ("(new)", "a new line")]
    return ui.page(
        TITLE,
        ui.controls(
            ui.choice("line", "Air line", choices, chosen if chosen in lines else "(new)", default=next(iter(lines), "(new)")),
            dmc.TextInput(id="line-name", label="Keep it as", value=name, size="md", className="control"),
        ),
        html.Div(
            [
                html.Section(
                    [
                        html.Label("Parts in order of flow, the tool last; quantities with their units", htmlFor="line-text"),
                        dcc.Textarea(id="line-text", value=text, spellCheck=False, wrap="off"),
                        html.Div(
                            [
                                html.Button("Keep this line", id="line-keep", className="button strong", n_clicks=0),
                                html.Span(_said(chosen) if "kept" in query else None, id="line-kept", role="status"),
                            ],
                            className="actions",
                        ),
                    ],
                    className="card editor",
                ),
                html.Div([html.Div(checked(text, reader), id="line-checked", **{"aria-live": "polite"}), _keys()], className="page"),
            ],
            className="two",
        ),
        lead="Describe your air line once; Line and Receiver work from it.",
    )


def _keys() -> html.Section:
    return ui.card("What a part may say", ui.table(["kind", "keys"], KEYS, words=True))


def checked(text: str, reader: Reader) -> html.Div:
    """Say whether a line can be used; if so, draw it, and give the cautions that belong to it."""
    try:
        line = parse_line(text)
    except ValueError as problem:
        said = html.Section([html.P("Not yet", className="check-bad"), html.P(str(problem))], className="card")
        return html.Div([said, ui.cautions("rated", "whip", "eyes", "limits")], className="page")
    drawn = html.Section(
        [html.P(f"{line.name}: understood, {len(line.parts)} parts.", className="check-good"), parts_row(line, reader)],
        className="card stacked",
    )
    return html.Div([drawn, ui.cautions(more=[*cautions(line), *rating_cautions(line)])], className="page")


def register(app: Dash, work: Work) -> None:
    """Connect the editor."""

    @app.callback(Output("line-checked", "children"), Input("line-text", "value"), State("unit", "value"), prevent_initial_call=True)
    def check(text: str | None, unit: str) -> Any:
        return checked(text or "", Reader(unit))

    @app.callback(
        Output("line-kept", "children"),
        Output("url", "search", allow_duplicate=True),
        Input("line-keep", "n_clicks"),
        State("line-name", "value"),
        State("line-text", "value"),
        prevent_initial_call=True,
    )
    def keep(clicks: int, name: str | None, text: str | None) -> tuple[Any, Any]:
        if not clicks:
            return no_update, no_update
        return kept(work, name or "", text or "")


def kept(work: Work, name: str, text: str) -> tuple[Any, Any]:
    """Keep a line; return what to say, and the address's search that shows it."""
    try:
        saved = work.save_line(name, text)
    except (ValueError, OSError) as problem:
        return html.Span(f"Not kept: {problem}", className="check-bad"), no_update
    return _said(saved), f"?{urlencode({'line': saved, 'kept': 1})}"


def _said(name: str) -> html.Span:
    return html.Span(f"Kept as {name}.", className="check-good")
