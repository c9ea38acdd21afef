"""Figures of leak tests by segment and of the pump's runs."""

from __future__ import annotations

import itertools

import plotly.graph_objects as go

from analysis.cycles import Cycles
from analysis.leak_segments import Segments
from analysis.units import from_si
from dashboard.figures import BLUE, GREY, ORANGE, blank, key_above
from dashboard.reader import Reader


def shares(found: Segments, reader: Reader) -> go.Figure:
    """Draw the leak of each segment as a bar with its interval, the largest on top."""
    scale = from_si(1.0, reader.flow_unit)
    rows = list(reversed(found.shares))
    value = [scale * (s.leak_m3_per_s.value or 0.0) for s in rows]
    high = [scale * (s.leak_m3_per_s.high or 0.0) - v for s, v in zip(rows, value, strict=True)]
    low = [v - scale * (s.leak_m3_per_s.low or 0.0) for s, v in zip(rows, value, strict=True)]
    fig = blank(f"leak [{reader.flow_unit}]", "", height=110 + 44 * len(rows))
    fig.add_bar(
        x=value,
        y=[" and ".join(s.segments) for s in rows],
        orientation="h",
        marker_color=BLUE,
        error_x={"type": "data", "array": high, "arrayminus": low, "color": GREY, "thickness": 1.6, "width": 5},
        hovertemplate="%{y}: %{x:.3g}<extra></extra>",
    )
    fig.update_xaxes(rangemode="tozero")
    return fig


def runs(cycles: Cycles) -> go.Figure:
    """Draw how long the pump ran and stood in each cycle."""
    fig = blank("time [h]", "length [min]", height=260)
    whole = [c for c in cycles.cycles if c.start_s is not None and c.stop_s is not None]
    on = [((c.start_s or 0.0), (c.stop_s or 0.0) - (c.start_s or 0.0)) for c in whole]
    off = [(a.stop_s, b.start_s - a.stop_s) for a, b in itertools.pairwise(cycles.cycles) if a.stop_s is not None and b.start_s is not None]
    for label, points, color in (("on load", on, ORANGE), ("idle", off, BLUE)):
        fig.add_scatter(
            x=[t / 3600.0 for t, _ in points],
            y=[length / 60.0 for _, length in points],
            mode="lines+markers",
            line={"color": color, "width": 1.4},
            marker={"size": 5},
            name=label,
            hovertemplate="%{x:.2f} h: %{y:.2f} min<extra>" + label + "</extra>",
        )
    key_above(fig, [("on load", ORANGE, "solid"), ("idle", BLUE, "solid")])
    fig.update_yaxes(rangemode="tozero")
    return fig
