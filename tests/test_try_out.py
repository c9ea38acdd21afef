"""The page Receiver and its sliders: the address is read, the quick answer agrees with the page's, and what cannot be is said."""

from pathlib import Path

import pytest
from flask.testing import FlaskClient

from dashboard import try_out
from dashboard.app import create_app
from dashboard.pages import receiver
from dashboard.reader import Reader
from dashboard.static_page import text
from dashboard.work import Work
from tests.browser.home import make_home

BAR = Reader("bar")
ASK = {"line": "boathouse", "shots": "8", "every": "0.25 s", "floor": "5.8 bar"}


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_home(tmp_path_factory.mktemp("home"))


@pytest.fixture(scope="module")
def work(home: Path) -> Work:
    return Work(home)


@pytest.fixture(scope="module")
def client(home: Path) -> FlaskClient:
    return create_app(home).server.test_client()


def test_the_quick_answer_agrees_with_the_page(work: Work) -> None:
    words, fig = try_out.answer(try_out.read_job(work, {**ASK, "volume": "24 L"}, BAR), BAR)
    sizing = work.size(work.line("boathouse"), 8, 0.25, 5.8e5)
    with_24 = next(c for c in sizing.candidates if c.volume_m3 == 0.024)
    assert f"the lowest start is {BAR.pressure(with_24.lowest_pa)}, above the floor" in words[0]
    assert words[1] == f"About {BAR.volume(round(sizing.receiver_m3, 3))} is enough."
    assert fig is not None
    assert len(fig.data) == 2


def test_sliders_are_answered_without_the_page(client: FlaskClient) -> None:
    told = client.get(
        "/receiver/try", query_string={**ASK, "volume": "60 L", "bore": "9.5 mm", "unit": "psi"}, base_url="http://localhost"
    ).json
    assert told is not None
    assert told["shown"]["volume"] == "15.9 gal"
    assert told["shown"]["bore"] == "0.374 in"
    assert "psi" in str(told["words"])
    assert len(told["figure"]["data"]) == 2


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"floor": "9 bar"}, "not below what the line holds at rest"),
        ({"shots": "0"}, "no number of shots"),
        ({"every": "soon"}, "soon"),
        ({"volume": "9 m3"}, "outside of what can be tried"),
        ({"bore": "2 m"}, "outside of what can be tried"),
        ({"line": "nowhere"}, "no air line"),
    ],
)
def test_what_cannot_be_is_said_by_page_and_sliders(work: Work, client: FlaskClient, change: dict[str, str], said: str) -> None:
    told = client.get("/receiver/try", query_string={**ASK, **change}, base_url="http://localhost").json
    assert told is not None
    assert said in str(told["words"])
    assert told["figure"] is None
    try:
        page = receiver.layout(work, {**ASK, **change}, BAR)
    except ValueError as refusal:
        assert said in str(refusal)
    else:
        assert said in str(page)


def test_page_tells_what_each_improvement_buys_and_what_it_serves_off_the_line(work: Work) -> None:
    page = text(receiver.layout(work, ASK, BAR))
    assert "What each improvement would buy" in page
    assert "Receiver of 24.0 L" in page
    assert "Off the line" in page
    assert "brads" in page
    wider = text(receiver.layout(work, {**ASK, "bore": "9.5 mm"}, BAR))
    assert "the line's file says 7.00 mm" in wider


def test_page_says_why_a_session_confirms_no_filling(work: Work) -> None:
    assert "No filling from nearly empty" in text(receiver.layout(work, {**ASK, "filled": "deck before"}, BAR))
