"""Ports, a clock and a log of the test's own, and a rig that runs on them."""

from __future__ import annotations

import os
import select
import threading
import time
from collections.abc import Callable, Collection, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from textwrap import dedent, indent
from typing import Any

from pointsman.errors import PortLookupError
from pointsman.live.paths import ControlSocket, bind_control
from pointsman.live.run import Run, Wishes
from pointsman.ports.backend import Deliver, Ended, InputPort, OutputPort, PortBackend
from pointsman.registry import Registry
from pointsman.rig import Rig
from pointsman.rig_file import load_rig

MS, S = 1_000_000, 1_000_000_000
NOTE_ON, NOTE_OFF = b"\x90\x3c\x64", b"\x80\x3c\x40"
PATIENCE_S = 20
"""How long anything may take before the test gives up; nothing comes near it."""

Log = list[tuple[int, bytes]]


class QuayOutput(OutputPort):
    """Keeps what it is sent, with the thread that sent it; `broken` makes it fail."""

    def __init__(self) -> None:
        self.sent: Log = []
        self.threads: set[int] = set()
        self.broken: Exception | None = None
        self.refuses: dict[int, Exception] = {}
        """By status byte: what is not taken."""
        self.there = True
        self.ill: Exception | None = None
        self.closed = 0
        self.close_error: Exception | None = None

    @property
    def heard(self) -> list[bytes]:
        """What it was sent, without the times."""
        return [data for _, data in self.sent]

    def send(self, data: bytes, t_ns: int) -> None:
        if self.broken is not None:
            raise self.broken
        if data[0] in self.refuses:
            raise self.refuses[data[0]]
        self.threads.add(threading.get_ident())
        if self.there:
            self.sent.append((t_ns, data))

    def alive(self) -> bool:
        if self.ill is not None:
            raise self.ill
        return self.there

    def close(self) -> None:
        self.closed += 1
        if self.close_error is not None:
            raise self.close_error


class QuayInput(InputPort):
    """Hands over what the test tells it to."""

    def __init__(self) -> None:
        self.deliver: Deliver
        self.ended: Ended
        self.there = True
        self.closed = 0
        self.on_close: Callable[[], None] = lambda: None
        self.start_error: Exception | None = None

    def start(self, deliver: Deliver, ended: Ended) -> None:
        if self.start_error is not None:
            raise self.start_error
        self.deliver, self.ended = deliver, ended

    def alive(self) -> bool:
        return self.there

    def close(self) -> None:
        self.on_close()
        self.closed += 1


class Quay(PortBackend):
    """A kind of port, as a plugin would bring it: `quay:NAME`.

    Ports come and go by `pull` and `put`. They are named here with their direction: ">tug" is the
    output of that name, "<stage" an input.
    """

    scheme = "quay"

    def __init__(self) -> None:
        self.inputs: dict[str, QuayInput] = {"stage": QuayInput()}
        self.outputs: dict[str, QuayOutput] = {}
        self.opened: list[str] = []
        self.fails: dict[str, Exception] = {}
        """What happens when a port is opened."""
        self.puzzles: dict[str, Exception] = {}
        """What happens when one that is away is looked for."""
        self.gone: set[str] = set()
        self.also: dict[str, str] = {}
        """Other names of ports."""

    @property
    def input(self) -> QuayInput:
        """The input that rigs have here if nothing else is said."""
        return self.inputs["stage"]

    def play(self, *messages: bytes) -> None:
        """Bring these in, one after the other."""
        for data in messages:
            self.input.deliver(data)

    def pull(self, *names: str) -> None:
        """Let ports vanish. Those that come back later are others of the same name."""
        for name in names:
            ports: dict[str, Any] = self.inputs if name[0] == "<" else self.outputs
            self.gone.add(name)
            port = ports.pop(name[1:], None)
            if port is not None:
                port.there = False
            if name == "<stage":
                self.inputs["stage"] = QuayInput()

    def put(self, *names: str) -> None:
        """Let ports be there again."""
        self.gone.difference_update(names)

    def find(self, address: str, base: Path, *, is_input: bool) -> str:
        name = self.also.get(address, address)
        if ("<" if is_input else ">") + name in self.gone:
            raise PortLookupError(f"no quay '{address}'")
        return name

    def find_again(
        self, address: str, base: Path, *, is_input: bool, taken: Collection[str] = (), **facts: Any
    ) -> str | None:
        puzzle = self.puzzles.get(("<" if is_input else ">") + address)
        if puzzle is not None:
            raise puzzle
        return super().find_again(address, base, is_input=is_input, taken=taken, **facts)

    def open_input(self, name: str) -> QuayInput:
        self._open(f"<{name}")
        return self.inputs.setdefault(name, QuayInput())

    def open_output(self, name: str) -> QuayOutput:
        self._open(f">{name}")
        return self.outputs.setdefault(name, QuayOutput())

    def _open(self, name: str) -> None:
        self.opened.append(name)
        if name in self.fails:
            raise self.fails[name]


