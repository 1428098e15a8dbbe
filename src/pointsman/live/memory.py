"""What one output was last sent, so that a synth that comes back can be told again.

How this works. `note` hears every message that the output sends, so it does as little as it can:
what stands for itself (a note, most controls, a bend) is one store in a dict. Only where two
messages share a state does it do more:

- *Pairs.* A coarse value (controls 0-31) sets the fine one (32-63) to 0, and a fine one completes
  it (MIDI 1.0, 4.2.1, p. 12 and Table II, note 4). Yet many synths use 32-63 as controls of their
  own. So a fine value is kept when a coarse one comes after it, and sent before that one again:
  either synth ends where it was.
- *Bank and program.* A program change uses the bank that was selected before it (p. 13).
- *Parameters.* Data entry means the RPN or NRPN that was selected last (pp. 17, 18). With none
  selected it is without effect, or edits what the synth's own panel shows: it is not sent again.
- *Reset All Controllers* is taken as RP-015 has it, and what it resets is remembered at its new
  value: a synth that was away when it was sent may still have its pedal down.

Nothing here locks: the caller sees to it that only one thread is inside.
"""

from __future__ import annotations

from collections.abc import Set
from typing import NamedTuple

from pointsman.control_refs import DATA_ENTRY, NRPN_LSB, NRPN_MSB, NULL, RPN_LSB, RPN_MSB
from pointsman.message import (
    FIRST_MODE,
    FIRST_SYSTEM_STATUS,
    RESET_ALL_CONTROLLERS,
    control_change,
    note_off,
)

BANK = 0
FINE = 32
"""The fine half of a control has the number of the coarse one plus this."""

DATA_ENTRY_FINE = DATA_ENTRY + FINE
DATA_INCREMENT, DATA_DECREMENT = 96, 97

RESETS = {1: 0, 11: 127, 64: 0, 65: 0, 66: 0, 67: 0}
"""Controls that Reset All Controllers resets, and to what (RP-015).

It resets bend, pressure and the RPN and NRPN numbers, too, and nothing else that is kept here."""

MOST_PARAMETERS = 512
"""RPNs and NRPNs that are remembered on one channel; of more, the ones set first are forgotten."""

_ORDINARY = frozenset(range(FIRST_MODE)) - {
    *(BANK, BANK + FINE, DATA_ENTRY, DATA_ENTRY_FINE, DATA_INCREMENT, DATA_DECREMENT),
    *(NRPN_LSB, NRPN_MSB, RPN_LSB, RPN_MSB),
}
_FINE_HALVES = _ORDINARY & set(range(FINE, 2 * FINE))


class Pair(NamedTuple):
    """A coarse and a fine value as they were sent; None: never."""

    coarse: int | None = None
    fine: int | None = None
    fine_last: bool = False
    """Whether the fine value came after the coarse one."""

    def with_coarse(self, value: int) -> Pair:
        """The pair after a new coarse value."""
        return Pair(value, self.fine, False)

    def with_fine(self, value: int) -> Pair:
        """The pair after a new fine value."""
        return Pair(self.coarse, value, True)

    def messages(self, channel: int, number: int) -> list[bytes]:
        """What was sent of it on `channel` (0-15), in that order; `number` is the coarse one's."""
        sent = [(number, self.coarse), (number + FINE, self.fine)]
        if not self.fine_last:
            sent.reverse()
        return [control_change(channel, n, value) for n, value in sent if value is not None]


class Parameter(NamedTuple):
    """An RPN (registered) or NRPN as it was selected; None: that half was never sent."""

    registered: bool
    coarse: int | None = None
    fine: int | None = None

    @property
    def is_null(self) -> bool:
        """Whether no parameter is selected: data entry is without effect."""
        return self.coarse == self.fine == NULL

    def select(self, channel: int) -> list[bytes]:
        """The messages that select it on `channel` (0-15)."""
        msb, lsb = (RPN_MSB, RPN_LSB) if self.registered else (NRPN_MSB, NRPN_LSB)
        halves = ((msb, self.coarse), (lsb, self.fine))
        return [control_change(channel, n, value) for n, value in halves if value is not None]


_STEPS = {
    Parameter(True, 0, 1): FINE,  # fine tuning
    Parameter(True, 0, 2): 0,  # coarse tuning
    Parameter(True, 0, 3): 0,  # tuning program
    Parameter(True, 0, 4): 0,  # tuning bank
}
"""Whether Data Increment steps the fine or the coarse half (RP-018, from memory).

Synths differ over bend range (0) and all NRPNs: there nobody can know the value after a step."""


