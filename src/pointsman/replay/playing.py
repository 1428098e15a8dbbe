"""One replay: the file as the input of a rig that runs as ever, or of a plain way to one port."""

from __future__ import annotations

import signal
import time
from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from types import FrameType
from typing import Any

from pointsman.errors import PortError, PortLookupError, UsageError
from pointsman.live.client import status_if_any
from pointsman.live.run import Wishes, run
from pointsman.ports.backend import InputPort, OutputPort, PortBackend
from pointsman.ports.files import FileInput, Messages, read_messages
from pointsman.ports.resolve import find_backend, is_file
from pointsman.progress import Progress
from pointsman.registry import Registry
from pointsman.render import specs_of
from pointsman.replay.put_back import ENTRY
from pointsman.replay.stream import from_first, from_place
from pointsman.rig import OutputSpec, Rig
from pointsman.rig_model import WIRE_RATES
from pointsman.signals import ENDING
from pointsman.units import NS_PER_S, span

CONNECT_S = 5.0
"""How long others have to connect to a virtual port before it plays."""

_STEP_S = 0.1


@dataclass(frozen=True)
class Ended:
    """How a replay ended: its fault, the signal that broke it off, and how much was played."""

    fault: str | None
    signal: int | None
    played_ns: int
    received: int


class ReplayPorts(PortBackend):
    """`replay:`, the input of a replay: one file, from one place on."""

    scheme = "replay"
    lasting = False

    def __init__(self, path: Path, place_ns: int | None) -> None:
        self._path = path
        self._place_ns = place_ns
        self.player = FileInput(path, self.messages)

    def messages(self) -> Messages:
        """What is played; InputFileError where the file is broken."""
        messages = read_messages(self._path)
        return (
            from_first(messages) if self._place_ns is None else from_place(messages, self._place_ns)
        )

    def length_ns(self) -> int:
        """How long that lasts. UsageError where there is nothing to play."""
        length_ns = max((t_ns for t_ns, _ in self.messages()), default=None)
        if length_ns is not None:
            return length_ns
        what = "no message to play" if self._place_ns is None else "nothing to play from there"
        raise UsageError(f"{self._path}: there is {what}")

    def open_input(self, name: str) -> InputPort:
        """The player."""
        return self.player

    def open_output(self, name: str) -> OutputPort:
        """There is no such output."""
        raise PortError("replay: is an input; name another port")


def plain_rig(port: str, registry: Registry) -> Rig:
    """A rig that sends everything to one port. UsageError for a wrong name."""
    backend, address = find_backend(port, registry.ports)
    problem = backend.problem(address, is_input=False)
    if problem:
        raise UsageError(f"--to: {problem}")
    spec = OutputSpec("replay", port, wire_rate=WIRE_RATES[backend.wire])
    return Rig("replay", "null:", (spec,), path=Path("replay"))


def replayed(rig: Rig) -> Rig:
    """The rig with the file as its input; when it ends, nothing stays down or sounding."""
    outputs = tuple(replace(spec, chain=(*spec.chain, ENTRY)) for spec in rig.outputs)
    songs = tuple((name, replayed(song)) for name, song in rig.songs.rigs)
    return replace(
        rig,
        input_port="replay:",
        outputs=outputs,
        safety=replace(rig.safety, on_exit=True),
        songs=replace(rig.songs, rigs=songs),
    )


def replay(
    path: Path, rig: Rig, registry: Registry, progress: Progress, place_ns: int | None = None
) -> Ended:
    """Play a file through a rig in real time, to its end or until a signal.

    The whole file is read first. Raises InputFileError where it is broken, UsageError where there
    is nothing to play or the rig would record into this very file, and PortError as a run does.
    """
    for spec in specs_of(rig).values():
        if is_file(spec.port, rig.path.parent, path):
            raise UsageError(f"'{path}' is what is played; record in another file")
    ports = ReplayPorts(path, place_ns)
    begin_ns = place_ns or 0
    whole = span((begin_ns + ports.length_ns()) / NS_PER_S)
    voice, stopped = _Voice(progress), list[int]()
    is_virtual = any(spec.port.startswith("virtual:") for spec in rig.outputs)
    wait_s = CONNECT_S if is_virtual else 0.0
    kinds = replace(registry, ports={**registry.ports, ports.scheme: ports})
    player = ports.player
    with progress.renewed(lambda: f"{span((begin_ns + player.played_ns) / NS_PER_S)} of {whole}"):
        fault = run(
            replayed(rig),
            kinds,
            voice,
            Wishes(real_time=True),
            before_start=partial(_begin, progress, f"{path}, {whole}", wait_s, stopped),
        )
    return Ended(fault, stopped[0] if stopped else None, player.played_ns, voice.received)


def _begin(progress: Progress, what: str, wait_s: float, stopped: list[int]) -> None:
    """The ports are open: say so, and from now on keep which signal ends the run.

    The run's own handler is there already. `wait_s`: give others so long to connect.
    """
    end: Any = signal.getsignal(signal.SIGINT)

    def stop(number: int, frame: FrameType | None) -> None:
        stopped.append(number)
        end(number, frame)

    for number in ENDING:
        signal.signal(number, stop)
    if wait_s:
        progress.say(f"The ports are open. Playing in {wait_s:.0f} s: connect them now.")
        until_s = time.monotonic() + wait_s
        while time.monotonic() < until_s and not stopped:
            time.sleep(_STEP_S)
    progress.say(f"Playing {what}. Ctrl-C ends it.")


class _Voice:
    """The log of the run: what a player must know, in a line each."""

    def __init__(self, progress: Progress) -> None:
        self._progress = progress
        self.received = 0

    def info(self, event: str, **facts: Any) -> None:
        """What goes as it should is not told, only kept."""
        self.received = facts.get("received", self.received)

    def warning(self, event: str, **facts: Any) -> None:
        """Trouble."""
        what = ", ".join(str(fact) for fact in facts.values() if fact)
        self._progress.say(f"{event}: {what}" if what else event)

    error = warning


def also_played(rig: Rig, registry: Registry) -> list[str]:
    """A line for each port of this rig that a running service sends to as well."""
    status = status_if_any()
    taken = {output["found"] for output in status.get("outputs", {}).values()}
    return [
        f"warning: the rig '{status['rig']}', which runs as well, sends to {name}: "
        "what it plays meanwhile sounds beside this"
        for name in _found(rig, registry)
        if name in taken
    ]


def _found(rig: Rig, registry: Registry) -> Iterable[str]:
    """The full names of a rig's outputs that are there, but for those that sound nowhere."""
    names: dict[str, None] = {}
    for spec in rig.outputs:
        backend, address = find_backend(spec.port, registry.ports)
        if backend.lasting:
            try:
                names[backend.find(address, rig.path.parent, is_input=False)] = None
            except PortLookupError:  # the run will say so
                continue
    return names
