"""Shared by all tests: where the browser is, and what its absence means."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from typing import TYPE_CHECKING

import pytest
from hypothesis import HealthCheck, settings

if TYPE_CHECKING:
    from playwright.sync_api import Browser

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the front door sets it; read when numpy loads
# How fast the machine is today decides no test.
settings.register_profile("untimed", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("untimed")


@pytest.fixture(scope="session")
def chromium() -> str:
    """Path of Chromium. Without one the tests that need it are left out, unless FAREND_BROWSER_TESTS=required (as in CI)."""
    path = shutil.which("chromium") or shutil.which("chromium-browser")
    if path is None:
        if os.environ.get("FAREND_BROWSER_TESTS") == "required":
            pytest.fail("Chromium is not installed, and FAREND_BROWSER_TESTS=required.")
        pytest.skip("Chromium is not installed; the tests in a browser are left out.")
    return path


@pytest.fixture(scope="module")
def browser(chromium: str) -> Iterator[Browser]:
    """Chromium, without its own calls home."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=chromium, args=["--no-sandbox", "--disable-background-networking"])
        yield started
        started.close()
