"""Sliders that answer while they are dragged: a burst fired at the line with the receiver and the hose that the hand is at.

The page's address holds the choices. While a slider moves, the browser asks `/receiver/try` with the address as it would be; at most one
question is on its way at a time, and the newest replaces those that were not asked yet. When the hand rests, the address is set and the
page is worked out in full.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import dash_mantine_components as dmc
import flask
from dash import html
from plotly.io.json import to_json_plotly

from analysis.burst import Burst, check_floor, fire, rest_pressure
from analysis.sizing import LARGEST_M3, smallest
from analysis.units import UnitError, from_si, parse_quantity
from analysis.variants import longest_hose, with_bore, with_receiver
from dashboard import figures, line_figures, ui, wording
from dashboard.reader import UNIT_SETS, Reader
from dashboard.work import Work

if TYPE_CHECKING:
    from analysis.line import Line

SHOTS, EVERY = "6", "0.3 s"
FLOORS = {"bar": "5.6 bar", "psi": "82 psi", "kPa": "560 kPa"}
USUAL_M3 = 0.024  # receiver that the slider begins at, where neither the line nor the address names one
FOLLOW_S = 3.0  # shown after the last shot
SEARCHED_MOST_S = 10.0  # bursts longer than this are not sized while a slider moves
BORE_MM, BORE_IN = (4.0, 26.0, 0.5), (0.125, 1.0, 0.0625)  # ends and step of the slider
VOLUME_L, VOLUME_GAL = (0.0, 100.0, 1.0), (0.0, 26.0, 0.5)
FLOOR_STEP = {"bar": 0.1, "psi": 1.0, "kPa": 10.0}


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """What the address asks: a burst at a line, some of it perhaps not readable.

    Attributes
    ----------
    name : str
        Of the line's file.
    line : Line
        The line, its longest hose with the bore that is tried.
    bore_m, own_bore_m : float or None
        Bore that is tried, and that of the line's file [m]; None without a hose.
    shots, every_s : str
        As they were written.
    burst : (int, float) or None
        Shots and the time from shot to shot [s].
    floor : str
        As it was written.
    floor_pa : float or None
        Lowest pressure at which a shot may start [Pa gauge].
    volume_m3 : float or None
        Receiver that is tried [m3], where the address names one.
    problems : dict of str to str
        What is wrong with an entry, by its name.
    """

    name: str
    line: Line
    bore_m: float | None
    own_bore_m: float | None
    shots: str
    every: str
    burst: tuple[int, float] | None
    floor: str
    floor_pa: float | None
    volume_m3: float | None
    problems: dict[str, str]


def read_job(work: Work, query: Mapping[str, str], reader: Reader) -> Job:
    """Read the job that the address asks for.

    Raises
    ------
    ValueError
        If the line cannot be used, or the tried volume or bore is none.
    """
    name = query.get("line") or next(iter(work.lines()), "")
    line = work.line(name)
    burst, problems = ui.burst_of(query, SHOTS, EVERY)
    floor_text = query.get("floor") or usual_floor(line, reader)
    floor_pa: float | None = None
    try:
        floor_pa = parse_quantity(floor_text, "pressure")
        if not floor_pa > 0.0:
            floor_pa, problems["floor"] = None, "The floor is a gauge pressure above zero."
    except UnitError as problem:
        problems["floor"] = str(problem)
    at = longest_hose(line)
    own = None if at is None else line.parts[at].bore_m
    bore = own
    if own is not None and query.get("bore"):
        bore = _between("bore", parse_quantity(query["bore"], "length"), 1e-3, 0.1, "1 mm to 100 mm")
    volume = None
    if query.get("volume"):
        volume = _between("receiver", parse_quantity(query["volume"], "volume"), 0.0, LARGEST_M3, f"0 L to {LARGEST_M3 * 1e3:.0f} L")
    return Job(
        name=name,
        line=line if bore is None else with_bore(line, bore),
        bore_m=bore,
        own_bore_m=own,
        shots=query.get("shots", SHOTS),
        every=query.get("every", EVERY),
        burst=burst,
        floor=floor_text,
        floor_pa=floor_pa,
        volume_m3=volume,
        problems=problems,
    )


def _between(what: str, value: float, least: float, most: float, said: str) -> float:
    if not least <= value <= most:
        msg = f"The {what} that the address asks for is outside of what can be tried ({said})."
        raise ValueError(msg)
    return value


def usual_floor(line: Line, reader: Reader) -> str:
    """Lower end of the tool's window where it has one."""
    window = line.tool.window_pa
    return FLOORS[reader.unit] if window is None else reader.pressure(window[0])


def tried_volume(job: Job) -> float:
    """Receiver that is tried [m3]: as the address says, else the line's own, else a usual one."""
    own = job.line.receiver
    if job.volume_m3 is not None:
        return job.volume_m3
    return USUAL_M3 if own is None or own.volume_m3 is None else own.volume_m3


# The answer


