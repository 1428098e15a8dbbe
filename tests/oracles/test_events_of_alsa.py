"""Events of the sequencer as we make and read them, beside libasound (Debian: libasound2).

Only what MIDI does not say of an event may differ: to whom it goes, and how.
"""

from __future__ import annotations

import random
import struct
from itertools import product

import pytest
from alsa_parser import EVENT_BYTES, AlsaParser

from pointsman.message import LENGTH_BY_STATUS
from pointsman.ports.alsa_events import EventReader, encode

KIND, FLAGS, DATA = 0, 1, slice(16, EVENT_BYTES)
VALUES = (0, 1, 31, 32, 63, 64, 65, 100, 126, 127)
SHORT = [
    bytes((status, *data))
    for status in range(0x80, 0x100)
    if status != 0xF0 and LENGTH_BY_STATUS[status]
    for data in product(VALUES, repeat=LENGTH_BY_STATUS[status] - 1)
]


def test_every_message_becomes_the_event_that_libasound_makes(alsa: AlsaParser) -> None:
    for message in SHORT:
        ours, theirs = encode(message), alsa.event_of(message)
        assert len(ours) == EVENT_BYTES
        if message[0] >= 0xF0:  # it leaves a channel there, which means nothing
            theirs = theirs[:16] + ours[16:17] + theirs[17:]
        assert (ours[KIND], ours[FLAGS], ours[DATA]) == (theirs[KIND], theirs[FLAGS], theirs[DATA])
        assert alsa.bytes_of(ours) == message


def test_every_message_is_read_again(alsa: AlsaParser) -> None:
    reader = EventReader()
    assert reader.feed(b"".join(alsa.event_of(message) for message in SHORT)) == SHORT


SEVERAL = [
    (kind, channel, number, value)
    for kind in (14, 15, 16)  # a control of 14 bits, NRPN, RPN
    for channel in (0, 5, 15)
    for number in ((0, 7, 31, 32, 64, 119) if kind == 14 else (0, 1, 127, 128, 1027, 16383))
    for value in (0, 1, 127, 128, 8192, 16383)
]


def test_events_that_stand_for_several_messages(alsa: AlsaParser) -> None:
    for kind, channel, number, value in SEVERAL:
        event = bytes((kind, *bytes(15))) + struct.pack("=B3xIi", channel, number, value)
        found = EventReader().feed(event)
        assert b"".join(found) == alsa.bytes_of(event)
        assert [len(message) for message in found] == [3] * len(found)


@pytest.mark.parametrize("kind", sorted({*range(256)} - {6, 7, 8, 130}))
def test_what_is_no_message_for_libasound_is_none_for_us(alsa: AlsaParser, kind: int) -> None:
    event = bytes((kind, *bytes(15))) + struct.pack("=B3xIi", 3, 7, 9)
    assert b"".join(EventReader().feed(event)) == alsa.bytes_of(event)


@pytest.mark.parametrize("seed", range(10))
def test_any_data_of_an_event_make_legal_messages(alsa: AlsaParser, seed: int) -> None:
    """Programs may write what they like; so ours do not say less than a message can hold."""
    source = random.Random(seed)
    for _ in range(500):
        kind = source.choice((6, 7, 8, 10, 11, 12, 13, 20, 21, 22))
        event = bytes((kind, *bytes(15))) + source.randbytes(12)
        for message in EventReader().feed(event):
            assert len(message) == LENGTH_BY_STATUS[message[0]]
            assert message[1:].isascii()
