"""What the pages hand out besides themselves: thumbnails, tables, and sessions to pass on."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from urllib.parse import quote

import flask

from dashboard.reader import Reader
from dashboard.work import Work

FORMS = ("csv", "parquet", "zip")
PIECE_BYTES = 1 << 20


def serve_files(server: flask.Flask, work: Work) -> None:
    """Connect the addresses of files."""

    @server.route("/thumbnail/<path:name>")
    def thumbnail(name: str) -> flask.Response:
        try:
            svg = work.thumbnail(name.removesuffix(".svg"))
        except (ValueError, OSError):
            flask.abort(404)
        return flask.Response(svg, mimetype="image/svg+xml", headers={"Cache-Control": "max-age=60"})

    @server.route("/download/shots.csv")
    def shots_csv() -> flask.Response:
        ask = flask.request.args
        try:
            text = work.shots_csv(ask.get("session", ""), ask.get("channel"), Reader(ask.get("unit", "kPa")).unit)
        except (ValueError, OSError) as problem:
            return _refused(problem)
        return flask.Response(text, mimetype="text/csv", headers={"Content-Disposition": "attachment; filename=shots.csv"})

    @server.route("/download/logbook.<form>")
    def logbook(form: str) -> flask.Response:
        if form not in {"csv", "ics"}:
            flask.abort(404)
        ask = flask.request.args
        try:
            return _book(work, ask.get("line", ""), form, ask.get("unit", "kPa"))
        except (ValueError, OSError) as problem:
            return _refused(problem)

    @server.route("/download/session.<form>")
    def session(form: str) -> flask.Response:
        if form not in FORMS:
            flask.abort(404)
        ask = flask.request.args
        try:
            return _session(work, ask.get("session", ""), form, ask.get("unit", "kPa"))
        except (ValueError, OSError) as problem:
            return _refused(problem)


def _book(work: Work, name: str, form: str, unit: str) -> flask.Response:
    from dashboard import book

    line, now = work.line(name), datetime.now().astimezone()
    found = book.book_of(work, name, now)
    if form == "ics":
        body, kind = book.as_calendar(line.name, found, now), "text/calendar"
    else:
        body, kind = book.as_csv(found, work.entries(line.name), Reader(unit)).encode(), "text/csv"
    return flask.Response(body, mimetype=kind, headers={"Content-Disposition": f"attachment; filename=logbook.{form}"})


def _session(work: Work, name: str, form: str, unit: str) -> flask.Response:
    """Write a session into a file of the system's, and send that."""
    kept = work.session(name)
    folder = Path(tempfile.mkdtemp(prefix="farend-"))
    path = folder / f"session.{form}"
    try:
        if form == "zip":
            from logger.pack import pack

            with path.open("wb") as file:
                pack(kept, file)
        else:
            from logger.export import export_recording

            export_recording(work.opened(name), path, unit)
    except BaseException:
        shutil.rmtree(folder)
        raise
    named = f"attachment; filename*=UTF-8''{quote(kept.folder.name)}.{form}"
    response = flask.Response(_pieces(path), mimetype="application/octet-stream", headers={"Content-Disposition": named})
    response.content_length = path.stat().st_size
    response.call_on_close(lambda: shutil.rmtree(folder, ignore_errors=True))
    return response


def _pieces(path: Path) -> Iterator[bytes]:
    with path.open("rb") as file:
        while piece := file.read(PIECE_BYTES):
            yield piece


def _refused(problem: Exception) -> flask.Response:
    return flask.Response(str(problem), status=404, mimetype="text/plain")
