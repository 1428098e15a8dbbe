"""The ways that the live benches compare, and how long a message is on one of them.

Each way is a program with one virtual input and some virtual outputs:

- `C++`: tests/bench/pass_through.cpp, the least that can be done on the same library;
- `bare`: the least that can be done with python-rtmidi, a callback that sends on what it is given;
- `direct`: tests/bench/direct.py, the least that can be done in Python without that library;
- `five`: a rig of five transforms on each output, run as a player runs it.

All get the scheduling that `run` asks for, where it is granted. This program plays to them
and listens (`Ears`). It takes the time neither of its own sending nor of its own hearing: a small
C++ program (listener.cpp) is woken first of all when a message arrives, and reads the clock. It
hears what is played as well as what comes out, so the difference of two times is the way's alone:
waking up, dealing with it, sending it on.
"""

from __future__ import annotations

import atexit
import math
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager, suppress
from functools import cache
from pathlib import Path
from typing import Any, NamedTuple

from pointsman.io_rtmidi import missing
from pointsman.live.realtime import PRIORITY

FIVE = """
      - {plugin: channel_remap, map: {1: 5}}
      - {plugin: cc_scale, control: 74, to: [20, 100]}
      - {plugin: cc_reset, controls: {75: 64}, when: [note_off], window: 2s}
      - {plugin: clock_filter, clock: drop}
      - {plugin: note_limit, voices: 4}
"""
FIVE_WITH_CLOCK = FIVE.replace("clock: drop", "transport: drop")

CPP, BARE, DIRECT, RIG = "C++", "bare", "direct", "five"
WHAT = {
    CPP: "C++ pass-through",
    BARE: "bare python-rtmidi",
    DIRECT: "bare Python, no library",
    RIG: "five transforms",
}

LIBRARIES = {"pass_through": "-lrtmidi", "listener": "-lasound"}
START_S, ANSWER_S = 60.0, 5.0


class Step(NamedTuple):
    """What is played, and how many messages the five transforms make of it for one output."""

    data: bytes
    answers: int = 1


STEPS = (
    Step(b"\xb0\x4a\x7f"),  # a control that is scaled
    Step(b"\xb0\x4b\x10"),  # one that is to be put back
    Step(b"\x90\x3c\x64"),
    Step(b"\x80\x3c\x40", 2),  # and the control goes home
)

Heard = tuple[float, bytes]
"""When, in microseconds from any fixed start, and what."""


class Ears:
    """Hears what comes to one port, and when it did; listener.cpp does the listening."""

    def __init__(self, name: str) -> None:
        self._wanted = sys.maxsize
        self._done = threading.Event()
        self.heard: list[Heard] = []
        program = build("listener")
        assert program is not None, "the bench asks lacking() first"
        self._process = subprocess.Popen([program, name], stdout=subprocess.PIPE, text=True)
        threading.Thread(target=self._hear, daemon=True).start()

    def _hear(self) -> None:
        assert self._process.stdout is not None
        for line in self._process.stdout:
            time_ns, _, data = line.partition(" ")
            self.heard.append((int(time_ns) / 1000, bytes.fromhex(data)))
            if len(self.heard) >= self._wanted:
                self._done.set()

    def expect(self, count: int) -> None:
        """Forget what was heard, and get ready for so many messages."""
        self.heard = []
        self._wanted = count
        self._done.clear()

    def wait(self, within_s: float = ANSWER_S) -> bool:
        """Wait until all of it came."""
        return self._done.wait(within_s)

    def close(self) -> None:
        """Listen no more."""
        self._process.terminate()
        self._process.wait()


