"""Receiver: the smallest one that keeps a burst above a floor, what else would help, and what it serves off the line."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
from dash import ALL, ClientsideFunction, Dash, Input, Output, State, html

from analysis.burst import Burst
from analysis.sizing import handbook_lowest
from dashboard import line_figures, try_out, ui, wording
from dashboard.reader import Reader, seconds
from dashboard.work import Work

if TYPE_CHECKING:
    from analysis.carry_off import CarryOff
    from analysis.sizing import Sizing
    from analysis.whatif import Improvement, WhatIf
    from analysis.whatif import Work as Done

PATH, TITLE, SHORT = "/receiver", "Receiver", "Receiver"


def layout(work: Work, query: Mapping[str, str], reader: Reader) -> html.Div:
    """Say how big a receiver must be, and what would do as well."""
    lines = work.lines()
    lead = "How big must a receiver near the work be, so that a burst of shots stays above a floor?"
    if not lines:
        return ui.page(TITLE, ui.no_lines(), lead=lead)
    job = try_out.read_job(work, query, reader)
    usual = try_out.usual_floor(work.line(job.name), reader)
    head = ui.controls(
        ui.choice("line", "Air line", [(n, n) for n in lines], job.name, default=next(iter(lines))),
        ui.entry("shots", "Shots in the burst", job.shots, default=try_out.SHOTS, error=job.problems.get("shots")),
        ui.entry("every", "One every", job.every, default=try_out.EVERY, error=job.problems.get("every")),
        ui.entry("floor", "No shot starts below", job.floor, default=usual, error=job.problems.get("floor")),
    )
    if job.burst is None or job.floor_pa is None:
        return ui.page(
            TITLE, head, ui.empty("One entry cannot be read", "It is marked above, with what is needed."), _cautions(()), lead=lead
        )
    try:
        sizing = work.size(job.line, *job.burst, job.floor_pa)
    except ValueError as refusal:
        return ui.page(TITLE, head, ui.refused(refusal), try_out.panel(job, reader), _cautions(()), lead=lead)
    volume = try_out.tried_volume(job) or sizing.common_m3
    burst = Burst(shots=job.burst[0], every_s=job.burst[1], floor_pa=job.floor_pa)
    return ui.page(
        TITLE,
        head,
        ui.answer(_sentences(sizing, reader), sure="by the model, not measured"),
        ui.warnings(_other_bore(job, reader)),
        ui.readouts(_readouts(sizing, reader)),
        try_out.panel(job, reader),
        html.Div([_picture(job, burst, sizing, reader), _sizes(sizing, job.floor_pa, reader)], className="two"),
        _improvements(work.what_if(job.line, *job.burst, job.floor_pa), reader),
        _carry(work, job, volume if math.isfinite(volume) else try_out.USUAL_M3, query.get("filled", ""), reader),
        _cautions(sizing.cautions),
        _how(sizing, reader),
        lead=lead,
    )


def _sentences(sizing: Sizing, reader: Reader) -> list[str]:
    """Say the answer; what the page shows in places of its own is left out."""
    return [s for s in wording.sizing(sizing, reader) if not s.startswith((" ", "Mind:", "Instead:", "The handbook", "Filling"))]


def _other_bore(job: try_out.Job, reader: Reader) -> list[str]:
    if job.bore_m is None or job.own_bore_m is None or job.bore_m == job.own_bore_m:
        return []
    return [f"All of this page is for a longest hose of {reader.bore(job.bore_m)}; the line's file says {reader.bore(job.own_bore_m)}."]


def _readouts(sizing: Sizing, reader: Reader) -> list[tuple[str, str, str | None]]:
    back = _time(sizing.recovery_s)
    if not sizing.receiver_m3:
        return [
            ("Smallest receiver", "none", "the line alone holds the floor"),
            ("Lowest before a shot", reader.pressure(sizing.lowest_pa), "without a receiver"),
            ("Handbook formula", reader.volume(sizing.handbook_m3), "receiver alone feeds the burst"),
            ("Back after the burst", back, "90 % of the sag"),
        ]
    value, interval = ui.value_and_interval(sizing.interval_m3, reader.volume)
    full = f"receiver full again after {seconds(sizing.refill_s)}" if math.isfinite(sizing.refill_s) else "90 % of the sag"
    return [
        ("Smallest receiver", value, interval),
        ("Next that is sold", reader.volume(sizing.common_m3) if math.isfinite(sizing.common_m3) else "none", "usual sizes"),
        ("Handbook formula", reader.volume(sizing.handbook_m3), "receiver alone feeds the burst"),
        ("Back after the burst", back, full),
        ("First filling", seconds(sizing.fill_s) if math.isfinite(sizing.fill_s) else "over 10 min", "to 95 %, with the line"),
    ]


def _time(t_s: float, *, most: str = "over 15 s") -> str:
    return seconds(t_s) if math.isfinite(t_s) else most


def _picture(job: try_out.Job, burst: Burst, sizing: Sizing, reader: Reader) -> html.Section:
    points = [(c.volume_m3, c.lowest_pa) for c in sizing.candidates]
    if sizing.receiver_m3:
        points.append((sizing.receiver_m3, sizing.lowest_pa))
    volumes = np.linspace(0.3 * sizing.handbook_m3, max(v for v, _ in points), 80)
    fig = line_figures.sizing(
        [v for v, _ in points],
        [p for _, p in points],
        reader,
        floor_pa=burst.floor_pa,
        chosen_m3=(sizing.receiver_m3, sizing.interval_m3.low, sizing.interval_m3.high) if sizing.receiver_m3 else None,
        handbook=(volumes, handbook_lowest(job.line, burst, sizing.receiver_rest_pa, volumes)),
    )
    return ui.card(
        "Pressure against volume",
        ui.figure(fig, "Lowest pressure at a shot against the receiver's volume, by the model and by the handbook"),
        note=sizing.why,
        className="figure-card",
    )


def _table(sizing: Sizing, floor_pa: float, reader: Reader) -> html.Section:
    rows = [
        (
            ui.bare(reader.volume(c.volume_m3)) if c.volume_m3 else "none",
            "yes" if c.lowest_pa >= floor_pa else "no",
            ui.bare(reader.pressure(c.lowest_pa)),
            ui.bare(reader.pressure(c.minimum_pa)),
            ui.bare(seconds(c.recovery_s)) if math.isfinite(c.recovery_s) else "over 15",
        )
        for c in sizing.candidates
    ]
    u = reader.unit
    heads = [f"receiver [{reader.volume_unit}]", "holds the floor", f"lowest before a shot [{u}]", f"lowest of all [{u}]", "back after [s]"]
    return ui.card("Sizes that are sold", ui.table(heads, rows))


def _sizes(sizing: Sizing, floor_pa: float, reader: Reader) -> html.Div:
    return html.Div([_table(sizing, floor_pa, reader), _instead(sizing, reader)], className="page")


def _instead(sizing: Sizing, reader: Reader) -> html.Section | None:
    """Say which receiver other changes would leave."""
    if not sizing.alternatives:
        return None
    rows = [[_capital(x) for x in wording.alternative(a, reader)] for a in sizing.alternatives]
    return ui.card("The same job, done otherwise", ui.table(["with", "receiver"], rows, words=True))


# What each improvement would buy


def _improvements(found: WhatIf, reader: Reader) -> html.Section:
    rows = [("the line as it is", *_done(found.now, found.now.lowest_pa, reader), "")]
    rows += [_improvement(x, found, reader) for x in found.improvements]
    heads = [
        "change",
        f"lowest start [{reader.unit}]",
        "holds the floor",
        f"dip of a shot [{reader.unit}]",
        "back after [s]",
        "tool full after [s]",
        "ratings",
    ]
    return ui.card(
        "What each improvement would buy",
        ui.table(heads, rows),
        *[html.P(note, className="note") for note in wording.WHAT_IF_NOTES],
        note="For this burst, what raises its lowest start most stands first; dip and times are of a single shot on the line at rest.",
        className="changes",
    )


def _improvement(x: Improvement, found: WhatIf, reader: Reader) -> tuple[Any, ...]:
    notes = wording.rating_notes(x, reader)
    ratings = html.Span("; ".join(notes), className="broken" if x.broken else None) if notes else "as before"
    return (_capital(wording.change_of_line(x.change, reader)), *_done(x.work, found.now.lowest_pa, reader), ratings)


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _done(done: Done, now_pa: float, reader: Reader) -> tuple[Any, ...]:
    gain = reader.pressure_value(done.lowest_pa - now_pa)
    return (
        [
            ui.bare(reader.pressure(done.lowest_pa)),
            html.Small(ui.typeset(f"{gain:+.{reader.places}f}")) if done.lowest_pa != now_pa else None,
        ],
        "yes" if done.holds else "no",
        ui.bare(reader.pressure(done.dip_pa)),
        ui.bare(seconds(done.recovery_s)) if math.isfinite(done.recovery_s) else "over 6",
        ui.bare(seconds(done.refilled_s)) if math.isfinite(done.refilled_s) else "over 6",
    )


# Off the line


def _carry(work: Work, job: try_out.Job, volume_m3: float, filled: str, reader: Reader) -> html.Section:
    """Say what the receiver serves besides the tool, and whether a recorded filling took as long as it should."""
    sessions = [("", "none"), *[(s.name, s.name) for s in work.sessions()]]
    choices = ui.controls(ui.choice("filled", "Recorded filling", sessions, filled))
    try:
        found: CarryOff = work.carry_off(job.line, volume_m3)
    except ValueError as refusal:
        return ui.card("Off the line", html.P(str(refusal)))
    confirmed: list[Any] = []
    if filled:
        try:
            confirmed = [html.P(ui.typeset(wording.fill_check(work.filling(filled, job.line, volume_m3), reader)))]
        except (ValueError, OSError) as refusal:
            confirmed = [html.P(str(refusal))]
    return ui.card(
        "Off the line",
        ui.readouts(
            [
                ("Filled in", _time(found.fill_s, most="over 10 min"), f"{reader.volume(volume_m3)} from empty, to 95 %"),
                ("Tyres", *_draws(found.tyres.value, found.tyres.low, found.tyres.high)),
                ("Brads", *_draws(found.brads.value, found.brads.low, found.brads.high)),
                ("Shots of this tool", *_draws(found.shots.value, found.shots.low, found.shots.high)),
            ]
        ),
        *[html.P(s) for s in wording.carry_off(found, None, reader)[1:]],
        choices,
        *confirmed,
        *[html.P(note, className="note") for note in wording.CARRY_NOTES],
    )


def _draws(value: float | None, low: float | None, high: float | None) -> tuple[str, str]:
    return f"{value or 0.0:.0f}", f"between {low or 0.0:.0f} and {high or 0.0:.0f}"


def _cautions(more: tuple[str, ...]) -> html.Aside:
    return ui.cautions("rated", "vessel", "whip", "eyes", "limits", more=more) if not more else ui.cautions("limits", more=more)


def _how(sizing: Sizing, reader: Reader) -> html.Details:
    ends = [f"{name}: {_ends(low, high, reader)}" for name, low, high in sizing.rests_on]
    return ui.how(
        "The burst is fired at the line in the model with one receiver after another, from the worst moment: the tank stands at "
        f"cut-in. At rest the tool then has {reader.pressure(sizing.settled_pa)}. A line that has a receiver gets the new volume "
        "there; else it stands ahead of the last hose where there are two, or ahead of the tool's coupler.",
        f"{sizing.why} In the formula T C is the free air of the burst, p_a 100 kPa, p₁ the pressure at rest and p₂ the floor.",
        "The interval: each input that is not known exactly is set to its two ends, the receiver sized again, and the changes added in "
        f"quadrature. Receivers at the two ends: {'; '.join(ends)}. Lengths and bores are taken as the file says.",
        formula="handbook: V = T C p_a / (p₁ − p₂)",
    )


def _ends(low_m3: float, high_m3: float, reader: Reader) -> str:
    said = ["none is enough" if math.isnan(v) else reader.volume(v) if v else "none needed" for v in (low_m3, high_m3)]
    return " and ".join(said)


def register(app: Dash, work: Work) -> None:
    """Connect the sliders; all else is in the address."""
    try_out.serve_try(app.server, work)
    app.clientside_callback(
        ClientsideFunction("farend", "try_out"),
        Output("nothing", "data", allow_duplicate=True),
        Input({"try": ALL, "unit": ALL, "start": ALL}, "value"),
        State({"try": ALL, "unit": ALL, "start": ALL}, "id"),
        State("unit", "value"),
        prevent_initial_call=True,
    )
