"""System MIDI ports on Linux: the kernel's ALSA sequencer, spoken to through its own file.

Which ports there are says `io_rtmidi`; what flows through ours does without the library. For a
message that passes through, its thread and its objects would cost more than all that we do with it
(docs/performance.md). What the sequencer is like to live with, and what is done about it here:

- Each port of ours is a client with one port. Its name is our own where it is connected, so that
  `alive` finds its connection (`ports/alsa_clients.py`), and the player's where it is virtual.
- After an unplug nothing is raised: what is written goes nowhere, and nothing comes to be read. A
  port is opened once, and never again.
- What comes in faster than it is read waits in a pool. When that is full the kernel throws away
  all that waits, and says so once: `InputPort.gaps`. So the pool is as large as is allowed.
- A reader that waits is woken by an event to its own port, when the port is to be closed.
- When the pool of a program that listens to us is full, a write is refused. What has waited there
  is lost then; what comes after it we keep, and try again, or its notes would never end.
- A SysEx message leaves as one event. One that is too long for its receiver is cut short by a
  sound card's driver (`CARD_SYSEX`), or never gets to another program (`PROGRAM_SYSEX`). So it is
  refused here.

Layouts and numbers are those of Linux, include/uapi/sound/asequencer.h; a test asks a C compiler.
"""

from __future__ import annotations

import errno
import fcntl
import os
import secrets
import struct
import threading
from collections import deque
from contextlib import suppress
from io import FileIO

from pointsman import io_rtmidi
from pointsman.errors import PortError
from pointsman.io_rtmidi import CLIENT, REMEDY, SEQUENCER
from pointsman.ports import alsa_clients
from pointsman.ports.alsa_events import EVENT_BYTES, EventReader, Events, TooLongError, nudge
from pointsman.ports.backend import Deliver, Ended, InputPort, OutputPort
from pointsman.ports.usb import address_of, card_of

CARD_SYSEX = 4096
"""The longest SysEx in bytes that the driver of a sound card takes: the size of its buffer.

Measured with a USB interface on Linux 6.1; the default of the kernel's raw MIDI buffers.
"""

PROGRAM_SYSEX = 199 * EVENT_BYTES
"""The longest SysEx in bytes that other programs take: 199 of the 200 cells of an input pool.

Measured on Linux 6.1: 5,572 pass, 5,573 do not. A cell holds 28 bytes, and the first is the event.
"""

INPUT_CELLS = 2000
"""The size of our input pool: the most that the kernel allows (SNDRV_SEQ_MAX_CLIENT_EVENTS)."""

MOST_BEHIND = 2000
"""Events that wait for a program that stands still; then messages are refused."""

_READ_BYTES = 16 * EVENT_BYTES
_MOST_BYTES = (INPUT_CELLS + 1) * EVENT_BYTES

_READ, _WRITE = 1 << 0 | 1 << 5, 1 << 1 | 1 << 6
"""What others may do with a port: do it, and connect to it (SNDRV_SEQ_PORT_CAP_…)."""

_PORT_TYPE = 1 << 1 | 1 << 20
"""A port for MIDI messages, of an application (SNDRV_SEQ_PORT_TYPE_…)."""

_CHANNELS = 16
_NAME_BYTES = 63
_USER_CLIENT = 1

CLIENT_ID = struct.Struct("i")
CLIENT_INFO = struct.Struct("ii64s116x")
"""struct snd_seq_client_info: number, type, name; no filter."""

PORT_INFO = struct.Struct("BB64sIIi16xPIB59x")
"""struct snd_seq_port_info: client, port, name, capability, type, channels, and what stays 0."""

SUBSCRIBE = struct.Struct("BBBBII4x64x")
"""struct snd_seq_port_subscribe: sender and receiver, each client and port, and what stays 0."""

POOL = struct.Struct("iii12x64x")
"""struct snd_seq_client_pool: client, output pool, input pool."""

QUERY = struct.Struct("BBiiiBBBI64x")
"""struct snd_seq_query_subs: client, port, direction, index, how many there are, and the result."""


def _request(direction: int, number: int, layout: struct.Struct) -> int:
    """The number of a request, as _IOR (2), _IOW (1) and _IOWR (3) of Linux put it together."""
    return direction << 30 | layout.size << 16 | ord("S") << 8 | number


GET_CLIENT_ID = _request(2, 0x01, CLIENT_ID)
SET_CLIENT_INFO = _request(1, 0x11, CLIENT_INFO)
CREATE_PORT = _request(3, 0x20, PORT_INFO)
SUBSCRIBE_PORT = _request(1, 0x30, SUBSCRIBE)
SET_CLIENT_POOL = _request(1, 0x4C, POOL)
QUERY_SUBS = _request(3, 0x4F, QUERY)

