"""Figures of shots: one against the others, how fast they recover, how deep they dip, and how nails came out."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np
import plotly.graph_objects as go
from numpy.typing import ArrayLike, NDArray

from analysis.estimate import Estimate
from dashboard.figures import BLUE, DASHES, GREEN, ORANGE, PURPLE, SERIES, blank, key_above, label_at, span
from dashboard.reader import Reader, finer_seconds
from dashboard.zoom import thin


def overlay(
    curves: Sequence[tuple[ArrayLike, ArrayLike]], reader: Reader, *, chosen: int | None = None, numbers: Sequence[int] = ()
) -> go.Figure:
    """Lay the shots over each other, all starting at the instant of the shot.

    Parameters
    ----------
    curves : sequence of (array_like, array_like)
        Time after the shot [s] and change of pressure from just before it [Pa].
    chosen : int, optional
        Which of `curves` to draw strongly.
    numbers : sequence of int
        The shots' numbers as the reader counts them.
    """
    fig = blank("time after the shot [s]", f"change since just before the shot [{reader.unit}]", height=320)
    names = list(numbers) or list(range(1, len(curves) + 1))
    faint = min(1.0, max(0.25, 1.6 / math.sqrt(max(len(curves), 1))))  # many lie over each other, a few do not
    for i, (t, dp) in enumerate(curves):
        if i != chosen:
            x, y = thin(t, np.asarray(dp, dtype=float) * reader.pressure_value(1.0), 400)
            fig.add_scatter(x=x, y=y, mode="lines", line={"color": BLUE, "width": 1}, opacity=faint, hoverinfo="skip")
    if chosen is not None and 0 <= chosen < len(curves):
        x, y = thin(curves[chosen][0], np.asarray(curves[chosen][1], dtype=float) * reader.pressure_value(1.0), 800)
        fig.add_scatter(x=x, y=y, mode="lines", line={"color": ORANGE, "width": 2.5}, hovertemplate="%{x:.3f} s, %{y:.2f}<extra></extra>")
        at = int(np.nanargmin(y)) if np.isfinite(y).any() else 0
        label_at(fig, float(x[at]), float(y[at]), f"shot {names[chosen]}", ORANGE)
        fig.layout.annotations[-1].yshift = -10
    return fig


def recovery(
    curves: Mapping[str, tuple[ArrayLike, ArrayLike, ArrayLike]],
    *,
    medians_s: Mapping[str, float | None] | None = None,
    bands: Mapping[str, tuple[ArrayLike, ArrayLike]] | None = None,
) -> go.Figure:
    """Draw the share of shots that have recovered against the time since the shot (Kaplan-Meier).

    Parameters
    ----------
    curves : mapping of str to (array_like, array_like, array_like)
        Per name: step times [s], share not yet recovered from each step on [0..1], and the times at which a shot was cut off [s].
    medians_s : mapping, optional
        Median recovery of each [s], marked where it is known.
    bands : mapping of str to (array_like, array_like), optional
        Per name: lower and upper end of the share not yet recovered, at the same steps; NaN where there is none.
    """
    fig = blank("time since the shot [s]", "shots recovered [%]", height=300)
    ends = [float(np.max(np.concatenate([np.asarray(c[0], float), np.asarray(c[2], float), [0.0]]))) for c in curves.values()]
    end = max(ends, default=1.0) * 1.08 or 1.0
    for i, (name, (t, waiting, cut)) in enumerate(curves.items()):
        times = np.concatenate([[0.0], np.asarray(t, float), [end]])
        share = 100.0 * (1.0 - np.concatenate([[1.0], np.asarray(waiting, float), np.asarray(waiting, float)[-1:]]))
        if share.size < times.size:
            share = np.append(share, 0.0)
        color = SERIES[i % len(SERIES)]
        if bands is not None and name in bands:
            low, high = (100.0 * (1.0 - np.asarray(b, float)) for b in bands[name])
            _band(fig, np.asarray(t, float), low, high, color)
        fig.add_scatter(
            x=times,
            y=share,
            mode="lines",
            line={"color": color, "width": 2.2, "shape": "hv", "dash": DASHES[i % 4]},
            hovertemplate="%{x:.3f} s: %{y:.0f} %<extra>" + name + "</extra>",
        )
        cuts = np.asarray(cut, float)
        if cuts.size:
            at = share[np.searchsorted(times, cuts, side="right") - 1]
            fig.add_scatter(
                x=cuts,
                y=at,
                mode="markers",
                marker={"symbol": "line-ns-open", "size": 8, "color": color, "opacity": 0.6},
                hovertemplate="cut off after %{x:.3f} s<extra></extra>",
            )
        median = (medians_s or {}).get(name)
        text = ": ".join(filter(None, (name, "" if median is None else f"half within {finer_seconds(median)}")))
        if text and len(curves) == 1:
            half = np.flatnonzero(share >= 50.0)
            step = int(half[0]) if half.size else share.size - 1
            anchor = "left" if times[step] < 0.6 * end else "right"
            label_at(fig, float(times[step]), 50.0 if half.size else float(share[step]) + 6.0, text, color, anchor=anchor)
            # The curve rises: beyond the half it is above the label, before it below.
            fig.layout.annotations[-1].yshift = -10 if anchor == "left" else 10
        if median is not None:
            fig.add_scatter(x=[median], y=[50.0], mode="markers", marker={"size": 9, "color": color}, hoverinfo="skip")
    if len(curves) > 1:
        key_above(fig, [(name, SERIES[i % len(SERIES)], DASHES[i % 4]) for i, name in enumerate(curves)])
    fig.update_yaxes(range=[-3, 103], tickvals=[0, 25, 50, 75, 100])
    fig.update_xaxes(range=[0, end])
    return fig


def _band(fig: go.Figure, t: NDArray[np.float64], upper: NDArray[np.float64], lower: NDArray[np.float64], color: str) -> None:
    """Shade a band of steps."""
    known = np.isfinite(upper) & np.isfinite(lower)
    t, upper, lower = t[known], upper[known], lower[known]
    if t.size < 2:
        return
    x = np.repeat(t, 2)[1:]
    outline = np.concatenate([np.repeat(upper, 2)[:-1], np.repeat(lower, 2)[:-1][::-1]])
    fig.add_scatter(
        x=np.concatenate([x, x[::-1]]), y=outline, mode="lines", line={"width": 0}, fill="toself", fillcolor=color, opacity=0.16,
        hoverinfo="skip",
    )  # fmt: skip


def dips(
    groups: Mapping[str, tuple[ArrayLike, ArrayLike]], reader: Reader, *, faint: Mapping[str, tuple[ArrayLike, ArrayLike]] | None = None
) -> go.Figure:
    """Draw each shot's dip against the pressure before it, a symbol per group.

    Parameters
    ----------
    groups : mapping of str to (array_like, array_like)
        Per name: pressure before each shot [Pa gauge] and its dip [Pa].
    faint : mapping, optional
        More of each group, drawn faintly: what was left out.
    """
    fig = blank(f"pressure before the shot [{reader.unit}]", f"dip [{reader.unit}]", height=300)
    scale = reader.pressure_value(1.0)
    symbols = ("circle", "diamond-open", "x", "square-open")
    keys = []
    for i, name in enumerate(groups):
        if faint and len(np.asarray(faint[name][0])):
            x, y = (np.asarray(v, float) * scale for v in faint[name])
            marker = {"symbol": symbols[i % 4], "size": 6, "color": SERIES[i % len(SERIES)], "opacity": 0.28}
            fig.add_scatter(x=x, y=y, mode="markers", marker=marker, hovertemplate="%{x:.2f}, dip %{y:.2f}, left out<extra></extra>")
    for i, (name, (before, dip)) in enumerate(groups.items()):
        color = SERIES[i % len(SERIES)]
        x, y = np.asarray(before, float) * scale, np.asarray(dip, float) * scale
        fig.add_scatter(
            x=x,
            y=y,
            mode="markers",
            marker={"symbol": symbols[i % 4], "size": 8, "color": color, "opacity": 0.75},
            hovertemplate="%{x:.2f}, dip %{y:.2f}<extra>" + name + "</extra>",
        )
        keys.append(f"<span style='color:{color}'><b>{'●◇✕□'[i % 4]}</b></span> {name}")
    fig.add_annotation(
        x=0, y=1, xref="paper", yref="paper", xanchor="left", yanchor="bottom", text="   ".join(keys), showarrow=False, yshift=4
    )
    fig.update_yaxes(rangemode="tozero")
    return fig


def judged(
    pressure_pa: Sequence[float],
    depth: Sequence[str | float],
    reader: Reader,
    *,
    flush_pa: Estimate,
    band_pa: tuple[float, float] | None,
    limit_pa: float,
) -> go.Figure:
    """Draw judged nails against the pressure just before their shots.

    Parameters
    ----------
    pressure_pa : sequence of float
        Pressure before each shot [Pa gauge].
    depth : sequence of str or float
        "proud", "flush" or "deep", or measured [m]; all of one kind.
    flush_pa : Estimate
        Where it comes flush [Pa gauge].
    band_pa : (float, float), optional
        Where nine of ten come flush [Pa gauge].
    limit_pa : float
        The maker's limit [Pa gauge]; drawn where it lies near what was tried.
    """
    in_words = isinstance(depth[0], str)
    fig = blank(f"pressure just before the shot [{reader.unit}]", "" if in_words else "depth below the surface [mm]", height=300)
    x = np.array([reader.pressure_value(p) for p in pressure_pa])
    levels = {"proud": 0.0, "flush": 1.0, "deep": 2.0}
    y = np.array([levels[d] if isinstance(d, str) else 1e3 * d for d in depth])
    # Nails judged alike at one pressure would hide each other: they are fanned out, always the same way.
    y = y + 0.12 * np.sin(2.4 * np.arange(y.size)) if in_words else y
    if band_pa is not None:
        fig.add_vrect(
            x0=reader.pressure_value(band_pa[0]), x1=reader.pressure_value(band_pa[1]), fillcolor=GREEN, opacity=0.14, line_width=0
        )
    if flush_pa.value is not None:
        at = reader.pressure_value(flush_pa.value)
        if flush_pa.low is not None and flush_pa.high is not None:
            low, high = reader.pressure_value(flush_pa.low), reader.pressure_value(flush_pa.high)
            fig.add_vrect(x0=low, x1=high, fillcolor=BLUE, opacity=0.12, line_width=0)
        fig.add_vline(x=at, line={"color": BLUE, "width": 2})
        fig.add_annotation(x=at, y=1, yref="paper", yanchor="bottom", text="<b>flush</b>", showarrow=False, font={"color": BLUE})
    limit = reader.pressure_value(limit_pa)
    reach = span([x], 0.15)
    if limit <= reach[1] + 0.5 * (reach[1] - reach[0]):
        reach[1] = max(reach[1], limit * 1.01)
        fig.add_vline(x=limit, line={"color": ORANGE, "width": 2, "dash": "dash"})
        label = {"text": "<b>limit heeded</b>", "font": {"color": ORANGE}, "showarrow": False}
        fig.add_annotation(x=limit, y=1, yref="paper", xanchor="right", yanchor="bottom", **label)
    fig.add_scatter(
        x=x, y=y, mode="markers", marker={"size": 10, "color": PURPLE, "opacity": 0.75}, hovertemplate="%{x:.2f}<extra></extra>"
    )
    if in_words:
        fig.update_yaxes(range=[-0.5, 2.5], tickvals=list(levels.values()), ticktext=list(levels))
    fig.update_xaxes(range=reach)
    return fig
