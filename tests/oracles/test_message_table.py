"""The table of MIDI 1.0 messages: against the published one, and against libasound."""

from __future__ import annotations

import random

import pytest
from alsa_parser import AlsaParser

from pointsman.message import (
    KIND_BY_KEY,
    LENGTH_BY_STATUS,
    NO_MESSAGE,
    Kind,
    is_message,
    key_of,
    kind_of,
)

# MIDI 1.0 Detailed Specification, document version 4.2.1: first status byte, how many, data
# bytes after it, what it is, and the table it stands in.
PUBLISHED = [
    (0x80, 16, 2, Kind.NOTE_OFF, "Table II"),
    (0x90, 16, 2, Kind.NOTE_ON, "Table II"),
    (0xA0, 16, 2, Kind.KEY_PRESSURE, "Table II"),
    (0xB0, 16, 2, Kind.CONTROL, "Table II"),
    (0xC0, 16, 1, Kind.PROGRAM, "Table II"),
    (0xD0, 16, 1, Kind.CHANNEL_PRESSURE, "Table II"),
    (0xE0, 16, 2, Kind.BEND, "Table II"),
    (0xF1, 1, 1, Kind.TIME_CODE, "Table V"),
    (0xF2, 1, 2, Kind.SONG_POSITION, "Table V"),
    (0xF3, 1, 1, Kind.SONG_SELECT, "Table V"),
    (0xF6, 1, 0, Kind.TUNE_REQUEST, "Table V"),
    (0xF8, 1, 0, Kind.CLOCK, "Table VI"),
    (0xFA, 1, 0, Kind.START, "Table VI"),
    (0xFB, 1, 0, Kind.CONTINUE, "Table VI"),
    (0xFC, 1, 0, Kind.STOP, "Table VI"),
    (0xFE, 1, 0, Kind.ACTIVE_SENSING, "Table VI"),
    (0xFF, 1, 0, Kind.SYSTEM_RESET, "Table VI"),
]
UNDEFINED = (0xF4, 0xF5, 0xF9, 0xFD)
"""Tables V and VI; to be ignored by who receives them (pp. 6, A-2)."""

SYSEX, END_OF_SYSEX = 0xF0, 0xF7  # any number of data bytes (Table I); ends one, is none

PUBLISHED_BY_STATUS = {
    status: (data_bytes, kind)
    for first, count, data_bytes, kind, _ in PUBLISHED
    for status in range(first, first + count)
}


def test_every_status_byte_has_the_published_length_and_kind() -> None:
    assert len(PUBLISHED_BY_STATUS) + len(UNDEFINED) + 2 == 128
    for status in range(256):
        data_bytes, kind = PUBLISHED_BY_STATUS.get(status, (None, None))
        assert LENGTH_BY_STATUS[status] == (0 if data_bytes is None else 1 + data_bytes)
        for size in range(1, 5):
            message = bytes((status, 1, 2, 3)[:size])
            assert is_message(message) == (size - 1 == data_bytes), message.hex(" ")
            if size - 1 == data_bytes:
                assert kind_of(message) is kind
    assert set(KIND_BY_KEY.values()) == {kind for _, _, _, kind, _ in PUBLISHED} | {
        Kind.SYSEX,
        Kind.MODE,
    }


def test_controls_from_120_on_are_channel_mode_messages() -> None:
    """MIDI 1.0, 4.2.1, p. 20 and Table IV: 120 to 127 and no others."""
    for channel in range(16):
        kinds = [kind_of(bytes((0xB0 + channel, number, 0))) for number in range(128)]
        assert kinds == [Kind.CONTROL] * 120 + [Kind.MODE] * 8


def test_a_note_on_with_velocity_0_is_a_note_off() -> None:
    """MIDI 1.0, 4.2.1, p. 10."""
    for channel in range(16):
        for note in range(128):
            assert key_of(bytes((0x90 + channel, note, 0))) == 0x80 + channel
            assert key_of(bytes((0x90 + channel, note, 1))) == 0x90 + channel


@pytest.mark.parametrize("status", range(0x80, 0x100), ids="{:02X}".format)
def test_libasound_reads_as_many_bytes_after_each_status_as_we_do(
    alsa: AlsaParser, status: int
) -> None:
    """alsa-lib 1.2.8 was seen to agree with the specification on every status byte."""
    found = alsa.parse(bytes((status, 1, 2, 3)))
    length = LENGTH_BY_STATUS[status]
    if length:
        assert found[0] == (length, bytes((status, 1, 2))[:length])
    else:
        assert found == []
    if status == SYSEX:
        assert alsa.parse(b"\xf0\x01\x02\x03\xf7\x04") == [(5, b"\xf0\x01\x02\x03\xf7")]


def test_libasound_takes_the_same_bytes_for_one_whole_message_as_we_do(alsa: AlsaParser) -> None:
    """Random short byte strings, most of them nearly right.

    Two things that libasound takes are left out on purpose: a SysEx without any byte in it, which
    lacks the id that the specification asks for (Table VII), and one with real time inside, which
    is two messages and not one.
    """
    drawn = random.Random(1)
    statuses = [*range(0x80, 0x100, 5), *range(0xF0, 0x100)]
    seen = {True: 0, False: 0}
    for _ in range(20_000):
        size = drawn.randrange(0, 5)
        data = bytes(
            drawn.choice(statuses) if place == 0 or drawn.random() < 0.1 else drawn.randrange(128)
            for place in range(size)
        )
        if drawn.random() < 0.2:
            data = b"\xf0" + data + b"\xf7"
        whole = alsa.parse(data) == [(len(data), data)] and data != b"\xf0\xf7"
        assert is_message(data) == whole, data.hex(" ")
        assert (key_of(data) == NO_MESSAGE) == (not whole)
        seen[whole] += 1
    assert min(seen.values()) > 2_000, "the draw must give enough of both"
