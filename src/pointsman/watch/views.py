"""The two ways to show a source: on a terminal, and as lines.

Each waits for the source, and for what else there is, in one `select`; nothing is done in between.
"""

from __future__ import annotations

import os
import select
import time
from collections import deque
from collections.abc import Callable
from contextlib import suppress
from itertools import islice
from typing import Protocol, TextIO

from pointsman.watch.items import Item, Row
from pointsman.watch.lines import AsJson, Plain
from pointsman.watch.scene import Scene
from pointsman.watch.screen import Listing, Style, frame, list_room
from pointsman.watch.setting import Setting
from pointsman.watch.terminal import Terminal

DRAW_S = 1 / 12
"""How often the terminal is painted at most."""

IDLE_S = 0.5
"""How often at least, since the figures go down when nothing comes."""

TURN_S = 0.01
"""How long a turn waits for more to come: many messages in one go cost less than one by one."""

CTRL_S, CTRL_Q = "\x13", "\x11"
"""What holds a terminal and lets it go on, since ever: it is taken as a pause."""

_KEPT = 500
"""Rows that are kept for a terminal: more than any has."""


class Source(Protocol):
    """Where items come from."""

    setting: Setting

    @property
    def ended(self) -> bool:
        """Whether nothing will come any more."""

    @property
    def fault(self) -> str | None:
        """What has ended it, if it was not meant to end."""

    @property
    def now_ns(self) -> int:
        """The time, as events have it."""

    @property
    def wait_s(self) -> float:
        """After how long to call `take` though nothing has come."""

    def fileno(self) -> int | None:
        """For `select`; None while there is nothing to wait for."""

    def take(self) -> list[Item]:
        """What has happened since the last time."""


def show_lines(source: Source, scene: Scene, form: Plain | AsJson, out: TextIO) -> None:
    """A line for each row, until the source ends.

    Where the reader of `out` goes away BrokenPipeError is raised, even though nothing is written.
    """
    out.write(form.begin(source.setting) + "\n")
    out.flush()
    reader_gone = _watch_reader(out)
    while not source.ended:
        _wait([source.fileno()], min(source.wait_s, IDLE_S))
        rows = [*scene.take(source.take()), *scene.sums(source.now_ns)]
        if rows:
            out.write("".join([form.line(row) + "\n" for row in rows]))
            out.flush()
        elif reader_gone():
            raise BrokenPipeError
        time.sleep(TURN_S)


def _watch_reader(out: TextIO) -> Callable[[], bool]:
    """What says whether the reader of a pipe has gone."""
    poll = select.poll()
    with suppress(OSError):  # what is no file of the system's has no reader who could go
        poll.register(out, 0)  # that there is no reader any more is always told
    return lambda: any(event & select.POLLERR for _, event in poll.poll(0))


def show_terminal(source: Source, scene: Scene, terminal: Terminal, style: Style) -> None:
    """The view on a terminal, until the player ends it."""
    view = _View()
    draw_s = idle_s = 0.0
    while not view.ended:
        now_s = time.monotonic()
        if now_s >= draw_s and (view.stale or terminal.changed or now_s >= idle_s):
            view.draw(scene, source.now_ns, terminal, style)
            draw_s, idle_s = now_s + DRAW_S, now_s + IDLE_S
        until_s = (draw_s if view.stale or terminal.changed else idle_s) - now_s
        wait_s = until_s if source.ended else min(source.wait_s, until_s)
        given = None if source.ended else source.fileno()
        ready = _wait([given, terminal.keys, terminal.wake_read], max(wait_s, 0))
        if terminal.keys in ready:
            view.press(terminal.read_keys())
        terminal.woken()
        if not source.ended:
            view.add(scene.take(source.take()))
            _wait([terminal.keys, terminal.wake_read], TURN_S)


class _View:
    """The list on a terminal: what of it stands there, and whether it is paused."""

    def __init__(self) -> None:
        self.ended = False
        self._fresh = 0
        self._changed = False
        self._rows: deque[Row] = deque(maxlen=_KEPT)
        self._listing = Listing()

    @property
    def stale(self) -> bool:
        """Whether something has changed since it was painted."""
        return bool(self._fresh) or self._changed

    def add(self, rows: list[Row]) -> None:
        """Rows that are to be shown."""
        self._rows.extend(rows)
        self._fresh += len(rows)

    def press(self, keys: str) -> None:
        """Keys were pressed."""
        for key in keys:
            if key in "qQ":
                self.ended = True
            elif key in (" ", CTRL_S, CTRL_Q):
                paused = self._listing.held is not None
                self._pause(key == CTRL_S or (key == " " and not paused))

    def _pause(self, pause: bool) -> None:
        if pause != (self._listing.held is not None):
            self._listing.held = 0 if pause else None
            self._changed = True

    def draw(self, scene: Scene, now_ns: int, terminal: Terminal, style: Style) -> None:
        """Paint what is known now."""
        size = terminal.size
        room = list_room(scene, size[1])
        listing = self._listing
        if listing.held is None:
            listing.skipped += max(self._fresh - room, 0)
            listing.rows = list(islice(reversed(self._rows), room))[::-1]
        else:
            listing.held += self._fresh
        self._fresh, self._changed = 0, False
        terminal.paint(frame(scene, listing, now_ns, size, style))


def _wait(ends: list[int | None], seconds: float) -> list[int]:
    """Those that have something to read, after so long at most."""
    ready, _, _ = select.select([end for end in ends if end is not None], [], [], seconds)
    return ready


def is_terminal(out: TextIO) -> bool:
    """Whether a view can be painted there."""
    return out.isatty() and os.environ.get("TERM", "") not in ("", "dumb")
