"""MIDI 1.0 messages as raw bytes: the status table, and what is derived from it.

A message is one whole `bytes` object: status byte first, no running status. Everything that
depends on the kind of a message is looked up under its *key*, a small whole number:

- the status byte itself, except that
- a note-on with velocity 0 has the key of the note-off it is (MIDI 1.0, 4.2.1, p. 10),
- each control of each channel has a key of its own, from `CONTROL` on, and
- a control change with a number of 120 or more is a channel mode message (p. 20), which has
  another one: the status byte plus `MODE`.

Source of the table: MIDI 1.0 Detailed Specification 4.2.1, Tables I, II, V and VI.
"""

from __future__ import annotations

from enum import StrEnum

FIRST_NOTE_ON, AFTER_NOTES = 0x90, 0xA0
"""The keys of notes come first: those of note-offs, and from the one number on of note-ons."""

CONTROL = 0x100
"""The key of a control is this plus channel * 128 plus its number."""

MODE = CONTROL + 16 * 128
KEYS = MODE + 0x100
"""Every key is below this number, so that a list can be indexed by key."""

MOST_KEPT = 8192
"""Messages whose keys are kept."""

NO_MESSAGE = -1
FIRST_MODE = 120
ALL_SOUND_OFF = 120
RESET_ALL_CONTROLLERS = 121
ALL_NOTES_OFF = 123
FIRST_SYSTEM_STATUS = 0xF0
PEDALS = (64, 66, 67)
"""Damper, sostenuto and soft pedal: what holds or dims a sound after its note has ended."""

NOTE_OFF_VELOCITY = 64
"""What a sender without velocity sensing sends (MIDI 1.0, 4.2.1, p. 10)."""

CLOCKS_PER_QUARTER = 24
CLOCKS_PER_BEAT = 6
"""A Song Position beat is a sixteenth note (MIDI 1.0, 4.2.1, p. 27)."""


class Kind(StrEnum):
    """The kinds of message that a plugin can tell apart."""

    NOTE_OFF = "note_off"
    NOTE_ON = "note_on"
    KEY_PRESSURE = "key_pressure"
    CONTROL = "control"
    MODE = "mode"
    PROGRAM = "program"
    CHANNEL_PRESSURE = "channel_pressure"
    BEND = "bend"
    SYSEX = "sysex"
    TIME_CODE = "time_code"
    SONG_POSITION = "song_position"
    SONG_SELECT = "song_select"
    TUNE_REQUEST = "tune_request"
    CLOCK = "clock"
    START = "start"
    CONTINUE = "continue"
    STOP = "stop"
    ACTIVE_SENSING = "active_sensing"
    SYSTEM_RESET = "system_reset"


_KIND_WORDS = {
    Kind.NOTE_ON: "note",
    Kind.NOTE_OFF: "note",
    Kind.START: "transport",
    Kind.CONTINUE: "transport",
    Kind.STOP: "transport",
}


def kind_word(kind: Kind) -> str:
    """The word by which a player filters this kind; some words stand for more than one kind."""
    return _KIND_WORDS.get(kind, kind.value)


# first status byte, how many of them (16: one a channel), length in bytes, kind
_TABLE = (
    (0x80, 16, 3, Kind.NOTE_OFF),
    (0x90, 16, 3, Kind.NOTE_ON),
    (0xA0, 16, 3, Kind.KEY_PRESSURE),
    (0xB0, 16, 3, Kind.CONTROL),
    (0xC0, 16, 2, Kind.PROGRAM),
    (0xD0, 16, 2, Kind.CHANNEL_PRESSURE),
    (0xE0, 16, 3, Kind.BEND),
    (0xF1, 1, 2, Kind.TIME_CODE),
    (0xF2, 1, 3, Kind.SONG_POSITION),
    (0xF3, 1, 2, Kind.SONG_SELECT),
    (0xF6, 1, 1, Kind.TUNE_REQUEST),
    (0xF8, 1, 1, Kind.CLOCK),
    (0xFA, 1, 1, Kind.START),
    (0xFB, 1, 1, Kind.CONTINUE),
    (0xFC, 1, 1, Kind.STOP),
    (0xFE, 1, 1, Kind.ACTIVE_SENSING),
    (0xFF, 1, 1, Kind.SYSTEM_RESET),
)

KEYS_OF: dict[tuple[Kind, int | None], range] = {(Kind.SYSEX, None): range(0xF0, 0xF1)}
"""The keys of each kind on each channel (0-15, None where it has none).

F4, F5, F9 and FD are undefined: no message."""

LENGTH_BY_STATUS = [0] * 256
"""Length in bytes of a message by its status byte; 0 for SysEx and for what is no status."""

for _first, _count, _length, _kind in _TABLE:
    for _status in range(_first, _first + _count):
        _channel = _status - _first if _count > 1 else None
        KEYS_OF[_kind, _channel] = range(_status, _status + 1)
        LENGTH_BY_STATUS[_status] = _length

for _channel in range(16):
    _control = CONTROL + _channel * 128
    KEYS_OF[Kind.CONTROL, _channel] = range(_control, _control + FIRST_MODE)
    _mode = 0xB0 + _channel + MODE
    KEYS_OF[Kind.MODE, _channel] = range(_mode, _mode + 1)

KIND_BY_KEY = {key: kind for (kind, _), keys in KEYS_OF.items() for key in keys}
"""The kind of message under each key in use."""

_KEYS_OF_THREE = [
    [status if LENGTH_BY_STATUS[status] == 3 else NO_MESSAGE] * 128 for status in range(256)
]
"""The key of a message of three bytes, by its status and its first data byte."""

