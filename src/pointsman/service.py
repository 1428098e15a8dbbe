"""run: a rig on real ports, until it is told to end.

Two threads reach the engine: whichever thread an input calls from, and the main thread, which
sends what is due. One lock covers both. A message goes from the input's callback through the
engine to the outputs on that one thread: handing it to another would cost more than the work.

The main thread sleeps in `select` on a pipe, until the next thing is due or a byte in the pipe
wakes it: from a signal, from an input that ended, or because something has become due earlier
than it meant to sleep.
"""

from __future__ import annotations

import os
import select
import signal
import threading
import time
import weakref
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from types import FrameType
from typing import Any

import structlog

from pointsman.engine import Engine
from pointsman.errors import PortError, PortLookupError
from pointsman.ports.backend import InputPort, OutputPort, PortBackend
from pointsman.ports.resolve import find_backend
from pointsman.registry import Registry
from pointsman.rig import Rig
from pointsman.units import NS_PER_S

LOOK_NS = NS_PER_S
"""How often the main thread looks at what the counters say, in nanoseconds."""

_ENGINE = ""
"""Where a failure is counted that is no output's; no output has this name."""


class Ports:
    """The open ports of one rig. Outputs that name the same port share it."""

    def __init__(self, rig: Rig, registry: Registry) -> None:
        self._rig = rig
        self._found: dict[str | None, tuple[PortBackend, str]] = {}
        self.input: InputPort
        self.outputs: dict[str, OutputPort] = {}
        self._find(registry)

    def _find(self, registry: Registry) -> None:
        """Find every port before any is opened, so that all that are missing are told at once."""
        base = self._rig.path.parent
        missing: list[str] = []
        wanted: list[tuple[str | None, str]] = [(None, self._rig.input_port)]
        wanted += [(spec.name, spec.port) for spec in self._rig.outputs]
        for name, port in wanted:
            backend, address = find_backend(port, registry.ports)
            try:
                found = backend.find(address, base, is_input=name is None)
                if not backend.both_ways and self._found.get(None) == (backend, found):
                    raise PortLookupError("the input plays this very file; record in another")
                self._found[name] = (backend, found)
            except PortLookupError as error:
                missing.append(f"{f'output {name}' if name else 'input'}: {error}")
        if missing:
            raise PortLookupError("\n".join(dict.fromkeys(missing)))

    def open(self) -> None:
        """Open the outputs, then the input; on failure close what is open.

        Raises PortError or OSError, and for a kind of port that fails otherwise PortError.
        """
        shared: dict[tuple[str, str], OutputPort] = {}
        try:
            for name, (backend, found) in self._found.items():
                if name is not None:
                    key = (backend.scheme, found)
                    if key not in shared:
                        shared[key] = backend.open_output(found)
                    self.outputs[name] = shared[key]
            backend, found = self._found[None]
            self.input = backend.open_input(found)
        except Exception as error:
            self.close_outputs()
            if isinstance(error, (PortError, OSError)):
                raise
            raise PortError(f"port '{found}' does not open: {_said(error)}") from error

    def close_outputs(self) -> list[Exception]:
        """Close every output, whatever becomes of the others; returns what went wrong."""
        failed = []
        for port in dict.fromkeys(self.outputs.values()):
            try:
                port.close()
            except Exception as error:
                failed.append(error)
        return failed


@dataclass
class _Failures:
    """What went wrong in one place: how often, how much of it was told, and the last of it."""

    count: int = 0
    told: int = 0
    last: str = ""


