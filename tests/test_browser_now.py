"""Recording in a real browser, with the server as a process of its own: from the first tap to the answers, by several phones, with the
server ended under an open page, over a slow network, and in the network with the access code.
"""

from __future__ import annotations

import contextlib
import os
import re
import shutil
import signal
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from playwright.sync_api import Browser, BrowserContext, Locator, Page, expect

from logger.kept import find_session, list_sessions
from logger.live import ask_to_stop
from logger.virtual import VirtualDevice
from tests.browser.axe import grave_faults
from tests.browser.home import LINES
from tests.browser.watched import PATIENCE_MS, SCREENS, Watched, keep_picture

pytestmark = [pytest.mark.browser, pytest.mark.skipif(os.name != "posix", reason="ends a process as POSIX does")]


class Dashboard:
    """The pages as a process, as a user starts them."""

    def __init__(self, home: Path, *options: str) -> None:
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            self.port = free.getsockname()[1]
        self.home, self._options = home, options
        self.site = f"http://localhost:{self.port}"
        self.said = ""
        self.start()

    def start(self) -> None:
        """Start it and wait until it answers."""
        words = [sys.executable, "-m", "farend", "dashboard", "--no-browser", "--port", str(self.port), *self._options]
        log = self.home / "dashboard.log"
        with log.open("w") as out:
            environment = {**os.environ, "FAREND_HOME": str(self.home), "PYTHONUNBUFFERED": "1"}
            self._process = subprocess.Popen(words, stdout=out, stderr=out, env=environment)
        deadline = time.monotonic() + 60.0
        while True:
            assert self._process.poll() is None, log.read_text()
            assert time.monotonic() < deadline, "the pages did not come up in time"
            with contextlib.suppress(OSError), urllib.request.urlopen(f"{self.site}/assets/enter.js", timeout=1.0):
                break
            time.sleep(0.05)
        self.said = log.read_text()

    def end(self, number: int = signal.SIGTERM) -> str:
        """End it and return all that it said."""
        self._process.send_signal(number)
        self._process.wait(10.0)
        return (self.home / "dashboard.log").read_text()


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("home")
    (made / "lines").mkdir()
    shutil.copy(LINES / "boathouse.toml", made / "lines")
    return made


@pytest.fixture(scope="module")
def running(home: Path) -> Iterator[Dashboard]:
    started = Dashboard(home)
    yield started
    assert "Traceback" not in started.end()


@pytest.fixture
def pages(running: Dashboard) -> Iterator[Dashboard]:
    yield running
    leave_none_behind(running.home)


def leave_none_behind(home: Path) -> None:
    """End the recordings that a failed test left."""
    for session in list_sessions(home):
        if session.recording:
            ask_to_stop(session.folder)


@pytest.fixture
def phone(browser: Browser) -> Iterator[BrowserContext]:
    context = browser.new_context(viewport=SCREENS["phone"], has_touch=True, is_mobile=True, color_scheme="light")
    yield context
    context.close()


def begin(page: Page, name: str) -> None:
    """Choose the invented sensor and start."""
    page.get_by_role("checkbox", name="invented:deck").check()
    page.get_by_label("Name of the recording").fill(name)
    page.get_by_role("textbox", name="Air line").click()
    page.get_by_role("option", name="boathouse").click()
    page.get_by_role("button", name="Start recording").click()
    expect(page.locator('#now[data-state="live"]')).to_be_visible(timeout=PATIENCE_MS)


def place_of(page: Page, key: str) -> Locator:
    return page.locator(f'[data-now="{key}"]')


def contrast(page: Page, selector: str) -> float:
    """Contrast of a text with what lies behind it, as WCAG 2.2 defines it."""
    return float(
        page.eval_on_selector(
            selector,
            """e => {
              const light = c => { const [r, g, b] = c.match(/[\\d.]+/g).map(Number).map(v => v / 255)
                .map(v => v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4); return 0.2126 * r + 0.7152 * g + 0.0722 * b; };
              let behind = e;
              while (getComputedStyle(behind).backgroundColor === 'rgba(0, 0, 0, 0)') behind = behind.parentElement;
              const [a, b] = [light(getComputedStyle(e).color), light(getComputedStyle(behind).backgroundColor)];
              return (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05); }""",
        )
    )


