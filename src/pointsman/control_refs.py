"""Controls as a rig names them, however the synth is reached: one number, a pair, NRPN, RPN, SysEx.

How this works. A `ControlRef` is one control that an option of a plugin names. It knows its home
and range, and makes the messages that set it. A `ControlReader` belongs to one plugin and reads
the stream the other way: it knows which parameter number each channel has selected and which
coarse value came last, and says which of its controls a message sets, and to what.

- A plain control has a value of 0-127 in one message.
- A 14-bit pair has 0-16383: a coarse message sets the fine half to 0, a fine one completes it
  (MIDI 1.0, 4.2.1, p. 12 and Table II, note 4).
- NRPN and RPN: the number (99 and 98, or 101 and 100), then data entry coarse with 0-127
  (pp. 17, 18). The numbers pass through; the data entry is the message that carries the value.
- SysEx: the message as the device file has it, with the value where it says {value}.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from pointsman.message import control_change, is_message

DATA_ENTRY = 6
NRPN_LSB, NRPN_MSB, RPN_LSB, RPN_MSB = 98, 99, 100, 101
NULL = 127
"""RPN 127/127 selects no parameter (MIDI 1.0, 4.2.1, p. 18)."""

REST_OF_ENTRY = frozenset({38, 96, 97})
"""Data entry fine, increment and decrement: they mean the selected parameter too (p. 18)."""

SELECTING = frozenset({NRPN_LSB, NRPN_MSB, RPN_LSB, RPN_MSB})

Parameter = tuple[bool, int, int]
"""A parameter number: whether it is registered (RPN), its coarse and its fine half."""


def select_parameter(channel: int, parameter: Parameter) -> list[bytes]:
    """The two messages that select a parameter on `channel` (0-15)."""
    registered, coarse, fine = parameter
    msb, lsb = (RPN_MSB, RPN_LSB) if registered else (NRPN_MSB, NRPN_LSB)
    return [control_change(channel, msb, coarse), control_change(channel, lsb, fine)]


@dataclass(frozen=True)
class ControlRef:
    """One control that a rig names; `name` is the word or number that stands there.

    Two that are reached in one way are one control, whatever they are called.

    Exactly one of these says how it is reached: `cc` (with `fine` for a 14-bit pair),
    `parameter`, or `sysex` (what stands before the value, and after it). `channel` (0-15) is the
    synth's own: a SysEx message has none, so its control is taken to be on that one.
    """

    name: str = field(compare=False)
    cc: int | None = None
    fine: int | None = None
    parameter: Parameter | None = None
    sysex: tuple[bytes, bytes] | None = None
    channel: int = field(default=0, compare=False)
    home: int | None = field(default=None, compare=False)
    range: tuple[int, int] | None = field(default=None, compare=False)

    @property
    def top(self) -> int:
        """The highest value: 16383 for a 14-bit pair, else 127."""
        return 127 if self.fine is None else 16383

    @property
    def is_plain(self) -> bool:
        """Whether one control change sets it."""
        return self.cc is not None and self.fine is None

    def same_as(self, other: ControlRef) -> bool:
        """Whether what sets the one sets the other, or half of it, too: only the name differs."""
        if self.cc is not None:
            return bool({self.cc, self.fine} & {other.cc, other.fine} - {None})
        if self.parameter is not None:
            return self.parameter == other.parameter
        return self.sysex == other.sysex

    def messages(self, channel: int, value: int) -> list[bytes]:
        """The messages that set it to `value` (0 to `top`) on `channel` (0-15)."""
        if self.cc is not None:
            if self.fine is None:
                return [control_change(channel, self.cc, value)]
            return [
                control_change(channel, self.cc, value >> 7),
                control_change(channel, self.fine, value & 0x7F),
            ]
        if self.parameter is not None:
            entry = control_change(channel, DATA_ENTRY, value)
            return [*select_parameter(channel, self.parameter), entry]
        assert self.sysex is not None
        before, after = self.sysex
        return [before + bytes((value,)) + after]


def named_twice(refs: Iterable[ControlRef]) -> list[tuple[ControlRef, ControlRef]]:
    """Which of these are the same control as one that stands before them: it, and that one."""
    seen: list[ControlRef] = []
    found = []
    for ref in refs:
        first = next((other for other in seen if ref.same_as(other)), None)
        if first is not None:
            found.append((ref, first))
        seen.append(ref)
    return found


def parse_sysex(text: str) -> tuple[bytes, bytes]:
    """Read a SysEx message with {value} in the place of one byte: what is before and after it.

    ValueError says what is wrong.
    """
    before, value, after = text.partition("{value}")
    try:
        head, tail = bytes.fromhex(before), bytes.fromhex(after)
    except ValueError:
        head = tail = b""
    if not value or not is_message(head + b"\0" + tail) or head[:1] != b"\xf0":
        raise ValueError(f"'{text}' is no SysEx with a value; write like F0 7D 10 {{value}} F7")
    return head, tail


class ControlReader:
    """Reads which of some controls the messages of one stream set."""

    def __init__(self, refs: Iterable[ControlRef]) -> None:
        self._by_cc: dict[int, ControlRef] = {}
        self._by_parameter: dict[Parameter, ControlRef] = {}
        self._by_sysex: list[tuple[bytes, bytes, ControlRef]] = []
        for ref in refs:
            if ref.cc is not None:
                self._by_cc[ref.cc] = ref
                if ref.fine is not None:
                    self._by_cc[ref.fine] = ref
            elif ref.parameter is not None:
                self._by_parameter[ref.parameter] = ref
            elif ref.sysex is not None:
                self._by_sysex.append((*ref.sysex, ref))
        self._selected: list[Parameter] = [(True, NULL, NULL)] * 16
        self._coarse: dict[tuple[int, int], int] = {}

    @property
    def reads_sysex(self) -> bool:
        """Whether any of the controls is reached by SysEx."""
        return bool(self._by_sysex)

    @property
    def numbers(self) -> set[int]:
        """The numbers of the control changes that it has to see."""
        return {*self._by_cc, *((DATA_ENTRY, *SELECTING) if self._by_parameter else ())}

    def selected(self, channel: int) -> Parameter:
        """The parameter that the stream has selected on `channel` (0-15)."""
        return self._selected[channel]

    def control(self, data: bytes) -> tuple[ControlRef, int] | None:
        """Which control a control change sets, and to what value; None if none of ours."""
        number = data[1]
        ref = self._by_cc.get(number)
        if ref is not None:
            return ref, data[2] if ref.fine is None else self._pair(ref, data)
        if not self._by_parameter:
            return None
        channel = data[0] & 0x0F
        if number == DATA_ENTRY:
            found = self._by_parameter.get(self._selected[channel])
            return None if found is None else (found, data[2])
        if number in SELECTING:
            self._select(channel, number, data[2])
        return None

    def sysex(self, data: bytes) -> tuple[ControlRef, int] | None:
        """Which control a SysEx message sets, and to what value; None if none of ours."""
        for before, after, ref in self._by_sysex:
            place = len(before)
            if (
                len(data) == place + 1 + len(after)
                and data.startswith(before)
                and data.endswith(after)
            ):
                return ref, data[place]
        return None

    def reselect(self, channel: int, ref: ControlRef) -> list[bytes]:
        """What puts the stream's own parameter back after a message of ours selected another."""
        if ref.parameter is None:
            return []
        selected = self._selected[channel]
        if selected == ref.parameter or selected[1:] == (NULL, NULL):
            return []
        return select_parameter(channel, selected)

    def _pair(self, ref: ControlRef, data: bytes) -> int:
        key = (data[0] & 0x0F, ref.cc or 0)
        if data[1] == ref.cc:
            self._coarse[key] = data[2]
            return data[2] << 7
        return self._coarse.get(key, 0) << 7 | data[2]

    def _select(self, channel: int, number: int, value: int) -> None:
        registered, coarse, fine = self._selected[channel]
        now_registered = number in (RPN_LSB, RPN_MSB)
        if now_registered != registered:
            coarse = fine = NULL
        if number in (RPN_MSB, NRPN_MSB):
            coarse = value
        else:
            fine = value
        self._selected[channel] = (now_registered, coarse, fine)
