"""Figures as plain functions: arrays and the reader's units in, a plotly figure out.

Colours here are for paper: white ground, dark ink. On screen ``assets/figures.css`` recolours ground, ink and grid for the light
and the dark page, so a downloaded or printed figure is always fit for paper. Series colours hold on both.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import plotly.graph_objects as go
from numpy.typing import ArrayLike

BLUE, ORANGE, GREEN, PURPLE, GREY = "#2b7cbf", "#cf6a1c", "#1d9474", "#9a68b8", "#7d868c"
SERIES = (BLUE, ORANGE, GREEN, PURPLE)
DASHES = ("solid", "dash", "dot", "dashdot")
INK, GRID = "#22303a", "#dfe3e6"


def blank(x_title: str, y_title: str, *, height: int = 320, right: int = 16, zoomed: bool = False) -> go.Figure:
    """Start a figure with titled axes; `right` leaves room for labels beside the curves.

    One that is to be `zoomed` quickly keeps its margins: to fit them to new labels, the browser would draw it twice.
    """
    margin = {"l": 56, "r": right, "t": 30, "b": 46} if zoomed else {"l": 8, "r": right, "t": 30, "b": 8}
    axis = {
        "gridcolor": GRID,
        "zeroline": False,
        "linecolor": GREY,
        "showline": False,
        "ticks": "",
        "title_standoff": 6,
        "automargin": not zoomed,
        "title_font_size": 13,
        **({"ticklabeloverflow": "allow"} if zoomed else {}),
    }
    # All at once: a layout that is updated costs ten times as much.
    layout = {
        "height": height,
        "margin": margin,
        "showlegend": False,
        "paper_bgcolor": "#ffffff",
        "plot_bgcolor": "#ffffff",
        "font": {"family": "system-ui, -apple-system, 'Segoe UI', Roboto, sans-serif", "size": 12, "color": INK},
        "hoverlabel": {"font": {"size": 13}},
        "dragmode": "zoom",
        "xaxis": {**axis, "title": x_title},
        "yaxis": {**axis, "title": y_title, "fixedrange": True},
        "modebar": {"orientation": "h", "bgcolor": "rgba(0,0,0,0)", "color": GREY, "activecolor": BLUE},
        "uirevision": "keep",
    }
    return go.Figure(layout=layout)


def time_axis(duration_s: float) -> tuple[str, float]:
    """Choose the unit of a time axis: its name and its length [s]."""
    if duration_s <= 600.0:
        return "s", 1.0
    return ("min", 60.0) if duration_s <= 3 * 3600.0 else ("h", 3600.0)


def span(values: Sequence[ArrayLike], room: float = 0.08) -> list[float]:
    """Range of an axis that holds all values, with some room; a flat line still gets a readable one."""
    flat = np.concatenate([np.asarray(v, dtype=float).ravel() for v in values])
    flat = flat[np.isfinite(flat)]
    if flat.size == 0:
        return [0.0, 1.0]
    low, high = float(flat.min()), float(flat.max())
    pad = max(room * (high - low), 1e-3 * abs(high), 1e-9)
    return [low - pad, high + pad]


def label_at(fig: go.Figure, x: float, y: float, text: str, color: str, *, anchor: str = "left", shift: int = 6) -> None:
    """Write a label beside a curve, so that no legend is needed."""
    fig.add_annotation(
        x=x,
        y=y,
        text=f"<b>{text}</b>",
        showarrow=False,
        xanchor=anchor,
        xshift=shift if anchor == "left" else -shift if anchor == "right" else 0,
        font={"color": color, "size": 12},
    )


def key_above(fig: go.Figure, keys: Sequence[tuple[str, str, str]]) -> None:
    """Name the curves above the figure where they lie too close together for labels of their own: (name, colour, dash)."""
    samples = {"solid": "━━", "dash": "╍╍", "dot": "▪▪▪", "dashdot": "┅┅"}
    text = "   ".join(f"<span style='color:{color}'><b>{samples[dash]}</b></span> {name}" for name, color, dash in keys)
    fig.add_annotation(x=0, y=1, xref="paper", yref="paper", xanchor="left", yanchor="bottom", text=text, showarrow=False, yshift=4)
