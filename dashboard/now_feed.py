"""What the Now page is told a dozen times a second: words and numbers ready to be shown, and the newest piece of the trace."""

from __future__ import annotations

import json
import math
import threading
import time
from collections.abc import Iterator
from typing import Any

import flask
import numpy as np

from analysis.units import UnitError, parse_quantity
from analysis.window import stays_outside
from dashboard import ui
from dashboard.live import SHOWN_S, Live
from dashboard.reader import UNIT_SETS, Reader, seconds
from dashboard.recordings import Recordings
from dashboard.zoom import thin

EVERY_S = 0.08
IDLE_EVERY_S = 0.3
AT_MOST_S = 900.0  # then the page asks anew, so that one which has vanished holds no thread for ever
STREAMS_MOST = 24
FIRST_POINTS, POINTS_PER_S = 1500, 200  # of the trace: in the first message, and in each one after
Window = tuple[float, float] | None


def serve_feed(server: flask.Flask, recordings: Recordings) -> None:
    """Hand out the feed: one JSON object a line, for as long as the page listens."""
    room = threading.BoundedSemaphore(STREAMS_MOST)

    @server.route("/live")
    def live() -> flask.Response:
        ask = flask.request.args
        if not room.acquire(blocking=False):
            return flask.Response("Too many pages are watching. Close one.", status=503, mimetype="text/plain")
        reader = Reader(ask["unit"] if ask.get("unit") in UNIT_SETS else "bar")
        response = flask.Response(feed(recordings, reader, window_asked(ask)), mimetype="application/x-ndjson")
        response.headers["Cache-Control"] = "no-store"
        response.call_on_close(room.release)
        return response


def feed(recordings: Recordings, reader: Reader, window_pa: Window) -> Iterator[str]:
    """Tell how the recording stands, a dozen times a second, with what the trace has gained."""
    begun = due = time.monotonic()
    followed, since_s = ("", False), -math.inf
    while due - begun < AT_MOST_S:
        live = None
        try:
            live = recordings.live()
            now = ("", False) if live is None else (live.session.name, live.share >= 1.0)
            if now != followed:  # what was recorded before has been read: the trace can be shown from its beginning
                followed, since_s = now, -math.inf
            message = told(recordings, live, reader, window_pa, since_s)
        except OSError as problem:  # a folder that may not be read, a disk that has gone: said, and tried again
            message = quiet(f"{problem.filename or 'The sessions'} cannot be read: {problem.strerror}.")
        yield json.dumps(message, allow_nan=False) + "\n"
        if live is not None and live.t_s.size:
            since_s = float(live.t_s[-1])
        due = max(due + (IDLE_EVERY_S if live is None else EVERY_S), time.monotonic())
        time.sleep(max(due - time.monotonic(), 0.0))


def window_asked(ask: Any) -> Window:
    """The window that the reader set on the page [Pa gauge]; None if he set none that can be."""
    try:
        low, high = (parse_quantity(ask[key], "pressure") for key in ("low", "high"))
    except (KeyError, UnitError):
        return None
    return (low, high) if low < high else None


def told(recordings: Recordings, live: Live | None, reader: Reader, window_pa: Window = None, since_s: float = -math.inf) -> dict[str, Any]:
    """Put one message together."""
    if live is None:
        return quiet("", "waiting") if recordings.waiting() else quiet(recordings.failed)
    window_pa = window_pa or recordings.window_of(live)
    return {
        "state": "live",
        "sent": time.time(),
        "texts": texts(live, reader, window_pa),
        "alerts": alerts(live, reader, window_pa),
        "trace": trace(live, reader, since_s),
        "until": live.last_s if math.isfinite(live.last_s) else 0.0,
        "shown": SHOWN_S,
        "unit": reader.unit,
        "window": None if window_pa is None else [reader.pressure_value(p) for p in window_pa],
        "fired": [round(s.time_s, 3) for s in live.shots[-60:] if s.time_s >= live.last_s - SHOWN_S],
        "session": ui.address("/shots", {"session": live.session.name}),
    }


