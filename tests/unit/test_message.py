"""Keys and kinds of messages; tests/oracles walks the whole table against its sources."""

from __future__ import annotations

import pytest

from pointsman import message
from pointsman.message import (
    CONTROL,
    MODE,
    NO_MESSAGE,
    ON_CHANNEL,
    Kind,
    channel_of_key,
    control_change,
    is_message,
    key_of,
    key_on_channel,
    kind_of,
    note_off,
    note_on,
    program_change,
    song_position,
)

KINDS = [
    ("80 3C 40", 0x80, Kind.NOTE_OFF),
    ("9F 3C 01", 0x9F, Kind.NOTE_ON),
    ("93 3C 00", 0x83, Kind.NOTE_OFF),  # velocity 0 (MIDI 1.0, 4.2.1, p. 10)
    ("A2 3C 40", 0xA2, Kind.KEY_PRESSURE),
    ("B1 77 7F", CONTROL + 128 + 119, Kind.CONTROL),  # channel 2, 119: the last control
    ("B1 78 00", 0xB1 + MODE, Kind.MODE),  # 120, the first mode message (p. 20)
    ("BF 7F 00", 0xBF + MODE, Kind.MODE),
    ("C5 0B", 0xC5, Kind.PROGRAM),
    ("D5 0B", 0xD5, Kind.CHANNEL_PRESSURE),
    ("E0 00 40", 0xE0, Kind.BEND),
    ("F0 7D F7", 0xF0, Kind.SYSEX),
    ("F0 7D 01 02 F7", 0xF0, Kind.SYSEX),
    ("F1 10", 0xF1, Kind.TIME_CODE),
    ("F2 0A 00", 0xF2, Kind.SONG_POSITION),
    ("F3 05", 0xF3, Kind.SONG_SELECT),
    ("F6", 0xF6, Kind.TUNE_REQUEST),
    ("F8", 0xF8, Kind.CLOCK),
    ("FA", 0xFA, Kind.START),
    ("FB", 0xFB, Kind.CONTINUE),
    ("FC", 0xFC, Kind.STOP),
    ("FE", 0xFE, Kind.ACTIVE_SENSING),
    ("FF", 0xFF, Kind.SYSTEM_RESET),
]


@pytest.mark.parametrize(("text", "key", "kind"), KINDS)
def test_a_message_has_a_key_and_a_kind(text: str, key: int, kind: Kind) -> None:
    data = bytes.fromhex(text)
    assert key_of(data) == key
    assert kind_of(data) is kind
    assert is_message(data)


NO_MESSAGES = {
    "nothing": "",
    "data alone": "3C 40",
    "running status": "3C",
    "too short": "90 3C",
    "too long": "90 3C 40 40",
    "two messages": "F8 F8",
    "a program with two data bytes": "C0 01 02",
    "a first data byte above 127": "90 80 40",
    "a second data byte above 127": "90 3C 80",
    "a program above 127": "C0 80",
    "a real-time byte inside": "90 3C F8",
    "F4, undefined": "F4",
    "F5, undefined": "F5",
    "F9, undefined": "F9",
    "FD, undefined": "FD",
    "the end of a SysEx alone": "F7",
    "an open SysEx": "F0 7D 01",
    "a SysEx without any byte": "F0 F7",
    "a SysEx with a status byte inside": "F0 7D 90 F7",
    "a SysEx with a real-time byte inside": "F0 7D F8 F7",
    "a SysEx with something behind it": "F0 7D F7 00",
    "one end of a SysEx": "F0",
}


@pytest.mark.parametrize("text", NO_MESSAGES.values(), ids=NO_MESSAGES)
def test_what_is_not_one_whole_message_has_no_key(text: str) -> None:
    data = bytes.fromhex(text)
    assert key_of(data) == NO_MESSAGE
    assert not is_message(data)
    with pytest.raises(KeyError):
        kind_of(data)


@pytest.mark.parametrize(
    ("key", "channel"),
    [(0x80, 0), (0x9F, 15), (0xB2 + MODE, 2), (0xE7, 7), (0xF0, None), (0xF8, None)],
)
def test_channel_messages_have_a_channel_and_system_messages_none(
    key: int, channel: int | None
) -> None:
    assert channel_of_key(key) == channel


def test_messages_are_made_from_numbers() -> None:
    assert note_on(4, 60, 100) == b"\x94\x3c\x64"
    assert note_off(4, 60) == b"\x84\x3c\x40"  # 64 where no velocity is sensed (p. 10)
    assert control_change(15, 74, 127) == b"\xbf\x4a\x7f"
    assert program_change(0, 127) == b"\xc0\x7f"


@pytest.mark.parametrize(
    ("text", "clocks"),
    [
        ("F2 00 00", 0),
        ("F2 0A 00", 60),  # 10 beats are 60 clocks (MIDI 1.0, 4.2.1, p. 27)
        ("F2 00 01", 128 * 6),
        ("F2 7F 7F", 16383 * 6),
    ],
)
def test_song_position_counts_beats_of_six_clocks_low_byte_first(text: str, clocks: int) -> None:
    assert song_position(bytes.fromhex(text)) == clocks


@pytest.mark.parametrize(
    "text", ["83 3C 40", "A3 3C 40", "B3 13 40", "B3 7B 00", "C3 0B", "E3 00 40"]
)
@pytest.mark.parametrize("channel", [0, 3, 15])
def test_a_channel_message_has_a_key_on_every_channel(text: str, channel: int) -> None:
    key = key_of(bytes.fromhex(text))
    moved = bytes.fromhex(f"{text[0]}{channel:X}{text[2:]}")
    assert key_on_channel(key, channel) == key_of(moved)
    assert bytes.fromhex(text).translate(ON_CHANNEL[channel]) == moved


@pytest.mark.parametrize("text", ["F0 7D 13 F7", "F2 10 13", "F8", "FE"])
def test_a_message_without_channel_is_not_moved(text: str) -> None:
    assert bytes.fromhex(text).translate(ON_CHANNEL[5]) == bytes.fromhex(text)


def test_kept_keys_say_what_key_of_says_and_have_a_limit(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(message, "MOST_KEPT", 100)
    kept = type(message.KEYS_KEPT)()
    for status in range(0x80, 0x100):
        for data in (b"", b"\x00", b"\x7f\x00", b"\x07\x40", b"\x80\x00", b"\x01\x02\xf7"):
            said = bytes((status,)) + data
            assert kept[said] == kept[said] == key_of(said)
            assert len(kept) <= 100
    assert max(map(len, kept)) <= 3
