"""The real stage with a port, a clock and a keyboard of the test's own: hours in no time."""

from __future__ import annotations

import io
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from pointsman.asking import Asking
from pointsman.errors import PortError, PortLookupError
from pointsman.ports import InputPort, OutputPort, PortBackend
from pointsman.probing import stage as stage_module
from pointsman.probing.stage import Saver, Stage
from pointsman.probing.target import Target
from pointsman.signals import Told
from pointsman.units import NS_PER_S


@dataclass
class Clock:
    """Time that goes on only while somebody waits."""

    now_ns: int = 5 * NS_PER_S

    def monotonic_ns(self) -> int:
        return self.now_ns

    def monotonic(self) -> float:
        return self.now_ns / NS_PER_S

    def sleep(self, seconds: float) -> None:
        self.now_ns += round(seconds * NS_PER_S)


class Port(OutputPort):
    """Keeps what it is sent; `fails_at` is the number of the message that meets with trouble."""

    def __init__(self, fails_at: int = -1, trouble: BaseException | None = None) -> None:
        self.sent: list[bytes] = []
        self.fails_at = fails_at
        self.trouble = trouble
        self.there = True
        self.closed = False

    def send(self, data: bytes, t_ns: int) -> None:
        if len(self.sent) == self.fails_at and self.trouble is not None:
            trouble, self.trouble = self.trouble, None
            if isinstance(trouble, Told):  # a signal comes after the call as well as before it
                self.sent.append(data)
            else:
                self.there = False
            raise trouble
        if not self.there:
            raise PortError("it is gone")
        self.sent.append(data)

    def alive(self) -> bool:
        return self.there

    def close(self) -> None:
        self.closed = True


class Jetty(PortBackend):
    """Where a pulled plug may come back: `returns` is the port that is there then."""

    scheme = "jetty"

    def __init__(self, returns: Port | None = None) -> None:
        self.returns = returns

    def find(self, address: str, base: Path, *, is_input: bool) -> str:
        if self.returns is None:
            raise PortLookupError("no jetty")
        return address

    def open_input(self, name: str) -> InputPort:
        raise AssertionError("nobody asks for it")

    def open_output(self, name: str) -> OutputPort:
        assert self.returns is not None
        return self.returns


@dataclass
class Keyboard:
    """What is typed, by the time since the test began; a question takes the next answer."""

    clock: Clock
    typed: list[tuple[int, str]] = field(default_factory=list)
    answers: list[str] = field(default_factory=list)
    is_terminal: bool = True
    ended: bool = False

    def wait(self, seconds: float) -> list[str]:
        give_up_ns = self.clock.now_ns + round(seconds * NS_PER_S)
        if self.typed and self.typed[0][0] <= give_up_ns:
            t_ns, line = self.typed.pop(0)
            self.clock.now_ns = max(t_ns, self.clock.now_ns)
            return [line]
        self.clock.now_ns = give_up_ns
        return []

    def readline(self) -> str:
        return f"{self.answers.pop(0)}\n" if self.answers else ""

    def forget(self) -> None:
        pass


@dataclass
class Pier:
    """A stage and all that is around it."""

    stage: Stage
    port: Port
    clock: Clock
    keyboard: Keyboard
    out: io.StringIO

    @property
    def said(self) -> str:
        """What was said, on one line."""
        return " ".join(self.out.getvalue().split())


MakePier = Callable[..., Pier]


@pytest.fixture
def make_pier(monkeypatch: pytest.MonkeyPatch) -> MakePier:
    """Makes piers, each with a clock of its own."""

    def make(
        port: Port | None = None,
        returns: Port | None = None,
        saver: Saver | None = None,
        typed: list[tuple[int, str]] | None = None,
        answers: list[str] | None = None,
    ) -> Pier:
        clock = Clock()
        monkeypatch.setattr(stage_module, "time", clock)
        times = [(clock.now_ns + t_ns, line) for t_ns, line in typed or []]
        keyboard: Any = Keyboard(clock, times, answers or [])
        out = io.StringIO()
        port = port or Port()
        target = Target("tug", "jetty:tug", Jetty(returns), "tug")
        stage = Stage(target, port, keyboard, Asking(keyboard, out), None, saver)
        return Pier(stage, port, clock, keyboard, out)

    return make


def left_over(sent: list[bytes], homes: dict[tuple[int, int], int]) -> list[str]:
    """What is not as it should be after these messages: notes that sound, controls not home.

    A synth with a register for each control and each parameter; written for the tests alone.
    """
    notes: set[tuple[int, int]] = set()
    controls: dict[tuple[int, int], int] = {}
    for data in sent:
        kind, channel = data[0] & 0xF0, data[0] & 0x0F
        if kind == 0x90 and data[2]:
            notes.add((channel, data[1]))
        elif kind in (0x80, 0x90):
            notes.discard((channel, data[1]))
        elif kind == 0xB0:
            controls[channel, data[1]] = data[2]
    wrong = [f"note {note} on {channel}" for channel, note in sorted(notes)]
    for key, value in controls.items():
        if key in homes and homes[key] != value:
            wrong.append(f"control {key} is {value}")
    return wrong
