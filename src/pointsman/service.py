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
from collections.abc import Callable, Iterable
from contextlib import suppress
from types import FrameType
from typing import Any

import structlog

from pointsman.engine import Engine
from pointsman.errors import PortLookupError
from pointsman.ports.backend import InputPort, OutputPort, PortBackend
from pointsman.ports.resolve import find_backend
from pointsman.registry import Registry
from pointsman.rig import Rig
from pointsman.units import NS_PER_S

LOOK_NS = NS_PER_S
"""How often the main thread looks at what the counters say, in nanoseconds."""


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
                self._found[name] = (backend, found)
            except PortLookupError as error:
                missing.append(f"{f'output {name}' if name else 'input'}: {error}")
        if missing:
            raise PortLookupError("\n".join(dict.fromkeys(missing)))

    def open(self) -> None:
        """Open the outputs, then the input; on failure close what is open. Raises PortError."""
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
        except Exception:
            self.close_outputs()
            raise

    def close_outputs(self) -> None:
        """Close every output."""
        for port in set(self.outputs.values()):
            port.close()


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
        begun_ns = time.monotonic_ns()
        self._now_ns = now_ns or (lambda: time.monotonic_ns() - begun_ns)
        self._wait = wait or _sleep
        self._log = log or structlog.get_logger("pointsman")
        self._ports = ports
        self._sends = {name: port.send for name, port in ports.outputs.items()}
        self._lock = threading.Lock()
        self._wake_read, self._wake_write = os.pipe()
        os.set_blocking(self._wake_read, False)
        os.set_blocking(self._wake_write, False)
        self._armed_ns: int | None = None
        self._accepting = False
        self._stopping = False
        self._input_fault: str | None = None
        self._input_ended = False
        self._failures: dict[str, int] = {}
        self._last_failure = ""
        self._told = self._told_ns = 0
        self._told_faults = 0
        self.engine = Engine(rig, self._send)

    # ---- on the input's thread ---------------------------------------------------------------

    def deliver(self, data: bytes) -> None:
        """Take one message now. Whatever fails in here is kept for the main thread to tell."""
        try:
            with self._lock:
                if not self._accepting:
                    return
                self.engine.receive(data, self._now_ns())
                schedule = self.engine.schedule
                if schedule.timed or schedule.counted:
                    self._wake_if_earlier()
        except Exception as error:
            self._fail("engine", error)

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
        self._failures[where] = self._failures.get(where, 0) + 1
        self._last_failure = f"{where}: {type(error).__name__}: {error}"

    def ended(self, fault: str | None) -> None:
        """The input will bring nothing more."""
        self._input_fault = fault
        self._input_ended = True
        self.wake()

    # ---- on the main thread ------------------------------------------------------------------

    def wake(self) -> None:
        """Wake the main thread; safe from any thread and from a signal handler."""
        with suppress(BlockingIOError):  # it is being woken already
            os.write(self._wake_write, b"\0")

    def stop(self, *_signal: int | FrameType | None) -> None:
        """Ask `run` to end."""
        self._stopping = True
        self.wake()

    def run(self) -> str | None:
        """Run until `stop`, or until the input has ended and nothing is due; then release.

        Returns what went wrong with the input, or None.
        """
        with self._lock:
            self.engine.start(self._now_ns())
            self._accepting = True
        self._ports.input.start(self.deliver, self.ended)
        try:
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
            self._close()
        return self._input_fault

    def _close(self) -> None:
        """Refuse new input, release, then close the input, then the outputs."""
        with self._lock:
            self._accepting = False
            self.engine.close(self._now_ns())
        self._ports.input.close()
        self._ports.close_outputs()
        self._tell(last=True)
        os.close(self._wake_read)
        os.close(self._wake_write)

    def _tell(self, *, last: bool = False) -> None:
        """Log what the other thread could only count: at most a line a look for each matter."""
        for fault in self.engine.faults[self._told_faults :]:
            self._log.error("plugin bypassed", why=str(fault))
            self._told_faults += 1
        failures = sum(self._failures.values())
        if failures != self._told and (last or self._now_ns() - self._told_ns >= LOOK_NS):
            self._told_ns = self._now_ns()
            self._log.error("sending failed", count=failures - self._told, last=self._last_failure)
            self._told = failures


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
    ports.open()
    service = Service(rig, ports, log)
    before = _take_signals((signal.SIGINT, signal.SIGTERM), service.stop)
    if before_start is not None:
        before_start()
    log.info("ready", rig=rig.name, input=rig.input_port, outputs=[o.name for o in rig.outputs])
    try:
        return service.run()
    finally:
        for number, handler in before:
            signal.signal(number, handler)
        engine = service.engine
        log.info(
            "ended",
            received=engine.received,
            malformed=engine.malformed,
            sent={name: output.sent for name, output in engine.outputs.items()},
        )


def _take_signals(
    numbers: Iterable[signal.Signals], handler: Callable[..., None]
) -> list[tuple[signal.Signals, Any]]:
    return [(number, signal.signal(number, handler)) for number in numbers]
