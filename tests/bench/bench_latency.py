"""Live latency and jitter on the ALSA sequencer: a rig of five transforms beside pass-throughs.

    python tests/bench/bench_latency.py             # about four minutes
    python tests/bench/bench_latency.py latency     # one part: latency, jitter
    python tests/bench/bench_latency.py --quick     # few messages, to see that it runs

What stands beside the rig, and from where to where the time is taken, says ways.py.

latency: a message is played, and when all outputs have it the next one, in rounds that take turns.
x: the ratio to the C++ pass-through (or to the bare callback where there is none); +us: how much
longer.

jitter: a clock is passed to four outputs; how far the distance of two clocks at the last output is
from that of the same two where they were played. Quiet, and while another sender plays a
thousand notes and controls a second to the same input. At the sender: how far the distances
are from even where the clock is played.

In an emulated machine the times themselves say nothing; ratios and differences say a little. It
needs an ALSA sequencer, and says so where there is none.
"""

from __future__ import annotations

import argparse
import gc
import itertools
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, nullcontext, suppress
from dataclasses import dataclass, field
from itertools import pairwise
from statistics import mean

from ways import FIVE_WITH_CLOCK, WHAT, Way, connect, lacking, quantile, running, ways

from pointsman.tables import table

QUANTILES = (0.5, 0.99, 0.999)
WARM_UP = 50
GAP_S = 0.003
CLOCK_S = 60 / 120 / 24
CLOCK = b"\xf8"
LOAD_A_SECOND = 1000
CLOCK_OUTPUTS = 4
LOAD_PORT = "load out"
SETTLE_S = 0.5


# ---- latency -------------------------------------------------------------------------------------


def latency(quick: bool) -> str:
    """Measure all ways in turns, with one and with four outputs."""
    messages, rounds = (20, 2) if quick else (200, 10)
    with ways((1, 4)) as found:
        for way in found:
            way.play(WARM_UP, GAP_S, keep=False)
        gc.collect()
        gc.disable()
        for turn in range(rounds):
            for way in found if turn % 2 else reversed(found):
                way.play(messages, GAP_S)
        gc.enable()
        return f"From being played to the last output, microseconds\n{latency_table(found)}"


def latency_table(found: Sequence[Way]) -> str:
    """A line for each way, beside the first one with as many outputs."""
    rows = []
    for way in found:
        base = next(other for other in found if other.outputs == way.outputs)
        cells = beside(way.times_us, base.times_us)
        rows.append((WHAT[way.kind], way.outputs, len(way.times_us), way.lost, *cells))
    heads = [head for part in QUANTILES for head in (f"p{100 * part:g} us", "x", "+us")]
    return table(("what", "outputs", "messages", "lost", *heads), rows)


def beside(times: Sequence[float], base: Sequence[float]) -> list[str]:
    """Quantiles, each with its ratio and its difference to that of others."""
    cells = []
    for part in QUANTILES:
        value, other = quantile(times, part), quantile(base, part)
        cells += [f"{value:.0f}", f"{value / max(other, 1):.2f}", f"{value - other:+.0f}"]
    return cells


# ---- jitter --------------------------------------------------------------------------------------


def jitter(quick: bool) -> str:
    """A passed clock on each way, in turns, quiet and beside another sender."""
    clocks, rounds = (30, 1) if quick else (100, 8)
    rows = []
    with ways((CLOCK_OUTPUTS,), FIVE_WITH_CLOCK, apart=True) as found:
        for name, others in (
            ("quiet", nullcontext()),
            ("1,000 a second", running([sys.executable, __file__, "--load"])),
        ):
            took = {way.kind: Passed() for way in found}
            with others as loaded:
                for turn in range(rounds):
                    for way in found if turn % 2 else reversed(found):
                        with beside_load(way) if loaded else nullcontext():
                            play_clock(way, clocks, took[way.kind])
            base = took[found[0].kind].worse_us
            for kind, passed in took.items():
                cells = [f"{quantile(passed.worse_us, part):.0f}" for part in (0.5, 0.99)]
                more = quantile(passed.worse_us, 0.99) - quantile(base, 0.99)
                sent = f"{quantile(passed.uneven_us, 0.99):.0f}"
                row = (name, WHAT[kind], len(passed.worse_us), passed.lost)
                rows.append((*row, *cells, f"{more:+.0f}", sent))
    heads = ("beside", "what", "distances", "lost", "p50 us", "p99 us", "+us", "p99 at the sender")
    return f"A clock through {CLOCK_OUTPUTS} outputs, microseconds\n{table(heads, rows)}"


@dataclass
class Passed:
    """What was measured of a passed clock, distance by distance, in microseconds.

    `uneven_us`: how uneven it was where it was played; `worse_us`: how far the distances at the
    output are from those. `lost`: clocks that the sequencer had no room for.
    """

    uneven_us: list[float] = field(default_factory=list)
    worse_us: list[float] = field(default_factory=list)
    lost: int = 0


def play_clock(way: Way, clocks: int, found: Passed) -> None:
    """Play a clock and add what became of it; where clocks were lost there is no telling."""
    both = (way.played, way.ears)
    for ears in both:
        ears.expect(sys.maxsize)
    due_s = time.monotonic()
    for _ in range(clocks):
        way.send(CLOCK)
        due_s += CLOCK_S
        time.sleep(max(due_s - time.monotonic(), 0))
    time.sleep(SETTLE_S)
    played, passed = ([t_us for t_us, data in ears.heard if data == CLOCK] for ears in both)
    found.lost += 2 * clocks - len(played) - len(passed)
    if len(played) == len(passed) == clocks:
        distances = [b - a for a, b in pairwise(played)]
        even = mean(distances)
        found.uneven_us += [abs(distance - even) for distance in distances]
        passed_on = [b - a for a, b in pairwise(passed)]
        found.worse_us += [abs(a - b) for a, b in zip(passed_on, distances, strict=True)]


@contextmanager
def beside_load(way: Way) -> Iterator[None]:
    """Have the other sender play to a way too."""
    connect(LOAD_PORT, way.in_name)
    time.sleep(SETTLE_S)
    try:
        yield
    finally:
        connect(LOAD_PORT, way.in_name, undo=True)


def load() -> None:
    """Play notes and controls until this process is ended."""
    import rtmidi

    midi = rtmidi.MidiOut(rtmidi.API_LINUX_ALSA, name="load")
    midi.open_virtual_port(LOAD_PORT)
    due_s = time.monotonic()
    for n in itertools.count():
        note = 36 + n // 4 % 48
        control = (0xB0, 74, n // 2 % 128)
        with suppress(SystemError):  # the sequencer has no room for it
            midi.send_message(((0x90, note, 100), control, (0x80, note, 64), control)[n % 4])
        due_s += 1 / LOAD_A_SECOND
        time.sleep(max(due_s - time.monotonic(), 0))


PARTS: dict[str, Callable[[bool], str]] = {part.__name__: part for part in (latency, jitter)}


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0] if __doc__ else None)
    parser.add_argument("part", nargs="*", help=f"{', '.join(PARTS)} (default: all)")
    parser.add_argument("--quick", action="store_true", help="few messages, to see that it runs")
    parser.add_argument("--load", action="store_true", help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.load:
        load()
        return
    if unknown := [name for name in options.part if name not in PARTS]:
        parser.error(f"there is no part '{unknown[0]}'; there is {', '.join(PARTS)}")
    if (why := lacking()) is not None:
        raise SystemExit(f"nothing measured: {why}")
    for name in options.part or PARTS:
        print(PARTS[name](options.quick), end="\n\n", flush=True)


if __name__ == "__main__":
    main()
