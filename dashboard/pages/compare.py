"""Before and after: whether a change helped, at equal work."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any

from dash import Dash, html

from analysis.estimate import Estimate
from analysis.record import ShotRecord
from dashboard import figures, ui, wording
from dashboard.pages.shots import curve_of
from dashboard.reader import Reader, change, seconds
from dashboard.work import Work

if TYPE_CHECKING:
    from analysis.compare import Comparison

PATH, TITLE, SHORT = "/compare", "Before and after", "Compare"
TONES = {"better": "good", "worse": "bad", "no change": "plain", "cannot tell": "unsure"}


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
    head = ui.controls(ui.choice("before", "Before", choices, before), ui.choice("after", "After", choices, after))
    if not before or not after:
        return ui.page(TITLE, head, ui.empty("Choose two sessions", "The answer appears as soon as both are chosen."), lead=lead)
    if before == after:
        return ui.page(TITLE, head, ui.empty("That is the same session twice", "Choose another one for after."), lead=lead)
    result = work.compare(before, after)
    records = {"before": result.before, "after": result.after}
    warnings = [*work.recording(before).warnings, *work.recording(after).warnings, *result.warnings]
    return ui.page(
        TITLE,
        head,
        ui.answer(wording.compare(result, reader), tone=TONES[result.verdict], sure="all intervals 95 %"),
        ui.readouts(_readouts(result)),
        _pictures(records, reader),
        _numbers(result, reader),
        ui.warnings(list(dict.fromkeys(warnings))),
        _how(),
    )


def _readouts(result: Comparison) -> list[tuple[str, str, str | None]]:
    return [
        ("Recovery, same shot", *ui.value_and_interval(result.recovery_change, change)),
        ("Dip, same shot", *ui.value_and_interval(result.dip_change, change)),
    ]


def _pictures(records: Mapping[str, ShotRecord], reader: Reader) -> html.Div | None:
    if not all(r.shots for r in records.values()):
        return None
    curves = {name: curve_of(r) for name, r in records.items()}
    points = {name: ([s.before_pa for s in r.shots], [s.dip_pa for s in r.shots]) for name, r in records.items()}
    return html.Div(
        [
            ui.card(
                "How fast each recovers",
                ui.figure(figures.recovery(curves), "Share of shots recovered against time, before and after"),
                note="Share of shots back within 90 % of their dip. Short bars: shots cut off by the next one.",
            ),
            ui.card(
                "How deep each dips",
                ui.figure(figures.dips(points, reader), "Dip of each shot against the pressure before it, before and after"),
                note="Every shot: a tool at a higher pressure takes more air, so compare at the same pressure before.",
            ),
        ],
        className="two",
    )


def _numbers(result: Comparison, reader: Reader) -> html.Section:
    def row(name: str, before: Estimate, after: Estimate, changed: Estimate, write: Callable[[float], str]) -> tuple[Any, ...]:
        return name, ui.stacked(before, write), ui.stacked(after, write), ui.stacked(changed, change)

    rows: list[tuple[Any, ...]] = [
        row("recovery", result.recovery_before_s, result.recovery_after_s, result.recovery_change, seconds),
        row("dip", result.dip_before_pa, result.dip_after_pa, result.dip_change, reader.pressure),
        ("shots compared", f"{result.used_before} of {result.shots_before}", f"{result.used_after} of {result.shots_after}", ""),
    ]
    return ui.card("In numbers", ui.table(["same shot", "before", "after", "change"], rows), note="Small: 95 % interval.")


def _how() -> html.Details:
    return ui.how(
        "Shots are compared at equal work: one and the same shot, fired on a settled line with the pump idle. Fast work cuts "
        "recoveries off; such shots count as “longer than that” (Kaplan and Meier, 1958), and the two curves are tested against "
        "each other (log-rank).",
        "The interval comes from drawing the shots again and again in the bursts in which they were fired. “Better” or “worse” is "
        "said only where the whole interval lies on one side; “no change” only where it is narrow around none.",
    )


def register(app: Dash, work: Work) -> None:
    """Nothing to connect: the address holds all choices."""
    del app, work
