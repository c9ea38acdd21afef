"""The page that is open, as a report to download."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from types import ModuleType
from typing import Any

import flask
from dash import html

from dashboard import ui
from dashboard.reader import UNIT_SETS, Reader
from dashboard.report import CHAPTERS, PAPERS, Wanted, report_html, to_pdf, with_comma
from dashboard.static_page import find, of_class
from dashboard.work import Work

ADDRESS = "/download/report"
KINDS = {"html": "text/html", "pdf": "application/pdf"}


def with_links(page: ModuleType, query: Mapping[str, str], reader: Reader, shown: Any) -> Any:
    """Add to a page the links that make a report of it, where it can be one and shows something."""
    if page not in CHAPTERS or find(shown, of_class("empty")):
        return shown
    ask = {**query, "page": page.PATH, "unit": reader.unit}
    # In inches the reader's paper is Letter.
    ask["paper"] = "letter" if reader.unit == "psi" else "a4"
    links = [
        html.A(
            f"Report as {kind.upper()}",
            href=ui.address(f"{ADDRESS}.{kind}", ask),
            className="button",
            download=f"farend-report.{kind}",
            **{"data-report": kind},  # assets/save.js fetches it
        )
        for kind in KINDS
    ]
    said = html.P(role="status", className="note")
    return html.Div([shown, html.Div([*links, said], className="actions", role="group", **{"aria-label": "Keep or hand on"})])


def serve_reports(server: flask.Flask, work: Work) -> None:
    """Hand out reports under `ADDRESS`, made from the same choices as the page's address holds."""

    @server.route(f"{ADDRESS}.<kind>")
    def report(kind: str) -> flask.Response:
        ask = flask.request.args.to_dict()
        page = next((p for p in CHAPTERS if ask.get("page") == p.PATH), None)
        if kind not in KINDS or page is None:
            flask.abort(404)
        unit, paper = ask.get("unit", "bar"), ask.get("paper", "a4")
        try:
            document = report_html(
                work,
                [Wanted(page=page, query=ask)],
                Reader(unit if unit in UNIT_SETS else "bar"),
                made=datetime.now().astimezone(),
                paper=paper if paper in PAPERS else "a4",
            )
            if ask.get("point") == "comma":
                document = with_comma(document)
            body = to_pdf(document) if kind == "pdf" else document.encode()
        except (ValueError, OSError) as problem:
            return flask.Response(str(problem), status=409, mimetype="text/plain")
        return flask.Response(body, mimetype=KINDS[kind], headers={"Content-Disposition": f"attachment; filename=farend-report.{kind}"})
