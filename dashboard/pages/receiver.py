"""Receiver: the smallest one that keeps a burst above a floor."""

from __future__ import annotations

from collections.abc import Mapping

from dash import Dash, html

from dashboard import ui
from dashboard.reader import Reader
from dashboard.work import Work

PATH, TITLE, SHORT = "/receiver", "Receiver", "Receiver"


def layout(work: Work, query: Mapping[str, str], reader: Reader) -> html.Div:
    """Say how big a receiver must be."""
    del query, reader
    lines = work.lines()
    if not lines:
        return ui.page(TITLE, ui.no_lines())
    return ui.page(TITLE, ui.cautions("rated", "vessel", "whip", "eyes", "limits"))


def register(app: Dash, work: Work) -> None:
    """Nothing to connect: the address holds all choices."""
    del app, work
