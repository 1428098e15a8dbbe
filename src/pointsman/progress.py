"""One line that renews itself on a terminal, for what takes long. Elsewhere it shows nothing."""

from __future__ import annotations

import os
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TextIO

TURN_S = 0.2
_CLEAR = "\r\x1b[K"  # to the first column, and clear to the end (ECMA-48, EL)


class Progress:
    """The line on `stream`, standard error if none is named; it is renewed a few times a second."""

    def __init__(self, stream: TextIO | None = None) -> None:
        self._stream = stream or sys.stderr
        self._is_terminal = self._stream.isatty()
        self._shown_s = 0.0
        self._stands = False

    def is_due(self) -> bool:
        """Whether it is worth making a new text."""
        return self._is_terminal and time.monotonic() - self._shown_s >= TURN_S

    def show(self, text: str) -> None:
        """Put this in the place of what stands there, cut to the terminal's width."""
        if self._is_terminal:
            self._shown_s = time.monotonic()
            self._stands = True
            self._write(_CLEAR + text[: self._width() - 1])

    @contextmanager
    def renewed(self, text: Callable[[], str]) -> Iterator[None]:
        """Show what `text` says, again and again, while something else goes on in the block."""
        over = threading.Event()

        def show() -> None:
            while self._is_terminal and not over.wait(TURN_S):
                self.show(text())

        showing = threading.Thread(target=show, name="progress", daemon=True)
        showing.start()
        try:
            yield
        finally:
            over.set()
            showing.join()
            self.clear()

    def clear(self) -> None:
        """Take the line away, before anything else is printed."""
        if self._stands:
            self._stands = False
            self._write(_CLEAR)

    def say(self, text: str) -> None:
        """Print a line that stays."""
        self.clear()
        self._write(text + "\n")

    def _width(self) -> int:
        try:  # each time: a terminal can be resized
            return os.get_terminal_size(self._stream.fileno()).columns or 80
        except (OSError, ValueError):
            return 80

    def _write(self, text: str) -> None:
        try:
            self._stream.write(text)
            self._stream.flush()
        except OSError:  # the terminal has gone, and what we do goes on without it
            self._is_terminal = self._stands = False
