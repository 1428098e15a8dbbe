"""The least that can be done in Python on the sequencer itself, with no library in between.

    python tests/bench/direct.py IN OUT...

It opens a port of each name, and sends on whatever comes: the events as they are, read from the
sequencer's own file and written there, those for all outputs at once. Numbers, names and layouts
are those of Linux's sound/asequencer.h. There are no clients' names, no SysEx and no care for
pools: it is a measure, and no way to live.
"""

from __future__ import annotations

import fcntl
import os
import struct
import sys
from collections.abc import Sequence

SEQUENCER = "/dev/snd/seq"
EVENT_BYTES = 28
DATA_AT = 16  # before it: kind, flags, tag, queue, time, source, destination
MOST_EVENTS = 64
FIRST_NO_MIDI = 60  # SNDRV_SEQ_EVENT_CLIENT_START: from here on, news of clients and ports

READ, WRITE = 1 << 0 | 1 << 5, 1 << 1 | 1 << 6  # and whoever wants to may connect
GENERIC_MIDI, APPLICATION = 1 << 1, 1 << 20
DIRECT, SUBSCRIBERS, UNKNOWN = 253, 254, 253

# struct snd_seq_port_info: client, port, name, capability, type, channels, and what is not set here
PORT = struct.Struct("=BB64s2xIIi88x")
CLIENT = struct.Struct("=i")


def request(direction: int, number: int, size: int) -> int:
    """The number of a request of the sequencer's, as _IOR and _IOWR of Linux put it together."""
    return direction << 30 | size << 16 | ord("S") << 8 | number


def ask(file: int, direction: int, number: int, data: bytes) -> bytes:
    """Make a request, and return what it has made of `data`."""
    given = bytearray(data)
    fcntl.ioctl(file, request(direction, number, len(given)), given)
    return bytes(given)


def open_port(file: int, client: int, name: str, capability: int) -> int:
    """Open a port that others may connect to; returns its number."""
    wanted = PORT.pack(client, 0, name.encode(), capability, GENERIC_MIDI | APPLICATION, 16)
    return ask(file, 3, 0x20, wanted)[1]


def pass_through(in_name: str, out_names: Sequence[str]) -> None:
    """Send on what comes, for ever."""
    file = os.open(SEQUENCER, os.O_RDWR)
    (client,) = CLIENT.unpack(ask(file, 2, 0x01, bytes(CLIENT.size)))
    open_port(file, client, in_name, WRITE)
    outputs = [open_port(file, client, name, READ) for name in out_names]
    ways = [bytes((DIRECT, *bytes(8), client, port, SUBSCRIBERS, UNKNOWN)) for port in outputs]
    while True:
        events = os.read(file, MOST_EVENTS * EVENT_BYTES)
        for at in range(0, len(events), EVENT_BYTES):
            if events[at] < FIRST_NO_MIDI:
                kind, data = events[at : at + 3], events[at + DATA_AT : at + EVENT_BYTES]
                os.write(file, b"".join([kind + way + data for way in ways]))


if __name__ == "__main__":
    pass_through(sys.argv[1], sys.argv[2:])