for _channel in range(16):
    _mode_keys = [*KEYS_OF[Kind.MODE, _channel]] * (128 - FIRST_MODE)
    _KEYS_OF_THREE[0xB0 + _channel] = [*KEYS_OF[Kind.CONTROL, _channel], *_mode_keys]

_KEYS_OF_ZERO = [*_KEYS_OF_THREE[:0x90], *_KEYS_OF_THREE[0x80:0x90], *_KEYS_OF_THREE[0xA0:]]
"""The same where the last byte is 0: then a note-on is a note-off."""

CLOCK_KEY, START_KEY, CONTINUE_KEY, STOP_KEY = 0xF8, 0xFA, 0xFB, 0xFC
SONG_POSITION_KEY, ACTIVE_SENSING_KEY, SYSTEM_RESET_KEY = 0xF2, 0xFE, 0xFF
_LAST_BEAT = 0x3FFF

CLOCK, START, CONTINUE, STOP = b"\xf8", b"\xfa", b"\xfb", b"\xfc"


def key_of(data: bytes) -> int:
    """The key of `data`, or NO_MESSAGE when it is not one whole, legal MIDI 1.0 message."""
    length = len(data)
    if length == 3:  # the most common by far
        status, first, second = data
        if first | second < 128:
            return (_KEYS_OF_THREE if second else _KEYS_OF_ZERO)[status][first]
    if not data:
        return NO_MESSAGE
    status = data[0]
    if length == LENGTH_BY_STATUS[status] != 3:
        return status if length == 1 or data[1] < 128 else NO_MESSAGE
    return status if status == 0xF0 and _is_sysex(data) else NO_MESSAGE


class _KeptKeys(dict[bytes, int]):
    """Keys by their messages, each found when it is first needed; long messages are not kept.

    A set has few different messages. When there is no room for more, all are found anew.
    """

    def __missing__(self, data: bytes) -> int:
        key = key_of(data)
        if len(data) <= 3:
            if len(self) >= MOST_KEPT:
                self.clear()
            self[data] = key
        return key


KEYS_KEPT = _KeptKeys()
"""What `key_of` says, sooner for what has come before."""


def _is_sysex(data: bytes) -> bool:
    return len(data) > 2 and data[-1] == 0xF7 and data[1:-1].isascii()


def is_mode_message(data: bytes) -> bool:
    """Whether this is a channel mode message, a control change with a number of 120 or more."""
    return data[0] & 0xF0 == 0xB0 and data[1] >= FIRST_MODE


def is_message(data: bytes) -> bool:
    """Whether `data` is one whole, legal MIDI 1.0 message."""
    return key_of(data) != NO_MESSAGE


def kind_of(data: bytes) -> Kind:
    """The kind of a legal message; KeyError for anything else."""
    return KIND_BY_KEY[key_of(data)]


def channel_of_key(key: int) -> int | None:
    """The channel (0-15) of the messages under `key`, or None where they have none."""
    if key < CONTROL:
        return key & 0x0F if key < 0xF0 else None
    return (key - CONTROL) >> 7 if key < MODE else key & 0x0F


ON_CHANNEL = [
    bytes(byte & 0xF0 | channel if 0x80 <= byte < 0xF0 else byte for byte in range(256))
    for channel in range(16)
]
"""What each byte of a channel message becomes on each channel, for `bytes.translate`."""


def key_on_channel(key: int, channel: int) -> int:
    """The key that a channel message of this key has on `channel` (0-15)."""
    if CONTROL <= key < MODE:
        return CONTROL + channel * 128 + (key - CONTROL) % 128
    return key & ~0x0F | channel


_NOTE_OFFS = [
    bytes((0x80 | channel, note, NOTE_OFF_VELOCITY)) for channel in range(16) for note in range(128)
]


def note_off(channel: int, note: int) -> bytes:
    """A note-off for `note` (0-127) on `channel` (0-15), release velocity 64."""
    return _NOTE_OFFS[channel << 7 | note]


def note_on(channel: int, note: int, velocity: int) -> bytes:
    """A note-on: `channel` 0-15, `note` 0-127, `velocity` 1-127."""
    return bytes((0x90 | channel, note, velocity))


def control_change(channel: int, control: int, value: int) -> bytes:
    """A control change: `channel` 0-15, `control` 0-119, `value` 0-127."""
    return bytes((0xB0 | channel, control, value))


def program_change(channel: int, program: int) -> bytes:
    """A program change: `channel` 0-15, `program` 0-127 (players count from 1)."""
    return bytes((0xC0 | channel, program))


def is_note_on(data: bytes) -> bool:
    """Whether a message begins a note; with velocity 0 it ends one (MIDI 1.0, 4.2.1, p. 10)."""
    return FIRST_NOTE_ON <= key_of(data) < AFTER_NOTES


def is_note_off(data: bytes) -> bool:
    """Whether a message ends a note."""
    return NO_MESSAGE < key_of(data) < FIRST_NOTE_ON


def song_position(data: bytes) -> int:
    """The position of a Song Position Pointer message, in clocks."""
    return CLOCKS_PER_BEAT * (data[1] | data[2] << 7)


def song_position_at(clocks: int) -> bytes:
    """The Song Position Pointer message for the last beat until then, or for the last there is."""
    beats = min(clocks // CLOCKS_PER_BEAT, _LAST_BEAT)
    return bytes((SONG_POSITION_KEY, beats & 0x7F, beats >> 7))
