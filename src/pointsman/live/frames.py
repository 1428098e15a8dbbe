"""The private line between the service and its desk: pickled objects, each after its length.

Both ends are our own code; nothing that a client sent is ever unpickled, only passed on as text
and numbers. No call here waits: what the socket does not take stays here until the next `flush`.
"""

from __future__ import annotations

import pickle
import socket
from typing import Any

_LENGTH = 4
_PIECE = 1 << 16
_MOST_PIECES = 64
"""How many pieces one `take` reads at most: it must come to an end while the other side writes."""


class Frames:
    """One end of the line. `ended` is True once the other end is gone."""

    def __init__(self, end: socket.socket) -> None:
        end.setblocking(False)
        self._end = end
        self._piece = memoryview(bytearray(_PIECE))  # to have a new one each time would cost most
        self._in = bytearray()
        self._out = bytearray()
        self.ended = False

    def fileno(self) -> int:
        """For `select`."""
        return self._end.fileno()

    @property
    def unsent(self) -> int:
        """Bytes that wait for the socket to take them."""
        return len(self._out)

    def send(self, item: object) -> None:
        """Send an object, or as much of it as goes now."""
        data = pickle.dumps(item, pickle.HIGHEST_PROTOCOL)
        self._out += len(data).to_bytes(_LENGTH) + data
        self.flush()

    def flush(self) -> None:
        """Send what waits, as far as it goes now."""
        while self._out and not self.ended:
            try:
                sent = self._end.send(self._out)
            except BlockingIOError:
                return
            except OSError:
                self._end_now()
                return
            del self._out[:sent]

    def take(self) -> list[Any]:
        """The objects that have come in whole."""
        for _ in range(_MOST_PIECES):
            try:
                size = self._end.recv_into(self._piece)
            except BlockingIOError:
                break
            except OSError:
                size = 0
            if not size:
                self._end_now()
                break
            self._in += self._piece[:size]
        return list(self._whole())

    def _whole(self) -> list[Any]:
        found, at = [], 0
        while len(self._in) - at >= _LENGTH:
            end = at + _LENGTH + int.from_bytes(self._in[at : at + _LENGTH])
            if len(self._in) < end:
                break
            found.append(pickle.loads(self._in[at + _LENGTH : end]))
            at = end
        del self._in[:at]
        return found

    def _end_now(self) -> None:
        self.ended = True
        self._out.clear()

    def close(self) -> None:
        """Close this end."""
        self._end.close()
        self._end_now()
