"""Rigs made ready: their chains are built before they are used, so that a change takes no time.

How this works. Each rig of a set (the rig itself, then its songs) is prepared: an `Entry` with a
plugin for every place. At the change each new entry is matched with one of the chain that has run
until then. Where plugin, options, channels and device are the same, the old entry goes on in the
new place, with all that its plugin has in mind. Where only the plugin is the same, the new one
inherits what it can. What has no successor lets go of what it held.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from itertools import zip_longest

from pointsman.chain import Entry
from pointsman.rig import Rig
from pointsman.transport import Transport


class Prepared:
    """One rig with its chains built; good for one use. The input's chain has the name None."""

    def __init__(self, rig: Rig, transport: Transport) -> None:
        self.rig = rig
        self.entries: dict[str | None, list[Entry]] = {
            spec.name: [Entry(entry, transport, spec.device) for entry in spec.chain]
            for spec in rig.outputs
        }
        self.entries[None] = [Entry(entry, transport, None) for entry in rig.input_chain]
        for entries in self.entries.values():
            for entry in entries:
                _ = entry.likeness  # worked out now, not in the middle of the change


class PreparedSet:
    """A rig and its songs, numbered from 0, which is the rig itself.

    It may be made, and filled up again, on another thread than the engine's. Raises PluginError
    where a plugin will not start.
    """

    def __init__(self, rig: Rig, transport: Transport) -> None:
        self.rig = rig
        self.rigs = rig.rigs
        self._transport = transport
        self._ready: list[Prepared | None] = [None] * len(self.rigs)
        self.fill()

    def fill(self) -> None:
        """Prepare what has been used."""
        for number, prepared in enumerate(self._ready):
            if prepared is None:
                self._ready[number] = Prepared(self.rigs[number], self._transport)

    @property
    def full(self) -> bool:
        """Whether every rig is ready for the next change; one without songs has none to expect."""
        return len(self.rigs) == 1 or all(self._ready)

    def take(self, number: int) -> Prepared:
        """Take one out to be used; it is prepared now if that has not been done yet."""
        prepared, self._ready[number] = self._ready[number], None
        return prepared or Prepared(self.rigs[number], self._transport)


@dataclass
class Succession:
    """What becomes of the entries of one chain: `entries` is the new chain."""

    entries: list[Entry] = field(default_factory=list)
    fresh: list[Entry] = field(default_factory=list)
    heirs: list[tuple[Entry, Entry]] = field(default_factory=list)
    """New entries with those of the same plugin whose place they take."""
    leaving: list[Entry] = field(default_factory=list)
    first_moved: int | None = None
    """The first place at which the new chain is built another way, None if nowhere.

    Entries from there on that have held notes in mind may never hear of their ends."""


def succeed(old: Iterable[Entry], new: Sequence[Entry]) -> Succession:
    """Match the entries of a new chain with those of the chain that has run until now."""
    before = list(old)
    left = list(before)
    kept = _match(new, left, _same)
    others = [entry for entry in new if entry not in kept]
    heirs = _match(others, left, lambda a, b: _akin(a, b) and a.label == b.label)
    heirs |= _match([entry for entry in others if entry not in heirs], left, _akin)
    result = Succession(heirs=list(heirs.items()), leaving=[*heirs.values(), *left])
    for entry in new:
        if entry in kept:
            kept[entry].rename(entry.spec)
            result.entries.append(kept[entry])
        else:
            result.entries.append(entry)
            result.fresh.append(entry)
    forerunners = [heirs.get(entry, entry) for entry in result.entries]
    pairs = enumerate(zip_longest(before, forerunners))
    result.first_moved = next((place for place, (a, b) in pairs if a is not b), None)
    return result


def _match(
    new: Iterable[Entry], left: list[Entry], fits: Callable[[Entry, Entry], bool]
) -> dict[Entry, Entry]:
    """The first that fits for each, in order; it is taken out of `left`."""
    found = {}
    for entry in new:
        former = next((old for old in left if fits(old, entry)), None)
        if former is not None:
            left.remove(former)
            found[entry] = former
    return found


def _akin(old: Entry, new: Entry) -> bool:
    return (
        old.spec.plugin is new.spec.plugin
        and old.channels == new.channels
        and old.bypass == new.bypass
        and old.fault is None
    )


def _same(old: Entry, new: Entry) -> bool:
    return _akin(old, new) and old.likeness == new.likeness
