"""The page: how soon a button works, how soon the page shows the wire, and what pages cost.

    python tests/bench/bench_page.py [--messages N] [--rounds N] [--presses N] [--notes N]

Buttons and notes go over pseudo-terminals as serial ports, to and from a real service and a real
page. `browser` is a click in headless Chromium, and what stands in the page; it is left out where
there is none. `line` is the same without a browser: the request that a button sends, and the event
that the page is told.

What pages cost is live latency, as in bench_disturbed, in rounds that take turns: no page open, and
four that take every event, in a process of their own as phones would be. Where there is an ALSA
sequencer it is measured there, by the listener of the other live benches; elsewhere over the
pseudo-terminals, which a thread of this program reads. The ratio is what counts.
"""

from __future__ import annotations

import argparse
import gc
import importlib.util
import json
import random
import shutil
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from typing import Any, Protocol
from urllib.parse import urlsplit

sys.path.insert(1, str(Path(__file__).parents[1]))

from ways import RIG, START_S, Way, lacking, quantile, run_rig, running, write_rig

from pointsman.tables import table
from stage import PATIENCE_S, Page, Stage, paged, staged, until

PAGES = 4
SILENCED = "B4 78 00"  # All Sound Off on the synth's channel
PRESS_GAP_S = 0.25  # what a page may press for longer than a moment
NOTES = [n for n in range(48, 72) if n % 12 in (0, 2, 4, 5, 7, 9, 11)]

Times = list[float]


# ---- from a button to the wire, and from the wire to the page ------------------------------------


class Line:
    """A page without a browser: its events, each with when it came."""

    def __init__(self, page: Page) -> None:
        self._page = page
        self._news: list[tuple[float, bytes]] = []
        self._socket = events(page.url)
        threading.Thread(target=self._read, daemon=True).start()
        until(lambda: self._news)

    def _read(self) -> None:
        with self._socket.makefile("rb") as lines:
            for line in lines:
                self._news.append((time.time(), line))

    def press(self) -> None:
        """Press panic."""
        self._page.press({"do": "panic"})

    def shows(self, note: str, since_s: float) -> float | None:
        """When it has shown this note; None: not yet."""
        word = f'"{note}"'.encode()
        return next((s for s, line in self._news if s >= since_s and word in line), None)

    def close(self) -> None:
        """Close the page."""
        self._socket.close()


class Browser:
    """The page in a browser; times are those of its own clock, which is this machine's."""

    def __init__(self, page: Page) -> None:
        from playwright.sync_api import sync_playwright

        self._playwright = sync_playwright().start()
        self._browser = self._playwright.chromium.launch(
            executable_path=shutil.which("chromium"), args=["--no-sandbox", "--disable-gpu"]
        )
        self._tab = self._browser.new_page()
        self._tab.goto(page.url)
        self._tab.wait_for_selector(".output")
        self._tab.evaluate("""() => {
            const card = document.querySelector('.output[data-key="tug"] .notes');
            window.shown = [];
            window.pressed = 0;
            const now = () => (performance.timeOrigin + performance.now()) / 1000;
            new MutationObserver(() => window.shown.push([now(), card.textContent]))
                .observe(card, {subtree: true, childList: true, characterData: true});
            document.getElementById("panic").addEventListener(
                "pointerdown", () => { window.pressed = now() });
        }""")

    def press(self) -> None:
        """Click on panic."""
        self._tab.click("#panic")

    @property
    def pressed_s(self) -> float:
        """When it was clicked last."""
        return float(self._tab.evaluate("window.pressed"))

    def shows(self, note: str, since_s: float) -> float | None:
        """When it has shown this note; None: not yet."""
        shown = self._tab.evaluate("window.shown.splice(0)")
        return next((s for s, text in shown if s >= since_s and text.startswith(note + " ")), None)

    def close(self) -> None:
        """Close the browser."""
        self._browser.close()
        self._playwright.stop()


