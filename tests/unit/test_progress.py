"""The line that renews itself: on a terminal of any width, and nowhere else."""

from __future__ import annotations

import fcntl
import io
import os
import pty
import select
import struct
import termios
import time
from collections.abc import Iterator
from contextlib import suppress
from typing import TextIO

import pytest

from pointsman.progress import Progress

Terminal = tuple[int, TextIO]


@pytest.fixture
def terminal() -> Iterator[Terminal]:
    """A terminal 40 columns wide: what it is shown can be read from the first."""
    here, there = pty.openpty()
    fcntl.ioctl(there, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 40, 0, 0))
    with open(there, "w") as stream:
        yield here, stream
    os.close(here)


def shown_on(here: int) -> bytes:
    """Everything that the terminal was sent."""
    found = b""
    while select.select([here], [], [], 0.1)[0]:
        found += os.read(here, 999)
    return found


def test_it_is_cut_to_the_width_and_taken_away_again(terminal: Terminal) -> None:
    here, stream = terminal
    progress = Progress(stream)
    progress.show("0123456789" * 5)
    assert shown_on(here) == b"\r\x1b[K" + (b"0123456789" * 4)[:39]
    progress.say("done")
    assert shown_on(here) == b"\r\x1b[Kdone\r\n"
    progress.clear()  # nothing stands there any more
    progress.show("more")
    assert shown_on(here) == b"\r\x1b[Kmore"


def test_it_is_due_a_few_times_a_second(terminal: Terminal) -> None:
    progress = Progress(terminal[1])
    assert progress.is_due()
    progress.show("x")
    assert not progress.is_due()
    time.sleep(0.25)
    assert progress.is_due()


def test_it_renews_itself_while_something_goes_on(terminal: Terminal) -> None:
    here, stream = terminal
    with Progress(stream).renewed(iter("abcdefghijklmnop").__next__):
        time.sleep(0.7)
    shown = shown_on(here)
    assert shown.startswith(b"\r\x1b[Ka\r\x1b[Kb")
    assert shown.endswith(b"\r\x1b[K")


def test_in_a_pipe_it_shows_nothing_but_what_stays() -> None:
    stream = io.StringIO()
    progress = Progress(stream)
    assert not progress.is_due()
    with progress.renewed(lambda: "x"):
        progress.show("y")
    progress.say("done")
    assert stream.getvalue() == "done\n"


def test_a_terminal_that_has_gone_ends_nothing() -> None:
    here, there = pty.openpty()
    os.close(here)
    with open(there, "w") as stream:
        progress = Progress(stream)
        progress.show("x")
        assert not progress.is_due()
        progress.say("y")
        with suppress(OSError):  # what was written is still in its buffer
            stream.close()
