"""The pages in a real browser: they load without errors and without a request elsewhere, zoom, take files in, and switch units."""

from __future__ import annotations

import re
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from urllib.parse import parse_qs, quote_plus, urlsplit

import numpy as np
import pytest
from playwright.sync_api import Browser, BrowserContext, Page, Route, expect
from werkzeug.serving import make_server

import dashboard.work
import dashboard.zoom
import logger.long
import logger.readings
from analysis.record import ShotRecord
from dashboard.app import create_app
from dashboard.pages import sessions
from dashboard.search import look_for_shots
from dashboard.underway import Job
from dashboard.work import Work
from logger.channel import Channel
from logger.long import LongRecording
from logger.session import save_session
from tests.browser.axe import grave_faults
from tests.browser.home import AFTER, BEFORE, LINES, NIGHT, make_home, nailing
from tests.browser.watched import PATIENCE_MS, SCREENS, Watched, keep_picture

pytestmark = pytest.mark.browser

ADDRESSES = {
    "Now": "/now",
    "Sessions": "/sessions",
    "Shots": f"/shots?session={quote_plus(BEFORE)}",
    "Leak-down": f"/leakdown?session={NIGHT}&volume=100+L",
    "Before and after": f"/compare?before={quote_plus(BEFORE)}&after={quote_plus(AFTER)}",
    "Line": f"/line?line=boathouse&session={quote_plus(BEFORE)}",
    "Receiver": "/receiver?line=boathouse",
    "Water": "/water?line=boathouse&coldest=4+degC",
    "Setting": f"/setting?session={quote_plus(BEFORE)}",
    "Log book": "/logbook",
    "Setup": "/setup",
}


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_home(tmp_path_factory.mktemp("home"))


@pytest.fixture(scope="module")
def site(home: Path) -> Iterator[str]:
    with served(home) as address:
        yield address


