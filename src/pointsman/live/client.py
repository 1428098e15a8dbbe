"""The client's side of the control socket: one question and its answer, or the stream of events."""

from __future__ import annotations

import json
import os
import socket
from collections import deque
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any, Self

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


def status_if_any() -> dict[str, Any]:
    """What the service that runs in a usual place says of itself; empty where none does."""
    with suppress(NoService):
        status = ask({"do": "status"})
        if status.get("ok"):
            return status
    return {}


def reads(status: dict[str, Any], port: str) -> bool:
    """Whether the service with this status reads the port that a rig calls so."""
    return bool(status.get("ok") and status["input"]["port"].casefold() == port.casefold())


class Line:
    """A connection that is kept, for a client that asks again and again. Errors as of `ask`."""

    def __init__(self, path: Path | None = None) -> None:
        self._connection, self.place = _connect(path)
        self._lines: deque[bytes] = deque()
        self._rest = b""

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *error: object) -> None:
        self.close()

    def ask(self, request: dict[str, Any]) -> dict[str, Any]:
        """Send one request and return its answer."""
        within_s = RELOAD_WITHIN_S if request.get("do") == "reload" else ANSWER_WITHIN_S
        self._connection.settimeout(within_s)
        self.say(request)
        answer = self.hear()
        if answer is None:
            raise NoService(f"{self.place}: the service has gone before it answered; try again")
        return answer

    def say(self, request: dict[str, Any]) -> None:
        """Send a request, and do not wait for its answer."""
        with suppress(OSError):  # turned away, or gone: what it says of that can still be read
            self._connection.sendall(json.dumps(request).encode() + b"\n")

    def hear(self) -> dict[str, Any] | None:
        """The next line that comes, None where there will be none."""
        try:
            while not self._lines and (data := self._connection.recv(_PIECE)):
                self._keep(data)
        except TimeoutError:
            raise _hangs(self.place) from None
        except OSError as error:
            raise NoService(f"{self.place}: the service has gone ({error.strerror})") from None
        return _read(self._lines.popleft(), self.place) if self._lines else None

    def be_patient(self) -> None:
        """Let `hear` wait for ever."""
        self._connection.settimeout(None)

    def _keep(self, data: bytes) -> None:
        *whole, self._rest = (self._rest + data).split(b"\n")
        self._lines += whole

    def close(self) -> None:
        """Hang up."""
        self._connection.close()


def tap(path: Path | None = None) -> Iterator[dict[str, Any]]:
    """Every event from now on, as docs/control-socket.md describes them, until the service ends.

    Raises NoService, and PointsmanError when the service does not let us.
    """
    line = Line(path)
    try:
        line.say({"do": "tap"})
        _events_follow(line.hear() or {}, line.place)
    except BaseException:
        line.close()
        raise
    return _tapped(line)


def _tapped(line: Line) -> Iterator[dict[str, Any]]:
    with line:
        line.be_patient()
        while (event := line.hear()) is not None:
            yield event


def _events_follow(answer: dict[str, Any], place: Path) -> None:
    if not answer.get("ok"):
        raise PointsmanError(str(answer.get("error", f"{place}: no events to be had")))


class Tap(Line):
    """The stream of events for a program that waits for other things, too.

    First everything is asked for that has to be known before, then `begin` has the events come,
    and from then on no call waits.
    """

    ended = False

    def fileno(self) -> int:
        """For `select`: readable when `take` has something."""
        return self._connection.fileno()

    def begin(self) -> None:
        """Have the events come, without what each entry did.

        What is asked for with `say` from now on is answered among them: answers have the key `ok`.
        Raises PointsmanError when the service does not let us.
        """
        _events_follow(self.ask({"do": "tap", "did": False}), self.place)
        self._connection.setblocking(False)

    def take(self) -> list[dict[str, Any]]:
        """The lines that have come in whole; `ended` is True when there will be no more."""
        pieces = []
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
        self._keep(b"".join(pieces))
        lines, self._lines = self._lines, deque()
        return [_read(line, self.place) for line in lines]


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
