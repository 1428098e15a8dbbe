"""Makes the pictures of README.md and docs/ from the demo, in a real browser.

    python docs/make_pictures.py

Needs the extras `report` and `test`, and Chromium (on Debian: apt install chromium). Look at what
it made before you commit it.
"""

from __future__ import annotations

import os
import shutil
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from playwright.sync_api import sync_playwright

from pointsman.cli import main as pointsman

PICTURES = Path(__file__).parent / "pictures"
MOST_BYTES = 300_000

FLAGS = (
    "--headless", "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-sync",
    "--disable-background-networking", "--disable-component-update",
)  # fmt: skip


@contextmanager
def chromium() -> Iterator[Any]:
    """The browser that this machine has."""
    path = os.environ.get("POINTSMAN_CHROMIUM") or shutil.which("chromium")
    if path is None:
        sys.exit("there is no chromium; on Debian: apt install chromium")
    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=path, args=list(FLAGS))
        yield browser
        browser.close()


def report_pictures(browser: Any, report: Path) -> None:
    """The report of the demo at a desk, with something pointed at, and on a phone."""
    page = browser.new_page(viewport={"width": 1200, "height": 1130})
    page.goto(report.as_uri())
    page.wait_for_selector("html[data-drawn]")
    row = page.locator("#row0").bounding_box()
    # The second house of the cutoff: at 1.75 of 8 seconds, a third of the way down.
    page.mouse.move(row["x"] + 46 + (row["width"] - 58) * (1.75 / 8 + 0.01) / 1.02, row["y"] + 247)
    page.screenshot(path=PICTURES / "report.png")
    page.close()
    page = browser.new_page(viewport={"width": 390, "height": 844}, device_scale_factor=2)
    page.goto(report.as_uri())
    page.wait_for_selector("html[data-drawn]")
    page.screenshot(path=PICTURES / "report-phone.png")
    page.close()


def main() -> None:
    """Make them all, and see that none is large."""
    PICTURES.mkdir(exist_ok=True)
    with TemporaryDirectory() as folder, chromium() as browser:
        report = Path(folder) / "demo.html"
        if pointsman(["demo", "--report", str(report)]):
            sys.exit("the demo failed")
        report_pictures(browser, report)
    for path in sorted(PICTURES.glob("*.png")):
        size = path.stat().st_size
        print(f"{path.name}: {size} bytes")
        if size > MOST_BYTES:
            sys.exit(f"{path.name} is too large")


if __name__ == "__main__":
    main()
