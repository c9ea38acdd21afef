"""A page as plain HTML for paper: what is there to read, without what is there to press."""

from __future__ import annotations

from collections.abc import Callable
from html import escape
from typing import Any, Final

import dash_ag_grid as dag
import plotly.graph_objects as go
from dash import dcc, html
from dash.development.base_component import Component

from dashboard.static_figure import to_svg

# Classes of what only makes sense on a screen or is said once for the whole report; and attributes that mean something on paper.
LEFT_OUT: Final = frozenset({"controls", "actions", "button", "hint", "cautions", "page-head"})
KEPT: Final = {"className": "class", "role": "role", "scope": "scope", "aria-label": "aria-label", "colSpan": "colspan", "lang": "lang"}
VOID: Final = frozenset({"br", "hr", "img"})
ROWS_MOST: Final = 400  # of a sortable table; a report of thousands of shots is kept as CSV


def to_html(part: Any, label: str = "") -> str:
    """Write a component and all that is in it as HTML.

    Parameters
    ----------
    part : component, text, number, list of these, or None
        What a page is made of.
    label : str
        What the figures within show, where they stand in something that is labelled.

    Returns
    -------
    str
        HTML. Controls, links and what else only works on a screen are left out; figures are SVG; what is folded away is open.
    """
    if part is None or isinstance(part, bool):
        return ""
    if isinstance(part, str | int | float):
        return escape(str(part))
    if isinstance(part, list | tuple):
        return "".join(to_html(p, label) for p in part)
    if not isinstance(part, Component) or _classes(part) & LEFT_OUT:
        return ""
    if isinstance(part, dcc.Graph):
        figure = getattr(part, "figure", None)
        return "" if figure is None else to_svg(go.Figure(figure), label)
    if isinstance(part, dag.AgGrid):
        return _grid(part)
    if type(part).__module__.split(".")[1:2] != ["html"]:
        return ""  # an input of the page
    return _element(part, label)


def _classes(part: Component) -> set[str]:
    return set(str(getattr(part, "className", "") or "").split())


def _element(part: Component, label: str) -> str:
    tag = type(part).__name__.lower()
    if tag in {"a", "button"}:
        return ""
    if isinstance(part, html.Details):
        tag = "section"
    elif isinstance(part, html.Summary):
        tag = "h3"
    said = part.to_plotly_json()["props"]
    attributes = "".join(f' {name}="{escape(str(said[key]))}"' for key, name in KEPT.items() if said.get(key) is not None)
    if tag in VOID:
        return f"<{tag}{attributes}>"
    inside = to_html(getattr(part, "children", None), str(said.get("aria-label") or label))
    return f"<{tag}{attributes}>{inside}</{tag}>"


def _grid(part: Any) -> str:
    """Write a sortable table as a plain one."""
    columns, rows = part.columnDefs, part.rowData
    shown = [c for c in columns if not c.get("hide")]
    head = "".join(f'<th scope="col">{escape(str(c.get("headerName", c["field"])))}</th>' for c in shown)
    body = "".join("<tr>" + "".join(_cell(i, row.get(c["field"]), c) for i, c in enumerate(shown)) + "</tr>" for row in rows[:ROWS_MOST])
    more = f"<p>The first {ROWS_MOST} of {len(rows)} rows; the session holds them all.</p>" if len(rows) > ROWS_MOST else ""
    return f'<div class="table"><table><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table></div>{more}'


def _cell(at: int, value: Any, column: dict[str, Any]) -> str:
    tag, scope = ("th", ' scope="row"') if at == 0 else ("td", "")
    return f"<{tag}{scope}>{escape(_written(value, column))}</{tag}>"


def _written(value: Any, column: dict[str, Any]) -> str:
    """Write a cell as the page does: with the decimals that the column's format names."""
    if value is None:
        return "–"
    code = str((column.get("valueFormatter") or {}).get("function", ""))
    places = code.partition("format('.")[2].partition("f')")[0]
    return f"{value:.{int(places)}f}" if places.isdigit() else str(value)


def find(part: Any, wanted: Callable[[Component], bool]) -> list[Component]:
    """Components of a page that are wanted, in order; within one that was found nothing more is looked for."""
    if isinstance(part, list | tuple):
        return [found for p in part for found in find(p, wanted)]
    if not isinstance(part, Component):
        return []
    return [part] if wanted(part) else find(getattr(part, "children", None), wanted)


def of_class(name: str) -> Callable[[Component], bool]:
    """Want the components of a class."""
    return lambda part: name in _classes(part)


def text(part: Any) -> str:
    """Words of a component and of all that is in it, with plain spaces between them."""
    if isinstance(part, list | tuple):
        return "".join(text(p) for p in part)
    if isinstance(part, Component):
        return text(getattr(part, "children", None))
    return "" if part is None else str(part).replace("\u00a0", " ")