class Lines:
    """A log that keeps its lines."""

    def __init__(self) -> None:
        self.lines: list[tuple[str, dict[str, Any]]] = []
        self.news: list[tuple[str, dict[str, Any]]] = []

    def error(self, event: str, **facts: Any) -> None:
        self.lines.append((event, facts))

    warning = error

    def info(self, event: str, **facts: Any) -> None:
        """What goes as it should is no matter of most tests."""
        self.news.append((event, facts))

    def told(self, event: str) -> list[dict[str, Any]]:
        """The facts of all lines of this kind."""
        return [facts for name, facts in (*self.lines, *self.news) if name == event]


class Sea:
    """A clock that moves only while the service sleeps, and an input that plays by it."""

    def __init__(self, quay: Quay, log: Sequence[tuple[int, bytes]] = ()) -> None:
        self.now_ns = 0
        self.slept: list[float] = []
        self._quay = quay
        self._log = list(log)
        self._ended = False

    def read(self) -> int:
        return self.now_ns

    def wait(self, wake_fd: int, seconds: float) -> None:
        """Sleep: until so many seconds have gone by, or until a message comes, or the end."""
        self.slept.append(seconds)
        until_ns = self.now_ns + round(seconds * S)
        if self._log and self._log[0][0] <= until_ns:
            self.now_ns = self._log[0][0]
            while self._log and self._log[0][0] == self.now_ns:
                self._quay.input.deliver(self._log.pop(0)[1])
        elif not self._log and not self._ended:
            self._ended = True
            self._quay.input.ended(None)
        else:
            self.now_ns = until_ns
        drain(wake_fd)


def drain(wake_fd: int) -> bool:
    """Empty the pipe that wakes the sleeper; whether there was anything in it."""
    if not select.select([wake_fd], [], [], 0)[0]:
        return False
    os.read(wake_fd, 4096)
    return True


def until(true: Callable[[], bool]) -> None:
    """Wait for something that is sure to come soon."""
    give_up = time.monotonic() + PATIENCE_S
    while not true():
        assert time.monotonic() < give_up, "it did not come"
        time.sleep(0.001)


def rig_of(folder: Path, outputs: str, rest: str = "") -> Rig:
    """A rig with these outputs; `port` is added, named after each output."""
    path = folder / "rig.yaml"
    shifted = indent(dedent(outputs), "  ")
    path.write_text(f"input: {{port: 'null:'}}\noutputs:\n{shifted}\n{dedent(rest)}", "utf-8")
    rig = load_rig(path)
    specs = tuple(
        replace(spec, port=f"quay:{spec.name}") if spec.port == "null:" else spec
        for spec in rig.outputs
    )
    return replace(rig, input_port="quay:stage", outputs=specs)


def load(folder: Path, text: str, name: str = "rig.yaml") -> Rig:
    """A rig from a file; its ports are `quay:` ones, which only the run knows."""
    path = folder / name
    path.write_text(dedent(text), "utf-8")
    return load_rig(path)


class Playing:
    """A rig that plays on the real clock, with its real threads, until the test is over."""

    def __init__(self, rig: Rig, quay: Quay, lines: Lines, wishes: Wishes) -> None:
        self.lines = lines
        self.quay = quay
        self.running = Run(rig, Registry(ports={"quay": quay}), lines, wishes)
        self.running.open()
        self.result: list[str | None] = []
        self._thread = threading.Thread(target=lambda: self.result.append(self.running.run()))

    def start(self) -> None:
        self._thread.start()
        until(lambda: bool(self.lines.told("ready")))
        until(lambda: self.running.steward._thread.ident is not None)

    def stop(self) -> None:
        """End the run; harmless when it has ended."""
        self.running.service.stop()
        if self._thread.ident is not None:
            self._thread.join(PATIENCE_S)
        assert not self._thread.is_alive()

    @property
    def status(self) -> dict[str, Any]:
        return self.running.steward.answers.status()

    def output(self, name: str) -> dict[str, Any]:
        """What the status says of an output."""
        found = self.status["outputs"][name]
        assert isinstance(found, dict)
        return found

    def told(self, event: str, count: int = 1) -> list[dict[str, Any]]:
        """Wait until the log has told so often of something; what it said."""
        until(lambda: len(self.lines.told(event)) >= count)
        return self.lines.told(event)

    def turns(self, count: int) -> None:
        """Let the steward come round so often."""
        seen = [0]
        look = self.running.links.lost

        def counted() -> Any:
            seen[0] += 1
            return look()

        self.running.links.lost = counted  # type: ignore[method-assign]
        until(lambda: seen[0] >= count)
        self.running.links.lost = look  # type: ignore[method-assign]


@contextmanager
def playing(rig: Rig, quay: Quay, wishes: Wishes | None = None) -> Iterator[Playing]:
    """A rig, played until the end of the block."""
    found = Playing(rig, quay, Lines(), wishes or Wishes())
    try:
        found.start()
        yield found
    finally:
        found.stop()


@contextmanager
def controlled(folder: Path) -> Iterator[ControlSocket]:
    """A control socket for a run, as `pointsman run` makes it."""
    control = bind_control(folder / "c" / "control.sock", {})
    try:
        yield control
    finally:
        control.close()
