"""A paced wire held to section 6 of the contract, by checks that know nothing of its queue.

What was sent is compared with what was offered, channel by channel, in the *stretches* between
notes: "a waiting control is overtaken by a newer value of the same channel and control (it takes
the older one's place) as long as no note of that channel stands between them".
"""

from __future__ import annotations

from collections import Counter
from itertools import pairwise

import pytest
from gen_input import (
    Event,
    channels,
    ends_note,
    inputs,
    keys,
    messages,
    note_offs,
    note_ons,
    values,
)
from hypothesis import given
from hypothesis import strategies as st
from listening import AFTER_ALL_NS, play_in_pieces

from pointsman import wire_queue
from pointsman.engine import Engine
from pointsman.message import control_change
from pointsman.rig import OutputSpec, Rig, Safety

DIN = 3125
MESSAGE_NS = 960_000
"""Three bytes on a DIN wire (MIDI 1.0, 4.2.1, p. 9)."""

NEVER_MERGED = {0, 32, 6, 38, 96, 97, 98, 99, 100, 101, 64, 66, 67}
CONTROLS = (0, 1, 6, 7, 33, 64, 74, 99, 123)
crowded = st.one_of(
    note_ons,
    note_offs,
    st.tuples(channels, st.sampled_from(CONTROLS), values).map(lambda c: control_change(*c)),
    st.tuples(channels, st.sampled_from((1, 74)), values).map(lambda c: control_change(*c)),
    st.just(b"\xf8"),
)
gaps = st.sampled_from((0, 0, 0, 1, 320_000, 500_000, 960_000, 5_000_000, 100_000_000))


@st.composite
def crowds(
    draw: st.DrawFn, message: st.SearchStrategy[bytes] = crowded, max_size: int = 60
) -> list[Event]:
    """Messages so close together that most have to wait."""
    t_ns, events = 0, []
    for gap_ns, data in draw(st.lists(st.tuples(gaps, message), max_size=max_size)):
        t_ns += gap_ns
        events.append((t_ns, data))
    return events


class Cable:
    """An engine with one or two outputs on one wire, and what went over it."""

    def __init__(self, rate: int = DIN, outputs: tuple[str, ...] = ("tug",)) -> None:
        specs = tuple(OutputSpec(n, "virtual:quay", wire_rate=rate) for n in outputs)
        rig = Rig("harbour", "null:", specs, safety=Safety(on_exit=False))
        self.sent: list[Event] = []
        self.names: list[str] = []
        self.engine = Engine(rig, self._send)

    def _send(self, name: str, data: bytes, t_ns: int) -> None:
        self.names.append(name)
        self.sent.append((t_ns, data))

    def play(self, events: list[Event]) -> list[Event]:
        for t_ns, data in events:
            self.engine.receive(data, t_ns)
        self.engine.advance(AFTER_ALL_NS)
        return self.sent


def on_channel(events: list[Event], channel: int) -> list[bytes]:
    return [data for _, data in events if data[0] < 0xF0 and data[0] & 0x0F == channel]


def is_note(data: bytes) -> bool:
    return data[0] & 0xE0 == 0x80


def control_of(data: bytes) -> int | None:
    return data[1] if data[0] & 0xF0 == 0xB0 and data[1] < 120 else None


def may_be_overtaken(data: bytes, pairs: set[int]) -> bool:
    number = control_of(data)
    return number is not None and number not in NEVER_MERGED | pairs


def pairs_in(offered: list[bytes]) -> set[int]:
    """Numbers of which both halves come at some time: those may or may not be overtaken."""
    used = {control_of(data) for data in offered} - {None}
    return {n for n in used if n is not None and n < 64 and n ^ 32 in used}


def stretches(stream: list[bytes]) -> list[list[bytes]]:
    """What stands between one note and the next."""
    found: list[list[bytes]] = [[]]
    for data in stream:
        if is_note(data):
            found.append([])
        else:
            found[-1].append(data)
    return found


def is_within(some: list[bytes], full: list[bytes]) -> bool:
    """Whether `some` is `full` with things left out."""
    rest = iter(full)
    return all(item in rest for item in some)


few = crowds(max_size=30)
"""So few that no note can be so late that values before it have to be dropped."""


@given(few)
def test_within_a_channel_all_keeps_its_order_and_only_overtaken_controls_are_missing(
    events: list[Event],
) -> None:
    sent = Cable().play(events)
    for channel in range(16):
        before, after = on_channel(events, channel), on_channel(sent, channel)
        loose = pairs_in(before)
        fixed = [
            [d for d in stream if control_of(d) not in loose and not may_be_overtaken(d, loose)]
            for stream in (before, after)
        ]
        assert fixed[0] == fixed[1]


@given(few)
def test_every_note_finds_the_controls_of_its_channel_as_they_were_when_it_came(
    events: list[Event],
) -> None:
    sent = Cable().play(events)
    for channel in range(16):
        before, after = (stretches(on_channel(stream, channel)) for stream in (events, sent))
        assert len(before) == len(after)
        for offered, left in zip(before, after, strict=True):
            for head in {data[:2] for data in offered if control_of(data) is not None}:
                asked = [data for data in offered if data[:2] == head]
                got = [data for data in left if data[:2] == head]
                assert got
                assert is_within(got, asked)
                assert got[-1] == asked[-1]
            assert {data[:2] for data in left} <= {data[:2] for data in offered}


