"""Live latency while others ask: three tap readers, status in a loop and a reload a second.

    python tests/bench/bench_disturbed.py [--messages N] [--rounds N] [--gap SECONDS]

One service runs a rig of five transforms. This program plays to it message by message, as
bench_latency does, in rounds that take turns: quiet ones, and ones in which three readers tap the
stream of events, one of them never reading, a fourth client asks for the status as fast as it is
answered, and the rig is edited and reloaded every second. The ratio is what counts. Beside the
message's own time stands what the service itself measured inside the callback.

It needs a machine with an ALSA sequencer, and says so where there is none.
"""

from __future__ import annotations

import argparse
import gc
import json
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from ways import RIG, START_S, Way, lacking, quantile, run_rig, running, write_rig

from pointsman.tables import table

READERS = 3
RELOAD_S = 1.0


class Others:
    """The clients that disturb, in a process of their own: they must not slow this one down."""

    def __init__(self, control: Path, rig: Path) -> None:
        self._control = control
        self._rig = rig
        self._stop = threading.Event()
        self.reloads = self.statuses = 0

    def run(self) -> None:
        """Disturb until standard input ends."""
        taps = [self._connect({"do": "tap"}) for _ in range(READERS)]
        workers = [threading.Thread(target=self._drink, args=(tap,)) for tap in taps[1:]]
        workers += [threading.Thread(target=call) for call in (self._ask, self._reload)]
        for worker in workers:
            worker.start()
        sys.stdin.read()
        self._stop.set()
        for tap in taps:
            tap.close()
        for worker in workers:
            worker.join()
        print(json.dumps({"reloads": self.reloads, "statuses": self.statuses}))

    def _connect(self, request: dict[str, str]) -> socket.socket:
        line = socket.socket(socket.AF_UNIX)
        line.connect(str(self._control))
        line.sendall(json.dumps(request).encode() + b"\n")
        line.settimeout(0.2)
        return line

    def _drink(self, tap: socket.socket) -> None:
        while not self._stop.is_set():
            try:
                tap.recv(1 << 16)
            except TimeoutError:
                continue
            except OSError:
                return

    def _ask(self) -> None:
        while not self._stop.is_set():
            self.statuses += self._answered({"do": "status"})

    def _reload(self) -> None:
        text = self._rig.read_text("utf-8")
        while not self._stop.wait(RELOAD_S):
            self.reloads += 1
            voices = 3 + self.reloads % 2
            self._rig.write_text(text.replace("voices: 4", f"voices: {voices}"), "utf-8")
            if not self._answered({"do": "reload"}):
                raise SystemExit("a reload was refused")

    def _answered(self, request: dict[str, str]) -> bool:
        line = self._connect(request)
        line.settimeout(START_S)
        answer = b""
        with line:
            while not answer.endswith(b"\n"):
                answer += line.recv(1 << 16)
        return bool(json.loads(answer)["ok"])


def measure(
    rounds: int, messages: int, gap_s: float
) -> tuple[list[float], list[float], dict[str, int], int]:
    """Play in turns; the times when quiet and when disturbed, what the others did, and losses."""
    way = Way(RIG, 1, "busy")
    quiet: list[float] = []
    disturbed: list[float] = []
    did: dict[str, int] = {"reloads": 0, "statuses": 0}
    with tempfile.TemporaryDirectory() as folder:
        rig = write_rig(way, Path(folder))
        with running(run_rig(rig)):
            way.connect()
            way.play(100, gap_s, keep=False)
            gc.collect()
            gc.disable()
            for turn in range(2 * rounds):
                way.times_us = disturbed if turn % 2 else quiet
                if turn % 2 == 0:
                    way.play(messages, gap_s)
                    continue
                others = subprocess.Popen(
                    [sys.executable, __file__, "--others", str(rig.with_suffix(".sock")), str(rig)],
                    stdin=subprocess.PIPE,
                    stdout=subprocess.PIPE,
                )
                time.sleep(1)
                way.play(messages, gap_s)
                told, _ = others.communicate(timeout=START_S)
                for what, count in json.loads(told).items():
                    did[what] += count
            gc.enable()
            way.close()
    return quiet, disturbed, did, way.lost


def show(quiet: Sequence[float], disturbed: Sequence[float]) -> str:
    """The table: microseconds, and ratios to the quiet rounds."""
    rows = []
    for what, times in (("quiet", quiet), ("disturbed", disturbed)):
        cells: list[str] = []
        for part in (0.5, 0.99, 0.999):
            value = quantile(times, part)
            cells += [f"{value:.0f}", f"{value / quantile(quiet, part):.2f}"]
        rows.append((what, len(times), *cells))
    return table(("rounds", "messages", "p50 us", "x", "p99 us", "x", "p99.9 us", "x"), rows)


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0] if __doc__ else None)
    parser.add_argument("--others", nargs=2, type=Path, help=argparse.SUPPRESS)
    parser.add_argument("--quick", action="store_true", help="few messages, to see that it runs")
    parser.add_argument("--messages", type=int, default=500, help="a round (default 500)")
    parser.add_argument("--rounds", type=int, default=8, help="of each kind (default 8)")
    parser.add_argument("--gap", type=float, default=0.003, help="seconds after each (0.003)")
    options: Any = parser.parse_args()
    if options.others:
        Others(*options.others).run()
        return
    if (why := lacking()) is not None:
        raise SystemExit(f"nothing measured: {why}")
    if options.quick:
        options.messages, options.rounds = 20, 1
    quiet, disturbed, did, lost = measure(options.rounds, options.messages, options.gap)
    print(show(quiet, disturbed))
    print(f"meanwhile {did['reloads']} reloads and {did['statuses']} answers; lost: {lost}")


if __name__ == "__main__":
    main()
