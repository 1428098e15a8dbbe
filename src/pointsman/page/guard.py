"""Connections, bounded: how many there are, how long they may idle, how much they may send.

How this works. A `Guarded` stands between the socket and the protocol of the HTTP library, which
has no limit for a client that never ends its first request, or never begins one. What comes in is
passed on, and counted: until the server says that a request has begun (`begin`), by size and by
time, so that a head that is too long or too slow ends there, whatever the library would do; and
while one is under way by size. After its end (`end`) the time runs again, also for an answer that
nobody fetches.
"""

from __future__ import annotations

import asyncio
import socket
from collections.abc import Callable
from contextlib import suppress
from typing import Any

from pointsman.page.security import group

MOST_CONNECTIONS = 64
MOST_OF_ONE = 24
"""In all, and from one address: a browser opens six for each site."""

IDLE_S = 10.0
"""How long a connection may be without a request, and a request's head may take to come."""

REQUEST_S = 40.0
"""How long a request may be under way; a reload takes up to 20 s."""

MOST_HEAD = 16 << 10
"""Bytes that may come before a request has begun."""

MOST_MORE = 16 << 10
"""Bytes that may come while one is under way."""

LINGER_S = 0.5
MOST_THROWN = 1 << 20
"""How long, and how many bytes, of what is too much are still taken and thrown away, so that the
answer can be read."""

UNSENT = 32 << 10
"""Bytes that may wait for a slow client, here and once more in the kernel."""


class Guard:
    """All connections of one server; `protocol` makes the library's end of each."""

    def __init__(self, protocol: Callable[[], Any]) -> None:
        self._protocol = protocol
        self._open: dict[Any, Guarded] = {}
        """By the library's end; the longest open first."""

    def __call__(self) -> Guarded:
        """A new connection, for `loop.create_server`."""
        return Guarded(self, self._protocol())

    def of(self, protocol: Any) -> Guarded | None:
        """The connection that a request came on."""
        return self._open.get(protocol)

    def admit(self, new: Guarded) -> bool:
        """Take up a connection, in the place of an idle one if there is no other."""
        of_one = [other for other in self._open.values() if other.address == new.address]
        if len(of_one) >= MOST_OF_ONE:
            if not _drop_idle(of_one):
                return False
        elif len(self._open) >= MOST_CONNECTIONS and not _drop_idle([*self._open.values()]):
            return False
        self._open[new.inner] = new
        return True

    def forget(self, old: Guarded) -> None:
        """It is closed."""
        self._open.pop(old.inner, None)


def _drop_idle(connections: list[Guarded]) -> bool:
    idle = next((one for one in connections if not one.busy), None)
    if idle is not None:
        idle.abort()
    return idle is not None


class Guarded(asyncio.Protocol):
    """One connection. `inner` is the library's end of it."""

    def __init__(self, guard: Guard, inner: Any) -> None:
        self._guard = guard
        self.inner = inner
        self.address = ""
        self.busy = False
        self._came = 0
        self._admitted = self._deaf = False
        self._transport: asyncio.Transport
        self._timer: asyncio.TimerHandle | None = None

    def begin(self, within_s: float | None = REQUEST_S) -> None:
        """A request has begun; None: it may go on for ever."""
        self.busy = True
        self._came = 0
        self._limit(within_s)

    def end(self) -> None:
        """It has been answered, but for what the client has not fetched yet."""
        self.busy = False
        self._came = 0
        self._limit(IDLE_S)

    def abort(self) -> None:
        """Close now, whatever waits."""
        self._limit(None)
        self._transport.abort()
        self._guard.forget(self)

    def _limit(self, within_s: float | None) -> None:
        if self._timer is not None:
            self._timer.cancel()
        loop = asyncio.get_running_loop()
        self._timer = None if within_s is None else loop.call_later(within_s, self.abort)

    # ---- what the event loop calls -------------------------------------------------------------

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """A client has come."""
        assert isinstance(transport, asyncio.Transport)
        self._transport = transport
        peer = transport.get_extra_info("peername")
        self.address = group(peer[0]) if peer else ""
        if not self._guard.admit(self):
            transport.abort()
            return
        self._admitted = True
        self.inner.connection_made(transport)
        transport.set_write_buffer_limits(high=UNSENT)
        with suppress(OSError):
            line = transport.get_extra_info("socket")
            line.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, UNSENT)
        self._limit(IDLE_S)

    def data_received(self, data: bytes) -> None:
        """Pass on what a client sends, if it is not too much."""
        if not self._admitted:
            return
        self._came += len(data)
        if self._deaf:
            if self._came > MOST_THROWN:
                self._transport.pause_reading()  # the rest waits at the sender, until the end
            return
        if self._came > (MOST_MORE if self.busy else MOST_HEAD):
            self._deaf = True
            self._limit(LINGER_S)
            return
        self.inner.data_received(data)

    def eof_received(self) -> bool | None:
        """The client says no more."""
        if not self._admitted:
            return None
        kept: bool | None = self.inner.eof_received()
        return kept

    def connection_lost(self, error: Exception | None) -> None:
        """It is over."""
        if self._admitted:
            self._limit(None)
            self._guard.forget(self)
            self.inner.connection_lost(error)

    def pause_writing(self) -> None:
        """Too much waits for the client."""
        self.inner.pause_writing()

    def resume_writing(self) -> None:
        """It has taken what waited."""
        self.inner.resume_writing()
