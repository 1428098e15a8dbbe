"""Events of the sequencer: SysEx in pieces, and what is kept. tests/oracles has the rest."""

from __future__ import annotations

import struct

import pytest

from pointsman.midi_bytes import LONGEST_SYSEX
from pointsman.ports import alsa_events
from pointsman.ports.alsa_events import EVENT_BYTES, EventReader, Events, encode

CLOCK, NOTE = b"\xf8", b"\x90\x3c\x64"
TUG, GULL = (24, 0), (28, 0)


def came(data: bytes, source: tuple[int, int] = TUG) -> bytes:
    """An event as it is read: with its source, and filled up to whole events."""
    event = encode(data) if data[0] > 0x7F else encode(b"\xf0\xf7")[:EVENT_BYTES] + data
    head = event[:12] + bytes(source) + event[14:16]
    if event[0] == 130:
        more = event[EVENT_BYTES:]
        return head + struct.pack("=I8x", len(more)) + more + bytes(-len(more) % EVENT_BYTES)
    return head + event[16:]


def test_a_sysex_is_put_together_from_its_pieces() -> None:
    reader = EventReader()
    assert list(reader.feed(came(b"\xf0\x7d" + bytes(60)) + came(CLOCK))) == [CLOCK]
    assert list(reader.feed(came(bytes(7)))) == []
    end = reader.feed(came(b"\x01\xf7") + came(NOTE))
    assert end == [b"\xf0\x7d" + bytes(67) + b"\x01\xf7", NOTE]


def test_each_sender_has_its_own_sysex() -> None:
    reader = EventReader()
    events = came(b"\xf0\x7d\x01") + came(b"\xf0\x7d\x02", GULL) + came(NOTE, (30, 1))
    assert list(reader.feed(events)) == [NOTE]
    assert list(reader.feed(came(b"\x03\xf7", GULL))) == [b"\xf0\x7d\x02\x03\xf7"]
    assert list(reader.feed(came(b"\x04\xf7"))) == [b"\xf0\x7d\x01\x04\xf7"]


@pytest.mark.parametrize("breaker", [NOTE, b"\xf0\x7d"], ids=["a note", "another one"])
def test_a_sysex_that_is_broken_off_is_left_out(breaker: bytes) -> None:
    """Any status byte but real time ends a SysEx (MIDI 1.0, 4.2.1, p. 29)."""
    reader = EventReader()
    found = reader.feed(came(b"\xf0\x7d\x01") + came(breaker) + came(b"\x02\xf7"))
    assert found == ([NOTE] if breaker == NOTE else [b"\xf0\x7d\x02\xf7"])


@pytest.mark.parametrize(
    "odd", [b"\x02\xf7", b"\xf0\xf7", b"\xf0\x90\x01\xf7"], ids=["no start", "nothing", "a status"]
)
def test_what_is_no_sysex_is_left_out(odd: bytes) -> None:
    assert EventReader().feed(came(odd) + came(NOTE)) == [NOTE]


def test_a_sysex_that_never_ends_is_given_up() -> None:
    reader = EventReader()
    reader.feed(came(b"\xf0\x7d"))
    for _ in range(LONGEST_SYSEX // 1024):
        assert list(reader.feed(came(bytes(1024)))) == []
    assert list(reader.feed(came(b"\x01\xf7") + came(b"\xf0\x7d\x01\xf7"))) == [b"\xf0\x7d\x01\xf7"]


def test_news_and_what_says_nothing_are_no_messages() -> None:
    news = bytes((66, *bytes(27)))
    assert EventReader().feed(alsa_events.nudge(128, 0) + news + came(CLOCK)) == [CLOCK]


def test_an_undefined_status_is_no_message() -> None:
    for status in (0xF4, 0xF5, 0xF7, 0xF9, 0xFD):
        with pytest.raises(ValueError, match=f"^{status:02X} begins no MIDI message$"):
            encode(bytes((status,)))


def test_no_more_is_kept_than_there_is_room_for(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(alsa_events, "MOST_KEPT", 3)
    kept, reader = Events(), EventReader()
    for note in range(8):
        message = bytes((0x90, note, 1))
        assert kept[message] == encode(message)
        assert list(reader.feed(came(message))) == [message]
        assert len(kept) <= 3
    kept[b"\xf0\x7d\xf7"]
    assert b"\xf0\x7d\xf7" not in kept
