"""Standard MIDI Files 1.0 (RP-001), read and written as a stream.

A file may be far larger than memory: each track is read through a small window of its own, the
tracks are merged as they go, and the writer keeps only what it has not yet put on disk. Times
are whole nanoseconds, computed from the last tempo change and never by adding up deltas.

Page numbers in comments are those of RP-001.
"""

from __future__ import annotations

import heapq
import re
from collections.abc import Iterator
from itertools import groupby
from operator import itemgetter
from pathlib import Path
from typing import IO, NamedTuple, Self

from pointsman.errors import InputFileError
from pointsman.message import (
    CLOCK,
    CLOCKS_PER_QUARTER,
    CONTINUE,
    LENGTH_BY_STATUS,
    START,
    STOP,
    is_message,
)

TEMPO = b"\xff\x51"
"""How the item of a tempo change begins; microseconds a quarter note follow, in three bytes."""

END = b"\xff\x2f"
"""The last item of every file, whole."""

DEFAULT_DIVISION = 24_000
"""Ticks a quarter note for input that has no tick grid.

20.8 us a tick at the 120 a minute that hold where no tempo is written: nothing moves by more than
10.4 us, a thirtieth of the time that a byte takes on a DIN wire. It fits the field's 15 bits, and
24 clocks, triplets and the usual coarser grids (96, 480, 960) divide it.
"""

DEFAULT_TEMPO_NS = 500_000_000  # a quarter note where no tempo is written (p. 9)
MAX_VLQ = 0x0FFF_FFFF  # four bytes of seven bits (p. 2)

_META_LENGTHS = {0x51: 3, 0x58: 4, 0x59: 2}  # tempo, time and key signature: the ones delivered
_WINDOW = 65_536  # bytes of one track in memory at once
_ALL_WINDOWS = 1 << 22  # very many tracks share this much
_MARGIN = 16  # more than an event's time, status, type and length can take
_MESSAGES = re.compile(rb"[\x80-\xf6\xf8-\xff][\x00-\x7f]*\xf7?")
_END_EVENT = b"\x00\xff\x2f\x00"
_TRACK_LENGTH_AT = 18
_BLOCK = 65_536  # bytes that the writer collects before it writes
_AGAIN = "fetch the file again from where it came"


class SmfItem(NamedTuple):
    """One event: when it is due, its tick in the file, and its bytes.

    `data` is one whole MIDI message, or a meta event as FF, its type and its payload (no length).
    A lone FF is the message System Reset.
    """

    t_ns: int
    tick: int
    data: bytes


class _TempoMap:
    """Ticks to nanoseconds and back, in integers from the last tempo change.

    A tick lasts `num / den` ns. ValueError for a division that the standard does not have.
    """

    def __init__(self, division: int) -> None:
        self.tick0 = self.ns0 = 0
        self.smpte = division >= 0x8000
        if self.smpte:  # the high byte is minus the frames a second (p. 4)
            frames, per_frame = 256 - (division >> 8), division & 0xFF
            if frames not in (24, 25, 29, 30) or not per_frame:
                raise ValueError(
                    f"SMPTE division {division:04X}; it must have 24, 25, 29 or 30 frames"
                    " a second (E8, E7, E3, E2) and 1 to 255 ticks a frame"
                )
            # 29 stands for drop-frame time code, whose frames run at 30000/1001 a second.
            self.num = 10**9 * (1001 if frames == 29 else 1)
            self.den = per_frame * (30_000 if frames == 29 else frames)
        elif division > 0:
            self.num, self.den = DEFAULT_TEMPO_NS, division
        else:
            raise ValueError(f"division {division}; it must be 1 to 32767 ticks a quarter note")

    def ns(self, tick: int) -> int:
        """The time of a tick, rounded down."""
        return self.ns0 + (tick - self.tick0) * self.num // self.den

    def tick(self, t_ns: int) -> int:
        """The nearest tick; `ns(tick)` gives that very tick back where ticks last 2 ns or more."""
        return self.tick0 + (2 * (t_ns - self.ns0) * self.den + self.num) // (2 * self.num)

    def change(self, tick: int, tempo: bytes) -> None:
        """Take up a tempo item from `tick` on; SMPTE ticks are time itself and have no tempo."""
        if not self.smpte:
            self.ns0, self.tick0, self.num = self.ns(tick), tick, _quarter_ns(tempo)


def _quarter_ns(tempo: bytes) -> int:
    return int.from_bytes(tempo[2:], "big") * 1000


