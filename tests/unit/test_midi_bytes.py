"""MIDI as a stream of bytes: table by table, byte for byte.

Page numbers are of the MIDI 1.0 Detailed Specification, document version 4.2.1.
"""

from __future__ import annotations

import pytest

from pointsman.message import LENGTH_BY_STATUS
from pointsman.midi_bytes import REFRESH_NS, ByteEncoder, ByteParser


def parsed(stream: str) -> tuple[str, int]:
    """The messages of a stream, parted by slashes, and how many bytes were noise."""
    parser = ByteParser()
    messages = parser.feed(bytes.fromhex(stream))
    return " / ".join(message.hex(" ").upper() for message in messages), parser.noise


# what it shows, the page that says so, what comes in, the messages, how many bytes are noise
PARSED = [
    ("running status", "A-1", "90 3C 40 3E 40 3C 00", "90 3C 40 / 90 3E 40 / 90 3C 00", 0),
    ("three note-ons, as published", "A-1", "90 3C 27 40 2B 43 25",
     "90 3C 27 / 90 40 2B / 90 43 25", 0),
    ("on, off, on, as published", "A-1", "90 3C 27 3C 00 3E 29",
     "90 3C 27 / 90 3C 00 / 90 3E 29", 0),
    ("mode messages run too", "A-2", "B0 7C 00 01 37", "B0 7C 00 / B0 01 37", 0),
    ("two-byte messages run too", "5", "C0 01 02", "C0 01 / C0 02", 0),
    ("clock after a status", "30", "90 F8 3C 40", "F8 / 90 3C 40", 0),
    ("clock between data bytes", "30", "90 3C F8 40", "F8 / 90 3C 40", 0),
    ("clock between running messages", "30", "90 3C 40 F8 3E 40", "90 3C 40 / F8 / 90 3E 40", 0),
    ("clock inside a running message", "30", "90 3C 40 3E F8 40", "90 3C 40 / F8 / 90 3E 40", 0),
    ("several of real time at once", "32", "B0 07 40 FC FA 07 41",
     "B0 07 40 / FC / FA / B0 07 41", 0),
    ("active sensing inside", "30", "90 3C FE 40 3E 40", "FE / 90 3C 40 / 90 3E 40", 0),
    ("System Reset is passed on only", "A-2", "90 3C 40 FF 3E 40", "90 3C 40 / FF / 90 3E 40", 0),
    ("SysEx", "29", "F0 7D 01 02 F7", "F0 7D 01 02 F7", 0),
    ("clock inside SysEx", "29", "F0 7D 01 F8 02 F7", "F8 / F0 7D 01 02 F7", 0),
    ("clock just before F7", "29", "F0 7D F8 F7", "F8 / F0 7D F7", 0),
    ("SysEx ends running status", "A-2", "90 3C 40 F0 7D F7 3E 40", "90 3C 40 / F0 7D F7", 2),
    ("any other status ends SysEx", "29", "F0 7D 01 90 3C 40", "90 3C 40", 3),
    ("SysEx ends SysEx", "29", "F0 7D 01 F0 7D 02 F7", "F0 7D 02 F7", 3),
    ("SysEx cut, and nothing runs", "A-2", "90 3C 40 F0 7D F6 3E", "90 3C 40 / F6", 3),
    ("an empty SysEx is none", "34", "F0 F7 F6", "F6", 2),
    ("tune request ends running status", "A-2", "90 3C 40 F6 3E 40", "90 3C 40 / F6", 2),
    ("system common", "27", "F1 0A F3 05 F6", "F1 0A / F3 05 / F6", 0),
    ("system common never runs", "A-2", "F2 0A 00 01 02 03", "F2 0A 00", 3),
    ("undefined F4 ends running status", "A-2", "90 3C 40 F4 3E 40", "90 3C 40", 3),
    ("undefined F5 ends a message", "A-2", "90 3C F5 40", "", 4),
    ("undefined F9 is nothing", "A-2", "90 3C 40 F9 3E 40", "90 3C 40 / 90 3E 40", 1),
    ("undefined FD is nothing, even inside", "A-2", "90 3C FD 40", "90 3C 40", 1),
    ("F7 without F0 ends running status", "A-2", "90 3C 40 F7 3E 40", "90 3C 40", 3),
    ("a status ends a message", "5", "90 3C 80 3C 40", "80 3C 40", 2),
    ("a status ends a running message", "5", "90 3C 40 3E 80 3C 40", "90 3C 40 / 80 3C 40", 1),
    ("status after status", "5", "90 91 3C 40", "91 3C 40", 1),
    ("data without status", "6", "3C 40 90 3C 40", "90 3C 40", 2),
]  # fmt: skip


