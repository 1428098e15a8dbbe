"""run: a rig on real ports, until it is told to end. It puts together what the others do."""

from __future__ import annotations

import gc
import signal
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import structlog

from pointsman.errors import PortError, said
from pointsman.live.client import NoService, ask, reads
from pointsman.live.desk_link import DeskLink
from pointsman.live.links import Links
from pointsman.live.notify import Notifier
from pointsman.live.paths import ControlSocket, InUse, SocketError, bind_control
from pointsman.live.realtime import go_real_time
from pointsman.live.safety_net import SafetyNet
from pointsman.live.service import Service
from pointsman.live.state_file import StateFile
from pointsman.live.steward import Steward
from pointsman.registry import Registry
from pointsman.rig import Rig
from pointsman.signals import taken

SWITCH_S = 0.0001
"""How long another thread of ours may keep the interpreter when a message comes, in seconds.

Python's default, 5 ms, would be the jitter of every message that comes while the steward works."""


LAST_WORDS_S = 4.0
"""How long the end may take to tell a synth what it has not been told yet."""


@dataclass(frozen=True)
class Wishes:
    """How a rig is to be run.

    `patient`: start though ports are missing, and open them when they come. `watch`: reload when
    a file of the rig changes. `control`: where it can be reached; None: nowhere, and it can then
    neither reload nor keep a state file; `unreachable` says why.
    """

    patient: bool = False
    watch: bool = False
    control: ControlSocket | None = None
    real_time: bool = False
    unreachable: Sequence[str] = ()


class Run:
    """One run, from the open ports to the last release. `clock`: see `Service`."""

    def __init__(
        self, rig: Rig, registry: Registry, log: Any, wishes: Wishes, **clock: Any
    ) -> None:
        self._rig = rig
        self._log = log
        self._wishes = wishes
        self.service = Service(
            rig,
            lambda rig: self.links.of(rig),
            on_change=lambda rig: self.steward.wake(),
            after_sending=lambda: self.links.remember(),
            **clock,
        )
        self.links = Links(
            rig, registry, self.service.lock, self.service.now_ns, patient=wishes.patient
        )
        self._desk: DeskLink | None = None
        self._net: SafetyNet | None = None
        self._notifier = Notifier()
        self.steward: Steward
        self.refused: list[str] = []
        """What the system has refused of real-time scheduling, to be told."""

    def open(self) -> None:
        """Open the ports, outputs first. PortLookupError or PortError where one cannot be had."""
        links = self.links
        try:
            links.find_all(self._rig, links.outputs.values())
            links.open_all(self._rig, links.outputs.values())
            with suppress(*(PortError, OSError) if self._wishes.patient else ()):
                links.open_input(links.input)
        except BaseException:
            links.close_outputs()
            raise
        control = self._wishes.control
        if control is not None:
            self._desk = self._start_desk(control)
            file = StateFile(control.path.with_suffix(".state"))
            self._net = SafetyNet(file, self.service, links, self._log)
        self.steward = Steward(
            self.service,
            links,
            self._log,
            desk=self._desk,
            net=self._net,
            notifier=self._notifier,
        )

    def _start_desk(self, control: ControlSocket) -> DeskLink | None:
        try:
            return DeskLink(control.listening, self._rig.path, watch=self._wishes.watch)
        except OSError as error:  # out of processes or files: MIDI is what matters
            self._log.warning("no control socket", why=f"its process does not start: {said(error)}")
            return None

    def run(self) -> str | None:
        """Run until it is told to end. Returns what went wrong with the input or the end."""
        links, service = self.links, self.service
        try:
            if self._net is not None:
                self._net.take_up()
            for link in links.outputs.values():
                if link.is_open:
                    link.put_first(link.left)
                    link.left = []
            service.start()  # the openings wait behind that, and what the steward tells them
            if links.input.port is not None:
                links.input.port.start(service.deliver, service.ended)
            self._say_ready()
            self.steward.start()
            service.run()
        finally:
            failed = self._close()
        return service.input_fault or (said(failed[0]) if failed else None)

    def _say_ready(self) -> None:
        links = self.links
        closed = [link for link in (links.input, *links.outputs.values()) if not link.is_open]
        for link in closed:
            self._log.warning("port missing", port=link.text, why=link.trouble)
            link.told = link.trouble
        outputs = [output.name for output in self._rig.outputs]
        self._log.info("ready", rig=self._rig.name, input=self._rig.input_port, outputs=outputs)
        for line in self._wishes.unreachable:
            self._log.warning("no control socket", why=line)
        for line in self.refused:
            self._log.info("not in real time", why=line)
        self._notifier.ready(f"rig {self._rig.name}")

    def _close(self) -> list[Exception]:
        """Take nothing new, release, then close the input, then the outputs, then the rest."""
        self._notifier.stopping()
        failed: list[Exception] = []
        steward, links = self.steward, self.links
        closing: list[Callable[[], object]] = [steward.retire, self.service.release, steward.stop]
        closing += [partial(links.tell_all, steward.fail, LAST_WORDS_S), links.close_input]
        for close in closing:
            try:
                close()
            except Exception as error:
                failed.append(error)
        failed += links.close_outputs()
        for failure in failed:
            self._log.error("closing failed", why=said(failure))
        if self._net is not None and not failed:
            self._net.clear()
        if self._desk is not None:
            self._desk.close()
        return failed


