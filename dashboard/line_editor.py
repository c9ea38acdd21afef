"""The editor of an air line: its parts drawn in a row, each to be clicked and changed; the file's text beside it is what is kept."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final
from urllib.parse import urlencode

import dash_mantine_components as dmc
from dash import ALL, Dash, Input, Output, State, ctx, dcc, html, no_update

from analysis.cautions import cautions
from analysis.line import Line
from analysis.line_check import rating_cautions
from analysis.line_edit import add, move, parts_said, put, remove, said
from analysis.line_file import KINDS, known_keys, parse_line
from dashboard import ui
from dashboard.line_words import compressor_facts, part_facts
from dashboard.reader import Reader
from dashboard.work import Work

NEW: Final = """name = "My line"

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
# What a key means to the reader, with how it may be written.
LABELS: Final[dict[str, tuple[str, str]]] = {
    "name": ("Name", "how you call it"),
    "rated": ("Rated pressure", "on its plate or sheet, e.g. 10 bar or 150 psi"),
    "leak": ("Leaks", "conductance, e.g. 0.0002 L/s/bar"),
    "set": ("Set to", "e.g. 6.5 bar or 95 psi"),
    "droop": ("Droop", "fall from no flow to full flow, e.g. 0.5 bar or 7 psi"),
    "time_constant": ("Valve's lag", "how fast its valve moves, e.g. 30 ms"),
    "delivery_at": ("Delivery stated at", "pressure, e.g. 6 bar or 90 psi"),
    "clearance": ("Clearance", "of the pump's cylinder, e.g. 5 %"),
    "conductance": ("Conductance", "ISO 6358, e.g. 1.9 L/s/bar"),
    "cv": ("or flow coefficient Cv", "a plain number, e.g. 0.5"),
    "b": ("Critical pressure ratio", "ISO 6358, e.g. 0.3"),
    "length": ("Length", "e.g. 25 m or 100 ft"),
    "bore": ("Bore", "inside, e.g. 9.5 mm or 3/8 in"),
    "roughness": ("Roughness", "of the wall inside, e.g. 0.01 mm"),
    "volume": ("Volume", "e.g. 24 L or 5 gal"),
    "air_per_shot": ("Free air a shot", "e.g. 1.5 L"),
    "window": ("Working window", "e.g. 5.5 bar to 7 bar or 80 psi to 100 psi"),
    "tank": ("Tank", "e.g. 100 L or 26 gal"),
    "cut_in": ("Starts at", "e.g. 7 bar or 100 psi"),
    "cut_out": ("Stops at", "e.g. 9 bar or 130 psi"),
    "delivery": ("Delivery", "free air, e.g. 240 L/min or 8 scfm"),
    "altitude": ("Altitude", "e.g. 180 m or 600 ft"),
    "temperature": ("Air temperature", "e.g. 22 degC or 72 degF"),
    "humidity": ("Humidity", "e.g. 65 %"),
}
TABLES: Final = ("site", "compressor")


def editor(text: str, name: str, reader: Reader, kept: Any = None) -> html.Div:
    """Lay the editor out for an air-line file."""
    return html.Div(
        [
            dcc.Store(id="line-chosen", data="compressor"),
            html.Div(drawn(text, "compressor", reader), id="line-drawn"),
            html.Div(
                [
                    html.Section(
                        [html.Div(form(text, "compressor"), id="line-form"), html.Div(part_said(text, "compressor"), id="line-part-said")],
                        className="card",
                    ),
                    html.Div(checked(text), id="line-checked", **{"aria-live": "polite"}),
                ],
                className="two",
            ),
            html.Div(
                [
                    dmc.TextInput(id="line-name", label="Keep it as", value=name, size="md", className="control"),
                    html.Button("Keep this line", id="line-keep", className="button strong", n_clicks=0),
                    html.Span(kept, id="line-kept", role="status"),
                ],
                className="actions keep-line",
            ),
            html.Details(
                [
                    html.Summary("The file itself"),
                    html.Label("Parts in order of flow, the tool last; quantities with their units", htmlFor="line-text"),
                    dcc.Textarea(id="line-text", value=text, spellCheck=False, wrap="off"),
                ],
                className="hint editor",
            ),
        ],
        className="page",
    )


