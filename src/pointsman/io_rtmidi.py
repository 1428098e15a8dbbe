"""System MIDI through python-rtmidi. This is the only module that imports it.

On every system it lists the ports there are. On Linux our own are `io_alsa`'s, elsewhere they are
this module's. What python-rtmidi is like to live with, and what is done about it here:

- Constructing a port raises where there is no sequencer, and prints to stderr besides: `missing`
  looks first, and says what to install or to switch on.
- The callback runs on a thread of the library. An exception in it would vanish: what it calls
  must catch its own. Between two calls Python would throw away what it has set up for that thread
  (`ports/thread_state.py`).
- By default SysEx, clock and active sensing are left out: `ignore_types` is told otherwise.
- `close_port` waits for the input thread while it holds the interpreter lock, and can hang when
  a message arrives just then. So an input is closed in steps (`RtMidiInput.close`).
- Garbage collection never closes a port: `delete` does.
- When a device is unplugged nothing is raised, and a port object stays dead when the device is
  back. So the list of ports is looked at, and a port is never opened twice.
- A port is opened by its place in a list, which may have changed since: the list is looked at
  again afterwards.
- `get_ports` holds the interpreter lock while it asks: it is called when a port has come or gone.
"""

from __future__ import annotations

import gc
import os
import re
import sys
import threading
import time
from contextlib import suppress
from typing import Any

from pointsman.errors import PortError, one_line
from pointsman.ports import alsa_clients, thread_state
from pointsman.ports.backend import Deliver, Ended, InputPort, OutputPort

CLIENT = "Pointsman"
"""The name under which the system shows our ports; they are never offered to a rig."""

SEQUENCER = "/dev/snd/seq"

REMEDY = "end other programs that use MIDI"
FULL = "the MIDI system takes no more ports; end another program that uses MIDI"

_SETTLE_S = 0.02
"""How long a callback that has begun may take to end, before its port is closed."""


def missing() -> str | None:
    """What this machine lacks for system MIDI ports and how to get it; None when all is there."""
    try:
        import rtmidi
    except ModuleNotFoundError as error:
        if error.name != "rtmidi":
            return f"python-rtmidi does not load ({error}); install it anew"
        return (
            "python-rtmidi is not installed; on Debian: sudo apt install python3-rtmidi, with a "
            "venv made with --system-site-packages; elsewhere: pip install 'pointsman[midi]'"
        )
    except Exception as error:  # a broken shared library can raise anything
        return f"python-rtmidi does not load ({error}); install it anew"
    if not sys.platform.startswith("linux"):
        return None
    if rtmidi.API_LINUX_ALSA not in rtmidi.get_compiled_api():
        return (
            "python-rtmidi was built without ALSA; on Debian: sudo apt install python3-rtmidi, "
            "or sudo apt install libasound2-dev and install python-rtmidi again"
        )
    if not os.path.exists(SEQUENCER):
        return f"there is no ALSA sequencer ({SEQUENCER}); switch it on: sudo modprobe snd-seq"
    if not os.access(SEQUENCER, os.R_OK | os.W_OK):
        return f"no permission for {SEQUENCER}; sudo usermod -aG audio $USER, then log in again"
    return None


def _make(*, is_input: bool) -> Any:
    import rtmidi

    linux = sys.platform.startswith("linux")
    api = rtmidi.API_LINUX_ALSA if linux else rtmidi.API_UNSPECIFIED
    maker = rtmidi.MidiIn if is_input else rtmidi.MidiOut
    seen = alsa_clients.look(fresh=True)
    if seen is not None and seen.is_full():  # the library would print a line of its own, each time
        raise PortError(FULL)
    try:
        return maker(api, name=CLIENT)
    except Exception as error:
        raise _no_answer(error) from error


def _no_answer(error: Exception) -> PortError:
    return PortError(f"the MIDI system does not answer: {_why(error)}; {REMEDY}")


def _why(error: Exception) -> str:
    """What the library says, in one line, without the name of the function that says it."""
    return re.sub(r"^\w+::\w+: ", "", one_line(str(error).rstrip(".\n")))


_BELIEVED_S = 2.0
"""For how long a list holds while nothing comes or goes. The library makes a short list of one that
the system broke off, and says nothing: it would hide a port until the next plug is pulled."""


class _Lister:
    """Lists the ports of one direction, and asks the library only when something has changed."""

    def __init__(self, *, is_input: bool) -> None:
        self._is_input = is_input
        self._lock = threading.Lock()
        self._midi: Any = None
        self._names: list[str] = []
        self._others: tuple[bytes, ...] | None = None
        self._listed_s = 0.0

    def names(self, *, young_s: float = 0.0) -> list[str]:
        """The full names, asked for anew if something may have changed since `young_s` ago."""
        with self._lock:
            seen = alsa_clients.look(fresh=not young_s)
            others = None if seen is None else seen.others(CLIENT)
            if self._midi is not None:
                same = others is not None and others == self._others
                if time.monotonic() - self._listed_s < max(young_s, _BELIEVED_S * same):
                    return list(self._names)
            self._names = self._ask()
            self._others, self._listed_s = others, time.monotonic()
            return list(self._names)

    def _ask(self) -> list[str]:
        if self._midi is None:
            self._midi = _make(is_input=self._is_input)
        try:
            names = self._midi.get_ports()
        except Exception as error:
            midi, self._midi = self._midi, None
            with suppress(Exception):
                midi.delete()
            raise _no_answer(error) from error
        return [name for name in names if not name.startswith(f"{CLIENT}:")]


