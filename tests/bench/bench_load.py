"""What part of a core a rig takes: messages a second, outputs, and how much slower a computer is.

    python tests/bench/bench_load.py              # this computer
    python tests/bench/bench_load.py --slower 8   # one whose core takes eight times as long
    python tests/bench/bench_load.py --quick      # few messages, to see that it runs

The realistic mix goes through five transforms on each output, from `Service.deliver`, which an
input's callback calls, to the port: engine, locks, latency counts, and the memory of what each
synth was sent. The ports are `null:`. What the system takes for a message that comes in or goes
out is measured by itself where there is an ALSA sequencer (a bare callback's way in and out), and
assumed where there is none; `--system US` says it for one message in or out.
"""

from __future__ import annotations

import argparse
import gc
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from statistics import median

from material import Messages, mixes, rig_text
from ways import lacking

from pointsman.live.run import Run, Wishes
from pointsman.rig_file import load_rig_and_plugins
from pointsman.tables import table
from pointsman.units import NS_PER_S

OUTPUTS = (1, 2, 4, 8, 16)
RATES = (100, 1000, 3000)
ASSUMED_US = 10.0
"""Reckoned from an emulated machine: docs/performance.md."""

ROUNDS = 5


class Clock:
    """The time that the service believes in: that of the messages."""

    def __init__(self) -> None:
        self.now_ns = 0

    def __call__(self) -> int:
        """The time in nanoseconds."""
        return self.now_ns


def deliver_us(folder: Path, outputs: int, messages: Messages, rounds: int) -> float:
    """The processor time of one message in microseconds, the system's own not counted."""
    path = folder / f"{outputs}.yaml"
    path.write_text(rig_text(outputs), "utf-8")
    clock = Clock()
    running = Run(*load_rig_and_plugins(path), None, Wishes(), now_ns=clock)
    running.open()
    running.service.start()
    gc.collect()
    gc.freeze()
    costs = []
    for number in range(rounds + 1):
        from_ns = number * (messages[-1][1] + NS_PER_S)
        costs.append(round_us(running.service.deliver, clock, messages, from_ns))
    gc.unfreeze()
    running.service.release()
    running.links.close_outputs()
    return median(costs[1:])  # in the first round everything is new


def round_us(
    deliver: Callable[[bytes], None], clock: Clock, messages: Messages, from_ns: int
) -> float:
    """The same for one time through the messages, which begins at `from_ns`."""
    began = time.process_time_ns()
    for data, t_ns in messages:
        clock.now_ns = from_ns + t_ns
        deliver(data)
    return (time.process_time_ns() - began) / len(messages) / 1000


def system_us(count: int) -> float:
    """The processor time of one message out through the sequencer and in again, halved."""
    import rtmidi

    heard = 0

    def hear(event: object, data: object = None) -> None:
        nonlocal heard
        heard += 1

    output = rtmidi.MidiOut(rtmidi.API_LINUX_ALSA, name="load")
    output.open_virtual_port("load out")
    source = rtmidi.MidiIn(rtmidi.API_LINUX_ALSA, name="load")
    source.set_callback(hear)
    source.open_port(next(n for n, name in enumerate(source.get_ports()) if "load out" in name))
    began = time.process_time_ns()
    for sent in range(count):
        output.send_message(b"\xb0\x4a\x40")
        while heard <= sent:  # as singly as they come when somebody plays
            time.sleep(0.0005)
    taken = time.process_time_ns() - began
    began = time.process_time_ns()
    for _ in range(count):
        time.sleep(0.0005)
    waiting = time.process_time_ns() - began
    for port in (source, output):
        port.close_port()
        port.delete()
    return max(taken - waiting, 0) / count / 2 / 1000


def main() -> None:
    """Measure, and print what it comes to."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0] if __doc__ else None)
    parser.add_argument("--quick", action="store_true", help="few messages, to see that it runs")
    parser.add_argument("--slower", type=float, default=1, help="times as slow a core (default 1)")
    parser.add_argument("--system", type=float, metavar="US", help="microseconds in or out")
    options = parser.parse_args()
    count, rounds = (200, 1) if options.quick else (20_000, ROUNDS)
    system, how = options.system, "as you say"
    if system is None:
        system, how = ASSUMED_US, "assumed"
        if lacking() is None:
            system, how = system_us(count // 10), "measured"
    print(f"{system:.1f} us in the system for a message in or out ({how})")
    print(f"parts of a core that is {options.slower:g} times as slow as this one")
    rows = []
    messages = mixes(count)["realistic"]
    with tempfile.TemporaryDirectory() as folder:
        for outputs in OUTPUTS:
            ours = deliver_us(Path(folder), outputs, messages, rounds)
            whole = (ours + (1 + outputs) * system) * options.slower
            parts = [f"{whole * rate / 1e6:.1%}" for rate in RATES]
            rows.append((outputs, f"{ours:.1f}", f"{whole:.1f}", *parts))
    heads = [f"{rate:,} a second" for rate in RATES]
    print(table(("outputs", "ours, us", "whole, us", *heads), rows))


if __name__ == "__main__":
    main()
