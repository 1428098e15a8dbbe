"""Where a capture gets its messages: from a running service, or from an input port of its own.

Either fills an `Inbox` from a thread of its own, so a disk that is slow for a moment loses nothing.
"""

from __future__ import annotations

import threading
import time
from abc import ABC, abstractmethod
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from queue import Empty, SimpleQueue
from typing import Any, NamedTuple

from pointsman.errors import PointsmanError, PortLookupError, UsageError, said
from pointsman.live.client import ask, reads, status_if_any, tap
from pointsman.live.own_input import OwnInput
from pointsman.ports.resolve import find_backend
from pointsman.registry import Registry
from pointsman.rig import Rig

ROOM = 100_000
"""Messages that may wait to be written: half a minute of a full input, some 15 MB."""

_WAIT_S = 0.01
_SETTLE_S = 0.1
"""What our own thread may take to read what is at the socket."""

_PER_US = 1_000_000
_START_SLACK_US = 100_000
"""A service says to a tenth of a second how long it has run."""


class Came(NamedTuple):
    """A message with its time in nanoseconds since the capture began; or a remark, or a loss."""

    t_ns: int
    data: bytes = b""
    remark: str = ""
    lost: int = 0


class Inbox:
    """What has come in and has not been written yet; one thread fills it and one empties it."""

    def __init__(self) -> None:
        self._queue: SimpleQueue[Came | None] = SimpleQueue()
        self._dropped = 0
        self._told = 0
        self.ended = False
        """Nothing will come any more; what has come may still wait here."""
        self.fault: str | None = None
        """Why it ended, if that was not as it should be."""

    @property
    def is_full(self) -> bool:
        """Whether a message that comes now would be lost."""
        return self._queue.qsize() >= ROOM

    def put(self, came: Came) -> None:
        """Add what has come; it never waits. Where it is full, the message is lost and counted."""
        if self.is_full:
            self._dropped += 1
        else:
            self._queue.put(came)

    def end(self, fault: str | None) -> None:
        """Nothing more will come."""
        self.fault = fault
        self.ended = True
        self.wake()

    def wake(self) -> None:
        """Let `take` return at once; safe from a signal handler."""
        self._queue.put(None)

    def take(self, within_s: float) -> Iterator[Came]:
        """What has come, as soon as there is something, or nothing after `within_s` seconds."""
        last_ns = 0
        with suppress(Empty):
            wait_s = within_s
            for _ in range(ROOM):  # the file is to be saved and the signals seen, whatever comes
                came = self._queue.get(timeout=wait_s) if wait_s else self._queue.get_nowait()
                wait_s = 0.0
                if came is not None:
                    last_ns = came.t_ns
                    yield came
        dropped = self._dropped
        if dropped > self._told:
            yield Came(last_ns, lost=dropped - self._told)
            self._told = dropped


class Source(ABC):
    """Something that messages can be captured from."""

    what = ""
    """What it is, in a few words."""

    ended_text = ""
    """What to say if it has ended by itself."""

    def __init__(self) -> None:
        self.inbox = Inbox()

    @abstractmethod
    def start(self) -> None:
        """Begin; PointsmanError where that fails."""

    @abstractmethod
    def look(self) -> None:
        """See to it that it is still there; called a few times a second."""

    def settle(self) -> None:
        """Wait until what had come to it before this call is in the inbox."""
        return

    @abstractmethod
    def close(self) -> None:
        """End."""


class ServiceSource(Source):
    """The input of a running service, through its control socket."""

    ended_text = "The service has ended."

    def __init__(self, path: Path | None = None) -> None:
        super().__init__()
        self._path = path
        self._start_us = 0

    def start(self) -> None:
        """Find the service, and have it tell its events; NoService where there is none."""
        status = ask({"do": "status"}, self._path)
        if not status.get("ok"):
            raise PointsmanError(str(status.get("error", "the service does not say how it is")))
        self.what = f"{status['rig']} (input {status['input']['port']}), through its service"
        self._start_us = round(status["running_s"] * _PER_US) - _START_SLACK_US
        events = tap(self._path)
        ask(
            {"do": "status"}, self._path
        )  # by its answer the service keeps events: nothing is missed
        threading.Thread(target=self._read, args=(events,), name="tap", daemon=True).start()

    def _read(self, events: Iterator[dict[str, Any]]) -> None:
        try:
            for event in events:
                self._put(event)
        except PointsmanError as error:
            self.inbox.end(str(error))
        except Exception as error:  # whatever it is, nobody must wait for us for ever
            self.inbox.end(f"the service's events cannot be read: {said(error)}")
        else:
            self.inbox.end(None)

    def _put(self, event: dict[str, Any]) -> None:
        while self.inbox.is_full:  # it then loses events of ours, and says how many
            time.sleep(_WAIT_S)
        if "lost" in event:
            self.inbox.put(Came(0, lost=event["lost"]))
        elif "in" in event:
            t_us = round(event["t"] * _PER_US) - self._start_us
            self.inbox.put(Came(max(t_us, 0) * 1000, bytes.fromhex(event["in"])))

    def look(self) -> None:
        """Its end is told by the thread that reads."""

    def settle(self) -> None:
        """Events leave the service after the answers of each turn: the second answer is behind."""
        if not self.inbox.ended:
            with suppress(PointsmanError):
                for _ in range(2):
                    ask({"do": "status"}, self._path)
            time.sleep(_SETTLE_S)

    def close(self) -> None:
        """The thread ends with the process: it holds nothing that would have to be put back."""


class PortSource(Source):
    """An input port, opened by us; a plug that is pulled is waited for."""

    def __init__(self, rig: Rig, registry: Registry) -> None:
        super().__init__()
        self._text = rig.input_port
        self.what = f"input {self._text}"
        self._begun_ns = 0
        self._input = OwnInput(rig, registry, self._deliver, self.inbox.end)

    def _now_ns(self) -> int:
        return time.monotonic_ns() - self._begun_ns

    def start(self) -> None:
        """Open the port; PortLookupError or PortError where it cannot be had."""
        self._begun_ns = time.monotonic_ns()
        try:
            self._input.open()
        except PortLookupError as error:
            raise PortLookupError(f"input: {error}", error.candidates) from None

    def _deliver(self, data: bytes) -> None:
        self.inbox.put(Came(self._now_ns(), data))

    def look(self) -> None:
        """Notice that the plug was pulled, and that it is back."""
        self._input.look(
            lambda: self._remark(f"input lost: {self._text}"),
            lambda name: self._remark(f"input is back: {name}"),
        )

    def _remark(self, text: str) -> None:
        self.inbox.put(Came(self._now_ns(), remark=text))

    def close(self) -> None:
        """Close the port."""
        self._input.close()


def input_rig(port: str, registry: Registry) -> Rig:
    """A rig that only reads `port`; relative paths count from here. UsageError for a wrong name."""
    backend, address = find_backend(port, registry.ports)
    problem = backend.problem(address, is_input=True)
    if problem:
        raise UsageError(f"--input: {problem}")
    return Rig("capture", port, (), path=Path("capture"))


def service_reads(port: str) -> bool:
    """Whether a service runs and reads this very port."""
    return reads(status_if_any(), port)