class Way:
    """One way from the player to the ears."""

    def __init__(self, kind: str, outputs: int, name: str = "") -> None:
        self.kind = kind
        self.outputs = outputs
        self.name = name or f"{kind} {outputs}"
        self.times_us: list[float] = []
        self.lost = 0
        self.ears: Ears
        self.played: Ears
        self._player: Any = None

    @property
    def in_name(self) -> str:
        """The name of the port that it reads from."""
        return f"{self.name} in"

    @property
    def out_names(self) -> list[str]:
        """The names of the ports that it writes to."""
        return [f"{self.name} out {number}" for number in range(self.outputs)]

    def connect(self, *, apart: bool = False) -> None:
        """Connect player and ears as soon as the way is there.

        The ears come first: a way that is woken in real time may stop the player in the middle of
        its sending, and answer before they have what was played. `apart`: what is played has ears
        of its own, and of the outputs only the last is heard.
        """
        import rtmidi

        play, ears = f"{self.name} play", f"{self.name} ears"
        self._player = rtmidi.MidiOut(rtmidi.API_LINUX_ALSA, name="bench")
        self._player.open_virtual_port(play)
        self.ears = self.played = Ears(ears)
        if apart:
            self.played = Ears(f"{self.name} played")
        connect(play, f"{self.name} played" if apart else ears)
        connect(play, self.in_name)
        for name in self.out_names[-1:] if apart else self.out_names:
            connect(name, ears)

    def send(self, data: bytes) -> None:
        """Play one message; where the sequencer has no room for it, the ears will miss it."""
        with suppress(SystemError):
            self._player.send_message(data)

    def play(self, messages: int, gap_s: float, *, keep: bool = True) -> None:
        """Send so many messages, one after the other, and note how long each took."""
        for n in range(messages):
            step = STEPS[n % len(STEPS)]
            self.ears.expect(1 + self.outputs * (step.answers if self.kind == RIG else 1))
            self.send(step.data)
            if not self.ears.wait():
                self.lost += 1
            elif keep:
                self.times_us.append(self._took_us(step.data))
            time.sleep(gap_s)

    def _took_us(self, data: bytes) -> float:
        """From what was played to the last output's answer to it, whatever else they add."""
        (begun_us, _), *answers = self.ears.heard
        alike = [t_us for t_us, answer in answers if answer[0] >> 4 == data[0] >> 4]
        return alike[self.outputs - 1] - begun_us

    def close(self) -> None:
        """Close the ports."""
        self._player.close_port()
        self._player.delete()
        for ears in {self.ears, self.played}:
            ears.close()


# ---- ports ---------------------------------------------------------------------------------------


def lacking() -> str | None:
    """What this machine lacks for the live benches; None when all is there."""
    if (found := missing()) is not None:
        return found
    if shutil.which("aconnect") is None:
        return "no aconnect; on Debian: apt install alsa-utils"
    if build("listener") is None:
        return "tests/bench/listener.cpp does not build; on Debian: apt install g++ libasound2-dev"
    return None


def connect(source: str, target: str, *, undo: bool = False) -> None:
    """Connect two virtual ports, by their names, or `undo` that."""
    ends = [find(source, is_input=True), find(target, is_input=False)]
    subprocess.run(["aconnect", *(["-d"] if undo else []), *ends], check=True)


def find(name: str, *, is_input: bool) -> str:
    """The address of a port to read from (`is_input`) or to write to, when it has come up."""
    import rtmidi

    midi = (rtmidi.MidiIn if is_input else rtmidi.MidiOut)(rtmidi.API_LINUX_ALSA, name="bench")
    deadline = time.monotonic() + START_S
    try:
        while time.monotonic() < deadline:
            for port in midi.get_ports():
                if f":{name} " in port:
                    return str(port.rsplit(" ", 1)[1])
            time.sleep(0.1)
    finally:
        midi.delete()
    raise SystemExit(f"port '{name}' did not come up")


# ---- programs ------------------------------------------------------------------------------------