class _Parameters:
    """What is selected on one channel, and the value of each parameter, the first set first.

    A half that was not sent yet is left out when its parameter is selected again. That this
    keeps its meaning needs the order: nothing that comes before has selected that half either.
    """

    def __init__(self) -> None:
        self.values: dict[Parameter, Pair] = {}
        self._numbers = {True: Parameter(True), False: Parameter(False)}
        self._selected: Parameter | None = None

    def note(self, number: int, value: int) -> None:
        """Take one of the controls 6, 38 and 96-101."""
        if number >= NRPN_LSB:
            self._select(number >= RPN_LSB, number in (RPN_MSB, NRPN_MSB), value)
            return
        selected = self._selected
        if selected is None or selected.is_null:
            return
        pair = self.values.get(selected, Pair())
        if number == DATA_ENTRY:
            self._enter(selected, pair.with_coarse(value))
        elif number == DATA_ENTRY_FINE:
            self._enter(selected, pair.with_fine(value))
        elif selected in self.values:
            self._step(selected, 1 if number == DATA_INCREMENT else -1)

    def _select(self, registered: bool, is_coarse: bool, value: int) -> None:
        _, coarse, fine = self._numbers[registered]
        if is_coarse:
            coarse = value
        else:
            fine = value
        self._selected = self._numbers[registered] = Parameter(registered, coarse, fine)

    def _enter(self, parameter: Parameter, pair: Pair) -> None:
        values = self.values
        if len(values) >= MOST_PARAMETERS and parameter not in values:
            del values[next(iter(values))]
        values[parameter] = pair

    def _step(self, parameter: Parameter, by: int) -> None:
        half, pair = _STEPS.get(parameter), self.values[parameter]
        if half is None or pair.coarse is None:
            del self.values[parameter]
        elif half == FINE:
            fine = pair.fine or 0 if pair.fine_last else 0
            value = min(max((pair.coarse << 7 | fine) + by, 0), 16383)
            self.values[parameter] = Pair(value >> 7, value & 0x7F, True)
        else:
            self.values[parameter] = pair._replace(coarse=min(max(pair.coarse + by, 0), 127))

    def deselect(self) -> None:
        """Reset All Controllers: the numbers that were selected are null now."""
        if self._selected is None:
            return
        for registered, numbers in self._numbers.items():
            if numbers != Parameter(registered):
                self._numbers[registered] = Parameter(registered, NULL, NULL)
        self._selected = self._numbers[self._selected.registered]

    def messages(self, channel: int) -> list[bytes]:
        """Every value as a whole sequence, then what is selected."""
        selected = self._selected
        if selected is None:
            return []
        found: list[bytes] = []
        left = {registered: Parameter(registered) for registered in (True, False)}
        for parameter, pair in self.values.items():
            found += parameter.select(channel) + pair.messages(channel, DATA_ENTRY)
            left[parameter.registered] = parameter
        other = self._numbers[not selected.registered]
        if left[other.registered] != other:  # half a selection may yet build on it
            found += other.select(channel)
        return found + selected.select(channel)


class _Channel:
    """What one channel was sent whose messages share a state: bank, program and parameters."""

    __slots__ = ("bank", "parameters", "program", "program_bank")

    def __init__(self) -> None:
        self.bank = self.program_bank = Pair()
        self.program: bytes | None = None
        self.parameters = _Parameters()

    def program_messages(self, channel: int) -> list[bytes]:
        """The program with the bank it was chosen from, then a bank that waits for the next."""
        if self.program is None:
            return self.bank.messages(channel, BANK)
        found = [*self.program_bank.messages(channel, BANK), self.program]
        if self.bank != self.program_bank:
            found += self.bank.messages(channel, BANK)
        return found


