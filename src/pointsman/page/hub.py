"""What all open pages are told: the newest of each kind, to each as fast as it takes it.

A page that is slow misses what was overtaken and gets what is true now; nothing piles up for it.
"""

from __future__ import annotations

import asyncio
import json
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from pointsman.page.security import Refused, group
from pointsman.page.state import Errors, View
from pointsman.page.upstream import Upstream

MOST_STREAMS = 16
MOST_OF_ONE = 8
"""Pages that can be open at once: in all, and from one address."""

BEAT_S = 1.0
"""So often a page hears something, if only that its line is alive."""

LATE_S = 2.5
"""A service that has not answered for so long is told to be lost, though it may come back."""

_KINDS = ("lost", "rig", "now", "errors")
Start = Callable[[Path | None, Callable[[str, View], None]], Upstream]


class Reader:
    """One page's place in the stream."""

    def __init__(self, hub: Hub) -> None:
        self._hub = hub
        self._seen: dict[str, int] = {}
        self.news = asyncio.Event()
        self.news.set()

    async def next(self) -> bytes | None:
        """What is new, as server-sent events (HTML Standard, 9.2); None when the page must go."""
        try:
            async with asyncio.timeout(BEAT_S):
                await self.news.wait()
        except TimeoutError:
            pass
        self.news.clear()
        if self._hub.closed:
            return None
        self._hub.look_at_the_clock()
        parts = []
        for kind in _KINDS:
            text, number = self._hub.newest.get(kind, ("", 0))
            if number > self._seen.get(kind, 0):
                self._seen[kind] = number
                parts.append(f"event: {kind}\ndata: {text}\n\n")
        return "".join(parts or ["event: beat\ndata: {}\n\n"]).encode()


class Hub:
    """All readers, and the upstream that runs as long as there are any."""

    def __init__(self, path: Path | None, start: Start = Upstream) -> None:
        self._path = path
        self._start = start
        self._upstream: Upstream | None = None
        self._readers: dict[Reader, str] = {}
        self._loop = asyncio.get_running_loop()
        self.errors = Errors(time.time)
        self.newest: dict[str, tuple[str, int]] = {}
        """By kind the newest text, and how many there were before it."""
        self._number = 0
        self._heard_s = 0.0
        self._look: object = None
        self.closed = False

    def check_room(self, address: str) -> None:
        """Raise Refused where too many pages are open."""
        of_one = Counter(self._readers.values())[group(address)]
        if len(self._readers) >= MOST_STREAMS or of_one >= MOST_OF_ONE:
            raise Refused(429, "too many pages are open; close one of them")

    @contextmanager
    def reader(self, address: str) -> Iterator[Reader]:
        """A place for a page. Raises Refused as `check_room`."""
        self.check_room(address)
        reader = Reader(self)
        self._readers[reader] = group(address)
        if self._upstream is None:
            self._begin()
        try:
            yield reader
        finally:
            del self._readers[reader]
            if not self._readers:
                self._end()

    def _begin(self) -> None:
        self.newest.clear()
        if shown := self.errors.show():
            self._keep("errors", shown)
        self._heard_s = self._loop.time()
        look = object()
        self._look = look

        def tell(kind: str, view: View) -> None:
            self._loop.call_soon_threadsafe(self._told, look, kind, view)

        self._upstream = self._start(self._path, tell)

    def _end(self) -> None:
        self._look = None
        if self._upstream is not None:
            self._upstream.stop()
            self._upstream = None

    def _told(self, look: object, kind: str, view: View) -> None:
        if look is not self._look:  # of an upstream that was told to stop
            return
        self._heard_s = self._loop.time()
        if kind == "lost":
            self._lose(view["why"])
            return
        if kind == "rig":
            self.newest.pop("lost", None)
            self.errors.stand(view["troubles"])
        self._keep(kind, view)
        self.show_errors()

    def look_at_the_clock(self) -> None:
        """Say that the service is lost if nothing has come from it for too long."""
        if self._loop.time() - self._heard_s > LATE_S and "lost" not in self.newest:
            self._lose("it does not answer")

    def _lose(self, why: str) -> None:
        self.errors.stand([why])
        self.newest.pop("rig", None)  # when it comes again it is news, even if nothing has changed
        self.newest.pop("now", None)
        self._keep("lost", {"why": why})
        self.show_errors()

    def show_errors(self) -> None:
        """Tell the pages of errors that are new."""
        if self.errors.changed:
            self._keep("errors", self.errors.show())

    def hurry(self) -> None:
        """A button has been pressed: what came of it is to be seen soon."""
        if self._upstream is not None:
            self._upstream.hurry()

    def _keep(self, kind: str, view: object) -> None:
        text = json.dumps(view, separators=(",", ":"))
        if self.newest.get(kind, ("", 0))[0] == text:
            return
        self._number += 1
        self.newest[kind] = (text, self._number)
        for reader in self._readers:
            reader.news.set()

    def close(self) -> None:
        """Send every page away."""
        self.closed = True
        self._end()
        for reader in self._readers:
            reader.news.set()
