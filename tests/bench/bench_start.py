"""How long a player waits: `check` on a rig of 200 lines, and `run` until it is ready.

    python tests/bench/bench_start.py [--rounds N]

Beside them, in turn, stands a Python that imports the two libraries which the rig needs to be read
at all (pydantic and PyYAML) and ends. What counts is the ratio; the limits are those of a person at
a terminal: half a second for `check`, one second for `run`.
"""

from __future__ import annotations

import argparse
import signal
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from pointsman.tables import table


def large_rig() -> str:
    """A rig of a little more than 200 lines: 16 outputs with four entries each."""
    lines = ["input: {port: 'null:'}", "outputs:"]
    for number in range(16):
        lines += [f"  boat{number}:", "    port: 'null:'", "    wire: din", "    chain:"]
        for channel in range(1, 4):
            lines += ["      - plugin: channel_remap", f"        map: {{{channel}: 16}}"]
        lines += ["      - plugin: note_limit", "        voices: 4", "        label: few voices"]
    assert len(lines) > 200
    return "\n".join(lines) + "\n"


def seconds(command: list[str]) -> float:
    """How long a command takes."""
    begun = time.perf_counter()
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
    return time.perf_counter() - begun


def until_ready(command: list[str]) -> float:
    """How long `run` takes until it says that it is ready."""
    begun = time.perf_counter()
    with subprocess.Popen(command, stderr=subprocess.PIPE, text=True) as running:
        assert running.stderr is not None
        assert "ready" in running.stderr.readline()
        taken = time.perf_counter() - begun
        running.send_signal(signal.SIGINT)
        running.stderr.read()
    return taken


def main() -> None:
    """Measure in turn, and print medians and ratios."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--rounds", type=int, default=10)
    rounds = parser.parse_args().rounds
    with tempfile.TemporaryDirectory() as place:
        rig = Path(place) / "rig.yaml"
        rig.write_text(large_rig(), "utf-8")
        pointsman = [sys.executable, "-m", "pointsman.cli"]
        bare = [sys.executable, "-c", "import pydantic, yaml"]
        taken: dict[str, list[float]] = {"the two libraries": [], "check": [], "run, ready": []}
        for _ in range(rounds):
            taken["the two libraries"].append(seconds(bare))
            taken["check"].append(seconds([*pointsman, "check", str(rig)]))
            taken["run, ready"].append(until_ready([*pointsman, "run", str(rig)]))
    base = statistics.median(taken["the two libraries"])
    rows = [
        (what, f"{statistics.median(times) * 1000:.0f}", f"{max(times) * 1000:.0f}",
         f"{statistics.median(times) / base:.2f}")
        for what, times in taken.items()
    ]  # fmt: skip
    print(table(("what", "median ms", "most ms", "ratio"), rows))


if __name__ == "__main__":
    main()
