"""A line at the terminal that says how far long work has come, and is gone when it is done.

It goes to stderr, and only if that is a terminal: a pipe, a log and a service never see it. How to
use it:

    with Progress("rendering", total=size) as progress:
        for piece in pieces:
            ...
            progress.at(piece.end)

`at` may be called for every small step: it looks at the clock, and writes a few times a second. The
first line comes only after a moment, so that short work shows none.
"""

from __future__ import annotations

import os
import shutil
import sys
import time
from collections.abc import Callable
from typing import Self, TextIO

FIRST_AFTER_S = 0.5
EVERY_S = 0.2

_CLEAR = "\r\x1b[K"
"""Back to the first column, and erase to the end of the line (ECMA-48: CR, EL)."""


def minutes(ns: int) -> str:
    """A time in nanoseconds as minutes and seconds, `12:05`: how far music has come."""
    whole_s = ns // 1_000_000_000
    return f"{whole_s // 60}:{whole_s % 60:02}"


class Progress:
    """What is being done, and how much of `total` is; 0: nobody knows how much there will be.

    `unit` turns an amount into text where there is no total.
    """

    def __init__(
        self,
        what: str,
        total: int = 0,
        *,
        unit: Callable[[int], str] = str,
        out: TextIO | None = None,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._what = what
        self._total = total
        self._unit = unit
        self._out = sys.stderr if out is None else out
        self._clock = clock
        self._shown = False
        self._next_s = clock() + FIRST_AFTER_S if self._can_show() else float("inf")

    def _can_show(self) -> bool:
        return self._out.isatty() and os.environ.get("TERM", "") not in ("", "dumb")

    def at(self, done: int) -> None:
        """Say that so much is done."""
        now_s = self._clock()
        if now_s >= self._next_s:
            self._next_s = now_s + EVERY_S
            self._show(done)

    def _show(self, done: int) -> None:
        if self._total:
            amount = f"{min(1.0, done / self._total):4.0%}"
        else:
            amount = self._unit(done)
        width = shutil.get_terminal_size().columns
        # The last column stays free: a terminal may wrap once it is filled.
        self._shown = True  # before it is: Ctrl-C may come in between
        self._out.write(f"{_CLEAR}{f'{self._what} {amount}'[: width - 1]}")
        self._out.flush()

    def clear(self) -> None:
        """Take the line away, to print something else; the next `at` may bring it back."""
        if self._shown:
            self._out.write(_CLEAR)
            self._out.flush()
            self._shown = False

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.clear()
