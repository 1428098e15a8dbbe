"""Reads the events of one track through a window that moves along the file."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import IO, TYPE_CHECKING

from pointsman.errors import InputFileError
from pointsman.io_smf.items import END, TEMPO
from pointsman.message import LENGTH_BY_STATUS, is_message

if TYPE_CHECKING:
    from pointsman.io_smf.reader import SmfReader

AGAIN = "fetch the file again from where it came"
"""What to do about a file that is cut short."""

_META_LENGTHS = {0x51: 3, 0x58: 4, 0x59: 2}  # tempo, time and key signature: the ones delivered
_WINDOW = 65_536  # bytes of one track in memory at once
_ALL_WINDOWS = 1 << 22  # very many tracks share this much
_MARGIN = 16  # more than an event's time, status, type and length can take
_MESSAGES = re.compile(rb"[\x80-\xf6\xf8-\xff][\x00-\x7f]*\xf7?")


class Track:
    """One track's events, read through a window that moves along the file.

    `buf` is the window and `base` the file's byte where it begins. All positions are indices into
    `buf`; one behind its end is where the next `refill` begins.
    """

    def __init__(
        self, reader: SmfReader, file: IO[bytes], number: int, start: int, end: int
    ) -> None:
        self.reader, self.file, self.number = reader, file, number
        self.buf, self.base, self.end = b"", start, end
        self.window = max(1024, min(_WINDOW, _ALL_WINDOWS // reader.tracks))
        self.sysex = bytearray()  # the packets so far of a message that has not ended

    def events(self) -> Iterator[tuple[int, int, bytes]]:
        """Yield (tick, track number, data) of each event, and END where the track ends.

        One long loop over local names, since it runs for every event of a file.
        """
        number = self.number
        tick = pos = limit = length = 0
        buf = status = b""  # status: the running one, b"" for none
        try:
            while True:
                if pos >= limit:
                    buf, pos, limit = self.refill(pos)
                    if not buf:
                        break  # no End of Track, and no doubt about where it is
                delta = buf[pos]
                pos += 1
                if delta > 0x7F:
                    delta, pos = self.vlq(pos - 1)
                tick += delta
                first = buf[pos]
                if first >= 0xF0:
                    messages, pos = self.special(pos)
                    if END in messages:
                        break
                    status = b""  # meta and system exclusive events cancel it (p. 6)
                    for data in messages:
                        yield tick, number, data
                    continue
                if first > 0x7F:
                    status = buf[pos : pos + 1]
                    length = LENGTH_BY_STATUS[first] - 1
                    pos += 1
                elif not status:
                    raise self.fault(
                        pos, f"data {first:02X} without a status; an event here begins with one"
                    )
                body = buf[pos : pos + length]
                if not body.isascii():
                    raise self.no_data(pos, body)
                if len(body) < length:
                    raise IndexError
                pos += length
                yield tick, number, status + body
        except IndexError:
            raise self.fault(len(buf), f"the track ends inside an event; {AGAIN}") from None
        self.reader.skipped += bool(self.sysex)
        yield tick, number, END

    def fault(self, pos: int, text: str) -> InputFileError:
        """The error for what is wrong at `pos` of the window."""
        return self.reader.fault(self.base + pos, text)

    def no_data(self, pos: int, body: bytes) -> InputFileError:
        """The error for a status byte in `body`, which begins at `pos` and should be all data."""
        offset, byte = next((i, byte) for i, byte in enumerate(body) if byte > 0x7F)
        return self.fault(pos + offset, f"{byte:02X} in a message; its data must be 00 to 7F")

    def refill(self, pos: int) -> tuple[bytes, int, int]:
        """Move the window to `pos`: its bytes, the new `pos`, and where to refill it again."""
        kept = self.buf[pos:]
        self.base += pos
        at = self.base + len(kept)
        self.file.seek(at)
        self.buf = kept + self.file.read(min(self.window, self.end - at))
        if not self.buf and self.base < self.end:
            raise self.fault(0, f"the file became shorter while it was read; {AGAIN}")
        more = self.base + len(self.buf) < self.end
        return self.buf, 0, len(self.buf) - _MARGIN * more

    def vlq(self, pos: int) -> tuple[int, int]:
        """The variable-length quantity at `pos` (p. 2), and where it ends."""
        value = 0
        for at in range(pos, pos + 4):
            byte = self.buf[at]
            value = value << 7 | byte & 0x7F
            if byte < 0x80:
                return value, at + 1
        raise self.fault(pos, "a number longer than four bytes; FF FF FF 7F is the greatest")

    def special(self, pos: int) -> tuple[list[bytes], int]:
        """What is to be delivered of the meta or system exclusive event at `pos`; its end."""
        kind = self.buf[pos]
        if kind not in (0xF0, 0xF7, 0xFF):
            raise self.fault(pos, f"status {kind:02X}; an event begins with 80 to EF, F0, F7 or FF")
        start = pos + 1 + (kind == 0xFF)
        length, start = self.vlq(start)
        end = start + length
        if self.base + end > self.end:
            left = self.end - self.base - start
            raise self.fault(pos, f"an event of {length} bytes is cut short after {left}; {AGAIN}")
        if kind == 0xFF:
            return self.meta(self.buf[pos + 1], start, end), end
        return self.packet(kind, start, self.read(start, end)), end

    def read(self, start: int, end: int) -> bytes:
        """The bytes of the file from `start` to `end`, which may lie behind the window's end."""
        if end <= len(self.buf):
            return self.buf[start:end]
        self.file.seek(self.base + start)
        return self.file.read(end - start)

    def meta(self, kind: int, start: int, end: int) -> list[bytes]:
        """A meta event that matters for time or score; others are not even read."""
        if kind == END[1]:
            return [END]
        if kind not in _META_LENGTHS:
            return []
        if end - start == _META_LENGTHS[kind]:
            data = self.read(start, end)
            if kind == TEMPO[1] and not any(data):
                raise self.fault(start, "a tempo of 0 us a quarter note; 1 is the least")
            return [bytes((0xFF, kind)) + data]
        if kind == TEMPO[1]:
            raise self.fault(start, f"a tempo of {end - start} bytes; it must have 3")
        self.reader.skipped += 1
        return []

    def packet(self, kind: int, start: int, data: bytes) -> list[bytes]:
        """Put a system exclusive message together from its packets, or deliver an escape (p. 6)."""
        if kind == 0xF0:
            self.reader.skipped += bool(self.sysex)
            self.sysex[:] = b"\xf0"
        elif not self.sysex or (data >= b"\x80" and data[0] != 0xF7):
            return self.escaped(data)  # real-time messages may stand between two packets
        body = data.removesuffix(b"\xf7")
        if not body.isascii():
            raise self.no_data(start, body)
        self.sysex += data
        if len(body) == len(data):
            return []
        message = bytes(self.sysex)
        self.sysex.clear()
        return self.escaped(message)

    def escaped(self, data: bytes) -> list[bytes]:
        """The whole messages that `data` consists of; none if there is anything else in it."""
        messages: list[bytes] = _MESSAGES.findall(data)
        if b"".join(messages) == data and all(map(is_message, messages)):
            return messages
        self.reader.skipped += 1
        return []
