"""Who may use the pages: each test is an attack, or what must go on working under the guard."""

from __future__ import annotations

import hmac
import http.client
import io
import json
import threading
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import quote

import pytest
from flask.testing import FlaskClient
from werkzeug.serving import make_server

from dashboard import access as guarding
from dashboard.access import TRIES_IN_ALL, TRIES_IN_S, TRIES_PER_ADDRESS, Access, Throttle, addresses, check_upload, invitation, written
from dashboard.app import create_app
from dashboard.work import Work
from logger.home import safe_name
from tests.browser.home import BEFORE, make_home

HERE = "localhost:8050"
OWN = {"Host": HERE, "Origin": f"http://{HERE}"}
LAN_HOST = "192.168.7.20:8050"
LAN_OWN = {"Host": LAN_HOST, "Origin": f"http://{LAN_HOST}"}
MARK = {"output": "nothing.data", "outputs": {"id": "nothing", "property": "data"}, "inputs": [], "changedPropIds": []}


class Clock:
    """A clock that a test turns."""

    now = 0.0

    def __call__(self) -> float:
        return self.now


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_home(tmp_path_factory.mktemp("home"))


@pytest.fixture(scope="module")
def local(home: Path) -> FlaskClient:
    return create_app(home).server.test_client()


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def access(clock: Clock) -> Access:
    return Access(lan=True, port=8050, clock=clock)


@pytest.fixture
def lan(home: Path, access: Access) -> FlaskClient:
    return create_app(home, access).server.test_client()


def enter(client: FlaskClient, code: str, address: str = "192.168.7.31") -> int:
    return client.post("/enter", data={"code": code}, headers=LAN_OWN, environ_base={"REMOTE_ADDR": address}).status_code


# Names


@pytest.mark.parametrize("host", ["localhost:8050", "127.0.0.1:8050", "[::1]:8050", "LOCALHOST"])
def test_this_computer_is_answered(local: FlaskClient, host: str) -> None:
    assert local.get("/", headers={"Host": host}).status_code == 200


@pytest.mark.parametrize(
    "host",
    [
        "evil.example",
        "localhost.evil.example:8050",
        "evil.example:80@localhost",
        "192.168.7.20:8050",
        "localhost@evil.example",
        "[::1",
        "0.0.0.0",
    ],
)
def test_a_name_that_is_pointed_here_is_refused(local: FlaskClient, host: str) -> None:
    assert local.get("/", headers={"Host": host}).status_code in {400, 403}


@pytest.mark.parametrize("host", ["evil.example", "192.168.7.20.evil.example:8050", "farend.evil.example"])
def test_in_the_network_too_only_our_own_names_and_plain_addresses_are_answered(lan: FlaskClient, host: str) -> None:
    assert lan.get("/enter", headers={"Host": host}).status_code == 403
    assert lan.get("/enter", headers={"Host": LAN_HOST}).status_code == 200


# What changes something comes from our own pages


@pytest.mark.parametrize(
    "foreign",
    [
        {"Origin": "http://evil.example"},
        {"Origin": "null"},
        {"Origin": f"https://{HERE}"},
        {"Origin": "http://localhost:9999"},
        {"Origin": f"http://{HERE}.evil.example"},
        {"Sec-Fetch-Site": "cross-site"},
        {"Sec-Fetch-Site": "same-site"},
        {"Sec-Fetch-Site": "none"},
        {},
    ],
)
def test_a_post_from_another_site_is_refused(local: FlaskClient, foreign: dict[str, str]) -> None:
    assert local.post("/_dash-update-component", json=MARK, headers={"Host": HERE, **foreign}).status_code == 403


def test_a_post_from_our_own_page_is_heard(local: FlaskClient) -> None:
    for own in (OWN, {"Host": HERE, "Sec-Fetch-Site": "same-origin"}):
        assert local.post("/_dash-update-component", json=MARK, headers=own).status_code != 403


