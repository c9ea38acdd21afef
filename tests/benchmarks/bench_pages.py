"""What a very long session costs the pages: 12 h at 1 kHz, two channels, 43 million readings, invented.

Times and peak memory of the page in the server (functions called in a fresh process) and in Chromium, and of a list of 300 sessions.
Under load, process time tells more than wall time; both are printed. Run: python -m tests.benchmarks.bench_pages [HOURS]
"""

from __future__ import annotations

import os
import re
import shutil
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path
from urllib.parse import quote

import numpy as np

from logger.channel import Channel
from logger.readings import ParquetWriter
from logger.session import create_session, save_session

RATE_HZ = 1000
PIECE_S = 600
WORK, NIGHT = "Twelve hours of work", "Twelve hours shut in"
AIM_OPEN_S, AIM_ZOOM_S, AIM_LIST_S, AIM_USEFUL_S = 2.0, 0.15, 1.0, 1.0
SESSIONS = 300
REST_MS = 5000  # after which a server has warmed up
CHANNELS = [Channel(name="tool", unit="kPa"), Channel(name="tank", unit="kPa")]


def invent(home: Path, hours: float) -> None:
    """Make a day of work and a night shut in, piece by piece."""
    rng = np.random.default_rng(1)
    for name in (NIGHT, WORK):
        session = create_session(home, name, started=datetime(2026, 5, 4, 6, tzinfo=UTC), channels=CHANNELS, notes="Invented.")
        with ParquetWriter(session.folder, ["tool", "tank"]) as writer:
            size = PIECE_S * RATE_HZ
            for k in range(int(hours * 3600 / PIECE_S)):
                t = (k * size + np.arange(size)) / RATE_HZ
                tool = np.full(size, 640.0) if name == WORK else 640.0 * np.exp(-t / 400_000.0)
                if name == WORK:
                    for at in np.arange(3.0, PIECE_S - 5.0, 6.5) + rng.uniform(0.0, 3.0, 92):
                        since = np.arange(3000) / RATE_HZ
                        dip = 60.0 * (1.0 - np.exp(-since / 0.01)) * np.exp(-since / 0.25)
                        start = int(at * RATE_HZ)
                        tool[start : start + since.size] -= dip[: size - start]
                tank = 800.0 + 10.0 * np.sin(2.0 * np.pi * t / 700.0)
                noisy = [np.round((x + rng.normal(0.0, 0.5, size)) * 4.0) / 4.0 for x in (tool, tank)]
                writer.write({"time_s": t, "tool": noisy[0], "tank": noisy[1]})


def invent_many(home: Path) -> None:
    """Make many short sessions."""
    rng = np.random.default_rng(2)
    t = np.arange(60_000) / 250.0
    for i in range(SESSIONS):
        raw = {"time_s": t, "tool": 640.0 + rng.normal(0.0, 1.0, t.size)}
        started = datetime(2026, 1, 1, tzinfo=UTC) + timedelta(hours=i)
        save_session(home, f"session {i}", started=started, channels=CHANNELS[:1], raw=raw)


def timed(what: str, do: Callable[[], object], aim_s: float | None = None) -> None:
    """Call and print what it took: wall and process time."""
    begun, cpu = time.perf_counter(), time.process_time()
    do()
    aim = "" if aim_s is None else f"   (aim: under {aim_s:g} s)"
    print(f"  {what:56} {time.perf_counter() - begun:7.3f} s, {time.process_time() - cpu:7.3f} s of the processor{aim}", flush=True)


