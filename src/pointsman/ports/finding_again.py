"""Which of the ports that are there is the one that was unplugged.

Names come back, numbers do not. Where several units of one make are in play, what speaks for one
is its serial number, and then the socket that it was plugged into. Another connection that is away
may have a better claim, or as good a one: then nobody takes the port, and the player is told.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from typing import NamedTuple

from pointsman.ports.names import UnitOf, without_numbers
from pointsman.ports.usb import Unit


class Mark(NamedTuple):
    """What is remembered of an open port: its full name, and the device behind it.

    `beside` are the other ports of the same name that were there already.
    """

    name: str
    unit: Unit | None = None
    beside: frozenset[str] = frozenset()

    @property
    def stable_name(self) -> str:
        """Its name as it will still be after a replug."""
        return without_numbers(self.name)

    def claim(self, unit: Unit | None) -> tuple[bool, bool]:
        """How much speaks for this unit being the one that was unplugged."""
        return (False, False) if self.unit is None else self.unit.likeness(unit)


class Doubt(Exception):
    """Something is back, and it may be another one's; `names` are the ports in question."""

    def __init__(self, names: Sequence[str]) -> None:
        self.names = tuple(names)
        super().__init__(", ".join(names))


def choose(
    mark: Mark, names: Sequence[str], lost: Collection[object], unit_of: UnitOf
) -> str | None:
    """The one of `names` that was `mark`'s; None when there is none, Doubt when it is not clear.

    `names` are of ports that nobody holds open, `lost` the marks of others that are away.
    """
    name = mark.stable_name
    units = {port: unit_of(port) for port in names if without_numbers(port) == name}
    if not units:
        return None
    rivals = [m for m in lost if isinstance(m, Mark) and m.stable_name == name and m != mark]
    best = {rival: max(rival.claim(unit) for unit in units.values()) for rival in rivals}

    def beaten(unit: Unit | None) -> bool:
        return any(rival.claim(unit) > mark.claim(unit) for rival in rivals)

    def contested(unit: Unit | None) -> bool:
        return any(rival.claim(unit) == best[rival] >= mark.claim(unit) for rival in rivals)

    left = [port for port, unit in units.items() if not beaten(unit)]
    if not left:
        return None
    most = max(mark.claim(units[port]) for port in left)
    left = [port for port in left if mark.claim(units[port]) == most]
    was_there = left[0] in mark.beside and not any(most)
    if len(left) > 1 or was_there or contested(units[left[0]]):
        raise Doubt(left)
    return left[0]
