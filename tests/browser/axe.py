"""What the accessibility rules of axe-core (WCAG 2.2 A and AA, and its best practices) find in a page."""

from __future__ import annotations

from importlib.resources import files
from typing import Final

from playwright.sync_api import Page

GRAVE: Final = {"serious", "critical"}


def grave_faults(page: Page) -> list[str]:
    """Serious and critical faults of the page that is open: rule, and the elements that break it."""
    if not page.evaluate("typeof window.axe !== 'undefined'"):
        page.evaluate((files("axe_playwright_python") / "axe.min.js").read_text(encoding="utf-8"))
    found = page.evaluate("axe.run(document, {resultTypes: ['violations']})")
    return [
        f"{v['id']}: {v['help']}: {[node['html'][:200] for node in v['nodes'][:4]]}" for v in found["violations"] if v["impact"] in GRAVE
    ]
