"""What the input has brought in the last minute, and what it had set before that.

How this works. The MIDI path only appends each message and its time to two deques of its own
(`Service.take_heard`). The steward takes those away each time it comes round, and from then on they
are its alone: nothing here is locked, and nothing here is on the MIDI path. Messages are kept in
pieces of a few hundred, as they are handed over. A piece that is older than a minute is forgotten;
only what still counts of it stays: the state that it left behind (`Before`).
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field

from pointsman.live.memory import Memory
from pointsman.message import (
    AFTER_NOTES,
    CONTINUE,
    FIRST_NOTE_ON,
    NO_MESSAGE,
    key_of,
    song_position_at,
)
from pointsman.transport import Transport
from pointsman.units import NS_PER_S

SPAN_NS = 60 * NS_PER_S
"""How far back messages are kept, in nanoseconds."""

MOST_KEPT = 65_536
"""Messages that are kept at most: a minute of 1,092 a second, of denser input less than that."""

PIECE = 256
"""Messages in one piece."""

_PIECE_SPAN_NS = 5 * NS_PER_S
"""A piece is forgotten as a whole, so it must not last long."""

LONGEST_KEPT = 64
"""Bytes of a SysEx message that is kept; of longer ones only that they came."""

CUT = b"\xf0\x7d\xf7"
"""In their place: the manufacturer number for what is nobody's (MIDI 1.0, 4.2.1, p. 35)."""


class Before:
    """What the input had set before the oldest message that is kept."""

    def __init__(self) -> None:
        self._memory = Memory()
        self._held: dict[tuple[int, int], bytes] = {}
        self._transport = Transport()

    def note(self, data: bytes, t_ns: int) -> None:
        """Hear one message that is about to be forgotten."""
        key = key_of(data)
        if key == NO_MESSAGE:
            return
        self._memory.note(data)
        if key < FIRST_NOTE_ON:
            self._held.pop((data[0] & 0x0F, data[1]), None)
        elif key < AFTER_NOTES:
            self._held[data[0] & 0x0F, data[1]] = data
        else:
            self._transport.follow(key, data, t_ns)

    def messages(self) -> list[bytes]:
        """What brings a rig that has just begun to where it was: song, controls, held notes."""
        found = []
        transport = self._transport
        if transport.playing or transport.next_clock:
            found.append(song_position_at(transport.next_clock))
        if transport.playing:
            found.append(CONTINUE)
        return [*found, *self._memory.restore(), *self._held.values()]


@dataclass
class Piece:
    """Some messages in a row, with their times in nanoseconds since the run began."""

    times: list[int] = field(default_factory=list)
    messages: list[bytes] = field(default_factory=list)

    def takes(self, t_ns: int) -> bool:
        """Whether another message belongs here."""
        return len(self.times) < PIECE and t_ns - self.times[0] < _PIECE_SPAN_NS


class Recent:
    """The last minute of one input."""

    def __init__(self) -> None:
        self.before = Before()
        self._pieces: deque[Piece] = deque()
        self._first = 0
        self._kept = 0

    def add(self, times: Sequence[int], messages: Sequence[bytes]) -> None:
        """Keep messages; times are in nanoseconds and never go down."""
        pieces = self._pieces
        for t_ns, data in zip(times, messages, strict=True):
            if not pieces or not pieces[-1].takes(t_ns):
                pieces.append(Piece())
            pieces[-1].times.append(t_ns)
            pieces[-1].messages.append(data if len(data) <= LONGEST_KEPT else CUT)
        self._kept += len(times)

    def forget(self, now_ns: int) -> None:
        """Forget what is too old or too much, but for what it has set."""
        pieces = self._pieces
        while pieces and (self._kept > MOST_KEPT or pieces[0].times[-1] < now_ns - SPAN_NS):
            self._forget_first()

    def forget_all(self) -> None:
        """The rig is another: what came before is no more than what it has set."""
        while self._pieces:
            self._forget_first()

    def _forget_first(self) -> None:
        old = self._pieces.popleft()
        for t_ns, data in zip(old.times, old.messages, strict=True):
            self.before.note(data, t_ns)
        self._first += 1
        self._kept -= len(old.times)

    def piece(self, number: int | None) -> tuple[int, Piece, int | None]:
        """A piece by number (None, or one that is forgotten: the oldest), and the next's number."""
        place = 0 if number is None else max(number - self._first, 0)
        if place >= len(self._pieces):
            return self._first + place, Piece(), None
        after = place + 1
        is_last = after >= len(self._pieces)
        return self._first + place, self._pieces[place], None if is_last else self._first + after
