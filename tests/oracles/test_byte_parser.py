"""Our reader of MIDI bytes and the writer for it, beside those of libasound (Debian: libasound2).

Where the two differ, the MIDI 1.0 Detailed Specification (document version 4.2.1) decides:

- F0 F7, a SysEx of no bytes: libasound passes it on. SysEx begins with a manufacturer's ID (p. 34),
  so for us it is no message.
- libasound hands a SysEx that outgrows its buffer over in parts; we drop one that is too long. So
  the streams here are shorter than either limit.
"""

from __future__ import annotations

import random
from collections.abc import Iterator

import pytest
from alsa_parser import AlsaParser

from pointsman.message import LENGTH_BY_STATUS
from pointsman.midi_bytes import ByteEncoder, ByteParser

EMPTY_SYSEX = b"\xf0\xf7"


def ours(stream: bytes) -> list[tuple[int, bytes]]:
    """Each message of a stream, and how many bytes had been read when it was whole."""
    parser = ByteParser()
    return [
        (count, message)
        for count, byte in enumerate(stream, start=1)
        for message in parser.feed(bytes((byte,)))
    ]


def theirs(alsa: AlsaParser, stream: bytes) -> list[tuple[int, bytes]]:
    return [found for found in alsa.parse(stream) if found[1] != EMPTY_SYSEX]


def messages(source: random.Random, count: int) -> Iterator[bytes]:
    """Random messages of every kind, channel messages in runs."""
    statuses = [status for status in range(0x80, 0x100) if LENGTH_BY_STATUS[status]]
    status = 0x90
    for _ in range(count):
        if source.random() < 0.5:
            status = source.choice(statuses)
        if source.random() < 0.05:
            size = source.randrange(1, 30)
            yield b"\xf0" + bytes(source.randrange(128) for _ in range(size)) + b"\xf7"
        else:
            yield bytes((status, source.randrange(128), source.randrange(128)))[
                : LENGTH_BY_STATUS[status]
            ]


@pytest.mark.parametrize("seed", range(20))
def test_what_we_send_libasound_reads(alsa: AlsaParser, seed: int) -> None:
    source = random.Random(seed)
    sent, encoder, stream, t_ns = list(messages(source, 300)), ByteEncoder(), bytearray(), 0
    for message in sent:
        t_ns += source.randrange(30_000_000)
        stream += encoder.encode(message, t_ns)
    assert len(stream) < sum(map(len, sent))  # running status was used
    assert [message for _, message in alsa.parse(bytes(stream))] == sent


@pytest.mark.parametrize("seed", range(20))
def test_messages_with_real_time_inside_them(alsa: AlsaParser, seed: int) -> None:
    source, encoder = random.Random(seed), ByteEncoder()
    stream = bytearray()
    for message in messages(source, 300):
        for byte in encoder.encode(message, 0):
            stream.append(byte)
            if source.random() < 0.2:
                stream.append(source.choice(b"\xf8\xfa\xfb\xfc\xfe"))
    assert ours(bytes(stream)) == theirs(alsa, bytes(stream))


@pytest.mark.parametrize("seed", range(20))
def test_random_bytes_are_read_alike(alsa: AlsaParser, seed: int) -> None:
    """Any bytes at all, more of them statuses than a sender would send."""
    source = random.Random(seed)
    odd = bytes.fromhex("80 90 B0 C0 F0 F0 F1 F2 F4 F5 F6 F7 F8 F9 FD FE FF")
    stream = bytes(
        source.choice(odd) if source.random() < 0.3 else source.randrange(256) for _ in range(4000)
    )
    assert ours(stream) == theirs(alsa, stream)
