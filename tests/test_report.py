"""A report says what the pages say, stands alone, and reaches paper."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from pathlib import Path

import plotly.graph_objects as go
import pytest
from dash import dcc, html

import farend
from dashboard.app import create_app
from dashboard.reader import Reader
from dashboard.report import chapters_for, report_html, with_comma
from dashboard.static_figure import to_svg
from dashboard.static_page import find, of_class, text, to_html
from dashboard.ui import typeset
from dashboard.work import Work
from tests.browser.home import AFTER, BEFORE, NIGHT, make_home
from tests.commands import refuse

MADE = datetime(2026, 6, 5, 12, tzinfo=UTC)


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_home(tmp_path_factory.mktemp("report"))


@pytest.fixture(scope="module")
def document(home: Path) -> str:
    work = Work(home)
    chapters = chapters_for(work, [BEFORE, AFTER, NIGHT], line_name="boathouse", volume="60 L")
    assert [c.page.TITLE for c in chapters] == ["Before and after", "Shots", "Shots", "Leak-down", "Line"]
    return report_html(work, chapters, Reader("psi"), made=MADE, paper="letter")


def test_two_sessions_of_work_are_compared_and_a_night_is_a_leak_down(document: str) -> None:
    assert "It helped. One and the same shot recovers" in document
    assert "It leaks." in document
    assert "by the model" in document
    assert "2026-06-03 07:12" in document
    assert "size: Letter" in document


def test_it_needs_nothing_from_outside_and_runs_nothing(document: str) -> None:
    assert "<script" not in document
    assert "href=" not in document.replace('xlink:href="#', "").replace(' href="#', "")
    assert "default-src 'none'" in document


def test_notes_of_a_session_are_text(document: str) -> None:
    assert "<b>invented</b>" not in document
    assert "&lt;b&gt;invented&lt;/b&gt;" in document


def test_every_figure_of_the_pages_is_drawn_and_named(home: Path) -> None:
    work = Work(home)
    (chapter,) = chapters_for(work, [BEFORE])
    page = chapter.page.layout(work, chapter.query, Reader("bar"))
    graphs = find(page, lambda part: isinstance(part, dcc.Graph))
    drawn = report_html(work, [chapter], Reader("bar"), made=MADE)
    assert drawn.count("<svg ") == len(graphs) >= 3
    assert drawn.count('role="img" aria-label="') == len(graphs)


def test_what_it_says_is_what_the_page_says(home: Path, document: str) -> None:
    work = Work(home)
    for chapter in chapters_for(work, [BEFORE, AFTER, NIGHT], volume="60 L"):
        page = chapter.page.layout(work, chapter.query, Reader("psi"))
        for sentence in find(page, of_class("answer-first")):
            assert document.count(to_html(typeset(text(sentence)))) >= 2  # in the summary and in its chapter


def test_controls_and_buttons_stay_on_the_screen() -> None:
    page = html.Div(
        [html.Div("choose", className="controls"), html.A("load", href="/x"), dcc.Input(), html.P(["kept <", html.B(2.5), None, True])]
    )
    assert to_html(page) == "<div><p>kept &lt;<b>2.5</b></p></div>"


def test_decimals_have_the_readers_comma_but_for_formulas_styles_and_laws() -> None:
    kept = '<style>p { top: 1.5em }</style><p class="formula">p &lt; 0.1 <b>x 0.2</b></p><svg width="6.9"></svg> 29 CFR 1910.169'
    assert with_comma(f"<p>Dip 1.62 bar, -0.5</p>{kept}<text>12.0</text>") == f"<p>Dip 1,62 bar, -0,5</p>{kept}<text>12,0</text>"


def test_what_is_folded_away_is_open_on_paper() -> None:
    page = html.Details([html.Summary("How"), html.P("so")], className="how")
    assert to_html(page) == '<section class="how"><h3>How</h3><p>so</p></section>'


def test_a_figure_keeps_its_labels_as_text_and_its_bands() -> None:
    fig = go.Figure()
    fig.add_scatter(x=[0, 1, 2], y=[0.0, None, 2.0], mode="lines+markers", line={"color": "#2b7cbf", "dash": "dot"})
    fig.add_scatter(x=[0, 1, 1, 0], y=[0, 0, 1, 1], fill="toself", fillcolor="rgba(29,148,116,0.2)", line={"width": 0}, mode="lines")
    fig.add_vrect(x0=0.5, x1=1.0, fillcolor="#7d868c", opacity=0.2)
    fig.add_hline(y=1.0)
    fig.add_annotation(x=0, y=1, xref="paper", yref="paper", text="<span style='color:#cf6a1c'><b>━</b></span> 5 $ &amp; more")
    fig.update_layout(xaxis_title="time [s]", yaxis_title="p [bar]")
    svg = to_svg(fig, 'a "figure" <b>')
    assert svg.startswith('<svg role="img" aria-label="a &quot;figure&quot; &lt;b>"')
    for said in ("time [s]", "p [bar]", "5 $ &amp; more", "#cf6a1c", "#1d9474"):
        assert said in svg
    assert svg == to_svg(fig, 'a "figure" <b>')


def test_the_command_writes_a_pdf_from_sessions_and_files(
    home: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("FAREND_HOME", str(home))
    kept = {p.name for p in (home / "sessions").iterdir()}
    csv = tmp_path / "one.csv"
    csv.write_text("time_s,tool (bar)\n" + "".join(f"{i / 100:.2f},6.5\n" for i in range(500)), encoding="utf-8")
    out = tmp_path / "r.pdf"
    assert farend.main(["report", str(csv), BEFORE, "-o", str(out)]) == 0
    assert out.read_bytes().startswith(b"%PDF-")
    assert "2 chapters" in capsys.readouterr().err
    assert {p.name for p in (home / "sessions").iterdir()} == kept


def test_what_cannot_be_written_is_refused(
    home: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("FAREND_HOME", str(home))
    assert "is written as .html or .pdf" in refuse(capsys, "report", BEFORE, "-o", str(tmp_path / "r.docx"))
    assert "there is no folder" in refuse(capsys, "report", BEFORE, "-o", str(tmp_path / "no" / "r.html"))
    assert "There is no session" in refuse(capsys, "report", "dek before", "-o", str(tmp_path / "r.html"))
    assert not (tmp_path / "r.html").exists()


def test_the_pages_hand_out_their_own_report(home: Path) -> None:
    client = create_app(home).server.test_client()
    got = client.get("/download/report.html", query_string={"page": "/shots", "session": BEFORE, "unit": "kPa", "point": "comma"})
    assert got.status_code == 200
    assert "12 shots in" in got.text
    assert re.search(r"\d,\d+ s\b", got.text)
    assert client.get("/download/report.pdf", query_string={"page": "/shots", "session": BEFORE}).data.startswith(b"%PDF-")
    assert client.get("/download/report.html", query_string={"page": "/setup"}).status_code == 404
    refused = client.get("/download/report.html", query_string={"page": "/shots", "session": "../../etc"})
    assert refused.status_code == 409
    assert "There is no session" in refused.text
