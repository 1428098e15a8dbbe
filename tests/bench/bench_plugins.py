"""What each plugin costs by itself, above an empty chain: when it acts, and when it does not care.

    python tests/bench/bench_plugins.py [--rounds N]

Every case runs in turn with the empty chain, in the same process; medians of processor time. What
a plugin sends later is part of its cost. The last column is a kind of message for which it has no
step at all.
"""

from __future__ import annotations

import argparse
import statistics
import time
from collections.abc import Iterator, Mapping, Sequence
from itertools import cycle, islice
from typing import Any

from pointsman.engine import Engine
from pointsman.message import CLOCK, START
from pointsman.options import Context
from pointsman.registry import load_plugins
from pointsman.rig import EntrySpec, OutputSpec, Rig, Safety
from pointsman.tables import table

MESSAGES = 20_000
STEP_NS = 1_000_000

SWEEP = [bytes((0xB0, 74, value)) for value in range(128)]
NOTES = [bytes((status, note, 64)) for note in range(40, 80) for status in (0x90, 0x80)]
TURNED = [message for pair in zip(SWEEP, NOTES, strict=False) for message in pair]
PROGRAMS = [bytes((0xC0, value)) for value in range(128)]
CLOCKS = [CLOCK]
BENDS = [bytes((0xE0, 0, value)) for value in range(128)]

Case = tuple[str, Mapping[str, Any], Sequence[bytes]]

CASES: list[Case] = [
    ("bar_gate", {"play": [1], "of": 1}, NOTES),
    ("cc_map", {"map": {"74": "75"}}, SWEEP),
    ("cc_map", {"map": {"74": {"bend": True}}}, SWEEP),
    ("cc_map", {"map": {"74": {"nrpn": [1, 8]}}}, SWEEP),
    ("cc_reset", {"controls": {"74": "64"}}, TURNED),
    ("cc_scale", {"control": "74", "to": [10, 100]}, SWEEP),
    ("cc_smooth", {"control": "74"}, SWEEP),
    ("cc_thin", {}, SWEEP),
    ("channel_remap", {"map": {"1": "5"}}, NOTES),
    ("channel_select", {"control": "20", "from_channel": "1", "to": "direct"}, NOTES),
    ("clock_filter", {"divide": "2"}, CLOCKS),
    ("drum_map", {"notes": {str(n): {"note": n, "channel": 2, "velocity": 90,
     "controls": {"74": 9}} for n in range(40, 80)}}, NOTES),
    ("lfo", {"control": "74", "channel": 1, "rate": "2Hz", "depth": 60, "center": 64,
     "interval": "1ms"}, BENDS),
    ("message_filter", {"drop": ["control"]}, SWEEP),
    ("note_guard", {}, NOTES),
    ("note_limit", {"voices": "4"}, NOTES),
    ("note_range", {"low": "50", "outside": "fold"}, NOTES),
    ("program_map", {"map": {str(n): str(129 - n) for n in range(1, 129)}}, PROGRAMS),
    ("transpose", {"semitones": "12"}, NOTES),
    ("velocity", {"to": [20, 100]}, NOTES),
]  # fmt: skip


def stream(messages: Sequence[bytes]) -> Iterator[bytes]:
    """So many messages, the same ones again and again."""
    return islice(cycle(messages), MESSAGES)


def cost_us(chain: tuple[EntrySpec, ...], messages: Sequence[bytes]) -> float:
    """The processor time of one message, in microseconds."""
    output = OutputSpec("tug", "null:", chain)
    engine = Engine(Rig("bench", "null:", (output,), safety=Safety(False)), lambda *sent: None)
    engine.receive(START, 0)
    taken = list(stream(messages))
    begun = time.process_time_ns()
    t_ns = 0
    for data in taken:
        t_ns += STEP_NS
        engine.receive(data, t_ns)
    return (time.process_time_ns() - begun) / MESSAGES / 1000


def above_empty(chain: tuple[EntrySpec, ...], messages: Sequence[bytes], rounds: int) -> float:
    """What a chain costs more than none, round by round; the median."""
    return statistics.median(
        cost_us(chain, messages) - cost_us((), messages) for _ in range(rounds)
    )


def main() -> None:
    """Measure, and print the table."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--rounds", type=int, default=5)
    rounds = parser.parse_args().rounds
    plugins = load_plugins().plugins
    rows = []
    for name, options, messages in CASES:
        plugin = plugins[name]
        checked = plugin.Options.model_validate(options, context=Context())
        chain = (EntrySpec(plugin, checked, name),)
        idle = SWEEP if messages is NOTES else PROGRAMS if messages is not PROGRAMS else BENDS
        acts, idles = above_empty(chain, messages, rounds), above_empty(chain, idle, rounds)
        shown = ", ".join(f"{key}: {value}" for key, value in options.items())
        rows.append((name, f"{acts:.2f}", f"{idles:.2f}", shown[:50]))
    print(table(("plugin", "acts, us", "does not care, us", "options"), rows))


if __name__ == "__main__":
    main()
