"""Notices that files have changed, and waits until they are still."""

from __future__ import annotations

import os
import stat
from collections.abc import Iterable

LOOK_S = 0.5
STILL_S = 0.3
"""Editors write in steps, or put a new file in place of the old one."""


class FileWatch:
    """Watches files by their times, sizes and numbers, and folders by the plugin files in them.

    What is not there may be watched too: it may come. It looks when it is told to: call `look`
    whenever `next_s` has come.
    """

    def __init__(self) -> None:
        self._seen: dict[str, object] = {}
        self._changing: dict[str, object] | None = None
        self.next_s = 0.0

    def mark(self) -> None:
        """The files are about to be read: what changes from now on is news."""
        self._seen = {path: _look(path) for path in self._seen}
        self._changing = None

    def follow(self, paths: Iterable[str], now_s: float) -> None:
        """The files have been read, and were these: watch them."""
        self._seen = {path: self._seen.get(path, _look(path)) for path in paths}
        self.next_s = now_s + LOOK_S

    def look(self, now_s: float) -> bool:
        """Whether something has changed and is still again."""
        found = {path: _look(path) for path in self._seen}
        before = self._seen if self._changing is None else self._changing
        if found != before:
            self._changing = found
            self.next_s = now_s + STILL_S
            return False
        changed, self._changing = self._changing is not None, None
        self._seen = found
        self.next_s = now_s + LOOK_S
        return changed


def _look(path: str) -> object:
    """What differs once the file has changed."""
    try:
        found = os.stat(path)
        if stat.S_ISDIR(found.st_mode):
            return sorted(name for name in os.listdir(path) if name.endswith(".py"))
    except OSError:
        return None
    return found.st_mtime_ns, found.st_size, found.st_ino
