"""`serial:PATH`: a UART at 31,250 baud, such as a DIN socket wired to a small computer's pins.

How this works. Input and output of one path are the two directions of one `Uart`, opened once.
pyserial opens it and sets it up; what passes goes by `os.read` and `os.write`, since a write of
pyserial either waits for a driver whose queue is full or asks it again and again.

A driver's queue is long (4 KiB, more than a second), and a clock must not stand behind it. So
the driver gets two messages' worth at most, and what is more waits here, while real time goes
straight to the driver: it may stand between any two bytes, also those of a SysEx (MIDI 1.0, 4.2.1,
pp. 29, 30). Where the engine paces the wire nothing but SysEx ever waits.
"""

from __future__ import annotations

import array
import errno
import fcntl
import grp
import os
import select
import stat
import sys
import termios
import threading
import time
from collections.abc import Callable, Collection
from contextlib import suppress
from pathlib import Path
from types import ModuleType
from typing import Any

from pointsman.errors import PortError, PortLookupError, one_line
from pointsman.midi_bytes import FIRST_REAL_TIME, LONGEST_SYSEX, ByteEncoder, ByteParser
from pointsman.ports.backend import Deliver, Ended, InputPort, OutputPort, PortBackend
from pointsman.units import NS_PER_MS, NS_PER_S

BAUD = 31_250
BAUD_OFF = BAUD // 100
"""MIDI runs at 31,250 baud, 1 % either way (CA-033, p. 2)."""

BYTE_NS = 10 * NS_PER_S // BAUD
"""A byte is 10 bits: 320 us."""

AHEAD_NS = 6 * BYTE_NS
"""How much the driver has to send at most when it is given more, in time on the wire."""

LONGEST_WAIT = LONGEST_SYSEX
"""How many bytes wait here at most."""

STUCK_NS = 1000 * NS_PER_MS
"""A driver that has taken nothing for this long has failed."""

_CLOSE_S = 8.0
"""How long closing waits for what is still to be sent; systemd would end us after 10."""

_NO_MESSAGE = b""
"""Handed over for noise: who takes it counts what is no whole message, and a player sees that."""


def load() -> ModuleType:
    """The library, pyserial; PortError with how to get it where it is missing."""
    try:
        import serial

        serial.Serial  # noqa: B018  # a package of another purpose has the same module name
    except (ImportError, AttributeError):
        raise PortError(
            "pyserial is not installed; on Debian: sudo apt install python3-serial, with a venv "
            "made with --system-site-packages; elsewhere: pip install 'pointsman[serial]'"
        ) from None
    return serial


# ---- one device ----------------------------------------------------------------------------------


class Uart:
    """One open device, for one or both directions. PortError when it does not open, or cannot."""

    def __init__(self, path: str) -> None:
        library = load()
        self.path = path
        self.users = 0
        try:
            self._serial: Any = library.Serial(path, BAUD, exclusive=True)  # 8 bits, no parity, 1
        except (OSError, ValueError) as error:  # SerialException is an OSError
            raise PortError(f"port '{path}' does not open: {_why(error)}") from error
        self.fd: int = self._serial.fileno()
        try:
            _check_rate(self.fd, path)
            self.marks = _mark_broken(self.fd)
        except BaseException:
            self._serial.close()
            raise
        with suppress(OSError, ValueError):  # a USB adapter may hold bytes for 16 ms otherwise
            self._serial.set_low_latency_mode(True)
        self._errors = select.poll()
        self._errors.register(self.fd, 0)

    def alive(self) -> bool:
        """Whether the device is still there, the very one that was opened, and without error."""
        try:
            there, opened = os.stat(self.path), os.fstat(self.fd)
        except OSError:
            return False
        same = (there.st_dev, there.st_ino, there.st_rdev) == (
            opened.st_dev,
            opened.st_ino,
            opened.st_rdev,
        )
        return same and not self._errors.poll(0)

    def flush(self) -> None:
        """Forget what the driver has not sent."""
        with suppress(termios.error):
            termios.tcflush(self.fd, termios.TCOFLUSH)

    def close(self) -> None:
        """Give the device back."""
        self._serial.close()


def _why(error: Exception) -> str:
    number = getattr(error, "errno", None)
    if number == errno.EAGAIN:  # the lock that pyserial asks for is held
        return "another program has it open; end that program"
    if number is None:  # it has no settings, or not this speed
        return f"it is no serial port that can be set up ({one_line(str(error))}); name another"
    return f"{os.strerror(number)}; see docs/serial.md"


