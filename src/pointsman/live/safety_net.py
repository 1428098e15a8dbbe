"""The safety net: what a `kill -9` would leave sounding, kept in a small file for the next start.

The file names every note that has been struck since it was last quiet there, not only those that
sound at this moment: the file is written a few times a second, and notes are faster. A note-off
too many does no harm. It also holds what would put every control home that a plugin keeps away.
"""

from __future__ import annotations

import time
from typing import Any
from weakref import WeakKeyDictionary

from pointsman.live.link import OutputLink
from pointsman.live.links import Links
from pointsman.live.service import Service
from pointsman.live.state_file import Left, LeftPort, StateFile, StateProblem
from pointsman.units import NS_PER_S

QUIET_S = 2.0
"""After so long a silence nothing that was struck before can still sound.

It must be longer than it takes to notice a pulled plug, since note-offs sent meanwhile are lost."""


class SafetyNet:
    """Keeps the state file of one run."""

    def __init__(self, file: StateFile, service: Service, links: Links, log: Any) -> None:
        self._file = file
        self._service = service
        self._links = links
        self._log = log
        self._written: Left | None = None
        self._sounded_s: WeakKeyDictionary[OutputLink, float] = WeakKeyDictionary()
        self._struck: WeakKeyDictionary[OutputLink, int] = WeakKeyDictionary()
        self._taken_up: WeakKeyDictionary[OutputLink, list[LeftPort]] = WeakKeyDictionary()
        """What an earlier run has left behind ports that are not there yet."""
        self._told = ""
        self.trouble: list[str] = []
        """What is wrong with the file at present, for people."""

    def take_up(self) -> None:
        """At the start: hand each port what ends what an earlier run has left there."""
        left = self._file.read()
        self._tell()
        if left is None:
            return
        for link in self._links.outputs.values():
            if link.backend.lasting:
                names = [name for name in (link.text, link.found) if name]
                link.left = left.messages(*names)
                if link.left and not link.is_open:
                    self._taken_up[link] = [
                        port for text, port in left.ports.items() if {text, port.found} & {*names}
                    ]
        count = sum(len(link.left) for link in self._links.outputs.values())
        if count:
            self._log.warning("the last run was killed", rig=left.rig, messages_to_end_it=count)

    def keep(self) -> None:
        """Write the file if it must change."""
        left = Left(self._links.rig.name, self._ports())
        if left != self._written and (left.ports or self._written) and self._file.write(left):
            self._written = left
        self._tell()

    def clear(self) -> None:
        """A clean end: nothing is left, but behind ports that are away and heard of no release."""
        away = {link.text for link in self._links.away()}
        known = self._written.ports if self._written else {}
        left = {text: port for text, port in known.items() if text in away}
        if left:
            self._file.write(Left(self._links.rig.name, left))
        else:
            self._file.clear()
        self._tell()

    def _ports(self) -> dict[str, LeftPort]:
        service, engine = self._service, self._service.engine
        now_s = time.monotonic()
        ports = {}
        with service.lock:
            homes = engine.homes()
            for link in self._links.outputs.values():
                if not link.backend.lasting:
                    continue
                names = [name for name, own in self._links.of(engine.rig).items() if own is link]
                self._forget_if_quiet(link, names, now_s)
                found = self._taken_up.get(link, []) if link.left else []
                if link.was_open:
                    home = [data for name in names for data in homes.get(name, ())]
                    found = [*found, LeftPort(link.found or "", link.memory.struck(), home)]
                port = _merged(found)
                if port.notes or port.homes:
                    ports[link.text] = port
        return ports

    def _forget_if_quiet(self, link: OutputLink, names: list[str], now_s: float) -> None:
        outputs = self._service.engine.outputs
        struck = sum(outputs[name].notes for name in names)  # notes may be shorter than a turn
        sounds = any(outputs[name].ledger.sounding for name in names)
        sounds = sounds or struck != self._struck.get(link)
        self._struck[link] = struck
        delay_s = max((outputs[name].spec.delay_ns for name in names), default=0) / NS_PER_S
        if not link.is_open or link.waits or sounds:
            self._sounded_s[link] = now_s
        elif now_s - self._sounded_s.setdefault(link, now_s) > QUIET_S + delay_s:
            link.memory.all_quiet()

    def _tell(self) -> None:
        """Tell of trouble with the file, once for each kind."""
        problem: StateProblem | None = self._file.problem
        text = str(problem) if problem else ""
        self.trouble = [f"state file {text}"] if text else []
        if text and text != self._told:
            self._log.warning("state file", why=text)
        self._told = text


def _merged(ports: list[LeftPort]) -> LeftPort:
    """All that several runs have left behind one port."""
    notes: dict[int, list[int]] = {}
    for port in ports:
        for channel, some in port.notes.items():
            notes[channel] = sorted({*notes.get(channel, ()), *some})
    homes = dict.fromkeys(home for port in ports for home in port.homes)
    return LeftPort(ports[-1].found if ports else "", notes, list(homes))
