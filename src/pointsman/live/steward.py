"""The steward: everything about a running rig that is not MIDI itself, on one thread of its own.

It looks after the plugs (`plugs`), has the desk's requests answered (`answers`), keeps the state
file, tells the log what the MIDI path could only count, and feeds the watchdog. It may take its
time: nothing on the MIDI path waits for it but for the one lock, which it holds briefly.
"""

from __future__ import annotations

import os
import select
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from typing import Any

from pointsman.errors import said
from pointsman.live.answers import Answers
from pointsman.live.desk_link import DeskLink
from pointsman.live.link import OutputLink
from pointsman.live.links import Links
from pointsman.live.notify import Notifier
from pointsman.live.plugs import Plugs
from pointsman.live.safety_net import SafetyNet
from pointsman.live.service import ANYWHERE, Service, pipe_as_long_as

ROUND_S = 0.25
"""How often the steward makes its round, whoever calls it: a pulled plug is noticed by then."""

TAP_TURN_S = 0.05
"""How often it hands on events, while somebody wants them."""

TELL_S = 1.0

LONGEST_REST_S = 60.0
"""How long a desk that ends again and again is left alone at most before it is started again."""


class Steward:
    """Looks after one service until `stop`. `desk` is None where nobody can ask for anything."""

    def __init__(
        self,
        service: Service,
        links: Links,
        log: Any,
        *,
        desk: DeskLink | None = None,
        net: SafetyNet | None = None,
        notifier: Notifier | None = None,
    ) -> None:
        self._service = service
        self._links = links
        self._log = log
        self._desk = desk
        self._net = net
        self._notifier = notifier or Notifier({})
        self._plugs = Plugs(service, links, log)
        self.answers = Answers(service, links, self._plugs, log, self._notifier, net, self.fail)
        self._wake_read, self._wake_write = pipe_as_long_as(self)
        self._stopping = False
        self._wants_load = self._loading = False
        self._desk_is_there = desk is not None
        self._desk_rest_s = self._desk_due_s = 0.0
        self._failing: dict[str, str] = {}
        self._fed_turn = -1
        self._round_s = 0.0
        self._told_faults = 0
        self._told_panics = 0
        self._told_s = 0.0
        self._thread = threading.Thread(target=self._run, name="steward", daemon=True)

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    def retire(self) -> None:
        """Begin nothing new: the engine is about to close."""
        self._stopping = True
        self.wake()

    def stop(self) -> None:
        """End, and tell what is left to tell; harmless if it has not begun."""
        self.retire()
        if self._thread.ident is not None:
            self._thread.join()
        self._tell(last=True)

    def wake(self) -> None:
        """Have it come round at once; safe from any thread and from a signal handler."""
        with suppress(OSError):
            os.write(self._wake_write, b"\0")

    def ask_reload(self, *_signal: object) -> None:
        """Have the rig file read again (SIGHUP)."""
        self._wants_load = True
        self.wake()

    # ---- coming round --------------------------------------------------------------------------

    def _run(self) -> None:
        at_every_call: tuple[Callable[[], object], ...] = (self._serve, self._prepare)
        round_too = (*at_every_call, self._remember, self._look, self._keep, self._tell, self._feed)
        while not self._stopping:
            if not self._do(self._sleep):
                time.sleep(ROUND_S)
            duties = at_every_call
            if (now_s := time.monotonic()) >= self._round_s:
                self._round_s = now_s + ROUND_S
                duties = round_too
            for duty in duties:
                if self._stopping:
                    return
                self._do(duty)

    def _do(self, duty: Callable[[], object]) -> bool:
        """One duty must not keep the steward from the others; what fails is told once."""
        name, why = duty.__name__[1:], ""
        try:
            duty()
        except Exception as error:
            why = said(error)
            if why != self._failing.get(name) and not self._stopping:
                self._log.error("a duty failed", duty=name, why=why)
        self._failing[name] = why
        return not why

    def _sleep(self) -> None:
        """Wait for the next turn, or for a call; meanwhile tell synths that are back what is due.

        What they are told goes slowly, and nobody who asks for a panic waits for it.
        """
        until_s = self._round_s
        if self._service.tapped is not None:
            until_s = min(until_s, time.monotonic() + TAP_TURN_S)
        awake: list[Any] = [self._wake_read]
        if self._desk is not None and self._desk_is_there:
            awake.append(self._desk)
        called: list[Any] = []
        while not called and (left_s := until_s - time.monotonic()) > 0:
            told_s = self._links.tell(self.fail)
            wait_s = left_s if told_s is None else min(told_s, left_s)
            called, _, _ = select.select(awake, [], [], wait_s)
        with suppress(BlockingIOError):
            os.read(self._wake_read, 4096)
            self._round_s = 0.0  # something has happened here

    def fail(self, link: OutputLink, error: Exception) -> None:
        """A port has not taken what a synth that is back was told."""
        names = [n for n, own in self._links.of(self._service.engine.rig).items() if own is link]
        self._service.fail(names[0] if names else ANYWHERE, error)

    def _look(self) -> None:
        self._plugs.look()

    def _feed(self) -> None:
        """Feed the watchdog, but only if the main thread has come round since."""
        if self._notifier.watchdog_s is not None and self._service.turns != self._fed_turn:
            self._fed_turn = self._service.turns
            self._notifier.feed()

    def _prepare(self) -> None:
        """Make the next change of song ready, and what messages will need after the last one."""
        more = True
        while more and not self._stopping:
            with self._service.lock:
                more = self._service.engine.plan_again()
        if not self._service.engine.songs_prepared:
            self._service.engine.prepare_songs()

    def _remember(self) -> None:
        """Keep the last minute of the input, for whoever asks why a synth is silent."""
        self.answers.keep_heard()

    def _keep(self) -> None:
        """Keep what a kill -9 must not lose."""
        if self._net is not None:
            self._net.keep()

    # ---- requests ------------------------------------------------------------------------------

    def _serve(self) -> None:
        desk = self._desk
        if desk is None:
            self._refuse_load()
            return
        said_before = desk.take()  # first: a sign of life that waits since a pause counts
        self._desk_is_there = desk.alive() or self._restart(desk)
        if not self._desk_is_there:
            return
        if self._wants_load:
            self._wants_load, self._loading = False, True
            self._notifier.reloading()
            desk.load()
        for kind, *rest in [*said_before, *desk.take()]:
            self._answer(kind, rest)
        if self._service.tapped is not None:
            events = self._service.take_tapped()
            if events and not desk.push(events):
                self._service.lose_tapped(len(events))

    def _refuse_load(self) -> None:
        if self._wants_load:
            self._wants_load = False
            self._log.error(
                "not reloaded; the old rig plays on",
                why="this run has no control socket, and so nobody who reads the rig; restart it",
            )

    def _restart(self, desk: DeskLink) -> bool:
        """Start a desk that has ended: at once the first time, and ever more seldom after that."""
        now_s = time.monotonic()
        if now_s < self._desk_due_s:
            return False
        if now_s - self._desk_due_s > LONGEST_REST_S:
            self._desk_rest_s = 0.0
        self._desk_rest_s = min(2 * self._desk_rest_s + 1.0, LONGEST_REST_S)
        self._desk_due_s = now_s + self._desk_rest_s
        self._service.tap(False)
        self._wants_load = self._wants_load or self._loading  # it died over it
        self._loading = False
        self._log.error("the desk has ended", why="it is started again; MIDI goes on")
        try:
            desk.restart()
        except OSError as error:
            self._log.error("the desk does not start", why=said(error))
            return False
        return True

    def _answer(self, kind: str, rest: list[Any]) -> None:
        if kind == "tap":
            self._service.tap(*rest)
            return
        number, *arguments = rest
        if kind == "rig":
            self._loading = False
        answer = self.answers.answer(kind, arguments)
        if number and self._desk is not None:
            self._desk.answer(number, answer)

    # ---- the log -------------------------------------------------------------------------------

    def _tell(self, *, last: bool = False) -> None:
        """Log what the MIDI path could only count: at most a line a second for each matter."""
        now_s = time.monotonic()
        if not last and now_s - self._told_s < TELL_S:
            return
        self._told_s = now_s
        service, engine = self._service, self._service.engine
        with service.lock:
            self.answers.pace.look(engine, now_s)
        for fault in engine.faults[self._told_faults :]:
            self._log.error("plugin bypassed", why=str(fault))
            self._told_faults += 1
        if engine.panics != self._told_panics:
            self._told_panics = engine.panics
            self._log.warning("panic", what="everything was silenced")
        for where, failures in list(service.failures.items()):
            new = failures.count - failures.told
            if new:
                failures.told += new
                self._log.error(
                    "messages lost", output=where or "any", count=new, why=failures.last
                )
