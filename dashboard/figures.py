"""Figures as plain functions: arrays and the reader's units in, a plotly figure out.

Colours here are for paper: white ground, dark ink. On screen ``assets/figures.css`` recolours ground, ink and grid for the light
and the dark page, so a downloaded or printed figure is always fit for paper. Series colours hold on both.
"""

from __future__ import annotations

import base64
import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import plotly.graph_objects as go
from numpy.typing import ArrayLike, NDArray

from analysis.estimate import Estimate
from analysis.record import Shot
from analysis.units import from_si
from dashboard.reader import Reader
from dashboard.zoom import PAD, thin, window

BLUE, ORANGE, GREEN, PURPLE, GREY = "#2b7cbf", "#cf6a1c", "#1d9474", "#9a68b8", "#7d868c"
SERIES = (BLUE, ORANGE, GREEN, PURPLE)
DASHES = ("solid", "dash", "dot", "dashdot")
INK, GRID = "#22303a", "#dfe3e6"
SINGLE_MOST = 120  # marks of single shots in view; more are gathered
GATHERED = 24  # into so many at most: half of them in view, where numbers of three digits find room on a phone too
NAMED_MOST = 60  # events and notes that are named in view


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


def recording(
    t_s: ArrayLike,
    p_pa: ArrayLike,
    reader: Reader,
    *,
    whole_s: tuple[float, float] | None = None,
    shown_s: tuple[float, float] | None = None,
    **shown: Any,
) -> go.Figure:
    """Draw a recording with its shots marked.

    Parameters
    ----------
    t_s, p_pa : array_like
        Times [s] and gauge pressure [Pa] to draw: few points, as `dashboard.zoom.curve` gives them; NaN breaks the line.
    whole_s : (float, float), optional
        First and last time of the recording [s], where only a part of it is drawn.
    shown_s : (float, float), optional
        What to show first [s]; all of it by default.
    **shown
        What else is to be seen, as `recording_parts` takes it.
    """
    t = np.asarray(t_s, dtype=float)
    begin_s, end_s = whole_s or ((float(t[0]), float(t[-1])) if t.size else (0.0, 1.0))
    window_s = shown_s or (begin_s, end_s)
    name, length_s = time_axis(end_s - begin_s)
    fig = blank(f"time [{name}]", f"gauge pressure [{reader.unit}]", height=380, zoomed=True)
    parts = recording_parts(t, p_pa, reader, window_s=window_s, length_s=length_s, **shown)
    fig.add_traces(parts["data"])
    fig.layout.shapes, fig.layout.annotations = parts["shapes"], parts["annotations"]
    if t.size:
        fig.layout.xaxis.range = [window_s[0] / length_s, window_s[1] / length_s]
    fig.layout.hovermode = "closest"
    return fig


