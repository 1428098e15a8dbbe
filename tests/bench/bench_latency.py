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
from collections.abc import Callable, Sequence
from contextlib import nullcontext
from itertools import pairwise
from statistics import mean

from ways import FIVE_WITH_CLOCK, WHAT, Way, find, lacking, quantile, running, ways

from pointsman.tables import table

QUANTILES = (0.5, 0.99, 0.999)
WARM_UP = 50
GAP_S = 0.003
CLOCK_S = 60 / 120 / 24
CLOCK = b"\xf8"
LOAD_A_SECOND = 1000
CLOCK_OUTPUTS = 4


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
    """A passed clock on each way, quiet and beside another sender."""
    clocks = 50 if quick else 1000
    rows = []
    with ways((CLOCK_OUTPUTS,), FIVE_WITH_CLOCK, heard_outputs=[CLOCK_OUTPUTS - 1]) as found:
        for name in ("quiet", "1,000 a second"):
            base: list[float] = []
            for way in found:
                command = [sys.executable, __file__, "--load", way.in_name]
                with nullcontext() if name == "quiet" else running(command):
                    at_sender, passed = play_clock(way, clocks)
                base = base or passed
                cells = [f"{quantile(passed, part):.0f}" for part in (0.5, 0.99)]
                more = quantile(passed, 0.99) - quantile(base, 0.99)
                sent = f"{quantile(at_sender, 0.99):.0f}"
                rows.append((name, WHAT[way.kind], len(passed), *cells, f"{more:+.0f}", sent))
    heads = ("beside", "what", "distances", "p50 us", "p99 us", "+us", "p99 at the sender")
    return f"A clock through {CLOCK_OUTPUTS} outputs, microseconds\n{table(heads, rows)}"


def play_clock(way: Way, clocks: int) -> tuple[list[float], list[float]]:
    """Play a clock; how uneven it was at the sender, and what the way has made worse."""
    time.sleep(1)
    way.ears.expect(sys.maxsize)
    due_s = time.monotonic()
    for _ in range(clocks):
        way.send(CLOCK)
        due_s += CLOCK_S
        time.sleep(max(due_s - time.monotonic(), 0))
    time.sleep(1)
    heard = [t_us for t_us, data in way.ears.heard if data == CLOCK]
    if len(heard) != 2 * clocks:
        raise SystemExit(f"{way.name}: {2 * clocks - len(heard)} clocks were lost")
    played, passed = ([b - a for a, b in pairwise(heard[first::2])] for first in (0, 1))
    even = mean(played)
    return (
        [abs(distance - even) for distance in played],
        [abs(a - b) for a, b in zip(passed, played, strict=True)],
    )


def load(name: str) -> None:
    """Play notes and controls to a port, until this process is ended."""
    import rtmidi

    midi = rtmidi.MidiOut(rtmidi.API_LINUX_ALSA, name="load")
    address = find(name, is_input=False)
    ports = [port.rsplit(" ", 1)[1] for port in midi.get_ports()]
    midi.open_port(ports.index(address))
    due_s = time.monotonic()
    for n in itertools.count():
        note = 36 + n // 4 % 48
        control = bytes((0xB0, 74, n // 2 % 128))
        midi.send_message((bytes((0x90, note, 100)), control, bytes((0x80, note, 64)), control)[n % 4])
        due_s += 1 / LOAD_A_SECOND
        time.sleep(max(due_s - time.monotonic(), 0))


PARTS: dict[str, Callable[[bool], str]] = {part.__name__: part for part in (latency, jitter)}


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0] if __doc__ else None)
    parser.add_argument("part", nargs="*", help=f"{', '.join(PARTS)} (default: all)")
    parser.add_argument("--quick", action="store_true", help="few messages, to see that it runs")
    parser.add_argument("--load", metavar="PORT", help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.load:
        load(options.load)
        return
    if unknown := [name for name in options.part if name not in PARTS]:
        parser.error(f"there is no part '{unknown[0]}'; there is {', '.join(PARTS)}")
    if (why := lacking()) is not None:
        raise SystemExit(f"nothing measured: {why}")
    for name in options.part or PARTS:
        print(PARTS[name](options.quick), end="\n\n", flush=True)


if __name__ == "__main__":
    main()