def quiet(refused: str, state: str = "none") -> dict[str, Any]:
    """The message while there is no recording to show."""
    return {"state": state, "sent": time.time(), "texts": {"refused": refused}, "alerts": []}


def texts(live: Live, reader: Reader, window_pa: Window) -> dict[str, str]:
    """The words and figures of the page, by the place where they stand."""
    last = live.shots[-1] if live.shots else None
    minute = sum(s.time_s >= live.last_s - 60.0 for s in live.shots[-600:])
    recovered = next((s for s in reversed(live.shots[-50:]) if s.outcome == "recovered"), None)
    figure, unit = reader.pressure(live.now_pa).split() if math.isfinite(live.now_pa) else ("–", reader.unit)
    return {
        "name": live.session.name,
        "channel": live.channel or "no pressure",
        "figure": figure,
        "unit": unit,
        "window": "" if window_pa is None else f"window {ui.bare(reader.pressure(window_pa[0]))} to {reader.pressure(window_pa[1])}",
        "shots": str(len(live.shots)),
        "minute": f"{minute} in the last minute",
        "dip": "–" if last is None else reader.pressure(last.dip_pa),
        "from": "" if last is None else f"from {reader.pressure(last.before_pa)}",
        "recovery": "–" if recovered is None else seconds(recovered.recovery_s),
        "of": "" if recovered is None else "of the last shot that recovered",
        "for": seconds(max(live.last_s, 0.0)) if math.isfinite(live.last_s) else "–",
        "last": "no shot yet" if last is None else f"shot {len(live.shots)}, at {reader.pressure(last.before_pa)}",
        "catching": "" if live.share >= 1.0 else f"Reading what was recorded before: {100.0 * live.share:.0f} %",
        "refused": "",
    }


def alerts(live: Live, reader: Reader, window_pa: Window) -> list[dict[str, str]]:
    """What needs attention now, the worst first: kind and sentence."""
    found = []
    if live.state in STATES:
        found.append({"kind": live.state, "text": STATES[live.state].format(raw=f"{live.raw:g}" if math.isfinite(live.raw) else "nothing")})
    if not live.channel:
        found.append({"kind": "no pressure", "text": "The sensor sends no pressure. Calibrate it: farend calibrate --port PORT."})
    if live.warning and live.state != "device away":  # of which the warning tells as well
        found.append({"kind": "warning", "text": live.warning})
    if window_pa is not None and live.state == "recording":
        side = stays_outside(live.t_s, live.p_pa, window_pa)
        if side != "inside":
            edge = reader.pressure(window_pa[0 if side == "below" else 1])
            found.append({"kind": side, "text": f"{side.capitalize()} the tool's window ({edge})"})
    return found


STATES = {
    "silent": "The sensor is silent. Check its cable and the board; the recording waits for it.",
    "device away": "The sensor's board is disconnected. Plug it in; the recording goes on by itself.",
    "stalled": "The recorder does not answer. Look at the computer it runs on; what it has written is safe.",
    "sensor fault": "Sensor fault: it sends {raw}, which is no pressure. Check its wires.",
    "finishing": "The recording is being finished.",
}


def trace(live: Live, reader: Reader, since_s: float) -> list[list[float]]:
    """What the trace has gained since a moment: times [s] and pressures in the reader's unit."""
    new = int(np.searchsorted(live.t_s, since_s, side="right"))
    gained_s = float(live.t_s[-1] - live.t_s[new]) if new < live.t_s.size else 0.0
    points = min(FIRST_POINTS, max(20, int(POINTS_PER_S * gained_s)))
    t_s, p_pa = thin(live.t_s[new:], live.p_pa[new:], points)
    return [[round(float(t), 3) for t in t_s], [round(reader.pressure_value(float(p)), 4) for p in p_pa]]