def in_the_server(home: Path) -> None:
    """Call what the pages call, in this process."""
    import resource

    import pandas  # noqa: F401 (before several threads do, as the server does)

    from dashboard.pages import compare, leakdown, setting, shots
    from dashboard.reader import Reader
    from dashboard.work import Work

    def peak() -> str:
        return f"peak memory so far {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB"

    reader = Reader("bar")
    work = Work(home)
    print(f"  before: {peak()}")
    timed("opened for the first time (a sketch)", lambda: shots.layout(work, {"session": WORK}, reader), AIM_OPEN_S)
    timed("overview made, behind the page", lambda: work.opened(WORK).overview)
    for width in (20_000.0, 2_000.0, 200.0, 20.0, 2.0):
        ask = {"session": WORK, "from": "17000", "to": f"{17_000.0 + width}"}
        timed(f"zoom to {width:g} s while shots are looked for", partial(shots.redrawn, work, ask, reader), AIM_ZOOM_S)
    timed("shots found", lambda: work.shots(WORK))
    print(f"  {len(work.shots(WORK)[0].shots)} shots; {peak()}")
    timed("page with its shots", lambda: shots.layout(work, {"session": WORK}, reader))
    timed("page with its shots again", lambda: shots.layout(work, {"session": WORK}, reader))
    for width in (20_000.0, 2_000.0, 200.0, 20.0, 2.0):
        ask = {"session": WORK, "from": "27000", "to": f"{27_000.0 + width}"}
        timed(f"zoom to {width:g} s", partial(shots.redrawn, work, ask, reader), AIM_ZOOM_S)
    timed("before and after: choices", lambda: compare.layout(work, {"before": WORK, "after": NIGHT}, reader))
    timed("and the answer, from a stretch of each", lambda: compare.layout(work.patient(), {"before": WORK, "after": NIGHT}, reader))
    timed("setting", lambda: setting.layout(work, {"session": WORK}, reader))
    timed("leak-down of a night: its trace", lambda: leakdown.layout(work, {"session": NIGHT, "volume": "100 L"}, reader))
    timed("and the answer", lambda: leakdown.layout(work.patient(), {"session": NIGHT, "volume": "100 L"}, reader))
    print(f"  {peak()}", flush=True)
    fresh = Work(home)
    timed("opened again by a new server (overview from disk)", lambda: shots.layout(fresh, {"session": WORK}, reader), AIM_OPEN_S)


class Server:
    """The pages of one home folder, in a process of their own."""

    def __init__(self, home: Path, *, known: bool = False) -> None:
        if not known:  # no overview was made of its sessions: they were copied into the folder
            shutil.rmtree(home / "cache", ignore_errors=True)
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            port = probe.getsockname()[1]
        self.site = f"http://localhost:{port}"
        self._process = subprocess.Popen(
            [sys.executable, "-m", "farend", "dashboard", "--no-browser", "--port", str(port)],
            env={**os.environ, "FAREND_HOME": str(home)},
            stdout=subprocess.DEVNULL,
        )
        for _ in range(600):
            with socket.socket() as probe:
                if probe.connect_ex(("127.0.0.1", port)) == 0:
                    return
            time.sleep(0.1)

    def end(self) -> None:
        """Print its peak memory, as Linux tells it, and end it."""
        found = re.search(r"VmHWM:\s+(\d+)", Path(f"/proc/{self._process.pid}/status").read_text(encoding="ascii"))
        print(f"  peak memory of the server {float(found[1]) / 1024 if found else float('nan'):.0f} MB", flush=True)
        self._process.terminate()
        self._process.wait()