def answer(job: Job, reader: Reader) -> tuple[list[str], Any]:
    """Say what the tried receiver does, and draw it beside none; a job that cannot be is refused in words, without a figure."""
    if job.burst is None or job.floor_pa is None:
        return list(job.problems.values()), None
    try:
        burst = Burst(shots=job.burst[0], every_s=job.burst[1], floor_pa=job.floor_pa)
        check_floor(job.line, burst)
    except ValueError as refusal:
        return [str(refusal)], None
    volume = tried_volume(job)
    fitted, bare = with_receiver(job.line, volume), with_receiver(job.line, 0.0)
    with_it = fire(fitted, burst, follow_s=FOLLOW_S)
    without = with_it if volume == 0.0 else fire(bare, burst, follow_s=FOLLOW_S)
    need = math.inf
    if burst.times_s[-1] <= SEARCHED_MOST_S:
        need = smallest(lambda v: with_receiver(job.line, v), burst, near_m3=volume)
    words = wording.tried(volume, with_it, without, need, burst, reader)
    curves = {"without": (without.t_s, without.tool_pa)}
    if volume:
        curves = {reader.volume(volume): (with_it.t_s, with_it.tool_pa), **curves}
    fig = line_figures.traces(curves, reader, shots_s=list(burst.times_s), floor_pa=burst.floor_pa)
    fig.update_layout(height=300)
    return words, fig


def serve_try(server: flask.Flask, work: Work) -> None:
    """Answer the sliders."""

    @server.route("/receiver/try")
    def try_out() -> flask.Response:
        query = {k: v for k, v in flask.request.args.items() if k != "unit"}
        unit = flask.request.args.get("unit", "bar")
        reader = Reader(unit if unit in UNIT_SETS else "bar")
        try:
            job = read_job(work, query, reader)
            words, fig = answer(job, reader)
            shown = {h.name: h.words for h in _handles(job, reader)}
        except (ValueError, OSError) as problem:
            words, fig, shown = [str(problem)], None, {}
        told = {"words": _paragraphs(words), "figure": fig, "shown": shown}
        return flask.Response(to_json_plotly(told), mimetype="application/json", headers={"Cache-Control": "no-store"})


def _paragraphs(words: list[str]) -> list[Any]:
    return [html.P(ui.typeset(w)) for w in words]


# The panel


@dataclass(frozen=True, slots=True, kw_only=True)
class Handle:
    """A slider: its name in the address, label, unit, value and (least, most, step) in that unit, and the value in words."""

    name: str
    label: str
    unit: str
    value: float
    ends: tuple[float, float, float]
    words: str


def panel(job: Job, reader: Reader) -> html.Section:
    """Show the sliders, and what they say."""
    words, fig = answer(job, reader)
    rows = [html.Div([html.Span([h.label, html.Output(h.words, id={"tried": h.name})]), _slider(h)]) for h in _handles(job, reader)]
    empty = figures.blank("time [s]", f"gauge pressure [{reader.unit}]", height=300)
    shown = ui.figure(empty if fig is None else fig, "Pressure at the tool during the burst", id="tried-figure")
    told = html.Div(_paragraphs(words), id="tried-words", className="tried", role="status")
    return ui.card(
        "Drag and see",
        html.Div([html.Div(rows, className="sliders"), html.Div([told, shown])], className="two"),
        note="Worked out while you drag, on coarser cells of hose; when you let go, the whole page follows.",
    )


def _handles(job: Job, reader: Reader) -> list[Handle]:
    trade = reader.unit == "psi"
    shots, every = job.burst or (int(SHOTS), parse_quantity(EVERY, "time"))
    rest = reader.pressure_value(rest_pressure(job.line))
    floor = job.floor_pa if job.floor_pa is not None else parse_quantity(FLOORS[reader.unit], "pressure")
    volume, step = tried_volume(job), FLOOR_STEP[reader.unit]
    out = [
        Handle(
            name="volume",
            label="Receiver",
            unit=reader.volume_unit,
            value=from_si(volume, reader.volume_unit),
            ends=VOLUME_GAL if trade else VOLUME_L,
            words=reader.volume(volume) if volume else "none",
        ),
        Handle(name="shots", label="Shots in the burst", unit="", value=shots, ends=(1.0, 30.0, 1.0), words=f"{shots}"),
        Handle(name="every", label="One every", unit="s", value=every, ends=(0.1, 2.0, 0.05), words=f"{every:.2f} s"),
        Handle(
            name="floor",
            label="No shot starts below",
            unit=reader.unit,
            value=reader.pressure_value(floor),
            ends=(round(0.5 * rest / step) * step, rest, step),
            words=reader.pressure(floor),
        ),
    ]
    if job.bore_m is not None:
        unit = "in" if trade else "mm"
        ends = BORE_IN if trade else BORE_MM
        bore = from_si(job.bore_m, unit)
        out.append(Handle(name="bore", label="Bore of the longest hose", unit=unit, value=bore, ends=ends, words=reader.bore(job.bore_m)))
    return out


def _slider(h: Handle) -> dmc.Slider:
    """Make a slider; what it stands at may lie outside of its usual ends, which then give way."""
    low, high, step = h.ends
    value = round(float(h.value), 4)
    return dmc.Slider(
        id={"try": h.name, "unit": h.unit, "start": value},
        value=value,
        min=round(min(low, value), 4),
        max=round(max(high, value), 4),
        step=step,
        precision=4,
        updatemode="drag",
        label=None,
        size="lg",
        thumbSize=28,
        thumbLabel=h.label,
        className="slide",
    )
