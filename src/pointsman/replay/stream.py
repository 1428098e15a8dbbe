"""What of a file is played: from its first message on, or from a place in the middle."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from pointsman.live.memory import Memory
from pointsman.message import (
    CLOCK,
    CLOCKS_PER_BEAT,
    CONTINUE,
    CONTINUE_KEY,
    START_KEY,
    STOP_KEY,
    key_of,
    song_position_at,
)
from pointsman.transport import Transport

Sent = tuple[int, bytes]

_BYTE_NS = 320_000
"""What a byte takes on a DIN wire: so slowly a synth is told what it missed (CA-033, p. 2)."""


def from_first(messages: Iterable[Sent]) -> Iterator[Sent]:
    """All of it, the silence before the first message left out."""
    begin_ns: int | None = None
    for t_ns, data in messages:
        if begin_ns is None:
            begin_ns = t_ns
        yield t_ns - begin_ns, data


def from_place(messages: Iterable[Sent], place_ns: int) -> Iterator[Sent]:
    """What comes from a place on, counted from the first message, as if it had been played so far.

    The last programs, controls and bends before it come first. If the song plays there, Song
    Position and Continue say where: they can name sixteenth notes only (MIDI 1.0, 4.2.1,
    p. 27), so the song goes on with the next one.
    """
    memory, song = Memory(), _Song()
    begin_ns: int | None = None
    for t_ns, data in from_first(messages):
        if t_ns < place_ns:
            memory.note(data)
            song.follow(data)
            continue
        if begin_ns is None:
            begin_ns = t_ns
            for first in memory.restore():
                yield t_ns - begin_ns, first
                begin_ns -= len(first) * _BYTE_NS
            song.waits = song.transport.playing
        for each in song.joined(data):
            yield t_ns - begin_ns, each


class _Song:
    """Where the song is, and how a listener is brought into it."""

    def __init__(self) -> None:
        self.transport = Transport()
        self.waits = False
        """The song plays, and the listener has not been told."""

    def follow(self, data: bytes) -> None:
        """Take one message of the file."""
        self.transport.follow(key_of(data), data, 0)

    def joined(self, data: bytes) -> list[bytes]:
        """The message, behind what brings the listener in if this is the moment."""
        clocks = self.transport.next_clock
        if data[0] in (START_KEY, CONTINUE_KEY, STOP_KEY):
            self.waits = False
        joins = self.waits and data == CLOCK and clocks % CLOCKS_PER_BEAT == 0
        self.follow(data)
        if not joins:
            return [data]
        self.waits = False
        return [song_position_at(clocks), CONTINUE, data]
