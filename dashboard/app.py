"""The shell of the pages, and the server that hands them out."""

from __future__ import annotations

import contextlib
import gc
import importlib
import logging
import socket
import threading
import webbrowser
from pathlib import Path
from types import ModuleType
from typing import Any
from urllib.parse import unquote

import dash_mantine_components as dmc
import flask
from dash import ALL, ClientsideFunction, Dash, Input, Output, State, dcc, html
from werkzeug.serving import WSGIRequestHandler

from dashboard import job_card, recording_figures, ui
from dashboard.access import Access, invitation
from dashboard.address import choices, reader_of
from dashboard.hand_out import serve_files
from dashboard.pages import compare, leakdown, line, logbook, more, now, receiver, sessions, setting, setup, shots, water
from dashboard.reader import UNIT_SETS, Reader
from dashboard.report_download import serve_reports, with_links
from dashboard.work import Work

PAGES: tuple[ModuleType, ...] = (now, sessions, shots, leakdown, compare, line, receiver, water, setting, logbook, setup, more)
ON_THE_BAR = (now, sessions, shots, leakdown, compare, more)  # of a phone; the others are on the page More
HERE, EVERYWHERE = "127.0.0.1", "0.0.0.0"
# From light to dark, as farend.css has it.
ACCENT = ["#dfeeee", "#c9e8ea", "#aadee2", "#8bd4d9", "#6cc9cf", "#45abb2", "#2b8d95", "#19747d", "#0a5f68", "#074850"]
PATIENCE_S = 30.0  # for a client that neither sends nor takes anything


def create_app(home: Path, access: Access | None = None) -> Dash:
    """Build the pages for one home folder.

    Parameters
    ----------
    home : Path
        Folder that holds ``sessions`` and ``lines``; made when missing.
    access : Access, optional
        Who may use them; by default this computer only.

    Returns
    -------
    Dash
        The app; ``app.server`` is its WSGI application.
    """
    importlib.import_module("pandas")  # before several threads do: plotly takes one that is half imported for whole, and fails
    work = Work(Path(home))
    app = Dash(
        "farend",
        assets_folder=str(Path(__file__).parent / "assets"),
        assets_ignore=r"plotly-basic\.min\.js",  # assets/ahead.js reads it, when nothing waits
        title="farend",
        update_title="",
        suppress_callback_exceptions=True,
        meta_tags=[{"name": "viewport", "content": "width=device-width, initial-scale=1, viewport-fit=cover"}],
        serve_locally=True,
    )
    app.index_string = app.index_string.replace("<html>", '<html lang="en">').replace("Microsoft", "")
    app.layout = _shell
    serve_files(app.server, work)
    serve_reports(app.server, work)
    _route(app, work)
    for page in PAGES:
        page.register(app, work)
    job_card.register(app, work)
    app.server.wsgi_app = work.jobs.answering.counting(app.server.wsgi_app)
    (access or Access()).guard(app.server, app.csp_hashes())
    return app


def _shell() -> dmc.MantineProvider:
    """Lay out what stays: the bar with the switches, the list of pages, and the place of the page."""
    return dmc.MantineProvider(
        html.Div(
            [
                html.A("Skip to the page", href="#page", className="skip"),
                dcc.Location(id="url", refresh="callback-nav"),
                dcc.Store(id="address"),
                dcc.Store(id="nothing"),
                dcc.Store(id="reader", storage_type="local"),
                dcc.Store(id="ticked", data=[]),
                html.Header(
                    [
                        dcc.Link("farend", href="/sessions", className="brand"),
                        html.Div(
                            [
                                dmc.SegmentedControl(
                                    id="unit",
                                    data=list(UNIT_SETS),
                                    value="bar",
                                    persistence=True,
                                    persistence_type="local",
                                    size="md",
                                    **{"aria-label": "Unit of pressure"},
                                ),
                                dmc.ColorSchemeToggle(
                                    lightIcon="☾",
                                    darkIcon="☀",
                                    size=44,
                                    variant="default",
                                    id="scheme",
                                    **{"aria-label": "Light or dark page"},
                                ),
                            ],
                            className="switches",
                        ),
                    ],
                    className="top",
                ),
                html.Nav(_links(), className="pages", **{"aria-label": "Pages"}),
                dcc.Loading(
                    html.Main(id="page", tabIndex=-1),
                    target_components={"page": "children"},
                    delay_show=400,
                    custom_spinner=html.P("Working it out …", className="working", role="status"),
                    overlay_style={"visibility": "visible", "opacity": 0.35},
                    parent_className="place",
                ),
            ],
            className="shell",
        ),
        defaultColorScheme="auto",
        theme={
            "colors": {"accent": ACCENT},
            "primaryColor": "accent",
            "primaryShade": {"light": 8, "dark": 4},
            "autoContrast": True,
            "fontFamily": "inherit",
            "defaultRadius": "md",
        },
    )


