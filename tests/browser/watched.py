"""A page in a browser under watch: what went wrong in it, and what it asked for elsewhere."""

from __future__ import annotations

from pathlib import Path
from typing import Final
from urllib.parse import urlsplit

from playwright.sync_api import BrowserContext, Page, ViewportSize, expect

SCREENS: Final[dict[str, ViewportSize]] = {"phone": {"width": 390, "height": 844}, "desktop": {"width": 1440, "height": 900}}
PICTURES: Final = Path(__file__).parents[2] / "screenshots"
PATIENCE_MS: Final = 60_000  # the line model is compiled once; on a slow machine that takes a while
expect.set_options(timeout=20_000)


class Watched:
    """A page, with all that went wrong in it and all that it asked for elsewhere."""

    def __init__(self, context: BrowserContext) -> None:
        self.page: Page = context.new_page()
        self.page.set_default_timeout(PATIENCE_MS)
        self.wrong: list[str] = []
        self.page.on("console", lambda m: self.wrong.append(m.text) if m.type == "error" else None)
        self.page.on("pageerror", lambda e: self.wrong.append(str(e)))
        self.page.on("response", lambda r: self.wrong.append(f"{r.status} {r.url}") if r.status >= 400 else None)
        self.page.on("request", lambda r: self.wrong.append(f"outside: {r.url}") if not _is_here(r.url) else None)

    def open(self, address: str, heading: str) -> Page:
        """Open an address and wait for its heading."""
        self.page.goto(address)
        expect(self.page.get_by_role("heading", level=1, name=heading, exact=True)).to_be_visible(timeout=PATIENCE_MS)
        return self.page


def _is_here(url: str) -> bool:
    parts = urlsplit(url)
    return parts.scheme in {"data", "blob"} or parts.hostname in {"localhost", "127.0.0.1"}


def keep_picture(page: Page, name: str) -> None:
    """Keep what was seen, for a person to look at: CI keeps the folder."""
    screen = "phone" if (page.viewport_size or SCREENS["desktop"])["width"] < 500 else "desktop"
    ground = "dark" if page.evaluate("matchMedia('(prefers-color-scheme: dark)').matches") else "light"
    PICTURES.mkdir(exist_ok=True)
    file = "-".join(name.lower().replace(",", "").split())
    view = page.viewport_size or SCREENS["desktop"]
    whole = page.evaluate("document.documentElement.scrollHeight")
    page.set_viewport_size({**view, "height": whole})  # a picture of the full page would be taken before what scrolls is drawn
    page.evaluate("new Promise((drawn) => requestAnimationFrame(() => requestAnimationFrame(drawn)))")
    page.screenshot(path=PICTURES / f"{file}-{screen}-{ground}.png")
    page.set_viewport_size(view)
