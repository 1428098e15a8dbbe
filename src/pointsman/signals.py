"""Signals that ask a command to end, and handlers that are put back afterwards."""

from __future__ import annotations

import signal
import threading
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from types import FrameType
from typing import Any

ENDING = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)
"""What asks a command to end; the last comes when a terminal, or a connection over ssh, closes."""

ENDED_BY = 128
"""What a shell adds to the number of the signal that ended a command."""


class Told(BaseException):
    """A signal has told the command to end; `code` is the exit code for that."""

    def __init__(self, number: int) -> None:
        self.code = ENDED_BY + number
        super().__init__(signal.Signals(number).name)


@contextmanager
def taken(
    numbers: Iterable[signal.Signals], handler: Callable[..., object] | signal.Handlers
) -> Iterator[None]:
    """Have these signals handled so within."""
    before: list[tuple[signal.Signals, Any]] = []
    try:  # the handler may raise before all are taken
        for number in numbers:
            before.append((number, signal.signal(number, handler)))
        yield
    finally:
        for number, was in before:
            signal.signal(number, was)


@contextmanager
def told_by(numbers: Iterable[signal.Signals]) -> Iterator[None]:
    """Within, the first of these signals raises `Told` where the main thread is.

    Those that come later do nothing: what is being undone by then is undone to its end.
    """
    told = False

    def tell(number: int, frame: FrameType | None) -> None:
        nonlocal told
        if not told:
            told = True
            raise Told(number)

    with taken(numbers, tell):
        yield


def without_handlers() -> list[signal.Signals]:
    """Those that would end us in the middle of our work, with all that is half done left behind.

    None on a thread that is not the main one: there no handler can be set.
    """
    if threading.current_thread() is not threading.main_thread():
        return []
    return [n for n in ENDING if signal.getsignal(n) is signal.SIG_DFL]
