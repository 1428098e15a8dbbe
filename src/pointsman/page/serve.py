"""Serves the page until SIGINT or SIGTERM."""

from __future__ import annotations

import asyncio
import errno
import os
import signal
import socket
from contextlib import suppress
from pathlib import Path

from pointsman.errors import PointsmanError
from pointsman.page.listen import Listen
from pointsman.page.server import Server, own_names
from pointsman.page.token import Token

NICE = 10
"""The page gives way to whatever plays (nice(2))."""


def serve(path: Path | None, listen: Listen, token: Token | None) -> None:
    """Serve, and say where. PointsmanError where that address cannot be had."""
    with suppress(OSError):
        os.nice(NICE)
    asyncio.run(_serve(Server(path, token, own_names()), listen))


async def _serve(server: Server, listen: Listen) -> None:
    ended = asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(number, ended.set)
    try:
        port = await server.start(listen.address, listen.port)
    except OSError as error:
        raise PointsmanError(f"--listen: {_said(error, listen)}") from None
    try:
        shown = Listen(_reached(listen), port)
        print(f"The page is at {shown.url} until Ctrl-C", flush=True)
        await ended.wait()
    finally:
        await server.stop()


def _reached(listen: Listen) -> str:
    """An address under which others find this machine."""
    if not listen.everywhere:
        return listen.address
    family, beyond = (
        (socket.AF_INET6, "2001:db8::1") if ":" in listen.address else (socket.AF_INET, "192.0.2.1")
    )  # addresses for documentation (RFC 3849, RFC 5737); nothing is sent to them
    with socket.socket(family, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect((beyond, 9))
            return str(probe.getsockname()[0])
        except OSError:
            return "127.0.0.1" if family == socket.AF_INET else "::1"


def _said(error: OSError, listen: Listen) -> str:
    where = listen.url.removeprefix("http://").rstrip("/")
    if error.errno == errno.EADDRINUSE:
        return f"{where} is in use by another program; name another port"
    if error.errno == errno.EADDRNOTAVAIL:
        return f"this machine has no address {listen.address}; name one that it has, or 0.0.0.0"
    if error.errno == errno.EACCES:
        return f"port {listen.port} is for root alone; name one from 1024 on"
    return f"{where}: {os.strerror(error.errno) if error.errno else error}"
