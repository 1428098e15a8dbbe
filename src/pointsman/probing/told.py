"""Signals that end a command: raised where the main thread is, so that what is to be undone is."""

from __future__ import annotations

import signal
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType

ENDING = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP, signal.SIGQUIT, signal.SIGTSTP)
"""Ctrl-Z is among them: a command that is stopped could not end the note that sounds."""


class Told(BaseException):
    """A signal has told the command to end; `code` is what it ends with (128 and its number)."""

    def __init__(self, number: int) -> None:
        self.code = 128 + number
        super().__init__(signal.Signals(number).name)


@contextmanager
def told_by_signals() -> Iterator[None]:
    """Within, Ctrl-C, SIGTERM and a terminal that is closed raise `Told`, once.

    Those that come later do nothing: what is being undone by then is undone to its end. In the
    background the keyboard counts as gone, rather than that it stops the command.
    """
    told = False

    def tell(number: int, frame: FrameType | None) -> None:
        nonlocal told
        if not told:
            told = True
            raise Told(number)

    before = {number: signal.signal(number, tell) for number in ENDING}
    before[signal.SIGTTIN] = signal.signal(signal.SIGTTIN, signal.SIG_IGN)
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
