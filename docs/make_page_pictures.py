"""Makes the pictures of docs/page.md: the demo, played by a real service, in a real browser.

    python docs/make_page_pictures.py

It needs aiohttp, playwright and Debian's chromium. Pictures go into docs/pictures/. Ports are files
here, so that it runs on a machine without MIDI.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from playwright.sync_api import sync_playwright

PICTURES = Path(__file__).with_name("pictures")
LARGEST = 200_000
"""Bytes of a picture."""

SIZES = {"phone": (390, 844, 2), "desk": (1280, 860, 1)}
FLAGS = ["--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking",
         "--disable-component-update", "--disable-sync"]  # fmt: skip
SONGS = "songs:\n  rigs: {shanty: shanty.yaml, storm: storm.yaml}\n"

MUCH_GOES_ON = """() => {
    const sounding = [...document.querySelectorAll(".output .these")].length;
    return sounding >= 3 && document.querySelectorAll(".away li").length >= 2;
}"""


@contextmanager
def running(folder: Path, *arguments: str | Path, ready: str) -> Iterator[str]:
    """One of our commands, in a folder, from its line with `ready` in it, which is given."""
    command = [sys.executable, "-m", "pointsman.cli", *map(str, arguments)]
    process = subprocess.Popen(
        command, cwd=folder, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True
    )
    assert process.stdout is not None
    with process, process.stdout:
        try:
            line = next(line for line in process.stdout if ready in line)
            yield line
        finally:
            process.terminate()
            process.communicate()


def prepare(folder: Path) -> Path:
    """The demo's rig, with two songs."""
    demo = [sys.executable, "-m", "pointsman.cli", "demo", "--out", str(folder)]
    subprocess.run(demo, check=True, stdout=subprocess.DEVNULL)
    (rig,) = (path for path in folder.glob("*.yaml") if "outputs:" in path.read_text("utf-8"))
    text = rig.read_text("utf-8")
    for song in ("shanty", "storm"):
        (folder / f"{song}.yaml").write_text(text.replace("rig: harbour", f"rig: {song}"), "utf-8")
    rig.write_text(text.replace("\noutputs:", f"\n{SONGS}\noutputs:"), "utf-8")
    return rig


def open_pages(browser: Any, url: str) -> dict[str, Any]:
    """A page of each size."""
    pages = {}
    for name, (width, height, scale) in SIZES.items():
        context = browser.new_context(
            viewport={"width": width, "height": height}, device_scale_factor=scale
        )
        pages[name] = context.new_page()
        pages[name].goto(url)
    return pages


def keep(page: Any, name: str) -> None:
    """Take a picture of what is seen."""
    path = PICTURES / f"page-{name}.png"
    page.screenshot(path=path)
    size = path.stat().st_size
    print(f"{path.name}: {size // 1000} kB")
    if size > LARGEST:
        raise SystemExit(f"{path.name} is larger than {LARGEST // 1000} kB")


def main(_arguments: Sequence[str] = ()) -> None:
    """Make them all."""
    PICTURES.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as name, sync_playwright() as playwright:
        folder = Path(name)
        rig, socket, token = prepare(folder), "control.sock", "token"
        folder.chmod(0o700)
        browser = playwright.chromium.launch(executable_path="/usr/bin/chromium", args=FLAGS)
        listen = ("--listen", "127.0.0.1:0")
        page = ("page", "--socket", socket, *listen)
        with running(folder, *page, ready="The page is at ") as line:
            pages = open_pages(browser, line.split()[4])
            with running(folder, "run", rig, "--socket", socket, ready="ready"):
                for page_of in pages.values():
                    page_of.wait_for_selector(".output")
                for size, page_of in pages.items():
                    for _ in range(20):  # it may have changed before the picture was taken
                        page_of.wait_for_function(MUCH_GOES_ON, timeout=8000)
                        keep(page_of, size)
                        if page_of.evaluate(MUCH_GOES_ON):
                            break
                pages["phone"].get_by_role("button", name="Bypass cc_reset of tug").click()
                pages["phone"].wait_for_selector('.entry[aria-pressed="true"]')
                pages["phone"].mouse.move(1, 1)
                pages["phone"].evaluate("find('chains-part').scrollIntoView()")
                keep(pages["phone"], "bypass")
            pages["phone"].evaluate("scrollTo(0, 0)")
            pages["phone"].wait_for_selector('[data-line="lost"]')
            pages["phone"].locator("#why", has_text="start one").wait_for()
            keep(pages["phone"], "lost")
        with running(folder, *page, "--token-file", token, ready="The page is at ") as line:
            pages = open_pages(browser, line.split()[4])
            pages["phone"].wait_for_selector("#token-text")
            keep(pages["phone"], "token")
        browser.close()


if __name__ == "__main__":
    main(sys.argv[1:])
