"""The clients of a desk: their connections, what they ask, and what waits for them.

Every buffer is bounded: a client is not read from while its request is under way or its answers
wait to be taken, and a reader of events that falls behind loses its own.
"""

from __future__ import annotations

import json
import select
import selectors
import socket
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from typing import Any

from pointsman.live.requests import LONGEST_LINE, Request, RequestError, read_request
from pointsman.live.taps import lost_line

MOST_CLIENTS = 32
MOST_TAPS = 24
"""Readers of events stay; some places are kept for those who come to ask for a panic."""

IDLE_S = 1.0
"""Where every place is taken, a client that has been silent for so long gives way to a new one."""

MOST_UNREAD = 1 << 18
"""Bytes that may wait for one client."""

_PIECE = 1 << 16
_ACCEPT_AGAIN_S = 0.5
READ, WRITE = selectors.EVENT_READ, selectors.EVENT_WRITE

Answer = dict[str, Any]


@dataclass(eq=False)
class Client:
    """One connection. `asked`: its request is under way; `lost`: events that it did not get.

    `taps`: it reads the events; `did`: with what each entry did.
    """

    socket: socket.socket
    active_s: float
    inbox: bytearray = field(default_factory=bytearray)
    outbox: bytearray = field(default_factory=bytearray)
    asked: bool = False
    taps: bool = False
    did: bool = False
    lost: int = 0
    skips: bool = False
    at_end: bool = False
    closed: bool = False
    interest: int = 0

    def take_line(self) -> bytes | None:
        """The next whole line that has come in; at the end of all also one that has no end."""
        line, found, rest = self.inbox.partition(b"\n")
        if not found and not (self.at_end and line):
            return None
        self.inbox = rest
        return bytes(line)