def bare(in_name: str, out_names: Sequence[str]) -> None:
    """The least that can be done in Python: each message goes on from the callback."""
    import rtmidi

    outputs = []
    for name in out_names:
        output = rtmidi.MidiOut(rtmidi.API_LINUX_ALSA, name="bare")
        output.open_virtual_port(name)
        outputs.append(output)
    midi = rtmidi.MidiIn(rtmidi.API_LINUX_ALSA, name="bare")
    midi.ignore_types(sysex=False, timing=False, active_sense=False)
    first, *others = [output.send_message for output in outputs]

    def callback(event: tuple[list[int], float], data: object = None) -> None:
        message = event[0]
        first(message)
        for send in others:
            send(message)

    midi.open_virtual_port(in_name)
    midi.set_callback(callback)
    signal.pause()


@cache
def build(name: str) -> str | None:
    """One of the C++ programs, built once for all that want it; None where that is not possible."""
    folder = tempfile.mkdtemp(prefix="bench-")
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    program = os.path.join(folder, name)
    source = Path(__file__).with_name(f"{name}.cpp")
    command = ["g++", "-O2", "-o", program, str(source), LIBRARIES[name]]
    try:
        subprocess.run(command, check=True, capture_output=True)
    except (OSError, subprocess.CalledProcessError):
        return None
    return program


def write_rig(way: Way, folder: Path, chain: str = FIVE, port: str = "virtual:{}") -> Path:
    """A rig with this chain on each output; `port` says how its ports are named."""
    lines = [f"input: {{port: '{port.format(way.in_name)}'}}", "outputs:"]
    for number, name in enumerate(way.out_names):
        lines += [
            f"  o{number}:",
            f"    port: '{port.format(name)}'",
            "    chain:",
            chain.strip("\n"),
        ]
    rig = folder / f"{way.name}.yaml"
    rig.write_text("\n".join(lines) + "\n", "utf-8")
    return rig


def run_rig(rig: Path) -> list[str]:
    """The command that runs a rig; its control socket lies beside it."""
    socket = rig.with_suffix(".sock")
    return [sys.executable, "-m", "pointsman.cli", "run", str(rig), "--socket", str(socket)]


@contextmanager
def running(
    command: Sequence[str | Path], *, real_time: bool = False
) -> Iterator[subprocess.Popen[bytes]]:
    """A program, until the end of the block; what it says is not shown."""
    before = scheduled_as_run if real_time else None
    process = subprocess.Popen(
        command, stdin=subprocess.DEVNULL, stderr=subprocess.DEVNULL, preexec_fn=before
    )
    try:
        yield process
    finally:
        process.terminate()
        process.wait(START_S)


def scheduled_as_run() -> None:
    """Ask for the scheduling that `run` asks for."""
    with suppress(OSError):
        os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(PRIORITY))


@contextmanager
def ways(outputs: Sequence[int], chain: str = FIVE, *, apart: bool = False) -> Iterator[list[Way]]:
    """All the ways with these numbers of outputs, running and connected (see `Way.connect`)."""
    with ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory()))
        program = build("pass_through")
        if program is None:
            print("without the C++ pass-through; on Debian: apt install g++ librtmidi-dev\n")
        kinds = (CPP, BARE, DIRECT, RIG) if program else (BARE, DIRECT, RIG)
        found = [Way(kind, number) for number in outputs for kind in kinds]
        for way in found:
            names = [way.in_name, *way.out_names]
            if way.kind == RIG:
                stack.enter_context(running(run_rig(write_rig(way, folder, chain))))
                continue
            script = __file__ if way.kind == BARE else str(Path(__file__).with_name("direct.py"))
            start = [str(program)] if way.kind == CPP else [sys.executable, script]
            stack.enter_context(running([*start, *names], real_time=True))
        for way in found:
            way.connect(apart=apart)
            stack.callback(way.close)
        yield found


def quantile(times: Sequence[float], part: float) -> float:
    """The time below which that part of the times lies; nan where there are none."""
    ordered = sorted(times) or [math.nan]
    return ordered[min(int(part * len(ordered)), len(ordered) - 1)]


if __name__ == "__main__":
    bare(sys.argv[1], sys.argv[2:])
