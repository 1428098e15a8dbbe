"""The kernel's side of the ALSA sequencer, as far as our ports ask for it.

Each client's file is a named pipe that both sides have open: what is written is there to be read,
as a client hears what it sends to itself. Requests are answered from structures that are taken
apart here by their offsets in <sound/asequencer.h>, not by those of the code.
"""

from __future__ import annotations

import errno
import os
import struct
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

CLIENT_ID, SET_INFO, CREATE_PORT, SUBSCRIBE, SET_POOL, QUERY = (
    0x80045301, 0x40BC5311, 0xC0A85320, 0x40505330, 0x4058534C, 0xC058534F,
)  # fmt: skip
EVENT_BYTES = 28


def errno_error(number: int) -> OSError:
    return OSError(number, os.strerror(number))


@dataclass
class Client:
    """One client, and what is known of its port."""

    number: int
    file: int
    far: int
    mode: int
    name: str = ""
    port: str = ""
    capability: int = 0
    kind: int = 0
    pool: int = 200
    link: tuple[str, str] | None = None
    listeners: int = 1

    @property
    def is_closed(self) -> bool:
        """Whether our side of its file is closed."""
        try:
            return not os.path.sameopenfile(self.file, self.far)
        except OSError:
            return True

    def heard(self) -> bytes:
        """All that was written since the last time."""
        try:
            return os.read(self.far, 1 << 16)
        except BlockingIOError:
            return b""

    def play(self, events: bytes) -> None:
        """Have it read these events."""
        os.write(self.far, events)

    def fill(self) -> None:
        """Take no more of what it writes, until `heard` is called."""
        os.set_blocking(self.file, False)
        size = 1 << 16
        while size:
            try:
                os.write(self.file, bytes(size))
            except BlockingIOError:
                size //= 2


class Kernel:
    """The sequencer; `refuses` has for a request the error that it gets."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self.made: list[Client] = []
        self.refuses: dict[int, int] = {}
        self.full = False
        self.on_link: Callable[[str], None] = lambda port: None

    def open(self, mode: int) -> int:
        if self.full:
            raise errno_error(errno.ENOMEM)
        path = self._folder / f"client{len(self.made)}"
        os.mkfifo(path)
        file = os.open(path, os.O_RDWR)
        far = os.open(path, os.O_RDWR | os.O_NONBLOCK)
        self.made.append(Client(128 + len(self.made), file, far, mode))
        return file

    def ioctl(self, file: int, request: int, given: bytearray) -> int:
        if request in self.refuses:
            raise errno_error(self.refuses[request])
        client = next(c for c in reversed(self.made) if c.file == file)
        assert len(given) == request >> 16 & 0x3FFF
        if request == CLIENT_ID:
            given[:4] = struct.pack("i", client.number)
            return 0
        number = struct.unpack_from("i", given)[0] if request in (SET_INFO, SET_POOL) else given[0]
        if request == SET_INFO:
            assert struct.unpack_from("i", given, 4) == (1,)  # a user's client
            client.name = text_at(given, 8)
        elif request == CREATE_PORT:
            client.port = text_at(given, 2)
            client.capability, client.kind, channels = struct.unpack_from("IIi", given, 68)
            assert channels == 16 and not any(given[80:])
            given[1] = 0
        elif request == SUBSCRIBE:
            client.link = (f"{given[0]}:{given[1]}", f"{given[2]}:{given[3]}")
            self.on_link(client.port)
            return 0
        elif request == SET_POOL:
            client.pool = struct.unpack_from("i", given, 8)[0]
        else:
            assert request == QUERY
            if not client.listeners:
                raise errno_error(errno.ENOENT)
            given[12:16] = struct.pack("i", client.listeners)
        assert number == client.number
        return 0

    def close(self) -> None:
        """Give back what is left."""
        for client in self.made:
            os.close(client.far)


def text_at(data: bytearray, at: int) -> str:
    return bytes(data[at : at + 64]).partition(b"\0")[0].decode()
