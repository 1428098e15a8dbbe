"""Live latency under a steady load, with and without somebody who watches.

    python tests/bench/bench_watch.py [--rate N] [--messages N] [--rounds N] [--datagrams]

One service runs a rig of five transforms. This program plays to it without a pause, 3,000 messages
a second if nothing else is said, in rounds that take turns: quiet ones, ones in which `pointsman
watch` runs on a terminal, and ones in which it prints a line a message into a file. The load is the
same in all of them; the ratio is what counts. How long each message took is told by a program that
hears what is played and what comes out (ways.py), so that neither playing nor hearing counts.

Before that stands what it costs the callback to keep events for a reader (four outputs, no ports),
beside nobody reading them.

Beside the ratios stands whether the watcher kept up: lines are counted, and what it says it lost.
The rate is what was reached, which on a slow or an emulated machine may be less than was asked for.

It needs a machine with an ALSA sequencer, and says so where there is none. `--datagrams` needs
none: messages come and go as datagrams there (datagrams.py), and the rest is the same.
"""

from __future__ import annotations

import argparse
import gc
import pty
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from datagrams import DatagramWay
from ways import RIG, START_S, STEPS, Way, lacking, quantile, run_rig, running, write_rig

from pointsman.live.service import Service
from pointsman.rig import Rig
from pointsman.rig_file import load_rig
from pointsman.tables import table

QUIET, TERMINAL, LINES = "nobody", "on a terminal", "as lines"
SETTLE_S = 1.0
HOME = b"\xb4\x4b\x40"
"""What the rig adds of its own: it answers no single message."""


class Round:
    """What is measured under one name: times in microseconds, and what went wrong."""

    def __init__(self) -> None:
        self.times_us: list[float] = []
        self.spoilt = 0
        self.played = 0
        self.took_s = 0.0


def play(way: Way | DatagramWay, messages: int, rate: float, found: Round) -> None:
    """Play so many messages at this rate, and note how long each took.

    Each has one answer, in the same order: what is played is on channel 1, what comes out on 5.
    Where the sequencer has lost something there is no telling which, and the round is spoilt.
    """
    way.ears.expect(sys.maxsize)
    begun_s = due_s = time.monotonic()
    for n in range(messages):
        way.send(STEPS[n % len(STEPS)].data)
        due_s += 1 / rate
        if (wait_s := due_s - time.monotonic()) > 0:
            time.sleep(wait_s)
    found.took_s += time.monotonic() - begun_s
    found.played += messages
    time.sleep(SETTLE_S)
    played = [t_us for t_us, data in way.ears.heard if not data[0] & 0x0F]
    answers = [t_us for t_us, data in way.ears.heard if data[0] & 0x0F == 4 and data != HOME]
    if len(played) == len(answers) == messages:
        found.times_us += [b - a for a, b in zip(played, answers, strict=True)]
    else:
        found.spoilt += 1


@contextmanager
def watched(kind: str, rig: Path, printed: Path) -> Iterator[None]:
    """Somebody watches, or nobody does."""
    if kind == QUIET:
        yield
        return
    socket = str(rig.with_suffix(".sock"))
    command = [sys.executable, "-m", "pointsman.cli", "watch", "--socket", socket]
    if kind == TERMINAL:
        command = [sys.executable, __file__, "--terminal", *command]
    with printed.open("ab") as file:
        process = subprocess.Popen(command, stdin=subprocess.DEVNULL, stdout=file)
        try:
            at = file.tell()
            until_s = time.monotonic() + START_S
            while printed.stat().st_size <= at and time.monotonic() < until_s:
                time.sleep(0.1)
            time.sleep(SETTLE_S)
            yield
        finally:
            process.terminate()
            process.wait(START_S)


@contextmanager
def way_through_a_rig(datagrams: bool, folder: Path) -> Iterator[tuple[Way | DatagramWay, Path]]:
    """The rig runs, and the way is open."""
    if datagrams:
        by_datagrams = DatagramWay()
        rig = by_datagrams.write_rig(folder)
        with running(run_rig(rig)):
            wait_for(rig.with_suffix(".sock"))
            yield by_datagrams, rig
        by_datagrams.close()
        return
    way = Way(RIG, 1, "watched")
    rig = write_rig(way, folder)
    with running(run_rig(rig)):
        way.connect()
        yield way, rig
        way.close()


def wait_for(path: Path) -> None:
    """Wait until something is there, and a little longer."""
    until_s = time.monotonic() + START_S
    while not path.exists() and time.monotonic() < until_s:
        time.sleep(0.1)
    time.sleep(SETTLE_S)