class Clients:
    """All of them, served as `selector` finds them ready; its keys' data take the mask.

    `take_on` is called with each request but `tap`, and `reply` is owed for it. `on_taps` is told
    whenever it changes whether anybody reads events, and whether anybody wants to know what each
    entry did.
    """

    def __init__(
        self,
        selector: selectors.BaseSelector,
        listening: socket.socket,
        take_on: Callable[[Client, Request], None],
        on_taps: Callable[[bool, bool], None],
    ) -> None:
        self._selector = selector
        self._listening = listening
        self._take_on = take_on
        self._on_taps = on_taps
        self._taps = (False, False)
        self._clients: list[Client] = []
        self.accept_s: float | None = None
        """When to call `listen` again; None while it listens."""
        self.listen()

    def listen(self) -> None:
        """Let clients come in."""
        self.accept_s = None
        self._selector.register(self._listening, READ, self._accept)

    def reply(self, client: Client, answer: Answer) -> None:
        """The answer to the request that was under way."""
        client.asked = False
        client.active_s = time.monotonic()
        if not client.closed:
            _say(client, answer)
            self._move(client)

    def spread(self, texts: Sequence[bytes]) -> None:
        """Hand lines to every reader that keeps up."""
        block = b"".join(texts)
        for client in [client for client in self._clients if client.taps]:
            if client.lost or len(client.outbox) > MOST_UNREAD:
                client.lost += len(texts)
            else:
                client.outbox += block
            self._move(client)

    def _accept(self, _mask: int) -> None:
        try:
            connection, _ = self._listening.accept()
        except BlockingIOError:
            return
        except OSError:  # no file descriptors left: to try at once would be to spin
            self._selector.unregister(self._listening)
            self.accept_s = time.monotonic() + _ACCEPT_AGAIN_S
            return
        connection.setblocking(False)
        now_s = time.monotonic()
        client = Client(connection, now_s)
        if len(self._clients) >= MOST_CLIENTS and not self._make_room(now_s):
            client.at_end = True
            _say(client, refused(f"{MOST_CLIENTS} programs are connected; end one of them"))
            with suppress(OSError):
                connection.send(client.outbox)
            connection.close()
            return
        self._clients.append(client)
        self._move(client)

    def _make_room(self, now_s: float) -> bool:
        idle = [client for client in self._clients if not client.taps and not client.asked]
        longest = min(idle, key=lambda client: client.active_s, default=None)
        if longest is None or now_s - longest.active_s < IDLE_S:
            return False
        self._drop(longest)
        return True

    def _ready(self, client: Client, mask: int) -> None:
        """A client has something to say, or takes what waits for it."""
        if client.closed:
            return
        if mask & READ:
            try:
                data = client.socket.recv(_PIECE)
            except BlockingIOError:
                return
            except OSError:
                self._drop(client)
                return
            client.active_s = time.monotonic()
            client.at_end = not data
            if client.at_end and _hung_up(client.socket):
                self._drop(client)
                return
            client.inbox += data
        self._move(client)

    def _move(self, client: Client) -> None:
        """Take on what the client has asked, send what it will take, and see what to wait for."""
        while not client.closed:
            self._hear(client)
            if not self._send(client):
                break
        if client.closed:
            return
        if client.at_end and not (client.asked or client.taps or client.outbox):
            self._drop(client)
            return
        room = len(client.outbox) < MOST_UNREAD and not client.asked
        interest = READ if room and not client.at_end else 0
        if client.outbox:
            interest |= WRITE
        self._wait_for(client, interest)

    def _wait_for(self, client: Client, interest: int) -> None:
        if interest == client.interest:
            return
        if client.interest:
            self._selector.unregister(client.socket)
        if interest:
            self._selector.register(client.socket, interest, lambda mask: self._ready(client, mask))
        client.interest = interest

    def _hear(self, client: Client) -> None:
        while not client.asked and len(client.outbox) < MOST_UNREAD:
            line = client.take_line()
            if line is None:
                break
            if client.skips:  # the rest of a line that was too long
                client.skips = False
            elif len(line) > LONGEST_LINE:
                self._refuse_long(client)
            elif line.strip():
                self._read(client, line)
        if not client.asked and len(client.inbox) > LONGEST_LINE:
            if not client.skips:
                self._refuse_long(client)
            client.skips = True
            client.inbox.clear()

    def _refuse_long(self, client: Client) -> None:
        _say(client, refused(f"a request is longer than {LONGEST_LINE >> 10} KiB", wrong=True))

    def _read(self, client: Client, line: bytes) -> None:
        try:
            request = read_request(line)
        except RequestError as error:
            _say(client, refused(str(error), wrong=True))
            return
        if request.do == "tap":
            self._tap(client, *request.arguments)
        else:
            client.asked = True
            self._take_on(client, request)

    def _tap(self, client: Client, did: bool) -> None:
        readers = sum(other.taps for other in self._clients)
        if not client.taps and readers >= MOST_TAPS:
            _say(client, refused(f"{MOST_TAPS} programs read the events; end one of them"))
            return
        _say(client, {"ok": True})
        client.taps, client.did = True, did
        self._tell_taps()

    def _tell_taps(self) -> None:
        clients = self._clients
        taps = (any(client.taps for client in clients), any(client.did for client in clients))
        if taps != self._taps:
            self._taps = taps
            self._on_taps(*taps)

    def _send(self, client: Client) -> bool:
        """Send what goes now; True if that made room for requests that had to wait."""
        full = len(client.outbox) >= MOST_UNREAD
        while client.outbox:
            try:
                sent = client.socket.send(client.outbox)
            except BlockingIOError:
                break
            except OSError:
                self._drop(client)
                return False
            del client.outbox[:sent]
        if client.lost and not client.outbox:
            client.outbox += lost_line(client.lost)
            client.lost = 0
        return full and len(client.outbox) < MOST_UNREAD

    def _drop(self, client: Client) -> None:
        self._wait_for(client, 0)
        client.socket.close()
        client.closed = True
        self._clients.remove(client)
        self._tell_taps()


def _say(client: Client, answer: Answer) -> None:
    client.outbox += json.dumps(answer, default=str).encode() + b"\n"


def refused(error: str, *, wrong: bool = False) -> Answer:
    """An answer that says no; `wrong`: the request itself was, and not what came of it."""
    return {"ok": False, "error": error, **({"wrong": True} if wrong else {})}


def _hung_up(connection: socket.socket) -> bool:
    """Whether a client that says no more will not hear any more either."""
    poll = select.poll()
    poll.register(connection, 0)  # that both ways are closed is always told
    return bool(poll.poll(0))
