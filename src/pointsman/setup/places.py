"""The ports that a player can choose from, and what a rig has to write for each.

A port is written as it will be found again after a replug. Pointsman's own ports are not among
those that the system lists here. What is typed by hand may be a name, a part of one, or any other
kind of port; a name that is not here now is taken too, once the player says so.
"""

from __future__ import annotations

from dataclasses import dataclass

from pointsman.ports.listing import Listing, list_ports
from pointsman.ports.names import match_port, to_write
from pointsman.ports.resolve import SYSTEM, find_backend
from pointsman.ports.usb import card_of, unit_of
from pointsman.registry import load_plugins
from pointsman.setup.plan import Wire

THROUGH = "Midi Through"
"""The kernel's own loop (snd-seq-dummy): seldom what is wanted, so it is offered last."""


@dataclass(frozen=True)
class Place:
    """One port: what a rig writes, whether that lasts, and what carries its bytes.

    `wire` is the wire that is likely, `asks_wire` whether only the
    player can tell, as of every system port. `absent`: a
    name of a system port that is not here now.
    """

    port: str
    lasting: bool = True
    wire: Wire = "din"
    asks_wire: bool = True
    absent: bool = False


class Places:
    """The ports of one look at the system. `added` are the kinds of port that plugins bring."""

    def __init__(self, found: Listing | None = None) -> None:
        self._found = list_ports() if found is None else found
        self._kinds = load_plugins().ports

    @property
    def missing(self) -> str | None:
        """Why there are no system ports at all; None where there could be some."""
        return self._found.missing

    def choices(self, *, is_input: bool) -> list[Place]:
        """What is here: system ports in the order of the system, then serial ones."""
        names = self._names(is_input)
        ordered = sorted(names, key=lambda name: name.startswith(THROUGH))
        serial = [Place(f"serial:{path}", asks_wire=False) for path in self._found.serial]
        return [*(self._place(name, names) for name in ordered), *serial]

    def settle(self, text: str, *, is_input: bool) -> Place:
        """The port that a typed text means. ValueError says what is wrong, or which several fit."""
        text = text.strip()
        backend, address = find_backend(text, self._kinds)
        problem = backend.problem(address, is_input=is_input)
        if problem:
            raise ValueError(problem)
        if backend is not SYSTEM:
            return Place(text, asks_wire=False)
        names = self._names(is_input)
        found = match_port(address, names, unit_of)
        if len(found) > 1:
            some = ", ".join(f"'{self._place(name, names).port}'" for name in found)
            raise ValueError(f"'{text}' fits {len(found)} ports: {some}; write one of these")
        return self._place(found[0], names) if found else Place(text, absent=True)

    def _names(self, is_input: bool) -> list[str]:
        return self._found.inputs if is_input else self._found.outputs

    def _place(self, name: str, names: list[str]) -> Place:
        text = to_write(name, names, unit_of)
        wire = "free" if card_of(name) is None else "din"
        return Place(text or name, text is not None, wire)
