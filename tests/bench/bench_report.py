"""What a report costs: making it beside `render` alone, and opening it beside an empty page.

    python tests/bench/bench_report.py           # the demo and a million messages, some minutes
    python tests/bench/bench_report.py --quick   # ten thousand messages, to see that it runs

The long input is an hour of the realistic mix; its rig has four outputs with five transforms each,
and every message goes to all of them: the dear case. Making is told in processor time. Pages are
opened in a headless Chromium without a graphics processor, each in turn; the median counts, and the
best is what a machine does that has nothing else to do.
"""

from __future__ import annotations

import argparse
import shutil
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from statistics import median
from tempfile import TemporaryDirectory
from typing import Any

from material import play, rig_text

from pointsman.demo import prepare
from pointsman.io_tsv import TsvWriter
from pointsman.tables import table

ROUNDS = 5
MILLION, QUICK = 1_000_000, 10_000
HOUR_S = 3600
FLAGS = (
    "--headless", "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-sync",
    "--disable-background-networking", "--disable-component-update",
)  # fmt: skip
EMPTY = "<!DOCTYPE html><html data-drawn='0'><title>empty</title><p>Nothing.</p></html>"

# The peak that the system reports of a child counts in its parent, so the child looks for itself.
RUN = """
import sys, time
from pointsman.cli import main
code = main(sys.argv[1:])
print(time.process_time())
print(next(line.split()[1] for line in open("/proc/self/status") if line.startswith("VmHWM")))
sys.exit(code)
"""

OPEN = "html[data-drawn]"
REDRAW = """() => new Promise((done) => {
  const times = Bokeh.documents[0].get_model_by_name("times"), length = times.end - times.start;
  const began = performance.now();
  times.setv({ start: times.start + length / 4, end: times.end - length / 4 });
  requestAnimationFrame(() => requestAnimationFrame(() => requestAnimationFrame(
    () => done(performance.now() - began))));
})"""


def run(*arguments: str | Path) -> tuple[float, float]:
    """Seconds of processor time and peak memory in MiB of one command, in a process of its own."""
    done = subprocess.run(
        [sys.executable, "-c", RUN, *map(str, arguments)],
        stdout=subprocess.PIPE,
        text=True,
        check=True,
    )
    seconds, kibibytes = done.stdout.split()[-2:]
    return float(seconds), int(kibibytes) / 1024


def write_hour(path: Path, count: int) -> None:
    """So many messages of the realistic mix, spread over an hour (or over their share of it)."""
    seconds = count // 1000
    with TsvWriter(path) as writer:
        for data, t_ns in play(seconds):
            writer.write(t_ns * HOUR_S * 1000 // MILLION, data)


def make(folder: Path, count: int) -> tuple[str, dict[str, Path]]:
    """The table of what making costs; the pages by name."""
    prepare(folder)
    (folder / "quay.yaml").write_text(rig_text(4), "utf-8")
    write_hour(folder / "hour.tsv", count)
    rows, pages = [], {}
    for name, rig, log in (("demo", "rig", "harbour"), (f"{count:,} messages", "quay", "hour")):
        rendering = ("render", folder / f"{rig}.yaml", folder / f"{log}.tsv", "--out", folder / "o")
        pages[name] = folder / f"{log}.html"
        plain_s, plain_mib = run(*rendering)
        made_s, made_mib = run(*rendering, "--report", pages[name])
        drawn_s, drawn_mib = run(*rendering, "--plot", folder / "plot.png")
        size = pages[name].stat().st_size / 1e6
        rows += [
            (name, "render", f"{plain_s:.1f}", "", f"{plain_mib:.0f}", ""),
            ("", "--report", *_beside(made_s, plain_s), f"{made_mib:.0f}", f"{size:.1f}"),
            ("", "--plot", *_beside(drawn_s, plain_s), f"{drawn_mib:.0f}", ""),
        ]
    heads = ("input", "what", "seconds", "of render", "peak MiB", "page MB")
    return f"Making a report\n{table(heads, rows)}", pages


def _beside(seconds: float, plain_s: float) -> tuple[str, str]:
    return f"{seconds:.1f}", f"{seconds / plain_s:.2f}"


def open_pages(pages: dict[str, Path], rounds: int) -> str:
    """The table of what opening costs, beside an empty page."""
    chromium = shutil.which("chromium")
    if chromium is None:
        return "Opening: nothing measured: there is no chromium here"
    from playwright.sync_api import sync_playwright

    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=chromium, args=list(FLAGS))
        costs: dict[str, list[float]] = {name: [] for name in pages}
        redraws: dict[str, list[float]] = {name: [] for name in pages}
        for _ in range(rounds):
            for name, path in pages.items():
                opened, redrawn = _open(browser, path, name != "an empty page")
                costs[name].append(opened)
                redraws[name].append(redrawn)
        browser.close()
    rows = [
        (name, f"{median(costs[name]):.2f}", f"{min(costs[name]):.2f}", f"{max(costs[name]):.2f}",
         f"{median(redraws[name]):.0f}")
        for name in pages
    ]  # fmt: skip
    heads = ("page", "opens in s", "best", "worst", "zooms in ms")
    return f"Opening a report\n{table(heads, rows)}"


def _open(browser: Any, path: Path, zooms: bool) -> tuple[float, float]:
    page = browser.new_page(viewport={"width": 1440, "height": 900})
    began = time.perf_counter()
    page.goto(path.as_uri())
    page.wait_for_selector(OPEN, timeout=120_000)
    opened = time.perf_counter() - began
    redrawn = page.evaluate(REDRAW) if zooms else 0.0
    page.close()
    return opened, redrawn


def main(arguments: Sequence[str] | None = None) -> None:
    """Print both tables."""
    parser = argparse.ArgumentParser(description="What a report costs.")
    parser.add_argument("--quick", action="store_true", help="few messages, to see that it runs")
    options = parser.parse_args(arguments)
    show: Callable[..., None] = print
    with TemporaryDirectory() as name:
        folder = Path(name)
        made, pages = make(folder, QUICK if options.quick else MILLION)
        show(made, flush=True)
        empty = folder / "empty.html"
        empty.write_text(EMPTY, "utf-8")
        show(f"\n{open_pages({'an empty page': empty, **pages}, 1 if options.quick else ROUNDS)}")


if __name__ == "__main__":
    main()