_listers = {is_input: _Lister(is_input=is_input) for is_input in (True, False)}


def port_names(*, is_input: bool, young_s: float = 0.0) -> list[str]:
    """The full names of the system's ports, without our own. PortError when there is no MIDI.

    A list that is at most `young_s` seconds old is good enough.
    """
    lacking = missing()
    if lacking:
        raise PortError(lacking)
    return _listers[is_input].names(young_s=young_s)


def is_listed(name: str, *, is_input: bool, young_s: float = 0.0) -> bool:
    """Whether the system has the port of this full name; True where nobody can tell."""
    try:
        return name in port_names(is_input=is_input, young_s=young_s)
    except PortError:
        return True


class _Connection:
    """A port object of the library, connected to the system port `name`, or virtual."""

    def __init__(self, name: str, *, is_input: bool, virtual: bool) -> None:
        lacking = missing()
        if lacking:
            raise PortError(f"port '{name}': {lacking}")
        self._name, self._is_input, self._virtual = name, is_input, virtual
        self._closed = False
        try:
            self.midi = _make(is_input=is_input)
        except PortError as error:
            raise PortError(f"port '{name}' does not open: {error}") from error
        try:
            self._open()
        except Exception as error:
            self.midi.delete()
            if isinstance(error, PortError):
                raise
            what = f"port '{name}' does not open: {_why(error)}"
            raise PortError(f"{what}; plug it in again, or {REMEDY}") from error

    def _open(self) -> None:
        if self._virtual:
            self.midi.open_virtual_port(self._name)
            return
        names = self.midi.get_ports()
        if self._name not in names:
            raise PortError(f"port '{self._name}' is gone; plug it in again")
        self.midi.open_port(names.index(self._name), name=f"{self._name} to {CLIENT}")
        if self.midi.get_ports() != names:
            raise PortError(f"port '{self._name}' went away just now; plug it in again")

    def alive(self) -> bool:
        """Whether it is open and what it was opened for is still there."""
        if self._closed or self._virtual:
            return not self._closed
        return is_listed(self._name, is_input=self._is_input, young_s=alsa_clients.FRESH_S)

    def close(self) -> None:
        """Close it and give it back to the system, whatever fails on the way."""
        self._closed = True
        try:
            self.midi.close_port()
        except Exception as error:
            raise PortError(f"port '{self._name}' does not close: {_why(error)}") from error
        finally:
            self.midi.delete()


class RtMidiOutput(OutputPort):
    """A system port, or a virtual one, to write to."""

    def __init__(self, name: str, *, virtual: bool = False) -> None:
        self._name = name
        self._connection: _Connection | None = _Connection(name, is_input=False, virtual=virtual)
        self._send = self._connection.midi.send_message

    def send(self, data: bytes, t_ns: int) -> None:
        """Hand one message to the system."""
        try:
            self._send(data)
        except Exception as error:
            raise PortError(f"port '{self._name}' refused a message: {_why(error)}") from error

    def alive(self) -> bool:
        """Whether the port is open and still connected to what was opened."""
        connection = self._connection
        return connection is not None and connection.alive()

    def close(self) -> None:
        """Close the port and give it back to the system."""
        connection, self._connection = self._connection, None
        if connection is not None:
            self._send = _refuse
            connection.close()


def _refuse(data: bytes) -> None:
    raise PortError("the port is closed")


class RtMidiInput(InputPort):
    """A system port, or a virtual one, to read from."""

    def __init__(self, name: str, *, virtual: bool = False) -> None:
        self._connection: _Connection | None = _Connection(name, is_input=True, virtual=virtual)
        self._connection.midi.ignore_types(sysex=False, timing=False, active_sense=False)
        self._thread_states: list[int] = []

    def start(self, deliver: Deliver, ended: Ended) -> None:
        """Hand over each message on the library's thread, the moment it comes."""
        if self._connection is None:
            raise PortError("the port is closed")
        kept = self._thread_states

        def callback(event: tuple[list[int], float], data: object = None) -> None:
            if not kept:
                kept.append(thread_state.keep())
            deliver(bytes(event[0]))

        self._connection.midi.set_callback(callback)

    def alive(self) -> bool:
        """Whether the port is open and still connected to what was opened."""
        connection = self._connection
        return connection is not None and connection.alive()

    def close(self) -> None:
        """Close in steps: no more callbacks, time for the last one to end, then the port.

        The callback's tuple is kept alive meanwhile, since the library's thread may still use it.
        The port's end is that of the thread, whose state is of no more use.
        """
        connection, self._connection = self._connection, None
        if connection is None:
            return
        kept = gc.get_referents(connection.midi)
        connection.midi.cancel_callback()
        time.sleep(_SETTLE_S)
        connection.close()
        del kept
        while self._thread_states:
            thread_state.free(self._thread_states.pop())