def recording_parts(
    t_s: ArrayLike,
    p_pa: ArrayLike,
    reader: Reader,
    *,
    window_s: tuple[float, float],
    length_s: float,
    shots: Sequence[Shot] = (),
    taken_out: Sequence[tuple[float, float]] = (),
    picked: tuple[float, float, str] | None = None,
    marks: Sequence[tuple[float, str]] = (),
    events: Sequence[tuple[float, float, str]] = (),
) -> dict[str, list[dict[str, Any]]]:
    """What of a recording's figure follows its window, as plain ``data``, ``shapes`` and ``annotations``: a zoom draws them again.

    The three traces are the pressure, the marks of the shots, and what is pointed out.

    Parameters
    ----------
    t_s, p_pa : array_like
        Times [s] and gauge pressure [Pa] to draw.
    window_s : (float, float)
        What is seen [s].
    length_s : float
        Unit of the time axis [s].
    shots : sequence of Shot
        Each is marked; where more than `SINGLE_MOST` are shown, marks that lie close are gathered into one with their number.
    taken_out : sequence of (float, float)
        Instant [s] and lowest pressure [Pa gauge] of what was taken out by hand.
    picked : (float, float, str), optional
        A place to point out: instant [s], pressure [Pa gauge] and what to write there.
    marks : sequence of (float, str)
        Instant [s] and text of each mark.
    events : sequence of (float, float, str)
        Begin and end [s] and kind of what was no shot.
    """
    curve = {
        "type": "scatter",
        "x": np.asarray(t_s, dtype=float) / length_s,
        "y": np.asarray(p_pa, dtype=float) * reader.pressure_value(1.0),
        "mode": "lines",
        "line": {"color": BLUE, "width": 1.4},
        "name": "pressure",
        "hovertemplate": "%{x:.3f}, %{y:.2f}<extra></extra>",
    }
    inside = [(max(a, window_s[0]), min(max(b, a), window_s[1]), kind) for a, b, kind in events if b >= window_s[0] and a <= window_s[1]]
    shapes: list[dict[str, Any]] = []
    words: list[dict[str, Any]] = []
    upright = {"yref": "paper", "xanchor": "left", "showarrow": False, "textangle": -90}
    for from_s, until_s, kind in inside[:NAMED_MOST]:
        shapes.append(_upright_band(from_s / length_s, until_s / length_s))
        words.append({"x": from_s / length_s, "y": 0.02, "yanchor": "bottom", "text": kind, **upright})
    seen = [(at, text) for at, text in marks if window_s[0] <= at <= window_s[1]]
    for time_s, text in seen[:NAMED_MOST]:
        at = time_s / length_s
        shapes.append({"type": "line", "x0": at, "x1": at, "y0": 0, "y1": 1, "yref": "y domain", "line": {"color": PURPLE, "width": 1}})
        words.append({"x": at, "y": 0.98, "yanchor": "top", "text": text, **upright})
    more = max(len(inside) - NAMED_MOST, 0) + max(len(seen) - NAMED_MOST, 0)
    if more:
        text = f"{more} more events and notes: zoom in"
        words.append(
            {"x": 1, "y": 1, "xref": "paper", "yref": "paper", "xanchor": "right", "yanchor": "bottom", "text": text, "showarrow": False}
        )
    data = [curve, _shot_marks(shots, taken_out, window_s, reader, length_s), pointed_out(picked, reader, length_s)]
    return {"data": data, "shapes": shapes, "annotations": words}


def packed(trace: Mapping[str, Any]) -> dict[str, Any]:
    """A trace whose arrays are sent as bytes, which a browser reads many times faster than numbers in text."""

    def pack(values: Any) -> Any:
        if not isinstance(values, np.ndarray):
            return values
        return {"dtype": "f8", "bdata": base64.b64encode(values.astype("<f8").tobytes()).decode("ascii")}

    return {key: pack(values) for key, values in trace.items()}


def pointed_out(picked: tuple[float, float, str] | None, reader: Reader, length_s: float) -> dict[str, Any]:
    """Circle a place in a recording and write beside it: instant [s], pressure [Pa gauge] and text."""
    point_s, point_pa, text = picked or (0.0, 0.0, "")
    return {
        "type": "scatter",
        "x": [point_s / length_s] if picked else [],
        "y": [reader.pressure_value(point_pa)] if picked else [],
        "text": [f"<b>{text}</b>"],
        "mode": "markers+text",
        "marker": {"symbol": "circle-open", "size": 18, "color": PURPLE, "line": {"width": 2}},
        "textposition": "bottom right",  # at the begin of a recording the axis stands on the left
        "textfont": {"color": PURPLE},
        "hoverinfo": "skip",
        "cliponaxis": False,
    }


def _upright_band(x0: float, x1: float) -> dict[str, Any]:
    """Shade a stretch of time over the whole height; a moment becomes a line."""
    area = {"fillcolor": GREY, "opacity": 0.18, "line": {"width": 0}} if x1 > x0 else {"line": {"width": 1, "color": GREY}}
    return {"type": "rect", "x0": x0, "x1": x1, "y0": 0, "y1": 1, "yref": "y domain", **area}


