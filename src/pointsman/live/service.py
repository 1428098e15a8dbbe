"""The MIDI path of a running rig: two threads, one lock, and nothing that could hold them up.

Whichever thread an input calls from brings messages in (`deliver`), and the main thread sends what
is due (`run`). Both reach the engine under one lock. A message goes from the input's callback
through the engine to the outputs on that one thread: handing it to another would cost more than
the work. Whatever fails here is only counted; the steward reads the counts and tells.

The main thread sleeps in `select` on a pipe, until the next thing is due or a byte in the pipe
wakes it: from a signal, from an input that ended, or because something has become due earlier
than it meant to sleep.
"""

from __future__ import annotations

import os
import select
import threading
import time
import weakref
from collections import deque
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from types import FrameType
from typing import Any, Protocol

from pointsman.chain import Entry
from pointsman.engine import Engine
from pointsman.errors import said
from pointsman.live.latency import Latency
from pointsman.ports.backend import Send
from pointsman.rig import Rig
from pointsman.units import NS_PER_S

LOOK_NS = NS_PER_S
"""The longest that the main thread sleeps, in nanoseconds: so often it shows that it is alive."""

TAP_ROOM = 20_000
"""Events of the tap that wait to be fetched at most; the newest ones are lost beyond."""

MOST_HEARD = 65_536
"""Messages of the input that wait for the steward at most; the oldest are lost beyond."""

SETTLE_EVERY = 8
"""So many messages come in before what can wait is done: microseconds, and after the last of them
has been sent on."""

ANYWHERE = ""
"""Where a failure is counted that is no output's; no output has this name."""


class WayOut(Protocol):
    """Where an output's messages go: `pass_on` sends one, once it stands in `fresh`."""

    fresh: list[bytes]
    pass_on: Send


@dataclass
class Failures:
    """What went wrong in one place: how often, how much of it was told, and the last of it."""

    count: int = 0
    told: int = 0
    last: str = ""


