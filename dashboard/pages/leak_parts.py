"""Parts of the Leak-down page beside its answer: what was used and can be changed, cost, plan, segments, and the pump's runs."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

from dash import html

from analysis.cycles import Cycles
from analysis.leak_cost import HOURS_PER_YEAR, SPECIFIC_POWER_J_PER_M3, TARIFF_PER_KWH, LeakCost, leak_cost
from analysis.leak_plan import plan_leakdown
from analysis.leak_segments import SegmentTest, leak_by_segment, stated_open
from analysis.leakdown import Leakdown
from analysis.units import significant
from dashboard import leak_answers, leak_choices, leak_figures, recording_figures, ui, wording
from dashboard.reader import Reader, percent, seconds, share_of_time
from dashboard.work import Work
from dashboard.zoom import curve
from logger.long import LongRecording
from logger.open import Recording

RUNS_MOST: Final = 40  # rows of the table
J_PER_KWH: Final = 3.6e6  # exact
USUAL_KWH_PER_M3: Final = f"{SPECIFIC_POWER_J_PER_M3 / J_PER_KWH:.3f}"
FIXED: Final = ("gap in", "empty", "too short")  # stretches that cannot be used whatever the reader wants


def stretches(path: str, query: Mapping[str, str], leak: Leakdown) -> html.Section:
    """Show what was used and what was not, each with the link that changes it."""
    out, problem = leak_choices.stretches(query.get("out", ""))
    use, _ = leak_choices.stretches(query.get("use", ""))
    kept = {id(s) for s in leak.used}
    rows = []
    for s in sorted([*leak.used, *leak.left_out], key=lambda s: s.from_s):
        here = (s.from_s, s.until_s)
        if id(s) in kept:
            word, change = (
                "leave out",
                {"out": leak_choices.write((*out, here)), "use": leak_choices.write(leak_choices.without(use, *here))},
            )
        elif "left out by you" in s.why:
            word, change = "take it back", {"out": leak_choices.write(leak_choices.without(out, *here))}
        else:
            word, change = "use it all the same", {"use": leak_choices.write((*use, here))}
        link = None if s.why.startswith(FIXED) else ui.link(path, {**query, **change}, word, "link")
        rows.append((ui.when(s.from_s), ui.when(s.until_s), ["used " if id(s) in kept else "left out ", link], s.why))
    back = ui.link(path, {**query, "out": "", "use": ""}, "As farend found it") if out or use else None
    return ui.card(
        "What was used of it",
        ui.table(["from", "until", "use", "why"], rows, words=True),
        ui.controls(
            ui.entry(
                "out", "Leave out as well", query.get("out", ""), hint="Minutes of the recording, e.g. 120-135, 300-310", error=problem
            )
        ),
        back,
    )


def cost_of(query: Mapping[str, str], leak: Leakdown) -> LeakCost:
    """Price the leak with what the reader put in."""
    hours = min(leak_choices.number(query.get("hours", ""), HOURS_PER_YEAR).value or 0.0, 8784.0)
    return leak_cost(
        leak.leak_m3_per_s,
        tariff_per_kwh=leak_choices.number(query.get("tariff", ""), TARIFF_PER_KWH).value or 0.0,
        specific_power_j_per_m3=J_PER_KWH * (leak_choices.number(query.get("energy", ""), float(USUAL_KWH_PER_M3)).value or 0.0),
        hours=hours,
    )


def cost_card(query: Mapping[str, str], leak: Leakdown, cost: LeakCost) -> html.Section | None:
    """Show what the leak costs, and what that rests on."""
    if leak.leak_m3_per_s.value is None or leak.verdict != "leak":
        return None
    typed = leak_choices.quantity(query.get("delivery", ""), "flow")
    values: list[tuple[str, str, str | None]] = [
        ("A year", *ui.value_and_interval(cost.per_year, lambda x: significant(x, 2))),
        ("Electricity", *ui.value_and_interval(cost.energy_kwh, lambda x: f"{significant(x, 2)} kWh")),
    ]
    if typed.value is not None:
        delivers = typed.value
        values.append(("Of what the compressor delivers", *ui.value_and_interval(leak.leak_m3_per_s.map(lambda q: q / delivers), percent)))
    return ui.card(
        "What it costs",
        ui.readouts(values),
        ui.controls(
            _plain(query, "tariff", "Price of a kWh", f"{TARIFF_PER_KWH:.2f}", "In your currency"),
            _plain(query, "energy", "kWh for a m³ of free air", USUAL_KWH_PER_M3, "0.1 is usual for small compressors"),
            _plain(query, "hours", "Hours a year under pressure", f"{HOURS_PER_YEAR:.0f}", "8760 when it is never shut off"),
            ui.entry("delivery", "Compressor delivers", query.get("delivery", ""), hint="Free air, e.g. 240 L/min", error=typed.problem),
        ),
        note="In the tariff's currency. The usual figures are common practice; put in your own.",
    )


def _plain(query: Mapping[str, str], name: str, label: str, default: str, hint: str) -> Any:
    text = query.get(name, "")
    return ui.entry(name, label, text or default, default=default, hint=hint, error=leak_choices.number(text, float(default)).problem)


def plan_card(query: Mapping[str, str], volume_m3: float | None, reader: Reader) -> html.Section:
    """Say how long to leave a line shut in, so that a leak of a given size shows."""
    text = query.get("must_show", "0.01 L/s")
    typed = leak_choices.quantity(text, "flow")
    asked = ui.controls(
        ui.entry("must_show", "Leak that must show", text, default="0.01 L/s", hint="Free air, e.g. 0.002 L/s", error=typed.problem)
    )
    if volume_m3 is None:
        return ui.card("How long to leave it next time", html.P("Put in the air that is shut in, above."), asked, className="hint")
    if typed.value is None:
        return ui.card("How long to leave it next time", asked)
    plan = plan_leakdown(volume_m3, typed.value)
    words = [html.P(s) for s in wording.leak_plan(plan, typed.value, reader) if not s.startswith("  ")]
    rows = [(f"{hours:g} h", reader.flow(flow)) for hours, flow in plan.smallest]
    return ui.card("How long to leave it next time", *words, asked, ui.table(["a recording of", "least leak that would show"], rows))


def segment_card(work: Work, names: Sequence[str], query: Mapping[str, str], name: str, reader: Reader) -> html.Section:
    """Share the leak out over segments, from this session and up to two others with other valves shut."""
    text = query.get("segments", "")
    volumes, problem = leak_choices.segments(text)
    others = [n for n in (query.get("second", ""), query.get("third", "")) if n]
    sessions = [name, *others]
    opened = [_opened(work, query, i, n) for i, n in enumerate(sessions)]
    problems = [leak_choices.unknown(o, tuple(volumes)) if volumes else None for o in opened]
    choices = [("", "none"), *[(n, n) for n in names if n != name]]
    head = ui.controls(
        ui.entry("segments", "Segments, from the supply on", text, hint="e.g. tank = 50 L, hose = 3 L", error=problem),
        ui.choice("second", "Second test", choices, query.get("second", "")),
        ui.choice("third", "Third test", choices, query.get("third", "")),
        *[
            ui.entry(f"open{i + 1}", f"Open in {n}", ", ".join(o), hint="e.g. tank, hose", error=p)
            for i, (n, o, p) in enumerate(zip(sessions, opened, problems, strict=True))
            if len(sessions) > 1
        ],
    )
    body: list[Any] = []
    if len(sessions) > 1 and volumes and all(opened) and not any(problems):
        body = _shared_out(work, sessions, opened, volumes, reader)
    return ui.card(
        "Which part leaks?",
        *(body or [html.P("Shut one valve after another, record each time, and name the parts that were open in each recording.")]),
        head,
        className="" if body else "hint",
    )


def _opened(work: Work, query: Mapping[str, str], i: int, name: str) -> tuple[str, ...]:
    return leak_choices.names(query.get(f"open{i + 1}", "")) or stated_open(work.opened(name).marks)


def _shared_out(
    work: Work, sessions: Sequence[str], opened: Sequence[tuple[str, ...]], volumes: Mapping[str, float], reader: Reader
) -> list[Any]:
    try:
        judged = [work.leak(n, None, sum(volumes[o] for o in open_)) for n, open_ in zip(sessions, opened, strict=True)]
        tests = [SegmentTest(name=n, open=o, leak_m3_per_s=j.leak.leak_m3_per_s) for n, o, j in zip(sessions, opened, judged, strict=True)]
        found = leak_by_segment(tuple(volumes), tests)
    except ValueError as refusal:
        return [ui.refused(refusal)]
    words = leak_answers.segments_words(found, judged[0].leak.reference_pa, reader)
    rows = [
        (" and ".join(s.segments), ui.stacked(s.leak_m3_per_s, reader.flow), "–" if s.share.value is None else ui.stacked(s.share, percent))
        for s in found.shares
    ]
    return [
        *[html.P(s) for s in words if not s.startswith("  ")],
        ui.figure(leak_figures.shares(found, reader), "Leak of each segment with its interval"),
        ui.table(["segment", "leak", "share"], rows),
        ui.warnings(found.warnings),
    ]


def pump(name: str, recording: Recording | LongRecording, cycles: Cycles, reader: Reader) -> list[Any]:
    """Answer from the pump's cycles: it was left on, and what it makes up for is what leaks."""
    sentences = [s.replace("with --volume", "with the volume of tank and pipe") for s in wording.cycles(cycles, reader)]
    runs = [(c.start_s, c.stop_s, "pump") for c in cycles.cycles if c.start_s is not None and c.stop_s is not None]
    fig = recording_figures.recording(*curve(recording, None), reader, whole_s=recording.span_s, events=runs)
    readouts: list[tuple[str, str, str | None]] = [
        ("Pump runs", *ui.value_and_interval(cycles.duty, share_of_time)),
        ("Once in", "–" if cycles.mean_period_s is None else seconds(cycles.mean_period_s), "start to start"),
        (f"Leak at {reader.pressure(cycles.reference_pa)}", *ui.value_and_interval(cycles.leak_m3_per_s, reader.flow)),
        ("Leak by share of time", *ui.value_and_interval(cycles.leak_by_time_m3_per_s, reader.flow)),
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
    more = len(cycles.cycles) - RUNS_MOST
    return [
        ui.answer(["The pump was left on; its runs tell the leak.", *sentences], sure="all intervals 95 %"),
        ui.readouts(readouts),
        ui.card(
            "The recording",
            ui.figure(fig, f"Pressure of {name} against time with the pump's runs shaded"),
            note="Grey: the pump runs.",
            className="figure-card",
        ),
        ui.card(
            "Run by run",
            ui.figure(leak_figures.runs(cycles), "Time on load and time idle of each cycle"),
            note="Time on load and idle of each cycle: idle times that grow shorter are a leak, or work, that grows.",
            className="figure-card",
        )
        if len(cycles.cycles) > 2
        else None,
        ui.card("The pump's runs", ui.table(heads, rows), note=f"The first {RUNS_MOST}; {more} more follow." if more > 0 else None),
        ui.warnings([*recording.warnings, *cycles.warnings]),
        ui.how(
            "While the pump stands, the pressure falls by the leak and by the air's cooling after the run, which fades within a minute or "
            "two; both are fitted, alike in all cycles. While it runs, the rise and the leak give its delivery.",
            "By the share of time, all that the pump delivers is lost again: that counts work as well, so the two agree only when nobody "
            "works.",
            formula="leak = −V/(R T) · dp/dt, pump standing;   delivery = V/(R T) · dp/dt + leak, pump running",
        ),
    ]
