"""The log of a running service: lines for people on a terminal, JSON lines elsewhere.

Whatever happens, no more than a few lines a second: a log that floods fills the card of a small
computer and hides what matters. What was left out is counted on the next line.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from typing import Any

import structlog

LINES_A_SECOND = 5
"""Lines in any second; the first of a burst are kept, since they say what began it."""


class Limit:
    """Lets a few lines a second pass, and counts the rest."""

    def __init__(self, lines: int, now_s: Callable[[], float] = time.monotonic) -> None:
        self._lines = lines
        self._now_s = now_s
        self._second = -1
        self._passed = self._left_out = 0

    def __call__(self, logger: object, method: str, event: Any) -> Any:
        """A structlog processor."""
        second = int(self._now_s())
        if second != self._second:
            self._second, self._passed = second, 0
        if self._passed == self._lines:
            self._left_out += 1
            raise structlog.DropEvent
        self._passed += 1
        if self._left_out:
            event["lines_left_out"] = self._left_out
            self._left_out = 0
        return event


def set_up_log() -> Any:
    """Write the log to stderr, with times; returns the logger."""
    is_terminal = sys.stderr.isatty()
    renderer: Any = (
        structlog.dev.ConsoleRenderer(colors=True)
        if is_terminal
        else structlog.processors.JSONRenderer()
    )
    structlog.configure(
        processors=[
            Limit(LINES_A_SECOND),
            structlog.processors.add_log_level,
            structlog.processors.TimeStamper(fmt="iso", utc=not is_terminal),
            renderer,
        ],
        logger_factory=structlog.PrintLoggerFactory(sys.stderr),
    )
    return structlog.get_logger("pointsman")