@pytest.mark.parametrize(
    ("stream", "messages", "noise"), [row[2:] for row in PARSED], ids=[row[0] for row in PARSED]
)
def test_what_a_stream_holds(stream: str, messages: str, noise: int) -> None:
    assert parsed(stream) == (messages, noise)
    parser, one_by_one = ByteParser(), []
    for byte in bytes.fromhex(stream):
        one_by_one += parser.feed(bytes((byte,)))
    assert " / ".join(message.hex(" ").upper() for message in one_by_one) == messages
    assert parser.noise == noise


@pytest.mark.parametrize("status", [s for s in range(0x80, 0x100) if LENGTH_BY_STATUS[s]])
def test_every_message_of_the_table_is_whole_after_its_last_byte(status: int) -> None:
    message = bytes((status, 1, 2)[: LENGTH_BY_STATUS[status]])
    parser = ByteParser()
    assert parser.feed(message[:-1]) == []
    assert parser.feed(message[-1:]) == [message]
    # channel messages run on (p. A-2), the others do not
    assert parser.feed(message[1:]) == ([message] if status < 0xF0 else [])


def test_sysex_has_a_longest() -> None:
    longest = b"\xf0" + bytes(6) + b"\xf7"
    parser = ByteParser(len(longest))
    assert parser.feed(longest) == [longest]
    assert parser.noise == 0
    too_long = b"\xf0" + bytes(7) + b"\xf7"
    assert parser.feed(too_long) == []
    assert parser.noise == len(too_long)
    assert parser.feed(b"\x90\x3c\x40") == [b"\x90\x3c\x40"]


def test_endless_sysex_takes_no_memory() -> None:
    parser = ByteParser(100)
    assert parser.feed(b"\xf0" + bytes(10_000)) == []
    assert len(parser._partial) < 100
    assert parser.noise == 10_001


def test_a_broken_byte_costs_its_message_and_running_status() -> None:
    parser = ByteParser()
    assert parser.feed(bytes.fromhex("90 3C 40 3E")) == [b"\x90\x3c\x40"]
    parser.lose()
    assert parser.noise == 2
    assert parser.feed(bytes.fromhex("40 41 42")) == []
    assert parser.feed(bytes.fromhex("90 3C 40")) == [b"\x90\x3c\x40"]
    assert parser.feed(bytes.fromhex("F0 7D")) == []
    parser.lose()
    assert parser.feed(bytes.fromhex("01 F7")) == []


# ---- out -----------------------------------------------------------------------------------------

# what it shows, the messages with their times in seconds, and the bytes
ENCODED = [
    ("the same status is left out", "0 90 3C 40 / 0.1 90 3E 40 / 0.2 90 3C 00",
     "90 3C 40 3E 40 3C 00"),
    ("another status is sent", "0 90 3C 40 / 0 80 3C 40 / 0 90 3C 40",
     "90 3C 40 80 3C 40 90 3C 40"),
    ("another channel is another status", "0 90 3C 40 / 0 91 3C 40", "90 3C 40 91 3C 40"),
    ("two-byte messages too", "0 C0 01 / 0 C0 02", "C0 01 02"),
    ("mode messages too", "0 B0 7C 00 / 0 B0 01 37", "B0 7C 00 01 37"),
    ("real time leaves it", "0 90 3C 40 / 0 F8 / 0 FE / 0 90 3E 40", "90 3C 40 F8 FE 3E 40"),
    ("system common ends it", "0 90 3C 40 / 0 F6 / 0 90 3E 40", "90 3C 40 F6 90 3E 40"),
    ("song position never runs", "0 F2 0A 00 / 0 F2 0B 00", "F2 0A 00 F2 0B 00"),
    ("SysEx ends it", "0 90 3C 40 / 0 F0 7D F7 / 0 90 3E 40", "90 3C 40 F0 7D F7 90 3E 40"),
    ("refreshed after a second", "0 90 3C 40 / 0.999999 90 3E 40 / 1 90 40 40 / 1.5 90 41 40",
     "90 3C 40 3E 40 90 40 40 41 40"),
    ("what was left out does not refresh", "0 90 3C 40 / 0.6 90 3E 40 / 1.2 90 40 40",
     "90 3C 40 3E 40 90 40 40"),
]  # fmt: skip


@pytest.mark.parametrize(
    ("messages", "stream"), [row[1:] for row in ENCODED], ids=[row[0] for row in ENCODED]
)
def test_what_is_put_on_the_wire(messages: str, stream: str) -> None:
    encoder, sent = ByteEncoder(), b""
    for message in messages.split(" / "):
        seconds, _, data = message.partition(" ")
        sent += encoder.encode(bytes.fromhex(data), round(float(seconds) * REFRESH_NS))
    assert sent.hex(" ").upper() == stream


def test_the_refresh_is_within_a_few_seconds() -> None:
    """MIDI 1.0, p. A-2: a sender refreshes status every few seconds."""
    assert 0 < REFRESH_NS <= 3_000_000_000
