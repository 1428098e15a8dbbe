"""A way (ways.py) that needs no MIDI at all: messages as datagrams, stamped by the kernel.

The kind of port is the one of docs/writing-a-plugin.md. The ears get what is played as well as
what comes out, each with the time at which the kernel put it into their queue (SO_TIMESTAMPNS), so
that neither playing nor hearing is in the difference. The input's thread sleeps in the kernel and
needs the interpreter when a message comes, as that of the MIDI library does.
"""

from __future__ import annotations

import re
import socket
import struct
import threading
from pathlib import Path

from ways import FIVE, Heard

PAGE = Path(__file__).parents[2] / "docs" / "writing-a-plugin.md"
HOST = "127.0.0.1"
_ROOM = 1 << 23
SO_TIMESTAMPNS = 35
"""Of Linux (asm-generic/socket.h); Python has no name for it."""


class DatagramEars:
    """Hears what is played and what comes out; the times are microseconds."""

    def __init__(self) -> None:
        self._socket = _bound()
        self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, _ROOM)
        self._socket.setsockopt(socket.SOL_SOCKET, SO_TIMESTAMPNS, 1)
        self.number = self._socket.getsockname()[1]
        self.heard: list[Heard] = []
        self._thread = threading.Thread(target=self._listen, daemon=True)
        self._thread.start()

    def _listen(self) -> None:
        size = socket.CMSG_SPACE(16)
        while True:
            data, ancillary, _, _ = self._socket.recvmsg(65536, size)
            if not data:
                return
            seconds, ns = struct.unpack("ll", ancillary[0][2])
            self.heard.append((seconds * 1_000_000 + ns // 1000, data))

    def expect(self, _count: int) -> None:
        """Forget what was heard."""
        self.heard = []

    def close(self) -> None:
        """Hear no more."""
        self._socket.sendto(b"", (HOST, self.number))
        self._thread.join()
        self._socket.close()


class DatagramWay:
    """A rig of five transforms between datagrams. `close` ends it."""

    def __init__(self) -> None:
        self.ears = DatagramEars()
        self._player = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        with _bound() as free:
            self._number = free.getsockname()[1]

    def write_rig(self, folder: Path) -> Path:
        """The rig, with the kind of port beside it."""
        (folder / "ports").mkdir()
        (plugin,) = re.findall(
            r"^```python\n# my-plugins/datagrams.py\n(.*?)^```",
            PAGE.read_text("utf-8"),
            re.M | re.S,
        )
        (folder / "ports" / "datagrams.py").write_text(plugin, "utf-8")
        rig = folder / "datagrams.yaml"
        rig.write_text(
            f"input: {{port: 'udp:{self._number}'}}\noutputs:\n  o0:\n"
            f"    port: 'udp:{self.ears.number}'\n    chain:\n{FIVE}"
            "plugins: {folders: [ports]}\n",
            "utf-8",
        )
        return rig

    def send(self, data: bytes) -> None:
        """Play one message. The ears come first, as in ways.py."""
        self._player.sendto(data, (HOST, self.ears.number))
        self._player.sendto(data, (HOST, self._number))

    def close(self) -> None:
        """Close the sockets."""
        self.ears.close()
        self._player.close()


def _bound() -> socket.socket:
    found = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    found.bind((HOST, 0))
    return found
