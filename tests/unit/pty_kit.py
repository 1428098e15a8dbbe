"""A command on a real pseudo-terminal, and what stands on it.

What stands there is worked out by pyte, a terminal emulator that knows nothing of us.
"""

from __future__ import annotations

import fcntl
import os
import pty
import select
import struct
import subprocess
import sys
import termios
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from typing import Any

import pyte

PATIENCE_S = 20.0
"""How long anything may take before a test gives up; nothing comes near it."""


class OnTerminal:
    """A program of its own session on a terminal; the test holds the other end."""

    def __init__(
        self, command: Sequence[str], size: tuple[int, int], environ: Mapping[str, str]
    ) -> None:
        self.ours, self.theirs = pty.openpty()
        columns, rows = size
        self.screen = pyte.Screen(columns, rows)
        self._stream = pyte.ByteStream(self.screen)
        self.written = b""
        self._set_size(size)
        self.settings = termios.tcgetattr(self.theirs)
        usual = {name: value for name, value in os.environ.items() if name != "NO_COLOR"}
        self.process = subprocess.Popen(
            command,
            stdin=self.theirs,
            stdout=self.theirs,
            stderr=self.theirs,
            env={**usual, "TERM": "xterm", **environ},
            start_new_session=True,
            preexec_fn=lambda: fcntl.ioctl(0, termios.TIOCSCTTY, 0),
        )

    def _set_size(self, size: tuple[int, int]) -> None:
        columns, rows = size
        fcntl.ioctl(self.theirs, termios.TIOCSWINSZ, struct.pack("HHHH", rows, columns, 0, 0))

    def resize(self, columns: int, rows: int) -> None:
        """Another size; the kernel tells the program with SIGWINCH."""
        self.screen.resize(rows, columns)
        self._set_size((columns, rows))

    def press(self, keys: str) -> None:
        """Type."""
        os.write(self.ours, keys.encode())

    def read(self, seconds: float = 0.05) -> bool:
        """Take in what the program writes; False when nothing came in that time."""
        ready, _, _ = select.select([self.ours], [], [], seconds)
        if not ready:
            return False
        with suppress(OSError):
            data = os.read(self.ours, 1 << 16)
            self.written += data
            self._stream.feed(data)
        return True

    @property
    def lines(self) -> list[str]:
        """What stands there, from above."""
        return [line.rstrip() for line in self.screen.display]

    @property
    def text(self) -> str:
        """The same in one."""
        return "\n".join(self.lines)

    def until(self, true: Callable[[], bool], what: str = "") -> None:
        """Read until this is so."""
        give_up = time.monotonic() + PATIENCE_S
        while not true():
            assert time.monotonic() < give_up, f"it did not come: {what}\n{self.text}"
            self.read()

    def shows(self, text: str) -> None:
        """Read until this stands there."""
        self.until(lambda: text in self.text, text)

    def end(self) -> int:
        """Read until the program has ended; its exit code."""
        self.until(lambda: self.process.poll() is not None, "its end")
        while self.read(0.1):
            pass
        return self.process.returncode

    @property
    def restored(self) -> bool:
        """Whether the terminal is as it was: its settings, its screen, its cursor, its margins."""
        modes = self.written.rpartition(b"\x1b[?1049l")
        return (
            termios.tcgetattr(self.theirs) == self.settings
            and bool(modes[1])
            and b"\x1b[?1049h" not in modes[2]
            and not self.screen.cursor.hidden
            and pyte.modes.DECAWM in self.screen.mode
        )

    def close(self) -> None:
        """End it, however it is."""
        self.process.kill()
        self.process.wait()
        for end in (self.ours, self.theirs):
            os.close(end)


@contextmanager
def on_terminal(
    *arguments: str, size: tuple[int, int] = (80, 24), **environ: Any
) -> Iterator[OnTerminal]:
    """A command of ours on a terminal, ended with the block."""
    command = [sys.executable, "-m", "pointsman.cli", *arguments]
    found = OnTerminal(command, size, environ)
    try:
        yield found
    finally:
        found.close()
