"""The page's web server: four files, one stream of events, and what a button asks for.

Whatever comes in is judged in one place (`Server.judge`) before anything of it is acted on; who
may do what is decided in `security`. The only importer of aiohttp.
"""

from __future__ import annotations

import asyncio
import json
import logging
import socket
import sys
import time
from collections.abc import Awaitable, Callable
from contextlib import suppress
from importlib import resources
from pathlib import Path
from typing import Any

from aiohttp import web

from pointsman.errors import said
from pointsman.page.guard import Guard
from pointsman.page.hub import Hub
from pointsman.page.presses import Presses
from pointsman.page.security import (
    COOKIE,
    COOKIE_S,
    HEADERS,
    MOST_BODY,
    Asked,
    Bucket,
    Buckets,
    Doors,
    Guesses,
    Refused,
    secure_origin,
)
from pointsman.page.token import Token

FILES = {
    "/": ("page.html", "text/html"),
    "/page.js": ("page.js", "text/javascript"),
    "/page.css": ("page.css", "text/css"),
    "/icon.svg": ("icon.svg", "image/svg+xml"),
}
"""All that there is to fetch, whoever asks: nothing in them is anybody's secret."""

BODY_S = 5.0
"""How long the body of a request may take to come."""

WRITE_S = 5.0
"""How long a page may take to take the next events."""

SHUTDOWN_S = 1.0

Handler = Callable[[web.Request], Awaitable[web.StreamResponse]]


class Server:
    """One page. `token` is None where whoever reaches the page may use it."""

    def __init__(self, path: Path | None, token: Token | None, names: frozenset[str]) -> None:
        self._path = path
        self._token = token
        self._doors = Doors(names)
        self._guesses = Guesses()
        self._rates = {True: Buckets(240, 60), False: Buckets(60, 10)}
        self._complaints = Bucket(5, 0.1)
        self._presses = Presses(path)
        self._hub: Hub
        self._runner: web.AppRunner
        self._guard: Guard
        self._listening: asyncio.Server
        package = resources.files("pointsman.page") / "assets"
        self._files = {
            path: ((package / name).read_bytes(), kind) for path, (name, kind) in FILES.items()
        }

    async def start(self, address: str, port: int) -> int:
        """Listen; the port, which may have been any. OSError where it cannot be had."""
        self._hub = Hub(self._path)
        app = web.Application(middlewares=[self.judge], client_max_size=MOST_BODY)
        app.on_response_prepare.append(_finish)
        for path in FILES:
            app.router.add_get(path, self._file, allow_head=False)
        app.router.add_get("/door", self._door, allow_head=False)
        app.router.add_get("/events", self._events, allow_head=False)
        app.router.add_post("/token", self._enter)
        app.router.add_post("/press", self._press)
        self._runner = web.AppRunner(
            app, access_log=None, handle_signals=False, logger=_silent(), lingering_time=1.0
        )
        await self._runner.setup()
        assert self._runner.server is not None
        self._guard = Guard(self._runner.server)
        self._listening = await asyncio.get_running_loop().create_server(
            self._guard, address, port, backlog=32
        )
        found: int = self._listening.sockets[0].getsockname()[1]
        return found

    async def stop(self) -> None:
        """Send everybody away."""
        self._listening.close()
        self._hub.close()
        with suppress(TimeoutError):
            async with asyncio.timeout(SHUTDOWN_S):
                await self._runner.shutdown()
                await self._runner.cleanup()
        self._presses.close()

    # ---- before anything is done -----------------------------------------------------------------

    @web.middleware
    async def judge(self, request: web.Request, handler: Handler) -> web.StreamResponse:
        """Turn away what must not be; and whatever fails is one line for the client."""
        connection = self._guard.of(request.protocol)
        if connection is None:
            raise ConnectionResetError
        connection.begin(*([None] if request.path == "/events" else []))
        try:
            rates = self._rates[self._is_known(request)]  # strangers must not use up a player's
            if not rates.take(_peer(request), time.monotonic()):
                raise Refused(429, "too many requests; wait a moment")
            self._doors.check(_asked(request))
            return await handler(request)
        except Refused as error:
            return _line(error.status, str(error))
        except web.HTTPException as error:
            return _line(error.status, error.reason)
        except ConnectionError:  # the client has gone; nobody reads an answer
            raise
        except Exception as error:
            if self._complaints.take(time.monotonic()):
                print(f"a request failed: {said(error)}", file=sys.stderr, flush=True)
            return _line(500, "the request failed; the log of the page says why")
        finally:
            connection.end()

    def _is_known(self, request: web.Request) -> bool:
        shown = request.cookies.get(COOKIE)
        return self._token is None or (shown is not None and self._token.is_cookie(shown))

    def _let_in(self, request: web.Request) -> None:
        """Raise Refused for who has not entered the token.

        The right cookie always opens, so that nobody's guessing can lock the player out.
        """
        if self._is_known(request):
            return
        if COOKIE not in request.cookies:
            raise Refused(401, "enter the token first")
        peer, now_s = _peer(request), time.monotonic()
        may = self._guesses.may(peer, now_s)
        self._guesses.wrong(peer, now_s)
        raise Refused(401, "the token is another now; enter it again") if may else _slowly()

    # ---- what is served --------------------------------------------------------------------------

    async def _file(self, request: web.Request) -> web.Response:
        data, kind = self._files[request.path]
        return web.Response(body=data, content_type=kind, charset="utf-8")

    async def _door(self, request: web.Request) -> web.Response:
        """Whether this browser may come in."""
        try:
            self._let_in(request)
            self._hub.check_room(_peer(request))
        except Refused as error:
            answer = _line(error.status, str(error))
            if error.status == 401:
                answer.del_cookie(COOKIE, path="/")  # a wrong one is shown only once
            return answer
        return _line(200, "come in")

    async def _enter(self, request: web.Request) -> web.Response:
        """Somebody enters the token."""
        told = (await _json(request)).get("token")
        if self._token is None:
            return _line(200, "no token is needed")
        if not isinstance(told, str):
            raise Refused(400, 'send it as {"token": "..."}')
        peer, now_s = _peer(request), time.monotonic()
        if not self._guesses.may(peer, now_s):
            raise _slowly()
        if not self._token.is_token(told):
            self._guesses.wrong(peer, now_s)
            await asyncio.sleep(Guesses.WRONG_TAKES_S)
            raise Refused(401, "that is not the token; look at it again")
        origin = request.headers.get("Origin", "").lower()
        answer = _line(200, "come in")
        answer.set_cookie(
            COOKIE, self._token.cookie, path="/", max_age=COOKIE_S, httponly=True,
            samesite="Strict", secure=request.secure or origin == secure_origin(request.host),
        )  # fmt: skip
        return answer

    async def _events(self, request: web.Request) -> web.StreamResponse:
        """All that happens, until the page is closed."""
        self._let_in(request)
        with self._hub.reader(_peer(request)) as reader:
            response = web.StreamResponse()
            response.content_type, response.charset = "text/event-stream", "utf-8"
            await response.prepare(request)
            with suppress(ConnectionError, TimeoutError):
                while (block := await reader.next()) is not None:
                    async with asyncio.timeout(WRITE_S):
                        await response.write(block)
            if request.transport is not None:
                request.transport.abort()  # what a slow page has not fetched is worth nothing now
            return response

    async def _press(self, request: web.Request) -> web.Response:
        """Somebody has pressed a button."""
        self._let_in(request)
        done, what, lines = await self._presses.press(await _json(request))
        if not done:
            self._hub.errors.add(what)
            self._hub.show_errors()
        self._hub.hurry()
        return _line(200, what, ok=done, lines=lines)


