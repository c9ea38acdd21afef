"""A figure of the pages as a still picture for paper: the very curves, labels and bands of the plotly figure, drawn as SVG.

Only what our own figures use is drawn: scatter curves and markers, bars, shapes (lines, rectangles, bands) and annotations.
matplotlib draws, because it needs no browser; its SVG goes into a report as it is.
"""

from __future__ import annotations

import io
import re
from html import unescape
from typing import Any, Final

import numpy as np
import plotly.graph_objects as go
from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure
from matplotlib.offsetbox import AnnotationBbox, HPacker, TextArea

from dashboard.figures import GREY, GRID, INK

WIDTH_IN: Final = 6.9  # the text width of an A4 page with our margins
POINTS_PER_PX: Final = 0.72  # screen figures are read closer on paper
_DASHES: Final[dict[str, Any]] = {"solid": "-", "dash": (0, (5, 2.5)), "dot": (0, (1, 1.8)), "dashdot": "-."}
_MARKERS: Final = {"triangle-up": "^", "circle": "o", "diamond": "D", "x": "x", "square": "s", "star": "*", "line-ns": "|"}
_H: Final = {"left": (0.0, 0.5), "right": (1.0, 0.5), "center": (0.5, 0.5), None: (0.5, 0.5)}
_V: Final = {"top": 1.0, "bottom": 0.0, "middle": 0.5, None: 0.5}
_SETTINGS: Final[Any] = {
    "svg.fonttype": "none",
    "svg.hashsalt": "farend",  # the same figure gives the same file
    "text.parse_math": False,
    "font.family": "sans-serif",
    "font.size": 8.5,
    "axes.edgecolor": GREY,
    "text.color": INK,
    "axes.labelcolor": INK,
    "xtick.color": INK,
    "ytick.color": INK,
}


def to_svg(fig: go.Figure, label: str) -> str:
    """Draw a figure as SVG.

    Parameters
    ----------
    fig : plotly Figure
        One of ours, in the units of its axes.
    label : str
        What it shows, for those who cannot see it.

    Returns
    -------
    str
        An ``svg`` element without an XML head.
    """
    with rc_context(_SETTINGS):
        height_in = WIDTH_IN * min(0.62, max(0.24, float(fig.layout.height or 320) / 720.0))
        canvas = Figure(figsize=(WIDTH_IN, height_in), layout="constrained")
        axes = canvas.add_subplot()
        for trace in fig.data:
            _bars(axes, trace) if trace.type == "bar" else _curve(axes, trace)
        for shape in fig.layout.shapes:
            _shape(axes, shape)
        _axes(axes, fig)
        for note in fig.layout.annotations:
            _annotation(axes, note)
        out = io.StringIO()
        FigureCanvasSVG(canvas)
        canvas.savefig(out, format="svg", metadata={"Date": None, "Creator": None})
    svg = out.getvalue()
    svg = re.sub(r"<metadata>.*?</metadata>", "", svg[svg.index("<svg") :], flags=re.DOTALL)
    return svg.replace("<svg ", f'<svg role="img" aria-label="{_attribute(label)}" ', 1)


def _attribute(text: str) -> str:
    return text.replace("&", "&amp;").replace('"', "&quot;").replace("<", "&lt;")


def _curve(axes: Axes, trace: go.Scatter) -> None:
    x, y = np.asarray(trace.x), np.asarray(trace.y)
    mode, alpha = trace.mode or "lines", 1.0 if trace.opacity is None else float(trace.opacity)
    if trace.fill in {"tonexty", "toself", "tozeroy"}:
        color = trace.fillcolor or trace.line.color or GREY
        axes.fill(x, y, **_rgba(color, alpha), linewidth=0) if trace.fill == "toself" else axes.fill_between(
            x, y, 0.0 if trace.fill == "tozeroy" else axes.lines[-1].get_ydata(), **_rgba(color, alpha), linewidth=0
        )
    if "lines" in mode and trace.line.width != 0:
        style = _DASHES.get(trace.line.dash or "solid", "-")
        steps = {"hv": "steps-post", "vh": "steps-pre"}.get(trace.line.shape or "", "default")
        width = 0.6 * float(trace.line.width or 2.0)
        axes.plot(x, y, color=trace.line.color, linewidth=width, linestyle=style, alpha=alpha, drawstyle=steps, solid_joinstyle="round")
    elif trace.fill:
        axes.plot(x, y, linewidth=0)  # the other edge of a band that follows
    if "markers" in mode:
        symbol = str(trace.marker.symbol or "circle")
        hollow = symbol.endswith("-open")
        color = trace.marker.color if isinstance(trace.marker.color, str) else trace.line.color or INK
        size = trace.marker.size if isinstance(trace.marker.size, int | float) else 6
        axes.plot(
            x,
            y,
            linestyle="none",
            marker=_MARKERS.get(symbol.removesuffix("-open"), "o"),
            markersize=0.6 * float(size),
            color=color,
            markerfacecolor="none" if hollow else color,
            alpha=alpha if trace.marker.opacity is None else float(trace.marker.opacity),
        )


def _bars(axes: Axes, trace: go.Bar) -> None:
    flat = trace.orientation == "h"
    names, values = (trace.y, trace.x) if flat else (trace.x, trace.y)
    at = np.arange(len(names))
    width = float(trace.width) if isinstance(trace.width, int | float) else 0.7
    color = trace.marker.color if isinstance(trace.marker.color, str) else GREY
    drawn = axes.barh(at, values, height=width, color=color) if flat else axes.bar(at, values, width=width, color=color)
    (axes.set_yticks if flat else axes.set_xticks)(at, [str(n) for n in names])
    if trace.text is not None:
        axes.bar_label(drawn, labels=[str(t) for t in trace.text], padding=3)