def drawn(text: str, chosen: str, reader: Reader) -> html.Ol:
    """Draw the places of the line in order of flow, each a button; what the file does not yet say rightly is drawn by its kind alone."""
    line = _line(text)
    pump = compressor_facts(line.compressor, reader) if line else ""
    places = [("site", "site", "place", "where it stands"), ("compressor", "compressor", "compressor", pump)]
    for index, table in enumerate(parts_said(text)):
        kind = table.get("kind", "?")
        facts = part_facts(line.parts[index], reader) if line else ""
        places.append((str(index), kind, table.get("name", kind), facts))
    warned = _warned(line)
    return html.Ol(
        [
            html.Li(
                html.Button(
                    [
                        html.Span(name, className="part-name"),
                        html.Span(facts, className="part-facts"),
                        html.Span("look here", className="part-warned") if name in warned else None,
                    ],
                    id={"place": where},
                    n_clicks=0,
                    className="place-button",
                    **{"aria-pressed": "true" if where == chosen else "false"},
                ),
                className=f"part {kind}",
            )
            for where, kind, name, facts in places
        ],
        className="parts editable",
    )


def form(text: str, where: str) -> list[Any]:
    """Fields of one place of the line, and what can be done with it."""
    table = said(text, _key(where))
    kind = where if where in TABLES else table.get("kind", "")
    keys = known_keys(kind) if kind in {*KINDS, *TABLES} else ()
    fields = [
        dmc.TextInput(
            id={"field": key, "of": where},
            label=LABELS.get(key, (key.replace("_", " "), ""))[0],
            description=LABELS.get(key, ("", ""))[1],
            value=table.get(key, ""),
            debounce=400,
            size="md",
            className="control",
            inputProps={"autoCapitalize": "off", "autoCorrect": "off", "spellCheck": "false"},
        )
        for key in keys
    ]
    acts = () if where in TABLES else (("earlier", "Earlier in the flow"), ("later", "Later in the flow"), ("remove", "Take out"))
    return [
        html.H2({"site": "The place", "compressor": "The compressor"}.get(where, table.get("name", kind).capitalize())),
        html.Div(fields, className="controls"),
        html.Div(
            [html.Button(label, id={"act": act}, className="button", n_clicks=0) for act, label in acts]
            + [
                dmc.Select(
                    id="line-add",
                    placeholder="Add a part behind it",
                    data=[*KINDS],
                    value=None,
                    size="md",
                    className="control",
                    **{"aria-label": "Add a part behind it"},
                )
                if where != "site"
                else None
            ],
            className="actions",
        ),
    ]


def checked(text: str) -> html.Div:
    """Say whether the file can be used, and give the cautions that belong to the line."""
    try:
        line = parse_line(text)
    except ValueError as problem:
        said_so = html.Section([html.P("Not yet", className="check-bad"), html.P(str(problem))], className="card")
        return html.Div([said_so, ui.cautions("rated", "whip", "eyes", "limits")], className="page")
    good = html.P(f"{line.name}: understood, {len(line.parts)} parts.", className="check-good")
    return html.Div([html.Section(good, className="card"), ui.cautions(more=_all_cautions(line))], className="page")


def part_said(text: str, where: str) -> Any:
    """Cautions that name the chosen part."""
    line = _line(text)
    table = said(text, _key(where))
    if line is None:
        return None
    name = "tank" if where == "compressor" else table.get("name", table.get("kind", ""))
    mine = [c for c in _all_cautions(line) if name and name.casefold() in c.casefold()]
    return ui.warnings(mine)


def _all_cautions(line: Line) -> list[str]:
    return [*cautions(line), *rating_cautions(line)]


def _warned(line: Line | None) -> set[str]:
    """Names of parts that are not rated for what they can see."""
    from analysis.line_check import check_parts

    return {p.name for p in check_parts(line) if p.verdict.startswith("too low")} if line else set()


def _line(text: str) -> Line | None:
    try:
        return parse_line(text)
    except ValueError:
        return None


def _key(where: str) -> str | int:
    return where if where in TABLES else int(where)


def changed(text: str, values: Sequence[str | None], fields: Sequence[dict[str, str]]) -> str:
    """Write into the file what its fields say; the text as it was where they say what it says."""
    for value, field in zip(values, fields, strict=True):
        where = _key(field["of"])
        if (value or "").strip() != said(text, where).get(field["field"], ""):
            text = put(text, where, field["field"], value or "")
    return text