class SmfReader:
    """A file's header, and its events in the order of time.

    `format` is 0 or 1, `tracks` their number, `division` the header's raw field. `skipped` counts
    what `items` had to leave out: escapes that are no whole messages, system exclusive messages
    without an end, signatures of a wrong length. Raises InputFileError, which names the byte
    (from 0), for whatever is wrong in the file, and OSError where it cannot be read.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.skipped = 0
        with path.open("rb") as file:
            size = file.seek(0, 2)
            file.seek(0)
            head = file.read(14)
            self._check_header(head)
            self.format, self.tracks, self.division = (
                int.from_bytes(head[at : at + 2], "big") for at in (8, 10, 12)
            )
            self._check_fields()
            self._spans = self._find_tracks(file, 8 + int.from_bytes(head[4:8], "big"), size)

    def fault(self, at: int, text: str) -> InputFileError:
        """The error for what is wrong at byte `at` of the file."""
        return InputFileError(f"{self.path}: byte {at}: {text}")

    def _check_header(self, head: bytes) -> None:
        if not head:
            raise self.fault(0, "the file is empty; a Standard MIDI File begins with MThd")
        if not head.startswith(b"MThd"):
            raise self.fault(0, "this is no Standard MIDI File; one begins with MThd")
        if len(head) < 14:
            raise self.fault(len(head), f"the file ends inside its header; {_AGAIN}")
        if (length := int.from_bytes(head[4:8], "big")) < 6:
            raise self.fault(4, f"a header of {length} bytes; it must have 6 or more")

    def _check_fields(self) -> None:
        if self.format == 2:
            raise self.fault(8, "format 2 is a set of patterns, not one piece; save it as 0 or 1")
        if self.format > 2:
            raise self.fault(8, f"format {self.format}; it must be 0 or 1")
        if not self.tracks:
            raise self.fault(10, "no tracks; there must be 1 or more")
        try:
            _TempoMap(self.division)
        except ValueError as error:
            raise self.fault(12, str(error)) from None

    def _find_tracks(self, file: IO[bytes], at: int, size: int) -> list[tuple[int, int]]:
        """Where the events of each track begin and end; other chunks are skipped (p. 3)."""
        spans: list[tuple[int, int]] = []
        while len(spans) < self.tracks:
            file.seek(at)
            head = file.read(8)
            if len(head) < 8:
                found = f"{len(spans)} of {self.tracks} tracks"
                raise self.fault(size, f"the file ends after {found}; {_AGAIN}")
            start, length = at + 8, int.from_bytes(head[4:], "big")
            at = start + length
            if at > size:
                cut = f"a chunk of {length} bytes is cut short after {size - start}"
                raise self.fault(start - 4, f"{cut}; {_AGAIN}")
            if head.startswith(b"MTrk"):
                spans.append((start, at))
        return spans

    def items(self) -> Iterator[SmfItem]:
        """Yield every track's events: by tick, then by track number, then as the file has them.

        Channel messages, whole system exclusive messages, tempo, time and key signatures, and
        END once, at last, where the longest track ends.
        """
        self.skipped = 0
        tempo_map = _TempoMap(self.division)
        t_ns = last_tick = 0
        with self.path.open("rb", buffering=0) as file:
            tracks = [
                _Track(self, file, number, *span).events()
                for number, span in enumerate(self._spans)
            ]
            # Two tuples differ in the track's number at the latest: data is never compared.
            for tick, _, data in tracks[0] if len(tracks) == 1 else heapq.merge(*tracks):
                if tick != last_tick:
                    last_tick = tick
                    t_ns = tempo_map.ns(tick)
                if data[0] == 0xFF:
                    if data == END:
                        continue  # of this track; the music may go on
                    if data.startswith(TEMPO):
                        tempo_map.change(tick, data)
                yield SmfItem(t_ns, tick, data)
        yield SmfItem(t_ns, last_tick, END)


class _Track:
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
            raise self.fault(len(buf), f"the track ends inside an event; {_AGAIN}") from None
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
            raise self.fault(0, f"the file became shorter while it was read; {_AGAIN}")
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
            raise self.fault(pos, f"an event of {length} bytes is cut short after {left}; {_AGAIN}")
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


def play(path: Path, clock: bool = True) -> Iterator[SmfItem]:
    """Yield what a player of the file would send, and the file's meta events among it.

    With `clock`: Start at 0, clock at 24 a quarter note along the tempo map from 0 to before the
    end, each ahead of the file's events of the same time, and Stop at the end after them. Such
    messages in the file itself then give way. END comes last. Raises what SmfReader does.
    """
    reader = SmfReader(path)
    return _with_clock(reader) if clock else reader.items()


def _with_clock(reader: SmfReader) -> Iterator[SmfItem]:
    clock = _Clock(reader.division)
    yield SmfItem(0, 0, START)
    # All of one moment at once: whether it gets a clock depends on whether it is the last.
    for t_ns, moment in groupby(reader.items(), itemgetter(0)):
        items = list(moment)
        ending = items[-1].data == END
        while clock.due_ns < t_ns or (clock.due_ns == t_ns and not ending):
            yield clock.tell()
        for item in items:
            data = item.data
            if data[0] >= 0xF8:
                if data in (CLOCK, START, CONTINUE, STOP):
                    continue
                if data == END:
                    yield SmfItem(t_ns, item.tick, STOP)
                elif data.startswith(TEMPO):
                    clock.change(item)
            yield item


class _Clock:
    """When the next clock is due, in integers from the last tempo change.

    It counts in steps, `grid` to a quarter note, so that a clock may fall between two ticks:
    clock k is due at step k * grid / 24. The steps are the file's ticks; with an SMPTE division
    they are so fine that rounding to one at a tempo change is nothing.
    """

    def __init__(self, division: int) -> None:
        self.ticks = _TempoMap(division)
        self.grid = 10**12 if self.ticks.smpte else division
        self.count = self.due_ns = self.step0 = self.ns0 = 0
        self.quarter_ns = DEFAULT_TEMPO_NS

    def tell(self) -> SmfItem:
        """The clock that is due, with its tick or the one before; goes on to the next."""
        due_ns, step = self.due_ns, self.count * self.grid // CLOCKS_PER_QUARTER
        self.count += 1
        self._reckon()
        return SmfItem(due_ns, self.ticks.tick(due_ns) if self.ticks.smpte else step, CLOCK)

    def change(self, item: SmfItem) -> None:
        """Take up a tempo from its item's time on."""
        if self.ticks.smpte:
            self.step0 += (item.t_ns - self.ns0) * self.grid // self.quarter_ns
        else:
            self.step0 = item.tick
        self.ns0, self.quarter_ns = item.t_ns, _quarter_ns(item.data)
        self._reckon()

    def _reckon(self) -> None:
        steps = self.count * self.grid - self.step0 * CLOCKS_PER_QUARTER
        self.due_ns = self.ns0 + steps * self.quarter_ns // (self.grid * CLOCKS_PER_QUARTER)