def measure(
    rounds: int, messages: int, rate: float, datagrams: bool
) -> tuple[dict[str, Round], str]:
    """Play in turns; what was measured, and how the lines kept up."""
    found = {kind: Round() for kind in (QUIET, TERMINAL, LINES)}
    with tempfile.TemporaryDirectory() as folder:
        screen, lines = Path(folder, "screen.txt"), Path(folder, "lines.txt")
        with way_through_a_rig(datagrams, Path(folder)) as (way, rig):
            play(way, 200, rate, Round())
            gc.collect()
            gc.disable()
            for turn in range(rounds):
                kinds = list(found)
                for kind in kinds if turn % 2 else reversed(kinds):
                    with watched(kind, rig, screen if kind == TERMINAL else lines):
                        play(way, messages, rate, found[kind])
            gc.enable()
        return found, kept_up(lines.read_text("utf-8"))


def kept_up(text: str) -> str:
    """How many of the messages that came in are there as a line, and how many are said lost."""
    lines = text.splitlines()
    seen = sum("  input  " in line for line in lines)
    lost = sum(int(line.split()[1]) for line in lines if line.startswith("# ") and "lost" in line)
    return f"as lines: {seen} messages of the input, {lost} events said to be lost"


def costs(messages: int, rounds: int) -> str:
    """What a message costs in the callback, by who reads the events; the ways take turns."""
    with tempfile.TemporaryDirectory() as folder:
        way = Way(RIG, 4, "costs")
        rig = load_rig(write_rig(way, Path(folder), port="null:"))
    found: dict[str, list[float]] = {"nobody": [], "watch": [], "one who wants all": []}
    services = [Service(rig, _nowhere) for _ in found]
    for service, tap in zip(services, (None, False, True), strict=True):
        service.start()
        if tap is not None:
            service.tap(True, tap)
    for _ in range(rounds):
        for service, times in zip(services, found.values(), strict=True):
            for n in range(messages):
                data = STEPS[n % len(STEPS)].data
                begun_ns = time.perf_counter_ns()
                service.deliver(data)
                times.append((time.perf_counter_ns() - begun_ns) / 1000)
                if n % 150 == 0:  # so many come in a turn of the steward
                    service.take_tapped()
    base = quantile(found["nobody"], 0.5)
    rows = [
        (who, f"{quantile(times, 0.5):.1f}", f"{quantile(times, 0.5) / base:.2f}")
        for who, times in found.items()
    ]
    return table(("reads events", "p50 us", "x"), rows)


def _nowhere(rig: Rig) -> dict[str, Any]:
    return {spec.name: lambda data, t_ns: None for spec in rig.outputs}


def show(found: dict[str, Round]) -> str:
    """The table: microseconds, and ratios to the quiet rounds."""
    rows = []
    quiet = found[QUIET].times_us
    for kind, measured in found.items():
        cells: list[str] = []
        for part in (0.5, 0.99, 0.999):
            value = quantile(measured.times_us, part)
            cells += [f"{value:.0f}", f"{value / quantile(quiet, part):.2f}"]
        rate = measured.played / measured.took_s
        rows.append((kind, len(measured.times_us), f"{rate:.0f}", measured.spoilt, *cells))
    heads = ("watches", "messages", "a second", "spoilt rounds")
    return table((*heads, "p50 us", "x", "p99 us", "x", "p99.9 us", "x"), rows)


def main() -> None:
    """Measure and print."""
    if sys.argv[1:2] == ["--terminal"]:  # a terminal whose other end takes everything
        pty.spawn(sys.argv[2:])
        return
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0] if __doc__ else None)
    parser.add_argument("--quick", action="store_true", help="few messages, to see that it runs")
    parser.add_argument("--rate", type=float, default=3000, help="messages a second (3000)")
    parser.add_argument("--messages", type=int, default=3000, help="a round (default 3000)")
    parser.add_argument("--rounds", type=int, default=8, help="of each kind (default 8)")
    parser.add_argument("--datagrams", action="store_true", help="without any MIDI")
    options: Any = parser.parse_args()
    if not options.datagrams and (why := lacking()) is not None:
        raise SystemExit(f"nothing measured: {why}")
    if options.quick:
        options.messages, options.rounds = 100, 1
    print(costs(options.messages, options.rounds), end="\n\n", flush=True)
    found, kept = measure(options.rounds, options.messages, options.rate, options.datagrams)
    print(show(found))
    print(kept)


if __name__ == "__main__":
    main()
