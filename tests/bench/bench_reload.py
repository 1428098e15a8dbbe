"""What a reload costs the stream: how long the lock is held for the change, beside a fresh start.

    python tests/bench/bench_reload.py [--times N]

For rigs of several sizes, with notes held and controls away: `prepare` is what is done beside the
MIDI path, `change` is the gap in the stream, and `anew` is what stopping and building the engine
again would take on the MIDI path instead.
"""

from __future__ import annotations

import argparse
import gc
import tempfile
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import TypeVar

from pointsman import Engine, load_rig
from pointsman.rig import Rig
from pointsman.tables import table

CHAIN = """
      - {{plugin: channel_remap, map: {{1: {channel}}}}}
      - {{plugin: cc_scale, control: 74, to: [20, {top}]}}
      - {{plugin: cc_reset, controls: {{74: 64, 71: learn}}}}
      - {{plugin: lfo, control: 1, channel: 2, rate: 1/4, depth: 20, center: 64}}
      - {{plugin: note_limit, voices: 8}}
"""
SIZES = (1, 4, 16)


def rigs(folder: Path, outputs: int) -> list[Rig]:
    """Two versions of a rig that differ in one entry of each chain."""
    found = []
    for number, top in enumerate((100, 110)):
        path = folder / f"{outputs}-{number}.yaml"
        lines = ["input: {port: 'null:'}", "outputs:"]
        for n in range(outputs):
            lines += [f"  o{n}:", "    port: 'null:'", "    chain:"]
            lines.append(CHAIN.format(channel=1 + n % 16, top=top).strip("\n"))
        path.write_text("\n".join(lines) + "\n", "utf-8")
        found.append(load_rig(path))
    return found


def swallow(output: str, data: bytes, t_ns: int) -> None:
    """Where what is sent goes."""


Timed = TypeVar("Timed")


def timed(times_ns: list[int], call: Callable[[], Timed]) -> Timed:
    """Make a call, and note how long it takes, in nanoseconds."""
    begun_ns = time.perf_counter_ns()
    result = call()
    times_ns.append(time.perf_counter_ns() - begun_ns)
    return result


def measure(pair: list[Rig], times: int) -> tuple[list[int], list[int], list[int]]:
    """The times of prepare, change and a new engine."""
    engine = Engine(pair[0], swallow)
    engine.start(0)
    prepared: list[int] = []
    changed: list[int] = []
    anew: list[int] = []
    for n in range(1, times + 1):
        t_ns = n * 10_000_000
        engine.receive(bytes((0x90, 36 + n % 40, 100)), t_ns)
        engine.receive(bytes((0xB0, 74, n % 128)), t_ns)
        rig = pair[n % 2]
        ready = timed(prepared, partial(engine.prepare, rig))
        timed(changed, partial(engine.change, ready, t_ns))
        timed(anew, partial(Engine, rig, swallow))
    return prepared, changed, anew


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0] if __doc__ else None)
    parser.add_argument("--times", type=int, default=200, help="for each size (default 200)")
    times = parser.parse_args().times
    rows = []
    with tempfile.TemporaryDirectory() as folder:
        for outputs in SIZES:
            pair = rigs(Path(folder), outputs)
            gc.collect()
            gc.freeze()  # as `run` does
            ways = [sorted(way) for way in measure(pair, times)]
            base = ways[2][times // 2]
            for what, way in zip(("prepare", "change", "anew"), ways, strict=True):
                middle, worst = way[times // 2], way[-1]
                cells = (f"{middle / 1e6:.2f}", f"{worst / 1e6:.2f}", f"{middle / base:.2f}")
                rows.append((f"{outputs}", f"{5 * outputs}", what, *cells))
    print(table(("outputs", "entries", "what", "median ms", "worst ms", "x anew"), rows))


if __name__ == "__main__":
    main()