def _shot_marks(
    shots: Sequence[Shot], taken_out: Sequence[tuple[float, float]], window_s: tuple[float, float], reader: Reader, length_s: float
) -> dict[str, Any]:
    """Marks of the shots in view and around it: one each, or where they are many a number for those that lie close.

    `customdata` says what a mark stands for: ["shot", index], ["out", time] or ["many", from, until].
    """
    pad = PAD * (window_s[1] - window_s[0])
    low, high = window_s[0] - pad, window_s[1] + pad
    times = np.array([s.time_s for s in shots])
    a, z = (int(i) for i in np.searchsorted(times, [low, high]))
    rows: list[tuple[float, float, str, str, list[Any]]] = []  # instant, pressure, number, symbol, meaning
    if z - a <= SINGLE_MOST:
        rows += [
            (s.time_s, s.minimum_pa, "", "star-triangle-up-open" if s.by_hand else "triangle-up", ["shot", i])
            for i, s in enumerate(shots[a:z], start=a)
        ]
    else:
        edges = np.linspace(low, high, GATHERED + 1)
        cuts = np.searchsorted(times, edges)
        for first, end in zip(cuts[:-1].tolist(), cuts[1:].tolist(), strict=True):
            if end > first:
                lowest = min(s.minimum_pa for s in shots[first:end])
                rows.append(
                    (float(times[first:end].mean()), lowest, str(end - first), "triangle-up", ["many", times[first], times[end - 1]])
                )
    rows += [(at, p, "", "x-thin-open", ["out", at]) for at, p in taken_out if low <= at <= high]
    said = {"shot": "shot {}", "out": "taken out by hand", "many": "{} shots: zoom in to see each"}
    return {
        "type": "scatter",
        "x": [r[0] / length_s for r in rows],
        "y": [reader.pressure_value(r[1]) for r in rows],
        "text": [r[2] for r in rows],
        "mode": "markers+text" if any(r[2] for r in rows) else "markers",
        "textposition": "bottom center",
        "textfont": {"color": ORANGE, "size": 11},
        "marker": {"symbol": [r[3] for r in rows], "size": 9, "color": ORANGE, "line": {"width": 1.5, "color": ORANGE}},
        "name": "shots",
        "customdata": [r[4] for r in rows],
        "hovertext": [said[r[4][0]].format(r[4][1] + 1 if r[4][0] == "shot" else r[2]) for r in rows],
        "hovertemplate": "%{hovertext}: lowest %{y:.2f} " + reader.unit + "<extra></extra>",
    }


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
            hovertemplate="%{x:.2f} s: %{y:.0f} %<extra>" + name + "</extra>",
        )
        cuts = np.asarray(cut, float)
        if cuts.size:
            at = share[np.searchsorted(times, cuts, side="right") - 1]
            fig.add_scatter(
                x=cuts,
                y=at,
                mode="markers",
                marker={"symbol": "line-ns-open", "size": 8, "color": color, "opacity": 0.6},
                hovertemplate="cut off after %{x:.2f} s<extra></extra>",
            )
        median = (medians_s or {}).get(name)
        text = name if median is None else f"{name}: half within {median:.2f} s" if name else f"half within {median:.2f} s"
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


def key_above(fig: go.Figure, keys: Sequence[tuple[str, str, str]]) -> None:
    """Name the curves above the figure where they lie too close together for labels of their own: (name, colour, dash)."""
    samples = {"solid": "━━", "dash": "╍╍", "dot": "▪▪▪", "dashdot": "┅┅"}
    text = "   ".join(f"<span style='color:{color}'><b>{samples[dash]}</b></span> {name}" for name, color, dash in keys)
    fig.add_annotation(x=0, y=1, xref="paper", yref="paper", xanchor="left", yanchor="bottom", text=text, showarrow=False, yshift=4)


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


def losses(parts: Sequence[tuple[str, float]], reader: Reader) -> go.Figure:
    """Draw what each part takes from the pressure, in order of flow: name and loss [Pa]."""
    names = [f"{i + 1}  {name}" for i, (name, _) in enumerate(parts)]
    values = [reader.pressure_value(loss) for _, loss in parts]
    return amounts(
        [(name, value, reader.pressure(loss)) for name, value, (_, loss) in zip(names, values, parts, strict=True)],
        f"pressure lost [{reader.unit}]",
    )


def amounts(rows: Sequence[tuple[str, float, str]], x_title: str) -> go.Figure:
    """Draw amounts as bars, first on top: name, amount in the axis' unit, and how it is written beside the bar."""
    fig = blank(x_title, "", height=max(160, 40 * len(rows) + 70), right=64)
    fig.add_bar(
        y=[name for name, _, _ in rows],
        x=[amount for _, amount, _ in rows],
        orientation="h",
        marker={"color": BLUE},
        width=0.6,
        text=[written for _, _, written in rows],
        textposition="outside",
        cliponaxis=False,
        hoverinfo="skip",
    )
    fig.update_yaxes(autorange="reversed", showgrid=False, title=None)
    fig.update_xaxes(rangemode="tozero")
    return fig


