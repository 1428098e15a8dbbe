"""`file:PATH`: a `.mid` or `.tsv` file, played in real time or recorded."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path

from pointsman.errors import InputFileError, PortError, PortLookupError
from pointsman.io_smf import DEFAULT_DIVISION, SmfWriter, play
from pointsman.io_tsv import TsvWriter, read_tsv
from pointsman.ports.backend import Deliver, Ended, InputPort, OutputPort, PortBackend
from pointsman.units import NS_PER_S

SUFFIXES = (".mid", ".tsv")


def read_messages(path: Path) -> Iterator[tuple[int, bytes]]:
    """The messages that a file plays, with their times in nanoseconds; InputFileError if broken.

    A `.mid` file plays as a sequencer would: Start, clock along its tempo map, Stop at the end.
    """
    if path.suffix.lower() == ".tsv":
        return read_tsv(path)
    return ((item.t_ns, item.data) for item in play(path) if not is_meta(item.data))


def is_meta(data: bytes) -> bool:
    """Whether this is a meta event of a Standard MIDI File (FF and more), not a message."""
    return data[0] == 0xFF and len(data) > 1


Messages = Iterator[tuple[int, bytes]]
"""Messages with their times in nanoseconds from the beginning, which never go down."""


class FileInput(InputPort):
    """Plays a file in real time, in a thread of its own.

    `messages` gives what is to be played, if that is not simply all of the file.
    """

    def __init__(self, path: Path, messages: Callable[[], Messages] | None = None) -> None:
        self._path = path
        self._messages = messages or partial(read_messages, path)
        self.played_ns = 0
        """How far it has come."""
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None

    def start(self, deliver: Deliver, ended: Ended) -> None:
        """Begin to play."""
        self._thread = threading.Thread(
            target=self._play, args=(deliver, ended), name=f"play {self._path.name}", daemon=True
        )
        self._thread.start()

    def _play(self, deliver: Deliver, ended: Ended) -> None:
        begun_ns = time.monotonic_ns()
        try:
            for t_ns, data in self._messages():
                wait_ns = begun_ns + t_ns - time.monotonic_ns()
                if wait_ns > 0 and self._stop.wait(wait_ns / NS_PER_S):
                    return
                if self._stop.is_set():
                    return
                self.played_ns = t_ns
                deliver(data)
        except InputFileError as error:
            ended(str(error))
        except Exception as error:  # whatever it is, the run must not wait for us for ever
            ended(f"{self._path} cannot be played: {error}")
        else:
            ended(None)

    def close(self) -> None:
        """Stop playing."""
        self._stop.set()
        if self._thread is not None and self._thread is not threading.current_thread():
            self._thread.join()


class FileOutput(OutputPort):
    """Records what it is sent."""

    def __init__(self, path: Path) -> None:
        self._last_ns = 0
        self._path = path
        is_tsv = path.suffix.lower() == ".tsv"
        self._writer = TsvWriter(path) if is_tsv else SmfWriter(path, DEFAULT_DIVISION)

    def send(self, data: bytes, t_ns: int) -> None:
        """Record one message; a `.mid` file leaves out what it cannot hold, such as clock."""
        self._last_ns = t_ns
        self._writer.write(t_ns, data)

    def close(self) -> None:
        """Finish the file."""
        try:
            if isinstance(self._writer, TsvWriter):
                self._writer.close()
            else:
                self._writer.close(self._last_ns)
        except OSError as error:
            what = f"'{self._path}' is not complete ({error.strerror}); make room and run it again"
            raise PortError(what) from error


class FilePorts(PortBackend):
    """Files as ports; a relative path counts from the folder of the rig."""

    scheme = "file"
    both_ways = False  # an output would empty the file that the input plays
    lasting = False

    def problem(self, address: str, *, is_input: bool) -> str | None:
        """Only `.mid` and `.tsv` files can be ports."""
        if Path(address).suffix.lower() in SUFFIXES:
            return None
        return f"'{address}' is no .mid or .tsv file; write a path that ends so"

    def locate(self, address: str, base: Path) -> str:
        """The absolute path."""
        return str((base / address).resolve())

    def find(self, address: str, base: Path, *, is_input: bool) -> str:
        """The absolute path; as an input the file must be there, as an output its folder."""
        path = Path(self.locate(address, base))
        if is_input and not path.is_file():
            raise PortLookupError(f"there is no file '{path}' to play; give the path of one")
        if not is_input and not path.parent.is_dir():
            raise PortLookupError(f"there is no folder '{path.parent}' to record in; make it first")
        return str(path)

    def open_input(self, name: str) -> InputPort:
        """A player of the file."""
        return FileInput(Path(name))

    def open_output(self, name: str) -> OutputPort:
        """A recorder into the file, which is replaced."""
        try:
            return FileOutput(Path(name))
        except OSError as error:
            what = f"cannot record in '{name}' ({error.strerror}); give a file that can be written"
            raise PortError(what) from error