_STANDS_STILL = "a program that is connected to it takes no more; see what holds it up"


def open_sequencer(mode: int) -> int:
    """Become a client of the sequencer; OSError where that is refused."""
    return os.open(SEQUENCER, mode | os.O_CLOEXEC)


class _Client:
    """One client of the sequencer with one port, connected to the port `name`, or virtual."""

    def __init__(self, name: str, *, is_input: bool, virtual: bool) -> None:
        if lacking := io_rtmidi.missing():
            raise PortError(f"port '{name}': {lacking}")
        self.name, self._is_input, self._virtual = name, is_input, virtual
        self._label = f"{'in' if is_input else 'out'} {secrets.token_hex(4)}"
        self.file = -1
        try:
            # an input is open for writing too: it writes to itself to wake its reader
            mode = os.O_RDWR if is_input else os.O_WRONLY
            self.file = open_sequencer(mode)
            self._open()
        except OSError as error:
            self.close()
            raise PortError(f"port '{name}' does not open: {_why_not(error)}") from error
        except BaseException:
            self.close()
            raise

    def _open(self) -> None:
        target = None if self._virtual else self._address()
        (self.number,) = CLIENT_ID.unpack(self._ask(GET_CLIENT_ID, CLIENT_ID.pack(0)))
        self._ask(SET_CLIENT_INFO, CLIENT_INFO.pack(self.number, _USER_CLIENT, CLIENT.encode()))
        if self._is_input:
            with suppress(OSError):  # then the usual size must do
                self._ask(SET_CLIENT_POOL, POOL.pack(self.number, 0, INPUT_CELLS))
        own_name = _cut(self.name if self._virtual else self._label)
        allowed = _WRITE if self._is_input else _READ
        port = (self.number, 0, own_name, allowed, _PORT_TYPE, _CHANNELS, 0, 0, 0)
        self.port = self._ask(CREATE_PORT, PORT_INFO.pack(*port))[1]
        if target is not None:
            ends = [(self.number, self.port), target]
            sender, receiver = reversed(ends) if self._is_input else ends
            try:
                self._ask(SUBSCRIBE_PORT, SUBSCRIBE.pack(*sender, *receiver, 0, 0))
            except OSError as error:
                if error.errno in (errno.ENXIO, errno.EINVAL):
                    raise self._gone("went away just now") from error
                raise
            if self._is_linked(fresh=True) is False or not self._is_listed():
                raise self._gone("went away just now")

    def _address(self) -> tuple[int, int]:
        address = address_of(self.name)
        if address is None or not self._is_listed():
            raise self._gone("is gone")
        client, _, port = address.partition(":")
        return int(client), int(port)

    def _gone(self, what: str) -> PortError:
        return PortError(f"port '{self.name}' {what}; plug it in again")

    def _is_listed(self, *, young_s: float = 0.0) -> bool:
        return io_rtmidi.is_listed(self.name, is_input=self._is_input, young_s=young_s)

    def _ask(self, request: int, data: bytes) -> bytes:
        """Make a request, and return what has become of `data`."""
        given = bytearray(data)
        fcntl.ioctl(self.file, request, given)
        return bytes(given)

    def listeners(self) -> int:
        """How many are connected to what we send."""
        query = QUERY.pack(self.number, self.port, 0, 0, 0, 0, 0, 0, 0)
        try:
            return int(QUERY.unpack(self._ask(QUERY_SUBS, query))[4])
        except OSError:  # none has the index 0
            return 0

    def alive(self) -> bool:
        """Whether it is open and what it was opened for is still there."""
        if self.file < 0 or self._virtual:
            return self.file >= 0
        if self._is_linked(fresh=False):
            return True
        linked = self._is_linked(fresh=True)  # a look from before we opened says nothing about us
        return self._is_listed(young_s=alsa_clients.FRESH_S) if linked is None else linked

    def _is_linked(self, *, fresh: bool) -> bool | None:
        """Whether the sequencer has our connection; None where it does not tell."""
        seen = alsa_clients.look(fresh=fresh)
        links = None if seen is None else seen.links(self._label)
        return None if links is None else address_of(self.name) in links

    def close(self) -> None:
        """Give it back to the system, which ends its connections."""
        file, self.file = self.file, -1
        if file >= 0:
            os.close(file)