# <asm-generic/ioctls.h>, <asm-generic/termbits.h>, as in pyserial: struct termios2 begins with the
# flags for input, and ends with the speed of output, the last of 11 whole numbers.
_TCGETS2, _TCSETS2 = 0x802C542A, 0x402C542B
_INPUT_FLAGS, _OUTPUT_SPEED = 0, 10

# <linux/serial.h>, struct serial_struct: the kind of UART, its interrupt, its base rate. Kinds 1 to
# 4 are the plain 8250 to 16550A, which divide the base rate by a whole number.
_KIND, _INTERRUPT, _BASE_RATE = 0, 3, 7
_WHOLE_DIVISORS = range(1, 5)


def _check_rate(fd: int, path: str) -> None:
    """See that the UART can run at MIDI's speed, as far as the system tells."""
    if sys.platform != "linux":
        return
    rate = rate_of(_numbers(fd, _TCGETS2), _numbers(fd, termios.TIOCGSERIAL))
    if rate is not None and abs(rate - BAUD) > BAUD_OFF:
        raise PortError(
            f"port '{path}' cannot run at {BAUD} baud, as MIDI does: it would run at {rate}; "
            "use another UART, or a USB adapter that can"
        )


def rate_of(terminal: array.array[int] | None, device: array.array[int] | None) -> int | None:
    """The speed in baud that a UART runs at, once it was asked for MIDI's; None: not known.

    `terminal` is what the driver says of its settings. The driver of the plain UARTs says what it
    was asked for, so for them the speed follows from `device`, what they are.
    """
    if device is not None and device[_KIND] in _WHOLE_DIVISORS and device[_INTERRUPT]:
        base = device[_BASE_RATE]
        if base > 0:
            return round(base / max(1, round(base / BAUD)))
    return None if terminal is None else terminal[_OUTPUT_SPEED]


MARK = b"\xff"
"""FF 00 stands before a byte with a broken frame; FF that is whole comes in twice (termios(3))."""


def _mark_broken(fd: int) -> bool:
    """Have the system mark bytes that came in with a broken frame; whether it does."""
    settings = _numbers(fd, _TCGETS2) if sys.platform == "linux" else None
    if settings is None:
        return False
    settings[_INPUT_FLAGS] |= termios.INPCK | termios.PARMRK
    fcntl.ioctl(fd, _TCSETS2, settings)
    return True


def _numbers(fd: int, request: int) -> array.array[int] | None:
    numbers = array.array("i", [0] * 64)
    try:
        fcntl.ioctl(fd, request, numbers)
    except OSError:
        return None
    return numbers


# ---- its two directions --------------------------------------------------------------------------


class Unmarker:
    """Feeds a parser what the system has marked, and tells it of the broken bytes."""

    def __init__(self, parser: ByteParser) -> None:
        self._parser = parser
        self._held = b""

    def feed(self, piece: bytes) -> list[bytes]:
        """The messages that have become whole with this piece."""
        piece = self._held + piece
        self._held = b""
        whole: list[bytes] = []
        while True:
            plain, mark, rest = piece.partition(MARK)
            whole += self._parser.feed(plain)
            if not mark:
                return whole
            if rest.startswith(MARK):
                whole += self._parser.feed(MARK)
                piece = rest[1:]
            elif len(rest) > 1:
                self._parser.lose()
                piece = rest[2:]
            else:
                self._held = mark + rest
                return whole


class SerialInput(InputPort):
    """Reads a UART on a thread of its own. `give_back` is called once, when it is closed."""

    def __init__(self, uart: Uart, give_back: Callable[[Uart], None]) -> None:
        self._uart = uart
        self._give_back = give_back
        self._parser = ByteParser()
        self._feed = Unmarker(self._parser).feed if uart.marks else self._parser.feed
        self._thread: threading.Thread | None = None
        self._closed = self._failed = False
        self._wake_read, self._wake_write = os.pipe()

    def start(self, deliver: Deliver, ended: Ended) -> None:
        """Hand over each message the moment it is whole."""
        self._thread = threading.Thread(
            target=self._run, args=(deliver,), name=f"read {self._uart.path}", daemon=True
        )
        self._thread.start()

    def _run(self, deliver: Deliver) -> None:
        try:
            self._read(deliver)
        except Exception:  # whatever it is: who asks whether we are alive opens another
            self._failed = True

    def _read(self, deliver: Deliver) -> None:
        fd, noise = self._uart.fd, 0
        ready = select.poll()
        ready.register(fd, select.POLLIN)
        ready.register(self._wake_read, select.POLLIN)
        while not self._closed:
            events = dict(ready.poll())
            if fd not in events:
                continue
            piece = os.read(fd, 4096)
            if not piece and events[fd] & (select.POLLHUP | select.POLLERR):
                self._failed = True
                return
            for message in self._feed(piece):
                if self._closed:
                    return
                deliver(message)
            if self._parser.noise != noise:
                noise = self._parser.noise
                deliver(_NO_MESSAGE)

    def alive(self) -> bool:
        """Whether the device is there and is being read."""
        return not self._closed and not self._failed and self._uart.alive()

    def close(self) -> None:
        """Hand over nothing more, and give the device back."""
        if self._closed:
            return
        self._closed = True
        os.write(self._wake_write, b"\0")
        if self._thread is not None and self._thread is not threading.current_thread():
            self._thread.join()
        os.close(self._wake_read)
        os.close(self._wake_write)
        self._give_back(self._uart)


