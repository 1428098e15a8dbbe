"""A link: one port that a rig names, open, missing or lost; what the hot path sends through.

A link that is not open takes messages all the same: it remembers what the synth should have heard
(`Memory`), so that it can be told when it is back. The hot path puts each message in `fresh` and
calls `pass_on`, and nothing else; everything that changes a link is done under the engine's lock.
"""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable, Iterable
from enum import StrEnum

from pointsman.live.memory import Memory
from pointsman.message import ALL_NOTES_OFF, ALL_SOUND_OFF
from pointsman.ports.backend import InputPort, OutputPort, PortBackend, Send
from pointsman.rig import Rig

FIRST_REAL_TIME = 0xF8
_TOLD_AT_ONCE = 16
_BYTES_PER_S = 3125
"""A synth that comes back is told what it was at the speed of a DIN cable (CA-033, p. 2).

Nobody knows what is behind a port, and a burst would overrun it."""

_CAUGHT_UP_AT_ONCE = 64
_CATCH_UP_S = 0.016
"""What has come in meanwhile follows at a few times that speed, or a busy stream would never end
its wait; and what waits may not grow without end, however busy it is."""

_SILENCE = (ALL_SOUND_OFF, ALL_NOTES_OFF)


class State(StrEnum):
    """How a port is."""

    OPEN = "open"
    LOST = "lost"
    MISSING = "missing"


class Link:
    """What input and output links have in common."""

    def __init__(self, text: str, backend: PortBackend, address: str, rig: Rig) -> None:
        self.text = text
        self.backend = backend
        self.address = address
        self.base = rig.path.parent
        self.found: str | None = None
        self.mark: object = None
        """What the kind of port remembers of it, to know it again."""
        self.times_lost = 0
        self.trouble = ""
        """Why it is not open, as far as was last seen."""
        self.told = ""
        """What of that the log has."""

    @property
    def is_open(self) -> bool:
        """Whether messages can pass."""
        return self.found is not None

    @property
    def state(self) -> State:
        """How it is."""
        if self.is_open:
            return State.OPEN
        return State.LOST if self.times_lost else State.MISSING


class InputLink(Link):
    """The port that is read."""

    port: InputPort | None = None
    gaps = 0
    """How often messages were lost on the way to it, since the run began."""

    _counted: tuple[InputPort | None, int] = (None, 0)

    def count_gaps(self) -> int:
        """How often messages were lost since this was last asked."""
        port, (before, known) = self.port, self._counted
        gaps = 0 if port is None else port.gaps
        new = gaps - (known if port is before else 0)
        self._counted = (port, gaps)
        self.gaps += new
        return new


class Cable:
    """An open port that is written, and how many links share it."""

    def __init__(self, port: OutputPort, mark: object) -> None:
        self.port = port
        self.mark = mark
        self.users = 0


Fail = Callable[["OutputLink", Exception], None]
"""Told, under the lock, of a message that a port has not taken."""


class OutputLink(Link):
    """A port that is written, shared by the outputs that name it."""

    def __init__(self, text: str, backend: PortBackend, address: str, rig: Rig) -> None:
        super().__init__(text, backend, address, rig)
        self._memory = Memory()
        self.port: OutputPort | None = None
        self.cable: Cable | None = None
        """The one that it has, or had last."""
        self.unsent = 0
        self.was_open = False
        self.left: list[bytes] = []
        """What ends what an earlier run that was killed has left sounding there."""
        self.due_s = 0.0
        """When the next of what waits may go, by the monotonic clock."""
        self.fresh: list[bytes] = []
        """What was sent and is not in the memory yet."""
        self.pass_on: Send = self._miss
        """Takes one message and its time: to the port, while that is open."""
        self._first: deque[bytes] = deque()
        self._waiting: deque[bytes] = deque()

    def remember(self) -> None:
        """Take into the memory what was sent. It can wait until what is urgent has left."""
        if self.fresh:
            fresh, self.fresh = self.fresh, []
            note = self._memory.note
            for data in fresh:
                note(data)

    @property
    def memory(self) -> Memory:
        """What the synth was sent, or should have been. Under the lock, as all that changes it."""
        self.remember()
        return self._memory

    def _miss(self, data: bytes, t_ns: int) -> None:
        self.unsent += 1

    def _wait(self, data: bytes, t_ns: int) -> None:
        """Keep a message behind what the synth is being told; real time and silence do not wait."""
        port = self.port
        if port is None:
            self.unsent += 1
        elif data[0] >= FIRST_REAL_TIME:
            port.send(data, t_ns)
        elif data[0] & 0xF0 == 0xB0 and data[1] in _SILENCE:
            strike = 0x90 | data[0] & 0x0F
            self._waiting = deque(d for d in self._waiting if d[0] != strike or not d[2])
            port.send(data, t_ns)
        else:
            self._waiting.append(data)

    def attach(self, cable: Cable, found: str) -> None:
        """Use an open port from now on."""
        self.cable, self.port, self.found, self.mark = cable, cable.port, found, cable.mark
        self.trouble = self.told = ""
        cable.users += 1
        self.pass_on = self._wait if self.waits else cable.port.send

    def put_first(self, messages: Iterable[bytes]) -> None:
        """These are to be sent before anything else; `tell` does it."""
        self._first.extend(messages)
        if self.port is not None and self._first:
            self.pass_on = self._wait

    def detach(self) -> None:
        """The port is gone or not wanted any more; what comes is remembered only."""
        self.port = self.found = None
        self.pass_on = self._miss
        self.unsent += len(self._waiting)
        self._first.clear()
        self._waiting.clear()

    @property
    def waits(self) -> bool:
        """Whether something waits to be sent."""
        return bool(self._first or self._waiting)

    def tell(self, t_ns: int, fail: Fail, *, all_of_it: bool = False) -> None:
        """Send the next few of what waits, and set `due_s`; call it under the lock.

        When nothing waits any more, messages pass straight through again.
        """
        port = self.port
        if port is None:
            return
        queue, count = self._first, _TOLD_AT_ONCE
        if not self._first:
            queue, count = self._waiting, max(_CAUGHT_UP_AT_ONCE, len(self._waiting) // 4)
        size = 0
        for _ in range(len(queue) if all_of_it else min(count, len(queue))):
            data = queue.popleft()
            size += len(data)
            try:
                port.send(data, t_ns)
            except Exception as error:  # one that is refused must not keep back the rest
                fail(self, error)
        self.due_s = time.monotonic() + (
            size / _BYTES_PER_S if queue is self._first else _CATCH_UP_S
        )
        if not self.waits:
            self.pass_on = port.send