def dew_along(names: Sequence[str], temp_k: Sequence[float], dew_k: Sequence[tuple[float, float, float]], unit: str) -> go.Figure:
    """Draw temperature and dew point place by place along the line.

    Parameters
    ----------
    names : sequence of str
        Places in order of flow.
    temp_k : sequence of float
        Temperature of each [K].
    dew_k : sequence of (float, float, float)
        Dew point under the place's pressure, with the ends of its interval [K].
    unit : str
        "degC" or "degF".
    """
    fig = blank("", f"temperature [{'°F' if unit == 'degF' else '°C'}]", height=340)
    at = list(range(len(names)))
    temperature = [from_si(k, unit) for k in temp_k]
    dew, low, high = ([from_si(k, unit) for k in column] for column in zip(*dew_k, strict=True))
    around = {"mode": "none", "fill": "toself", "fillcolor": "rgba(43,124,191,0.16)", "hoverinfo": "skip"}
    fig.add_scatter(x=[*at, *at[::-1]], y=[*high, *low[::-1]], **around)
    curves = (("temperature of the place", temperature, ORANGE, "solid"), ("dew point of its air", dew, BLUE, "dash"))
    for name, values, color, dash in curves:
        fig.add_scatter(
            x=at,
            y=values,
            mode="lines+markers",
            line={"color": color, "width": 2.2, "dash": dash},
            marker={"size": 8},
            hovertemplate="%{y:.1f}<extra>" + name + "</extra>",
        )
    key_above(fig, [(name, color, dash) for name, _, color, dash in curves])
    fig.update_xaxes(tickvals=at, ticktext=list(names), range=[-0.3, len(names) - 0.7], tickangle=-30 if len(names) > 4 else 0)
    fig.update_yaxes(range=span([temperature, low, high]))
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


def traces(
    curves: Mapping[str, tuple[ArrayLike, ArrayLike]],
    reader: Reader,
    *,
    shots_s: Sequence[float] = (),
    band_pa: tuple[float, float] | None = None,
    floor_pa: float | None = None,
) -> go.Figure:
    """Draw pressures at several places, or measured beside modelled, each named at its end.

    Parameters
    ----------
    curves : mapping of str to (array_like, array_like)
        Per name: times [s] and gauge pressure [Pa].
    shots_s : sequence of float
        Instants at which shots are fired [s].
    band_pa : (float, float), optional
        The tool's window [Pa gauge], shaded.
    floor_pa : float, optional
        Lowest pressure at which a shot may start [Pa gauge].
    """
    fig = blank("time [s]", f"gauge pressure [{reader.unit}]", height=360)
    scale = reader.pressure_value(1.0)
    keys, shown = [], []
    for i, (name, (t, p)) in enumerate(curves.items()):
        color, dash = SERIES[i % len(SERIES)], DASHES[i % len(DASHES)]
        x, y = thin(t, np.asarray(p, dtype=float) * scale)
        fig.add_scatter(
            x=x,
            y=y,
            mode="lines",
            line={"color": color, "width": 1.8, "dash": dash},
            name=name,
            hovertemplate="%{x:.2f} s, %{y:.2f}<extra>" + name + "</extra>",
        )
        keys.append((name, color, dash))
        shown.append(y)
    if len(keys) > 1:
        key_above(fig, keys)
    # All at once: one by one, each costs a check of the whole figure.
    stroke = {"type": "line", "y0": 0, "y1": 0.03, "yref": "paper", "line": {"color": ORANGE, "width": 2}}
    fig.update_layout(shapes=[{**stroke, "x0": float(t), "x1": float(t)} for t in list(shots_s)[:80]])
    if band_pa is not None:
        fig.add_hrect(y0=band_pa[0] * scale, y1=band_pa[1] * scale, fillcolor=GREEN, opacity=0.12, line_width=0)
        shown.append(np.array([band_pa[0] * scale]))
    if floor_pa is not None:
        fig.add_hline(
            y=floor_pa * scale,
            line={"color": ORANGE, "width": 1.5, "dash": "dot"},
            annotation_text="floor",
            annotation_position="bottom right",
        )
        shown.append(np.array([floor_pa * scale]))
    fig.update_yaxes(range=span(shown))
    return fig


