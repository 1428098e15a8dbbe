"""Messages in words: read from what a player types, and shown so that a player can read them."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

from pointsman.control_refs import ControlRef
from pointsman.controls import CONTROL_BY_NAME, LAST_CONTROL, NAME_BY_CONTROL
from pointsman.device import Device
from pointsman.errors import MessageTextError
from pointsman.message import KIND_BY_KEY, NO_MESSAGE, Kind, channel_of_key, is_message, key_of
from pointsman.options import as_int, suggest
from pointsman.units import note_name, parse_note

MODE_NAMES = {
    120: "All Sound Off",
    121: "Reset All Controllers",
    122: "Local Control",
    123: "All Notes Off",
    124: "Omni Off",
    125: "Omni On",
    126: "Mono On",
    127: "Poly On",
}
"""Channel mode messages by number (MIDI 1.0, 4.2.1, Table IV)."""

_SYSTEM = {
    "clock": b"\xf8",
    "start": b"\xfa",
    "continue": b"\xfb",
    "stop": b"\xfc",
    "active_sensing": b"\xfe",
    "system_reset": b"\xff",
    "tune_request": b"\xf6",
}
BEND_CENTRE = 8192


def hex_text(data: bytes) -> str:
    """Bytes as upper-case hex with single spaces."""
    return data.hex(" ").upper()


def describe(data: bytes, device: Device | None = None, middle_c_octave: int = 4) -> str:
    """A legal message in words; with a device, its controls go by its own names."""
    key = key_of(data)
    if key == NO_MESSAGE:
        return "no MIDI message"
    kind = KIND_BY_KEY[key]
    text = _body(kind, data, device, middle_c_octave)
    channel = channel_of_key(key)
    return text if channel is None else f"{text} channel {channel + 1}"


def _body(kind: Kind, data: bytes, device: Device | None, middle_c_octave: int) -> str:
    if kind in (Kind.NOTE_ON, Kind.NOTE_OFF, Kind.KEY_PRESSURE):
        name = note_name(data[1], middle_c_octave)
        word = "note" if kind is Kind.NOTE_ON else kind.value
        return f"{word} {name} {data[2]}"
    if kind is Kind.CONTROL:
        return f"control {_control_name(data[1], device)} {data[2]}"
    if kind is Kind.MODE:
        return f"{MODE_NAMES[data[1]]} ({data[1]}) {data[2]}"
    if kind is Kind.PROGRAM:
        return f"program {data[1] + 1} (byte {data[1]})"
    if kind is Kind.CHANNEL_PRESSURE:
        return f"channel_pressure {data[1]}"
    if kind is Kind.BEND:
        return f"bend {(data[1] | data[2] << 7) - BEND_CENTRE:+d}"
    if kind is Kind.SONG_POSITION:
        return f"song_position {data[1] | data[2] << 7}"
    if kind in (Kind.SONG_SELECT, Kind.TIME_CODE):
        return f"{kind.value} {data[1]}"
    return f"sysex, {len(data)} bytes" if kind is Kind.SYSEX else kind.value


def _control_name(number: int, device: Device | None) -> str:
    for name, control in device.controls.items() if device else ():
        if control.cc == number:
            return f"{number} ({name})"
    name = NAME_BY_CONTROL.get(number, "")
    return f"{number} ({name})" if name else str(number)


Named = Mapping[str, Sequence[tuple[str, ControlRef]]]
"""Controls by the names that device files give them, each with the output whose device it is."""


def parse_message(text: str, middle_c_octave: int = 4) -> bytes:
    """Read one message as hex ("B0 4A 7F") or in words ("control 74 127 channel 1").

    Raises MessageTextError with one line that says what is wrong and what would be right.
    """
    return parse_messages(text, middle_c_octave)[0]


def parse_messages(text: str, middle_c_octave: int = 4, named: Named = {}) -> list[bytes]:  # noqa: B006 - it is only read
    """The same, where `named` adds controls that may take several messages, such as an NRPN."""
    words = text.split()
    if not words:
        raise MessageTextError("a message is empty; write hex such as 'B0 4A 7F', or words")
    if all(len(word) == 2 and _is_hex(word) for word in words):
        data = bytes.fromhex("".join(words))
        if not is_message(data):
            raise MessageTextError(f"'{text}' is not one whole MIDI message")
        return [data]
    reader = _Words(text, words, middle_c_octave, named)
    found = reader.messages()
    if reader.words:
        raise MessageTextError(f"'{text}': '{reader.words[0]}' is too much; leave it out")
    return found


def _is_hex(word: str) -> bool:
    return all(letter in "0123456789abcdefABCDEF" for letter in word)


class _Words:
    def __init__(self, text: str, words: list[str], middle_c_octave: int, named: Named) -> None:
        self.text = text
        self.words = words
        self._octave = middle_c_octave
        self._named = named

    def messages(self) -> list[bytes]:
        kind = self.words.pop(0).lower()
        if kind in _SYSTEM:
            return [_SYSTEM[kind]]
        if kind == "control" and (ref := self._named_control()) is not None:
            value = self._number("value", 0, ref.top)
            return ref.messages(self._channel(), value)
        reader = self._readers().get(kind)
        if reader is None:
            known = [*self._readers(), *_SYSTEM]
            raise MessageTextError(f"'{self.text}': unknown word '{kind}'; {suggest(kind, known)}")
        return [reader()]

    def _readers(self) -> dict[str, Callable[[], bytes]]:
        return {
            "note": lambda: self._voice(0x90, self._note(), self._number("velocity", 1, 127, 100)),
            "note_on": lambda: self._voice(
                0x90, self._note(), self._number("velocity", 1, 127, 100)
            ),
            "note_off": lambda: self._voice(
                0x80, self._note(), self._number("velocity", 0, 127, 64)
            ),
            "key_pressure": lambda: self._voice(0xA0, self._note(), self._number("value", 0, 127)),
            "control": lambda: self._voice(0xB0, self._control(), self._number("value", 0, 127)),
            "program": lambda: self._voice(0xC0, self._number("program", 1, 128) - 1),
            "channel_pressure": lambda: self._voice(0xD0, self._number("value", 0, 127)),
            "bend": self._bend,
            "song_position": lambda: self._wide(b"\xf2", self._number("position", 0, 16383)),
            "song_select": lambda: b"\xf3" + bytes((self._number("song", 0, 127),)),
            "time_code": lambda: b"\xf1" + bytes((self._number("value", 0, 127),)),
            "sysex": self._sysex,
        }

    def _voice(self, status: int, *data: int) -> bytes:
        return bytes((status | self._channel(), *data))

    def _channel(self) -> int:
        if self.words and self.words[0].lower() == "channel":
            self.words.pop(0)
            return self._number("channel", 1, 16) - 1
        return 0

    def _bend(self) -> bytes:
        low, high = -BEND_CENTRE, BEND_CENTRE - 1
        value = self._number("bend", low, high) + BEND_CENTRE
        return self._wide(bytes((0xE0 | self._channel(),)), value)

    @staticmethod
    def _wide(head: bytes, value: int) -> bytes:
        return head + bytes((value & 0x7F, value >> 7))

    def _sysex(self) -> bytes:
        words, self.words = self.words, []
        data = bytes.fromhex("".join(words)) if all(map(_is_hex, words)) else b""
        if data[:1] != b"\xf0" or not is_message(data):
            raise MessageTextError(f"'{self.text}': write sysex F0 … F7, in hex")
        return data

    def _next(self, what: str) -> str:
        if not self.words:
            raise MessageTextError(f"'{self.text}': the {what} is missing")
        return self.words.pop(0)

    def _note(self) -> int:
        try:
            return parse_note(self._next("note"), self._octave)
        except ValueError as error:
            raise MessageTextError(f"'{self.text}': the note {error}") from None

    def _named_control(self) -> ControlRef | None:
        """The control that a device file calls so, unless the published table has that name."""
        name = self.words[0] if self.words else ""
        found = () if name.lower() in CONTROL_BY_NAME else self._named.get(name, ())
        if not found:
            return None
        if any(ref != found[0][1] for _, ref in found):
            whose = ", ".join(output for output, _ in found)
            raise MessageTextError(
                f"'{self.text}': '{name}' is not the same for {whose}; write its number"
            )
        self.words.pop(0)
        return found[0][1]

    def _control(self) -> int:
        word = self._next("control")
        number = CONTROL_BY_NAME.get(word.lower(), as_int(word))
        if number is None or not 0 <= number <= 127:
            names = sorted({*CONTROL_BY_NAME, *self._named})
            near = suggest(word, names) if number is None else ""
            right = near if near.startswith("did") else f"write 0 to {LAST_CONTROL}, or a name"
            raise MessageTextError(f"'{self.text}': unknown control '{word}'; {right}")
        return number

    def _number(self, what: str, low: int, high: int, default: int | None = None) -> int:
        if default is not None and (not self.words or self.words[0].lower() == "channel"):
            return default
        word = self._next(what)
        number = as_int(word)
        if number is None or not low <= number <= high:
            raise MessageTextError(
                f"'{self.text}': the {what} must be from {low} to {high}, not '{word}'"
            )
        return number
