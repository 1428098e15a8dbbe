"""Live latency on the ALSA sequencer: a rig of five transforms beside a bare callback.

    python tests/bench/bench_latency.py [--messages N] [--rounds N] [--gap SECONDS]

Beside each rig stands a script that does the least that can be done with python-rtmidi: a callback
that sends on what it is given. This program plays to each of them in turn, message by message, and
measures from just before a message is sent until the last output has it, so both stand behind the
same sender, the same sequencer and the same receiver. Rounds take turns, so that both see the same
conditions. What counts is the ratio: in an emulated machine the times themselves say nothing.

It needs a machine with an ALSA sequencer, and says so where there is none.
"""

from __future__ import annotations

import argparse
import gc
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any

from pointsman.io_rtmidi import missing
from pointsman.tables import table

FIVE = """
      - {plugin: channel_remap, map: {1: 5}}
      - {plugin: cc_scale, control: 74, to: [20, 100]}
      - {plugin: cc_reset, controls: {75: 64}, when: [note_off], window: 2s}
      - {plugin: clock_filter, clock: drop}
      - {plugin: note_limit, voices: 4}
"""
STEP = (
    ("scaled control", b"\xb0\x4a\x7f", 1),
    ("control to put back", b"\xb0\x4b\x10", 1),
    ("note-on", b"\x90\x3c\x64", 1),
    ("note-off", b"\x80\x3c\x40", 2),  # and the control goes home
)
"""What is played, and how many messages the five transforms make of each for one output."""

START_S, ANSWER_S = 60.0, 5.0
WARM_UP = 50


class Ears:
    """Hears what comes out of one way, and when its outputs have the message."""

    def __init__(self) -> None:
        self._expected = self._came = 0
        self._heard: set[int] = set()
        self._outputs = 0
        self._done = threading.Event()
        self.last_first_ns = 0

    def listener(self) -> Any:
        """A callback for one output."""
        number, self._outputs = self._outputs, self._outputs + 1

        def hear(event: tuple[list[int], float], data: object = None) -> None:
            now_ns = time.perf_counter_ns()
            if number not in self._heard:
                self._heard.add(number)
                self.last_first_ns = now_ns
            self._came += 1
            if self._came == self._expected:
                self._done.set()

        return hear

    def expect(self, count: int) -> None:
        """Get ready for a message that each output gets as `count` messages."""
        self._heard.clear()
        self._came, self._expected = 0, count * self._outputs
        self._done.clear()

    def wait(self) -> bool:
        """Wait until all of it came."""
        return self._done.wait(ANSWER_S)


class Way:
    """One way from sender to receiver, and what was measured on it."""

    def __init__(self, name: str, outputs: int, transforms: bool) -> None:
        self.name = name
        self.outputs = outputs
        self.transforms = transforms
        self.ears = Ears()
        self.times_ns: list[int] = []
        self.lost = 0
        self._ports: list[Any] = []
        self._send: Any = None

    @property
    def in_name(self) -> str:
        """The name of the port that it reads from."""
        return f"{self.name} in"

    def out_name(self, number: int) -> str:
        """The name of one of the ports that it writes to."""
        return f"{self.name} out {number}"

    def connect(self) -> None:
        """Connect to its ports as soon as they are there."""
        import rtmidi

        sender = rtmidi.MidiOut(rtmidi.API_LINUX_ALSA, name="bench")
        sender.open_port(_find(sender, self.in_name))
        self._send = sender.send_message
        self._ports.append(sender)
        for number in range(self.outputs):
            receiver = rtmidi.MidiIn(rtmidi.API_LINUX_ALSA, name="bench")
            receiver.set_callback(self.ears.listener())
            receiver.open_port(_find(receiver, self.out_name(number)))
            self._ports.append(receiver)

    def play(self, messages: int, gap_s: float, *, keep: bool = True) -> None:
        """Send so many messages, one after the other, and note how long each took."""
        for n in range(messages):
            _, data, count = STEP[n % len(STEP)]
            self.ears.expect(count if self.transforms else 1)
            begun_ns = time.perf_counter_ns()
            self._send(data)
            if not self.ears.wait():
                self.lost += 1
            elif keep:
                self.times_ns.append(self.ears.last_first_ns - begun_ns)
            time.sleep(gap_s)

    def close(self) -> None:
        """Close the ports."""
        for port in self._ports:
            port.close_port()
            port.delete()