class SerialOutput(OutputPort):
    """Writes to a UART. `give_back` is called once, when it is closed."""

    def __init__(self, uart: Uart, give_back: Callable[[Uart], None]) -> None:
        self._uart = uart
        self._give_back = give_back
        self._encoder = ByteEncoder()
        self._lock = threading.Lock()
        self._waiting = bytearray()
        self._free_ns = 0
        """When the wire will have carried all that the driver has."""
        self._stuck_ns: int | None = None
        """Since when the driver takes nothing."""
        self._fault: str | None = None
        self._closing = False
        self._wake = threading.Event()
        self._thread = threading.Thread(target=self._run, name=f"write {uart.path}", daemon=True)
        self._thread.start()

    def send(self, data: bytes, t_ns: int) -> None:
        """Send one message, without waiting for the wire. PortError when it has no room for it.

        More than LONGEST_WAIT bytes never wait; nothing of a message that is refused is sent.
        """
        with self._lock:
            if self._fault is not None:
                raise PortError(self._fault)
            if data[0] >= FIRST_REAL_TIME:
                if not self._write(data):
                    raise PortError(self._fault or self._said("takes nothing: its queue is full"))
                return
            if len(self._waiting) + len(data) > LONGEST_WAIT:
                raise PortError(
                    self._said(f"has {len(self._waiting)} bytes to send, no room for {len(data)}")
                )
            self._waiting += self._encoder.encode(data, t_ns)
            self._pump()
            if self._fault is not None:
                raise PortError(self._fault)
            if self._waiting:
                self._wake.set()

    def alive(self) -> bool:
        """Whether the device is there, and takes what is sent."""
        return self._fault is None and self._uart.alive()

    def close(self) -> None:
        """Send what waits, which takes as long as the wire needs, and give the device back.

        PortError where that takes too long; what is left then is not sent.
        """
        with self._lock:
            if self._closing:
                return
            self._closing = True
            self._wake.set()
        self._thread.join(_CLOSE_S)
        with self._lock:
            left = len(self._waiting)
            self._fail("is closed")
        self._thread.join()
        self._give_back(self._uart)
        if left:
            raise PortError(self._said(f"was closed with {left} bytes not sent"))

    # ---- on the thread that sends what waits -----------------------------------------------------

    def _run(self) -> None:
        try:
            while self._send_more():
                self._wake.wait()
        except Exception as error:  # whatever it is: who asks whether we are alive opens another
            with self._lock:
                self._fail(f"failed: {error}")

    def _send_more(self) -> bool:
        """Send until nothing waits; False when nothing will wait any more."""
        while True:
            with self._lock:
                until_free_ns = self._pump()
                if not self._waiting and not self._closing:
                    self._wake.clear()
                    return True
                done = not self._waiting
            if done:  # closing, and the device is to have its last bytes out
                time.sleep(until_free_ns / NS_PER_S)
                return False
            time.sleep(max(until_free_ns - AHEAD_NS // 2, BYTE_NS) / NS_PER_S)

    # ---- with the lock held ----------------------------------------------------------------------

    def _pump(self) -> int:
        """Give the driver what it may have of what waits; for how long it is busy, in ns."""
        if self._waiting:
            room = (AHEAD_NS - self._busy_ns()) // BYTE_NS
            if room > 0:
                taken = self._write(bytes(self._waiting[:room]))
                del self._waiting[:taken]
        return self._busy_ns()

    def _busy_ns(self) -> int:
        return max(self._free_ns - time.monotonic_ns(), 0)

    def _write(self, data: bytes) -> int:
        """Give the driver what it takes of these bytes; how many it took, or a fault."""
        now_ns = time.monotonic_ns()
        try:
            taken = os.write(self._uart.fd, data)
        except BlockingIOError:
            taken = 0
        except OSError as error:
            self._fail(f"is gone ({os.strerror(error.errno or 0)}); plug it in again")
            return 0
        if taken:
            self._stuck_ns = None
            self._free_ns = max(self._free_ns, now_ns) + taken * BYTE_NS
        elif self._stuck_ns is None:
            self._stuck_ns = now_ns
        elif now_ns - self._stuck_ns > STUCK_NS:
            self._uart.flush()  # what is late by a second had better not be heard any more
            self._fail("takes nothing any more; plug it in again")
        return taken

    def _fail(self, what: str) -> None:
        """Take nothing more, and forget what waits: the next status byte ends what was cut."""
        self._fault = self._fault or self._said(what)
        self._waiting.clear()

    def _said(self, what: str) -> str:
        return f"port '{self._uart.path}' {what}"


# ---- the kind of port ----------------------------------------------------------------------------


class SerialPorts(PortBackend):
    """UARTs, by the path of the device."""

    scheme = "serial"
    wire = "din"

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._uarts: dict[str, Uart] = {}

    def problem(self, address: str, *, is_input: bool) -> str | None:
        """A full path is wanted: no device stands in the folder of a rig."""
        if address.startswith("/"):
            return None
        return f"'{address}' is no full path of a device; write for example serial:/dev/serial0"

    def find(self, address: str, base: Path, *, is_input: bool) -> str:
        """The device itself, behind what links there are."""
        path = os.path.realpath(address)
        try:
            found = os.stat(path)
        except OSError as error:
            there = ", ".join(serial_paths()) or "none"
            what = f"there is no device '{address}' ({error.strerror}); there is: {there}"
            raise PortLookupError(what, serial_paths()) from None
        if not stat.S_ISCHR(found.st_mode):
            raise PortLookupError(f"'{address}' is no serial device; write the path of one")
        try:
            load()
        except PortError as error:
            raise PortLookupError(f"port 'serial:{address}' cannot be had: {error}") from None
        if not os.access(path, os.R_OK | os.W_OK):
            raise PortLookupError(
                f"no permission for {path}; sudo usermod -aG {_group(found.st_gid)} $USER, "
                "then log in again"
            )
        return path

    def find_again(
        self,
        address: str,
        base: Path,
        *,
        is_input: bool,
        mark: object,
        taken: Collection[str] = (),
        lost: Collection[object] = (),
    ) -> str | None:
        """What the path leads to now, if anything; two paths may lead to one device."""
        try:
            return self.find(address, base, is_input=is_input)
        except PortLookupError:
            return None

    def open_input(self, name: str) -> InputPort:
        """The device, to read from."""
        return SerialInput(self._take(name), self._give_back)

    def open_output(self, name: str) -> OutputPort:
        """The device, to write to."""
        return SerialOutput(self._take(name), self._give_back)

    def _take(self, path: str) -> Uart:
        with self._lock:
            uart = self._uarts.get(path)
            if uart is None or not uart.alive():
                uart = self._uarts[path] = Uart(path)
            uart.users += 1
            return uart

    def _give_back(self, uart: Uart) -> None:
        with self._lock:
            uart.users -= 1
            if uart.users:
                return
            if self._uarts.get(uart.path) is uart:
                del self._uarts[uart.path]
        uart.close()


def _group(number: int) -> str:
    try:
        return grp.getgrgid(number).gr_name
    except KeyError:
        return str(number)


# ---- what there is -------------------------------------------------------------------------------

TERMINALS = Path("/sys/class/tty")
DEVICES = Path("/dev")

_LASTING = ("serial/by-id/*", "serial[0-9]")
"""Names that stay the same from one start, or from one replug, to the next."""


def serial_paths() -> list[str]:
    """The serial devices of this machine, each by the path that a rig had best name.

    The kernel shows more than there are: a UART of no kind is a place where one could be. What is
    behind a USB adapter goes by its maker's name and number, which stay when it is plugged in anew.
    """
    names = {os.path.realpath(link): str(link) for kind in _LASTING for link in DEVICES.glob(kind)}
    nodes = [str(DEVICES / found.name) for found in sorted(TERMINALS.glob("*")) if _is_uart(found)]
    return [names.get(os.path.realpath(node), node) for node in nodes if os.path.exists(node)]


def _is_uart(terminal: Path) -> bool:
    if not (terminal / "device").exists():
        return False  # a console, or a terminal that no hardware stands behind
    try:
        return (terminal / "type").read_text("ascii").strip() != "0"
    except OSError:  # a USB adapter; old kernels tell it to root alone
        return True
