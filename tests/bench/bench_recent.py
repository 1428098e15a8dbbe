"""What it costs to keep the last minute of the input, and to hand it over.

    python tests/bench/bench_recent.py [--quick]

On the MIDI path a message is appended to two deques: that is set beside `deliver`, which does it.
The rest is the steward's, on its own thread: sorting a message into the last minute, forgetting
one that is older, answering with a piece. The lock that the MIDI path waits for is held while the
deques are taken away, and while what an output was last sent is copied, here of many controls.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable
from pathlib import Path
from tempfile import TemporaryDirectory

from pointsman.live.memory import Memory
from pointsman.live.recent import PIECE, Recent
from pointsman.live.run import Run, Wishes
from pointsman.live.service import Service
from pointsman.message import control_change, note_off, note_on
from pointsman.rig_file import load_rig_and_plugins
from pointsman.tables import table

RIG = """\
input: {port: "null:"}
outputs:
  tug: {port: "null:", chain: [{plugin: channel_remap, map: {1: 5}}]}
"""
MESSAGES = [
    *(control_change(0, 74, n) for n in range(50)),
    *(note_on(0, 60 + n, 90) for n in range(25)),
    *(note_off(0, 60 + n) for n in range(25)),
]


def service() -> Service:
    """One that plays a small rig."""
    with TemporaryDirectory() as folder:
        path = Path(folder) / "rig.yaml"
        path.write_text(RIG)
        running = Run(*load_rig_and_plugins(path), None, Wishes())
    running.open()
    running.service.start()
    return running.service


def best_ns(call: Callable[[], object], rounds: int, per: int = 1) -> float:
    """The quickest of some rounds, in nanoseconds for each of `per` things."""
    found = float("inf")
    for _ in range(rounds):
        begun_ns = time.perf_counter_ns()
        call()
        found = min(found, (time.perf_counter_ns() - begun_ns) / per)
    return found


def main() -> None:
    """Print it."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0] if __doc__ else None)
    parser.add_argument("--quick", action="store_true", help="a few rounds")
    rounds = 20 if parser.parse_args().quick else 200
    playing = service()
    stream = MESSAGES * 10

    def deliver() -> None:
        for data in stream:
            playing.deliver(data)

    def append() -> None:
        for data in stream:
            playing._heard_ns.append(1)
            playing._heard.append(data)

    whole = best_ns(deliver, rounds, len(stream))
    kept = best_ns(append, rounds, len(stream))

    recent = Recent()
    sorted_ns = best_ns(lambda: recent.add([0] * len(stream), stream), 50, len(stream))
    forgot_ns = best_ns(recent.forget_all, 1, 50 * len(stream))
    recent.add([0] * PIECE * 2, MESSAGES[:1] * PIECE * 2)

    memory = Memory()
    for channel in range(16):
        for number in range(100):
            memory.note(control_change(channel, number, 1))
    rows = [
        ["deliver, all of it", f"{whole:.0f} ns a message", "MIDI path"],
        ["of that, keeping it", f"{kept:.0f} ns a message, {kept / whole:.1%}", "MIDI path"],
        ["sorting into the minute", f"{sorted_ns:.0f} ns a message", "steward"],
        ["forgetting", f"{forgot_ns:.0f} ns a message", "steward"],
        [f"a piece of {PIECE}", f"{best_ns(lambda: recent.piece(None), rounds):.0f} ns", "steward"],
        ["taking the deques", f"{best_ns(playing.take_heard, rounds):.0f} ns", "lock"],
        ["what 1,500 controls are at", f"{best_ns(memory.last, rounds) / 1000:.0f} us", "lock"],
    ]
    print(table(["what", "takes", "where"], rows))


if __name__ == "__main__":
    main()