def _route(app: Dash, work: Work) -> None:
    """Show the page that the address names; the address is all the state there is."""

    @app.callback(Output("page", "children"), Input("address", "data"), prevent_initial_call=True)
    def show(address: dict[str, str] | None) -> Any:
        page, query, reader = read_address(address)
        return render(page, work, query, reader)

    app.clientside_callback(
        ClientsideFunction("farend", "here"),
        Output("address", "data"),
        Input("url", "pathname"),
        Input("url", "search"),
        Input("unit", "value"),
        Input("reader", "data"),
    )
    app.clientside_callback(
        ClientsideFunction("farend", "choose"),
        Output("url", "search"),
        Input({"query": ALL, "default": ALL}, "value"),
        State({"query": ALL, "default": ALL}, "id"),
        prevent_initial_call=True,
    )
    app.clientside_callback(ClientsideFunction("farend", "arrive"), Output("nothing", "data"), Input("address", "data"))


def read_address(address: dict[str, str] | None) -> tuple[ModuleType, dict[str, str], Reader]:
    """Read an address: which page, which choices, which units."""
    address = address or {}
    name = unquote(address.get("path") or "/").strip("/")
    page = next((p for p in PAGES if p.PATH.strip("/") == name), sessions)
    return page, choices(address), reader_of(address)


def render(page: ModuleType, work: Work, query: dict[str, str], reader: Reader) -> Any:
    """Make a page; what the data refuse is said on the page."""
    try:
        return with_links(page, query, reader, page.layout(work, query, reader))
    except (ValueError, OSError) as problem:
        return ui.page(page.TITLE, ui.refused(problem), ui.link(page.PATH, {}, "Start this page afresh"))
    except Exception:
        logging.getLogger("farend").exception("the page %s failed for %s", page.PATH, query)
        lost = "Something in farend failed here; the terminal in which it runs says what. Your readings are not touched."
        return ui.page(page.TITLE, ui.refused(lost), ui.link(page.PATH, {}, "Start this page afresh"))


def _links() -> list[dcc.Link]:
    def shown(page: ModuleType) -> str:
        return "phone-only" if page is more else "" if page in ON_THE_BAR else "desktop-only"

    return [
        dcc.Link([html.Span(page.TITLE, className="long"), html.Span(page.SHORT, className="short")], href=page.PATH, className=shown(page))
        for page in PAGES
    ]


def serve(home: Path, port: int = 8050, *, lan: bool = False, open_browser: bool = True) -> None:
    """Serve the pages until Ctrl-C, on this computer or, with an access code, in the network it is in.

    Raises
    ------
    OSError
        If the port is taken; the message says what to do.
    """
    host = EVERYWHERE if lan else HERE
    _refuse_taken_port(host, port)
    access = Access(lan=lan, port=port)
    app = create_app(home, access)
    gc.freeze()  # all this stays: to look through it for waste takes 0.13 s, in the middle of a page or a zoom
    address = f"http://localhost:{port}"
    if lan:
        print(invitation(access, port), flush=True)
        address += f"/enter#{access.code}"
    else:
        print(f"The pages are at {address} (this computer only). Ctrl-C ends them.", flush=True)
    if open_browser:
        threading.Timer(1.0, webbrowser.open, args=(address,)).start()
    threading.Thread(target=_warm_up, daemon=True).start()
    _quiet()
    app.run(host=host, port=port, debug=False, request_handler=Handler)


class Handler(WSGIRequestHandler):
    """Answers a request: small pieces leave at once, and a client that has fallen silent is let go."""

    timeout = PATIENCE_S
    disable_nagle_algorithm = True
    wbufsize = 1 << 16

    def finish(self) -> None:
        """Close the connection; the other end may have gone before the last piece was taken."""
        with contextlib.suppress(OSError):
            super().finish()


def _warm_up() -> None:
    """Have the first figure drawn, and the detector and the line model compiled, before somebody waits for it."""
    from analysis.warm import warm

    with contextlib.suppress(Exception):
        recording_figures.recording([0.0, 1.0], [0.0, 1.0], Reader("bar"))
        warm()
    gc.freeze()


def _refuse_taken_port(host: str, port: int) -> None:
    with socket.socket() as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((host, port))
        except OSError:
            msg = f"Port {port} is taken by another program, perhaps another farend. Close it, or choose one with --port {port + 1}."
            raise OSError(msg) from None


def _quiet() -> None:
    """Keep the web server's own chatter out of the terminal."""
    for name in ("werkzeug", "farend"):
        logging.getLogger(name).setLevel(logging.ERROR)
    flask.cli.show_server_banner = lambda *_: None
