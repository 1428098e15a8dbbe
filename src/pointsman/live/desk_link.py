"""The service's end of the line to its desk, and the desk's process.

No call here waits for the desk, except for the moment in which it is started or ended. All are
made by one thread.
"""

from __future__ import annotations

import os
import socket
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from typing import Any

from pointsman.live.frames import Frames
from pointsman.live.handover import Loaded, note_sources, unpack
from pointsman.live.realtime import be_ordinary

COMMAND = (sys.executable, "-P", "-m", "pointsman.live.desk")
"""`-P`: a file in the player's folder must not stand in for a module that the desk imports."""

PING_EVERY_S = 2.0
LONGEST_SILENCE_S = 10.0
"""A desk that has not answered a ping for so long hangs."""

LONGEST_START_S = 120.0
"""But one that has just been started gets so long: it must load Python and all that it imports,
with what a small and busy computer leaves it beside a service that goes before. To end it for that
would only have the next one begin again."""

MOST_BEHIND = 1 << 18
"""Bytes that may wait for the desk before taps are dropped."""

ENDS_WITHIN_S = 1.0


@contextmanager
def _ordinary() -> Iterator[None]:
    """What this thread starts in here has ordinary scheduling from its very first moment.

    A desk takes most of a second to begin on a small computer. With the scheduling of our MIDI
    threads it would keep them waiting on the only core; by itself it can give it up only later.
    """
    if sys.platform != "linux" or os.sched_getscheduler(0) == os.SCHED_OTHER:
        yield
        return
    policy, param = os.sched_getscheduler(0), os.sched_getparam(0)
    be_ordinary()
    try:
        yield
    finally:
        with suppress(OSError):
            os.sched_setscheduler(0, policy, param)


class DeskLink:
    """Starts a desk, and talks with it until `close`.

    The desk serves clients on a listening socket that stays open here, so that they can wait while
    a desk is started again. With `watch` it looks after the files of the rig. `command` is what
    starts it, before its arguments.
    """

    def __init__(
        self,
        listening_socket: socket.socket,
        rig_path: str | os.PathLike[str],
        watch: bool = False,
        *,
        command: Sequence[str] = COMMAND,
    ) -> None:
        self._command = tuple(command)
        self._listening = listening_socket
        self._rig = os.fspath(rig_path)
        self._watch = watch
        self._first: list[tuple[Any, ...]] = []
        note_sources()
        self._start()

    def _start(self) -> None:
        ours, theirs = socket.socketpair()
        with theirs:
            fds = (theirs.fileno(), self._listening.fileno())
            arguments = [*map(str, fds), self._rig, *(["--watch"] if self._watch else [])]
            try:
                with _ordinary():
                    self._process = subprocess.Popen(
                        [*self._command, *arguments],
                        stdin=subprocess.DEVNULL,
                        pass_fds=fds,
                        start_new_session=True,  # Ctrl-C is meant for the service alone
                    )
            except OSError:
                ours.close()
                raise
        self._line = Frames(ours)
        self._pinged_s: float | None = None
        self._has_spoken = False
        self._heard_s = time.monotonic()

    @property
    def pid(self) -> int:
        """The desk's process."""
        return self._process.pid

    def fileno(self) -> int:
        """For `select`: readable when `take` has something."""
        return self._line.fileno()

    def take(self) -> list[tuple[Any, ...]]:
        """What the desk has said since the last time, in order."""
        now_s = time.monotonic()
        said = self._line.take()
        items, self._first = [*self._first, *said], []
        self._has_spoken = self._has_spoken or bool(said)
        told = [item for item in items if item[0] != "pong"]
        if len(told) < len(items):
            self._pinged_s, self._heard_s = None, now_s
        if self._pinged_s is None and now_s - self._heard_s >= PING_EVERY_S:
            self._pinged_s = now_s
            self._line.send(("ping",))
        self._line.flush()
        return told

    def answer(self, number: int, answer: dict[str, Any]) -> None:
        """Answer what the desk has asked under this number."""
        self._line.send(("answer", number, answer))

    def load(self) -> None:
        """Have the rig file loaded; it comes as `("rig", 0, Loaded)`."""
        self._line.send(("load",))

    def push(self, events: list[tuple[Any, ...]]) -> bool:
        """Hand over a batch of events; False if the desk is behind, and then it gets none of it."""
        self._line.flush()
        if self._line.unsent > MOST_BEHIND:
            return False
        self._line.send(("events", events))
        return True

    def alive(self) -> bool:
        """Whether the desk is there and does not hang."""
        if self._line.ended or self._process.poll() is not None:
            return False
        longest_s = LONGEST_SILENCE_S if self._has_spoken else LONGEST_START_S
        return self._pinged_s is None or time.monotonic() - self._pinged_s < longest_s

    def restart(self) -> None:
        """End the desk, if need be, and start another. Its clients have to come again.

        OSError when it cannot be started; `alive` is False then, and it can be tried again.
        """
        self._end(within_s=0)
        self._start()
        self._first = [("tap", False)]
        if self._watch:  # nobody has watched in the meantime
            self.load()

    def close(self) -> None:
        """End the desk. The listening socket stays open."""
        self._line.send(("stop",))
        self._end(within_s=ENDS_WITHIN_S)

    def _end(self, within_s: float) -> None:
        self._line.close()
        if within_s:
            with suppress(subprocess.TimeoutExpired):
                self._process.wait(within_s)
        if self._process.poll() is None:
            self._process.kill()
        self._process.wait()


__all__ = ["COMMAND", "DeskLink", "Loaded", "unpack"]