def _why_not(error: OSError) -> str:
    if error.errno == errno.ENOMEM:  # what the kernel says when all numbers are taken
        return io_rtmidi.FULL
    return f"{error.strerror}; plug it in again, or {REMEDY}"


def _cut(name: str) -> bytes:
    """A name as the sequencer keeps it: whole characters of as many bytes as there is room for."""
    return name.encode()[:_NAME_BYTES].decode(errors="ignore").encode()


class AlsaOutput(OutputPort):
    """A system port, or a virtual one, to write to."""

    def __init__(self, name: str, *, virtual: bool = False) -> None:
        self._name = name
        # what receives from a virtual port is a program
        self._longest = PROGRAM_SYSEX if virtual or card_of(name) is None else CARD_SYSEX
        self._events = Events(self._longest)
        self._client = _Client(name, is_input=False, virtual=virtual)
        self._write = FileIO(self._client.file, "w", closefd=False).write
        """Writes an event; None where it is refused, and may be tried again."""
        self._behind: deque[bytes] = deque()
        """What a program that stands still has not taken; changed under the lock alone."""
        self._lock = threading.Lock()

    def send(self, data: bytes, t_ns: int) -> None:
        """Hand one message to the system; PortError for a SysEx that would not arrive whole."""
        try:
            event = self._events[data]
            if self._behind or self._write(event) is None:
                self._put_behind(event)
        except OSError as error:
            raise self._refused(error) from error
        except TooLongError as error:
            raise PortError(
                f"port '{self._name}' takes SysEx of up to {self._longest} bytes, and one of "
                f"{len(data)} was left out; send it to the synth by itself, without Pointsman"
            ) from error

    def _put_behind(self, event: bytes) -> None:
        """Keep an event for later, and see whether it is later.

        Only for a single listener: others that can hear must not wait for one that does not, nor
        hear anything twice.
        """
        with self._lock:
            if self._client.listeners() != 1:
                self._behind.clear()
            elif len(self._behind) < MOST_BEHIND:
                self._behind.append(event)
                self._catch_up()
                return
        raise PortError(f"port '{self._name}' refused a message: {_STANDS_STILL}")

    def _catch_up(self) -> None:
        try:
            while self._behind and self._write(self._behind[0]) is not None:
                self._behind.popleft()
        except OSError as error:
            self._behind.clear()
            raise self._refused(error) from error

    def _refused(self, error: OSError) -> PortError:
        return PortError(f"port '{self._name}' refused a message: {error.strerror}")

    def alive(self) -> bool:
        """Whether the port is open and still connected to what was opened."""
        if self._behind:
            with self._lock, suppress(PortError):
                self._catch_up()
        return self._client.alive()

    def close(self) -> None:
        """Close the port and give it back to the system."""
        with self._lock:
            self._write = _refuse
            self._behind.clear()
        self._client.close()


def _refuse(event: object) -> int | None:
    raise PortError("the port is closed")


class AlsaInput(InputPort):
    """A system port, or a virtual one, to read from, on a thread of its own."""

    def __init__(self, name: str, *, virtual: bool = False) -> None:
        self._client = _Client(name, is_input=True, virtual=virtual)
        self._thread: threading.Thread | None = None
        self._closing = False

    def start(self, deliver: Deliver, ended: Ended) -> None:
        """Hand over each message on the reader's thread, the moment it comes."""
        if self._closing:
            raise PortError("the port is closed")
        reader = threading.Thread(target=self._read, args=(deliver, ended), name="input")
        reader.daemon = True
        self._thread = reader
        reader.start()

    def _read(self, deliver: Deliver, ended: Ended) -> None:
        read = FileIO(self._client.file, closefd=False).read
        feed, size = EventReader().feed, _READ_BYTES
        while not self._closing:
            try:
                events = read(size)
            except OSError as error:
                if error.errno != errno.ENOSPC:
                    ended(f"port '{self._client.name}' cannot be read: {error.strerror}")
                    return
                self.gaps += 1
                continue
            if events is None:  # the first event, with what follows it, is longer than that
                size = _MOST_BYTES
                continue
            for data in feed(events):
                deliver(data)
            size = _READ_BYTES

    def alive(self) -> bool:
        """Whether the port is open and still connected to what was opened."""
        return self._client.alive()

    def close(self) -> None:
        """Hand over nothing more; the reader ends, and then the port."""
        if self._closing:
            return
        self._closing = True
        reader = self._thread
        if reader is not None and reader is not threading.current_thread():
            client = self._client
            with suppress(OSError):  # a reader with so much to read is not asleep
                os.write(client.file, nudge(client.number, client.port))
            reader.join()
        self._client.close()
