"""Signals that ask a command to end, and handlers that are put back afterwards."""

from __future__ import annotations

import os
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
        self.number = number
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


@contextmanager
def undone_when_told() -> Iterator[None]:
    """A whole command: SIGTERM and SIGHUP let it undo what it has begun, and end it then.

    A command that takes signals itself does so within. The process ends by the very signal, so
    that whoever has sent it sees that it was that. Only the main thread of a program can hear any.
    """
    heard = [n for n in _UNDOING if signal.getsignal(n) is signal.SIG_DFL]
    if threading.current_thread() is not threading.main_thread():
        heard = []
    try:
        with told_by(heard):
            yield
    except Told as told:
        signal.signal(told.number, signal.SIG_DFL)
        os.kill(os.getpid(), told.number)
        raise  # where the signal is blocked


_UNDOING = (signal.SIGTERM, signal.SIGHUP)
