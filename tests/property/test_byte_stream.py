"""Byte streams: whatever messages are sent come in again, however the bytes are cut up."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from pointsman.message import LENGTH_BY_STATUS, is_message
from pointsman.midi_bytes import LONGEST_SYSEX, ByteEncoder, ByteParser

DATA = st.integers(0, 127)
REAL_TIME = st.sampled_from([0xF8, 0xFA, 0xFB, 0xFC, 0xFE, 0xFF]).map(lambda b: bytes((b,)))
FIXED = st.tuples(
    st.sampled_from([s for s in range(0x80, 0xF8) if LENGTH_BY_STATUS[s]]), DATA, DATA
).map(lambda m: bytes(m[: LENGTH_BY_STATUS[m[0]]]))
RUNNING = st.tuples(st.sampled_from([0x90, 0xB3, 0xC5]), DATA, DATA).map(
    lambda m: bytes(m[: LENGTH_BY_STATUS[m[0]]])
)
SYSEX = st.lists(DATA, min_size=1, max_size=40).map(lambda d: b"\xf0" + bytes(d) + b"\xf7")
MESSAGES = st.lists(st.one_of(RUNNING, RUNNING, FIXED, REAL_TIME, SYSEX), max_size=40)
STEPS = st.integers(0, 700_000_000)
CUTS = st.lists(st.integers(1, 7), min_size=1, max_size=20)


def in_pieces(stream: bytes, cuts: list[int]) -> list[bytes]:
    """A stream cut into pieces of these sizes, again and again."""
    pieces: list[bytes] = []
    begin = 0
    while begin < len(stream):
        size = cuts[len(pieces) % len(cuts)]
        pieces.append(stream[begin : begin + size])
        begin += size
    return pieces


@given(MESSAGES, st.lists(STEPS, min_size=40, max_size=40), CUTS)
def test_what_is_sent_comes_in(messages: list[bytes], steps: list[int], cuts: list[int]) -> None:
    encoder, parser, stream, t_ns = ByteEncoder(), ByteParser(), b"", 0
    for message, step in zip(messages, steps, strict=False):
        t_ns += step
        stream += encoder.encode(message, t_ns)
    assert len(stream) <= sum(map(len, messages))
    assert [m for piece in in_pieces(stream, cuts) for m in parser.feed(piece)] == messages
    assert parser.noise == 0


@given(MESSAGES, st.lists(st.tuples(st.integers(0, 400), REAL_TIME), max_size=30), CUTS)
def test_real_time_may_stand_anywhere(
    messages: list[bytes], put_in: list[tuple[int, bytes]], cuts: list[int]
) -> None:
    """MIDI 1.0, 4.2.1, pp. 29, 30: also inside another message, and inside SysEx."""
    encoder, parser = ByteEncoder(), ByteParser()
    others = [message for message in messages if message[0] < 0xF8]
    stream = bytearray(b"".join(encoder.encode(message, 0) for message in others))
    for place, byte in put_in:
        place %= len(stream) + 1
        stream[place:place] = byte
    real_time = [bytes((byte,)) for byte in stream if byte >= 0xF8]
    found = [m for piece in in_pieces(bytes(stream), cuts) for m in parser.feed(piece)]
    assert [message for message in found if message[0] < 0xF8] == others
    assert [message for message in found if message[0] >= 0xF8] == real_time
    assert parser.noise == 0


ANY_BYTES = st.one_of(
    st.binary(max_size=200),
    st.lists(
        st.sampled_from(bytes.fromhex("00 3C 7F 80 90 B0 C0 F0 F1 F2 F4 F6 F7 F8 F9 FD FF")),
        max_size=200,
    ).map(bytes),
)


@given(ANY_BYTES, CUTS)
def test_noise_is_survived_and_every_byte_accounted_for(stream: bytes, cuts: list[int]) -> None:
    parser = ByteParser()
    found = [m for piece in in_pieces(stream, cuts) for m in parser.feed(piece)]
    assert all(is_message(message) for message in found)
    assert found == ByteParser().feed(stream)
    # one that can say what it is again is heard again
    noise = parser.noise
    assert parser.feed(b"\xf6\x90\x3c\x40") == [b"\xf6", b"\x90\x3c\x40"]
    left = parser.noise - noise
    implied = len(b"".join(found)) - (len(stream) - noise - left)
    assert 0 <= implied <= len(found)  # status bytes that were left out


@given(st.binary(max_size=50))
def test_a_long_sysex_is_bounded(tail: bytes) -> None:
    parser = ByteParser(16)
    for message in parser.feed(b"\xf0" + bytes(20) + tail):
        assert len(message) <= 16
    assert LONGEST_SYSEX >= 16
