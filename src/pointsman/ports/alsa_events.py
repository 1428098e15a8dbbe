"""MIDI messages as the events of the kernel's ALSA sequencer, and back.

How this works. An event has 28 bytes: its kind, how it is delivered, where it comes from and where
it goes, and 12 bytes of data. Those of a SysEx say how many bytes follow: as they are where we
write, and filled up to whole events where we read. A long SysEx comes in pieces. Layout and numbers
are those of Linux, include/uapi/sound/asequencer.h; what an event means in MIDI is what alsa-lib
makes of it (src/seq/seq_midi_event.c), with which tests compare.

Few different messages make up a set, so both directions keep what they have made.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Sequence
from typing import NamedTuple

from pointsman.midi_bytes import END_OF_SYSEX, FIRST_REAL_TIME, FIRST_SYSTEM, LONGEST_SYSEX, SYSEX

EVENT_BYTES = 28

MOST_KEPT = 4096
"""Events or messages that are kept ready; then all are made anew when they are needed."""

_DATA = slice(16, EVENT_BYTES)
_SOURCE = slice(12, 14)
_SYSEX_KIND, _USER_KIND = 130, 90
_CONTROL_14_KIND, _NRPN_KIND, _RPN_KIND = 14, 15, 16
_VARIABLE = 1 << 2
"""The flag of an event that more bytes follow (SNDRV_SEQ_EVENT_LENGTH_VARIABLE)."""

_DIRECT, _SUBSCRIBERS, _UNKNOWN = 253, 254, 253
"""Past all queues; to all that are connected; SNDRV_SEQ_ADDRESS_UNKNOWN."""

_CONTROL_DATA = struct.Struct("=B3xIi")
"""Channel, controller, value (struct snd_seq_ev_ctrl)."""

_LENGTH = struct.Struct("=I8x")
_NO_DATA = bytes(12)
_START, _END = bytes((SYSEX,)), bytes((END_OF_SYSEX,))
_BEND_CENTER = 1 << 13


# ---- the table -----------------------------------------------------------------------------------


class _Form(NamedTuple):
    """How the data of an event stand for a message: what makes them of it, and the way back.

    The way back is told the status byte without a channel.
    """

    write: Callable[[bytes], bytes]
    read: Callable[[int, bytes], bytes]


def _on_channel(status: int, channel: int) -> int:
    return status if status >= FIRST_SYSTEM else status | channel & 0x0F


def _write_note(data: bytes) -> bytes:
    return bytes((data[0] & 0x0F, data[1], data[2])) + _NO_DATA[3:]


def _read_note(status: int, data: bytes) -> bytes:
    return bytes((_on_channel(status, data[0]), data[1] & 0x7F, data[2] & 0x7F))


def _write_control(data: bytes) -> bytes:
    return _CONTROL_DATA.pack(data[0] & 0x0F, data[1], data[2])


def _read_control(status: int, data: bytes) -> bytes:
    channel, number, value = _CONTROL_DATA.unpack(data)
    return bytes((_on_channel(status, channel), number & 0x7F, value & 0x7F))


def _write_value(data: bytes) -> bytes:
    return _CONTROL_DATA.pack(data[0] & 0x0F, 0, data[1])


def _read_value(status: int, data: bytes) -> bytes:
    channel, _, value = _CONTROL_DATA.unpack(data)
    return bytes((_on_channel(status, channel), value & 0x7F))


def _pair(least: int) -> _Form:
    """The form of messages with a value of 14 bits, whose lowest is `least` in the event."""

    def write(data: bytes) -> bytes:
        return _CONTROL_DATA.pack(data[0] & 0x0F, 0, (data[2] << 7 | data[1]) + least)

    def read(status: int, data: bytes) -> bytes:
        channel, _, value = _CONTROL_DATA.unpack(data)
        value -= least
        return bytes((_on_channel(status, channel), value & 0x7F, value >> 7 & 0x7F))

    return _Form(write, read)


_NOTE = _Form(_write_note, _read_note)
_CONTROL = _Form(_write_control, _read_control)
_VALUE = _Form(_write_value, _read_value)
_ALONE = _Form(lambda data: _NO_DATA, lambda status, data: bytes((status,)))

TABLE: dict[int, tuple[int, _Form]] = {
    0x80: (7, _NOTE),
    0x90: (6, _NOTE),
    0xA0: (8, _NOTE),
    0xB0: (10, _CONTROL),
    0xC0: (11, _VALUE),
    0xD0: (12, _VALUE),
    0xE0: (13, _pair(-_BEND_CENTER)),
    0xF1: (22, _VALUE),
    0xF2: (20, _pair(0)),
    0xF3: (21, _VALUE),
    0xF6: (40, _ALONE),
    0xF8: (36, _ALONE),
    0xFA: (30, _ALONE),
    0xFB: (31, _ALONE),
    0xFC: (32, _ALONE),
    0xFE: (42, _ALONE),
    0xFF: (41, _ALONE),
}
"""For each status byte, without its channel: the kind of event (SNDRV_SEQ_EVENT_…) and its form."""


# ---- to the sequencer ----------------------------------------------------------------------------


def _head(kind: int, flags: int = 0, to: tuple[int, int] = (_SUBSCRIBERS, _UNKNOWN)) -> bytes:
    """The first 16 bytes, from port 0 of whoever writes it; the kernel adds the client."""
    return bytes((kind, flags, 0, _DIRECT, *bytes(10), *to))


_HEADS = {status: _head(kind) for status, (kind, _) in TABLE.items()}
_SYSEX_HEAD = _head(_SYSEX_KIND, _VARIABLE)


def encode(data: bytes) -> bytes:
    """The event for one whole message, at once for all that are connected; a SysEx' bytes follow.

    Raises ValueError for a status byte that MIDI 1.0 does not define.
    """
    status = data[0] if data[0] >= FIRST_SYSTEM else data[0] & 0xF0
    if status == SYSEX:
        return _SYSEX_HEAD + _LENGTH.pack(len(data)) + data
    if status not in TABLE:
        raise ValueError(f"{status:02X} begins no MIDI message")
    return _HEADS[status] + TABLE[status][1].write(data)


class TooLongError(Exception):
    """A SysEx is too long to arrive whole."""


class Events(dict[bytes, bytes]):
    """The events for messages, each made when it is first needed; those of SysEx are not kept.

    Raises TooLongError for a SysEx of more than `longest_sysex` bytes.
    """

    def __init__(self, longest_sysex: int = LONGEST_SYSEX) -> None:
        super().__init__()
        self._longest = longest_sysex

    def __missing__(self, data: bytes) -> bytes:
        if len(data) > self._longest:
            raise TooLongError
        event = encode(data)
        if data[0] != SYSEX:
            if len(self) >= MOST_KEPT:
                self.clear()
            self[data] = event
        return event


def nudge(client: int, port: int) -> bytes:
    """An event that stands for no message, straight to one port: it wakes who reads there."""
    return _head(_USER_KIND, to=(client, port)) + _NO_DATA


# ---- from the sequencer --------------------------------------------------------------------------


class _Messages(dict[bytes, bytes]):
    """The messages for the data of one kind of event, each made when it is first needed."""

    def __init__(self, status: int, form: _Form) -> None:
        super().__init__()
        self._status = status
        self._read = form.read

    def __missing__(self, data: bytes) -> bytes:
        if len(self) >= MOST_KEPT:
            self.clear()
        message = self[data] = self._read(self._status, data)
        return message


def _controls(numbers: tuple[int, int], data: bytes) -> list[bytes]:
    """A parameter's number and its value, as four control changes (MIDI 1.0, 4.2.1, p. 17-18)."""
    channel, parameter, value = _CONTROL_DATA.unpack(data)
    status = 0xB0 | channel & 0x0F
    pairs = zip((*numbers, 6, 38), (parameter >> 7, parameter, value >> 7, value), strict=True)
    return [bytes((status, number, part & 0x7F)) for number, part in pairs]


