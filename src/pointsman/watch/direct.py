"""A source of items: the input itself, read where no service does it.

With a rig the same engine runs over it that a service would run, but what it sends is only shown:
no output is opened. Without one the input stands alone.

The input calls from a thread of its own and only leaves what came in a queue; everything else is
done by the thread that calls `take`.
"""

from __future__ import annotations

import os
import time
from collections import deque
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

from pointsman.engine import Engine
from pointsman.errors import PortLookupError, one_line
from pointsman.live.own_input import OwnInput
from pointsman.registry import Registry
from pointsman.rig import Rig
from pointsman.units import NS_PER_S
from pointsman.watch.items import Event, Item, Lost, Remark
from pointsman.watch.setting import OPEN, Place, Setting, outputs_of

LOOK_S = 1.0
"""How often it is looked whether the port is still there, or is there again."""

_THROUGH = "Midi Through"
"""A port that the kernel has on every machine; nobody plays there."""

ROOM = 20_000
"""Messages that wait to be taken at most; the newest ones are lost beyond."""


class Direct:
    """Reads a rig's input, and shows what the rig would make of it.

    `heading` is the line for people, `about` the same as data. Raises PortLookupError where the
    port is not there, PortError where it does not open, and PluginError where a plugin will not
    start.
    """

    def __init__(
        self, rig: Rig, registry: Registry, heading: str, about: Mapping[str, object]
    ) -> None:
        self._begun_ns = time.monotonic_ns()
        self._items: list[Item] = []
        self._came_ns = -1
        self._engine = Engine(rig, self._sent, on_change=self._changed)
        self._faults = 0
        self._queue: deque[tuple[int, bytes]] = deque()
        self._lost = 0
        self._end: list[str | None] = []
        self._wake_read, self._wake_write = os.pipe()
        for end in (self._wake_read, self._wake_write):
            os.set_blocking(end, False)
        self._heading, self._about = heading, about
        self._input = OwnInput(rig, registry, self._deliver, self._over)
        self.ended = False
        """Whether the input is over, such as a file that has been played."""
        self.fault: str | None = None
        """What has ended it, if it was not meant to end."""
        self.setting = self._setting(rig)
        self._input.open()
        self._looks_s = time.monotonic() + LOOK_S
        self._engine.start(self.now_ns)

    # ---- on the input's thread -------------------------------------------------------------------

    def _deliver(self, data: bytes) -> None:
        if len(self._queue) < ROOM:
            self._queue.append((self.now_ns, data))
        else:
            self._lost += 1
        self._wake()

    def _over(self, fault: str | None) -> None:
        self._end.append(fault)
        self._wake()

    def _wake(self) -> None:
        with suppress(BlockingIOError):  # it is being woken already
            os.write(self._wake_write, b"\0")

    # ---- what a view asks of a source ------------------------------------------------------------

    def fileno(self) -> int:
        """For `select`."""
        return self._wake_read

    @property
    def now_ns(self) -> int:
        """The time since the beginning."""
        return time.monotonic_ns() - self._begun_ns

    @property
    def wait_s(self) -> float:
        """After how long to call `take` though nothing has come, in seconds."""
        due_ns = self._engine.next_due_ns
        look_s = self._looks_s - time.monotonic()
        wait_s = look_s if due_ns is None else min((due_ns - self.now_ns) / NS_PER_S, look_s)
        return max(wait_s, 0)

    def take(self) -> list[Item]:
        """What has happened since the last time."""
        with suppress(BlockingIOError):
            os.read(self._wake_read, 4096)
        over = list(self._end)  # before the queue: what came before the end is in there
        for _ in range(len(self._queue)):
            self._receive(*self._queue.popleft())
        if not self._queue:
            self._engine.advance(self._not_before(self.now_ns))
        if self._lost:
            lost, self._lost = self._lost, 0
            self._items.append(Lost(lost))
        for fault in self._engine.faults[self._faults :]:
            self._faults += 1
            self._items.append(Remark(str(fault)))
        if over and not self._queue and self._engine.idle:
            self.ended, self.fault = True, over[0]
            self._items.append(Remark(self.fault or "the input has ended"))
        elif time.monotonic() >= self._looks_s:
            self._looks_s = time.monotonic() + LOOK_S
            if not over:
                self._input.look(self._lost_input, lambda _: self._show_state(OPEN))
        items, self._items = self._items, []
        return items

    def close(self) -> None:
        """Close the input."""
        self._input.close()
        for end in (self._wake_read, self._wake_write):
            os.close(end)

    # ---- inside ----------------------------------------------------------------------------------

    def _receive(self, t_ns: int, data: bytes) -> None:
        engine = self._engine
        t_ns = self._not_before(t_ns)
        engine.advance(t_ns)  # what was due before it stands before it
        self._items.append(Event(t_ns, None, data))
        self._came_ns = t_ns
        engine.receive(data, t_ns)
        self._came_ns = -1

    def _not_before(self, t_ns: int) -> int:
        """A time, or that of the engine: messages wait while what is due is sent."""
        schedule = self._engine.schedule
        return max(t_ns, schedule.now_ns) if schedule.begun else t_ns

    def _sent(self, output: str, data: bytes, t_ns: int) -> None:
        self._items.append(Event(t_ns, output, data, t_ns != self._came_ns))

    def _changed(self, rig: Rig) -> None:
        """The rig has changed to another of its songs."""
        self.setting = replace(self._setting(rig), input=self.setting.input)
        self._items += [self.setting, Remark(f"from here on it is {rig.name}")]

    def _setting(self, rig: Rig) -> Setting:
        outputs, port = outputs_of(rig), rig.input_port
        about = {**self._about, "input": port, "outputs": list(outputs)}
        return Setting(self._heading, about, Place(port), outputs, rig.middle_c_octave)

    def _lost_input(self) -> None:
        self._engine.lose_input(self._not_before(self.now_ns))
        self._show_state("lost")

    def _show_state(self, state: str) -> None:
        source = replace(self.setting.input, state=state)
        self.setting = replace(self.setting, input=source)
        self._items.append(self.setting)


def open_direct(rig_file: str | None, port: str | None, because: str = "") -> Direct:
    """The input of a rig file, or `port` in its place; without a rig file that port alone.

    `because` ends the heading: why it is not a service that is watched.
    Raises RigError where the rig is wrong, and PortLookupError where no port is named and there is
    not exactly one.
    """
    if rig_file is None:
        from pointsman.registry import load_plugins

        registry = load_plugins()
        port = port or _only_input()
        heading = f"the input {one_line(port)} alone, without a rig{because}"
        rig = Rig("", port, (), path=Path("here"))
        return Direct(rig, registry, heading, {"watching": "input"})
    from pointsman.rig_file import load_rig_and_plugins

    rig, registry = load_rig_and_plugins(rig_file)
    if port is not None:
        rig = replace(rig, input_port=port, path=Path("here"))
    heading = f"dry run of {rig_file}: nothing is sent; input {rig.input_port}{because}"
    about = {"watching": "rig", "rig": rig.name, "path": rig_file}
    return Direct(rig, registry, heading, about)


def _only_input() -> str:
    """The one input port of this machine."""
    from pointsman.ports.listing import list_ports

    found = list_ports()
    named = [name for name in found.inputs if not name.startswith(_THROUGH)]
    if len(named) == 1:
        return named[0]
    hint = "name one with --input, or a rig file"
    if found.missing:
        raise PortLookupError(f"no service runs, and no input is named: {found.missing}; {hint}")
    there = ", ".join(found.inputs) if found.inputs else "none"
    raise PortLookupError(f"no service runs, and no input is named; {hint}. There is: {there}")
