"""Closes and opens an input and an output again and again while messages pass, and counts.

    python tests/soak/reopen.py [--times 500] [--rate 3000] [--input NAME] [--output NAME]

A second process sends to the port that the input reads; every message is sent on to the output.
A close that hangs for 30 s ends the run with the stack of every thread and exit code 1. Memory is
that of the process (VmRSS): it is read after the first tenth, when everything has been in use
once, and again at the end. Needs a system with MIDI and two ports, such as `modprobe snd-seq-dummy
snd-virmidi` gives.
"""

from __future__ import annotations

import argparse
import faulthandler
import os
import subprocess
import sys
import threading
import time
from collections.abc import Sequence
from pathlib import Path

from pointsman.errors import PortError
from pointsman.ports.resolve import SYSTEM

HANG_S = 30
FEW = 50
"""How many messages an input must have heard before it is closed."""


def send(port: str, rate: int) -> None:
    """Send controls at this many messages a second until we are ended."""
    output = SYSTEM.open_output(port)
    begun = time.monotonic()
    sent = 0
    while os.getppid() != 1:
        while sent < (time.monotonic() - begun) * rate:
            output.send(bytes((0xB0, 1, sent % 128)), 0)
            sent += 1
        time.sleep(0.001)


def figures() -> dict[str, int]:
    """What this process holds now."""
    status = Path("/proc/self/status").read_text("ascii")
    memory = next(line.split()[1] for line in status.splitlines() if line.startswith("VmRSS"))
    return {
        "memory_kib": int(memory),
        "threads": len(list(Path("/proc/self/task").iterdir())),
        "files": len(list(Path("/proc/self/fd").iterdir())),
    }


class Heard:
    """What came in, over all inputs."""

    def __init__(self) -> None:
        self.messages = self.refused = 0


def once(input_port: str, output_port: str, heard: Heard) -> bool:
    """Open both, send on what comes, close both; whether enough came."""
    output = SYSTEM.open_output(output_port)
    port = SYSTEM.open_input(input_port)
    enough = threading.Event()
    begun = heard.messages

    def deliver(data: bytes) -> None:
        heard.messages += 1
        try:
            output.send(data, 0)
        except PortError:
            heard.refused += 1
        if heard.messages - begun >= FEW:
            enough.set()

    port.start(deliver, lambda fault: None)
    came = enough.wait(HANG_S / 2)
    assert port.alive() and output.alive()
    port.close()
    output.close()
    return came


def main(arguments: Sequence[str] | None = None) -> int:
    """Run it; exit code 0 if every input heard something and nothing hung."""
    parser = argparse.ArgumentParser(description="open and close ports under load")
    parser.add_argument("--times", type=int, default=500)
    parser.add_argument("--rate", type=int, default=3000, help="messages a second")
    parser.add_argument("--input", default="Midi Through")
    parser.add_argument("--output", default="VirMIDI 0-0")
    parser.add_argument("--send", metavar="PORT", help=argparse.SUPPRESS)
    options = parser.parse_args(arguments)
    if options.send:
        send(options.send, options.rate)
        return 0
    input_port = SYSTEM.find(options.input, Path(), is_input=True)
    output_port = SYSTEM.find(options.output, Path(), is_input=False)
    sender = subprocess.Popen(
        [sys.executable, __file__, "--send", input_port, "--rate", str(options.rate)]
    )
    try:
        return soak(options.times, input_port, output_port)
    finally:
        sender.kill()
        sender.wait()


def soak(times: int, input_port: str, output_port: str) -> int:
    """Do it so many times and print what was counted."""
    heard, deaf, before = Heard(), 0, figures()
    begun = time.monotonic()
    for n in range(times):
        faulthandler.dump_traceback_later(HANG_S, exit=True)
        deaf += not once(input_port, output_port, heard)
        if n == times // 10:
            before = figures()
    faulthandler.cancel_dump_traceback_later()
    seconds, after = time.monotonic() - begun, figures()
    print(f"python {sys.version.split()[0]}: closed and opened {times} times in {seconds:.0f} s")
    print(f"hangs 0, inputs that heard nothing {deaf}")
    print(f"messages {heard.messages}, refused {heard.refused}")
    for name, count in after.items():
        print(f"{name}: {before[name]} after the first tenth, {count} at the end")
    return 1 if deaf else 0


if __name__ == "__main__":
    sys.exit(main())
