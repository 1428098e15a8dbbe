"""Writes a file as events come."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Self

from pointsman.io_smf.items import END, TEMPO, TempoMap

DEFAULT_DIVISION = 24_000
"""Ticks a quarter note for input that has no tick grid.

20.8 us a tick at the 120 a minute that hold where no tempo is written: nothing moves by more than
10.4 us, a thirtieth of the time that a byte takes on a DIN wire. It fits the field's 15 bits, and
24 clocks, triplets and the usual coarser grids (96, 480, 960) divide it.
"""

MAX_VLQ = 0x0FFF_FFFF  # four bytes of seven bits (p. 2)
_END_EVENT = b"\x00\xff\x2f\x00"
_TRACK_LENGTH_AT = 18
_BLOCK = 65_536  # bytes that the writer collects before it writes


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
    a whole file at any time, so a program that ends too early, or a disk that is full, leaves what
    had been written.
    """

    def __init__(self, path: Path, division: int = DEFAULT_DIVISION) -> None:
        self._map = TempoMap(division)
        self._tick = 0
        self._block = bytearray()
        self._length = 0  # of the track's events on disk, End of Track aside
        self._file = path.open("wb", buffering=0)
        self._put(0, b"MThd\x00\x00\x00\x06\x00\x00\x00\x01" + division.to_bytes(2, "big"))
        self._put(_TRACK_LENGTH_AT - 4, b"MTrk\x00\x00\x00\x00")
        self._flush()

    def write(self, t_ns: int, data: bytes) -> bool:
        """Write a message at the tick nearest to `t_ns`; False for a kind that no file can hold.

        A file holds channel messages and system exclusive, and no other system messages.
        """
        status = data[0]
        if status >= 0xF0:
            if status > 0xF0:
                return False
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

    @property
    def ticks(self) -> TempoMap:
        """The map from time to ticks, as the tempos so far make it."""
        return self._map

    def save(self) -> None:
        """Write what waits, and see that it outlasts a power cut; OSError as for a full disk."""
        self._flush()
        os.fsync(self._file.fileno())

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
        block, delta = self._block, tick - self._tick
        if 0 <= delta < 0x80:  # most often: a quantity of one byte
            block.append(delta)
            self._tick = tick
        else:
            self._wait(tick)
        block += data
        if len(block) >= _BLOCK:
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
        start = _TRACK_LENGTH_AT + 4 + self._length
        length = self._length + len(self._block)
        try:
            self._put(start, self._block + end)
            self._put(_TRACK_LENGTH_AT, (length + len(end)).to_bytes(4, "big"))
        except OSError:
            # The last End of Track is gone. It stood there, so the full disk has room for it.
            self._put(start, _END_EVENT)
            self._file.truncate(start + len(_END_EVENT))
            raise
        self._length = length
        self._block.clear()

    def _put(self, place: int, data: bytes | bytearray) -> None:
        """Write all of it at a place in the file."""
        self._file.seek(place)
        left = memoryview(data)
        while left:
            left = left[self._file.write(left) :]
