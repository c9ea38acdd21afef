"""Who may use the pages: this computer only, or with an access code whoever is in the same network.

Every request passes the guard. It must name this computer (a foreign site could point its own name here), what changes something must
come from our own pages (a foreign site could post here from the reader's browser), and in the network it must carry the cookie that
the access code earns. Answers forbid the browser to run or fetch anything that is not ours.
"""

from __future__ import annotations

import hmac
import ipaddress
import secrets
import socket
import threading
import time
from collections import deque
from collections.abc import Callable, Sequence
from pathlib import PurePosixPath
from typing import Final
from urllib.parse import urlsplit

import flask
from werkzeug.wrappers import Response

ALPHABET: Final = "23456789ABCDEFGHJKMNPQRSTUVWXYZ"  # nothing that is mistaken for something else
CODE_LENGTH: Final = 8  # 31**8: at the global limit of tries, thousands of years to half of them
TRIES_PER_ADDRESS, TRIES_IN_ALL, TRIES_IN_S = 5, 60, 60.0
LOCAL: Final = frozenset({"localhost", "127.0.0.1", "::1"})
OPEN_PATHS: Final = frozenset({"/enter", "/_favicon.ico"})  # they and the assets hold nothing of the reader's
CODE_BYTES: Final = 1000
FILE_TYPES: Final = (".csv", ".txt", ".tsv", ".dat", ".log")
PACKED: Final = ".zip"  # a session, as farend hands it out
FILE_BYTES: Final = 250 * 1024 * 1024
UPLOAD_BYTES: Final = 400 * 1024 * 1024  # of one request; an upload travels as base64, a third larger than the file
POLICY: Final = (
    "default-src 'none'; script-src 'self' {scripts}; style-src 'self' 'unsafe-inline'; img-src 'self' data: blob:; font-src 'self' data:; "
    "connect-src 'self'; worker-src 'self' blob:; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
HEADERS: Final = {
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "same-origin",  # without any, a browser would not say where our own form comes from
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), microphone=(), geolocation=()",
}


class Throttle:
    """Tries of the last minute, counted before each is looked at, so that many at once gain nothing.

    Parameters
    ----------
    clock : callable
        Seconds that never go back.
    """

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._tries: deque[tuple[float, str]] = deque()
        self._lock = threading.Lock()

    def may_try(self, address: str) -> bool:
        """Count a try of this address; False where it, or all together, have had enough for now."""
        with self._lock:
            now = self._clock()
            while self._tries and now - self._tries[0][0] >= TRIES_IN_S:
                self._tries.popleft()
            if len(self._tries) >= TRIES_IN_ALL or sum(a == address for _, a in self._tries) >= TRIES_PER_ADDRESS:
                return False
            self._tries.append((now, address))
            return True

    def forgive(self, address: str) -> None:
        """Forget the tries of an address that has the code."""
        with self._lock:
            self._tries = deque(t for t in self._tries if t[1] != address)


class Access:
    """The guard of one run of the pages.

    Parameters
    ----------
    lan : bool
        Whether others in the network may come in with the code; else only this computer is answered.
    port : int
        Port of the pages; it names the cookie, as browsers do not keep cookies of two ports apart.
    clock : callable
        For the throttle.

    Attributes
    ----------
    code : str
        What lets others in, new with each start; "" without `lan`.
    """

    def __init__(self, *, lan: bool = False, port: int = 8050, clock: Callable[[], float] = time.monotonic) -> None:
        self.lan = lan
        self.code = "".join(secrets.choice(ALPHABET) for _ in range(CODE_LENGTH)) if lan else ""
        self.cookie = f"farend-{port}"
        self._token = secrets.token_urlsafe(32)
        self._throttle = Throttle(clock)
        host = socket.gethostname().lower()
        self._names = LOCAL | ({host, f"{host}.local"} if lan else set())

    def guard(self, server: flask.Flask, scripts: Sequence[str]) -> None:
        """Put the guard before every request and the headers on every answer; `scripts` are the hashes of inline scripts of ours."""
        policy = POLICY.format(scripts=" ".join(scripts))
        server.config["MAX_CONTENT_LENGTH"] = UPLOAD_BYTES
        server.before_request(self._check)
        server.add_url_rule("/enter", view_func=self._enter, methods=["GET", "POST"])
        server.add_url_rule("/alive", view_func=lambda: flask.Response(status=204))

        @server.after_request
        def harden(response: Response) -> Response:
            response.headers.update(HEADERS)
            response.headers["Content-Security-Policy"] = policy
            return response

    def _check(self) -> Response | None:
        request = flask.request
        if not self.names_us(request.host):
            return _refuse(403, f"farend does not answer to the name {request.host!r}. Open the address that it printed when it started.")
        if not _is_own(request):
            return _refuse(403, "This request comes from another site than farend's own pages. Open farend's page and do it there.")
        if self.lan and not _is_open(request.path) and not self._may_pass(request):
            if request.method == "GET" and "text/html" in request.headers.get("Accept", ""):
                return flask.redirect("/enter", 303)
            return _refuse(401, "The access code is needed. Open /enter and type what farend printed when it started.")
        return None

    def names_us(self, host: str) -> bool:
        """Tell whether a Host header means this computer. An address can be nobody else's name, so in the network any will do."""
        try:
            name = (urlsplit(f"//{host}").hostname or "").rstrip(".")
        except ValueError:
            return False
        return name in self._names or (self.lan and _is_address(name))

    def _may_pass(self, request: flask.Request) -> bool:
        return hmac.compare_digest(request.cookies.get(self.cookie, "").encode(), self._token.encode())

    def _enter(self) -> Response:
        """Ask for the code, and give the cookie for it."""
        if not self.lan:
            return flask.redirect("/", 303)
        request = flask.request
        if request.method == "GET":
            return _asking("", 200)
        request.max_content_length = CODE_BYTES
        address = request.remote_addr or ""
        if not self._throttle.may_try(address):
            response = _asking("Too many tries. Wait a minute, then type the code again.", 429)
            response.headers["Retry-After"] = str(int(TRIES_IN_S))
            return response
        if not hmac.compare_digest(_plain(request.form.get("code", "")).encode(), self.code.encode()):
            return _asking("That is not the code. It stands in the window in which farend was started, and changes with each start.", 403)
        self._throttle.forgive(address)
        response = flask.redirect("/now", 303)
        response.set_cookie(self.cookie, self._token, httponly=True, samesite="Strict", path="/")
        return response