def test_a_foreign_page_may_link_here_but_not_embed_us(local: FlaskClient) -> None:
    foreign = {"Host": HERE, "Sec-Fetch-Site": "cross-site"}
    assert local.get("/", headers={**foreign, "Sec-Fetch-Mode": "navigate"}).status_code == 200
    assert local.get(f"/thumbnail/{quote(BEFORE)}.svg", headers={**foreign, "Sec-Fetch-Mode": "no-cors"}).status_code == 403
    headers = local.get("/", headers=OWN).headers
    assert headers["X-Frame-Options"] == "DENY"
    assert "frame-ancestors 'none'" in headers["Content-Security-Policy"]


# The code


@pytest.mark.parametrize(
    "path", ["/", "/now", "/live", "/_dash-layout", "/_dash-dependencies", "/download/shots.csv", "/thumbnail/x.svg", "/count/x"]
)
def test_without_the_code_nothing_is_told(lan: FlaskClient, access: Access, path: str) -> None:
    assert lan.get(path, headers={"Host": LAN_HOST}).status_code == 401
    page = lan.get(path, headers={"Host": LAN_HOST, "Accept": "text/html"})
    assert (page.status_code, page.headers["Location"]) == (303, "/enter")
    lan.set_cookie(access.cookie, "guess", domain="192.168.7.20")
    assert lan.get(path, headers={"Host": LAN_HOST}).status_code == 401
    lan.set_cookie(access.cookie, "é" * 40, domain="192.168.7.20")
    assert lan.get(path, headers={"Host": LAN_HOST}).status_code == 401
    assert lan.post("/_dash-update-component", json=MARK, headers=LAN_OWN).status_code == 401


def test_even_this_computer_needs_the_code_in_the_network(lan: FlaskClient) -> None:
    assert lan.get("/_dash-layout", headers={"Host": HERE}).status_code == 401


def test_the_code_is_taken_as_people_type_it_and_earns_a_cookie_that_no_script_reads(lan: FlaskClient, access: Access) -> None:
    answer = lan.post("/enter", data={"code": f" {written(access.code).lower()} "}, headers=LAN_OWN)
    assert answer.status_code == 303
    cookie = answer.headers["Set-Cookie"]
    assert "HttpOnly" in cookie
    assert "SameSite=Strict" in cookie
    assert access.code not in cookie
    assert lan.get("/_dash-layout", headers={"Host": LAN_HOST}).status_code == 200


@pytest.mark.parametrize("wrong", ["", "A", "é", "\x00", "' OR 1=1 --", "2" * 500])
def test_a_wrong_code_earns_nothing(lan: FlaskClient, access: Access, wrong: str) -> None:
    assert enter(lan, wrong) == 403
    assert enter(lan, access.code[:-1]) == 403
    assert enter(lan, access.code + "2") == 403
    assert lan.get("/_dash-layout", headers={"Host": LAN_HOST}).status_code == 401


def test_a_code_longer_than_a_code_is_not_even_read(lan: FlaskClient) -> None:
    assert enter(lan, "2" * 5000) == 413


def test_codes_differ_and_are_long_enough() -> None:
    codes = {Access(lan=True).code for _ in range(200)}
    assert len(codes) == 200
    years = len(guarding.ALPHABET) ** guarding.CODE_LENGTH / 2 / (TRIES_IN_ALL / TRIES_IN_S) / (365 * 86400)
    assert years > 1000
    assert Access().code == ""


def test_guessing_is_slowed_down_by_address_and_the_right_code_does_not_help_then(lan: FlaskClient, access: Access, clock: Clock) -> None:
    assert [enter(lan, "WRONG") for _ in range(TRIES_PER_ADDRESS)] == [403] * TRIES_PER_ADDRESS
    assert enter(lan, access.code) == 429
    assert enter(lan, access.code, "192.168.7.32") == 303
    clock.now += TRIES_IN_S
    assert enter(lan, access.code) == 303


def test_guessing_from_many_addresses_is_slowed_down_as_well(lan: FlaskClient, access: Access, clock: Clock) -> None:
    got = [enter(lan, "WRONG", f"10.0.{i // 200}.{i % 200}") for i in range(TRIES_IN_ALL + 20)]
    assert got == [403] * TRIES_IN_ALL + [429] * 20
    assert enter(lan, access.code, "10.9.9.9") == 429
    clock.now += TRIES_IN_S
    assert enter(lan, access.code, "10.9.9.9") == 303


