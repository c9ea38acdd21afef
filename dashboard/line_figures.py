"""Figures of an air line by the model: what each part takes, pressures over time, the size of a receiver, dew points."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import plotly.graph_objects as go
from numpy.typing import ArrayLike, NDArray

from analysis.units import from_si
from dashboard.figures import BLUE, DASHES, GREEN, ORANGE, PURPLE, SERIES, blank, key_above, label_at, span
from dashboard.reader import Reader
from dashboard.zoom import thin


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
    curves = (("temperature", temperature, ORANGE, "solid"), ("dew point", dew, BLUE, "dash"))
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
