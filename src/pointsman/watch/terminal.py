"""The terminal: taken for a view, painted, and given back as it was, whatever ends the view."""

from __future__ import annotations

import os
import re
import signal
import termios
from collections.abc import Sequence
from contextlib import suppress
from typing import Any

from pointsman.signals import ENDING

_TAKE = "\x1b[?1049h\x1b[?25l\x1b[?7l"
"""The other screen, no cursor, and no line that runs on in the next (xterm's control sequences,
which every terminal in use has)."""

_GIVE_BACK = "\x1b[{rows};1H\r\n\x1b[?7h\x1b[?25h\x1b[?1049l"
"""A console without another screen keeps what was painted: what follows stands below it."""

_SEQUENCE = re.compile(rb"\x1b(\[[0-?]*[ -/]*[@-~]|O.|.)?", re.DOTALL)
"""What a key such as an arrow sends (ECMA-48, 5.4), or a key together with Alt."""

_USUAL_SIZE = (80, 24)


class Terminal:
    """A terminal on `out`; keys come from `keys`, where that is a terminal too.

    Inside the `with` block it is ours. Ctrl-Z gives it back until the player returns.
    """

    def __init__(self, out: int, keys: int, encoding: str) -> None:
        self._out = out
        self.keys: int | None = keys if os.isatty(keys) else None
        self._encoding = encoding
        self._settings: list[Any] | None = None
        self._painted: list[str] = []
        self._taken = False
        self.changed = True
        """Whether all must be painted anew, since the size has changed or somebody wrote."""
        self.wake_read, self._wake_write = os.pipe()
        for end in (self.wake_read, self._wake_write):
            os.set_blocking(end, False)

    def __enter__(self) -> Terminal:
        self._before = [
            (number, signal.signal(number, call))
            for number, call in (
                (signal.SIGWINCH, self._look_again),
                (signal.SIGCONT, self._look_again),
                (signal.SIGTSTP, self._rest),
            )
        ]
        self._take()
        return self

    def __exit__(self, *_error: object) -> None:
        self._give_back()
        for number, was in self._before:
            signal.signal(number, was)
        for end in (self.wake_read, self._wake_write):
            os.close(end)

    def _take(self) -> None:
        self._taken = self.changed = True
        if self.keys is not None:
            self._settings = termios.tcgetattr(self.keys)
            ours = termios.tcgetattr(self.keys)
            ours[0] &= ~termios.IXON  # a terminal that Ctrl-S holds could not be given back
            ours[3] &= ~(termios.ICANON | termios.ECHO)
            ours[6][termios.VMIN], ours[6][termios.VTIME] = 1, 0
            termios.tcsetattr(self.keys, termios.TCSANOW, ours)
        self._write(_TAKE)

    def _give_back(self) -> None:
        if not self._taken:
            return
        self._taken = False
        # A signal must not keep us from that; another one can still come afterwards.
        mask = signal.pthread_sigmask(signal.SIG_BLOCK, (*ENDING, signal.SIGTSTP))
        try:
            with suppress(OSError):  # the terminal may be gone
                self._write(_GIVE_BACK.format(rows=self.size[1]))
            if self.keys is not None and self._settings is not None:
                with suppress(termios.error):
                    termios.tcsetattr(self.keys, termios.TCSANOW, self._settings)
                    termios.tcflush(self.keys, termios.TCIFLUSH)
        finally:
            signal.pthread_sigmask(signal.SIG_SETMASK, mask)

    def _look_again(self, *_signal: object) -> None:
        self.changed = True
        with suppress(BlockingIOError):
            os.write(self._wake_write, b"\0")

    def _rest(self, *_signal: object) -> None:
        """Ctrl-Z: stop as a program does that knows nothing of terminals, then come back."""
        self._give_back()
        signal.signal(signal.SIGTSTP, signal.SIG_DFL)
        os.kill(os.getpid(), signal.SIGTSTP)
        signal.signal(signal.SIGTSTP, self._rest)
        self._take()
        self._look_again()

    @property
    def size(self) -> tuple[int, int]:
        """Columns and rows now."""
        try:
            columns, rows = os.get_terminal_size(self._out)
        except OSError:
            return _USUAL_SIZE
        return (columns, rows) if columns and rows else _USUAL_SIZE

    def woken(self) -> None:
        """Forget what has woken us."""
        with suppress(BlockingIOError):
            os.read(self.wake_read, 4096)

    def read_keys(self) -> str:
        """What was typed; nothing for keys that send a sequence, such as the arrows."""
        if self.keys is None:
            return ""
        typed = b""
        with suppress(OSError):  # nobody is there any more
            typed = os.read(self.keys, 256)
        if not typed:
            self.keys = None
        return _SEQUENCE.sub(b"", typed).decode("ascii", "replace")

    def paint(self, lines: Sequence[str]) -> None:
        """Have these lines stand there, from above; only what has changed is written."""
        if self.changed:
            self.changed = False
            self._painted = []
            text = ["\x1b[2J"]
        else:
            text = []
        for number, line in enumerate(lines):
            if number >= len(self._painted) or self._painted[number] != line:
                text.append(f"\x1b[{number + 1};1H{line}\x1b[K")
        self._painted = list(lines)
        if text:
            self._write("".join(text))

    def _write(self, text: str) -> None:
        data = text.encode(self._encoding, "replace")
        while data:
            data = data[os.write(self._out, data) :]