def acted(text: str, chosen: str, act: str) -> tuple[str, str]:
    """Move or take out the chosen part; return the file and the place that is chosen then."""
    index = int(chosen)
    if act == "remove":
        return remove(text, index), str(index - 1) if index else "compressor"
    by = -1 if act == "earlier" else 1
    count = len(parts_said(text))
    return move(text, index, by), str(min(max(index + by, 0), count - 1))


def added(text: str, chosen: str, kind: str) -> tuple[str, str]:
    """Add a part behind the chosen place; return the file and the new part's place."""
    after = -1 if chosen in TABLES else int(chosen)
    return add(text, after, kind), str(after + 1)


def register(app: Dash, work: Work) -> None:
    """Connect the editor."""

    @app.callback(
        Output("line-drawn", "children"),
        Output("line-checked", "children"),
        Output("line-part-said", "children"),
        Input("line-text", "value"),
        Input("line-chosen", "data"),
        State("unit", "value"),
        prevent_initial_call=True,  # the page came drawn; drawing it again would take the first click away
    )
    def check(text: str | None, chosen: str, unit: str) -> tuple[Any, Any, Any]:
        return drawn(text or "", chosen, Reader(unit)), checked(text or ""), part_said(text or "", chosen)

    @app.callback(
        Output("line-chosen", "data"),
        Output("line-form", "children"),
        Input({"place": ALL}, "n_clicks"),
        State("line-text", "value"),
        prevent_initial_call=True,
    )
    def choose(clicks: list[int], text: str) -> tuple[Any, Any]:
        if not any(clicks) or not isinstance(ctx.triggered_id, dict):
            return no_update, no_update
        return ctx.triggered_id["place"], form(text or "", ctx.triggered_id["place"])

    @app.callback(
        Output("line-text", "value"),
        Input({"field": ALL, "of": ALL}, "value"),
        State({"field": ALL, "of": ALL}, "id"),
        State("line-text", "value"),
        prevent_initial_call=True,
    )
    def write(values: list[str | None], fields: list[dict[str, str]], text: str) -> Any:
        try:
            after = changed(text or "", values, fields)
        except ValueError:  # the text itself is wrong; what is wrong with it is said beside it
            return no_update
        return after if after != text else no_update

    @app.callback(
        Output("line-text", "value", allow_duplicate=True),
        Output("line-chosen", "data", allow_duplicate=True),
        Output("line-form", "children", allow_duplicate=True),
        Input({"act": ALL}, "n_clicks"),
        Input("line-add", "value"),
        State("line-chosen", "data"),
        State("line-text", "value"),
        prevent_initial_call=True,
    )
    def act(clicks: list[int], kind: str | None, chosen: str, text: str) -> tuple[Any, Any, Any]:
        nothing = no_update, no_update, no_update
        try:
            if ctx.triggered_id == "line-add" and kind:
                after, place = added(text, chosen, kind)
            elif any(clicks) and isinstance(ctx.triggered_id, dict):
                after, place = acted(text, chosen, ctx.triggered_id["act"])
            else:
                return nothing
        except ValueError:
            return nothing
        return after, place, form(after, place)

    @app.callback(
        Output("line-kept", "children"),
        Output("url", "search", allow_duplicate=True),
        Input("line-keep", "n_clicks"),
        State("line-name", "value"),
        State("line-text", "value"),
        prevent_initial_call=True,
    )
    def keep(clicks: int, name: str | None, text: str | None) -> tuple[Any, Any]:
        return kept(work, name or "", text or "") if clicks else (no_update, no_update)


def kept(work: Work, name: str, text: str) -> tuple[Any, Any]:
    """Keep a line; return what to say, and the address's search that shows it."""
    try:
        saved = work.save_line(name, text)
    except (ValueError, OSError) as problem:
        return html.Span(f"Not kept: {problem}", className="check-bad"), no_update
    return said_kept(saved), f"?{urlencode({'line': saved, 'kept': 1})}"


def said_kept(name: str) -> html.Span:
    """Say under which name a line is kept."""
    return html.Span(f"Kept as {name}.", className="check-good")
