"""What it costs to remember a message, beside a method that does nothing.

python tests/bench/bench_memory.py [--quick]
"""

from __future__ import annotations

import sys
import timeit
from collections.abc import Callable
from functools import partial

from pointsman.live.memory import Memory

# name: what is remembered, and what was sent before
MESSAGES = {
    "note-on": ("90 3C 64", ()),
    "note-off": ("80 3C 40", ()),
    "control": ("B0 4A 40", ()),
    "coarse half of a pair": ("B0 07 40", ("B0 27 01",)),
    "bend": ("E0 00 40", ()),
    "program change": ("C0 07", ()),
    "NRPN number": ("B0 63 01", ()),
    "data entry": ("B0 06 10", ("B0 63 01", "B0 62 08")),
    "clock": ("F8", ()),
    "SysEx": ("F0 7D 01 F7", ()),
}


class Nothing:
    """Takes a message and does nothing."""

    def note(self, data: bytes) -> None:
        """Do nothing."""


def _often(call: Callable[[bytes], None], data: bytes, count: int) -> None:
    for _ in range(count):
        call(data)


def cost_ns(call: Callable[[bytes], None], data: bytes, count: int) -> float:
    """The best of nine runs: nanoseconds a call."""
    return min(timeit.repeat(partial(_often, call, data, count), number=1, repeat=9)) * (
        1e9 / count
    )


def main(arguments: list[str]) -> None:
    """Print a row a message."""
    count = 1_000 if "--quick" in arguments else 100_000
    print(f"{'message':22} {'memory':>8} {'nothing':>8}  ratio")
    for name, (text, before) in MESSAGES.items():
        memory = Memory()
        for earlier in before:
            memory.note(bytes.fromhex(earlier))
        data = bytes.fromhex(text)
        memory_ns = cost_ns(memory.note, data, count)
        nothing_ns = cost_ns(Nothing().note, data, count)
        print(f"{name:22} {memory_ns:5.0f} ns {nothing_ns:5.0f} ns  {memory_ns / nothing_ns:4.1f}")


if __name__ == "__main__":
    main(sys.argv[1:])
