"""Who is connected to whom, as the kernel's ALSA sequencer tells it in a file.

An unplug takes the connections of a port away, and a replug does not bring them back: so our own
port's connection says whether what we opened is still there, even when a replug between two looks
has given the same name and numbers again. Reading a file lets other threads go on meanwhile, which
the library's own listing does not. The file looks like this (Linux 6.1):

    Client  28 : "Tug Box" [Kernel Legacy]
      Port   0 : "Tug Box MIDI 1" (RWeX)
        Connected From: 128:0[r:0]
    Client 128 : "Pointsman" [User Legacy]
      Port   0 : "out 5f1c09ab" (R-e-)
        Connecting To: 28:0[r:0], 130:0
      Output pool :
        Pool size          : 500
"""

from __future__ import annotations

import re
import time
from pathlib import Path

CLIENTS = Path("/proc/asound/seq/clients")

FRESH_S = 0.05
"""For how long one look serves everybody who asks."""

_PROGRAMS = 64
"""How many clients can be programs: 192, less the 128 numbers that are for cards and the kernel.

Linux, sound/core/seq/seq_clientmgr.c: SNDRV_SEQ_MAX_CLIENTS and SNDRV_SEQ_DYNAMIC_CLIENTS_BEGIN.
"""

_PROGRAM = re.compile(rb"^Client 1(?:2[89]|[3-9]\d) : ", re.MULTILINE)
_HEAD = re.compile(rb'^(?:Client +\d+ : "(.*)" \[|  Port +\d+ : ".*" \().*$', re.MULTILINE)
_ADDRESS = re.compile(rb"\d+:\d+")


class Look:
    """What one look at the file has shown."""

    def __init__(self, text: bytes) -> None:
        self._text = text

    def links(self, port: str) -> set[str] | None:
        """The addresses that the port of this name is connected to; None when it is not there.

        The name must be one that no other client's port has.
        """
        head = self._text.find(f': "{port}" ('.encode())
        if head < 0:
            return None
        found: set[str] = set()
        for line in self._text[self._text.index(b"\n", head) + 1 :].split(b"\n", 2)[:2]:
            if not line.startswith((b"    Connecting To: ", b"    Connected From: ")):
                break
            found.update(address.decode() for address in _ADDRESS.findall(line))
        return found

    def others(self, own: str) -> tuple[bytes, ...]:
        """Something that differs whenever another client than `own` has got or lost a port.

        Connections, and how full the pools are, make no difference.
        """
        own_name, ours = own.encode(), False
        kept: list[bytes] = []
        for head in _HEAD.finditer(self._text):
            if head[1] is not None:
                ours = head[1] == own_name
            if not ours:
                kept.append(head[0])
        return tuple(kept)

    def is_full(self) -> bool:
        """Whether the sequencer takes no more programs; each port of ours counts as one."""
        return len(_PROGRAM.findall(self._text)) >= _PROGRAMS


_last: tuple[float, Look | None] = (-1.0, None)


def look(*, fresh: bool = False) -> Look | None:
    """The last look if it is young enough and `fresh` is not asked for, else a new one.

    None where the file cannot be read: not Linux, or a service that may not see it.
    """
    global _last
    now_s = time.monotonic()
    taken_s, seen = _last
    if fresh or not taken_s <= now_s < taken_s + FRESH_S:
        try:
            seen = Look(CLIENTS.read_bytes())
        except OSError:
            seen = None
        _last = (now_s, seen)
    return seen
