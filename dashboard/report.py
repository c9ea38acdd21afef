"""A report to keep or to hand on: pages as one self-contained document, as HTML or PDF, saying what is measured and what is not.

A chapter is a page as the dashboard shows it for the same choices, so that a report can say nothing that the pages do not.
"""

from __future__ import annotations

import re
import shutil
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from types import ModuleType
from typing import Any, Final
from zoneinfo import ZoneInfo

from dash import html
from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from analysis.shut_in import working_shots
from dashboard import ui, wording
from dashboard.pages import compare, leakdown, line, receiver, setting, shots, water
from dashboard.reader import Reader, seconds
from dashboard.static_page import find, of_class, text, to_html
from dashboard.work import Work
from logger.home import line_file, lines_folder, sessions_folder
from logger.kept import save_imported
from logger.open import session_or_file
from logger.session import Session

PAPERS: Final = {"a4": "A4", "letter": "Letter"}
_DECIMAL: Final = re.compile(r"(?<![\d.,])(\d{1,3})\.(\d+)(?![\d.])")  # as in assets/numbers.js: no section of a law, no address


@dataclass(frozen=True, slots=True, kw_only=True)
class Basis:
    """What a kind of chapter rests on, in the reader's words."""

    measured: str
    modelled: str
    assumed: str


