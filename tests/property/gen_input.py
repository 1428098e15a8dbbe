"""Random but legal input, drawn from a small world so that things meet: the same few keys,
controls and channels, and times that fall together, within a window, and far apart."""

from __future__ import annotations

from collections import Counter

from hypothesis import strategies as st

Event = tuple[int, bytes]
"""When a message comes, in nanoseconds, and the message."""

MS = 1_000_000
KEYS = (0, 48, 59, 60, 61, 62, 72, 127)
CONTROLS = (0, 1, 6, 7, 32, 38, 39, 64, 74, 98, 99, 100, 101, 119)

channels = st.sampled_from((0, 0, 0, 1, 1, 2, 9, 15))
keys = st.sampled_from(KEYS)
values = st.one_of(st.sampled_from((0, 1, 63, 64, 126, 127)), st.integers(0, 127))
velocities = st.one_of(st.sampled_from((1, 64, 127)), st.integers(1, 127))


def _channel_message(status: int, *data: st.SearchStrategy[int]) -> st.SearchStrategy[bytes]:
    return st.tuples(channels, *data).map(lambda drawn: bytes((status | drawn[0], *drawn[1:])))


note_ons = _channel_message(0x90, keys, velocities)
note_offs = st.one_of(
    _channel_message(0x80, keys, values), _channel_message(0x90, keys, st.just(0))
)
controls = _channel_message(0xB0, st.sampled_from(CONTROLS), values)
modes = _channel_message(0xB0, st.integers(120, 127), st.sampled_from((0, 0, 1, 127)))
other_channel_messages = st.one_of(
    _channel_message(0xA0, keys, values),
    _channel_message(0xC0, values),
    _channel_message(0xD0, values),
    _channel_message(0xE0, values, values),
)
sysex = st.one_of(
    st.lists(values, min_size=1, max_size=6).map(lambda body: bytes((0xF0, *body, 0xF7))),
    values.map(lambda value: bytes((0xF0, 0x7D, 0x10, value, 0xF7))),
)
song_positions = st.integers(0, 40).map(lambda beats: bytes((0xF2, beats, 0)))
clocks = st.just(b"\xf8")
transport = st.one_of(st.sampled_from((b"\xfa", b"\xfb", b"\xfc")), song_positions)
other_system_messages = st.one_of(
    sysex, st.sampled_from((b"\xf1\x10", b"\xf3\x05", b"\xf6", b"\xfe", b"\xff"))
)

messages = st.one_of(
    note_ons, note_ons, note_offs, note_offs, controls, controls, modes,
    other_channel_messages, clocks, clocks, transport, other_system_messages,
)  # fmt: skip

gaps = st.one_of(
    st.just(0),
    st.sampled_from((1, 5 * MS, 20 * MS, 20 * MS + 1, 21 * MS, 250 * MS, 2_000 * MS)),
    st.integers(0, 50 * MS),
)


def inputs(
    message: st.SearchStrategy[bytes] = messages, max_size: int = 40
) -> st.SearchStrategy[list[Event]]:
    """A stretch of input whose times never go down."""

    def timed(steps: list[tuple[int, bytes]]) -> list[Event]:
        t_ns, events = 0, []
        for gap_ns, data in steps:
            t_ns += gap_ns
            events.append((t_ns, data))
        return events

    return st.lists(st.tuples(gaps, message), max_size=max_size).map(timed)


def ends_note(data: bytes) -> bool:
    """Whether a message is a note-off, in either of its forms (MIDI 1.0, 4.2.1, p. 10)."""
    return data[0] & 0xF0 == 0x80 or (data[0] & 0xF0 == 0x90 and data[2] == 0)


def begins_note(data: bytes) -> bool:
    """Whether a message is a note-on that sounds."""
    return data[0] & 0xF0 == 0x90 and data[2] > 0


def note_of(data: bytes) -> tuple[int, int]:
    """The channel (0-15) and the key of a note message."""
    return data[0] & 0x0F, data[1]


def let_go(events: list[Event]) -> list[Event]:
    """The input again, and after it the note-offs for every key that it still holds.

    Two note-ons on one key need two note-offs (MIDI 1.0, 4.2.1, p. A-4).
    """
    held: Counter[tuple[int, int]] = Counter()
    for _, data in events:
        if begins_note(data):
            held[note_of(data)] += 1
        elif ends_note(data) and held[note_of(data)]:
            held[note_of(data)] -= 1
    t_ns = events[-1][0] if events else 0
    offs = [
        (t_ns + (n + 1) * MS, bytes((0x80 | channel, key, 64)))
        for n, (channel, key) in enumerate(held.elements())
    ]
    return [*events, *offs]
