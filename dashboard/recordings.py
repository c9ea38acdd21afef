"""Recordings from the page: look at the one that is being made, start one, end it, mark it.

A recording is a process of its own, started here or anywhere else; it goes on when the pages end. What is asked of it goes through the
disk, so that it makes no difference who started it.
"""

from __future__ import annotations

import contextlib
import math
import os
import re
import shlex
import subprocess
import sys
import threading
import time
from collections.abc import Mapping, Sequence
from itertools import pairwise
from pathlib import Path
from typing import Any

from analysis.line_file import parse_line
from analysis.record import Shot
from dashboard.live import Follower, Live
from logger.home import lines_folder, safe_name
from logger.invented import PORT as INVENTED
from logger.live import ask_to_stop
from logger.session import append_mark
from logger.sources import PortReport, describe_ports, list_ports

LISTEN_S = 1.5
TEXT_MOST = 200
BAUD = 115200  # of a serial port that was not heard at another speed
SAID_FILE = "recorder said.txt"
_NETWORK = re.compile(r"(socket|rfc2217)://[\w.-]+:\d{1,5}|mqtt://([\w.-]+@)?[\w.-]+(:\d{1,5})?/[\w./+#-]+", re.ASCII)
INVENTED_PORT = PortReport(
    port=INVENTED,
    name="for trying out",
    lines=0,
    rate_hz=None,
    sample="",
    sends="an invented nailer at work; nothing of it is measured.",
    command=None,
)


class Recordings:
    """The recordings of one home folder, for the page.

    Parameters
    ----------
    home : Path
        Folder with ``sessions``.
    """

    def __init__(self, home: Path) -> None:
        self.home = home
        self._follower = Follower(home)
        self._following = threading.Lock()
        self._starting = threading.Lock()
        self._process: subprocess.Popen[bytes] | None = None
        self._seen = False  # a reading of the recorder that was started here
        self._said = ""
        self._heard: dict[str, PortReport] = {}
        self._heard_at = -math.inf
        self._listening = threading.Lock()
        self._window: tuple[Path, tuple[float, float] | None] | None = None

    def live(self) -> Live | None:
        """Look at the recording that is being made, if there is one."""
        with self._following:
            live = self._follower.look()
        self._seen |= live is not None
        return live

    def running(self) -> Live:
        """The recording that is being made.

        Raises
        ------
        ValueError
            If there is none.
        """
        live = self.live()
        if live is None:
            msg = "nothing is being recorded."
            raise ValueError(msg)
        return live

    def window_of(self, live: Live) -> tuple[float, float] | None:
        """Working pressures of the tool [Pa gauge], where the session names a line that is kept and its tool has a window."""
        if self._window is None or self._window[0] != live.session.folder:
            self._window = (live.session.folder, self._window_of_line(live.session.line))
        return self._window[1]

    def _window_of_line(self, wanted: str) -> tuple[float, float] | None:
        for file in sorted(lines_folder(self.home).glob("*.toml")) if wanted else ():
            with contextlib.suppress(ValueError, OSError):
                line = parse_line(file.read_text(encoding="utf-8"))
                if wanted in {file.stem, line.name}:
                    return line.tool.window_pa
        return None

    # Start and end

    def ports(self) -> list[PortReport]:
        """Listen on every port at once and say what each sends; last of all the invented one."""
        asked = time.monotonic()
        with self._listening:
            if asked > self._heard_at:  # else another page has just listened
                self._heard, self._heard_at = {report.port: report for report in describe_ports(LISTEN_S)}, time.monotonic()
            return [*self._heard.values(), INVENTED_PORT]

    def start(
        self,
        ports: Sequence[str],
        name: str = "",
        *,
        called: Mapping[str, str] | None = None,
        line: str = "",
        columns: str = "",
        unit: str = "",
    ) -> None:
        """Start a recorder of one or several sensors and return at once; `waiting` and `live` say what comes of it.

        Parameters
        ----------
        ports : sequence of str
            Where the sensors are.
        name, line : str
            Of the recording, and the air line it is made on.
        called : mapping of str to str, optional
            What the sensor at a port is called, to tell the channels of several apart.
        columns, unit : str
            What a line's values are, and the pressure's unit: of one sensor, or of those that do not say themselves.

        Raises
        ------
        ValueError
            If something is being recorded already, or what was asked for cannot be; the message says why.
        """
        places = [check_port(port) for port in ports] or [check_port("")]
        if len(set(places)) < len(places):
            msg = "One sensor is chosen twice."
            raise ValueError(msg)
        named = [_named(port, (called or {}).get(port, "")) for port in places]
        if name.strip():
            safe_name(name)
        with self._starting:
            live = self.live()
            if live is not None:
                msg = f"{live.session.name} is being recorded already. Stop it first."
                raise ValueError(msg)
            if self.waiting():
                msg = "A recording is being started already. Stop it first."
                raise ValueError(msg)
            typed = {k: v for k, v in (("--columns", columns.strip()), ("--unit", unit.strip())) if v}
            alone = len(places) == 1
            known = [{**self._as_heard(port), **typed} if alone else {**typed, **self._as_heard(port)} for port in places]
            words = [f"--port={port}" for port in named]
            for option, usual in (("--columns", ""), ("--unit", ""), ("--baud", str(BAUD))):
                if any(option in options for options in known):
                    words += [f"{option}={options.get(option, usual)}" for options in known]
            words += [f"{option}={text}" for option, text in (("--name", name.strip()), ("--line", line)) if text]
            self._seen = False
            self._process = _detached(words, self.home)
            self._said = ""

    def _as_heard(self, port: str) -> dict[str, str]:
        """How to record a port, as far as listening to it told."""
        report = self._heard.get(port)
        words = shlex.split(report.command or "") if report is not None else []
        options = {k: v for k, v in pairwise(words) if k in {"--columns", "--unit", "--baud"}}
        return {k: v for k, v in options.items() if v != "UNIT"}

    def waiting(self) -> bool:
        """Tell whether a recorder that was started here has no reading yet; remember what it said if it has ended."""
        if self._process is None:
            return False
        ended = self._process.poll()
        if ended is None:
            return self.live() is None and not self._seen
        self._process = None
        self._said = _last_words(self.home / SAID_FILE) if ended else ""
        return False

    @property
    def failed(self) -> str:
        """Why the recorder that was started here last gave up; "" if it did not."""
        return self._said

    def stop(self) -> str:
        """Ask the recording to end and return its name.

        Raises
        ------
        ValueError
            If nothing is being recorded.
        """
        process = self._process
        live = self.live()
        if live is None and process is not None and process.poll() is None:
            process.terminate()
            return "the recording"
        if live is None:
            msg = "nothing is being recorded."
            raise ValueError(msg)
        ask_to_stop(live.session.folder)
        return live.session.name

    # Marks

    def mark(self, text: str, kind: str = "note") -> float:
        """Mark this moment of the recording that is being made, and return it [s].

        Raises
        ------
        ValueError
            If there is no text, or nothing is being recorded.
        """
        live = self.running()
        if not text.strip():
            msg = "write what happened, in a word or two."
            raise ValueError(msg)
        if not math.isfinite(live.last_s):
            msg = "there is no reading yet."
            raise ValueError(msg)
        time_s = round(live.last_s, 3)
        append_mark(live.session.folder, {"time_s": time_s, "kind": kind, "text": text.strip()[:TEXT_MOST]})
        return time_s

    def judge(self, depth: str, of: str = "") -> tuple[int, Shot]:
        """Judge how deep the last shot set its nail ("proud", "flush", "deep"), `of` a fastener and wood; return the shot and its number.

        Raises
        ------
        ValueError
            If there was no shot, or nothing is being recorded.
        """
        live = self.running()
        if not live.shots:
            msg = "no shot has been fired yet."
            raise ValueError(msg)
        shot = live.shots[-1]
        # Rounded up: a judgement belongs to the last shot that is not later than itself.
        mark: dict[str, Any] = {"time_s": math.ceil(shot.time_s * 1000.0) / 1000.0, "kind": "judged", "depth": depth}
        if of.strip():
            mark["text"] = of.strip()[:TEXT_MOST]
        append_mark(live.session.folder, mark)
        return len(live.shots), shot


