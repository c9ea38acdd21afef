"""How far the Now page is behind the sensor, and what following a recording of half a day costs.

The sensor's end of a pseudo-terminal sends a step and notes the moment; the page, in Chromium, notes when its large figure shows it.
Both clocks are this computer's. Run: python -m tests.benchmarks.bench_live
"""

from __future__ import annotations

import os
import shutil
import tempfile
import threading
import time
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from dashboard.live import Follower
from logger.channel import Channel
from logger.journal import JournalWriter
from logger.lines import HELLO
from logger.readings import new_journal_path
from logger.session import create_session, lock_session, unlock_session

STEPS = 40
LOW_KPA, HIGH_KPA = 600, 650
RATE_HZ = 250
AIM_MS = 250.0


class SteppingSensor:
    """A board on a pseudo-terminal whose pressure steps up and down; `moments` holds when each step left it [s since 1970]."""

    def __init__(self) -> None:
        import pty
        import tty

        self._master, slave = pty.openpty()
        tty.setraw(slave)
        self.port = os.ttyname(slave)
        self.moments: list[float] = []
        self.stop = threading.Event()
        threading.Thread(target=self._play, daemon=True).start()

    def _play(self) -> None:
        heard = b""
        while HELLO not in heard:
            heard += os.read(self._master, 100)
        os.write(self._master, b"\n#farend columns=t_us,tool unit=kPa rate=250\n")
        rng, level = np.random.default_rng(1), LOW_KPA
        begun = following = time.monotonic()
        following += 3.0
        sent = 0
        while not self.stop.is_set():
            now = time.monotonic()
            if now >= following:
                level = LOW_KPA + HIGH_KPA - level
                following = now + rng.uniform(0.7, 1.3)
                self.moments.append(time.time())
            due = int((now - begun) * RATE_HZ)
            os.write(self._master, "".join(f"{1_000_000 + k * 4000},{level}\n" for k in range(sent, due)).encode())
            sent = due
            time.sleep(0.002)


def latency_ms() -> np.ndarray:
    """Delays from the sensor to the page [ms], one a step."""
    from playwright.sync_api import sync_playwright

    from tests.test_browser_now import Dashboard

    home = Path(tempfile.mkdtemp())
    sensor, pages = SteppingSensor(), Dashboard(home)
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=shutil.which("chromium"), args=["--no-sandbox", "--disable-background-networking"]
        )
        page = browser.new_page(viewport={"width": 390, "height": 844})
        page.goto(f"{pages.site}/now")
        page.get_by_text("A sensor of another kind").click()
        page.get_by_label("Address of a sensor in the network").fill(sensor.port)
        page.get_by_role("button", name="Start recording").click()
        page.locator('#now[data-state="live"]').wait_for(timeout=60_000)
        page.evaluate(
            """() => { window.shown = []; let last = "";
              new MutationObserver(() => { const text = document.querySelector('[data-now="figure"]').textContent;
                if (text !== last) { window.shown.push([Date.now() / 1000, Number(text)]); last = text; } })
              .observe(document.querySelector('[data-now="figure"]'), {childList: true, characterData: true, subtree: true}); }"""
        )
        begun = time.time()
        while sum(m > begun for m in sensor.moments) < STEPS:
            page.wait_for_timeout(200)
        page.wait_for_timeout(1500)
        shown = page.evaluate("window.shown")
        page.on("dialog", lambda dialog: dialog.accept())
        page.get_by_role("button", name="Stop recording").click()
        page.locator('#now[data-state="none"]').wait_for(timeout=60_000)
        browser.close()
    sensor.stop.set()
    pages.end()
    delays = []
    for moment in sensor.moments:
        after = [at for at, _ in shown if moment < at < moment + 0.7]
        if moment > begun and after:
            delays.append(1e3 * (after[0] - moment))
    return np.array(delays)


def half_a_day(hours: float = 12.0, rate_hz: float = 1000.0) -> tuple[float, float, float]:
    """Follow a long recording: time to take it in [s], time of one more look at it [s], readings held."""
    home = Path(tempfile.mkdtemp())
    channels = [Channel(name="tool", unit="kPa"), Channel(name="tank", unit="kPa")]
    session = create_session(home, "long", started=datetime.now(UTC), channels=channels)
    lock = lock_session(session.folder)
    journal = JournalWriter(new_journal_path(session.folder), ["time_s", "tool", "tank"])
    block = int(rate_hz / 4)
    rng = np.random.default_rng(2)
    kpa = 640.0 + rng.normal(0.0, 0.4, block)
    journal._sync = lambda: None  # type: ignore[method-assign]  # the disk is not what is measured
    for i in range(int(hours * 3600 * 4)):
        journal.write([(i * block + np.arange(block)) / rate_hz, kpa, kpa])
    follower = Follower(home)
    begun = time.perf_counter()
    while (live := follower.look()) is None or live.share < 1.0:
        pass
    taken_in = time.perf_counter() - begun
    looks = []
    for i in range(int(hours * 3600 * 4), int(hours * 3600 * 4) + 20):
        journal.write([(i * block + np.arange(block)) / rate_hz, kpa, kpa])
        begun = time.perf_counter()
        live = follower.look()
        looks.append(time.perf_counter() - begun)
    assert live is not None
    journal.close()
    unlock_session(session.folder, lock)
    shutil.rmtree(home)
    return taken_in, min(looks), live.t_s.size


def main() -> None:
    """Print the table."""
    delays = latency_ms()
    print(
        f"Now page behind the sensor, {delays.size} steps: median {np.median(delays):.0f} ms, 95 % {np.quantile(delays, 0.95):.0f} ms, "
        f"longest {delays.max():.0f} ms (aim: under {AIM_MS:.0f} ms)"
    )
    taken_in, look, held = half_a_day()
    print(
        f"12 h at 1 kHz, 2 channels, opened late: taken in after {taken_in:.1f} s, piece by piece; each look then {1e3 * look:.1f} ms; "
        f"{held} readings held"
    )


if __name__ == "__main__":
    main()
