"""Which lines of the rig made a message, from what each entry took and what it made of it.

How this works. The engine tells of every message that an entry handled: what it took (nothing,
where it acted by itself) and what came of that. What came of it is *in flight* until it is sent, or
until a later entry takes it. A message that nothing in flight answers to was made by no entry: it
is as it came in, or from the engine itself.

A later entry takes the newest equal message in flight, since a chain runs at once to its end. What
is sent is the oldest one, since a wire may keep messages waiting; what was in flight before it with
the same status and number has been overtaken, and is forgotten.

- *Changed*: an entry made the message from one that it took.
- *Of its own accord*: it made it beside the one that it took, or when it took none.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

from pointsman.chain import Entry
from pointsman.controls import NAME_BY_CONTROL
from pointsman.message import is_mode_message, is_note_off, is_note_on
from pointsman.plugin import Plugin
from pointsman.reporting.lanes import HOME, OWN, TIMED

FOR_A_NOTE, AGAIN = 8, 16
"""What else is known of a message: a note-off sent because another note begins; because the same
note begins again."""

UNTOUCHED, ENGINE = 0, 1
"""The traces of what no entry made: as it came in; from the engine itself (opening, release)."""

_MOST_IN_FLIGHT = 1024
_MOST_TRACES = 65_535


class Step(NamedTuple):
    """What one entry had to do with a message."""

    file: str
    line: int
    label: str
    own: bool


Making = tuple[int, int, int, int, int]
"""How a message came about: its trace, its flags, when (in nanoseconds), and the numbers of the
note and of the lane of the input that it is made of; -1: none. One is made for every message that
an entry changes, so it is no class."""


class Flights:
    """What is in flight on one output, or between the input's chain and the split.

    Called for every message: most find one in flight with their key, the very one.
    """

    def __init__(self) -> None:
        self._by_key: dict[bytes, list[tuple[bytes, Making]]] = {}

    def add(self, data: bytes, making: Making) -> None:
        """An entry has made this message."""
        key = data[:2] if data[0] < 0xC0 else data[:1]
        flying = self._by_key.get(key)
        if flying is None:
            flying = self._by_key[key] = []
        elif len(flying) > _MOST_IN_FLIGHT:
            del flying[0]
        flying.append((data, making))

    def take(self, data: bytes) -> Making | None:
        """A later entry takes it: the newest equal one."""
        flying = self._by_key.get(data[:2] if data[0] < 0xC0 else data[:1])
        if not flying:
            return None
        if flying[-1][0] == data:
            return flying.pop()[1]
        place = next((n for n in range(len(flying) - 1, -1, -1) if flying[n][0] == data), None)
        return None if place is None else flying.pop(place)[1]

    def look(self, data: bytes) -> Making | None:
        """The newest equal one, which stays: it goes to every output."""
        flying = self._by_key.get(data[:2] if data[0] < 0xC0 else data[:1], ())
        return next((making for other, making in reversed(flying) if other == data), None)

    def land(self, data: bytes) -> Making | None:
        """It is sent: the oldest equal one."""
        flying = self._by_key.get(data[:2] if data[0] < 0xC0 else data[:1])
        if not flying:
            return None
        if flying[0][0] == data:
            return flying.pop(0)[1]
        for place, (other, making) in enumerate(flying):
            if other == data:
                del flying[: place + 1]
                return making
        return None

    def clear(self) -> None:
        """Nothing is in flight any more."""
        self._by_key.clear()


class Tracer:
    """Listens to what the entries do. The collector says what has just come in."""

    def __init__(self) -> None:
        self.traces: list[tuple[Step, ...]] = [(), ()]
        self.note = self.lane = -1
        """The note and the control of the input that is being dealt with; -1: none."""
        self._numbers: dict[tuple[Entry, int, bool], int] = {}
        self._input = Flights()
        self._input_made = False
        """Whether the input's chain has made anything of what came in last."""
        self._flights: dict[str | None, Flights] = {None: self._input}

    def observe(
        self, output: str | None, entry: Entry, given: bytes | None, t_ns: int, out: object
    ) -> None:
        """What the engine tells of one entry: it took `given`, and `out` came of it."""
        if out is given:
            return
        flights = self._flights.get(output)
        if flights is None:
            flights = self._flights[output] = Flights()
        base: Making | None = None
        if given is not None:
            base = flights.take(given)
            if base is None and self._input_made and output is not None:
                base = self._input.look(given)
        if out is None:
            return
        if output is None:
            self._input_made = True
        if given is not None and type(out) is bytes and out[:1] and not (out[0] ^ given[0]) & 0xF0:
            flights.add(out, self._changed(entry, base, t_ns))  # most often
            return
        made = _messages(out)
        for data in made:
            if data == given:
                if base is not None:
                    flights.add(data, base)
            elif given is None or given in made or not _same_kind(given, data):
                beside = given is not None and given in made
                flights.add(data, self._own(entry, given, data, beside, t_ns))
            else:
                flights.add(data, self._changed(entry, base, t_ns))

    def begin(self) -> None:
        """A message comes in: what the input's chain made of the last one is dealt with."""
        if self._input_made:
            self._input.clear()
            self._input_made = False

    def sent(self, output: str, data: bytes) -> Making | None:
        """How a message that is sent came about; None: no entry made it."""
        flights = self._flights.get(output)
        making = flights.land(data) if flights else None
        if making is None and self._input_made:
            return self._input.look(data)
        return making

    def _changed(self, entry: Entry, base: Making | None, t_ns: int) -> Making:
        if base is None:
            return self._number(entry, UNTOUCHED, False), 0, t_ns, self.note, self.lane
        trace, flags, _, note, lane = base
        return self._number(entry, trace, False), flags, t_ns, note, lane

    def _own(
        self, entry: Entry, given: bytes | None, data: bytes, beside: bool, t_ns: int
    ) -> Making:
        flags = OWN if given is not None else OWN | TIMED
        if data[0] & 0xF0 == 0xB0 and not is_mode_message(data):
            flags |= HOME if _is_home(entry, data) else 0
        elif is_note_off(data) and given is not None and is_note_on(given):
            same = given[1] == data[1] and (given[0] ^ data[0]) & 0x0F == 0
            flags |= AGAIN if same else FOR_A_NOTE
        lane = -1 if beside else self.lane
        return self._number(entry, UNTOUCHED, True), flags, t_ns, self.note, lane

    def _number(self, entry: Entry, before: int, own: bool) -> int:
        """The number of the trace that goes on from another one with this entry."""
        number = self._numbers.get((entry, before, own))
        if number is None:
            steps = (*self.traces[before], Step(entry.file, entry.line, entry.label, own))
            if steps in self.traces:
                number = self.traces.index(steps)
            elif len(self.traces) > _MOST_TRACES:
                return ENGINE
            else:
                number = len(self.traces)
                self.traces.append(steps)
            self._numbers[entry, before, own] = number
        return number


