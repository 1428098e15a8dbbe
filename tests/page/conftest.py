"""One stage and one page for the tests of a file, and a browser for those that need one."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from typing import Any

import pytest

from stage import Page, Stage, paged, staged

HERE = ("--listen", "127.0.0.1:0")

CHROMIUM = shutil.which("chromium")
FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]


@pytest.fixture(scope="module")
def stage(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Stage]:
    pytest.importorskip("aiohttp", reason="needs aiohttp: pip install '.[page]'")
    pytest.importorskip("serial", reason="needs pyserial: pip install '.[serial]'")
    with staged(tmp_path_factory.mktemp("stage")) as found:
        yield found


@pytest.fixture(scope="module")
def page(stage: Stage) -> Iterator[Page]:
    with paged(stage, *HERE) as found:
        yield found


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    """Debian's Chromium, without a window. Its loop runs on this thread until it is closed."""
    api = pytest.importorskip(
        "playwright.sync_api", reason="needs playwright: pip install '.[test]'"
    )
    if CHROMIUM is None:
        pytest.skip("no chromium; on Debian: apt install chromium")
    with api.sync_playwright() as playwright:
        found = playwright.chromium.launch(executable_path=CHROMIUM, headless=True, args=FLAGS)
        yield found
        found.close()
