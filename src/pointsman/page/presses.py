"""What a button asks the service for, and how much of that at once.

Each press has a connection of its own, so that a panic waits neither for a reload nor for what the
pages look at; the threads that wait for answers are few.
"""

from __future__ import annotations

import asyncio
import json
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

from pointsman.errors import PointsmanError
from pointsman.live.client import ask
from pointsman.live.outcomes import outcome
from pointsman.live.requests import RequestError, read_request
from pointsman.page.security import Bucket, Refused

BUTTONS = ("panic", "reload", "song", "bypass")
"""What a button may ask for."""

MOST_AT_ONCE = 4
"""Presses that may be under way; one more place is kept for a panic."""

AT_ONCE, PER_SECOND = 20, 5
"""So many presses of one kind in a row, and so many a second after that."""


class Presses:
    """All presses of all pages. `path` is that of the service's socket, None: the usual places."""

    def __init__(self, path: Path | None) -> None:
        self._path = path
        self._rates = {button: Bucket(AT_ONCE, PER_SECOND) for button in BUTTONS}
        self._under_way: list[str] = []
        self._workers = ThreadPoolExecutor(MOST_AT_ONCE + 1, "press")

    async def press(self, wanted: dict[str, Any]) -> tuple[bool, str, list[str]]:
        """Whether it was done, what came of it, and lines about that. Raises Refused."""
        do = self._check(wanted)
        self._under_way.append(do)
        try:
            answer = await asyncio.get_running_loop().run_in_executor(
                self._workers, self._ask, wanted
            )
        finally:
            self._under_way.remove(do)
        done = bool(answer.get("ok"))
        lines = answer.get("warnings" if done else "problems", ())
        return done, outcome(wanted, answer), [str(line) for line in lines]

    def _check(self, wanted: dict[str, Any]) -> str:
        do = wanted.get("do")
        if do not in BUTTONS:
            raise Refused(400, f"a button asks for one of: {', '.join(BUTTONS)}")
        try:
            read_request(json.dumps(wanted).encode())
        except RequestError as error:
            raise Refused(400, str(error)) from None
        if not self._rates[do].take(time.monotonic()):
            raise Refused(429, "too many presses; wait a moment")
        if do == "reload" and do in self._under_way:
            raise Refused(429, "a reload is under way; wait for it")
        if len(self._under_way) >= MOST_AT_ONCE + (do == "panic"):
            raise Refused(429, "too much is under way; wait a moment")
        return str(do)

    def _ask(self, wanted: dict[str, Any]) -> dict[str, Any]:
        try:
            return ask(wanted, self._path)
        except PointsmanError as error:
            return {"ok": False, "error": " ".join(str(error).split())}

    def close(self) -> None:
        """Begin no more."""
        self._workers.shutdown(wait=False, cancel_futures=True)
