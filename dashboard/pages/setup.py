"""Setup: the air lines, what to look at before work, the sensors, and how the reader wants numbers written."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from typing import Any

import dash_mantine_components as dmc
from dash import ALL, ClientsideFunction, Dash, Input, Output, State, dcc, html, no_update

from analysis.cautions import cautions, maker_limit
from analysis.leak_cost import TARIFF_PER_KWH
from analysis.line import Line
from analysis.line_check import check_parts, questions, rating_cautions
from analysis.line_file import parse_tools
from dashboard import line_editor, ui
from dashboard.dry_answers import check_words
from dashboard.line_words import part_facts
from dashboard.reader import Reader
from dashboard.work import Work
from logger.logbook import CHECKED
from logger.sensors import OLD_DAYS, Sensor

PATH, TITLE, SHORT = "/setup", "Setup", "Setup"
VIEWS = (("line", "Air line"), ("tools", "Tools"), ("before", "Before work"), ("sensors", "Sensors"), ("reader", "Numbers"))

NEW_TOOLS = """[[tool]]
name = "framing nailer"
air_per_shot = "1.8 L"      # free air, from the maker's sheet
window = ["4.8 bar", "8.3 bar"]
rated = "8.3 bar"
"""


def layout(work: Work, query: Mapping[str, str], reader: Reader) -> html.Div:
    """Show the view that the address names."""
    view = query.get("view", "line")
    tabs = html.Nav(
        [
            dcc.Link(
                label, href=ui.address(PATH, {"view": key, "line": query.get("line")}), className="view here" if key == view else "view"
            )
            for key, label in VIEWS
        ],
        className="views",
        **{"aria-label": "Parts of the set-up"},
    )
    shown = {"tools": _tools, "before": _before, "sensors": _sensors, "reader": _reader}.get(view, _line)
    return ui.page(TITLE, tabs, *shown(work, query, reader), lead="Describe your air line once; Line, Receiver and Water work from it.")


def _line(work: Work, query: Mapping[str, str], reader: Reader) -> list[Any]:
    lines = work.lines()
    chosen = query.get("line", "") or (next(iter(lines)) if lines else "")
    choices = [*[(n, n) for n in lines], ("(new)", "a new line")]
    known = chosen in lines
    return [
        ui.controls(ui.choice("line", "Air line", choices, chosen if known else "(new)", default=next(iter(lines), "(new)"))),
        line_editor.editor(
            lines.get(chosen, line_editor.NEW),
            chosen if known else "my line",
            reader,
            line_editor.said_kept(chosen) if "kept" in query and known else None,
        ),
    ]


# Tools


def _tools(work: Work, query: Mapping[str, str], reader: Reader) -> list[Any]:
    del query
    text = work.tools_text() or NEW_TOOLS
    return [
        html.Div(
            [
                html.Section(
                    [
                        html.Label("One [[tool]] each; quantities with their units", htmlFor="tools-text"),
                        dcc.Textarea(id="tools-text", value=text, spellCheck=False, wrap="off"),
                        html.Div(
                            [
                                html.Button("Keep these tools", id="tools-keep", className="button strong", n_clicks=0),
                                html.Span(id="tools-said", role="status"),
                            ],
                            className="actions",
                        ),
                    ],
                    className="card editor",
                ),
                html.Div(tools_checked(text, reader), id="tools-checked", **{"aria-live": "polite"}),
            ],
            className="two",
        )
    ]


def tools_checked(text: str, reader: Reader) -> Any:
    """List the tools that a text describes, or say what is wrong with it."""
    try:
        tools = parse_tools(text)
    except ValueError as problem:
        return html.Section([html.P("Not yet", className="check-bad"), html.P(str(problem))], className="card")
    limits = [maker_limit(tool) for tool in tools]
    rows = [
        (tool.name, part_facts(tool, reader), "not known: read it off the tool" if limit is None else reader.pressure(limit))
        for tool, limit in zip(tools, limits, strict=True)
    ]
    return html.Div(
        [ui.card("Your tools", ui.table(["tool", "what it says", "never above"], rows, words=True)), ui.cautions("limits", "eyes")],
        className="page",
    )


def tools_kept(work: Work, text: str) -> str:
    """Keep the tools; return what to say."""
    try:
        count = work.save_tools(text)
    except (ValueError, OSError) as problem:
        return f"Not kept: {problem}"
    return f"Kept: {count} tool{'s' if count != 1 else ''}."


# Before work


def _before(work: Work, query: Mapping[str, str], reader: Reader) -> list[Any]:
    lines = work.lines()
    if not lines:
        return [ui.no_lines()]
    name = query.get("line") if query.get("line") in lines else next(iter(lines))
    line = work.line(str(name))
    parts = check_parts(line)
    words = check_words(line, parts, (), reader)
    bad = any(p.verdict.startswith("too low") for p in parts)
    unknown = any(p.verdict == "rating not known" for p in parts)
    rows = [
        (
            p.name,
            "unknown" if p.rated_pa is None else ui.bare(reader.pressure(p.rated_pa)),
            ui.bare(reader.pressure(p.normal_pa)),
            ui.bare(reader.pressure(p.failed_open_pa)),
            p.verdict,
        )
        for p in parts
    ]
    u = reader.unit
    heads = ["part", f"rated [{u}]", f"sees in work [{u}]", f"if a regulator fails [{u}]", "so"]
    return [
        ui.controls(ui.choice("line", "Air line", [(n, n) for n in lines], str(name), default=next(iter(lines)))),
        ui.answer([words[0]], tone="bad" if bad else "unsure" if unknown else "good", sure="from the line's file"),
        html.Div([_questions(line), _answered(work, line)], className="two"),
        ui.card("Every part against the highest pressure it can see", ui.table(heads, rows)),
        ui.cautions("whip", "eyes", "vessel", more=[*cautions(line), *rating_cautions(line)]),
    ]


def _questions(line: Line) -> html.Section:
    asked = questions(line)
    return ui.card(
        "Walk from the compressor to the tool",
        html.Div([dmc.Checkbox(id={"walk": q.key}, label=q.text, description=q.source, size="md") for q in asked], className="walk"),
        dmc.TextInput(id="check-note", label="Note", description="what was found, what was put right", size="md", className="control"),
        html.Div(
            [
                html.Button("Keep these answers", id="check-keep", className="button strong", n_clicks=0),
                html.Span(id="check-said", role="status"),
                dcc.Store(id="check-line", data=line.name),
            ],
            className="actions",
        ),
        note="Tick what is in order. What is not ticked is kept as not in order.",
    )


def _answered(work: Work, line: Line) -> html.Section:
    """What was answered before, the newest first."""
    kept = [e for e in work.entries(line.name)[::-1] if e.kind == CHECKED][:20]
    if not kept:
        return ui.card("Answered before", html.P("Nothing yet."))
    rows = [
        (
            f"{ui.whole(f'{c.when:%Y-%m-%d}')} {c.when:%H:%M}",
            f"{sum(c.answers.values())} of {len(c.answers)}",
            ", ".join(k for k, good in c.answers.items() if not good) or "none",
            c.note,
        )
        for c in kept
    ]
    return ui.card("Answered before", ui.table(["when", "in order", "not in order", "note"], rows, words=True))


def answered(work: Work, line_name: str, ticked: Sequence[str], note: str) -> str:
    """Keep the answers; return what to say."""
    line = next((line for line in map(work.line, work.lines()) if line.name == line_name), None)
    if line is None:
        return "Not kept: the line is no longer there."
    answers = {q.key: q.key in ticked for q in questions(line)}
    work.write_down(line.name, CHECKED, answers=answers, note=note)
    open_ones = [key for key, good in answers.items() if not good]
    return "Kept: all in order." if not open_ones else f"Kept. Not in order: {', '.join(open_ones)}. Put that right before you work."


# Sensors


def _sensors(work: Work, query: Mapping[str, str], reader: Reader) -> list[Any]:
    del query, reader
    sensors = work.sensors()
    ask = 'farend calibrate --port PORT --name tool --at "0 psi" --at "100 psi"'
    if not sensors:
        return [
            ui.empty(
                "No sensor is calibrated yet",
                [
                    "Readings in counts or volts need one: with the sensor vented, then at the pressure of a reference gauge, run: ",
                    html.Code(ask),
                ],
            )
        ]
    now = datetime.now(UTC)
    rows = [_sensor(s, now) for s in sensors.values()]
    return [
        ui.card("Sensors and their calibrations", ui.table(["sensor", "sits on", "called", "calibrated", "so"], rows, words=True)),
        ui.card("Calibrate", html.P(["With the sensor on its port: ", html.Code(ask)]), note="What was before stays in its history."),
    ]


def _sensor(s: Sensor, now: datetime) -> tuple[str, ...]:
    age = s.age_days(now)
    if age is None or s.calibrated is None:
        return s.key, s.channel, s.made.name, "never", "calibrate it"
    so = f"{age:.0f} days old: check its zero again" if age > OLD_DAYS else "in date"
    return s.key, s.channel, s.made.name, f"{s.calibrated:%Y-%m-%d}", so


# The reader


def _reader(work: Work, query: Mapping[str, str], reader: Reader) -> list[Any]:
    del work, query, reader
    kept = {"persistence": True, "persistence_type": "local", "size": "md"}
    decimals = [{"value": "point", "label": "1.5"}, {"value": "comma", "label": "1,5"}]
    return [
        ui.card(
            "Numbers",
            dmc.SegmentedControl(id="point", data=decimals, value="point", className="as-it-is", **kept, **{"aria-label": "Decimal sign"}),
            note="How decimals are written; either sign is understood. The unit of pressure is chosen at the top of every page.",
        ),
        ui.card(
            "Price of electricity",
            dmc.NumberInput(
                id="tariff",
                label="A kWh costs",
                value=TARIFF_PER_KWH,
                min=0.0,
                max=10.0,
                step=0.01,
                decimalScale=3,
                hideControls=True,
                **kept,
            ),
            note="In your currency; what a leak costs a year is worked out with it.",
        ),
        html.P("Both are kept in this browser.", className="note"),
    ]


def register(app: Dash, work: Work) -> None:
    """Connect the editor, the answers before work, and the reader's choices."""
    line_editor.register(app, work)

    @app.callback(Output("tools-checked", "children"), Input("tools-text", "value"), State("unit", "value"), prevent_initial_call=True)
    def check_tools(text: str | None, unit: str) -> Any:
        return tools_checked(text or "", Reader(unit))

    @app.callback(
        Output("tools-said", "children"), Input("tools-keep", "n_clicks"), State("tools-text", "value"), prevent_initial_call=True
    )
    def keep_tools(clicks: int, text: str | None) -> Any:
        return tools_kept(work, text or "") if clicks else no_update

    @app.callback(
        Output("check-said", "children"),
        Input("check-keep", "n_clicks"),
        State("check-line", "data"),
        State({"walk": ALL}, "checked"),
        State({"walk": ALL}, "id"),
        State("check-note", "value"),
        prevent_initial_call=True,
    )
    def keep(clicks: int, line: str, ticked: list[bool], ids: list[dict[str, str]], note: str | None) -> Any:
        good = [i["walk"] for i, on in zip(ids, ticked, strict=True) if on]
        return answered(work, line, good, note or "") if clicks else no_update

    app.clientside_callback(
        ClientsideFunction("farend", "prefer"), Output("reader", "data"), Input("point", "value"), Input("tariff", "value")
    )