class Memory:
    """What one output was last sent."""

    __slots__ = ("_bends", "_channels", "_controls", "_overruled", "_plain", "_struck", "_used")

    def __init__(self) -> None:
        self._used = bytearray(0x100)
        """Whether a message with this status was ever sent."""
        self._struck: dict[bytes, None] = {}
        """The first two bytes of each note-on, for want of a quicker set."""
        self._controls: dict[bytes, bytes] = {}
        """Ordinary controls by their first two bytes."""
        self._bends: dict[int, bytes] = {}
        self._plain = bytearray(number in _ORDINARY - _FINE_HALVES for number in range(128))
        """The controls that one store is enough for: on this output they share no state."""
        self._overruled: set[bytes] = set()
        """The fine halves after which a coarse value came, as keys of `_controls`."""
        self._channels: dict[int, _Channel] = {}

    # ---- what is sent ------------------------------------------------------------------------

    def note(self, data: bytes) -> None:
        """Hear one whole, legal message that is sent; for every message, so nothing is done twice.

        SysEx and system messages leave no trace.
        """
        status = data[0]
        self._used[status] = 1
        if status < 0xB0:
            if 0x90 <= status < 0xA0 and data[2]:
                self._struck[data[:2]] = None
        elif status < 0xC0:
            if self._plain[data[1]]:
                self._controls[data[:2]] = data
            else:
                self._note_shared(data)
        elif status >= FIRST_SYSTEM_STATUS:
            return
        elif status >= 0xE0:
            self._bends[status] = data
        elif status < 0xD0:
            channel = self._channel(status & 0x0F)
            channel.program, channel.program_bank = data, channel.bank

    def _channel(self, number: int) -> _Channel:
        found = self._channels.get(number)
        if found is None:
            found = self._channels[number] = _Channel()
        return found

    def _note_shared(self, data: bytes) -> None:
        """A control that shares its state with others."""
        status, number, value = data
        if number >= FIRST_MODE:
            if number == RESET_ALL_CONTROLLERS:
                self._reset(status & 0x0F)
        elif number in _ORDINARY:
            self._note_half(data)
        elif number == BANK:
            channel = self._channel(status & 0x0F)
            channel.bank = channel.bank.with_coarse(value)
        elif number == BANK + FINE:
            channel = self._channel(status & 0x0F)
            channel.bank = channel.bank.with_fine(value)
        else:
            self._channel(status & 0x0F).parameters.note(number, value)

    def _note_half(self, data: bytes) -> None:
        """Half of a pair of which a fine half was sent on this output."""
        number = data[1]
        self._controls[data[:2]] = data
        if number >= FINE:
            self._plain[number - FINE] = False  # from now on its coarse half comes here, too
            self._overruled.discard(data[:2])
        else:
            fine = bytes((data[0], number + FINE))
            if fine in self._controls:
                self._overruled.add(fine)

    def _reset(self, channel: int) -> None:
        status = 0xB0 | channel
        for number, value in RESETS.items():
            halves = (number, number + FINE) if number < FINE else (number,)
            if any(bytes((status, half)) in self._controls for half in halves):
                self.note(control_change(channel, number, value))
        if 0xE0 | channel in self._bends:
            self.note(bytes((0xE0 | channel, 0, 64)))
        if channel in self._channels:
            self._channels[channel].parameters.deselect()

    def all_quiet(self) -> None:
        """Nothing sounds on the far side, whatever was struck: it has been released for certain."""
        self._struck.clear()

    # ---- what is known -----------------------------------------------------------------------

    def restore(self) -> list[bytes]:
        """What puts a synth back: each channel's bank, program, controls, parameters, bend.

        All of it is known here: what is sent of it need not be noted again.
        Controls come in the order of their numbers; but a fine half that a coarse value overruled
        comes before all of them. Notes, pressure, mode messages and SysEx are not sent again.
        """
        controls: list[list[bytes]] = [[] for _ in range(16)]
        for key in sorted(self._controls, key=lambda key: (key not in self._overruled, key)):
            controls[key[0] & 0x0F].append(self._controls[key])
        found: list[bytes] = []
        for channel in range(16):
            shared = self._channels.get(channel)
            if shared is not None:
                found += shared.program_messages(channel)
            found += controls[channel]
            if shared is not None:
                found += shared.parameters.messages(channel)
            bend = self._bends.get(0xE0 | channel)
            if bend is not None:
                found.append(bend)
        return found

    def last(self) -> list[bytes]:
        """The controls, bends and programs as they were last sent, and each parameter's value.

        It is quicker than `restore`, and in an order of no meaning.
        """
        found = [*self._controls.values(), *self._bends.values()]
        for number, channel in self._channels.items():
            found += channel.program_messages(number)
            for parameter, pair in channel.parameters.values.items():
                found += parameter.select(number) + pair.messages(number, DATA_ENTRY)
        return found

    def struck(self) -> dict[int, list[int]]:
        """The notes (0-127) that were ever struck, by channel (0-15), since all was quiet."""
        found: dict[int, list[int]] = {}
        for status, note in sorted(self._struck):
            found.setdefault(status & 0x0F, []).append(note)
        return found

    def off_messages(self, held: Set[int] = frozenset()) -> list[bytes]:
        """Note-offs for all that may sound on the far side, except for the notes that shall.

        `held` has them as channel (0-15) * 128 + note. A note-off that was sent already may have
        been lost with the plug, so every note that was struck gets one.
        """
        return [
            note_off(channel, note)
            for channel, notes in self.struck().items()
            for note in notes
            if channel << 7 | note not in held
        ]

    def channels(self) -> list[int]:
        """The channels (0-15) on which any channel message was sent, ascending."""
        kinds = range(0x80, FIRST_SYSTEM_STATUS, 0x10)
        return [c for c in range(16) if any(self._used[kind | c] for kind in kinds)]

    def value(self, channel: int, number: int) -> int | None:
        """The last value of an ordinary control on `channel` (0-15); None if it was never sent.

        Bank select, data entry and what selects parameters (98-101) are no ordinary controls.
        """
        data = self._controls.get(bytes((0xB0 | channel, number)))
        return None if data is None else data[2]