def sizing(
    volumes_m3: ArrayLike,
    lowest_pa: ArrayLike,
    reader: Reader,
    *,
    floor_pa: float,
    chosen_m3: tuple[float, float | None, float | None] | None,
    handbook: tuple[ArrayLike, ArrayLike] | None,
) -> go.Figure:
    """Draw the lowest pressure at which a shot starts against the receiver's volume: by the model, and by the handbook.

    Parameters
    ----------
    volumes_m3, lowest_pa : array_like
        Receivers tried [m3] and lowest pressure at a shot with each [Pa gauge].
    floor_pa : float
        Lowest pressure at which a shot may start [Pa gauge].
    chosen_m3 : (float, float or None, float or None), optional
        The smallest receiver that holds the floor, with the ends of its interval [m3].
    handbook : (array_like, array_like), optional
        Volumes [m3] and the pressure that the handbook formula leaves in each [Pa gauge].
    """

    def in_unit(v_m3: ArrayLike) -> NDArray[np.float64]:
        return np.array([from_si(float(v), reader.volume_unit) for v in np.asarray(v_m3, float).ravel()])

    volumes, scale = in_unit(volumes_m3), reader.pressure_value(1.0)
    lowest = np.asarray(lowest_pa, float) * scale
    order = np.argsort(volumes)
    fig = blank(f"receiver [{reader.volume_unit}]", f"lowest pressure at a shot [{reader.unit}]", height=340)
    fig.add_scatter(
        x=volumes[order],
        y=lowest[order],
        mode="lines+markers",
        line={"color": BLUE, "width": 2},
        marker={"size": 7},
        hovertemplate="%{x:.1f}: %{y:.2f}<extra>model</extra>",
    )
    keys = [("model", BLUE, "solid")]
    floor = reader.pressure_value(floor_pa)
    low, high = span([lowest, [floor]], 0.15)
    if handbook is not None:
        x, y = in_unit(handbook[0]), np.asarray(handbook[1], float) * scale
        fig.add_scatter(
            x=x,
            y=y,
            mode="lines",
            line={"color": PURPLE, "width": 2, "dash": "dash"},
            hovertemplate="%{x:.1f}: %{y:.2f}<extra>handbook</extra>",
        )
        keys.append(("handbook", PURPLE, "dash"))
    key_above(fig, keys)
    fig.add_hline(y=floor, line={"color": ORANGE, "width": 1.5, "dash": "dot"})
    label_at(fig, float(volumes.max()) if volumes.size else 1.0, floor, "floor", ORANGE, anchor="right", shift=0)
    fig.layout.annotations[-1].yshift = 9
    if chosen_m3 is not None and volumes.size:
        value, below, above = chosen_m3
        x0 = float(in_unit(value)[0])
        y0 = float(np.interp(x0, volumes[order], lowest[order]))
        up = 0.0 if above is None else float(in_unit(above)[0]) - x0
        down = 0.0 if below is None else x0 - float(in_unit(below)[0])
        fig.add_scatter(
            x=[x0],
            y=[y0],
            mode="markers",
            marker={"size": 14, "color": ORANGE, "symbol": "star"},
            error_x={"type": "data", "symmetric": False, "array": [up], "arrayminus": [down], "color": ORANGE, "thickness": 2, "width": 6},
            hoverinfo="skip",
        )
        label_at(fig, x0, y0, reader.volume(value), ORANGE, shift=12)
        fig.layout.annotations[-1].yshift = -14
    fig.update_yaxes(range=[low, high])
    return fig


def thumbnail(t_s: ArrayLike, p_pa: ArrayLike, *, width: int = 240, height: int = 56) -> str:
    """Draw a recording as a small SVG without axes, for the list of sessions."""
    t, p = thin(t_s, p_pa, 240)
    good = np.isfinite(p)
    t, p = t[good], p[good]
    if t.size < 2 or t[-1] <= t[0]:
        return f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}"></svg>'
    low, high = span([p], 0.06)
    x = (t - t[0]) / (t[-1] - t[0]) * (width - 4) + 2
    y = height - 2 - (p - low) / (high - low) * (height - 4)
    points = " ".join(f"{a:.1f},{b:.1f}" for a, b in zip(x, y, strict=True))
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" preserveAspectRatio="none">'
        f'<polyline points="{points}" fill="none" stroke="{BLUE}" stroke-width="1.3" vector-effect="non-scaling-stroke"/></svg>'
    )