def test_from_the_first_tap_to_the_answers_and_two_phones_at_once(pages: Dashboard, browser: Browser, phone: BrowserContext) -> None:
    first = Watched(phone)
    page = first.open(f"{pages.site}/now", "Now")
    begin(page, "deck, <b>north</b>")
    other_context = browser.new_context(viewport=SCREENS["phone"], color_scheme="dark")
    second = Watched(other_context)
    other = second.open(f"{pages.site}/now", "Now")
    expect(other.locator('[data-now="name"]')).to_have_text("deck, -b-north--b-")
    expect(other.locator('[data-now="window"]')).to_have_text("window 5.50 to 7.00 bar")
    for each in (page, other):
        expect(each.locator('[data-now="shots"]')).not_to_have_text("0", timeout=PATIENCE_MS)
        expect(each.locator('[data-now="recovery"]')).to_contain_text(" s", timeout=PATIENCE_MS)
        assert contrast(each, ".now-value") >= 7.0
        assert each.evaluate("document.documentElement.scrollWidth <= window.innerWidth"), "the page scrolls sideways"
        assert grave_faults(each) == []
    drawn = page.evaluate("""() => { const c = document.getElementById('now-trace');
        return new Set(new Uint32Array(c.getContext('2d').getImageData(0, 0, c.width, c.height).data.buffer)).size; }""")
    assert drawn > 3, "the trace is not drawn"

    page.get_by_role("button", name="Fitted receiver").tap()
    expect(page.locator("#mark-said")).to_contain_text("“Fitted receiver” marked at")
    other.get_by_label("In your own words").fill("<i>nails too deep</i>")
    other.get_by_role("button", name="Mark", exact=True).click()
    expect(other.locator("#mark-said")).to_contain_text("“<i>nails too deep</i>” marked at")
    page.get_by_role("button", name="Flush").tap()
    expect(page.locator("#judge-said")).to_contain_text(": flush.")
    other.get_by_role("button", name="Deep").click()
    expect(other.locator("#judge-said")).to_contain_text(": deep.")

    page.on("dialog", lambda dialog: dialog.accept())
    page.get_by_role("button", name="Stop recording").tap()
    for each in (page, other):
        expect(each.locator('#now[data-state="none"]')).to_be_visible(timeout=PATIENCE_MS)
    session = find_session(pages.home, "deck, -b-north--b-")
    assert (session.finished, session.line) == (True, "boathouse")
    assert sorted(str(m.get("depth") or m.get("text")) for m in session.marks)[:2] == ["<i>nails too deep</i>", "Fitted receiver"]
    assert sum(m["kind"] == "judged" for m in session.marks) == 2
    other.get_by_role("link", name="Its shots").click()
    expect(other.locator(".answer").first).to_contain_text(re.compile(r"\d shots? in "), timeout=PATIENCE_MS)
    assert first.wrong == []
    assert second.wrong == []
    other_context.close()


def test_the_server_ends_under_an_open_page_and_the_recording_does_not(pages: Dashboard, phone: BrowserContext) -> None:
    watched = Watched(phone)
    page = watched.open(f"{pages.site}/now", "Now")
    begin(page, "through")
    pages.end(signal.SIGKILL)
    banner = page.locator("#contact")
    expect(banner).to_contain_text("No contact with farend")
    assert find_session(pages.home, "through").recording
    pages.start()
    expect(banner).to_have_count(0)
    expect(place_of(page, "name")).to_have_text("through")
    before = place_of(page, "for").text_content()
    expect(place_of(page, "for")).not_to_have_text(before or "")
    page.goto("about:blank")  # the browser is closed and comes back
    page.goto(f"{pages.site}/now")
    expect(place_of(page, "name")).to_have_text("through")
    page.on("dialog", lambda dialog: dialog.accept())
    page.get_by_role("button", name="Stop recording").tap()
    expect(page.locator('#now[data-state="none"]')).to_be_visible(timeout=PATIENCE_MS)
    assert [w for w in watched.wrong if "ERR_" not in w] == []


def test_two_sensors_are_started_together(pages: Dashboard, phone: BrowserContext) -> None:
    watched = Watched(phone)
    page = watched.open(f"{pages.site}/now", "Now")
    t_s = np.arange(0.0, 600.0, 0.01)
    with VirtualDevice(t_s, {"a0": np.full(t_s.size, 812.0)}, ends=False) as device:
        page.get_by_role("checkbox", name="invented:deck").check()
        named = page.get_by_label("Name of invented:deck")
        expect(named).to_be_hidden()  # one sensor needs no name
        page.get_by_text("A sensor of another kind").click()
        page.get_by_label("Address of a sensor in the network").fill(device.port)
        page.get_by_label("Its name, where there are several").fill("supply")
        named.fill("tool")
        assert grave_faults(page) == []
        keep_picture(page, "now several")
        page.get_by_label("Name of the recording").fill("both ends")
        page.get_by_role("button", name="Start recording").click()
        expect(page.locator('#now[data-state="live"]')).to_be_visible(timeout=PATIENCE_MS)
        expect(place_of(page, "channel")).to_have_text("tool")
        page.on("dialog", lambda dialog: dialog.accept())
        page.get_by_role("button", name="Stop recording").tap()
        expect(page.locator('#now[data-state="none"]')).to_be_visible(timeout=PATIENCE_MS)
    assert {c.name for c in find_session(pages.home, "both ends").channels} == {"tool", "supply"}
    assert watched.wrong == []


