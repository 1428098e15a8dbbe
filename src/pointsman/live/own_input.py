"""The input of a rig for a command that reads it by itself, beside no service."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from dataclasses import replace

from pointsman.errors import PortError
from pointsman.live.links import Links
from pointsman.ports.backend import Deliver, Ended
from pointsman.registry import Registry
from pointsman.rig import Rig, Songs


class OwnInput:
    """One input port; a plug that is pulled is waited for.

    `deliver` and `ended` are called as by the port itself, from a thread of its own.
    """

    def __init__(self, rig: Rig, registry: Registry, deliver: Deliver, ended: Ended) -> None:
        alone = replace(rig, outputs=(), songs=Songs())
        self._links = Links(alone, registry, threading.Lock(), time.monotonic_ns)
        self._deliver, self._ended = deliver, ended

    def open(self, name: str | None = None) -> None:
        """Open it, and have it bring what comes.

        Raises PortLookupError, PortError or OSError where it cannot be had.
        """
        link = self._links.input
        self._links.open_input(link, name)
        assert link.port is not None
        link.port.start(self._deliver, self._ended)

    def look(self, lost: Callable[[], None], back: Callable[[str], None]) -> None:
        """Notice that the plug was pulled, and open it where it is back, under this full name."""
        if self._links.lost():
            self._links.give_up_input()
            lost()
        link = self._links.input
        if link.is_open:
            return
        try:
            name = self._links.find_again(link)
            if name is not None:
                self.open(name)
                back(name)
        except (PortError, OSError):
            self._links.give_up_input()  # and again at the next look

    def close(self) -> None:
        """Close it."""
        self._links.give_up_input()