def test_a_forwarded_address_is_not_believed(lan: FlaskClient) -> None:
    for i in range(TRIES_PER_ADDRESS + 1):
        headers = {**LAN_OWN, "X-Forwarded-For": f"10.0.0.{i}", "Forwarded": f"for=10.0.0.{i}"}
        status = lan.post("/enter", data={"code": "WRONG"}, headers=headers).status_code
    assert status == 429


def test_many_tries_at_once_gain_nothing() -> None:
    throttle, taken, begin = Throttle(lambda: 0.0), [], threading.Barrier(20)

    def tries() -> None:
        begin.wait()
        taken.append(throttle.may_try("10.0.0.1"))

    threads = [threading.Thread(target=tries) for _ in range(20)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sum(taken) == TRIES_PER_ADDRESS


def test_the_code_is_compared_in_constant_time(lan: FlaskClient, access: Access, monkeypatch: pytest.MonkeyPatch) -> None:
    compared: list[tuple[bytes, bytes]] = []

    def compare(a: bytes, b: bytes) -> bool:
        compared.append((a, b))
        return False

    monkeypatch.setattr(hmac, "compare_digest", compare)
    assert enter(lan, access.code) == 403
    lan.get("/_dash-layout", headers={"Host": LAN_HOST})
    assert compared[0] == (access.code.encode(), access.code.encode())
    assert len(compared) == 2


def test_the_terminal_says_where_with_what_and_who(access: Access, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(guarding, "addresses", lambda: ["192.168.7.20", "10.0.0.5"])
    said = invitation(access, 8050)
    assert "http://192.168.7.20:8050" in said
    assert "http://10.0.0.5:8050" in said
    assert written(access.code) in said
    assert "▄" in said
    assert "Every device in the same network" in said
    assert "not encrypted" in said
    monkeypatch.setattr(guarding, "addresses", list)
    assert "in no network" in invitation(access, 8050)


def test_own_addresses_are_addresses_of_this_computer() -> None:
    assert all(not a.startswith("127.") for a in addresses())


# What a browser may do with our pages


@pytest.mark.parametrize("path", ["/", "/now", "/_dash-layout", "/assets/farend.css", "/enter", "/thumbnail/none.svg", "/alive"])
def test_every_answer_forbids_foreign_scripts_and_guessing_of_types(local: FlaskClient, path: str) -> None:
    with local.get(path, headers={"Host": HERE}) as answer:
        headers = answer.headers
    policy = dict(part.strip().split(" ", 1) for part in headers["Content-Security-Policy"].split(";"))
    assert policy["default-src"] == "'none'"
    assert "'unsafe-eval'" not in headers["Content-Security-Policy"]
    assert "'unsafe-inline'" not in policy["script-src"]
    assert policy["script-src"].startswith("'self' 'sha256-")
    assert policy["connect-src"] == "'self'"
    assert policy["base-uri"] == "'none'"
    assert headers["X-Content-Type-Options"] == "nosniff"
    assert headers["Referrer-Policy"] == "same-origin"
    assert headers["Cross-Origin-Resource-Policy"] == "same-origin"


def test_notes_and_names_are_text_and_never_markup(home: Path, local: FlaskClient) -> None:
    body = local.post(
        "/_dash-update-component",
        json={
            "output": "page.children",
            "outputs": {"id": "page", "property": "children"},
            "inputs": [{"id": "address", "property": "data", "value": {"path": "/sessions", "search": "", "unit": "bar"}}],
            "changedPropIds": ["address.data"],
        },
        headers=OWN,
    )
    assert body.status_code == 200
    assert "<b>invented</b>" in json.dumps(body.json)  # a string in a paragraph, which the browser shows as it stands
    assert "dangerously_allow_html" not in body.text
    assert home.is_dir()


# What is brought in


@pytest.mark.parametrize("name", ["page.html", "run.exe", "deck.csv.html", "deck", "", ".csv/x.svg", "deck.csv\\evil.js"])
def test_only_text_of_readings_is_taken(name: str) -> None:
    with pytest.raises(ValueError, match="is not taken"):
        check_upload(name, b"time_s,tool_kpa\n0,1\n")


def test_a_file_that_only_calls_itself_csv_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="no text"):
        Work(tmp_path).take_in("deck.csv", b"PK\x03\x04\x00\x00\x00", None)
    assert not (tmp_path / "sessions").exists()
    check_upload("deck.csv", "time_s,tool_kpa\n".encode("utf-16"))


def test_a_file_that_is_too_large_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(guarding, "FILE_BYTES", 10)
    with pytest.raises(ValueError, match="is larger than"):
        check_upload("deck.csv", b"1" * 11)


@pytest.fixture
def small_site(home: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[int]:
    monkeypatch.setattr(guarding, "UPLOAD_BYTES", 20_000)
    server = make_server("127.0.0.1", 0, create_app(home).server, threaded=True)
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    yield server.server_port
    server.shutdown()
    thread.join()
    server.server_close()


@pytest.mark.parametrize("said", [True, False])
def test_a_request_that_is_too_large_is_refused_whether_or_not_it_says_so(small_site: int, said: bool) -> None:
    connection = http.client.HTTPConnection("127.0.0.1", small_site, timeout=10)
    body = json.dumps({"output": "x", "junk": "1" * 60_000}).encode()
    headers = {"Origin": f"http://127.0.0.1:{small_site}", "Content-Type": "application/json"}
    headers |= {"Content-Length": str(len(body))} if said else {}
    try:
        connection.request("POST", "/_dash-update-component", io.BytesIO(body), headers)
        assert connection.getresponse().status in ({413} if said else {400, 413})  # what says no length is cut off at the limit
    finally:
        connection.close()


# Names that would lead elsewhere

WAYS_OUT = ["../../etc/passwd", "..", ".", "/etc", "\x00", "..\\..\\x", "%2e%2e/x", "sessions/../../x", "C:\\x", "~/x"]
RESERVED = ["CON", "con.csv", "NUL", "Com1", "LPT9.txt", "aux .x"]


@pytest.mark.parametrize("name", WAYS_OUT)
def test_no_name_leads_out_of_the_folder(home: Path, local: FlaskClient, name: str) -> None:
    before = sorted(home.parent.rglob("*"))
    work = Work(home)
    for act in (work.session, work.delete, work.restore, work.line, lambda n: work.edit(n, "x", notes="", line="", site="")):
        with pytest.raises((ValueError, OSError)):
            act(name)
    assert local.get(f"/thumbnail/{quote(name, safe='')}.svg", headers=OWN).mimetype != "image/svg+xml"
    for file in ("shots.csv", "session.csv", "session.zip", "logbook.csv"):
        assert local.get(f"/download/{file}", query_string={"session": name, "line": name}, headers=OWN).status_code == 404
    assert sorted(home.parent.rglob("*")) == before


@pytest.mark.parametrize("name", RESERVED)
def test_names_that_a_system_keeps_for_itself_are_refused(tmp_path: Path, name: str) -> None:
    with pytest.raises(ValueError, match="cannot be the name"):
        safe_name(name)
    with pytest.raises(ValueError, match="cannot be the name"):
        Work(tmp_path).save_line(name, (Path(__file__).parents[1] / "sample_data" / "boathouse.toml").read_text(encoding="utf-8"))


def test_a_link_among_the_sessions_is_not_followed(tmp_path: Path) -> None:
    work = Work(make_home(tmp_path / "home"))
    secret = make_home(tmp_path / "elsewhere") / "sessions" / BEFORE
    (work.home / "sessions" / "linked").symlink_to(secret, target_is_directory=True)
    assert "linked" not in {s.name for s in work.sessions()}
    for act in (work.session, work.delete, work.thumbnail):
        with pytest.raises(ValueError, match="There is no session"):
            act("linked")
    assert secret.is_dir()