def run(
    rig: Rig,
    registry: Registry,
    log: Any = None,
    wishes: Wishes = Wishes(),
    *,
    before_start: Callable[[], None] | None = None,
) -> str | None:
    """Open the rig's ports and run it until SIGINT or SIGTERM, or until a file input has ended.

    `before_start` is called when the ports are open and nothing has been sent yet.
    Returns what went wrong with the input while it ran, or None. Raises PortLookupError when a
    port is missing or ambiguous, and PortError when one does not open.
    """
    log = log or structlog.get_logger("pointsman")
    running = Run(rig, registry, log, wishes)  # a plugin that will not start stops us here
    running.open()
    if wishes.real_time:
        running.refused = go_real_time()  # threads that start from here on inherit it
    before = sys.getswitchinterval()
    sys.setswitchinterval(SWITCH_S)
    gc.collect()
    gc.freeze()  # what is loaded stays: the collector need not look at it while we play
    service, steward = running.service, running.steward
    try:
        with (
            taken((signal.SIGINT, signal.SIGTERM), service.stop),
            taken((signal.SIGHUP,), steward.ask_reload),
        ):
            if before_start is not None:
                before_start()
            fault = running.run()
    finally:
        gc.unfreeze()
        sys.setswitchinterval(before)
    engine = service.engine
    sent = {name: output.sent for name, output in engine.every_output.items()}
    log.info("ended", received=engine.received, malformed=engine.malformed, sent=sent)
    return fault


@contextmanager
def reachable(asked: Path | None, rig: Rig, refused: list[str]) -> Iterator[ControlSocket | None]:
    """The control socket of a run, or None where it cannot be had: MIDI is what matters.

    Why it cannot is added to `refused`, to be told when the run is ready.

    Raises InUse where another run has it and reads the same input, since every note would be
    doubled, or where this very socket was asked for; other rigs may go on beside it.
    """
    control = None
    try:
        control = bind_control(asked)
    except InUse as error:
        if asked is not None or _reads_the_same(error.path, rig):
            raise
        refused.append(str(error))
    except SocketError as error:
        refused.append(str(error))
    try:
        yield control
    finally:
        if control is not None:
            control.close()


def _reads_the_same(socket: Path, rig: Rig) -> bool:
    """Whether the run behind a socket reads the port that this rig wants; yes, if it won't say."""
    if rig.input_port.startswith("file:"):
        return False
    try:
        other = ask({"do": "status"}, socket)
    except NoService:
        return True
    return reads(other, rig.input_port)