def in_the_browser(home: Path, many: Path) -> None:
    """Open and zoom in Chromium."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=shutil.which("chromium"), args=["--no-sandbox", "--disable-background-networking"]
        )
        page = browser.new_page(viewport={"width": 1440, "height": 900})

        def go(address: str, wanted: str) -> None:
            page.goto(address)
            page.wait_for_selector(wanted, state="attached", timeout=120_000)

        def zoom(from_h: float, until_h: float, when: str = "") -> None:
            seconds = page.evaluate(ZOOM, [from_h, until_h])
            print(
                f"  {f'zoom to {until_h - from_h:.2f} h seen in the browser{when}':56} {seconds:7.3f} s   (aim: {AIM_ZOOM_S:g} s)",
                flush=True,
            )

        def click() -> None:
            page.locator(".session", has_text=WORK).get_by_role("link", name="Shots").click()
            page.wait_for_selector(DRAWN, state="attached", timeout=120_000)

        def click_in_the_list(what: str, rest_ms: int) -> None:
            go(f"{server.site}/more", "#page h1")  # Chromium itself has begun by then
            go(f"{server.site}/sessions", ".session")
            page.wait_for_timeout(rest_ms)
            timed(what, click, AIM_OPEN_S)

        server = Server(home)
        click_in_the_list("seen after a click, no overview, server just started", 0)
        server.end()
        server = Server(home, known=True)
        click_in_the_list("seen after a click, recorded or imported here", REST_MS)
        page.wait_for_timeout(1000)
        for window in ((3.0, 5.0), (4.0, 4.2), (4.1, 4.11)):
            zoom(*window, ", searching")
        timed("shots seen in the browser", lambda: page.wait_for_selector("#shot-table", timeout=300_000))
        page.wait_for_timeout(2000)
        for window in ((3.0, 5.0), (4.0, 4.2), (4.1, 4.11), (8.1, 8.11), (6.0, 6.2), (2.0, 9.0)):
            zoom(*window)
        timed("loaded afresh by its address", partial(go, f"{server.site}/shots?session={quote(WORK)}", DRAWN), AIM_OPEN_S)
        night = f"{server.site}/leakdown?session={quote(NIGHT)}&volume=100%20L"
        timed("leak-down of a night: its trace seen in the browser", partial(go, night, DRAWN), AIM_USEFUL_S)
        timed("and the answer", lambda: page.wait_for_selector(".answer", timeout=120_000))
        server.end()

        server = Server(many)
        go(f"{server.site}/more", "#page h1")
        page.wait_for_timeout(REST_MS)

        def click_list() -> None:
            page.locator('.pages a[href="/sessions"]').click()
            page.wait_for_selector(".session", state="attached", timeout=120_000)

        timed(f"list of {SESSIONS} sessions seen after a click", click_list, AIM_LIST_S)
        timed("and the pictures in view", partial(page.wait_for_function, PICTURES))
        server.end()
        browser.close()


DRAWN = ".js-plotly-plot .scatterlayer .trace path"
PICTURES = "() => [...document.querySelectorAll('.thumb img')].slice(0, 4).every((i) => i.complete && i.naturalWidth)"
ZOOM = """([from, until]) => new Promise((done) => {
  const plot = document.querySelector(".figure-card .js-plotly-plot"), begun = performance.now(), before = plot.data[0].x;
  const look = () => plot.data[0].x !== before ? requestAnimationFrame(() => done((performance.now() - begun) / 1000))
    : performance.now() - begun > 20000 ? done(NaN) : requestAnimationFrame(look);
  window.Plotly.relayout(plot, {"xaxis.range[0]": from, "xaxis.range[1]": until});
  look();
})"""


def main() -> None:
    """Print the table."""
    hours = float(sys.argv[1]) if len(sys.argv) > 1 else 12.0
    home, many = Path(tempfile.mkdtemp(prefix="farend-long-")), Path(tempfile.mkdtemp(prefix="farend-many-"))
    try:
        invent(home, hours)
        invent_many(many)
        count = hours * 3600.0 * RATE_HZ
        print(f"{hours:g} h at {RATE_HZ} Hz, 2 channels: {count:.0f} readings, {24.0 * count / 1e6:.0f} MB when held; two such sessions")
        code = f"from tests.benchmarks.bench_pages import *; in_the_server(Path({str(home)!r}))"  # memory of its own
        subprocess.run([sys.executable, "-c", code], check=True)
        in_the_browser(home, many)
    finally:
        shutil.rmtree(home)
        shutil.rmtree(many)


if __name__ == "__main__":
    main()