def _rgba(color: str, alpha: float) -> dict[str, Any]:
    """Colour and opacity of a CSS colour."""
    found = re.match(r"rgba?\(([^)]*)\)", color)
    if not found:
        return {"color": color, "alpha": alpha}
    parts = [float(p) for p in found[1].split(",")]
    return {"color": tuple(p / 255.0 for p in parts[:3]), "alpha": alpha * (parts[3] if len(parts) > 3 else 1.0)}


def _shape(axes: Axes, shape: Any) -> None:
    """Draw a line or a rectangle; a paper or domain axis runs from 0 to 1."""
    x_free, y_free = _on_paper(shape.xref), _on_paper(shape.yref)
    alpha = 1.0 if shape.opacity is None else float(shape.opacity)
    if shape.type == "rect":
        x, y = (float(shape.x0), float(shape.x1)), (float(shape.y0), float(shape.y1))
        if y_free and not x_free:
            axes.axvspan(*x, *y, **_rgba(shape.fillcolor or GREY, alpha), linewidth=0)
        elif x_free and not y_free:
            axes.axhspan(*y, *x, **_rgba(shape.fillcolor or GREY, alpha), linewidth=0)
        else:
            axes.fill([x[0], x[1], x[1], x[0]], [y[0], y[0], y[1], y[1]], **_rgba(shape.fillcolor or GREY, alpha), linewidth=0)
        return
    style = {
        "color": shape.line.color or INK,
        "linewidth": 0.6 * float(shape.line.width or 1.0),
        "linestyle": _DASHES.get(shape.line.dash or "solid", "-"),
        "alpha": alpha,
    }
    if y_free:
        axes.axvline(float(shape.x0), float(shape.y0), float(shape.y1), **style)
    elif x_free:
        axes.axhline(float(shape.y0), float(shape.x0), float(shape.x1), **style)
    else:
        axes.plot([shape.x0, shape.x1], [shape.y0, shape.y1], **style)


def _on_paper(reference: str | None) -> bool:
    return bool(reference) and (reference == "paper" or str(reference).endswith("domain"))


def _axes(axes: Axes, fig: go.Figure) -> None:
    for side, set_label, set_range, set_ticks, set_scale in (
        (fig.layout.xaxis, axes.set_xlabel, axes.set_xlim, axes.set_xticks, axes.set_xscale),
        (fig.layout.yaxis, axes.set_ylabel, axes.set_ylim, axes.set_yticks, axes.set_yscale),
    ):
        set_label(side.title.text or "")
        if side.type == "log":
            set_scale("log")
        if side.tickvals is not None:
            set_ticks(list(side.tickvals), None if side.ticktext is None else list(side.ticktext))
        if side.range is not None:
            low, high = (10.0 ** float(r) if side.type == "log" else float(r) for r in side.range)
            set_range(low, high)
        elif side.rangemode == "tozero":
            set_range(0.0)
    if fig.layout.xaxis.range is None and not any(t.type == "bar" for t in fig.data):
        axes.margins(x=0.02)
    if fig.layout.yaxis.autorange == "reversed":
        axes.invert_yaxis()
    axes.grid(visible=True, color=GRID, linewidth=0.6)
    axes.set_axisbelow(True)
    axes.tick_params(length=0)
    for spine in axes.spines.values():
        spine.set_visible(False)


def _annotation(axes: Axes, note: Any) -> None:
    """Write a label, its parts each in their own colour."""
    plain = note.font.color or INK
    size = POINTS_PER_PX * float(note.font.size or 11)
    turned = -float(note.textangle or 0.0)
    parts: list[Any] = [
        TextArea(text, textprops={"color": color or plain, "weight": "bold" if bold else "normal", "size": size, "rotation": turned})
        for text, color, bold in _segments(str(note.text or ""))
    ]
    box = parts[0] if len(parts) == 1 else HPacker(children=parts, pad=0, sep=2)
    across = "axes fraction" if _on_paper(note.xref) else "data"
    up = "axes fraction" if _on_paper(note.yref) else "data"
    shift = (POINTS_PER_PX * float(note.xshift or 0.0), POINTS_PER_PX * float(note.yshift or 0.0))
    aligned = (_H.get(note.xanchor, _H[None])[0], _V.get(note.yanchor, 0.5))
    axes.add_artist(
        AnnotationBbox(
            box,
            (note.x, note.y),
            xybox=shift,
            xycoords=(across, up),
            boxcoords="offset points",
            box_alignment=aligned,
            frameon=False,
            pad=0.0,
            annotation_clip=False,
        )
    )


def _segments(text: str) -> list[tuple[str, str | None, bool]]:
    """Take a label apart: text, colour and boldness of each part."""
    out: list[tuple[str, str | None, bool]] = []
    color, bold = None, False
    for piece in re.split(r"(<[^>]*>)", text):
        if piece.startswith("<"):
            found = re.search(r"color:\s*([^;'\"]+)", piece)
            color = found[1] if found else None if piece == "</span>" else color
            bold = {"<b>": True, "</b>": False}.get(piece, bold)
            if piece in {"<br>", "<br/>"}:
                out.append((" ", color, bold))
        elif piece:
            out.append((unescape(piece), color, bold))
    return out or [("", None, False)]
