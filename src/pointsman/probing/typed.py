"""Lines that a person types while something plays: they never hold it up."""

from __future__ import annotations

import os
import select
import time
from typing import TextIO

_PIECE = 4096


class TypedLines:
    """Reads a stream line by line, waiting no longer than it is told to.

    `readline` is that of a text stream, for `Asking`; both may be used in turn.
    """

    def __init__(self, stream: TextIO | None) -> None:
        self._rest = b""
        self._lines: list[str] = []
        try:
            self._fd = -1 if stream is None else stream.fileno()
        except (OSError, ValueError):  # no file behind it
            self._fd = -1
        self.ended = self._fd < 0
        """Whether nothing will come any more."""
        self.is_terminal = not self.ended and os.isatty(self._fd)

    def wait(self, seconds: float) -> list[str]:
        """The lines that are there, or come within so long; it returns with the first."""
        give_up = time.monotonic() + seconds
        while True:
            left = max(give_up - time.monotonic(), 0)
            if self._lines:
                found, self._lines = self._lines, []
                return found
            if self.ended:
                time.sleep(left)
                return []
            if not select.select([self._fd], [], [], left)[0]:
                return []
            self._read()

    def readline(self) -> str:
        """The next line with its end; an empty text when there is none any more."""
        while not self._lines and not self.ended:
            select.select([self._fd], [], [])
            self._read()
        return f"{self._lines.pop(0)}\n" if self._lines else ""

    def has_more(self) -> bool:
        """Whether something may still come: False where the stream has ended already."""
        if not self._lines and not self.ended and select.select([self._fd], [], [], 0)[0]:
            self._read()
        return not self.ended or bool(self._lines)

    def forget(self) -> None:
        """Forget what was typed before a question was asked; a script's answers are kept."""
        if self.is_terminal:
            while self.wait(0):
                pass
            self._rest = b""

    def _read(self) -> None:
        try:
            piece = os.read(self._fd, _PIECE)
        except OSError:  # the terminal was closed
            piece = b""
        if not piece:
            self.ended = True
            if self._rest:
                piece = b"\n"
        *whole, self._rest = (self._rest + piece).split(b"\n")
        self._lines += [line.decode("utf-8", "replace").strip("\r") for line in whole]