# Pages that can be a chapter, in the order in which a reader wants them.
CHAPTERS: Final[Mapping[ModuleType, Basis]] = {
    compare: Basis(
        measured="Both recordings; dips and recoveries of every shot.",
        modelled="Nothing, except where a prediction is named as such.",
        assumed="That tool, nail and wood were the same, and that both sensors read alike.",
    ),
    shots: Basis(
        measured="Pressure at the sensor; the instant, dip and recovery of every shot.",
        modelled="Nothing; recoveries that were cut off enter as “longer than that”.",
        assumed="That the sensor's calibration holds and that it sits where its name says.",
    ),
    leakdown: Basis(
        measured="Pressure of the air that was shut in, and its temperature where a thermometer was recorded.",
        modelled="The leak, as flow through a small hole by ISO 6358 from the fall of the mass of air.",
        assumed="The volume that was stated; without a thermometer, how far a day's temperature may swing.",
    ),
    line: Basis(
        measured="Nothing, except a session set beside the model.",
        modelled="Every pressure: hoses as one-dimensional flow, tank and receiver as masses of air.",
        assumed="What the air-line file says of the parts, and what it leaves out (named in the chapter).",
    ),
    receiver: Basis(
        measured="Nothing.",
        modelled="Every pressure, with one receiver after another in the line.",
        assumed="What the air-line file says of the parts, and the burst that was stated.",
    ),
    water: Basis(
        measured="Nothing, except weather that was stated from measurement.",
        modelled="Vapour and liquid from intake to tool, by saturation under pressure.",
        assumed="Temperatures of the parts, air use and dryer as stated or named in the chapter.",
    ),
    setting: Basis(
        measured="Pressure just before each judged shot; the depth as somebody judged or measured it.",
        modelled="How depth follows pressure.",
        assumed="That nail, wood and tool were the same for all judged shots.",
    ),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """A chapter that is wanted: a page of the dashboard and the choices in its address."""

    page: ModuleType
    query: Mapping[str, str]


def chapters_for(work: Work, names: Sequence[str], *, line_name: str = "", volume: str = "", channel: str = "") -> list[Wanted]:
    """Choose the chapters that sessions call for.

    Parameters
    ----------
    work : Work
        Holds the sessions and the line.
    names : sequence of str
        Sessions, in the order that the user gave. Two sessions of work are compared, the first as before.
    line_name : str
        Air line to add as a chapter, or "".
    volume : str
        Air that was shut in, as text with its unit, for leak-downs; or "".
    channel : str
        Which pressure, or "" for the likeliest.

    Returns
    -------
    list of Wanted
        Before and after first, then a chapter a session, then the line.
    """
    with_channel = {"channel": channel} if channel else {}
    worked = [name for name in names if working_shots(work.shots(name, channel or None)[0])]
    chapters = []
    if len(worked) == 2:
        chapters.append(Wanted(page=compare, query={"before": worked[0], "after": worked[1]}))
    for name in names:
        if name in worked:
            chapters.append(Wanted(page=shots, query={"session": name, **with_channel}))
        else:
            chapters.append(Wanted(page=leakdown, query={"session": name, "volume": volume, **with_channel}))
    if line_name:
        chapters.append(Wanted(page=line, query={"line": line_name, "session": worked[0] if worked else ""}))
    return chapters


def report_html(work: Work, wanted: Sequence[Wanted], reader: Reader, *, made: datetime, title: str = "", paper: str = "a4") -> str:
    """Write chapters as one self-contained HTML document.

    Parameters
    ----------
    work : Work
        What the pages know.
    wanted : sequence of Wanted
        The chapters.
    reader : Reader
        Units.
    made : datetime
        When the report is made; zone-aware.
    title : str
        Heading; by default the sessions' names.
    paper : str
        "a4" or "letter".

    Raises
    ------
    ValueError
        If a chapter cannot be made; the message says why.
    """
    pages = [chapter.page.layout(work.patient(), chapter.query, reader) for chapter in wanted]
    sessions = _sessions(work, wanted)
    cautions = [text(item) for page in pages for aside in find(page, of_class("cautions")) for item in find(aside, _is_item)]
    return (
        _template()
        .get_template("report.html")
        .render(
            title=title or _title(sessions, wanted),
            made=made.strftime("%Y-%m-%d"),
            paper=PAPERS[paper],
            sessions=[_facts(s) for s in sessions],
            chapters=[_chapter(w, page) for w, page in zip(wanted, pages, strict=True)],
            bases=[(w.page.TITLE, CHAPTERS[w.page]) for w in _one_of_a_kind(wanted)],
            cautions=list(dict.fromkeys([*cautions, *wording.CAUTIONS.values()])),
        )
    )


def with_comma(document: str) -> str:
    """Write the decimals of a document's text with a comma, as ``assets/numbers.js`` does on the pages; formulas and styles stay."""
    pieces, within = re.split(r"(<[^>]*>)", document), ""
    for i, piece in enumerate(pieces):
        if i % 2 == 0:
            pieces[i] = piece if within else _DECIMAL.sub(r"\1,\2", piece)
        elif within:
            within = "" if piece == f"</{within}>" else within
        elif found := re.match(r"<(style|script|code|pre)\b|<(\w+)[^>]*class=\"formula\"", piece):
            within = found[1] or found[2]
    return "".join(pieces)


def to_pdf(document: str) -> bytes:
    """Set a report as PDF.

    Raises
    ------
    ValueError
        If the text-setting library of the system is missing; the message says what to do.
    """
    try:
        from weasyprint import HTML
    except OSError as problem:
        msg = (
            "A PDF needs the system's library Pango, which is not installed (Debian, Ubuntu: apt install libpango-1.0-0 "
            "libpangoft2-1.0-0 libharfbuzz-subset0). Or write the report as .html and print that from a browser."
        )
        raise ValueError(msg) from problem
    made = HTML(string=document).write_pdf()
    assert made is not None  # only None when it writes to a file by itself
    return made


def stage(folder: Path, whats: Sequence[str], *, unit: str | None, marks: Path | None, line: Path | None, home: Path) -> list[str]:
    """Lay out sessions, CSV files and an air line in a folder of their own, for a report that leaves the home folder alone.

    Returns
    -------
    list of str
        The sessions' names there, in the order given.

    Raises
    ------
    ValueError, OSError
        If something is not there or is refused.
    """
    names = []
    for what in dict.fromkeys(whats):
        found = session_or_file(what, home)
        if isinstance(found, Path):
            from logger.csv_in import read_csv

            names.append(save_imported(folder, found.stem, read_csv(found, name=found.stem, unit=unit)).name)
        else:
            shutil.copytree(found.folder, sessions_folder(folder) / found.folder.name)
            names.append(found.folder.name)
        if marks is not None:
            with (sessions_folder(folder) / names[-1] / "marks.jsonl").open("a", encoding="utf-8") as kept:
                kept.write(marks.read_text(encoding="utf-8").rstrip("\n") + "\n")
    if line is not None:
        file = line_file(line, home)
        lines_folder(folder).mkdir(parents=True)
        shutil.copyfile(file, lines_folder(folder) / f"{file.stem}.toml")
    return names


def _is_item(part: Any) -> bool:
    return isinstance(part, html.Li)


def _one_of_a_kind(wanted: Sequence[Wanted]) -> list[Wanted]:
    return list({w.page: w for w in reversed(wanted)}.values())[::-1]


def _sessions(work: Work, wanted: Sequence[Wanted]) -> list[Session]:
    names = [w.query[key] for w in wanted for key in ("before", "after", "session") if w.query.get(key)]
    return [work.session(name) for name in dict.fromkeys(names)]


def _title(sessions: Sequence[Session], wanted: Sequence[Wanted]) -> str:
    if len(sessions) > 2:
        return f"Air line, {len(sessions)} recordings"
    return " and ".join(s.name for s in sessions) if sessions else ", ".join(w.page.TITLE for w in wanted)


def _facts(session: Session) -> dict[str, str]:
    """What a reader must know of a recording before he believes a number from it."""
    try:
        local = session.started.astimezone(ZoneInfo(session.zone))
    except (KeyError, ValueError):  # a fixed offset, or a place that this computer does not know
        local = session.started
    return {
        "name": session.name,
        "started": f"{local:%Y-%m-%d %H:%M} {local.tzname() or ''}".strip(),
        "length": seconds(session.duration_s),
        "readings": f"{session.count}",
        "sensors": ", ".join(f"{c.name} [{c.unit}]" for c in session.channels),
        "more": "  ".join(x for x in (session.line, session.site, session.notes) if x),
    }


def _chapter(wanted: Wanted, page: Any) -> dict[str, Any]:
    named = " and ".join(str(wanted.query[key]) for key in ("line", "before", "after", "session") if wanted.query.get(key))
    said = [text(part) for part in find(page, of_class("answer-first"))]
    return {"title": wanted.page.TITLE, "of": named, "answer": ui.typeset(" ".join(said)), "body": Markup(to_html(page))}


def _template() -> Environment:
    return Environment(loader=FileSystemLoader(Path(__file__).parent), autoescape=True, undefined=StrictUndefined)
