"""What serves real time in `run`, one by one: live latency with everything, and without each part.

    python tests/bench/bench_real_time.py             # about four minutes
    python tests/bench/bench_real_time.py --quick     # few messages, to see that it runs

One service each runs the rig of five transforms on four outputs. Each is played to in turns, while
the others are stopped, in three conditions: quiet; while its status is asked for in a loop, so
that its steward is busy; and while ordinary programs burn every core. The last column: how many
messages took more than a millisecond longer than the median.

The parts are taken out of `pointsman.live.run` here, in the service's own process; a player has no
option for it. It needs an ALSA sequencer, and says so where there is none.
"""

from __future__ import annotations

import argparse
import gc
import os
import signal
import sys
import tempfile
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import NamedTuple

from bench_latency import GAP_S, QUANTILES, WARM_UP
from ways import RIG, Way, lacking, quantile, running, write_rig

from pointsman.live import realtime, run
from pointsman.log import set_up_log
from pointsman.ports import system
from pointsman.rig_file import load_rig_and_plugins
from pointsman.tables import table

OUTPUTS = 4
PYTHONS_SWITCH_S = 0.005
BURN = "while True: pass"
ASK = """
import socket, sys
while True:
    with socket.socket(socket.AF_UNIX) as line:
        line.connect(sys.argv[1])
        line.sendall(b'{"do": "status"}' + bytes([10]))
        while not line.recv(1 << 16).endswith(bytes([10])):
            pass
"""
"""What disturbs: each is a program of its own, and soon started."""

MUCH_LONGER_US = 1000
BEFORE_EACH_TURN = 10
HEADS = (
    "service", "messages", *(f"p{100 * part:g} us" for part in QUANTILES), "most us", "> 1 ms more",
)  # fmt: skip


def _no_scheduling() -> None:
    realtime._schedule = lambda: None


def _no_locking() -> None:
    realtime._lock_memory = lambda: None


def _no_freezing() -> None:
    gc.freeze = lambda: None


def _slow_switching() -> None:
    run.SWITCH_S = PYTHONS_SWITCH_S


def _no_own_ports() -> None:
    system._has_sequencer = lambda: False


TAKE_OUT: dict[str, Callable[[], None]] = {
    "SCHED_FIFO": _no_scheduling,
    "mlockall": _no_locking,
    "gc.freeze": _no_freezing,
    "switch interval 0.1 ms": _slow_switching,
    "ports of our own": _no_own_ports,
}
WITHOUT: dict[str, tuple[str, ...]] = {
    "with everything": (),
    **{f"without {part}": (part,) for part in TAKE_OUT},
    "with none of it": tuple(TAKE_OUT),
}


def serve(path: str, parts: Sequence[str]) -> None:
    """Run a rig without these parts."""
    for part in parts:
        TAKE_OUT[part]()
    rig, registry = load_rig_and_plugins(path)
    log = set_up_log()
    with run.reachable(Path(path).with_suffix(".sock"), rig, []) as control:
        run.run(rig, registry, log, run.Wishes(control=control, real_time=True))


Condition = Callable[[Path], Sequence[Sequence[str]]]
"""The programs that disturb the service of a rig."""

CONDITIONS: dict[str, Condition] = {
    "quiet": lambda rig: [],
    "status in a loop": lambda rig: [[sys.executable, "-ISc", ASK, str(rig.with_suffix(".sock"))]],
    "every core burns": lambda rig: [[sys.executable, "-ISc", BURN]] * (os.cpu_count() or 1),
}


class Served(NamedTuple):
    """One service, and what it lacks."""

    name: str
    way: Way
    rig: Path
    pid: int


@contextmanager
def services() -> Iterator[list[Served]]:
    """All of them, running and connected, and stopped until it is their turn."""
    with ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory()))
        found = []
        for number, (name, parts) in enumerate(WITHOUT.items()):
            way = Way(RIG, OUTPUTS, f"s{number}")
            rig = write_rig(way, folder)
            command = [sys.executable, __file__, "--serve", str(rig), *parts]
            process = stack.enter_context(running(command))
            stack.callback(process.send_signal, signal.SIGCONT)
            way.connect()
            stack.callback(way.close)
            way.play(WARM_UP, GAP_S, keep=False)
            process.send_signal(signal.SIGSTOP)
            found.append(Served(name, way, rig, process.pid))
        yield found


def measure(messages: int, rounds: int) -> Iterator[str]:
    """A table for each condition, with a line for each service."""
    with services() as found:
        for condition, programs in CONDITIONS.items():
            times: dict[str, list[float]] = {name: [] for name in WITHOUT}
            for turn in range(rounds):
                for served in found if turn % 2 else reversed(found):
                    served.way.times_us = times[served.name]
                    take_turn(served, programs(served.rig), messages)
            rows = [line(name, some) for name, some in times.items()]
            yield f"{condition}\n{table(HEADS, rows)}"


def take_turn(served: Served, programs: Sequence[Sequence[str]], messages: int) -> None:
    """Play to one service, while these programs disturb it and the other services are stopped."""
    os.kill(served.pid, signal.SIGCONT)
    with ExitStack() as others:
        for command in programs:
            others.enter_context(running(command))
        served.way.play(BEFORE_EACH_TURN, GAP_S, keep=False)
        served.way.play(messages, GAP_S)
    os.kill(served.pid, signal.SIGSTOP)


def line(name: str, times: Sequence[float]) -> tuple[object, ...]:
    """What was measured of one service."""
    middle = quantile(times, 0.5)
    longer = sum(t_us - middle > MUCH_LONGER_US for t_us in times)
    cells = (f"{quantile(times, part):.0f}" for part in QUANTILES)
    return name, len(times), *cells, f"{max(times):.0f}", f"{longer / len(times):.2%}"


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0] if __doc__ else None)
    parser.add_argument("--quick", action="store_true", help="few messages, to see that it runs")
    parser.add_argument("--serve", nargs="+", help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.serve:
        serve(options.serve[0], options.serve[1:])
    elif (why := lacking()) is not None:
        raise SystemExit(f"nothing measured: {why}")
    else:
        for found in measure(*((8, 1) if options.quick else (80, 6))):
            print(found, end="\n\n", flush=True)


if __name__ == "__main__":
    main()