class Service:
    """One rig, running. `now_ns` and `wait` are the clock and the sleep, for tests to replace."""

    def __init__(
        self,
        rig: Rig,
        ports: Ports,
        log: Any = None,
        *,
        now_ns: Callable[[], int] | None = None,
        wait: Callable[[int, float], object] | None = None,
    ) -> None:
        self._clock_ns = now_ns or time.monotonic_ns
        self._begun_ns = 0
        self._wait = wait or _sleep
        self._log = log or structlog.get_logger("pointsman")
        self._ports = ports
        self._sends: dict[str, Callable[[bytes, int], None]] = {}
        self._lock = threading.Lock()
        self._wake_read, self._wake_write = _pipe_as_long_as(self)
        self._armed_ns: int | None = None
        self._accepting = False
        self._stopping = False
        self._input_fault: str | None = None
        self._input_ended = False
        self._failures = {name: _Failures() for name in (_ENGINE, *(o.name for o in rig.outputs))}
        self._told_ns = 0
        self._told_faults = 0
        self.engine = Engine(rig, self._send)

    # ---- on the input's thread ---------------------------------------------------------------

    def deliver(self, data: bytes) -> None:
        """Take one message now. Whatever fails in here is kept for the main thread to tell."""
        try:
            with self._lock:
                if not self._accepting:
                    return
                self.engine.receive(data, self._clock_ns() - self._begun_ns)
                schedule = self.engine.schedule
                if schedule.timed or schedule.counted:
                    self._wake_if_earlier()
        except Exception as error:
            self._fail(_ENGINE, error)

    def _wake_if_earlier(self) -> None:
        due_ns = self.engine.next_due_ns
        if due_ns is not None and (self._armed_ns is None or due_ns < self._armed_ns):
            self._armed_ns = due_ns
            self.wake()

    def _send(self, output: str, data: bytes, t_ns: int) -> None:
        try:
            self._sends[output](data, t_ns)
        except Exception as error:  # a port's own failure must not reach the plugins
            self._fail(output, error)

    def _fail(self, where: str, error: Exception) -> None:
        failures = self._failures[where]
        failures.count += 1
        failures.last = _said(error)

    def ended(self, fault: str | None) -> None:
        """The input will bring nothing more."""
        self._input_fault = fault
        self._input_ended = True
        self.wake()

    # ---- on the main thread ------------------------------------------------------------------

    def _now_ns(self) -> int:
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

    def run(self, on_ready: Callable[[], None] = lambda: None) -> str | None:
        """Run on open ports until `stop`, or until the input has ended and nothing is due.

        Then release, and close the ports. `on_ready` is called when nothing that comes in can be
        missed any more. Returns what went wrong with the input or with closing (of a file, say,
        on a full disk), or None.
        """
        self._sends = {name: port.send for name, port in self._ports.outputs.items()}
        self._begun_ns = self._clock_ns()
        try:
            with self._lock:
                self.engine.start(self._now_ns())
                self._accepting = True
            self._ports.input.start(self.deliver, self.ended)
            on_ready()
            while not self._stopping:
                with self._lock:
                    self.engine.advance(self._now_ns())
                    if self._input_ended and self.engine.idle:
                        break
                    due_ns = self.engine.next_due_ns
                    self._armed_ns = due_ns
                self._tell()
                now_ns = self._now_ns()
                until_ns = now_ns + LOOK_NS if due_ns is None else min(due_ns, now_ns + LOOK_NS)
                self._wait(self._wake_read, max(until_ns - now_ns, 0) / NS_PER_S)
        finally:
            failed = self._close()
        return self._input_fault or (_said(failed[0]) if failed else None)

    def _close(self) -> list[Exception]:
        """Refuse new input, release, then close the input, then the outputs."""
        failed: list[Exception] = []
        for close in (self._release, self._ports.input.close):
            try:
                close()
            except Exception as error:
                failed.append(error)
        failed += self._ports.close_outputs()
        self._tell(last=True)
        for failure in failed:
            self._log.error("closing failed", why=_said(failure))
        return failed

    def _release(self) -> None:
        with self._lock:
            self._accepting = False
            self.engine.close(self._now_ns())

    def _tell(self, *, last: bool = False) -> None:
        """Log what the other thread could only count: at most a line a look for each matter."""
        for fault in self.engine.faults[self._told_faults :]:
            self._log.error("plugin bypassed", why=str(fault))
            self._told_faults += 1
        if not last and self._now_ns() - self._told_ns < LOOK_NS:
            return
        self._told_ns = self._now_ns()
        for where, failures in self._failures.items():
            new = failures.count - failures.told
            if new:
                failures.told += new
                self._log.error(
                    "messages lost", output=where or "any", count=new, why=failures.last
                )


def _said(error: Exception) -> str:
    return str(error) if isinstance(error, PortError) else f"{type(error).__name__}: {error}"


def _pipe_as_long_as(owner: object) -> tuple[int, int]:
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


def run(
    rig: Rig,
    registry: Registry,
    log: Any = None,
    *,
    before_start: Callable[[], None] | None = None,
) -> str | None:
    """Open the rig's ports and run it until SIGINT or SIGTERM, or until a file input has ended.

    `before_start` is called when the ports are open and nothing has been sent yet.
    Returns what went wrong with the input while it ran, or None. Raises PortLookupError when a
    port is missing or ambiguous, and PortError when one does not open.
    """
    log = log or structlog.get_logger("pointsman")
    ports = Ports(rig, registry)
    service = Service(rig, ports, log)  # a plugin that will not start stops us before a port opens
    ports.open()
    with _signals_taken((signal.SIGINT, signal.SIGTERM), service.stop):
        if before_start is not None:
            before_start()
        outputs = [output.name for output in rig.outputs]
        fault = service.run(
            lambda: log.info("ready", rig=rig.name, input=rig.input_port, outputs=outputs)
        )
    engine = service.engine
    sent = {name: output.sent for name, output in engine.outputs.items()}
    log.info("ended", received=engine.received, malformed=engine.malformed, sent=sent)
    return fault


@contextmanager
def _signals_taken(
    numbers: Iterable[signal.Signals], handler: Callable[..., None]
) -> Iterator[None]:
    before = [(number, signal.signal(number, handler)) for number in numbers]
    try:
        yield
    finally:
        for number, was in before:
            signal.signal(number, was)
