"""Figures of leak tests, as a whole and by segment, and of the pump's runs."""

from __future__ import annotations

import itertools
from collections.abc import Sequence

import numpy as np
import plotly.graph_objects as go
from numpy.typing import ArrayLike

from analysis.cycles import Cycles
from analysis.leak_segments import Segments
from analysis.units import from_si
from dashboard.figures import BLUE, GREEN, GREY, ORANGE, blank, key_above, span, time_axis
from dashboard.reader import Reader
from dashboard.zoom import thin, window


def leakdown(
    t_s: ArrayLike,
    p_pa: ArrayLike,
    reader: Reader,
    *,
    corrected_pa: ArrayLike | None = None,
    fitted_pa: ArrayLike | None = None,
    left_out: Sequence[tuple[float, float, str]] = (),
    shown_s: tuple[float, float] | None = None,
) -> go.Figure:
    """Draw a leak-down: pressure, pressure at constant temperature, the fit, and what was left out with the reason.

    Parameters
    ----------
    t_s, p_pa : array_like
        Times [s] and gauge pressure [Pa].
    corrected_pa, fitted_pa : array_like, optional
        The pressure had the temperature stayed as it was at first, and the fit [Pa gauge], on the same times; NaN where not used.
    left_out : sequence of (float, float, str)
        From and until [s], and why.
    shown_s : (float, float), optional
        What to show first [s].
    """
    t = np.asarray(t_s, dtype=float)
    name, length_s = time_axis(float(t[-1] - t[0]))
    scale = reader.pressure_value(1.0)
    fig = blank(f"time [{name}]", f"gauge pressure [{reader.unit}]", height=360)
    rows = [
        ("measured", p_pa, BLUE, "solid", 1.4),
        ("temperature out", corrected_pa, ORANGE, "dash", 1.8),
        ("fit", fitted_pa, GREEN, "dot", 2.4),
    ]
    shown = []
    for label, values, color, dash, width in rows:
        if values is None:
            continue
        x, y = window(t, values, *shown_s) if shown_s is not None else thin(t, values)
        shown.append(y * scale)
        fig.add_scatter(
            x=x / length_s,
            y=y * scale,
            mode="lines",
            line={"color": color, "width": width, "dash": dash},
            name=label,
            hovertemplate="%{x:.2f}, %{y:.3f}<extra>" + label + "</extra>",
        )
    for from_s, until_s, why in left_out:
        fig.add_vrect(x0=from_s / length_s, x1=until_s / length_s, fillcolor=GREY, opacity=0.22, line_width=0)
        if until_s - from_s > 0.06 * (t[-1] - t[0]):
            fig.add_annotation(
                x=(from_s + until_s) / 2 / length_s, y=0.03, yref="paper", yanchor="bottom", text="left out", showarrow=False
            )
        # To point at: why this was left out.
        fig.add_scatter(
            x=[(from_s + until_s) / 2 / length_s],
            y=[float(np.nanmedian(shown[0]))],
            mode="markers",
            marker={"size": 24, "opacity": 0.0},
            hovertemplate="left out: " + why + "<extra></extra>",
            showlegend=False,
        )
    if len(shown) > 1:
        keys = [(r[0], r[2], r[3]) for r in rows if r[1] is not None]
        key_above(fig, keys)
    fig.update_yaxes(range=span(shown))
    return fig


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
    whole = [c for c in cycles.cycles if c.start_s is not None and c.stop_s is not None]
    on = [((c.start_s or 0.0), (c.stop_s or 0.0) - (c.start_s or 0.0)) for c in whole]
    off = [(a.stop_s, b.start_s - a.stop_s) for a, b in itertools.pairwise(cycles.cycles) if a.stop_s is not None and b.start_s is not None]
    unit, length_s = time_axis(max((t + lasted for t, lasted in (*on, *off)), default=0.0))
    fig = blank(f"time [{unit}]", "length [min]", height=260)
    for label, points, color in (("on load", on, ORANGE), ("idle", off, BLUE)):
        fig.add_scatter(
            x=[t / length_s for t, _ in points],
            y=[lasted / 60.0 for _, lasted in points],
            mode="lines+markers",
            line={"color": color, "width": 1.4},
            marker={"size": 5},
            name=label,
            hovertemplate=f"%{{x:.2f}} {unit}: %{{y:.2f}} min<extra>" + label + "</extra>",
        )
    key_above(fig, [("on load", ORANGE, "solid"), ("idle", BLUE, "solid")])
    fig.update_yaxes(rangemode="tozero")
    return fig
