"""The real ALSA sequencer, and the programs of alsa-utils as peers that nobody here wrote.

What is played comes from aplaymidi or amidi, what arrives is recorded by arecordmidi, aseqdump or
amidi, and aconnect says which ports there are. Only counts and order are looked at, never how long
something took: the tests may run on an emulated machine.
"""

from __future__ import annotations

import json
import re
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import mido
import pytest

PATIENCE_S = 120
"""How long anything may take before a test gives up; an emulated machine is slow."""

_TOOLS = ("aconnect", "amidi", "aplaymidi", "arecordmidi", "aseqdump")
_missing = [tool for tool in _TOOLS if shutil.which(tool) is None]
_why = (
    f"needs {', '.join(_missing)} (Debian: alsa-utils)"
    if _missing
    else "needs an ALSA sequencer (/dev/snd/seq); test_in_vm.py can lend one"
)
on_alsa = [
    pytest.mark.alsa,
    pytest.mark.skipif(bool(_missing) or not Path("/dev/snd/seq").exists(), reason=_why),
]
"""The marks of every module of tests that need the sequencer."""


def until(true: Callable[[], bool], what: str) -> None:
    """Wait for something that is sure to come."""
    give_up = time.monotonic() + PATIENCE_S
    while not true():
        assert time.monotonic() < give_up, f"it did not come: {what}"
        time.sleep(0.1)


# ---- which ports there are -----------------------------------------------------------------------

_CLIENT_LINE = re.compile(r"client (\d+): '(.*)' \[type=\w+(?:,(?:card=(\d+)|pid=\d+))*\]")
_PORT_LINE = re.compile(r" +(\d+) '(.*?) *'")
_CONNECTION = re.compile(r"\d+:\d+")


@dataclass
class SequencerPort:
    """One port as aconnect lists it."""

    client: int
    client_name: str
    card: int | None
    number: int
    name: str
    connections: list[str] = field(default_factory=list)

    @property
    def address(self) -> str:
        """How alsa-utils are told about it."""
        return f"{self.client}:{self.number}"

    @property
    def full_name(self) -> str:
        """How python-rtmidi lists it."""
        return f"{self.client_name}:{self.name} {self.address}"


def ports(option: str = "") -> list[SequencerPort]:
    """What `aconnect -l` lists; with `-i` or `-o` only what can be read or written."""
    text = _output("aconnect", *([option] if option else []), "-l")
    found: list[SequencerPort] = []
    client, client_name, card = 0, "", None
    for line in text.splitlines():
        if match := _CLIENT_LINE.match(line):
            client, client_name = int(match[1]), match[2]
            card = int(match[3]) if match[3] else None
        elif match := _PORT_LINE.match(line):
            found.append(SequencerPort(client, client_name, card, int(match[1]), match[2]))
        else:
            found[-1].connections += _CONNECTION.findall(line)
    return found


def port(name: str) -> SequencerPort:
    """The port of this name, as soon as it is there."""
    found: list[SequencerPort] = []

    def is_there() -> bool:
        found[:] = [port for port in ports() if port.name == name]
        return bool(found)

    until(is_there, f"port {name}")
    return found[0]


def card_ports() -> list[SequencerPort]:
    """Two virtual sound cards (snd-virmidi); skips where there are none."""
    found = [port for port in ports() if "VirMIDI" in port.name]
    if len(found) < 2:
        pytest.skip("needs two virtual cards: sudo modprobe snd-virmidi enable=1,1 midi_devs=1,1")
    return found[:2]


# ---- the programs --------------------------------------------------------------------------------


def _output(*command: str) -> str:
    done = subprocess.run(command, capture_output=True, text=True, timeout=PATIENCE_S, check=False)
    assert done.returncode == 0, f"{' '.join(command)}: {done.stderr}"
    return done.stdout


def connect(source: str, destination: str) -> None:
    """Connect two ports by their addresses."""
    _output("aconnect", source, destination)


def play(path: Path, destination: str) -> None:
    """Play a Standard MIDI File with aplaymidi, to its end."""
    _output("aplaymidi", "-d", "0", "-p", destination, str(path))


def send_raw(card: int, data: bytes) -> None:
    """Send bytes through a sound card with amidi."""
    _output("amidi", "-p", f"hw:{card},0", "-S", data.hex())


