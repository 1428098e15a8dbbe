"""What the engine costs, beside a script with mido that does the same: prints tables.

    python tests/bench/bench_engine.py               # everything, about ten minutes
    python tests/bench/bench_engine.py cost outputs  # some parts
    python tests/bench/bench_engine.py --quick       # few messages, to see that it runs

Parts: cost (beside mido), outputs, idle (entries that do not care), render (an hour of input).

What is compared runs in the same process, in turns, round by round, and the median counts: so a
machine that is busy or slow for a while is so for all of them. Times are processor time.
"""

from __future__ import annotations

import argparse
import gc
import subprocess
import sys
import time
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from statistics import median
from tempfile import TemporaryDirectory

from material import Messages, make_rig, mixes, play, rig_text, shares, synths
from mido_script import Splitter

from pointsman.engine import Engine
from pointsman.io_smf import SmfWriter
from pointsman.io_tsv import TsvWriter
from pointsman.rig import Rig
from pointsman.tables import table
from pointsman.units import NS_PER_S

Receive = Callable[[bytes, int], object]
Players = Mapping[str, Receive]
"""What is to be compared, by name: each takes messages as `Engine.receive` does."""

GAP_NS = NS_PER_S
ROUNDS = 9


def nothing(output: str, data: bytes, t_ns: int) -> None:
    """A port that swallows."""


def unread(output: str, data: list[int], t_ns: int) -> None:
    """The same for mido, whose bytes are a list."""


def engine(rig: Rig) -> Receive:
    """A fresh engine."""
    return Engine(rig, nothing).receive


def script(outputs: int) -> Receive:
    """A fresh mido script for the same synths."""
    return Splitter(synths(outputs), unread).receive


def round_of(receive: Receive, messages: Messages, from_ns: int) -> float:
    """Microseconds of processor time for each of these messages."""
    shifted = [(data, t_ns + from_ns) for data, t_ns in messages]
    began = time.process_time_ns()
    for data, t_ns in shifted:
        receive(data, t_ns)
    return (time.process_time_ns() - began) / len(shifted) / 1000


def compare(players: Players, messages: Messages, rounds: int) -> dict[str, list[float]]:
    """The cost of a message for each player, round by round, in turns.

    A performance goes on from round to round; only the first finds everything new. Who comes
    first in a round changes, since he finds the processor's caches full of other things.
    """
    gc.collect()
    gc.freeze()  # what was made before must cost none of them anything
    length_ns = messages[-1][1] + GAP_NS
    costs: dict[str, list[float]] = {name: [] for name in players}
    for number in range(rounds):
        first = number % len(players)
        for name in [*players][first:] + [*players][:first]:
            costs[name].append(round_of(players[name], messages, number * length_ns))
    return costs


Sent = tuple[str, object, int]
"""What left: the output, the message, and when."""


def outputs_of(messages: Messages, rig: Rig, outputs: int) -> tuple[list[Sent], list[Sent]]:
    """What the engine and the script send for the same messages: who gets which bytes, and when."""
    ours: list[Sent] = []
    theirs: list[Sent] = []
    receive = Engine(rig, lambda name, data, t_ns: ours.append((name, data, t_ns))).receive
    other = Splitter(
        synths(outputs), lambda name, data, t_ns: theirs.append((name, bytes(data), t_ns))
    ).receive
    for data, t_ns in messages:
        receive(data, t_ns)
        other(data, t_ns)
    return ours, theirs


def by_output(sent: Sequence[Sent]) -> dict[str, list[object]]:
    """The sends sorted by output: which output comes first at one time is nobody's promise."""
    found: dict[str, list[object]] = {}
    for name, data, t_ns in sent:
        found.setdefault(name, []).append((data, t_ns))
    return found


# ---- the parts -----------------------------------------------------------------------------------


def cost(folder: Path, count: int, rounds: int) -> str:
    """The engine beside the script: five transforms to four outputs, mix by mix."""
    rig = make_rig(folder, 4)
    rows = []
    for name, messages in mixes(count).items():
        costs = compare({"engine": engine(rig), "mido": script(4)}, messages, rounds)
        # Only now: all that it keeps would have left both of them a memory full of holes.
        ours, theirs = outputs_of(messages, rig, 4)
        assert by_output(ours) == by_output(theirs), f"{name}: not the same bytes"
        mine, other = (median(costs[who][1:] or costs[who]) for who in ("engine", "mido"))
        first = costs["mido"][0] / costs["engine"][0]
        cells = (f"{mine:.2f}", f"{other:.2f}", f"{other / mine:.1f}", f"{first:.1f}")
        rows.append((name, *cells, shares(messages)))
    heads = ("mix", "engine us", "mido us", "ratio", "at first", "consists of")
    return f"Five transforms to four outputs, a message; the same bytes sent\n{table(heads, rows)}"


