"""Whatever an output was sent: a synth that is told again ends where the stream had left it.

The synths here are models made from the published rules alone (MIDI 1.0, 4.2.1: pairs p. 12, bank
p. 13, parameters pp. 17, 18; RP-015 for Reset All Controllers; RP-018 for steps, from memory).
They know nothing of how the memory works.
"""

from __future__ import annotations

from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from pointsman.live.memory import Memory

STEPS = {(101, 0, 1): 1, (101, 0, 2): 128, (101, 0, 3): 128, (101, 0, 4): 128}
"""How far Data Increment moves a 14-bit value, where that is agreed: tuning."""


class Synth:
    """One channel of a synth that has just been switched on.

    `pairs`: a coarse value sets its fine half to 0; else 32-63 are controls of their own.
    """

    def __init__(self, pairs: bool) -> None:
        self.pairs = pairs
        self.controls: dict[int, int] = {1: 0, 11: 127, 64: 0, 65: 0, 66: 0, 67: 0}
        if pairs:
            self.controls |= {33: 0, 43: 0}
        self.program: tuple[int, int, int] | None = None
        self.bank = [0, 0]
        self.bend = (0, 64)
        self.numbers = {99: 127, 98: 127, 101: 127, 100: 127}
        self.kind = 101
        self.values: dict[tuple[int, int, int], list[int | None]] = {}

    @property
    def selected(self) -> tuple[int, int, int] | None:
        coarse, fine = self.numbers[self.kind], self.numbers[self.kind - 1]
        return None if coarse == fine == 127 else (self.kind, coarse, fine)

    def state(self) -> dict[str, Any]:
        values = {key: pair for key, pair in self.values.items() if pair != [None, None]}
        found = {**vars(self), "values": values, "selected": self.selected}
        if self.selected is None:
            del found["kind"]
        return found

    def hear(self, data: bytes) -> None:
        kind = data[0] & 0xF0
        if kind == 0xB0:
            self.control(data[1], data[2])
        elif kind == 0xC0:
            self.program = (self.bank[0], self.bank[1], data[1])
        elif kind == 0xE0:
            self.bend = (data[1], data[2])

    def control(self, number: int, value: int) -> None:
        if number == 121:
            self.reset()
        elif number >= 120:
            pass
        elif number in (0, 32):
            self.bank[number == 32] = value
            if number == 0 and self.pairs:
                self.bank[1] = 0
        elif number in self.numbers:
            self.numbers[number] = value
            self.kind = number | 1
        elif number in (6, 38, 96, 97):
            self.entry(number, value)
        else:
            self.controls[number] = value
            if number < 32 and self.pairs:
                self.controls[number + 32] = 0

    def entry(self, number: int, value: int) -> None:
        if self.selected is None:
            return
        pair = self.values.setdefault(self.selected, [None, None])
        if number == 38:
            pair[1] = value
        elif number == 6:
            pair[0] = value
            if self.pairs:
                pair[1] = 0
        elif pair[0] is None or self.selected not in STEPS:
            pair[:] = [None, None]  # nobody can know
        else:
            step = STEPS[self.selected] * (1 if number == 96 else -1)
            if abs(step) == 128:
                pair[0] = min(max(pair[0] + step // 128, 0), 127)
            else:
                pair[:] = divmod(min(max(pair[0] * 128 + (pair[1] or 0) + step, 0), 16383), 128)

    def reset(self) -> None:
        self.numbers = dict.fromkeys(self.numbers, 127)
        self.bend = (0, 64)
        for number, value in {1: 0, 11: 127, 64: 0, 65: 0, 66: 0, 67: 0}.items():
            self.control(number, value)


class Rack:
    """Sixteen of them."""

    def __init__(self, pairs: bool, *streams: list[bytes]) -> None:
        self.channels = [Synth(pairs) for _ in range(16)]
        for data in (data for stream in streams for data in stream):
            if data[0] < 0xF0:
                self.channels[data[0] & 0x0F].hear(data)

    def state(self) -> list[dict[str, Any]]:
        return [synth.state() for synth in self.channels]


def remembered(stream: list[bytes]) -> list[bytes]:
    memory = Memory()
    for data in stream:
        memory.note(data)
    return memory.restore()


CHANNELS = st.sampled_from((0, 1, 15))
VALUES = st.sampled_from((0, 1, 2, 64, 126, 127)) | st.integers(0, 127)
SHARED = (0, 32, 6, 38, 98, 99, 100, 101, 1, 33, 11, 43, 7, 39, 64, 67, 74, 119, 121, 96, 97, 123)
NUMBERS = st.sampled_from(SHARED) | st.integers(0, 127)


@st.composite
def messages(draw: st.DrawFn) -> bytes:
    kind = draw(st.sampled_from((0xB0,) * 8 + (0xC0, 0xE0, 0x80, 0x90, 0xA0, 0xD0, 0xF0)))
    if kind == 0xF0:
        return draw(st.sampled_from((b"\xf8", b"\xf0\x7d\x01\xf7", b"\xf2\x01\x02", b"\xff")))
    status = kind | draw(CHANNELS)
    if kind in (0xC0, 0xD0):
        return bytes((status, draw(VALUES)))
    return bytes((status, draw(NUMBERS if kind == 0xB0 else VALUES), draw(VALUES)))


@st.composite
def tunings(draw: st.DrawFn) -> list[bytes]:
    """Edits of a parameter: selected whole, then set and stepped."""
    status, msb = 0xB0 | draw(CHANNELS), draw(st.sampled_from((99, 101)))
    edits = st.tuples(st.sampled_from((6, 38, 96, 97)), VALUES)
    picked = [(msb, draw(st.sampled_from((0, 127)))), (msb - 1, draw(st.integers(0, 4)))]
    return [bytes((status, *edit)) for edit in picked + draw(st.lists(edits, max_size=4))]


def joined(parts: list[list[bytes]]) -> list[bytes]:
    return [data for part in parts for data in part]


STREAMS = st.lists(messages().map(lambda data: [data]) | tunings(), max_size=40).map(joined)


@given(STREAMS)
def test_a_synth_switched_on_again_ends_where_the_stream_had_left_it(stream: list[bytes]) -> None:
    assert Rack(True, remembered(stream)).state() == Rack(True, stream).state()


@given(STREAMS)
def test_so_does_one_whose_controls_are_no_pairs(stream: list[bytes]) -> None:
    """Steps are left out: from where they start depends on what a coarse value does."""
    stream = [d for d in stream if not (d[0] & 0xF0 == 0xB0 and d[1] in (96, 97))]
    assert Rack(False, remembered(stream)).state() == Rack(False, stream).state()


@st.composite
def whole_streams(draw: st.DrawFn) -> list[bytes]:
    """Streams that send banks and parameter numbers whole, as MIDI 1.0 asks for."""
    parts = [[bytes((0xB0 | c, n, 1)) for n in (0, 32)] + [bytes((0xC0 | c, 1))] for c in range(16)]
    for _ in range(draw(st.integers(0, 25))):
        channel, (one, two, three) = draw(CHANNELS), draw(st.tuples(VALUES, VALUES, VALUES))
        kind = draw(st.sampled_from(("bank", "program", "select", "value", "bend", "control")))
        if kind == "program":
            parts.append([bytes((0xC0 | channel, one))])
        elif kind == "bend":
            parts.append([bytes((0xE0 | channel, one, two))])
        else:
            msb = draw(st.sampled_from((99, 101)))
            plain = draw(st.sampled_from((1, 33, 11, 43, 7, 64, 66, 74, 121)))
            controls = {
                "bank": [(0, one), (32, two)],
                "select": [(msb, one % 3), (msb - 1, two % 3)],
                "value": [(msb, one % 3), (msb - 1, two % 3), (6, three), (38, one)],
                "control": [(plain, one)],
            }[kind]
            parts.append([bytes((0xB0 | channel, *control)) for control in controls])
    return joined(parts)


@given(whole_streams(), st.data(), st.booleans())
def test_a_synth_that_stayed_on_and_missed_the_end_catches_up(
    stream: list[bytes], data: st.DataObject, pairs: bool
) -> None:
    heard = stream[: data.draw(st.integers(0, len(stream)))]
    assert Rack(pairs, heard, remembered(stream)).state() == Rack(pairs, stream).state()


@given(STREAMS)
def test_the_order_is_one_that_a_synth_accepts(stream: list[bytes]) -> None:
    """By channel: bank, program, bank; controls; parameters; bend. Nothing that sounds."""
    restored = remembered(stream)
    channels = [data[0] & 0x0F for data in restored]
    assert channels == sorted(channels)
    for channel in set(channels):
        places = [_place(data) for data in restored if data[0] & 0x0F == channel]
        if 1 in places:  # a bank that waits stands after the program
            places = [place for place in places if place]
        assert places == sorted(places)


def _place(data: bytes) -> int:
    kind = data[0] & 0xF0
    if kind != 0xB0:
        return {0xC0: 1, 0xE0: 4}[kind]
    assert data[1] < 120
    if data[1] in (0, 32):
        return 0
    return 3 if data[1] in (6, 38, 98, 99, 100, 101) else 2


@given(STREAMS)
def test_what_was_struck_gets_its_note_off(stream: list[bytes]) -> None:
    memory = Memory()
    for data in stream:
        memory.note(data)
    struck = {(d[0] & 0x0F, d[1]) for d in stream if d[0] & 0xF0 == 0x90 and d[2]}
    assert {(c, note) for c, notes in memory.struck().items() for note in notes} == struck
    assert {(d[0] & 0x0F, d[1]) for d in memory.off_messages()} == struck
    assert memory.channels() == sorted({d[0] & 0x0F for d in stream if d[0] < 0xF0})