def _named(port: str, called: str) -> str:
    """A port as the command line takes it, with the name of its sensor."""
    called = called.strip()
    if called and not re.fullmatch(r"[A-Za-z]\w*", called, re.ASCII):
        msg = f"{called!r} cannot name a sensor. Use one word of letters and digits, e.g. supply."
        raise ValueError(msg)
    return f"{called}={port}" if called else port


def check_port(port: str) -> str:
    """Return the port if a page may open it: a device that is plugged in, a plain network address, or the invented sensor.

    The command line takes every URL that pyserial knows, some of which write files; whoever holds the access code shall not.

    Raises
    ------
    ValueError
        If it is none of these.
    """
    port = port.strip()
    if port == INVENTED or _NETWORK.fullmatch(port) or port in {p for p, _ in list_ports()}:
        return port
    if os.name == "posix" and port.startswith("/dev/") and ".." not in port and Path(port).is_char_device():
        return port
    if os.name == "nt" and re.fullmatch(r"COM\d{1,3}", port, re.IGNORECASE):
        return port
    what = f"{port!r} is no port that can be recorded from here" if port else "No sensor is chosen"
    msg = f"{what}. Choose one of the list, or write socket://HOST:PORT for a sensor in the network."
    raise ValueError(msg)


def _detached(options: list[str], home: Path) -> subprocess.Popen[bytes]:
    """Start `farend record` so that it outlives the pages and the terminal they run in."""
    home.mkdir(parents=True, exist_ok=True)
    flags = getattr(subprocess, "DETACHED_PROCESS", 0) | getattr(subprocess, "CREATE_NEW_PROCESS_GROUP", 0)
    with (home / SAID_FILE).open("wb") as said:
        return subprocess.Popen(
            [sys.executable, "-m", "farend", "record", *options],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=said,
            env={**os.environ, "FAREND_HOME": str(home.resolve())},
            start_new_session=True,
            creationflags=flags,
        )


def _last_words(file: Path) -> str:
    """What a recorder that gave up said last."""
    try:
        lines = file.read_text(encoding="utf-8", errors="replace").strip().splitlines()
    except OSError:
        lines = []
    return lines[-1].removeprefix("farend: ") if lines else "The recorder ended without a word."
