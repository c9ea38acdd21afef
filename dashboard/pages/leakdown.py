"""Leak-down: is the line tight, how sure is that, and what was used of the recording."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from dash import Dash, html

from analysis.cycles import Cycles
from analysis.leak_cost import leak_cost
from analysis.leakdown import Leakdown
from analysis.shut_in import recovered_shots, why_not
from analysis.units import UnitError, from_si, parse_quantity
from dashboard import figures, ui, wording
from dashboard.reader import Reader, percent, seconds, significant
from dashboard.work import Work
from logger.open import Recording

PATH, TITLE, SHORT = "/leakdown", "Leak-down", "Leak"
RUNS_MOST = 40  # rows of the table
TONES = {"leak": "bad", "tight": "good", "cannot tell": "unsure"}


def layout(work: Work, query: Mapping[str, str], reader: Reader) -> html.Div:
    """Say whether it leaks."""
    names = [s.name for s in work.sessions()]
    if not names:
        return ui.page(TITLE, ui.no_sessions())
    name = query.get("session") or names[0]
    typed = query.get("volume", "")
    volume, problem = _volume(typed)
    recording = work.recording(name, query.get("channel"))
    head = ui.controls(
        ui.session_choice(names, name),
        ui.channel_choice(recording),
        ui.entry(
            "volume",
            "Air shut in",
            typed,
            hint=f"Tank, pipe and hoses, e.g. {'26 gal' if reader.unit == 'psi' else '100 L'}",
            error=problem,
        ),
    )
    shots = recovered_shots(work.shots(name, query.get("channel"))[0])
    if shots:
        return ui.page(TITLE, head, _work_instead(name, shots), ui.warnings(recording.warnings), _advice())
    try:
        cycles = work.cycles(name, query.get("channel"), volume)
        if why_not(0, cycles.cycles):
            return ui.page(TITLE, head, *_pump(name, recording, cycles, reader), _advice())
        leak = work.leak(name, query.get("channel"), volume)
    except ValueError as refusal:
        return ui.page(TITLE, head, ui.refused(refusal), ui.warnings(recording.warnings), _advice())
    cost = leak_cost(leak.leak_m3_per_s)
    return ui.page(
        TITLE,
        head,
        ui.answer(
            [s for s in wording.leakdown(leak, cost, reader) if not s.startswith("Left out")], tone=TONES[leak.verdict], sure=_sure(leak)
        ),
        ui.readouts(_readouts(leak, reader)),
        _picture(name, leak, reader),
        _stretches(leak),
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


def _pump(name: str, recording: Recording, cycles: Cycles, reader: Reader) -> list[Any]:
    """Answer from the pump's cycles: it was left on, and what it makes up for is what leaks."""
    sentences = [s.replace("with --volume", "with the volume of tank and pipe") for s in wording.cycles(cycles, reader)]
    runs = [(c.start_s, c.stop_s, "pump") for c in cycles.cycles if c.start_s is not None and c.stop_s is not None]
    fig = figures.recording(recording.t_s, recording.p_pa, reader, events=runs)
    readouts: list[tuple[str, str, str | None]] = [
        ("Pump runs", *ui.value_and_interval(cycles.duty, percent)),
        ("Once in", "–" if cycles.mean_period_s is None else seconds(cycles.mean_period_s), "start to start"),
        (f"Leak at {reader.pressure(cycles.reference_pa)}", *ui.value_and_interval(cycles.leak_m3_per_s, reader.flow)),
        (f"Delivery at {reader.pressure(cycles.reference_pa)}", *ui.value_and_interval(cycles.delivery_m3_per_s, reader.flow)),
    ]
    rows = [
        (
            str(i + 1),
            *["–" if t is None else f"{t:.0f}" for t in (c.start_s, c.stop_s)],
            *["–" if p is None else ui.bare(reader.pressure(p)) for p in (c.cut_in_pa, c.cut_out_pa)],
        )
        for i, c in enumerate(cycles.cycles[:RUNS_MOST])
    ]
    heads = ["run", "starts [s]", "stops [s]", f"cut-in [{reader.unit}]", f"cut-out [{reader.unit}]"]
    return [
        ui.answer(["The pump was left on; its runs tell the leak.", *sentences], sure="all intervals 95 %"),
        ui.readouts(readouts),
        ui.card(
            "The recording",
            ui.figure(fig, f"Pressure of {name} against time with the pump's runs shaded"),
            note="Grey: the pump runs.",
            className="figure-card",
        ),
        ui.card("The pump's runs", ui.table(heads, rows)),
        ui.warnings([*recording.warnings, *cycles.warnings]),
        ui.how(
            "While the pump stands, the pressure falls by the leak and by the air's cooling after the run, which fades within a minute or "
            "two; both are fitted, alike in all cycles. While it runs, the rise and the leak give its delivery.",
            "Work done meanwhile counts as a leak: record while nobody works.",
            formula="leak = −V/(R T) · dp/dt, pump standing;   delivery = V/(R T) · dp/dt + leak, pump running",
        ),
    ]


def _volume(text: str) -> tuple[float | None, str | None]:
    """Read the volume typed [m3], or say what is wrong with it."""
    if not text.strip():
        return None, None
    try:
        volume = parse_quantity(text, "volume")
    except UnitError as problem:
        return None, str(problem)
    return (volume, None) if volume > 0 else (None, "A volume must be above zero.")


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
    fig = figures.leakdown(
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


def _stretches(leak: Leakdown) -> html.Section:
    order = sorted([*leak.used, *leak.left_out], key=lambda s: s.from_s)
    kept = {id(s) for s in leak.used}
    rows = [(ui.when(s.from_s), ui.when(s.until_s), "used" if id(s) in kept else "left out", s.why) for s in order]
    return ui.card("What was used of it", ui.table(["from", "until", "use", "why"], rows, words=True))


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
