"""Leak-down: is the line tight, how sure is that, and what was used of the recording."""

from __future__ import annotations

from collections.abc import Mapping

from dash import Dash, html

from analysis.leakdown import Leakdown
from analysis.units import from_si, significant
from dashboard import leak_choices, leak_figures, ui, wording
from dashboard.job_card import working
from dashboard.pages import leak_parts
from dashboard.reader import Reader, seconds
from dashboard.shot_parts import recording_figure
from dashboard.underway import StillWorkingError
from dashboard.work import Work

PATH, TITLE, SHORT = "/leakdown", "Leak-down", "Leak"
TONES = {"leak": "bad", "tight": "good", "cannot tell": "unsure"}


def layout(work: Work, query: Mapping[str, str], reader: Reader) -> html.Div:
    """Say whether it leaks."""
    names = [s.name for s in work.sessions()]
    if not names:
        return ui.page(TITLE, ui.no_sessions())
    name = query.get("session") or names[0]
    typed = leak_choices.quantity(query.get("volume", ""), "volume")
    recording = work.opened(name, query.get("channel"))
    head = ui.controls(
        ui.session_choice(names, name),
        ui.channel_choice(recording),
        ui.entry(
            "volume",
            "Air shut in",
            query.get("volume", ""),
            hint=f"Tank, pipe and hoses, e.g. {'26 gal' if reader.unit == 'psi' else '100 L'}",
            error=typed.problem,
        ),
    )
    out, _ = leak_choices.stretches(query.get("out", ""))
    use, _ = leak_choices.stretches(query.get("use", ""))
    try:
        judged = work.leak_behind(name, query.get("channel"), typed.value, leave_out=out, use=use)
        if judged.shots:
            return ui.page(TITLE, head, _work_instead(name, judged.shots), ui.warnings(recording.warnings), _advice())
        if judged.pumped:
            cycles = work.cycles(name, query.get("channel"), typed.value)
            return ui.page(TITLE, head, *leak_parts.pump(name, recording, cycles, reader), _advice())
    except StillWorkingError as under_way:
        fig = ui.figure(recording_figure(recording, None, reader, None, None), f"Pressure of {name} against time")
        trace = ui.card("The recording", fig, className="figure-card")
        return ui.page(
            TITLE, head, working(recording, under_way.job, "Working out the leak-down"), trace, ui.warnings(recording.warnings), _advice()
        )
    except ValueError as refusal:
        again = ui.link(PATH, {**query, "out": "", "use": ""}, "As farend found it") if out or use else None
        return ui.page(TITLE, head, ui.refused(refusal), again, ui.warnings(recording.warnings), _advice())
    leak = judged.leak
    cost = leak_parts.cost_of(query, leak)
    return ui.page(
        TITLE,
        head,
        ui.answer(
            [s for s in wording.leakdown(leak, cost, reader) if not s.startswith("Left out")], tone=TONES[leak.verdict], sure=_sure(leak)
        ),
        ui.readouts(_readouts(leak, reader)),
        _picture(name, leak, reader),
        leak_parts.stretches(PATH, query, leak),
        leak_parts.cost_card(query, leak, cost),
        leak_parts.segment_card(work, names, query, name, reader),
        leak_parts.plan_card(query, typed.value, reader),
        ui.warnings([*recording.warnings, *leak.warnings]),
        _advice(),
        _how(leak, reader),
    )


def _work_instead(name: str, shots: int) -> html.Section:
    """Say that a recording of work tells nothing of leaks, and what would."""
    sentences = [
        f"This recording cannot tell whether the line leaks: it shows work, {shots} shots.",
        "For a leak-down fill the line, shut the supply, leave the tools alone, and record for an hour or overnight.",
    ]
    return html.Div([ui.answer(sentences, tone="unsure"), ui.link("/shots", {"session": name}, "See its shots")], className="page")


def _sure(leak: Leakdown) -> str:
    basis = "temperature was recorded" if leak.temperature == "measured" else "no temperature was recorded"
    return f"{basis}, all intervals 95 %"


def _readouts(leak: Leakdown, reader: Reader) -> list[tuple[str, str, str | None]]:
    def per_hour(pa_per_s: float) -> str:
        return f"{significant(reader.pressure_value(pa_per_s) * 3600.0, 3)} {reader.unit}/h"

    fall = ("Fall at the start, steady temperature", *ui.value_and_interval(leak.fall_start_pa_per_s, per_hour))
    if leak.volume_m3 is None:
        return [fall, ("Pressure halves in", *ui.value_and_interval(leak.half_time_s, seconds))]
    return [
        (f"Leak at {reader.pressure(leak.reference_pa)}", *ui.value_and_interval(leak.leak_m3_per_s, reader.flow)),
        ("Hole of that size", *ui.value_and_interval(leak.hole_m, lambda d: f"{significant(from_si(d, 'mm'), 3)} mm")),
        fall,
        ("Least leak that would have shown", reader.flow(leak.smallest_detectable_m3_per_s or 0.0), "in this recording"),
    ]


def _picture(name: str, leak: Leakdown, reader: Reader) -> html.Section:
    fig = leak_figures.leakdown(
        leak.t_s,
        leak.p_pa,
        reader,
        corrected_pa=leak.p_corrected_pa if leak.temperature == "measured" else None,
        fitted_pa=leak.p_model_pa,
        left_out=[(s.from_s, s.until_s, s.why) for s in leak.left_out],
    )
    return ui.card(
        "The recording and the fit",
        ui.figure(fig, f"Pressure of {name} against time, with the fitted leak and what was left out"),
        note="Grey: left out, with the reason below." if leak.left_out else None,
        className="figure-card",
    )


def _advice() -> html.Aside:
    return ui.cautions("whip")


def _how(leak: Leakdown, reader: Reader) -> html.Details:
    lag = "" if leak.lag_s is None else f" The air follows the thermometer with a lag of about {seconds(leak.lag_s)}."
    volume = "not given, so only rates are known" if leak.volume_m3 is None else reader.volume(leak.volume_m3)
    return ui.how(
        "The mass of air shut in is fitted, not its pressure: a cooling tank loses pressure without losing air. The leak is a small hole "
        f"that flows by ISO 6358, choked above about twice the ambient pressure and less below.{lag}",
        f"Air shut in: {volume}. Critical pressure ratio {leak.critical_ratio:g}. What is left after the fit is slow, not random from "
        "reading to reading; it is modelled as such, which widens the interval to an honest width.",
        "Free air is ISO 8778 (100 kPa, 20 °C, 65 % humidity). The hole is that of an ideal nozzle.",
        formula="m = p V / (R T);   dm/dt = −ρ₀ C p √(T₀/T) φ(p_amb / p)",
    )


def register(app: Dash, work: Work) -> None:
    """Nothing to connect: the address holds all choices."""
    del app, work