def _slowly() -> Refused:
    return Refused(429, "too many wrong tokens; wait a minute")


def _peer(request: web.Request) -> str:
    return request.remote or ""


def _asked(request: web.Request) -> Asked:
    headers: dict[str, str] = {}
    for name, value in request.headers.items():
        name = name.lower()
        if name in headers and name in ("host", "origin", "content-type", "sec-fetch-site"):
            raise Refused(400, f"two headers '{name}'")
        headers[name] = value
    transport = request.transport
    local = transport.get_extra_info("sockname") if transport is not None else None
    return Asked(request.method, request.path, local[0] if local else "", headers)


async def _json(request: web.Request) -> dict[str, Any]:
    try:
        async with asyncio.timeout(BODY_S):
            body = await request.read()
        found = json.loads(body)
    except TimeoutError:
        raise Refused(408, "the request did not come to its end") from None
    except (ValueError, RecursionError):
        found = None
    if not isinstance(found, dict):
        raise Refused(400, "that is no JSON object")
    return found


def _line(status: int, what: str, *, ok: bool | None = None, **more: Any) -> web.Response:
    answer = web.json_response(
        {"ok": status == 200 if ok is None else ok, "said": what, **more}, status=status
    )
    if status in (408, 413):
        answer.force_close()  # the rest of it may still be on its way
    return answer


async def _finish(request: web.BaseRequest, response: web.StreamResponse) -> None:
    response.headers.update(HEADERS)
    response.headers["Server"] = "pointsman"


def _silent() -> logging.Logger:
    """What strangers send is no matter for the log: it would only fill it."""
    logger = logging.getLogger("pointsman.page.http")
    logger.addHandler(logging.NullHandler())
    logger.propagate = False
    return logger


def own_names() -> frozenset[str]:
    """What this machine is called on its network: its name, and the same with `.local` (mDNS)."""
    name = socket.gethostname().lower().removesuffix(".")
    short = name.partition(".")[0]
    return frozenset({name, short, f"{short}.local"}) - {"", ".local"}
