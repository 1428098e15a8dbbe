"""What plugins that deal with notes have in common: memory of held notes, and moving by tables.

How held notes are told apart. A *strike* is one note-on; the strikes of one key wait in a queue,
and each note-off ends the oldest of them: two note-ons on one key need two note-offs
(MIDI 1.0, 4.2.1, p. A-4), and a sequencer that ties notes sends the next note-on first.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Generic, TypeVar

from pointsman.ledger import note_key
from pointsman.message import Kind

if TYPE_CHECKING:
    from pointsman.plugin import Emission, Step

T = TypeVar("T")

MOST_STRIKES = 64
"""Strikes of one key that are remembered; a sender that never lets go must not fill the memory."""

NOTE_KINDS = frozenset({Kind.NOTE_ON, Kind.NOTE_OFF, Kind.KEY_PRESSURE})
"""The kinds of message that carry a note number in their first data byte."""


class HeldNotes(Generic[T]):
    """What a plugin made of each note that is held, so that the note-off can follow its note-on.

    T is whatever the plugin has to remember, but not None. Every message given here is one of
    `NOTE_KINDS`; it says which channel and which key.
    """

    def __init__(self) -> None:
        self._strikes: dict[int, deque[T]] = {}
        self._left: dict[int, deque[T]] = {}
        self._left_ns: int | None = None

    def begin(self, note_on: bytes, what: T) -> None:
        """Remember `what` for a note that is struck."""
        self._append(note_key(note_on), what)

    def end(self, note_off: bytes) -> T | None:
        """Take out what was remembered for the oldest strike of this key; None if none is held."""
        key = note_key(note_off)
        strikes = self._strikes.get(key)
        if not strikes:
            return None
        what = strikes.popleft()
        if not strikes:
            del self._strikes[key]
        return what

    def newest(self, message: bytes) -> T | None:
        """What is remembered for the newest strike of this key; None if none is held."""
        strikes = self._strikes.get(note_key(message))
        return strikes[-1] if strikes else None

    def forget(self, note_on: bytes, what: T) -> bool:
        """Take out this very strike; False when it is not held any more."""
        key = note_key(note_on)
        strikes = self._strikes.get(key)
        if strikes is None or what not in strikes:
            return False
        strikes.remove(what)
        if not strikes:
            del self._strikes[key]
        return True

    def take(self, channel: int, chosen: Callable[[T], bool] | None = None) -> list[tuple[int, T]]:
        """Take out all that is held on `channel` (0-15), or what is `chosen` of it.

        Gives each note number, and what was remembered for it.
        """
        keys = [key for key in self._strikes if key >> 7 == channel]
        held = [(key, what) for key in keys for what in self._strikes.pop(key)]
        if chosen is None:
            return [(key & 0x7F, what) for key, what in held]
        taken = []
        for key, what in held:
            if chosen(what):
                taken.append((key & 0x7F, what))
            else:
                self._append(key, what)
        return taken

    def take_all(self) -> list[tuple[int, T]]:
        """Take out all that is held on any channel."""
        return [held for channel in range(16) for held in self.take(channel)]

    def let_go(self, t_ns: int) -> list[T]:
        """Forget all, in `flush`. At this very time, and no later, an heir may still have it.

        Gives what was remembered.
        """
        self._left, self._left_ns = self._strikes, t_ns
        self._strikes = {}
        return [what for strikes in self._left.values() for what in strikes]

    def inherit(self, former: HeldNotes[T], t_ns: int) -> list[T]:
        """Hold what `former` let go of at `t_ns`, in the plugin's `inherit`. Gives it all."""
        if former._left_ns == t_ns:
            self._strikes = former._left
        return [what for strikes in self._strikes.values() for what in strikes]

    def _append(self, key: int, what: T) -> None:
        strikes = self._strikes.get(key)
        if strikes is None:
            self._strikes[key] = strikes = deque(maxlen=MOST_STRIKES)
        strikes.append(what)


class NoteMoves:
    """Steps that move each note to another by a table, also for one that replaces another.

    `places` has for each note (0-127) the note that it becomes, None where it is dropped. As long
    as that table alone counts, note-offs and key pressure go the way of their notes by themselves.
    After `inherit` notes may be held that went another way: then each key has a way of its own,
    which its next note-on renews. So notes that are held while a rig changes are let go where they
    began, for the entries further on as well.
    """

    def __init__(self, places: Sequence[int | None]) -> None:
        self._places = list(places)
        self._ways: list[int | None] | None = None

    def step_for(self, kind: Kind) -> Step | None:
        """The step for a kind of message, for `Plugin.step_for`."""
        if kind not in NOTE_KINDS:
            return None
        if self._ways is None:
            return self._move if self._places != list(range(128)) else None
        return self._begin if kind is Kind.NOTE_ON else self._follow

    def inherit(self, former: NoteMoves) -> None:
        """Let what is held go on in the former way."""
        if former._ways is not None or former._places != self._places:
            self._ways = former._ways or former._places * 16

    def _move(self, data: bytes, t_ns: int) -> Emission:
        return _moved(data, self._places[data[1]])

    def _begin(self, data: bytes, t_ns: int) -> Emission:
        assert self._ways is not None
        place = self._ways[note_key(data)] = self._places[data[1]]
        return _moved(data, place)

    def _follow(self, data: bytes, t_ns: int) -> Emission:
        assert self._ways is not None
        return _moved(data, self._ways[note_key(data)])


def _moved(data: bytes, place: int | None) -> Emission:
    if place == data[1]:
        return data
    return None if place is None else bytes((data[0], place, data[2]))