def has_browser() -> bool:
    """Whether there is one that we can drive."""
    return bool(shutil.which("chromium") and importlib.util.find_spec("playwright"))


def time_presses(stage: Stage, page: Line | Browser, presses: int) -> Times:
    """Milliseconds from each press to the first that comes of it at the output."""
    times = []
    apart_s = time.time() - time.monotonic()
    for _ in range(presses):
        since, began_s = stage.tug.now, time.time()
        page.press()
        until(partial(stage.tug.heard, SILENCED, since))
        if isinstance(page, Browser):
            began_s = page.pressed_s
        came_s = stage.tug.messages[since][0] + apart_s
        times.append((came_s - began_s) * 1000)
        time.sleep(PRESS_GAP_S)
    return times


def time_notes(stage: Stage, page: Line | Browser, notes: int) -> Times:
    """Milliseconds from each note, as it is played, to its name on the page."""
    from pointsman.units import note_name

    times = []
    luck = random.Random(7)
    for number in range(notes):
        note = NOTES[number % len(NOTES)]
        time.sleep(luck.uniform(0.06, 0.16))  # at any moment between two looks
        began_s = time.time()
        stage.pier.send(f"90 {note:02X} 64")
        shown_s = until(partial(page.shows, note_name(note), began_s))
        times.append((shown_s - began_s) * 1000)
        stage.pier.send(f"80 {note:02X} 40")
    return times


def there_and_back(presses: int, notes: int, *, browser: bool) -> str:
    """The table of buttons and notes."""
    rows = []
    with tempfile.TemporaryDirectory() as folder, staged(Path(folder)) as stage:
        for name, kind in (("line", Line), ("browser", Browser)):
            if kind is Browser and not (browser and has_browser()):
                continue
            with paged(stage, "--listen", "127.0.0.1:0") as page:
                view = kind(page)
                for what, times in (
                    ("button to wire", time_presses(stage, view, presses)),
                    ("wire to page", time_notes(stage, view, notes)),
                ):
                    cells = [f"{quantile(times, part):.1f}" for part in (0.5, 0.99)]
                    rows.append((what, name, len(times), *cells, f"{max(times):.1f}"))
                view.close()
    return table(("", "by", "times", "p50 ms", "p99 ms", "max ms"), sorted(rows))


# ---- what pages cost -----------------------------------------------------------------------------


def events(url: str) -> socket.socket:
    """A page's stream of events."""
    place = urlsplit(url)
    line = socket.create_connection((place.hostname or "", place.port or 80), PATIENCE_S)
    line.sendall(f"GET /events HTTP/1.1\r\nHost: {place.netloc}\r\n\r\n".encode())
    line.settimeout(None)
    return line


def watch(url: str) -> None:
    """Four pages, read until standard input ends; prints how many events each got."""
    lines = [events(url) for _ in range(PAGES)]
    counts = [0] * PAGES

    def read(number: int) -> None:
        for line in lines[number].makefile("rb"):
            counts[number] += line.startswith(b"event:")

    for number in range(PAGES):
        threading.Thread(target=read, args=(number,), daemon=True).start()
    print("open", flush=True)
    sys.stdin.read()
    print(json.dumps(counts))


@contextmanager
def four_pages(url: str, seen: list[int]) -> Iterator[None]:
    """Four pages are open until the end of the block."""
    pages = subprocess.Popen(
        [sys.executable, __file__, "--watch", url],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
    )  # fmt: skip
    assert pages.stdout is not None
    pages.stdout.readline()
    time.sleep(1)
    yield
    told, _ = pages.communicate(timeout=START_S)
    seen.extend(json.loads(told))


class Player(Protocol):
    """What plays to a service and takes the time."""

    times_us: Times
    lost: int

    def play(self, messages: int, gap_s: float) -> None:
        """Send so many messages and note how long each took."""


