"""Before and after: whether a change helped, at equal work."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
from dash import Dash, html

from analysis.estimate import Estimate
from dashboard import compare_words, shot_figures, ui, wording
from dashboard.job_card import working
from dashboard.reader import Reader, change, finer_seconds
from dashboard.underway import StillWorkingError
from dashboard.work import Work
from logger.long import LongRecording

if TYPE_CHECKING:
    from analysis.compare import Comparison
    from analysis.settled import Settled

PATH, TITLE, SHORT = "/compare", "Before and after", "Compare"
TONES = {"better": "good", "worse": "bad", "no change": "plain", "cannot tell": "unsure"}
NO_LINE = "-"  # in the address: no line, also where the session names one


def layout(work: Work, query: Mapping[str, str], reader: Reader) -> html.Div:
    """Say whether it helped."""
    names = [s.name for s in work.sessions()]
    lead = "Two sessions of the same tool on the same work: one before a change to the line, one after."
    if len(names) < 2:
        return ui.page(
            TITLE,
            ui.empty(
                "Two sessions are needed", "Record or bring in one before the change and one after.", ("Bring in a file", "/sessions")
            ),
            lead=lead,
        )
    before = query.get("before", "")
    after = query.get("after", "")
    choices = [("", "choose one"), *[(n, n) for n in names]]
    head = [ui.choice("before", "Before", choices, before), ui.choice("after", "After", choices, after)]
    if not before or not after:
        return ui.page(
            TITLE, ui.controls(*head), ui.empty("Choose two sessions", "The answer appears as soon as both are chosen."), lead=lead
        )
    if before == after:
        return ui.page(TITLE, ui.controls(*head), ui.empty("That is the same session twice", "Choose another one for after."), lead=lead)
    asked = [(query[side], query.get(f"sensor_{side}")) for side in ("before", "after")]
    opened = [work.opened(*each) for each in asked]
    head += [ui.channel_choice(r, f"sensor_{side}", f"Sensor {side}") for side, r in zip(("before", "after"), opened, strict=True)]
    try:
        result = work.compare(*asked)
    except StillWorkingError as under_way:
        long = next(r for r in opened if isinstance(r, LongRecording))
        return ui.page(TITLE, ui.controls(*head), working(long, under_way.job, "Comparing the two"), lead=lead)
    recordings = [work.recording(*each) for each in asked]
    sides = {"before": result.before, "after": result.after}
    noted = [f"“{r.name}”: {warning}" for r in recordings for warning in r.warnings]
    warnings = [*noted, *result.warnings]
    return ui.page(
        TITLE,
        ui.controls(*head),
        ui.answer(wording.compare(result, reader), tone=TONES[result.verdict], sure="all intervals 95 %"),
        ui.readouts(_readouts(result)) if result.dip_change.value is not None else None,
        _pictures(result, sides, reader),
        html.Div([_numbers(result, reader), _matched(result)], className="two")
        if result.dip_change.value is not None
        else _matched(result),
        _checks(result, reader),
        _prediction(work, query, result, recordings[0].channel, reader),
        ui.warnings(list(dict.fromkeys(warnings))),
        _how(result),
    )


def _readouts(result: Comparison) -> list[tuple[str, str, str | None]]:
    return [
        ("Recovery, same shot", *ui.value_and_interval(result.recovery_change, change)),
        ("Dip, same shot", *ui.value_and_interval(result.dip_change, change)),
        ("Shots compared", f"{result.before.used} and {result.after.used}", "fired on a settled line"),
    ]


def _pictures(result: Comparison, sides: Mapping[str, Settled], reader: Reader) -> html.Div | None:
    if not all(s.used for s in sides.values()):
        return None
    curves = {name: s.curve() for name, s in sides.items()}
    shares = {name: (c.time, c.share, s.time_s[~s.ended]) for (name, s), c in zip(sides.items(), curves.values(), strict=True)}
    bands = {name: (c.low, c.high) for name, c in curves.items()}
    return html.Div(
        [
            ui.card(
                "How fast each recovers",
                ui.figure(
                    shot_figures.recovery(shares, bands=bands), "Share of shots recovered against time, before and after, with bands"
                ),
                note="Of the shots compared, the share back within 90 % of their dip. Bands: 95 %. Short bars: cut off by the next one."
                + ("" if result.supply_shift.value is None else " As they were seen: the numbers have the supply taken out."),
            ),
            ui.card(
                "How deep each dips",
                ui.figure(
                    shot_figures.dips(
                        {name: _points(s, used=True) for name, s in sides.items()},
                        reader,
                        faint={name: _points(s, used=False) for name, s in sides.items()},
                    ),
                    "Dip of each shot against the pressure before it, before and after",
                ),
                note="Strong: the shots compared. Faint: those left out. A tool at a higher pressure takes more air.",
            ),
        ],
        className="two",
    )


def _points(side: Settled, *, used: bool) -> tuple[Any, Any]:
    """Pressure before and dip [Pa] of the shots that are compared, or of the others."""
    chosen = np.zeros(len(side.record.shots), dtype=bool)
    chosen[side.index] = True
    shots = [s for s, c in zip(side.record.shots, chosen, strict=True) if c == used]
    return [s.before_pa for s in shots], [s.dip_pa for s in shots]


def _numbers(result: Comparison, reader: Reader) -> html.Section:
    def row(name: str, before: Estimate, after: Estimate, changed: Estimate, write: Callable[[float], str]) -> tuple[Any, ...]:
        return name, ui.stacked(before, write), ui.stacked(after, write), ui.stacked(changed, change)

    rows: list[tuple[Any, ...]] = [
        row("recovery", result.recovery_before_s, result.recovery_after_s, result.recovery_change, finer_seconds),
        row("dip", result.dip_before_pa, result.dip_after_pa, result.dip_change, reader.pressure),
    ]
    return ui.card("In numbers", ui.table(["same shot", "before", "after", "change"], rows), note="Small: 95 % interval.")


def _matched(result: Comparison) -> html.Section:
    return ui.card("Which shots were matched", ui.table(["shots", "before", "after"], compare_words.left_out(result)))


def _checks(result: Comparison, reader: Reader) -> html.Section | None:
    found = compare_words.checks(result, reader)
    if not found:
        return None
    rows = [html.Div([html.Dt(name), html.Dd(ui.typeset(said))]) for name, said in found]
    return ui.card("Why you can believe this", html.Dl(rows, className="checks"))


def _prediction(work: Work, query: Mapping[str, str], result: Comparison, channel: str, reader: Reader) -> html.Section | None:
    """Choose the lines as they were and as they are; the model's change beside the measured one."""
    kept = list(work.lines())
    if not kept:
        return None
    chosen = {side: query.get(f"line_{side}") or work.line_of(query[side]) or NO_LINE for side in ("before", "after")}
    choices = [(NO_LINE, "choose one"), *[(n, n) for n in kept]]
    head = ui.controls(
        ui.choice("line_before", "Line before", choices, chosen["before"], default=NO_LINE),
        ui.choice("line_after", "Line after", choices, chosen["after"], default=NO_LINE),
    )
    body: list[Any] = []
    note = "Choose the air line as it was and as it is: the model fires the same shot at both."
    if chosen["before"] == chosen["after"] != NO_LINE and not any(query.get(f"line_{side}") for side in chosen):
        # Both sessions name the one line that is kept: that is no prediction of a change.
        note = "Both sessions name the same air line. Choose the line as it is after the change, described on the page Setup."
    elif NO_LINE not in chosen.values():
        try:
            expected = work.predict(work.line(chosen["before"]), work.line(chosen["after"]))
        except ValueError as problem:
            body = [ui.refused(problem)]
        else:
            rows = compare_words.prediction_rows(expected, reader, ui.stacked)
            words = compare_words.prediction_words(result, expected, channel, reader)
            body = [ui.table(["by the model", "before", "after", "change"], rows), *[html.P(ui.typeset(w)) for w in words]]
    return ui.card("What the line model expects", head, *body, note=note, className="prediction")


def _how(result: Comparison) -> html.Details:
    return ui.how(
        "Shots are compared at equal work: one and the same shot, fired on a settled line, the pump idle or behind a regulator. Fast work "
        "cuts recoveries off; such shots count as “longer than that” (Kaplan and Meier, 1958). " + compare_words.log_rank(result),
        "The change in recovery is the ratio of the two typical recoveries by a log-normal model that takes the cut-off shots in "
        "(maximum likelihood); the change in dip is the ratio of geometric means at one starting pressure. What the pace of the work "
        "does is read from the shots of each day by regression, and taken out.",
        "The interval comes from drawing the shots again and again in the bursts in which they were fired (300 times), together with "
        "what matching leaves uncertain, 0.6 % a side that more shots do not reduce, and 1 % of a recovery for the weather. “Better” or "
        "“worse” is said only where the change is 5 % or more and the whole interval lies beyond 3.5 %, which a day 20 degrees warmer can "
        "do; “no change” only where it is narrow around none.",
        formula="change = exp( mean ln x(after) − mean ln x(before) ) − 1",
    )


def register(app: Dash, work: Work) -> None:
    """Nothing to connect: the address holds all choices."""
    del app, work