@pytest.fixture(scope="module")
def empty_site(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    with served(tmp_path_factory.mktemp("empty")) as address:
        yield address


@contextmanager
def served(home: Path) -> Iterator[str]:
    server = make_server("127.0.0.1", 0, create_app(home).server, threaded=True)
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    yield f"http://localhost:{server.server_port}"
    server.shutdown()
    thread.join()
    server.server_close()


def until(page: Page, expression: str, *, nudge: Callable[[], None] | None = None) -> None:
    """Wait until an expression is true; asked from outside, as the pages' content policy forbids evaluating text within them.

    `nudge` is done at first and every three seconds: a double click counts as two single ones where the machine is slow.
    """
    for i in range(PATIENCE_MS // 100):
        if nudge and i % 30 == 0:
            nudge()
        if page.evaluate(expression):
            return
        page.wait_for_timeout(100)
    pytest.fail(f"never true: {expression}")


@pytest.fixture(scope="module", params=sorted(SCREENS))
def context(request: pytest.FixtureRequest, browser: Browser) -> Iterator[BrowserContext]:
    """For pages that only show: one for all of them, so that the browser reads and compiles their scripts once."""
    context = browser.new_context(viewport=SCREENS[request.param], color_scheme="dark" if request.param == "phone" else "light")
    yield context
    context.close()


@pytest.fixture
def watched(context: BrowserContext) -> Iterator[Watched]:
    watched = Watched(context)
    yield watched
    watched.page.close()


@pytest.fixture(scope="module")
def desk(browser: Browser) -> Iterator[BrowserContext]:
    context = browser.new_context(viewport=SCREENS["desktop"])
    yield context
    context.close()


@pytest.fixture
def desktop(desk: BrowserContext) -> Iterator[Watched]:
    """A page that remembers nothing of the tests before it."""
    watched = Watched(desk)
    yield watched
    watched.page.evaluate("localStorage.clear()")
    for page in desk.pages:
        page.close()


@pytest.mark.parametrize("heading", ADDRESSES)
def test_a_page_loads_whole_without_errors_or_outside_requests(watched: Watched, site: str, heading: str) -> None:
    page = watched.open(site + ADDRESSES[heading], heading)
    for figure in page.locator(".figure").all():
        expect(figure.locator(".main-svg").first).to_be_visible()
    for table in page.locator(".ag").all():
        expect(table.locator(".ag-row").first).to_be_visible()
    assert page.get_by_text("This did not work").count() == 0
    assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth"), "the page scrolls sideways"
    small = page.eval_on_selector_all(
        "main button, main a.button, .pages a, summary, input.mantine-Input-input",
        "all => all.filter(e => e.offsetParent && !e.closest('.ag, .modebar') && e.getBoundingClientRect().height < 43.5)"
        ".map(e => e.outerHTML)",
    )
    assert small == [], "too small for a thumb"
    assert page.locator(".pages a[aria-current=page]").count() == 1
    assert grave_faults(page) == []
    keep_picture(page, heading)
    assert watched.wrong == []


def test_zooming_brings_finer_readings_and_keeps_the_window_in_the_address(desktop: Watched, site: str) -> None:
    page = desktop.open(site + ADDRESSES["Shots"], "Shots")
    plot = page.locator(".figure-card .nsewdrag").first
    plot.scroll_into_view_if_needed()
    box = plot.bounding_box()
    assert box is not None
    points = "document.querySelector('.figure-card .js-plotly-plot')._fullData[0].x"
    page.wait_for_timeout(1500)
    all_of_it = page.evaluate(f"[{points}[0], {points}[{points}.length - 1], {points}.length]")
    y = box["y"] + box["height"] / 2
    page.evaluate("() => { const react = Plotly.react; window.drawn = 0; Plotly.react = (...how) => (window.drawn++, react(...how)); }")
    with page.expect_response(lambda r: "/recording?" in r.url):
        page.mouse.move(box["x"] + box["width"] * 0.30, y)
        page.mouse.down()
        page.mouse.move(box["x"] + box["width"] * 0.36, y, steps=8)
        page.mouse.up()
    until(page, f"{points}[{points}.length - 1] < {all_of_it[1]} - 5")
    first, last, count = page.evaluate(f"[{points}[0], {points}[{points}.length - 1], {points}.length]")
    assert page.evaluate("window.drawn") == 1  # as what was shown before is not drawn anew first
    assert count / (last - first) > 2 * all_of_it[2] / (all_of_it[1] - all_of_it[0])
    assert "from=" in page.url
    assert "to=" in page.url
    again = desktop.open(page.url, "Shots")
    expect(again.locator(".figure-card .main-svg").first).to_be_visible()
    shown = again.evaluate("document.querySelector('.figure-card .js-plotly-plot').layout.xaxis.range")
    assert first <= shown[0] < shown[1] <= last
    again.wait_for_timeout(1500)
    plot = again.locator(".figure-card .nsewdrag").first  # wherever it stands on this page, which is not scrolled yet
    until(again, f"{points}[{points}.length - 1] > {all_of_it[1]} - 0.1", nudge=plot.dblclick)
    assert "from=" not in again.url
    assert desktop.wrong == []


def test_a_long_session_opens_with_a_sketch_that_becomes_the_trace_and_then_the_answer(
    desktop: Watched, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(logger.readings, "ROW_GROUP", 2000)
    t_s, kpa = nailing(0.5, 70.0, np.random.default_rng(4))
    tool = Channel(name="tool", unit="kPa")
    save_session(tmp_path, "long", started=datetime(2026, 5, 4, tzinfo=UTC), channels=[tool], raw={"time_s": t_s, "tool": kpa})
    monkeypatch.setattr(logger.long, "LONG", 4000)
    monkeypatch.setattr(logger.long, "SOON", 0)
    monkeypatch.setattr(dashboard.zoom, "EXACT_MOST", 1000)
    surveyed, answered = threading.Event(), threading.Event()

    def slowly(job: Job[ShotRecord], recording: LongRecording) -> ShotRecord:
        surveyed.wait(60.0)
        assert recording.overview.readings
        answered.wait(60.0)
        return look_for_shots(job, recording)

    monkeypatch.setattr(dashboard.work, "look_for_shots", slowly)
    with served(tmp_path) as address:
        page = desktop.open(f"{address}/shots?session=long", "Shots")
        expect(page.locator("#job-said")).to_have_text("Looking through the readings")
        expect(page.locator(".figure-card .main-svg").first).to_be_visible()
        values = "new Set(document.querySelector('.figure-card .js-plotly-plot')._fullData[0].y).size"
        until(page, f"{values} < 15")  # the extremes of six row groups
        page.evaluate("document.querySelector('.figure-card').dataset.mine = 'yes'")
        surveyed.set()
        until(page, f"{values} > 15")
        assert page.evaluate("document.querySelector('.figure-card').dataset.mine") == "yes"  # the page was not drawn anew
        answered.set()
        expect(page.locator("#shot-table .ag-row").first).to_be_visible()
    assert desktop.wrong == []


def test_a_thumb_scrolls_over_a_figure_and_zooms_across_it(browser: Browser, site: str) -> None:
    context = browser.new_context(viewport=SCREENS["phone"], has_touch=True, is_mobile=True)
    phone = Watched(context)
    page = phone.open(site + ADDRESSES["Shots"], "Shots")
    plot = page.locator(".figure-card .nsewdrag").first
    plot.scroll_into_view_if_needed()
    page.wait_for_timeout(1500)
    fingers = context.new_cdp_session(page)

    def swipe(dx: float, dy: float) -> None:
        box = plot.bounding_box()
        assert box is not None
        x, y = box["x"] + 60, box["y"] + box["height"] / 2
        fingers.send("Input.dispatchTouchEvent", {"type": "touchStart", "touchPoints": [{"x": x, "y": y}]})
        for step in range(1, 13):
            at = {"x": x + dx * step / 12, "y": y + dy * step / 12}
            fingers.send("Input.dispatchTouchEvent", {"type": "touchMove", "touchPoints": [at]})
            page.wait_for_timeout(16)
        fingers.send("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})
        page.wait_for_timeout(600)

    before = page.evaluate("scrollY")
    swipe(0, -120)
    assert page.evaluate("scrollY") > before + 60
    assert "from=" not in page.url
    swipe(120, 4)
    page.wait_for_url("**from=**")
    assert phone.wrong == []
    context.close()


def test_each_picture_and_each_number_of_shots_is_asked_for_once(desktop: Watched, site: str, home: Path) -> None:
    asked: list[str] = []
    desktop.page.on("request", lambda request: asked.append(urlsplit(request.url).path))
    page = desktop.open(site + "/sessions", "Sessions")
    expect(page.locator(".session", has_text=BEFORE).locator(".facts")).to_contain_text(" shots")
    page.evaluate("document.body.append(document.createElement('hr'))")  # whatever else happens on the page
    page.get_by_role("button", name=f"Edit {BEFORE}").click()
    expect(page.get_by_role("dialog")).to_be_visible()
    lazy = [path for path in asked if path.startswith(("/count/", "/thumbnail/"))]
    count = len(list((home / "sessions").iterdir()))
    assert len(lazy) == len(set(lazy)) == 2 * count


def test_a_file_dropped_on_the_page_becomes_a_session(desktop: Watched, site: str, home: Path) -> None:
    page = desktop.open(site + "/sessions", "Sessions")
    text = "time_s,tool_psi\n" + "\n".join(f"{i / 100:.2f},{94 + i % 2}" for i in range(400))
    transfer = page.evaluate_handle(
        "text => { const t = new DataTransfer(); t.items.add(new File([text], 'porch.csv', {type: 'text/csv'})); return t; }", text
    )
    for step in ("dragenter", "dragover", "drop"):
        page.dispatch_event("#files > div", step, {"dataTransfer": transfer})
    expect(page.get_by_role("heading", name="porch")).to_be_visible()
    expect(page.locator("#imported")).to_contain_text("Imported")
    assert (home / "sessions" / "porch" / "readings.parquet").exists()
    page.get_by_role("button", name="Delete porch").click()
    expect(page.get_by_role("heading", name="porch")).to_have_count(0)
    page.get_by_role("button", name="Undo").click()
    expect(page.get_by_role("heading", name="porch")).to_be_visible()
    assert desktop.wrong == []


def test_what_is_ticked_stays_so_on_other_pages_of_the_list(desktop: Watched, site: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sessions, "SHOWN", 1)
    page = desktop.open(site + f"/sessions?find={quote_plus('deck')}", "Sessions")
    page.get_by_label(f"Compare {AFTER}").check()
    expect(page.locator("#ticked-answer")).to_contain_text("Tick one more")
    page.get_by_role("link", name="Older").click()
    page.get_by_label(f"Compare {BEFORE}").check()
    expect(page.locator("#ticked-answer")).to_contain_text(f"{BEFORE}, then {AFTER}")
    page.get_by_role("link", name="Newer").click()
    expect(page.get_by_label(f"Compare {AFTER}")).to_be_checked()
    page.get_by_role("button", name="Untick").click()
    expect(page.get_by_label(f"Compare {AFTER}")).not_to_be_checked()
    expect(page.locator("#ticked-answer")).to_be_empty()
    assert desktop.wrong == []


def test_one_switch_changes_every_pressure_and_is_remembered(desktop: Watched, site: str) -> None:
    page = desktop.open(site + ADDRESSES["Shots"], "Shots")
    expect(page.locator(".readouts").first).to_contain_text(" bar")
    page.locator("#unit").get_by_text("psi").click()
    expect(page.locator(".readouts").first).to_contain_text(" psi")
    expect(page.locator(".readouts").first).not_to_contain_text(" bar")
    expect(page.locator(".ytitle").first).to_have_text("gauge pressure [psi]")
    page = desktop.open(site + ADDRESSES["Leak-down"], "Leak-down")
    expect(page.locator(".ytitle").first).to_have_text("gauge pressure [psi]")
    page.locator("#unit").get_by_text("bar").click()
    expect(page.locator(".ytitle").first).to_have_text("gauge pressure [bar]")
    assert desktop.wrong == []


def test_choices_are_written_into_the_address(desktop: Watched, site: str) -> None:
    page = desktop.open(site + "/leakdown", "Leak-down")
    page.get_by_role("textbox", name="Session").click()
    page.get_by_role("option", name=AFTER).click()
    expect(page.locator(".answer")).to_contain_text("it shows work")
    page.get_by_role("textbox", name="Session").click()
    page.get_by_role("option", name=NIGHT).click()
    expect(page.locator(".answer")).to_contain_text("leaks")
    expect(page.locator(".readouts").first).to_be_visible()
    page.get_by_label("Air shut in").fill("100 L")
    page.get_by_label("Air shut in").press("Enter")
    expect(page.locator(".readouts").first).to_contain_text("Hole of that size")
    assert "volume=100+L" in page.url
    page.go_back()
    expect(page.locator(".readouts").first).not_to_contain_text("Hole of that size")
    assert desktop.wrong == []


@pytest.mark.parametrize(
    ("address", "chosen", "then"),
    [
        ("/shots?session=two&channel=supply&from=1&to=2", {"session": "one", "channel": "supply"}, "?session=one"),
        ("/shots?session=two&channel=supply&shot=3", {"session": "two", "channel": "tool"}, "?channel=tool&session=two"),
        (
            "/compare?before=two&after=two&sensor_before=a&sensor_after=b",
            {"before": "one", "after": "two", "sensor_before": "a", "sensor_after": "b"},
            "?after=two&before=one&sensor_after=b",
        ),
    ],
)
def test_a_sensor_is_forgotten_when_another_session_is_chosen(
    desktop: Watched, site: str, address: str, chosen: dict[str, str], then: str
) -> None:
    page = desktop.page
    page.goto(site + address)
    ids = [{"query": name, "default": ""} for name in chosen]
    until(page, "!!(window.dash_clientside && window.dash_clientside.farend)")
    assert page.evaluate("([values, ids]) => window.dash_clientside.farend.choose(values, ids)", [list(chosen.values()), ids]) == then


def test_a_long_table_is_seen_on_a_phone(browser: Browser, tmp_path: Path) -> None:
    home = make_home(tmp_path)
    name = Work(home).take_in("many.csv", (LINES / "deck_two_channels.csv").read_bytes(), None).name
    context = browser.new_context(viewport=SCREENS["phone"])
    with served(home) as site:
        phone = Watched(context)
        page = phone.open(site + f"/shots?session={name}", "Shots")
        expect(page.locator(".ag .ag-cell").first).to_be_visible()
        expect(page.locator(".ag .ag-header-cell").first).to_be_visible()
        assert phone.wrong == []
    context.close()


def test_a_row_of_the_table_points_out_its_shot_and_a_mark_its_row(desktop: Watched, site: str) -> None:
    page = desktop.open(site + ADDRESSES["Shots"] + "&shot=12", "Shots")
    chosen = page.locator("#shot-table .ag-pinned-left-cols-container .ag-row-selected")
    expect(chosen).to_have_text("12")
    rows = page.locator("#shot-table .ag-center-cols-container")
    rows.locator("[row-id='11']").click()
    expect(page.locator("#overlay .annotation-text")).to_have_text("shot 11")
    assert "shot=11" in page.url
    page.locator("#shot-table .ag-header-cell[col-id='time']").click()
    page.locator("#shot-table .ag-header-cell[col-id='time']").click()  # the last shot comes first
    expect(chosen).to_have_text("11")
    marks = page.locator(".figure-card .scatterlayer .trace").nth(1).locator("path.point")
    for shot in (2, 11, 2):  # the same one again, after another
        marks.nth(shot - 1).hover(force=True)
        page.wait_for_timeout(200)  # a click counts at the point last hovered, which the figure looks for 20 times a second at most
        marks.nth(shot - 1).click(force=True)
        expect(chosen).to_have_text(str(shot))
        expect(page.locator("#shot-panel h2")).to_have_text(f"Shot {shot} of 12")
        inside = "(() => { const b = (s) => document.querySelector(s).getBoundingClientRect(), r = b('#shot-table .ag-row-selected'), "
        until(page, inside + "v = b('#shot-table .ag-body-viewport'); return r.top >= v.top - 1 && r.bottom <= v.bottom + 1; })()")
        if shot == 2:
            page.keyboard.press("ArrowRight")
            expect(chosen).to_have_text("3")
    assert desktop.wrong == []


def test_a_row_clicked_before_the_figures_are_there_is_pointed_out_once_they_are(desktop: Watched, site: str) -> None:
    held: list[Route] = []

    def hold(route: Route) -> None:
        held.append(route)

    page = desktop.page
    page.route("**/plotly-basic.min.js*", hold)
    page.goto(site + ADDRESSES["Shots"] + "&shot=12", wait_until="domcontentloaded")  # it may not be loaded without what is held
    expect(page.locator("#shot-table .ag-pinned-left-cols-container .ag-row-selected")).to_have_text("12")
    page.locator("#shot-table .ag-center-cols-container [row-id='11']").click()
    expect(page.locator("#shot-panel h2")).to_have_text("Shot 11 of 12")
    assert page.locator(".js-plotly-plot .main-svg").count() == 0
    held[0].continue_()
    for figure in ("#overlay", "#recording"):
        expect(page.locator(figure).get_by_text("shot 11", exact=True)).to_be_visible()
    assert page.locator("#recording").get_by_text("shot 12", exact=True).count() == 0
    assert desktop.wrong == []


def test_a_slider_answers_while_it_is_dragged_and_writes_the_address_when_it_rests(desktop: Watched, site: str) -> None:
    page = desktop.open(site + "/receiver?line=boathouse&shots=8&every=0.25+s&floor=5.8+bar", "Receiver")
    asked: list[str] = []
    page.on("request", lambda r: asked.append(r.url) if "/receiver/try" in r.url else None)
    page.wait_for_timeout(1500)
    thumb = page.get_by_role("slider", name="Receiver")
    thumb.scroll_into_view_if_needed()
    box = thumb.bounding_box()
    assert box is not None
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x + 150, y, steps=30)
    expect(page.locator("#tried-words")).not_to_contain_text("With 24.0 L")
    assert "volume" not in page.url  # the hand still holds it
    assert 0 < len(asked) <= 30  # never more questions than moves
    page.mouse.up()
    page.wait_for_url("**volume=**")
    expect(page.locator(".outdated")).to_have_count(0)
    litres = parse_qs(urlsplit(page.url).query)["volume"][0].split()[0]
    expect(page.locator("#tried-words p").first).to_contain_text(f"With {litres}.0 L")
    page.get_by_role("slider", name="Shots in the burst").focus()
    page.keyboard.press("ArrowRight")
    page.wait_for_url("**shots=9**")
    expect(page.get_by_label("Shots in the burst").first).to_have_value("9")
    expect(page.get_by_role("slider", name="Shots in the burst")).to_be_focused()
    assert desktop.wrong == []


def test_the_line_is_read_from_a_session_while_the_page_answers(desktop: Watched, site: str) -> None:
    page = desktop.open(site + ADDRESSES["Line"], "Line")
    page.get_by_role("link", name="Read the line from this session").click()
    page.wait_for_url("**fit=1**")
    expect(page.locator("#fit")).to_contain_text("test nozzle", timeout=PATIENCE_MS)  # it has none, and the page says what to do
    assert grave_faults(page) == []
    page.reload()
    expect(page.locator("#fit")).to_contain_text("test nozzle")
    expect(page.get_by_role("button", name="Stop")).to_be_hidden()
    assert desktop.wrong == []


def test_a_line_is_checked_while_it_is_typed(desktop: Watched, site: str) -> None:
    page = desktop.open(site + "/setup", "Setup")
    page.get_by_text("The file itself").click()
    editor = page.get_by_label("Parts in order of flow")
    good = editor.input_value()
    editor.fill(good.replace("bore =", "boar ="))
    expect(page.locator("#line-checked")).to_contain_text("Did you mean 'bore'?")
    editor.fill(good)
    expect(page.locator("#line-checked")).to_contain_text("understood")
    assert desktop.wrong == []


def test_a_report_is_fetched_with_a_word_meanwhile_and_one_where_there_is_none(desktop: Watched, site: str) -> None:
    page = desktop.open(site + ADDRESSES["Shots"], "Shots")
    group, asked = page.get_by_role("group", name="Keep or hand on"), "**/download/report.html*"
    page.route(asked, lambda route: route.fulfill(status=200, body="<p>the report</p>"))
    with page.expect_download() as download:
        group.get_by_role("link", name="Report as HTML").click()
    assert download.value.suggested_filename == "farend-report.html"
    expect(group.get_by_role("status")).to_be_empty()
    page.route(asked, lambda route: route.fulfill(status=409, body="There is no session of that name."))
    group.get_by_role("link", name="Report as HTML").click()
    expect(group.get_by_role("status")).to_have_text("There is no report: There is no session of that name.")
    page.route(asked, lambda _: None)  # held for good
    group.get_by_role("link", name="Report as HTML").click()
    expect(group.get_by_role("status")).to_have_text("The report is being made …")


def test_a_figure_is_saved_as_picture_and_as_table(desktop: Watched, site: str) -> None:
    page = desktop.open(site + ADDRESSES["Shots"], "Shots")
    expect(page.locator(".figure-card .main-svg").first).to_be_visible()
    menu = page.locator(".figure-card .save").first
    saved = {}
    for form in ("csv", "svg", "png"):
        menu.locator("summary").click()
        with page.expect_download() as download:
            menu.locator(f"[data-save={form}]").click()
        saved[form] = Path(download.value.path()).read_bytes()
        assert download.value.suggested_filename == f"farend.{form}"
    rows = saved["csv"].decode().splitlines()
    assert rows[0].startswith('time [s],"pressure, gauge pressure [bar]"')
    assert len(rows) > 500
    assert saved["svg"].startswith(b"<svg")
    assert saved["png"].startswith(b"\x89PNG")
    assert desktop.wrong == []


def test_a_line_is_edited_by_its_parts_and_the_sizing_follows(browser: Browser, tmp_path: Path) -> None:
    context = browser.new_context(viewport=SCREENS["phone"])
    seen = Watched(context)
    with served(make_home(tmp_path)) as address:
        page = seen.open(f"{address}/receiver?line=boathouse&floor=5.8+bar", "Receiver")
        before = page.locator(".answer-first").inner_text()
        page = seen.open(f"{address}/setup?line=boathouse", "Setup")
        page.get_by_role("button", name="deck hose").click()
        page.get_by_label("Bore").fill("13 mm")
        expect(page.locator("#line-text")).to_have_value(re.compile('bore = "13 mm"'))
        expect(page.get_by_role("button", name="deck hose")).to_contain_text("bore 13")
        page.get_by_role("button", name="Keep this line").click()
        expect(page.get_by_text("Kept as boathouse.")).to_be_visible()
        page = seen.open(f"{address}/receiver?line=boathouse&floor=5.8+bar", "Receiver")
        expect(page.locator(".answer-first")).not_to_have_text(before)
        assert seen.wrong == []
        context.close()  # before the server goes, which a page would notice


@pytest.mark.parametrize("view", ["tools", "before", "sensors", "reader"])
def test_every_view_of_the_set_up_stands(watched: Watched, site: str, view: str) -> None:
    page = watched.open(f"{site}/setup?view={view}", "Setup")
    keep_picture(page, f"Setup, {view}")
    assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth"), "the page scrolls sideways"
    assert grave_faults(page) == []
    assert watched.wrong == []


@pytest.mark.parametrize("heading", ADDRESSES)
def test_an_empty_house_is_shown_on_every_page(watched: Watched, empty_site: str, heading: str) -> None:
    page = watched.open(empty_site + ADDRESSES[heading].partition("?")[0], heading)
    keep_picture(page, f"{heading}, empty")
    assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth"), "the page scrolls sideways"
    assert grave_faults(page) == []
    assert watched.wrong == []


def test_a_fault_that_bars_a_reader_would_be_seen(desktop: Watched, site: str) -> None:
    page = desktop.open(f"{site}/sessions", "Sessions")
    page.evaluate("document.querySelector('main').insertAdjacentHTML('beforeend', '<img src=\"data:,\"><button></button>')")
    assert {fault.partition(":")[0] for fault in grave_faults(page)} == {"image-alt", "button-name"}


def test_a_mark_shows_its_shot_and_the_arrow_keys_step(desktop: Watched, site: str) -> None:
    page = desktop.open(site + ADDRESSES["Shots"], "Shots")
    plot = page.locator(".figure-card .js-plotly-plot")
    expect(plot.locator(".main-svg").first).to_be_visible()
    panel = page.locator("#shot-panel h2")
    expect(panel).to_have_text("Shot 1 of 12")
    page.wait_for_timeout(1500)
    plot.locator(".scatterlayer .trace").nth(1).locator("path.point").nth(4).click(force=True)
    expect(panel).to_have_text("Shot 5 of 12")
    expect(page.locator("#overlay .annotation-text")).to_have_text("shot 5")
    assert "shot=5" in page.url
    page.keyboard.press("ArrowRight")
    expect(panel).to_have_text("Shot 6 of 12")
    page.keyboard.press("ArrowLeft")
    expect(panel).to_have_text("Shot 5 of 12")
    page.keyboard.press("ArrowLeft")
    expect(panel).to_have_text("Shot 4 of 12")
    for _ in range(6):  # quicker than the page answers
        page.keyboard.press("ArrowRight")
    expect(panel).to_have_text("Shot 10 of 12")
    for _ in range(3):
        page.get_by_role("button", name="Shot before").click(no_wait_after=True)
    expect(panel).to_have_text("Shot 7 of 12")
    expect(page.locator("#overlay .annotation-text")).to_have_text("shot 7")
    page.wait_for_timeout(500)
    expect(panel).to_have_text("Shot 7 of 12")  # no late answer steps it back
    assert desktop.wrong == []


def test_the_detector_is_corrected_by_hand_and_undone(desktop: Watched, site: str, home: Path) -> None:
    page = desktop.open(site + ADDRESSES["Shots"] + "&shot=3", "Shots")
    page.get_by_role("button", name="Not a shot", exact=True).click()
    expect(page.locator("#shot-panel h2")).to_have_text("Shot 3 of 11")
    expect(page.locator(".warnings")).to_contain_text("1 shot taken out by hand, 0 added.")
    assert '"not a shot"' in (home / "sessions" / BEFORE / "marks.jsonl").read_text(encoding="utf-8")
    page.get_by_role("button", name="Undo").click()
    expect(page.locator("#shot-panel h2")).to_have_text("Shot 3 of 12")
    expect(page.get_by_role("heading", name="Corrected by hand")).to_have_count(0)
    # The curve where nothing happened: it says why no shot can be added there.
    page.wait_for_timeout(1500)
    page.locator(".figure-card .nsewdrag").first.scroll_into_view_if_needed()
    area = page.locator(".figure-card .nsewdrag").first.bounding_box()
    assert area is not None
    ends = page.evaluate("(() => { const a = document.querySelector('.figure-card .js-plotly-plot')._fullLayout; "
                         "return [a.xaxis.d2p(1.5), a.yaxis.d2p(6.4)]; })()")  # fmt: skip
    page.mouse.move(area["x"] + ends[0] + 2, area["y"] + ends[1])
    page.mouse.move(area["x"] + ends[0], area["y"] + ends[1])
    page.mouse.click(area["x"] + ends[0], area["y"] + ends[1])
    expect(page.locator("#shot-panel h2")).to_contain_text("No shot found at 1.")
    page.get_by_role("button", name="A shot here").click()
    expect(page.locator("#correction-problem")).to_contain_text("No fall of pressure can be measured")
    page.locator("#shot-panel button").blur()
    page.keyboard.press("ArrowRight")  # from a moment before all shots
    expect(page.locator("#shot-panel h2")).to_have_text("Shot 1 of 12")
    assert desktop.wrong == []