def _find(midi: Any, name: str) -> int:
    deadline = time.monotonic() + START_S
    while time.monotonic() < deadline:
        for number, port in enumerate(midi.get_ports()):
            if f":{name} " in port:
                return number
        time.sleep(0.1)
    raise SystemExit(f"port '{name}' did not come up")


def bare(in_name: str, out_names: Sequence[str]) -> None:
    """The least that can be done: each message goes on from the callback."""
    import rtmidi

    outputs = []
    for name in out_names:
        output = rtmidi.MidiOut(rtmidi.API_LINUX_ALSA, name="bare")
        output.open_virtual_port(name)
        outputs.append(output)
    midi = rtmidi.MidiIn(rtmidi.API_LINUX_ALSA, name="bare")
    midi.ignore_types(sysex=False, timing=False, active_sense=False)
    midi.open_virtual_port(in_name)
    if len(outputs) == 1:
        send = outputs[0].send_message
        midi.set_callback(lambda event, data=None: send(event[0]))
    else:
        sends = [output.send_message for output in outputs]

        def callback(event: tuple[list[int], float], data: object = None) -> None:
            message = event[0]
            for send in sends:
                send(message)

        midi.set_callback(callback)
    signal.pause()


def _rig(way: Way, folder: Path) -> Path:
    lines = [f"input: {{port: 'virtual:{way.in_name}'}}", "outputs:"]
    for number in range(way.outputs):
        lines += [f"  o{number}:", f"    port: 'virtual:{way.out_name(number)}'", "    chain:"]
        lines.append(FIVE.strip("\n"))
    rig = folder / f"{way.name}.yaml"
    rig.write_text("\n".join(lines) + "\n", "utf-8")
    return rig


@contextmanager
def _running(command: Sequence[str]) -> Iterator[None]:
    process = subprocess.Popen(command, stderr=subprocess.DEVNULL)
    try:
        yield
    finally:
        process.terminate()
        process.wait(START_S)


def measure(outputs: Sequence[int], rounds: int, messages: int, gap_s: float) -> list[Way]:
    """Measure the bare callback and the five transforms, with each of these numbers of outputs."""
    ways = [Way(f"{w} {n}", n, w == "five") for n in outputs for w in ("bare", "five")]
    with tempfile.TemporaryDirectory() as folder, ExitStack() as stack:
        for way in ways:
            command = [sys.executable, __file__, "--bare", way.in_name]
            command += [way.out_name(number) for number in range(way.outputs)]
            if way.transforms:
                rig = _rig(way, Path(folder))
                command = [sys.executable, "-m", "pointsman.cli", "run", str(rig)]
            stack.enter_context(_running(command))
        for way in ways:
            way.connect()
            stack.callback(way.close)
            way.play(WARM_UP, gap_s, keep=False)
        gc.collect()
        gc.disable()
        for turn in range(rounds):
            for way in ways if turn % 2 else reversed(ways):
                way.play(messages, gap_s)
        gc.enable()
    return ways


def _quantile(times_ns: Sequence[int], part: float) -> float:
    ordered = sorted(times_ns)
    return ordered[min(int(part * len(ordered)), len(ordered) - 1)] / 1000


def show(ways: Sequence[Way]) -> str:
    """The table: microseconds, and ratios to the bare callback with as many outputs."""
    rows = []
    for way in ways:
        base = next(p for p in ways if p.outputs == way.outputs and not p.transforms)
        cells = []
        for part in (0.5, 0.99, 0.999):
            value = _quantile(way.times_ns, part)
            cells += [f"{value:.0f}", f"{value / _quantile(base.times_ns, part):.2f}"]
        what = "five transforms" if way.transforms else "bare callback"
        rows.append((what, str(way.outputs), str(len(way.times_ns)), str(way.lost), *cells))
    heads = ("what", "outputs", "messages", "lost", "p50 us", "x", "p99 us", "x", "p99.9 us", "x")
    return table(heads, rows)


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0] if __doc__ else None)
    parser.add_argument("--bare", nargs="+", metavar="NAME", help=argparse.SUPPRESS)
    parser.add_argument("--messages", type=int, default=200, help="a round (default 200)")
    parser.add_argument("--rounds", type=int, default=10, help="for each path (default 10)")
    parser.add_argument("--gap", type=float, default=0.003, help="seconds after each (0.003)")
    options = parser.parse_args()
    if options.bare:
        bare(options.bare[0], options.bare[1:])
        return
    if lacking := missing():
        raise SystemExit(f"nothing measured: {lacking}")
    print(show(measure((1, 4), options.rounds, options.messages, options.gap)))


if __name__ == "__main__":
    main()