def _control_14(data: bytes) -> list[bytes]:
    """A control of 14 bits, if it is one of the 32 that have a second half."""
    channel, number, value = _CONTROL_DATA.unpack(data)
    status = 0xB0 | channel & 0x0F
    if number >= 32:
        return [bytes((status, number & 0x7F, value & 0x7F))]
    return [bytes((status, number, value >> 7 & 0x7F)), bytes((status, number + 32, value & 0x7F))]


_SEVERAL: dict[int, Callable[[bytes], list[bytes]]] = {
    _CONTROL_14_KIND: _control_14,
    _NRPN_KIND: lambda data: _controls((99, 98), data),
    _RPN_KIND: lambda data: _controls((101, 100), data),
}
"""Kinds of event that stand for several messages; no hardware sends them, but programs may."""


class EventReader:
    """Makes messages of what is read from the sequencer: whole events, and whole SysEx."""

    def __init__(self) -> None:
        self._messages: list[_Messages | None] = [None] * 256
        for status, (kind, form) in TABLE.items():
            self._messages[kind] = _Messages(status, form)
        self._begun: dict[bytes, bytearray] = {}
        """The SysEx of which more is to come, by the port that sends it."""

    def feed(self, events: bytes) -> Sequence[bytes]:
        """The messages of these events; news of clients and ports, for example, is none."""
        if len(events) == EVENT_BYTES and not self._begun:  # most often it is one, whole by itself
            messages = self._messages[events[0]]
            if messages is not None:
                return (messages[events[_DATA]],)
        return self._all_of(events)

    def _all_of(self, events: bytes) -> list[bytes]:
        found = []
        at = 0
        while at < len(events):
            event = events[at : at + EVENT_BYTES]
            at += EVENT_BYTES
            messages = self._messages[event[0]]
            if messages is not None:
                message = messages[event[_DATA]]
                found.append(message)
                if self._begun and message[0] < FIRST_REAL_TIME:
                    self._begun.pop(event[_SOURCE], None)  # it was broken off
            elif event[0] == _SYSEX_KIND:
                (length,) = _LENGTH.unpack(event[_DATA])
                whole = self._add(event[_SOURCE], events[at : at + length])
                at += -(-length // EVENT_BYTES) * EVENT_BYTES
                if whole is not None:
                    found.append(whole)
            elif event[0] in _SEVERAL:
                found += _SEVERAL[event[0]](event[_DATA])
        return found

    def _add(self, source: bytes, piece: bytes) -> bytes | None:
        """The whole SysEx, if this is the end of one; what is no SysEx is left out."""
        if piece.startswith(_START):
            self._begun[source] = bytearray()
        sysex = self._begun.get(source)
        if sysex is None:
            return None
        sysex += piece
        is_whole = piece.endswith(_END)
        if not is_whole and len(sysex) < LONGEST_SYSEX:
            return None
        del self._begun[source]
        bare = sysex[1:-1]
        return bytes(sysex) if is_whole and bare and bare.isascii() else None
