"""The figure of a recording, with its shots, events and marks, in a window that can be moved; and its thumbnail."""

from __future__ import annotations

import base64
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import plotly.graph_objects as go
from numpy.typing import ArrayLike

from analysis.record import Shot
from dashboard.figures import BLUE, GREY, ORANGE, PURPLE, blank, span, time_axis
from dashboard.reader import Reader
from dashboard.zoom import PAD, thin

SINGLE_MOST = 120  # marks of single shots in view; more are gathered
GATHERED = 24  # into so many at most: half of them in view, where numbers of three digits find room on a phone too
NAMED_MOST = 60  # events and notes that are named in view


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
            (
                s.time_s,
                s.minimum_pa,
                "",
                "star-triangle-up-open" if s.by_hand else "triangle-up-open" if s.doubtful else "triangle-up",
                ["shot", i],
            )
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
        f'<polyline points="{points}" fill="none" stroke="{BLUE}" stroke-width="1.3" stroke-linejoin="round" '
        'vector-effect="non-scaling-stroke"/></svg>'
    )
