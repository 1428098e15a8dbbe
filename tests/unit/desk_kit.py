"""A real desk in its own process on a real socket; the test plays the service's part."""

from __future__ import annotations

import json
import select
import socket
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from pointsman.live.desk_link import DeskLink
from pointsman.live.paths import ControlSocket, bind_control

SOON_S = 10.0
"""How long to wait for what must come: far longer than it takes, for a busy machine."""

RIG = """\
rig: harbour
input: {port: "null:"}
outputs:
  tug:
    port: "null:"
    chain:
      - {plugin: note_limit, voices: 1, label: one voice}
"""

Answers = Callable[..., dict[str, Any]]


class Caller:
    """One client's connection."""

    def __init__(self, path: Path) -> None:
        self.socket = socket.socket(socket.AF_UNIX)
        self.socket.settimeout(SOON_S)
        self.socket.connect(str(path))
        self._rest = b""

    def say(self, *requests: dict[str, Any] | bytes) -> None:
        for request in requests:
            data = request if isinstance(request, bytes) else json.dumps(request).encode() + b"\n"
            self.socket.sendall(data)

    def hear(self) -> dict[str, Any]:
        """The next line; EOFError when there is none any more."""
        while b"\n" not in self._rest:
            data = self.socket.recv(1 << 16)
            if not data:
                raise EOFError
            self._rest += data
        line, _, self._rest = self._rest.partition(b"\n")
        heard = json.loads(line)
        assert isinstance(heard, dict)
        return heard

    def close(self) -> None:
        self.socket.close()


class Harbour:
    """A rig in a folder, a control socket, and a desk that serves it."""

    def __init__(self, folder: Path, *, watch: bool = False, rig: str = RIG, **more: Any) -> None:
        self.rig = folder / "harbour.yaml"
        self.rig.write_text(rig)
        self.control: ControlSocket = bind_control(folder / "c" / "control.sock", {})
        self.link = DeskLink(self.control.listening, self.rig, watch, **more)
        self.said: list[tuple[Any, ...]] = []
        self._callers: list[Caller] = []

    @property
    def path(self) -> Path:
        return self.control.path

    def call(self, *requests: dict[str, Any] | bytes) -> Caller:
        """A new client that says this."""
        caller = Caller(self.path)
        self._callers.append(caller)
        caller.say(*requests)
        return caller

    def next(self, kind: str) -> tuple[Any, ...]:
        """What the desk says next of this kind; all that it says is kept in `said`."""
        until = time.monotonic() + SOON_S
        while time.monotonic() < until:
            for number, item in enumerate(self.said):
                if item[0] == kind:
                    return self.said.pop(number)
            select.select([self.link], [], [], 0.05)
            self.said += self.link.take()
        raise AssertionError(f"the desk does not say '{kind}'; it said {self.said}")

    def answer(self, kind: str, **answer: Any) -> tuple[Any, ...]:
        """Wait for a request of this kind and answer it; returns its arguments."""
        _, number, *arguments = self.next(kind)
        self.link.answer(number, {"ok": True, **answer})
        return tuple(arguments)

    def quiet(self, seconds: float) -> list[tuple[Any, ...]]:
        """What the desk has said after so long."""
        until = time.monotonic() + seconds
        while time.monotonic() < until:
            select.select([self.link], [], [], 0.05)
            self.said += self.link.take()
        return self.said

    def close(self) -> None:
        for caller in self._callers:
            caller.close()
        self.link.close()
        self.control.close()


@contextmanager
def harbour(folder: Path, **wishes: Any) -> Iterator[Harbour]:
    """A harbour, closed at the end."""
    found = Harbour(folder, **wishes)
    try:
        yield found
    finally:
        found.close()


def gone(pid: int) -> bool:
    """Whether a process has ended; one that nobody has waited for yet has."""
    try:
        stat = Path(f"/proc/{pid}/stat").read_text()
    except (FileNotFoundError, ProcessLookupError):
        return True
    return stat.rpartition(")")[2].split()[0] == "Z"


def within(seconds: float, true: Callable[[], bool]) -> bool:
    """Whether something comes true in time."""
    until = time.monotonic() + seconds
    while not true():
        if time.monotonic() > until:
            return False
        time.sleep(0.02)
    return True