@contextmanager
def _peer(command: Sequence[str], source: str, out: Path) -> Iterator[None]:
    """A program of alsa-utils that listens to a port, from its connection to its end."""
    number = len(_connections(source))
    with out.open("wb") as file:
        process = subprocess.Popen(command, stdout=file, stderr=subprocess.DEVNULL)
    try:
        until(lambda: len(_connections(source)) > number or process.poll() is not None, command[0])
        yield
        time.sleep(0.3)  # what is on its way arrives
        process.send_signal(signal.SIGINT)
        process.wait(PATIENCE_S)
    finally:
        process.kill()
        process.wait()


def _connections(address: str) -> list[str]:
    return [c for port in ports() if port.address == address for c in port.connections]


class Heard(list[bytes]):
    """The messages that a peer has recorded, when it has ended."""


@contextmanager
def recording(source: str, folder: Path) -> Iterator[Heard]:
    """Record a port with arecordmidi: channel messages and SysEx."""
    path = folder / f"{source.replace(':', '-')}.mid"
    heard = Heard()
    with _peer(["arecordmidi", "-p", source, str(path)], source, folder / "arecordmidi.txt"):
        yield heard
    heard += messages_of(path)


def messages_of(path: Path) -> list[bytes]:
    """Every message of a Standard MIDI File in its order, as an independent library reads it."""
    track = mido.merge_tracks(mido.MidiFile(path).tracks)
    return [bytes(message.bytes()) for message in track if not message.is_meta]


@contextmanager
def dumping(source: str, folder: Path) -> Iterator[list[str]]:
    """Write down with aseqdump what kinds of event a port sends; without who subscribed."""
    out = folder / f"{source.replace(':', '-')}.txt"
    lines: list[str] = []
    with _peer(["stdbuf", "-oL", "aseqdump", "-p", source], source, out):
        yield lines
    pattern = re.compile(rf" *{source} +(\S.*?)(?: {{2,}}|$)")
    found = [match[1] for line in out.read_text().splitlines() if (match := pattern.match(line))]
    lines += [kind for kind in found if not kind.startswith("Port")]


@contextmanager
def raw_recording(card: int, folder: Path) -> Iterator[bytearray]:
    """Read what is sent to a sound card with amidi, with clock and active sensing."""
    path = folder / f"card{card}.raw"
    command = ["amidi", "-p", f"hw:{card},0", "-c", "-a", "-r", str(path)]
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    data = bytearray()
    try:
        until(path.exists, "amidi")
        time.sleep(0.5)  # the file is made just before the card is opened
        yield data
        time.sleep(0.5)
        process.send_signal(signal.SIGINT)
        process.wait(PATIENCE_S)
    finally:
        process.kill()
        process.wait()
    data += path.read_bytes()


# ---- Pointsman -----------------------------------------------------------------------------------

COMMAND = [sys.executable, "-m", "pointsman.cli"]


class Running:
    """A `pointsman run` that is ready."""

    def __init__(self, process: subprocess.Popen[bytes], log: Path) -> None:
        self.process = process
        self._log = log

    def log(self) -> list[dict[str, object]]:
        """The lines of its log so far."""
        lines = self._log.read_text().splitlines()
        return [json.loads(line) for line in lines if line.startswith("{")]

    def tells(self, event: str, count: int = 1) -> list[dict[str, object]]:
        """Wait until its log has so many lines of this; what they say."""
        found: list[dict[str, object]] = []

        def has_them() -> bool:
            found[:] = [line for line in self.log() if line["event"] == event]
            return len(found) >= count

        until(has_them, f"'{event}' in the log")
        return found

    def stop(self, number: signal.Signals = signal.SIGTERM) -> int:
        """End it with a signal; its exit code."""
        self.process.send_signal(number)
        return self.process.wait(PATIENCE_S)


@contextmanager
def running(rig: Path, *options: str) -> Iterator[Running]:
    """Run a rig, from ready to its end; it must end well, unless the test has killed it."""
    log = rig.with_suffix(".log")
    with log.open("wb") as file:
        process = subprocess.Popen([*COMMAND, "run", str(rig), *options], stderr=file)
    try:
        until(lambda: '"ready"' in log.read_text() or process.poll() is not None, "ready")
        assert process.poll() is None, log.read_text()
        run = Running(process, log)
        yield run
        if process.returncode != -signal.SIGKILL:
            assert run.stop() == 0, log.read_text()
    finally:
        process.kill()
        process.wait()


def pointsman(*arguments: str) -> subprocess.CompletedProcess[str]:
    """Run one command to its end."""
    return subprocess.run(
        [*COMMAND, *arguments], capture_output=True, text=True, timeout=PATIENCE_S, check=False
    )
