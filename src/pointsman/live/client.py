"""The client's side of the control socket: one question and its answer, or the stream of events."""

from __future__ import annotations

import json
import os
import socket
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any

from pointsman.errors import PointsmanError
from pointsman.live.paths import LONGEST_PATH, client_paths

ANSWER_WITHIN_S = 7.0
"""The service's desk gives up on the service itself after 5 s, and says so."""

RELOAD_WITHIN_S = 20.0
"""A reload first loads the rig, which the desk gives 10 s."""

_PIECE = 1 << 16
_MOST_PIECES = 16
"""How many pieces one `take` reads at most: it must come to an end while the service writes."""


class NoService(PointsmanError):
    """No service answers; the text says where it was looked for, and what to do."""


class NobodyThere(NoService):
    """There is no service at any of the places where it was looked for."""


def ask(request: dict[str, Any], path: Path | None = None) -> dict[str, Any]:
    """Send one request to the service and return its answer, whether it says yes or no.

    `path` is that of the socket; without it the usual places are tried (docs/control-socket.md).
    Raises NoService, also for a service that takes the request and does not answer.
    """
    with Line(path) as line:
        return line.ask(request)


class Line:
    """A connection that is kept, for a client that asks again and again. Errors as of `ask`."""

    def __init__(self, path: Path | None = None) -> None:
        self._connection, self._place = _connect(path)

    def __enter__(self) -> Line:
        return self

    def __exit__(self, *error: object) -> None:
        self.close()

    def ask(self, request: dict[str, Any]) -> dict[str, Any]:
        """Send one request and return its answer."""
        within_s = RELOAD_WITHIN_S if request.get("do") == "reload" else ANSWER_WITHIN_S
        self._connection.settimeout(within_s)
        return next(_talk(self._connection, self._place, request))

    def close(self) -> None:
        """Hang up."""
        self._connection.close()


def tap(path: Path | None = None) -> Iterator[dict[str, Any]]:
    """Every event from now on, as docs/control-socket.md describes them, until the service ends.

    Raises NoService, and PointsmanError when the service does not let us.
    """
    events = _tapped(path)
    next(events)
    return events


def _tapped(path: Path | None) -> Iterator[dict[str, Any]]:
    """The answer that the events will come, then the events."""
    connection, place = _connect(path)
    with connection:
        connection.settimeout(ANSWER_WITHIN_S)
        lines = _talk(connection, place, {"do": "tap"})
        answer = next(lines, {})
        if not answer.get("ok"):
            raise PointsmanError(str(answer.get("error", f"{place}: no events to be had")))
        connection.settimeout(None)
        yield answer
        yield from lines


class Tap:
    """The stream of events for a program that waits for other things, too.

    First everything is asked for that has to be known before (`answer`, which waits), then `begin`
    has the events come, and from then on no call waits. Raises NoService as `ask` does.
    """

    def __init__(self, path: Path | None = None) -> None:
        self._connection, self.place = _connect(path)
        self._connection.settimeout(ANSWER_WITHIN_S)
        self._rest = b""
        self.ended = False

    def fileno(self) -> int:
        """For `select`: readable when `take` has something."""
        return self._connection.fileno()

    def answer(self, request: dict[str, Any]) -> dict[str, Any]:
        """Send a request, and wait for its answer."""
        self.ask(request)
        while b"\n" not in self._rest:
            try:
                data = self._connection.recv(_PIECE)
            except TimeoutError:
                raise _hangs(self.place) from None
            except OSError:
                data = b""
            if not data:
                raise NoService(f"{self.place}: the service has gone before it answered; try again")
            self._rest += data
        line, _, self._rest = self._rest.partition(b"\n")
        return _read(line, self.place)

    def begin(self) -> None:
        """Have the events come, without what each entry did.

        Raises PointsmanError when the service does not let us.
        """
        answer = self.answer({"do": "tap", "did": False})
        if not answer.get("ok"):
            raise PointsmanError(str(answer.get("error", f"{self.place}: no events to be had")))
        self._connection.setblocking(False)

    def ask(self, request: dict[str, Any]) -> None:
        """Send a request; its answer comes among the events, and has the key `ok`."""
        with suppress(OSError):  # one that is gone, or takes nothing now, will not answer
            self._connection.sendall(json.dumps(request).encode() + b"\n")

    def take(self) -> list[dict[str, Any]]:
        """The lines that have come in whole; `ended` is True when there will be no more."""
        pieces = [self._rest]
        for _ in range(_MOST_PIECES):
            try:
                data = self._connection.recv(_PIECE)
            except BlockingIOError:
                break
            except OSError:
                data = b""
            if not data:
                self.ended = True
                break
            pieces.append(data)
        *whole, self._rest = b"".join(pieces).split(b"\n")
        return [_read(line, self.place) for line in whole]

    def close(self) -> None:
        """Hear no more."""
        self._connection.close()


def _connect(path: Path | None) -> tuple[socket.socket, Path]:
    """The first service that takes a connection."""
    tried = client_paths(path)
    forbidden: Path | None = None
    for place in tried:
        connection = socket.socket(socket.AF_UNIX)
        connection.settimeout(ANSWER_WITHIN_S)
        try:
            connection.connect(os.fspath(place))
            return connection, place
        except OSError as error:
            connection.close()
            if isinstance(error, BlockingIOError | TimeoutError):  # its queue is full
                raise _hangs(place) from None
            if isinstance(error, PermissionError):
                forbidden = forbidden or place
            elif len(os.fsencode(place)) > LONGEST_PATH:
                what = f"longer than the {LONGEST_PATH} bytes that a socket's path may have"
                raise NoService(f"{place}: {what}; name a shorter one") from None
    if forbidden:
        raise NoService(
            f"{forbidden}: no permission; ask as the user that runs the service, or with sudo"
        )
    looked = ", ".join(map(str, tried))
    raise NobodyThere(
        f"no service answers (looked for {looked}); start one: pointsman run RIG, "
        "or say where it is with --socket PATH"
    )


def _talk(
    connection: socket.socket, place: Path, request: dict[str, Any]
) -> Iterator[dict[str, Any]]:
    """Send a request; then every line that comes."""
    with suppress(OSError):  # turned away: the reason can still be read
        connection.sendall(json.dumps(request).encode() + b"\n")
    rest = b""
    try:
        while data := connection.recv(_PIECE):
            *whole, rest = (rest + data).split(b"\n")
            for line in whole:
                yield _read(line, place)
    except TimeoutError:
        raise _hangs(place) from None
    except OSError as error:
        raise NoService(f"{place}: the service has gone ({error.strerror})") from None
    if request.get("do") != "tap":
        raise NoService(f"{place}: the service has gone before it answered; try again")


def _read(line: bytes, place: Path) -> dict[str, Any]:
    try:
        answer = json.loads(line)
    except ValueError:
        answer = None
    if not isinstance(answer, dict):
        raise NoService(f"{place}: what answers there is no Pointsman service; say --socket PATH")
    return answer


def _hangs(place: Path) -> NoService:
    return NoService(
        f"{place}: the service hangs; end it (its process is in {place.stem}.lock beside the "
        "socket) and start it again"
    )
