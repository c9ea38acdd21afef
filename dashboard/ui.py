"""The parts that every page is made of: the answer, the figure, the numbers, how they were worked out, cautions, controls."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping, Sequence
from typing import Any
from urllib.parse import urlencode

import dash_mantine_components as dmc
import plotly.graph_objects as go
from dash import ClientsideFunction, Dash, Input, Output, State, dcc, html

from analysis.estimate import Estimate
from analysis.units import UnitError, parse_quantity
from dashboard import wording
from dashboard.reader import seconds

GRAPH_CONFIG: dict[str, Any] = {
    "displaylogo": False,
    "modeBarButtonsToRemove": ["sendChartToCloud", "select2d", "lasso2d", "autoScale2d", "zoomIn2d", "zoomOut2d", "toImage"],
    "modeBarButtonsToAdd": ["toImage"],
    "toImageButtonOptions": {"format": "svg", "filename": "farend"},
    "responsive": True,
    "scrollZoom": False,
    "doubleClick": "autosize",
}


def page(title: str, *parts: Any, lead: Any = None) -> html.Div:
    """Put a page together under its heading."""
    head = html.Div([html.H1(title), html.P(lead, className="lead") if lead else None], className="page-head")
    return html.Div([head, *[p for p in parts if p is not None]], className="page")


def answer(sentences: Sequence[str], *, tone: str = "plain", sure: str | None = None) -> html.Section:
    """Say the answer: the first sentence large, the rest below it.

    Parameters
    ----------
    sentences : sequence of str
        What was found, most important first.
    tone : str
        "good", "bad", "unsure" or "plain"; shown as a word beside the colour, never by colour alone.
    sure : str, optional
        How sure that is, in two or three words.
    """
    words = {"good": "good", "bad": "look here", "unsure": "cannot tell", "plain": "found"}
    body = [html.P(typeset(sentences[0]), className="answer-first")] if sentences else []
    body += [html.P(typeset(s)) for s in sentences[1:]]
    badge = html.P([html.Span(words[tone], className="answer-tone"), html.Span(sure, className="answer-sure") if sure else None])
    return html.Section([badge, *body], className=f"answer tone-{tone}", **{"aria-label": "Answer", "role": "status"})


def readouts(values: Sequence[tuple[str, str, str | None]]) -> html.Dl:
    """Show a few key numbers in large figures: label, value, and what stands below it (an interval, a unit's basis)."""
    return html.Dl(
        [
            html.Div(
                [
                    html.Dt(label),
                    html.Dd(typeset(value), className="readout-value"),
                    html.Dd(typeset(below), className="readout-below") if below else None,
                ]
            )
            for label, value, below in values
        ],
        className="readouts",
    )


def card(heading: str, *content: Any, note: str | None = None, hint: str | None = None, className: str = "") -> html.Section:
    """Frame one piece of a page; `note` says what is to be seen, `hint` what can be pressed (left out on paper)."""
    said = [html.P(text, className=name) for text, name in ((note, "note"), (hint, "note hint")) if text]
    return html.Section(
        [html.H2(heading), *said, *[c for c in content if c is not None]],
        className=f"card {className}".strip(),
    )


def figure(fig: go.Figure, label: str, *, id: Any = None) -> html.Div:
    """Show a figure; `label` says to a screen reader what it shows."""
    named = {} if id is None else {"id": id}
    height = int(fig.layout.height or 320)
    graph = dcc.Graph(figure=fig, config=GRAPH_CONFIG, style={"height": f"{height}px"}, **named)
    return html.Div([html.Div(graph, className="figure", role="figure", **{"aria-label": label}), _save(label)])


def _save(label: str) -> html.Details:
    """Offer a figure as a picture and its numbers as a table; ``assets/save.js`` makes them from what is shown."""
    forms = (("svg", "Picture as SVG"), ("png", "Picture as PNG"), ("csv", "Numbers as CSV"))
    buttons = [html.Button(what, className="plain", type="button", **{"data-save": form}) for form, what in forms]
    return html.Details([html.Summary("Save", **{"aria-label": f"Save: {label}"}), html.Div(buttons)], className="take-away save hint")


def table(heads: Sequence[str], rows: Sequence[Sequence[Any]], *, caption: str | None = None, words: bool = False) -> html.Div:
    """Show a short table of numbers, or of words; the first column names the row."""
    body = [html.Tr([html.Th(r[0], scope="row"), *[html.Td(typeset(c) if isinstance(c, str) else c) for c in r[1:]]]) for r in rows]
    return html.Div(
        html.Table(
            [
                html.Caption(caption) if caption else None,
                html.Thead(html.Tr([html.Th(h, scope="col") for h in heads])),
                html.Tbody(body),
            ],
            className="words" if words else None,
        ),
        className="table",
        tabIndex=0,
        role="region",
        **{"aria-label": caption or f"Table: {', '.join(heads)}"},
    )


def how(*paragraphs: Any, formula: str | None = None) -> html.Details:
    """Fold away how a result was worked out: method, formula, inputs and source."""
    inside = [p if not isinstance(p, str) else html.P(typeset(p)) for p in paragraphs]
    if formula:
        inside.insert(1, html.P(formula, className="formula"))
    return html.Details([html.Summary("How this was worked out"), *inside], className="how")


def warnings(messages: Sequence[str]) -> html.Ul | None:
    """List what the reader should know about the data."""
    return (
        html.Ul([html.Li(typeset(m[:1].upper() + m[1:])) for m in messages], className="warnings", **{"aria-label": "Notes on the data"})
        if messages
        else None
    )


def cautions(*keys: str, more: Sequence[str] = ()) -> html.Aside:
    """Show the cautions that belong here, those of this very line first."""
    return html.Aside(
        [html.H2("Before you touch the air"), html.Ul([html.Li(c) for c in (*more, *[wording.CAUTIONS[k] for k in keys])])],
        className="cautions",
    )


def empty(heading: str, text: Any, *actions: tuple[str, str]) -> html.Section:
    """Say why there is nothing to see, and what to do next."""
    links = [dcc.Link(label, href=href, className="button") for label, href in actions]
    return html.Section([html.H2(heading), html.P(text), html.Div(links, className="actions")], className="empty")


def refused(problem: Exception | str) -> html.Section:
    """Show why something could not be done: the message already says what was seen and what to do."""
    return html.Section(
        [html.P("This did not work", className="answer-tone"), html.P(str(problem))], className="answer tone-bad", role="alert"
    )


# Controls. Each writes its value into the page's address under its name, so that any view can be passed on.


def _control(name: str, default: str) -> dict[str, str]:
    return {"query": name, "default": default}


def choice(name: str, label: str, options: Sequence[tuple[str, str]], value: str | None, *, default: str = "") -> dmc.Select:
    """Let the reader choose one of several; options are (value, label)."""
    return dmc.Select(
        id=_control(name, default),
        label=label,
        data=[{"value": v, "label": text} for v, text in options],
        value=value,
        allowDeselect=False,
        searchable=len(options) > 8,
        nothingFoundMessage="Nothing of that name",
        size="md",
        className="control",
        comboboxProps={"shadow": "md"},
    )


def entry(name: str, label: str, value: str, *, default: str = "", hint: str | None = None, error: str | None = None) -> dmc.TextInput:
    """Let the reader type a quantity with its unit; taken when Enter is pressed or the field is left."""
    return dmc.TextInput(
        id=_control(name, default),
        label=label,
        value=value,
        description=hint,
        error=error,
        debounce=True,
        size="md",
        className="control",
        inputProps={"autoCapitalize": "off", "autoCorrect": "off", "spellCheck": "false"},
    )


def controls(*parts: Any) -> html.Div:
    """Line up the controls of a page."""
    return html.Div([p for p in parts if p is not None], className="controls", role="group", **{"aria-label": "Choices"})


def link(path: str, query: Mapping[str, str | None], text: str, className: str = "button") -> dcc.Link:
    """Link to a page with its choices."""
    return dcc.Link(text, href=address(path, query), className=className)


def address(path: str, query: Mapping[str, str | None]) -> str:
    """Write the address of a page with its choices."""
    kept = {k: v for k, v in query.items() if v}
    return f"{path}?{urlencode(kept)}" if kept else path


# What several pages ask


def no_sessions() -> html.Section:
    """Say that nothing was recorded yet."""
    return empty(
        "Nothing recorded yet",
        "This page answers from a session. Bring a CSV file in, or record a sensor with: farend record --port PORT.",
        ("Bring in a file", "/sessions"),
    )


def no_lines() -> html.Section:
    """Say that no air line was described yet."""
    return empty(
        "No air line yet",
        "This page works from a description of your line: compressor, hoses, couplers, tool. It takes a few minutes.",
        ("Describe the line", "/setup"),
    )


def session_choice(names: Sequence[str], name: str, *, query: str = "session", label: str = "Session") -> dmc.Select:
    """Let the reader choose a session."""
    known = names if name in names else [name, *names]
    return choice(query, label, [(n, n) for n in known], name)


def channel_choice(recording: Any, name: str = "channel", label: str = "Sensor") -> dmc.Select | None:
    """Let the reader choose a pressure, where there are several."""
    names = list(recording.channels)
    return choice(name, label, [(n, n) for n in names], recording.channel) if len(names) > 1 else None


def stacked(e: Estimate, write: Callable[[float], str]) -> Any:
    """Write an estimate for a table: the value, and its 95 % interval small below it."""
    value, below = value_and_interval(e, write)
    return value if below is None else [typeset(value), html.Small(typeset(below.removeprefix("95 %: ")))]


def when(t_s: float) -> str:
    """Write a time within a recording [s]."""
    return "the start" if t_s == 0.0 else seconds(t_s)


def bare(text: str) -> str:
    """Leave the unit out, where the heading of a table's column has it: ``6.50 bar`` becomes ``6.50``."""
    return text.replace("\u00a0", " ").rpartition(" ")[0] or text


UNIT = re.compile(r"(?<=\d) (?=(?:%|°[CF]|psi|bar|kPa|m?L(?:/s)?|mm|m³|ms|s|min|h)(?!\w))")
MINUS = re.compile(r"(?<![\w.,-])-(?=\d)")


def typeset(text: str) -> str:
    """Keep each number of a text with its unit on one line, and give it a minus instead of a hyphen."""
    return MINUS.sub("\u2212", UNIT.sub("\u00a0", text))


def whole(text: str) -> str:
    """Keep a number with its unit, or a day, on one line."""
    return text.replace(" ", "\u00a0").replace("-", "\u2011")


def value_and_interval(e: Estimate, write: Callable[[float], str]) -> tuple[str, str | None]:
    """Write an estimate for a readout: the value, and its 95 % interval below it."""
    value = "not known" if e.value is None else write(e.value)
    if e.low is None and e.high is None:
        return value, None
    if e.high is None:
        return value, f"95 %: at least {write(e.low or 0.0)}"
    if e.low is None:
        return value, f"95 %: at most {write(e.high)}"
    low, high = write(e.low), write(e.high)
    alike = low.split()[-1] == high.split()[-1]
    return value, f"95 %: {bare(low) if alike else low} to {high}"


SHOTS_MOST, EVERY_LEAST_S, EVERY_MOST_S = 500, 0.05, 60.0


def burst_of(query: Mapping[str, str], shots: str, every: str) -> tuple[tuple[int, float] | None, dict[str, str]]:
    """Read a burst from the address: how many shots and the time from shot to shot [s]; or what is wrong with it, by control."""
    problems: dict[str, str] = {}
    count, every_s = 0, 0.0
    text = query.get("shots", shots).strip()
    if text.isdigit() and 1 <= int(text) <= SHOTS_MOST:
        count = int(text)
    else:
        problems["shots"] = f"{text!r} is no number of shots; write a whole number from 1 to {SHOTS_MOST}."
    try:
        every_s = parse_quantity(query.get("every", every), "time")
        if not EVERY_LEAST_S <= every_s <= EVERY_MOST_S:
            problems["every"] = f"Write a time from {EVERY_LEAST_S:g} s to {EVERY_MOST_S:g} s."
    except UnitError as problem:
        problems["every"] = str(problem)
    return (None if problems else (count, every_s)), problems


def window_of(query: Mapping[str, str]) -> tuple[float, float] | None:
    """Read the window [s] that the address asks for; None if it asks for none that can be."""
    try:
        shown = float(query["from"]), float(query["to"])
    except (KeyError, ValueError):
        return None
    return shown if math.isfinite(shown[0]) and math.isfinite(shown[1]) and shown[0] < shown[1] else None


def show_again(app: Dash, changed: str, what: str = "data") -> None:
    """Show the page again, with the address as the browser has it by then, when the store of this name is filled, or a button pressed."""
    app.clientside_callback(
        ClientsideFunction("farend", "again"),
        Output("address", "data", allow_duplicate=True),
        Input(changed, what),
        State("address", "data"),
        prevent_initial_call=True,
    )
