"""Every bench, one after the other, each under its name: the whole table of docs/performance.md.

    python tests/bench/all.py            # all that this machine can measure, about half an hour
    python tests/bench/all.py --quick    # the smallest settings, to see that everything runs
    python tests/bench/all.py wire idle  # some of them

A bench that needs what the machine lacks says so in a line. What fails does not keep the others
from running, and makes the exit code 1.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

BENCHES: dict[str, tuple[str, list[str]]] = {
    "engine": ("What a message costs in the engine, beside a script with mido", ["--quick"]),
    "plugins": ("What each plugin costs by itself", ["--rounds", "1"]),
    "memory": ("What it costs to remember a message for a synth that may go away", ["--quick"]),
    "recent": ("What it costs to keep the last minute, and to hand it over", ["--quick"]),
    "wire": ("A DIN wire that is offered too much, beside first come, first served", ["--quick"]),
    "clock": ("How even a clock leaves", []),
    "start": ("From the command line to the answer", ["--rounds", "1"]),
    "reload": ("The gap that a reload makes", ["--times", "3"]),
    "compare": ("What it costs to find what another rig changes", ["--messages", "2000"]),
    "load": ("What part of a core a rig takes, and on a slower computer", ["--quick"]),
    "idle": ("What a service costs that does nothing", ["--quick"]),
    "latency": ("Live, beside a C++ pass-through and a bare callback", ["--quick"]),
    "disturbed": ("Live, while others ask", ["--quick"]),
    "watch": ("Live, while somebody watches", ["--quick"]),
    "page": ("The page: buttons, notes, and what four of it cost", ["--quick"]),
    "real_time": ("Live, without what serves real time", ["--quick"]),
}
"""Each bench_NAME.py: what its tables show, and the arguments that make it short."""

HERE = Path(__file__).parent


def run(name: str, quick: bool) -> bool:
    """Run one bench under its heading; whether it has measured or has said what is lacking."""
    title, short = BENCHES[name]
    print(f"== {name}: {title} ==\n", flush=True)
    command = [sys.executable, str(HERE / f"bench_{name}.py"), *(short if quick else [])]
    done = subprocess.run(command, stderr=subprocess.PIPE, text=True, check=False)
    said = done.stderr.strip()
    skipped = said.startswith("nothing measured: ")
    if said:
        print(said)  # a line of advice, or what failed
    if done.returncode and not skipped:
        print(f"bench_{name}.py ended with {done.returncode}")
    print(flush=True)
    return skipped or not done.returncode


def main(arguments: Sequence[str] | None = None) -> int:
    """Run what was asked for."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0] if __doc__ else None)
    parser.add_argument("name", nargs="*", help=f"{', '.join(BENCHES)} (default: all)")
    parser.add_argument("--quick", action="store_true", help="the smallest settings")
    options = parser.parse_args(arguments)
    if unknown := [name for name in options.name if name not in BENCHES]:
        parser.error(f"there is no bench '{unknown[0]}'; there is {', '.join(BENCHES)}")
    ran = [run(name, options.quick) for name in options.name or BENCHES]
    return 0 if all(ran) else 1


if __name__ == "__main__":
    sys.exit(main())