class SerialPlayer:
    """Plays over the pseudo-terminals of a stage."""

    def __init__(self, stage: Stage) -> None:
        self._stage = stage
        self.times_us: Times = []
        self.lost = 0

    def play(self, messages: int, gap_s: float) -> None:
        """Note-on and note-off in turn."""
        tug = self._stage.tug
        for number in range(messages):
            word, answer = (("90 3C 64", "94 3C 64"), ("80 3C 40", "84 3C 40"))[number % 2]
            since, began_s = tug.now, time.monotonic()
            self._stage.pier.send(word)
            until(partial(tug.heard, answer, since))
            self.times_us.append((tug.messages[since][0] - began_s) * 1_000_000)
            time.sleep(gap_s)


def in_turns(player: Player, url: str, options: Any) -> tuple[Times, Times, list[int]]:
    """The times without pages and with four, and how many events these were sent."""
    without: Times = []
    with_pages: Times = []
    seen: list[int] = []
    player.play(100, options.gap)
    player.times_us.clear()
    gc.collect()
    gc.disable()
    for turn in range(2 * options.rounds):
        if turn % 2 == 0:
            player.times_us = without
            player.play(options.messages, options.gap)
        else:
            player.times_us = with_pages
            with four_pages(url, seen):
                player.play(options.messages, options.gap)
    gc.enable()
    return without, with_pages, seen


@contextmanager
def playing() -> Iterator[tuple[Player, str, str]]:
    """A player, the page's address, and what it plays on: ALSA where that is to be had."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        if lacking() is not None:
            with staged(folder) as stage, paged(stage, "--listen", "127.0.0.1:0") as page:
                yield SerialPlayer(stage), page.url, "serial"
            return
        way = Way(RIG, 1, "page")
        rig = write_rig(way, folder)
        with running(run_rig(rig)):
            way.connect()
            page = Page(rig.with_suffix(".sock"), "--listen", "127.0.0.1:0")
            try:
                yield way, page.url, "ALSA"
            finally:
                page.end()
                way.close()


def cost(options: Any) -> str:
    """The table of what pages cost: microseconds, and ratios to none."""
    with playing() as (player, url, on):
        without, with_pages, seen = in_turns(player, url, options)
    rows = []
    for what, times in (("no page", without), (f"{PAGES} pages", with_pages)):
        cells: list[str] = []
        for part in (0.5, 0.99, 0.999):
            value = quantile(times, part)
            cells += [f"{value:.0f}", f"{value / quantile(without, part):.2f}"]
        rows.append((on, what, len(times), *cells))
    heads = ("on", "open", "messages", "p50 us", "x", "p99 us", "x", "p99.9 us", "x")
    return f"{table(heads, rows)}\nevents to each page: {min(seen)} or more; lost: {player.lost}"


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0] if __doc__ else None)
    parser.add_argument("--watch", metavar="URL", help=argparse.SUPPRESS)
    parser.add_argument("--quick", action="store_true", help="little of each, to see that it runs")
    parser.add_argument("--no-browser", action="store_true", help="only without a browser")
    parser.add_argument("--messages", type=int, default=500, help="a round (default 500)")
    parser.add_argument("--rounds", type=int, default=12, help="of each kind (default 12)")
    parser.add_argument("--gap", type=float, default=0.003, help="seconds after each (0.003)")
    parser.add_argument("--presses", type=int, default=60, help="of a button (default 60)")
    parser.add_argument("--notes", type=int, default=200, help="that the page shows (default 200)")
    options: Any = parser.parse_args()
    if options.watch:
        watch(options.watch)
        return
    for needed in ("aiohttp", "serial"):
        if importlib.util.find_spec(needed) is None:
            raise SystemExit(f"nothing measured: no {needed}; pip install '.[page,serial]'")
    if options.quick:
        options.messages, options.rounds, options.presses, options.notes = 20, 1, 3, 5
    print(there_and_back(options.presses, options.notes, browser=not options.no_browser))
    print(f"\n{cost(options)}")


if __name__ == "__main__":
    main()
