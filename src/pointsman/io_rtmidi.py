"""System MIDI through python-rtmidi. This is the only module that imports it.

What python-rtmidi is like to live with, and what is done about it here:

- Constructing a port raises where there is no sequencer, and prints to stderr besides: `missing`
  looks first, and says what to install or to switch on.
- The callback runs on a thread of the library. An exception in it would vanish: what it calls
  must catch its own.
- By default SysEx, clock and active sensing are left out: `ignore_types` is told otherwise.
- `close_port` waits for the input thread while it holds the interpreter lock, and can hang when
  a message arrives just then. So an input is closed in steps (`RtMidiInput.close`).
- Garbage collection never closes a port: `delete` does.
- A SysEx message leaves as one event of the sequencer. One that is too long for its receiver is
  cut short by a sound card's driver (`CARD_SYSEX`). Another program never gets it, and nor does it
  get anything that is sent after it (`PROGRAM_SYSEX`); only above 16,355 bytes does `send_message`
  say so. Parts of a message are refused by `send_message`. So such messages are refused here.
"""

from __future__ import annotations

import ctypes
import gc
import os
import re
import sys
import time
from typing import Any

from pointsman.errors import PortError
from pointsman.ports.backend import Deliver, Ended, InputPort, OutputPort

CLIENT = "Pointsman"
"""The name under which the system shows our ports; they are never offered to a rig."""

SEQUENCER = "/dev/snd/seq"
CARD_SYSEX = 4096
"""The longest SysEx in bytes that the driver of a sound card takes: the size of its buffer.

Measured with a USB interface on Linux 6.1; the default of the kernel's raw MIDI buffers.
"""

PROGRAM_SYSEX = 199 * 28
"""The longest SysEx in bytes that other programs take: 199 of the 200 cells of an input pool.

Measured on Linux 6.1: 5,572 pass, 5,573 do not. A cell holds 28 bytes, and the first is the event.
"""

_CARD_CLIENTS = range(16, 128)
"""The sequencer's clients that are sound cards (Linux, sound/core/seq/seq_clientmgr.c)."""

_CLIENT = re.compile(r" (\d+):\d+$")
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
    try:
        return maker(api, name=CLIENT)
    except Exception as error:
        raise PortError(f"the MIDI system does not answer: {error}") from error


def port_names(*, is_input: bool) -> list[str]:
    """The full names of the system's ports, without our own. PortError when there is no MIDI."""
    lacking = missing()
    if lacking:
        raise PortError(lacking)
    midi = _make(is_input=is_input)
    try:
        return [name for name in midi.get_ports() if not name.startswith(f"{CLIENT}:")]
    finally:
        midi.delete()


def _open(name: str, *, is_input: bool, virtual: bool) -> Any:
    lacking = missing()
    if lacking:
        raise PortError(f"port '{name}': {lacking}")
    midi = _make(is_input=is_input)
    try:
        if virtual:
            midi.open_virtual_port(name)
        else:
            midi.open_port(midi.get_ports().index(name), name="in" if is_input else "out")
    except Exception as error:
        midi.delete()
        raise PortError(f"port '{name}' does not open: {error}") from error
    return midi


class RtMidiOutput(OutputPort):
    """A system port, or a virtual one, to write to."""

    def __init__(self, name: str, *, virtual: bool = False) -> None:
        self._name = name
        self._longest = _longest_sysex(name)
        self._midi = _open(name, is_input=False, virtual=virtual)
        self._send = self._midi.send_message

    def send(self, data: bytes, t_ns: int) -> None:
        """Hand one message to the system; PortError for a SysEx that would not arrive whole."""
        if len(data) > self._longest:
            raise PortError(
                f"port '{self._name}' takes SysEx of up to {self._longest} bytes, and one of "
                f"{len(data)} was left out; send it to the synth by itself, without Pointsman"
            )
        try:
            self._send(data)
        except Exception as error:
            raise PortError(f"port '{self._name}' refused a message: {error}") from error

    def close(self) -> None:
        """Close the port and give it back to the system."""
        midi, self._midi = self._midi, None
        if midi is not None:
            self._send = _refuse
            midi.close_port()
            midi.delete()


def _longest_sysex(name: str) -> int:
    """How many bytes may go to a port at once; what receives from a virtual one is a program."""
    if not sys.platform.startswith("linux"):
        return sys.maxsize
    client = _CLIENT.search(name)
    is_card = client is not None and int(client[1]) in _CARD_CLIENTS
    return CARD_SYSEX if is_card else PROGRAM_SYSEX


def _refuse(data: bytes) -> None:
    raise PortError("the port is closed")


def _keep_thread_state() -> None:
    """Keep what Python has set up for the calling thread, so that its next call finds it ready.

    For a call from a thread that is not its own Python makes a thread state and maps memory for a
    stack, and it throws both away afterwards: a seventh of the time that a bare callback takes to
    send a message on. One `PyGILState_Ensure` without its `PyGILState_Release` keeps them. When
    the library ends the thread, 4 KiB stay behind for each input that was opened.
    """
    ctypes.pythonapi.PyGILState_Ensure()


class RtMidiInput(InputPort):
    """A system port, or a virtual one, to read from."""

    def __init__(self, name: str, *, virtual: bool = False) -> None:
        self._midi = _open(name, is_input=True, virtual=virtual)
        self._midi.ignore_types(sysex=False, timing=False, active_sense=False)

    def start(self, deliver: Deliver, ended: Ended) -> None:
        """Hand over each message on the library's thread, the moment it comes."""

        fresh = True

        def callback(event: tuple[list[int], float], data: object = None) -> None:
            nonlocal fresh
            if fresh:
                fresh = False
                _keep_thread_state()
            deliver(bytes(event[0]))

        self._midi.set_callback(callback)

    def close(self) -> None:
        """Close in steps: no more callbacks, time for the last one to end, then the port.

        The callback's tuple is kept alive meanwhile, since the library's thread may still use it.
        """
        midi, self._midi = self._midi, None
        if midi is None:
            return
        kept = gc.get_referents(midi)
        midi.cancel_callback()
        time.sleep(_SETTLE_S)
        midi.close_port()
        midi.delete()
        del kept