@given(crowds(messages))
def test_every_control_ends_on_its_newest_value_and_no_note_off_is_lost(
    events: list[Event],
) -> None:
    sent = Cable().play(events)
    last, got = ({d[:2]: d for _, d in es if control_of(d) is not None} for es in (events, sent))
    assert got == last
    offs, sent_offs = (Counter(d for _, d in es if ends_note(d)) for es in (events, sent))
    assert sent_offs == offs


@given(crowds(messages), st.sampled_from((DIN, 500, 31_250, 999, 1_000_000_007)))
def test_no_two_bytes_share_a_time(events: list[Event], rate: int) -> None:
    """Real time may stand inside system exclusive, which then takes so much longer (p. 30)."""
    begun = end = 0  # in nanoseconds * rate
    exclusive = False
    for t_ns, data in Cable(rate).play(events):
        begins = t_ns * rate
        if begins + rate <= end:  # times are rounded up to whole nanoseconds
            assert exclusive
            assert data[0] >= 0xF8
            bytes_gone = (begins - begun) / 1_000_000_000
            assert abs(bytes_gone - round(bytes_gone)) * 1_000_000_000 <= 2 * rate
            end += 1_000_000_000
            continue
        begun = max(begins - rate + 1, end)
        end = begun + len(data) * 1_000_000_000
        exclusive = data[0] == 0xF0


@given(crowds(messages))
def test_nothing_leaves_before_it_has_come(events: list[Event]) -> None:
    came: dict[bytes, list[int]] = {}
    for t_ns, data in events:
        came.setdefault(data, []).append(t_ns)
    for t_ns, data in Cable().play(events):
        assert came[data].pop(0) <= t_ns


@given(crowds(messages))
def test_real_time_waits_for_no_more_than_one_message_and_the_real_time_before_it(
    events: list[Event],
) -> None:
    """Start and Continue stay behind a Song Position that says where to."""
    system = {0xF1, 0xF2, 0xF3, 0xF6, 0xFA, 0xFB}
    if any(data[0] in system for _, data in events):
        events = [event for event in events if event[1][0] not in system]
    sent = Cable().play(events)
    asked = [event for event in events if 0xF8 <= event[1][0] < 0xFE]
    left = [event for event in sent if event[1][0] >= 0xF8]
    assert [data for _, data in left] == [data for _, data in asked]
    free = 0
    for (came_ns, _), (t_ns, _) in zip(asked, left, strict=True):
        assert t_ns <= max(came_ns + MESSAGE_NS, free)
        free = t_ns + MESSAGE_NS // 3


@given(crowds(messages), st.data())
def test_in_pieces_is_the_same_as_at_once(events: list[Event], data: st.DataObject) -> None:
    in_pieces = Cable()
    play_in_pieces(in_pieces.engine, events, data)
    assert in_pieces.sent == Cable().play(events)


@given(crowds(messages))
def test_what_waits_at_the_end_goes_out_as_it_would_have(events: list[Event]) -> None:
    ended = Cable()
    for t_ns, message in events:
        ended.engine.receive(message, t_ns)
    ended.engine.close(events[-1][0] if events else 0)
    assert ended.sent == Cable().play(events)


@given(crowds())
def test_two_outputs_of_one_port_have_one_wire(events: list[Event]) -> None:
    cable = Cable(outputs=("tug", "gull"))
    sent = cable.play(events)
    for (before_ns, data), (t_ns, _) in pairwise(sent):
        assert t_ns >= before_ns + len(data) * MESSAGE_NS // 3
    for name in ("tug", "gull"):
        mine = [event for event, who in zip(sent, cable.names, strict=True) if who == name]
        notes = [[d for _, d in stream if is_note(d)] for stream in (events, mine)]
        for channel in range(16):
            first, second = ([d for d in s if d[0] & 0x0F == channel] for s in notes)
            assert first == second


@given(crowds(st.one_of(crowded, messages, st.tuples(channels, keys).map(
    lambda c: bytes((0xE0 | c[0], 0, c[1]))))), st.integers(1, 6))  # fmt: skip
def test_a_full_queue_loses_no_note_off_and_no_newest_value(events: list[Event], room: int) -> None:
    """Rule 4: "the queue is bounded: when it is full, waiting controls … go first, counted"."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(wire_queue, "ROOM", room)
        cable = Cable()
        sent = cable.play(events)
    offs, sent_offs = (Counter(d for _, d in es if ends_note(d)) for es in (events, sent))
    assert sent_offs == offs
    resets = any(data[0] & 0xF0 == 0xB0 and data[1] == 121 for _, data in events)
    state = [data for _, data in events if control_of(data) is not None]
    loose = NEVER_MERGED - {64, 66, 67, 0, 32}
    if not resets:
        newest, got = (
            {d[:2]: d for d in stream if d[1] not in loose}
            for stream in (state, [d for _, d in sent if control_of(d) is not None])
        )
        assert got == newest
    figures = cable.engine.wire_figures(AFTER_ALL_NS)["tug"]
    counted = sum(figures.overtaken.values()) + sum(figures.dropped.values())
    offered = sum(data[0] not in (0xFE, 0xFF) for _, data in events)
    assert offered - counted <= len(sent) <= offered


@given(inputs(max_size=60))
def test_a_free_output_sends_what_it_sent_before_there_were_wires(events: list[Event]) -> None:
    rig = Rig("harbour", "null:", (OutputSpec("tug", "null:"),), safety=Safety(on_exit=False))
    sent: list[Event] = []
    engine = Engine(rig, lambda name, data, t_ns: sent.append((t_ns, data)))
    for t_ns, data in events:
        engine.receive(data, t_ns)
    assert sent == [event for event in events if event[1] not in (b"\xfe", b"\xff")]
    assert engine.wire_figures(0) == {}