class Service:
    """One rig, running. `now_ns` and `wait` are the clock and the sleep, for tests to replace.

    `ways_of(rig)` gives the way out for each output of a rig, and `on_change(rig)` is told, on
    the MIDI path, that another rig of the set plays. `after_sending` is called under the lock, now
    and then, when all has been sent that is due: for what can wait until then.
    """

    def __init__(
        self,
        rig: Rig,
        ways_of: Callable[[Rig], Mapping[str, WayOut]],
        *,
        on_change: Callable[[Rig], None] = lambda rig: None,
        after_sending: Callable[[], None] = lambda: None,
        now_ns: Callable[[], int] | None = None,
        wait: Callable[[int, float], object] | None = None,
    ) -> None:
        self._clock_ns = now_ns or time.monotonic_ns
        self._begun_ns = 0
        self._wait = wait or _sleep
        self._ways_of = ways_of
        self._ways: Mapping[str, WayOut] = {}
        self._on_change = on_change
        self._after_sending = after_sending
        self.lock = threading.Lock()
        self._wake_read, self._wake_write = pipe_as_long_as(self)
        self._armed_ns: int | None = None
        self._accepting = self._closing = False
        self._unsettled = 0
        self._stopping = False
        self._input_ended = False
        self.input_fault: str | None = None
        self.turns = 0
        """How often the main thread has come round: it stands still when the engine hangs."""
        self.failures: dict[str, Failures] = {ANYWHERE: Failures()}
        self.latency = Latency()
        self.tapped: deque[tuple[Any, ...]] | None = None
        self.tap_lost = 0
        # Two deques and no pairs: objects that hold others would call the collector.
        self._heard_ns: deque[int] = deque(maxlen=MOST_HEARD)
        self._heard: deque[bytes] = deque(maxlen=MOST_HEARD)
        self._observes = False
        self.engine = Engine(rig, self._send, observe_passes=False, on_change=self._change)

    # ---- on the input's thread ---------------------------------------------------------------

    def deliver(self, data: bytes) -> None:
        """Take one message now. Whatever fails in here is kept for the steward to tell."""
        came_ns = self._clock_ns()
        try:
            with self.lock:
                if not self._accepting:
                    return
                engine = self.engine
                schedule = engine.schedule
                t_ns = came_ns - self._begun_ns
                if t_ns < schedule.now_ns:  # it has waited for the lock meanwhile
                    t_ns = schedule.now_ns
                if self.tapped is not None:
                    self._tap(("in", t_ns, data))
                engine.receive(data, t_ns)
                if schedule.timed or schedule.counted:
                    self._wake_if_earlier()
                self.latency.note(self._clock_ns() - came_ns)
                self._heard_ns.append(t_ns)
                self._heard.append(data)
                self._unsettled += 1
                if self._unsettled == SETTLE_EVERY:
                    self._unsettled = 0
                    self._after_sending()
        except Exception as error:
            self.fail(ANYWHERE, error)

    def _wake_if_earlier(self) -> None:
        due_ns = self.engine.next_due_ns
        if due_ns is not None and (self._armed_ns is None or due_ns < self._armed_ns):
            self._armed_ns = due_ns
            self.wake()

    def _send(self, output: str, data: bytes, t_ns: int) -> None:
        try:
            if self.tapped is not None:
                self._tap(("out", t_ns, output, data))
            if self._closing:
                time.sleep(max(t_ns - self.now_ns(), 0) / NS_PER_S)
            way = self._ways[output]
            way.fresh.append(data)
            way.pass_on(data, t_ns)
        except Exception as error:  # a port's own failure must not reach the plugins
            self.fail(output, error)

    def fail(self, where: str, error: Exception) -> None:
        """Count a failure, for the steward to tell."""
        failures = self.failures.setdefault(where, Failures())
        failures.count += 1
        failures.last = said(error)

    def _change(self, rig: Rig) -> None:
        self._ways = self._ways_of(rig)
        self._on_change(rig)

    def ended(self, fault: str | None) -> None:
        """The input will bring nothing more."""
        self.input_fault = fault
        self._input_ended = True
        self.wake()

    def take_heard(self) -> tuple[deque[int], deque[bytes]]:
        """When the messages of the input since the last time came, and what they were."""
        fresh: tuple[deque[int], deque[bytes]] = (
            deque(maxlen=MOST_HEARD),
            deque(maxlen=MOST_HEARD),
        )
        with self.lock:
            heard = self._heard_ns, self._heard
            self._heard_ns, self._heard = fresh
        return heard

    # ---- the tap -----------------------------------------------------------------------------

    def tap(self, on: bool, did: bool = True) -> None:
        """Begin or end to keep every event, for `take_tapped`; `did`: with what each entry did.

        What comes in and goes out costs the MIDI path little; what each entry did, about as much
        again as the message itself.
        """
        with self.lock:
            if on != (self.tapped is not None):
                self.tapped = deque() if on else None
            if (on and did) != self._observes:
                self._observes = on and did
                self.engine.observe(self._saw if self._observes else None)

    def take_tapped(self) -> list[tuple[Any, ...]]:
        """The events since the last time."""
        with self.lock:
            events = list(self.tapped or ())
            if self.tapped:
                self.tapped.clear()
            if self.tap_lost:
                events.append(("lost", self.tap_lost))
                self.tap_lost = 0
        return events

    def lose_tapped(self, count: int) -> None:
        """Events that were taken have not reached anybody."""
        with self.lock:
            self.tap_lost += count

    def _tap(self, event: tuple[Any, ...]) -> None:
        assert self.tapped is not None
        if len(self.tapped) < TAP_ROOM:
            self.tapped.append(event)
        else:
            self.tap_lost += 1

    def _saw(
        self, output: str | None, entry: Entry, data: bytes | None, t_ns: int, out: object
    ) -> None:
        if out is not data and self.tapped is not None:
            self._tap(("did", t_ns, output, entry.where, entry.label, data, out))

    # ---- on the main thread ------------------------------------------------------------------

    def now_ns(self) -> int:
        """The time since the run began."""
        return self._clock_ns() - self._begun_ns

    def wake(self) -> None:
        """Wake the main thread; safe from any thread and from a signal handler."""
        with suppress(BlockingIOError):  # it is being woken already
            os.write(self._wake_write, b"\0")

    def stop(self, *_signal: int | FrameType | None) -> None:
        """Ask `run` to end."""
        self._stopping = True
        self.wake()

    def start(self) -> None:
        """Begin: the ports are open, every output gets its opening, and messages may come."""
        self._ways = self._ways_of(self.engine.rig)
        self._begun_ns = self._clock_ns()
        with self.lock:
            self.engine.start(self.now_ns())
            self._accepting = True

    def run(self) -> None:
        """Send what is due, until `stop`, or until the input has ended and nothing is due."""
        while not self._stopping:
            with self.lock:
                self.engine.advance(self.now_ns())
                self._after_sending()
                if self._input_ended and self.engine.idle:
                    break
                due_ns = self.engine.next_due_ns
                self._armed_ns = due_ns
            self.turns += 1
            now_ns = self.now_ns()
            until_ns = now_ns + LOOK_NS if due_ns is None else min(due_ns, now_ns + LOOK_NS)
            self._wait(self._wake_read, max(until_ns - now_ns, 0) / NS_PER_S)

    def release(self) -> None:
        """Take nothing more, and let go of everything, as the rig's `safety` asks.

        What a paced wire has no room for yet leaves when it has, as it would have done.
        """
        with self.lock:
            self._accepting = False
            self._closing = True
            self.engine.close(self.now_ns())


def pipe_as_long_as(owner: object) -> tuple[int, int]:
    """A pipe that is open for as long as `owner` lives.

    A signal, or a thread that was about to wake us, may still write to it when the run is over;
    by then the number of a closed pipe could be another file's.
    """
    pipe = os.pipe()
    for end in pipe:
        os.set_blocking(end, False)
        weakref.finalize(owner, os.close, end)
    return pipe


def _sleep(wake_fd: int, seconds: float) -> None:
    ready, _, _ = select.select([wake_fd], [], [], seconds)
    if ready:
        os.read(wake_fd, 4096)