def _is_open(path: str) -> bool:
    return path in OPEN_PATHS or path.startswith("/assets/")


def written(code: str) -> str:
    """Write a code in two groups, for people."""
    return f"{code[: len(code) // 2]}-{code[len(code) // 2 :]}"


def _plain(typed: str) -> str:
    return "".join(c for c in typed.upper() if c.isalnum())


def _is_own(request: flask.Request) -> bool:
    """Tell whether a request comes from our own pages: always asked of what changes something; a foreign page may only link here."""
    site, origin = request.headers.get("Sec-Fetch-Site"), request.headers.get("Origin")
    if request.method in {"GET", "HEAD"}:
        return site in {None, "same-origin", "none"} or request.headers.get("Sec-Fetch-Mode") == "navigate"
    if origin is not None:
        return origin.lower() == f"{request.scheme}://{request.host}".lower()
    return site == "same-origin"


def _is_address(name: str) -> bool:
    try:
        ipaddress.ip_address(name)
    except ValueError:
        return False
    return True


def _refuse(status: int, why: str) -> Response:
    return flask.Response(f"{why}\n", status=status, mimetype="text/plain")


def _asking(problem: str, status: int) -> Response:
    response = flask.Response(ENTER_PAGE.replace("{problem}", problem), status=status, mimetype="text/html")
    response.headers["Cache-Control"] = "no-store"
    return response


ENTER_PAGE: Final = """<!doctype html>
<html lang="en">
<head><meta charset="utf-8"><meta name="viewport" content="width=device-width, initial-scale=1"><title>Access code – farend</title>
<link rel="icon" href="data:,">
<link rel="stylesheet" href="/assets/farend.css">
<link rel="stylesheet" href="/assets/now.css"><script src="/assets/enter.js" defer></script></head>
<body><main class="enter"><h1>farend</h1>
<form method="post" action="/enter" class="card" id="enter">
<label for="code">Access code</label>
<p class="note" id="where">It stands in the window in which farend was started.</p>
<input id="code" name="code" required maxlength="20" autocomplete="off" autocapitalize="characters" spellcheck="false"
 aria-describedby="where">
<p class="check-bad" role="alert">{problem}</p>
<button class="button strong">Come in</button>
</form></main></body></html>
"""


def check_upload(name: str, data: bytes) -> None:
    """Refuse what is no text of readings, before anything is made of it.

    Raises
    ------
    ValueError
        If its name, its size or its first bytes say that it is none.
    """
    suffix = PurePosixPath(name.lower().replace("\\", "/")).suffix
    if suffix not in {*FILE_TYPES, PACKED}:
        msg = (
            f"{name!r} is not taken: readings are brought in as text, a file that ends in {', '.join(FILE_TYPES)}, "
            f"or as a session that farend packed ({PACKED})."
        )
        raise ValueError(msg)
    if len(data) > FILE_BYTES:
        msg = f"{name!r} is larger than {FILE_BYTES // 2**20} MB. Bring it in with: farend import FILE."
        raise ValueError(msg)
    if suffix != PACKED and b"\0" in data[:4096] and not data.startswith((b"\xff\xfe", b"\xfe\xff")):  # UTF-16 holds them rightly
        msg = f"{name!r} holds bytes that are no text. Export it as CSV, then bring that in."
        raise ValueError(msg)


def addresses() -> list[str]:
    """IPv4 addresses at which others can reach this computer."""
    found = []
    for network in ("192.168.255.255", "10.255.255.255", "172.31.255.255", "198.51.100.1"):
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
            try:
                probe.connect((network, 9))  # sends nothing: it only asks which of our addresses would be used
            except OSError:
                continue
            found.append(str(probe.getsockname()[0]))
    return [a for a in dict.fromkeys(found) if not ipaddress.ip_address(a).is_loopback]


def invitation(access: Access, port: int) -> str:
    """What the terminal says to those who are to come in: addresses, code, a square to scan, and who can reach it."""
    import io

    import segno

    places = [f"http://{a}:{port}" for a in addresses()]
    if not places:
        return f"This computer is in no network now. Here: http://localhost:{port}/enter with the access code {written(access.code)}."
    square = io.StringIO()
    segno.make(f"{places[0]}/enter#{access.code}", error="l", micro=False).terminal(square, compact=True)
    others = f" (also {', '.join(places[1:])})" if places[1:] else ""
    return "\n".join(
        [
            f"Others in this network open {places[0]}{others}",
            f"Access code: {written(access.code)}   or scan:",
            square.getvalue().rstrip("\n"),
            "Every device in the same network can reach this address; whoever has the code can see, record, rename and delete sessions.",
            "What goes over the network is not encrypted: use it only among people you trust. Ctrl-C ends it, and the code with it.",
        ]
    )
