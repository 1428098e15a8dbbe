"""MIDI 1.0 as a stream of bytes, as it runs on a wire: into whole messages, and out of them.

Pure: nothing here opens a port or reads a clock. Page numbers are of the MIDI 1.0 Detailed
Specification, document version 4.2.1; how long a message is stands in `message.py`.
"""

from __future__ import annotations

from pointsman.message import LENGTH_BY_STATUS
from pointsman.units import NS_PER_S

LONGEST_SYSEX = 65_536
"""The longest SysEx in bytes that is kept, with its first and last: 21 s of a DIN wire."""

REFRESH_NS = NS_PER_S
"""How long a status byte is left out at most, in nanoseconds: who joins late, or has lost a byte,
is back after that. Senders are to refresh it "every few seconds" (p. A-2)."""

FIRST_STATUS, FIRST_SYSTEM, FIRST_REAL_TIME = 0x80, 0xF0, 0xF8
SYSEX, END_OF_SYSEX = 0xF0, 0xF7


class ByteParser:
    """Puts whole messages together from bytes that come in pieces of any size.

    What it holds to: real time may stand between any two bytes and changes nothing (pp. 29, 30,
    A-2). Running status holds for channel messages and ends with any of F0 to F7 (p. A-2). Any
    status byte but real time is taken up at once, and ends a message that is not whole (p. 5) and
    a SysEx (p. 29); one that was ended so is dropped, since nobody can know what it meant. Data
    without a status, and undefined status bytes, are ignored (pp. 6, A-2).
    """

    def __init__(self, longest_sysex: int = LONGEST_SYSEX) -> None:
        self.noise = 0
        """How many bytes belonged to no whole message: line noise, or a sender at fault."""
        self._longest = longest_sysex
        self._running = 0
        """The status that data bytes without one belong to; 0: none."""
        self._partial = bytearray()
        """The message that is not whole yet, always with its status byte."""
        self._implied = 0
        """How many bytes of it have not come in: 1 where its status byte is running status."""

    def feed(self, piece: bytes) -> list[bytes]:
        """The messages that have become whole with this piece, in that order.

        Each has its status byte and is a legal message. The work grows with the bytes alone.
        """
        whole: list[bytes] = []
        for byte in piece:
            if byte < FIRST_STATUS:
                self._data(byte, whole)
            elif byte < FIRST_REAL_TIME:
                self._status(byte, whole)
            elif LENGTH_BY_STATUS[byte]:
                whole.append(bytes((byte,)))
            else:
                self.noise += 1  # F9 and FD are undefined, and leave running status (p. A-2)
        return whole

    def lose(self) -> None:
        """A byte came in broken: forget the message that it belongs to, and running status.

        Whatever it was, the next status byte is right again; a guess could be a wrong value.
        """
        self.noise += 1
        self._running = 0
        self._drop()

    def _data(self, byte: int, whole: list[bytes]) -> None:
        partial = self._partial
        if not partial:
            if not self._running:
                self.noise += 1
                return
            partial.append(self._running)
            self._implied = 1
        partial.append(byte)
        length = LENGTH_BY_STATUS[partial[0]]
        if len(partial) == length:
            whole.append(bytes(partial))
            self._clear()
        elif not length and len(partial) >= self._longest:  # no room for its F7: it is too long
            self._drop()

    def _status(self, byte: int, whole: list[bytes]) -> None:
        partial = self._partial
        if byte == END_OF_SYSEX and len(partial) > 1 and partial[0] == SYSEX:
            partial.append(byte)
            whole.append(bytes(partial))
            self._clear()
            return
        self._drop()
        self._running = byte if byte < FIRST_SYSTEM else 0
        length = LENGTH_BY_STATUS[byte]
        if length == 1:
            whole.append(bytes((byte,)))
        elif length or byte == SYSEX:
            partial.append(byte)
        else:
            self.noise += 1  # F4 and F5 are undefined; F7 has nothing to end

    def _drop(self) -> None:
        self.noise += len(self._partial) - self._implied
        self._clear()

    def _clear(self) -> None:
        self._partial.clear()
        self._implied = 0


class ByteEncoder:
    """Whole messages as bytes for a wire, without the status bytes that repeat the last one."""

    def __init__(self) -> None:
        self._running = 0
        self._sent_ns = 0

    def encode(self, data: bytes, t_ns: int) -> bytes:
        """The bytes of a whole message that is sent at `t_ns`, after all that came before.

        Real time leaves running status as it is, every other system message ends it (p. A-2).
        """
        status = data[0]
        if status >= FIRST_SYSTEM:
            if status < FIRST_REAL_TIME:
                self._running = 0
            return data
        if status == self._running and t_ns - self._sent_ns < REFRESH_NS:
            return data[1:]
        self._running, self._sent_ns = status, t_ns
        return data
