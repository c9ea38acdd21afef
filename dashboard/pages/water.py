"""Water: how much comes in with the air, where it falls out, whether any forms before the tool, and when to drain."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from typing import Final

from dash import Dash, html

from analysis.desiccant import ISOTHERMS
from analysis.line import Line
from analysis.units import UnitError, parse_quantity, significant
from analysis.water import USUAL_SHOTS_PER_DAY, Place, WaterBalance
from analysis.water_variants import WaterVariant
from dashboard import line_figures, ui
from dashboard.dry_answers import reader_temperature, water_amount, water_words
from dashboard.reader import Reader
from dashboard.work import Work

PATH, TITLE, SHORT = "/water", "Water", "Water"
TONES: Final = {"yes": "bad", "no": "good", "cannot tell": "unsure"}
# Names in the address, label, quantity, what to write: of what the weather and the work may say.
ENTRIES: Final = (
    ("temperature", "Air at the intake", "temperature", "e.g. 22 degC or 72 degF"),
    ("humidity", "Its humidity", "humidity", "e.g. 65 %"),
    ("coldest", "Coldest place of the line", "temperature", "a hose in the shade, e.g. 4 degC or 39 degF"),
    ("air", "Free air a day", "volume", "instead of shots, e.g. 3 m3 or 100 ft3"),
    ("hours", "Hours of work a day", "time", "e.g. 8 h"),
    ("bowl", "Drain when it holds", "volume", "e.g. 0.2 L"),
    ("desiccant", "Dry filling of the dryer", "mass", "e.g. 500 g"),
)
FIRST: Final = 3  # of them that are always in sight


def layout(work: Work, query: Mapping[str, str], reader: Reader) -> html.Div:
    """Say where the water goes."""
    lines = work.lines()
    if not lines:
        return ui.page(TITLE, ui.no_lines())
    name = query.get("line") or next(iter(lines))
    line = work.line(name)
    given, problems = _given(query)
    kind = query.get("kind", "silica gel")
    humid = [(s.name, s.name) for s in work.sessions() if any(c.column.endswith("_rh") for c in s.channels)]
    head = ui.controls(
        ui.choice("line", "Air line", [(n, n) for n in lines], name, default=next(iter(lines))),
        ui.choice("weather", "Weather measured in", [("", "not measured"), *humid], query.get("weather", "")) if humid else None,
        ui.entry(
            "shots",
            "Shots a day",
            query.get("shots", f"{USUAL_SHOTS_PER_DAY:.0f}"),
            default=f"{USUAL_SHOTS_PER_DAY:.0f}",
            error=problems.get("shots"),
        ),
        *[ui.entry(key, label, query.get(key, ""), hint=hint, error=problems.get(key)) for key, label, _, hint in ENTRIES[:FIRST]],
        ui.choice("kind", "Desiccant", [(k, k) for k in ISOTHERMS], kind, default="silica gel") if "desiccant" in given else None,
    )
    rest = ENTRIES[FIRST:]
    more = html.Details(
        [
            html.Summary("More about the work and the dryer"),
            ui.controls(*[ui.entry(key, label, query.get(key, ""), hint=hint, error=problems.get(key)) for key, label, _, hint in rest]),
        ],
        open=any(key in query for key, *_ in rest),
        className="hint",
    )
    head = html.Div([head, more])
    if problems:
        return ui.page(TITLE, head, ui.empty("One entry cannot be read", "It is marked above, with what is needed."), _cautions())
    variants = work.water(line, given, kind, query.get("weather", ""))
    balance = variants[0].balance
    words = water_words(line, variants, reader)
    return ui.page(
        TITLE,
        head,
        ui.answer([s for s in words if not s.startswith((" ", "Assumed:"))], tone=TONES[balance.forms], sure="from weather and line"),
        ui.readouts(_readouts(balance, reader)),
        html.Div([_picture(balance, reader), _where(balance)], className="two"),
        _table(balance, reader),
        _changes(variants, reader),
        ui.warnings([*(f"Assumed: {a}" for a in balance.assumptions), *balance.warnings]),
        _cautions(),
        _how(line, reader),
    )


def _given(query: Mapping[str, str]) -> tuple[dict[str, float], dict[str, str]]:
    """Read what was entered, in SI, by its name in the address; and what is wrong, likewise."""
    given, problems = {}, {}
    for key, _, quantity, _ in ENTRIES:
        if query.get(key, "").strip():
            try:
                given[key] = parse_quantity(query[key], quantity)
            except UnitError as problem:
                problems[key] = str(problem)
    text = query.get("shots", "").strip()
    if text:
        try:
            given["shots"] = float(text)
        except ValueError:
            problems["shots"] = f"{text!r} is no number of shots."
    return given, problems


def _readouts(b: WaterBalance, reader: Reader) -> list[tuple[str, str, str | None]]:
    degrees = reader_temperature(reader)
    out = [
        ("Drawn in a day", *ui.value_and_interval(b.drawn_kg_per_day, water_amount)),
        ("Dew point at the tool", *ui.value_and_interval(b.dew_point_at_tool_k, degrees)),
        ("Liquid water, 1000 shots", *ui.value_and_interval(b.condensed_kg_per_1000_shots, water_amount)),
        ("Work until the tank is drained", *ui.value_and_interval(b.drain_tank_s, _hours)),
    ]
    if any(p.kind == "receiver" for p in b.places):
        dry = b.receiver_kg_per_day.high == 0.0
        until = ("–", "no water gathers in it") if dry else ui.value_and_interval(b.drain_receiver_s, _hours)
        out.append(("Work until the receiver is drained", *until))
    if b.desiccant_life_s.value is not None:
        out.append(("Work until the desiccant is spent", *ui.value_and_interval(b.desiccant_life_s, _hours)))
    return out


def _hours(t_s: float) -> str:
    return f"{significant(t_s / 3600.0, 2)} h"


def _picture(b: WaterBalance, reader: Reader) -> html.Section:
    fig = line_figures.dew_along(
        [p.name for p in b.places],
        [p.temp_k for p in b.places],
        [(p.dew_point_k.value or math.nan, p.dew_point_k.low or math.nan, p.dew_point_k.high or math.nan) for p in b.places],
        "degF" if reader.unit == "psi" else "degC",
    )
    return ui.card(
        "Dew point along the line",
        ui.figure(fig, "Temperature of each place of the line, and the dew point of the air in it"),
        note="Where the two meet, water forms. Shaded: 95 % interval of the dew point.",
        className="figure-card",
    )


def _where(b: WaterBalance) -> html.Section:
    falls = [(p.name, p.condensed_kg_per_day.value or 0.0) for p in b.places]
    rows = [*falls, ("leaves as vapour", b.left_kg_per_day.value or 0.0)]
    fig = line_figures.amounts([(name, 1e3 * kg, water_amount(kg)) for name, kg in rows], "water a day [mL]")
    return ui.card("Where it goes", ui.figure(fig, "Water that falls out in each part a day"), className="figure-card")


def _table(b: WaterBalance, reader: Reader) -> html.Section:
    degrees: Callable[[float], str] = reader_temperature(reader)
    unit = "°F" if reader.unit == "psi" else "°C"

    def row(p: Place) -> tuple[object, ...]:
        water = ui.stacked(p.condensed_kg_per_day, water_amount) if p.condensed_kg_per_day.high != 0.0 else water_amount(0.0)
        dew = ui.stacked(p.dew_point_k, lambda temp_k: ui.bare(degrees(temp_k)))
        return p.name, ui.bare(reader.pressure(p.pressure_pa)), ui.bare(degrees(p.temp_k)), dew, water

    heads = ["place", f"pressure [{reader.unit}]", f"temp. [{unit}]", f"dew point [{unit}]", "water a day"]
    return ui.card("Place by place", ui.table(heads, [row(p) for p in b.places]), note="Small: 95 % interval.")


def _changes(variants: Sequence[WaterVariant], reader: Reader) -> html.Section:
    degrees = reader_temperature(reader)
    columns = 5 if any(v.balance.dryer_kg_per_day.value for v in variants) else 3  # the last two are a dryer's
    rows = [
        (
            v.name,
            ui.stacked(v.balance.dew_point_at_tool_k, degrees),
            v.balance.forms,
            water_amount(v.balance.dryer_kg_per_day.value or 0.0),
            "–" if v.balance.desiccant_life_s.value is None else ui.stacked(v.balance.desiccant_life_s, _hours),
        )
        for v in variants
    ]
    heads = ["the line", "dew point at the tool", "water on the way", "held by the dryer a day", "work until the desiccant is spent"]
    return ui.card("What would keep more water out", ui.table(heads[:columns], [row[:columns] for row in rows]))


def _cautions() -> html.Aside:
    return ui.cautions("vessel", "whip", "limits")


def _how(line: Line, reader: Reader) -> html.Details:
    site = line.site
    return ui.how(
        "Air is followed from the intake part by part. Compressed, it can hold less vapour in the same space: where it is colder than "
        "its dew point under pressure, the rest falls out and stays until it is drained. A regulator lowers the pressure and with it the "
        "dew point, so air behind it is drier again.",
        f"The air-line file gives {reader_temperature(reader)(site.temperature_k)}, {100 * site.humidity:.0f} % and an ambient pressure of "
        f"{site.p_amb_pa / 100:.0f} mbar. Saturation is IAPWS and ASHRAE, with the enhancement that pressure brings; intervals combine "
        "what temperature, humidity, tank pressure, tank warmth, dryer and air use are worth.",
        "What a desiccant takes up follows its isotherm at the line's own humidity; half of that is counted on before moist air comes "
        "through.",
        formula="w = 0.622 f e / (p − f e);   water falls out where w > w_sat(T, p)",
    )


def register(app: Dash, work: Work) -> None:
    """Nothing to connect: the address holds all choices."""
    del app, work
