"""The messages of one stream in words: notes as names, controls as the device calls them."""

from __future__ import annotations

from typing import NamedTuple

from pointsman.control_refs import ControlReader
from pointsman.controls import NAME_BY_CONTROL
from pointsman.device import Device
from pointsman.message import KIND_BY_KEY, NO_MESSAGE, Kind, channel_of_key, key_of
from pointsman.words import describe

_REMEMBERED = 4096
"""Messages whose words are kept: the same ones come again and again."""


class Words(NamedTuple):
    """What one message is. `kind` is None for bytes that are no whole message.

    `channel` is 1-16, None where the message has none. `text` leaves the channel out; `brief` is
    the same for a narrow place. Only controls have a `control` (the name, or the number where
    there is none) and a `value`, and only those that a control change sets a `number`.
    """

    kind: Kind | None
    channel: int | None
    text: str
    brief: str
    control: str | None = None
    number: int | None = None
    value: int | None = None


class Reader:
    """Reads one stream, whose synth is `device`. It must see every message of the stream.

    A control may be reached by several messages (NRPN, 14-bit pairs): it knows what came before.
    """

    def __init__(self, device: Device | None, middle_c_octave: int) -> None:
        self._octave = middle_c_octave
        refs = list(device.controls.values()) if device else []
        self._controls = ControlReader(refs)
        wide = ControlReader(ref for ref in refs if not ref.is_plain)
        self._depends = wide.numbers
        self._known: dict[bytes, Words] = {}

    def read(self, data: bytes) -> Words:
        """One message in words."""
        known = self._known.get(data)
        if known is not None:
            return known
        words = self._read(data)
        if not (words.kind is Kind.CONTROL and data[1] in self._depends):
            if len(self._known) >= _REMEMBERED:
                self._known.clear()
            self._known[data] = words
        return words

    def _read(self, data: bytes) -> Words:
        key = key_of(data)
        if key == NO_MESSAGE:
            text = f"no MIDI message, {len(data)} byte{'' if len(data) == 1 else 's'}"
            return Words(None, None, text, text)
        kind, channel = KIND_BY_KEY[key], channel_of_key(key)
        if kind is Kind.CONTROL:
            return self._control(data, channel or 0)
        if kind is Kind.SYSEX and (found := self._controls.sysex(data)) is not None:
            ref, value = found
            brief = f"{ref.name} {value}"
            return Words(kind, None, f"sysex ({ref.name}) {value}", brief, ref.name, None, value)
        text = describe(data, None, self._octave)
        if channel is not None:
            text = text.removesuffix(f" channel {channel + 1}")
        return Words(kind, None if channel is None else channel + 1, text, text)

    def _control(self, data: bytes, channel: int) -> Words:
        number, value = data[1], data[2]
        name = NAME_BY_CONTROL.get(number, "")
        found = self._controls.control(data)
        if found is not None:
            ref, value = found
            name = ref.name
        text = f"control {number} ({name}) {value}" if name else f"control {number} {value}"
        brief = f"{name or f'control {number}'} {value}"
        return Words(Kind.CONTROL, channel + 1, text, brief, name or str(number), number, value)