def _messages(out: object) -> list[bytes]:
    """What an entry returned, as far as it is messages; the engine judges what is not.

    What can be gone through once only is the engine's: its messages then have no trace.
    """
    if isinstance(out, bytes):
        out = [out]
    if not isinstance(out, list | tuple):
        return []
    return [data for data in out if type(data) is bytes and data]


def _is_home(entry: Entry, data: bytes) -> bool:
    """Whether an entry that has just sent this control by itself keeps it away no longer.

    A plugin says which controls it keeps away. Of one that never does, the device file's home
    must do.
    """
    controls = entry.device.controls if entry.device else {}
    names = {str(data[1]), NAME_BY_CONTROL.get(data[1], "")}
    for name, ref in controls.items():
        if data[1] in (ref.cc, ref.fine) or (ref.parameter and data[1] == 6):
            names.add(name)
    if type(entry.plugin).away is not Plugin.away:
        try:
            away = entry.plugin.away()
        except Exception:  # a plugin's failure at being asked must not change what is rendered
            return False
        channel = data[0] & 0x0F
        return not any(c == channel and name in names for c, name, _, _ in away)
    return any(
        ref.cc == data[1] and ref.is_plain and ref.home == data[2] for ref in controls.values()
    )


def _same_kind(one: bytes, other: bytes) -> bool:
    if is_note_off(one) or is_note_off(other):
        return is_note_off(one) and is_note_off(other)
    return one[0] & 0xF0 == other[0] & 0xF0


def trace_lines(steps: Iterable[Step]) -> list[str]:
    """A trace in words: one line for each entry that had to do with the message."""
    return [
        f"{s.file}:{s.line} {s.label}: {'sent it of its own accord' if s.own else 'changed it'}"
        for s in steps
    ]
