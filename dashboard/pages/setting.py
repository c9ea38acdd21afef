"""Setting: which pressure sets this fastener flush, from judged shots, and what to judge next."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final
from urllib.parse import urlencode

import dash_mantine_components as dmc
from dash import Dash, Input, Output, State, html, no_update

from analysis.cautions import maker_limit
from analysis.dial_in import DialIn
from analysis.units import UnitError, parse_quantity, significant
from dashboard import shot_figures, ui
from dashboard.address import choices
from dashboard.dry_answers import setting_words
from dashboard.job_card import working
from dashboard.reader import Reader, percent
from dashboard.work import Work

PATH, TITLE, SHORT = "/setting", "Setting", "Setting"
TONES: Final = {"setting": "good", "cannot tell": "unsure", "above the limit": "bad"}
DEPTHS: Final = ("proud", "flush", "deep")


def layout(work: Work, query: Mapping[str, str], reader: Reader) -> html.Div:
    """Say which pressure sets flush."""
    names = [s.name for s in work.sessions()]
    if not names:
        return ui.page(TITLE, ui.no_sessions())
    name = query.get("session") or _judged_first(work, names)
    limit_pa, problem = _limit(query.get("limit", ""))
    recording = work.opened(name, query.get("channel"))
    search = work.searching(name, query.get("channel"))
    if search is not None:
        head = ui.controls(ui.session_choice(names, name), ui.channel_choice(recording))
        return ui.page(TITLE, head, working(recording, search, "Looking for the shots"))
    tools = work.tools()
    if query.get("tool") in tools and limit_pa is None:
        limit_pa = maker_limit(tools[query["tool"]])
    found = work.setting(name, query.get("channel"), limit_pa, query.get("work"))
    head = ui.controls(
        ui.session_choice(names, name),
        ui.channel_choice(recording),
        ui.choice("tool", "Tool", [("", "not named"), *[(t, t) for t in tools]], query.get("tool", "")) if tools else None,
        ui.entry("limit", "The maker's limit", query.get("limit", ""), hint="on the tool's plate, e.g. 120 psi", error=problem),
        ui.choice("work", "Fastener and wood", [(w, w or "not named") for w in found.works], found.work, default=found.works[0])
        if len(found.works) > 1
        else None,
    )
    return ui.page(
        TITLE,
        head,
        _answer(found, reader),
        ui.readouts(_readouts(found, reader)) if found.judged else None,
        _picture(found, reader),
        html.Div([_judge(work, name, query), _table(found, reader)], className="two"),
        ui.warnings([*recording.warnings, *found.warnings] if found.judged else []),
        ui.cautions("limits", "eyes"),
        _how(reader, found),
        lead="Judge some nails at different pressures, on scrap of the same wood; the setting for flush follows.",
    )


def _judged_first(work: Work, names: list[str]) -> str:
    """The newest session with judged shots, else the newest."""
    return next((n for n in names if any(m["kind"] == "judged" for m in work.session(n).marks)), names[0])


def _limit(text: str) -> tuple[float | None, str | None]:
    if not text.strip():
        return None, None
    try:
        limit = parse_quantity(text, "pressure")
    except UnitError as problem:
        return None, str(problem)
    return (limit, None) if limit > 0 else (None, "The limit is a gauge pressure above zero.")


def _answer(found: DialIn, reader: Reader) -> html.Section:
    if found.judged:
        return ui.answer(setting_words(found, reader), tone=TONES[found.setting.verdict], sure="all intervals 95 %")
    return ui.empty(
        "No shot of this session was judged",
        "Judge on the Now page while you work, or below: fire a few nails at low, middle and high pressure, look at each, and say "
        "whether it stands proud, sits flush or went deep.",
    )


def _readouts(found: DialIn, reader: Reader) -> list[tuple[str, str, str | None]]:
    s = found.setting
    band = "not known" if s.band_pa is None else f"{ui.bare(reader.pressure(s.band_pa[0]))} to {reader.pressure(s.band_pa[1])}"
    out = [
        ("Flush at, at the shot", *ui.value_and_interval(s.flush_pa, reader.pressure)),
        ("Nine of ten come flush", band, "as far as these shots tell"),
    ]
    if found.rest_above_shot_pa is not None:
        out.append(("Line at rest stood higher by", reader.pressure(found.rest_above_shot_pa), "set the regulator by so much more"))
    if s.share_as_worked == s.share_as_worked:  # known
        out.append(("Flush with this line's sag", percent(s.share_as_worked), "at the suggested setting"))
    if s.next_pa is not None:
        more = "" if not s.more else f"about {s.more} more are needed"
        out.append(("Judge the next at", reader.pressure(s.next_pa), more or "teaches most"))
    return out


def _picture(found: DialIn, reader: Reader) -> html.Section | None:
    if not found.judged:
        return None
    fig = shot_figures.judged(
        [j.shot.before_pa for j in found.judged],
        [j.depth for j in found.judged],
        reader,
        flush_pa=found.setting.flush_pa,
        band_pa=found.setting.band_pa,
        limit_pa=found.setting.limit_pa,
    )
    return ui.card(
        "Depth against the pressure at the shot",
        ui.figure(fig, "Judged depth of each nail against the pressure just before its shot"),
        note="Every judged nail. "
        + ("" if found.setting.band_pa is None else "Green: nine of ten come flush. ")
        + "Line: flush, with its interval.",
        className="figure-card",
    )


def _judge(work: Work, name: str, query: Mapping[str, str]) -> html.Section:
    """Let the reader judge a shot that was fired."""
    record, _ = work.shots(name, query.get("channel"))
    if not record.shots:
        return ui.card("Judge a shot", html.P("No shot was found in this session."))
    shots = [{"value": str(i), "label": f"shot {i + 1}, at {s.time_s:.1f} s"} for i, s in enumerate(record.shots)]
    how = {"size": "md", "className": "control"}
    return ui.card(
        "Judge a shot",
        html.Div(
            [
                dmc.Select(id="judge-shot", label="Which", data=shots, value=query.get("next", "0"), searchable=True, **how),
                dmc.SegmentedControl(id="judge-depth", data=list(DEPTHS), value="flush", size="md", **{"aria-label": "How deep it sits"}),
                dmc.TextInput(id="judge-mm", label="Or measured", description="mm below the surface; minus: it stands proud", **how),
                dmc.TextInput(
                    id="judge-work",
                    label="Fastener and wood",
                    description="e.g. 65 mm ring nail, spruce",
                    value=query.get("work", ""),
                    **how,
                ),
            ],
            className="controls",
        ),
        html.Div(
            [
                html.Button("Keep this judgement", id="judge-keep", className="button strong", n_clicks=0),
                html.Span(id="judge-said", role="status"),
            ],
            className="actions",
        ),
        className="hint",
    )


def _table(found: DialIn, reader: Reader) -> html.Section | None:
    if not found.judged:
        return None
    rows = [
        (
            f"{j.shot.time_s:.1f}",
            ui.bare(reader.pressure(j.shot.before_pa)),
            ui.bare(reader.pressure(j.shot.dip_pa)),
            j.depth if isinstance(j.depth, str) else f"{significant(1e3 * j.depth, 2)} mm",
        )
        for j in found.judged
    ]
    return ui.card("Judged shots", ui.table(["shot at [s]", f"before [{reader.unit}]", f"dip [{reader.unit}]", "depth"], rows))


def _how(reader: Reader, found: DialIn) -> html.Details:
    return ui.how(
        "Each judgement is set against the pressure just before that very shot, not against the regulator's gauge. Judged in words, the "
        "drive is the pressure plus a spread that nail and wood bring, proud below one limit and deep above another; all limits and "
        "spreads that a shop could meet are weighed by how well they explain what was judged. Measured in millimetres it is a straight "
        "line, and within 0.5 mm counts as flush (common practice, no source).",
        f"Heeded limit: {reader.pressure(found.setting.limit_pa)}. A setting above it is never suggested. How much the pressure strays at "
        "one setting of the regulator is taken from this session's bursts.",
        "Usual in the trade (common practice, no source): nailers run at 90 to 100 psi (6.2 to 6.9 bar); large framing nails want 100 psi "
        "or a little more; short sheathing nails sit flush at about 90 psi and are driven through at 105 psi; brads want far less.",
        formula="P(proud) = Φ((a − p)/s),   P(deep) = 1 − Φ((b − p)/s)",
    )


def register(app: Dash, work: Work) -> None:
    """Connect judging by hand."""

    @app.callback(
        Output("judge-said", "children"),
        Output("url", "search", allow_duplicate=True),
        Input("judge-keep", "n_clicks"),
        State("judge-shot", "value"),
        State("judge-depth", "value"),
        State("judge-mm", "value"),
        State("judge-work", "value"),
        State("address", "data"),
        prevent_initial_call=True,
    )
    def judge(clicks: int, shot: str | None, depth: str, mm: str | None, of: str | None, address: dict[str, str]) -> tuple[Any, Any]:
        return keep(work, address, shot, depth, mm or "", of or "") if clicks else (no_update, no_update)


def keep(work: Work, address: Mapping[str, str], shot: str | None, depth: str, mm: str, of: str) -> tuple[Any, Any]:
    """Keep a judgement; return what to say, and the address's search that shows the page with it."""
    query = choices(address)
    name = query.get("session") or _judged_first(work, [s.name for s in work.sessions()])
    try:
        if shot is None:
            msg = "choose the shot that was judged."
            raise ValueError(msg)
        work.judge_shot(name, query.get("channel"), int(shot), _millimetres(mm) if mm.strip() else depth, of)
    except ValueError as problem:
        return f"Not kept: {problem}", no_update
    return "Kept.", f"?{urlencode({**query, 'session': name, 'work': of, 'next': int(shot) + 1})}"


def _millimetres(text: str) -> float:
    try:
        return float(text.strip().removesuffix("mm").replace(",", ".").replace("−", "-"))
    except ValueError:
        msg = f"{text!r} is no depth; write millimetres below the surface, e.g. 0.5, or -1 where it stands proud."
        raise ValueError(msg) from None
