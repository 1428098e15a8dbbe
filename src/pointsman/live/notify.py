"""What we tell systemd about ourselves: ready, reloading, stopping, a status line, still alive.

The protocol is the one that sd_notify(3) and sd_watchdog_enabled(3) publish: a datagram of
`NAME=value` lines to the Unix socket that NOTIFY_SOCKET names. Where there is none, nothing is
done. Nothing here raises: that nobody listens must not end a set.
"""

from __future__ import annotations

import os
import socket
import threading
import time
import weakref
from collections.abc import Mapping
from contextlib import suppress

from pointsman.errors import one_line

PATIENCE_S = 0.2
"""How long a full queue at the other end may hold us up, in seconds; then the line is lost."""

US_PER_S = 1_000_000


class Notifier:
    """Speaks to systemd, or to nobody. `watchdog_s` is the time within which it must be fed.

    `environ` is where NOTIFY_SOCKET, WATCHDOG_USEC and WATCHDOG_PID are looked up.
    """

    def __init__(self, environ: Mapping[str, str] = os.environ) -> None:
        self._address = _address(environ.get("NOTIFY_SOCKET", ""))
        self._socket = _socket() if self._address else None
        if self._socket is not None:
            weakref.finalize(self, self._socket.close)
        self._one_at_a_time = threading.Lock()
        self._leaving = False
        self.watchdog_s = _watchdog_s(environ)

    def ready(self, status: str) -> None:
        """We have started, or have finished a reload; `status` is one line for people."""
        self._tell("READY=1", _status(status))

    def reloading(self) -> None:
        """A reload begins; `ready` must follow, whether it came to something or not."""
        self._tell("RELOADING=1", f"MONOTONIC_USEC={time.monotonic_ns() // 1000}")

    def stopping(self) -> None:
        """We are on our way out; a reload that comes to its end meanwhile says no more."""
        self._tell("STOPPING=1", last=True)

    def status(self, text: str) -> None:
        """Say in one line how things are; `systemctl status` shows it."""
        self._tell(_status(text))

    def feed(self) -> None:
        """We are alive: due more often than every `watchdog_s`; half of it is customary."""
        self._send("WATCHDOG=1")

    def _tell(self, *lines: str, last: bool = False) -> None:
        """Say how things are, unless the last word is said."""
        with self._one_at_a_time:
            if not self._leaving:
                self._leaving = last
                self._send(*lines)

    def _send(self, *lines: str) -> None:
        if self._socket is not None and self._address is not None:
            with suppress(OSError, ValueError):  # ValueError: a path that cannot be one
                self._socket.sendto("\n".join(lines).encode(errors="replace"), self._address)


def _status(text: str) -> str:
    return f"STATUS={one_line(text)}"


def _address(text: str) -> bytes | None:
    """A path, or with @ the name of an abstract socket; anything else is no Unix socket."""
    if len(text) < 2 or text[0] not in "/@":
        return None
    name = os.fsencode(text)
    return b"\0" + name[1:] if text[0] == "@" else name


def _socket() -> socket.socket | None:
    if not hasattr(socket, "AF_UNIX"):
        return None
    try:
        opened = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
    except OSError:
        return None
    opened.settimeout(PATIENCE_S)
    return opened


def _watchdog_s(environ: Mapping[str, str]) -> float | None:
    """The time of the watchdog, if it is meant for this very process."""
    if environ.get("WATCHDOG_PID", str(os.getpid())) != str(os.getpid()):
        return None
    text = environ.get("WATCHDOG_USEC", "")
    wait_us = int(text) if text.isascii() and text.isdigit() else 0
    return wait_us / US_PER_S if wait_us else None
