"""The log of a running service: lines for people on a terminal, JSON lines elsewhere."""

from __future__ import annotations

import sys
from typing import Any

import structlog


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
            structlog.processors.add_log_level,
            structlog.processors.TimeStamper(fmt="iso", utc=not is_terminal),
            renderer,
        ],
        logger_factory=structlog.PrintLoggerFactory(sys.stderr),
    )
    return structlog.get_logger("pointsman")