def vlq(value: int) -> bytes:
    """Encode 0 to 0FFFFFFF as a variable-length quantity: seven bits a byte, high ones first."""
    data = [value & 0x7F]
    while value := value >> 7:
        data.append(value & 0x7F | 0x80)
    return bytes(reversed(data))


class SmfWriter:
    """A file of format 0 that is written as events come, in the order of their times.

    `division` is the raw field of a header; ValueError for one that the standard does not have.
    An event that a reader got from some tick goes to the same tick again, provided that this file
    has the same division and tempo changes and that ticks last 2 ns or more. What is on disk is
    a whole file at any time, so a program that ends too early leaves what it had written.
    """

    def __init__(self, path: Path, division: int = DEFAULT_DIVISION) -> None:
        self._map = _TempoMap(division)
        self._tick = 0
        self._block = bytearray()
        self._length = 0  # of the track's events on disk, End of Track aside
        self._file = path.open("wb")
        self._file.write(b"MThd\x00\x00\x00\x06\x00\x00\x00\x01" + division.to_bytes(2, "big"))
        self._file.write(b"MTrk\x00\x00\x00\x00")
        self._flush()

    def write(self, t_ns: int, data: bytes) -> bool:
        """Write a message at the tick nearest to `t_ns`; False for a kind that no file can hold.

        A file holds channel messages and system exclusive, and no other system messages.
        """
        status = data[0]
        if status > 0xF0:
            return False
        if status == 0xF0:
            data = b"\xf0" + vlq(len(data) - 1) + data[1:]
        self._event(self._map.tick(t_ns), data)
        return True

    def meta(self, tick: int | None, t_ns: int, data: bytes) -> None:
        """Write a meta event (FF, type, payload) at `tick`, or at the one nearest to `t_ns`.

        A tempo counts from there on, so it must come before whatever is later. END is left to
        `close`, so that every meta item of a reader may be handed on.
        """
        if data == END:
            return
        self._event(
            self._map.tick(t_ns) if tick is None else tick,
            data[:2] + vlq(len(data) - 2) + data[2:],
        )
        if data.startswith(TEMPO):
            self._map.change(self._tick, data)

    def close(self, t_ns: int = 0) -> None:
        """End the track at `t_ns`, or at the last event if that is later; once is enough."""
        if self._file.closed:
            return
        with self._file:
            self._wait(self._map.tick(t_ns))
            self._flush(_END_EVENT[1:])

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _event(self, tick: int, data: bytes) -> None:
        self._wait(tick)
        self._block += data
        if len(self._block) >= _BLOCK:
            self._flush()

    def _wait(self, tick: int) -> None:
        """Write the time from the last event to the next, which may be far off."""
        delta = max(0, tick - self._tick)  # a file cannot go back
        self._tick += delta
        while delta > MAX_VLQ:
            self._block += vlq(MAX_VLQ) + b"\xff\x01\x00"  # an empty text event (p. 8)
            delta -= MAX_VLQ
        self._block += vlq(delta)

    def _flush(self, end: bytes = _END_EVENT) -> None:
        """Write what waits over the last End of Track, a new one after it, and the length."""
        file, start = self._file, _TRACK_LENGTH_AT + 4 + self._length
        file.seek(start)
        file.write(self._block + end)
        self._length += len(self._block)
        self._block.clear()
        file.seek(_TRACK_LENGTH_AT)
        file.write((self._length + len(end)).to_bytes(4, "big"))
        file.flush()