def outputs(folder: Path, count: int, rounds: int) -> str:
    """How the cost grows with the outputs."""
    numbers = (1, 2, 4, 8, 16)
    players = {str(number): engine(make_rig(folder, number)) for number in numbers}
    costs = medians(compare(players, mixes(count)["realistic"], rounds))
    rows = [
        (number, f"{costs[str(number)]:.2f}", f"{costs[str(number)] / number:.2f}")
        for number in numbers
    ]
    heads = ("outputs", "engine us", "us an output")
    return f"More outputs, realistic mix\n{table(heads, rows)}"


def idle(folder: Path, count: int, rounds: int) -> str:
    """How the cost grows with entries that are concerned with nothing that comes."""
    numbers = (0, 5, 10, 20)
    players = {str(number): engine(make_rig(folder, 4, number)) for number in numbers}
    costs = medians(compare(players, mixes(count)["realistic"], rounds))
    rows = []
    for number in numbers:
        more = costs[str(number)] / costs["0"] - 1
        each = f"{more / number:+.2%}" if number else ""
        rows.append((number, f"{costs[str(number)]:.2f}", f"{more:+.1%}", each))
    heads = ("such entries", "engine us", "more", "each")
    return f"Entries that do not care, on each of four outputs, realistic mix\n{table(heads, rows)}"


def medians(costs: Mapping[str, Sequence[float]]) -> dict[str, float]:
    """The median of each after the first round, in which everything is new."""
    return {name: median(values[1:] or values) for name, values in costs.items()}


def render(folder: Path, count: int, rounds: int) -> str:
    """An hour of input through `render`: time, and whether memory grows with the length."""
    hour = 3600 * count // FULL
    rows = []
    for kind, write in (("tsv", write_tsv), ("mid", write_mid)):
        for outputs_ in (1, 4):
            rig = folder / f"rig-{outputs_}.yaml"
            rig.write_text(rig_text(outputs_), "utf-8")
            for seconds in (hour // 10, hour):
                source = folder / f"input-{seconds}.{kind}"
                if not source.exists():
                    write(source, seconds)
                took, peak_mib = run_render(rig, source, folder / "out")
                rows.append(
                    (f".{kind}", f"{seconds} s", outputs_, f"{took:.1f}", f"{peak_mib:.0f}")
                )
    heads = ("input", "length", "outputs", "seconds", "peak MiB")
    return (
        "render, 1,000 messages a second, five transforms, .tsv and .mid of each output written\n"
        f"{table(heads, rows)}"
    )


def write_tsv(path: Path, seconds: int) -> None:
    """The realistic mix as an event log."""
    with TsvWriter(path) as writer:
        for data, t_ns in play(seconds):
            writer.write(t_ns, data)


def write_mid(path: Path, seconds: int) -> None:
    """The same without clock, which `render` makes itself: 48 a second at 120 a minute."""
    with SmfWriter(path) as writer:
        for data, t_ns in play(seconds, clock=False):
            writer.write(t_ns, data)


# The peak that the system reports of a child counts in its parent, so the child looks for itself.
RENDER = """
import sys
from pointsman.cli import main
code = main(["render", *sys.argv[1:]])
peak = next(line.split()[1] for line in open("/proc/self/status") if line.startswith("VmHWM"))
print(peak)
sys.exit(code)
"""


def run_render(rig: Path, source: Path, out: Path) -> tuple[float, float]:
    """Seconds and peak memory in MiB of one `render`, in a process of its own."""
    began = time.perf_counter()
    done = subprocess.run(
        [sys.executable, "-c", RENDER, rig, source, "--out", out],
        stdout=subprocess.PIPE,
        text=True,
        check=True,
    )
    return time.perf_counter() - began, int(done.stdout.split()[-1]) / 1024


Part = Callable[[Path, int, int], str]
PARTS: dict[str, Part] = {part.__name__: part for part in (cost, outputs, idle, render)}
FULL, QUICK = 20_000, 100


def main(arguments: Sequence[str] | None = None) -> None:
    """Print what was asked for."""
    parser = argparse.ArgumentParser(description="What the engine costs, beside a mido script.")
    parser.add_argument("part", nargs="*", help=f"{', '.join(PARTS)} (default: all)")
    parser.add_argument("--quick", action="store_true", help="few messages, to see that it runs")
    options = parser.parse_args(arguments)
    unknown = [name for name in options.part if name not in PARTS]
    if unknown:
        parser.error(f"there is no part '{unknown[0]}'; there is {', '.join(PARTS)}")
    count, rounds = (QUICK, 1) if options.quick else (FULL, ROUNDS)
    for name in options.part or PARTS:
        with TemporaryDirectory() as folder:
            print(PARTS[name](Path(folder), count, rounds), end="\n\n", flush=True)


if __name__ == "__main__":
    main()