def test_what_is_wrong_is_said_at_once_and_sounds(pages: Dashboard, browser: Browser) -> None:
    context = browser.new_context(viewport=SCREENS["phone"])
    watched = Watched(context)
    context.add_init_script("window.shaken = []; navigator.vibrate = pattern => window.shaken.push(pattern);")
    page = watched.open(f"{pages.site}/now?low=5.5+bar&high=7+bar", "Now")
    t_s = np.arange(0.0, 600.0, 0.004)
    with VirtualDevice(t_s, {"tool": np.where(t_s < 4.0, 640.0, 500.0)}, ends=False) as device:
        page.get_by_text("A sensor of another kind").click()
        page.get_by_label("Address of a sensor in the network").fill(device.port)
        page.get_by_role("button", name="Start recording").click()
        expect(page.locator('#now[data-state="live"]')).to_be_visible(timeout=PATIENCE_MS)
        page.locator("label", has_text="with sound").click()
        page.locator("label", has_text="with vibration").click()
        alert = page.get_by_role("alert")
        expect(alert).to_have_text("Below the tool's window (5.50 bar)")
        expect(place_of(page, "figure")).to_have_text("5.00")
        assert contrast(page, ".now-value") >= 7.0
        assert contrast(page, ".now-alerts p") >= 4.5
        page.wait_for_function("document.getElementById('now').dataset.sounded > 0")
        page.wait_for_function("window.shaken.length > 1")
    expect(alert).to_contain_text("The sensor's board is disconnected")
    page.reload()
    expect(page.locator("#now-sound")).to_be_checked()
    expect(alert).to_contain_text("The sensor's board is disconnected")
    page.on("dialog", lambda dialog: dialog.accept())
    page.get_by_role("button", name="Stop recording").click()
    expect(page.locator('#now[data-state="none"]')).to_be_visible(timeout=PATIENCE_MS)
    assert watched.wrong == []
    context.close()


def test_over_a_slow_network_the_page_keeps_up(pages: Dashboard, phone: BrowserContext) -> None:
    watched = Watched(phone)
    page = watched.open(f"{pages.site}/now", "Now")
    begin(page, "far away")
    slow = {"offline": False, "latency": 400, "downloadThroughput": 40_000, "uploadThroughput": 20_000}
    network = phone.new_cdp_session(page)
    network.send("Network.enable")
    network.send("Network.emulateNetworkConditions", slow)
    page.get_by_role("button", name="Set regulator").tap()
    expect(page.locator("#mark-said")).to_contain_text("marked at")
    for _ in range(3):
        before = place_of(page, "for").text_content()
        expect(place_of(page, "for")).not_to_have_text(before or "")
    network.send("Network.emulateNetworkConditions", {**slow, "offline": True})
    network.send("Network.emulateNetworkConditions", {**slow, "latency": 0, "downloadThroughput": -1, "uploadThroughput": -1})
    before = place_of(page, "for").text_content()
    expect(place_of(page, "for")).not_to_have_text(before or "")
    page.on("dialog", lambda dialog: dialog.accept())
    page.get_by_role("button", name="Stop recording").tap()
    expect(page.locator('#now[data-state="none"]')).to_be_visible(timeout=PATIENCE_MS)
    assert [w for w in watched.wrong if "ERR_INTERNET_DISCONNECTED" not in w] == []


@pytest.fixture
def open_to_the_network(tmp_path: Path) -> Iterator[Dashboard]:
    (tmp_path / "lines").mkdir()
    shutil.copy(LINES / "boathouse.toml", tmp_path / "lines")
    started = Dashboard(tmp_path, "--lan")
    yield started
    leave_none_behind(tmp_path)
    assert "Traceback" not in started.end()


def test_a_phone_comes_in_with_the_code_and_again_after_a_restart(open_to_the_network: Dashboard, phone: BrowserContext) -> None:
    pages = open_to_the_network
    watched = Watched(phone)
    page = watched.page
    page.goto(f"{pages.site}/shots")
    expect(page.get_by_label("Access code")).to_be_visible()
    assert grave_faults(page) == []
    page.get_by_label("Access code").fill("2222-2222")
    page.get_by_role("button", name="Come in").tap()
    expect(page.get_by_role("alert")).to_contain_text("That is not the code")
    watched.wrong.clear()  # the refusal itself
    code = pages.said.partition("access code ")[2] or pages.said.partition("Access code: ")[2]
    page.goto(f"{pages.site}/enter#{code[:9]}")
    page.wait_for_url("**/now")
    expect(page.get_by_role("heading", level=1, name="Now")).to_be_visible()
    assert page.evaluate("document.cookie") == ""
    (cookie,) = phone.cookies()
    assert (cookie["httpOnly"], cookie["sameSite"]) == (True, "Strict")
    begin(page, "on the scaffold")
    assert watched.wrong == []
    pages.end()
    expect(page.locator("#contact")).to_contain_text("No contact with farend")
    pages.start()
    expect(page.locator("#contact")).to_contain_text("its access code is another now")
    page.get_by_role("link", name="Type it").tap()
    code = pages.said.partition("access code ")[2] or pages.said.partition("Access code: ")[2]
    page.get_by_label("Access code").fill(code[:9].lower())
    page.get_by_role("button", name="Come in").tap()
    expect(place_of(page, "name")).to_have_text("on the scaffold")
