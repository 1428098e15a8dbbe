"""A real headless Chromium for the tests, which asks nothing of any other machine."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import pytest

CHROMIUM = os.environ.get("POINTSMAN_CHROMIUM") or shutil.which("chromium") or ""
FLAGS = (
    "--headless", "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-sync",
    "--disable-background-networking", "--disable-component-update",
)  # fmt: skip
DESKTOP, PHONE = {"width": 1440, "height": 900}, {"width": 390, "height": 844}


@contextmanager
def chromium() -> Iterator[Any]:
    """The browser, as playwright has it; skips the test where there is none."""
    if not CHROMIUM:
        pytest.skip("no Chromium here; on Debian: apt install chromium")
    playwright = pytest.importorskip(
        "playwright.sync_api", reason="no playwright to drive Chromium"
    )
    with playwright.sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=CHROMIUM, args=list(FLAGS))
        yield browser
        browser.close()
