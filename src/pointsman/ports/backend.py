"""What a kind of port has to offer."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Callable, Collection
from pathlib import Path
from typing import ClassVar, Literal

from pointsman.errors import PortLookupError

Deliver = Callable[[bytes], None]
"""Takes one whole message the moment it comes in. It may be called from any one thread."""

Send = Callable[[bytes, int], None]
"""Takes one whole message and its time in nanoseconds; raises what `OutputPort.send` does."""

Ended = Callable[[str | None], None]
"""Told once when nothing will come any more: None at a regular end, else what went wrong."""


class OutputPort(ABC):
    """An open port that messages leave by. Its calls are never made from two threads at once."""

    @abstractmethod
    def send(self, data: bytes, t_ns: int) -> None:
        """Send one whole message; `t_ns` is its time since the run began, for what records it.

        Raises PortError or OSError when it cannot be sent.
        """

    def alive(self) -> bool:
        """Whether the port is still connected to what was opened; True where nobody can tell.

        Asked a few times a second from a housekeeping thread, and never where messages pass. A
        port that is not alive stays so: close it and open another.
        """
        return True

    @abstractmethod
    def close(self) -> None:
        """Close the port; harmless when it is closed."""


class InputPort(ABC):
    """An open port that messages come in by."""

    gaps: int = 0
    """How often messages were lost before they reached us: the system had no more room for them."""

    @abstractmethod
    def start(self, deliver: Deliver, ended: Ended) -> None:
        """Begin to hand over what comes in."""

    def alive(self) -> bool:
        """Whether the port is still connected to what was opened; True where nobody can tell.

        Asked a few times a second from a housekeeping thread, and never where messages pass. A
        port that is not alive stays so: close it and open another.
        """
        return True

    @abstractmethod
    def close(self) -> None:
        """Hand over nothing more, and close; harmless when it is closed."""


class PortBackend(ABC):
    """One kind of port, asked for in a rig as `scheme:address`."""

    scheme: ClassVar[str]

    both_ways: ClassVar[bool] = True
    """Whether the input and an output may have one address: the two directions of one thing."""

    lasting: ClassVar[bool] = True
    """Whether what is behind such a port goes on, and can go on sounding, when we end."""

    wire: ClassVar[Literal["din", "usb", "free"]] = "free"
    """The wire of such an output where the rig names none."""

    def problem(self, address: str, *, is_input: bool) -> str | None:
        """What is wrong with an address as a rig writes it, without looking whether it is there."""
        return None

    def locate(self, address: str, base: Path) -> str:
        """The address without regard to the folder of the rig: the same text is the same port."""
        return address

    def find(self, address: str, base: Path, *, is_input: bool) -> str:
        """The full name of the port that `address` asks for; `base` is the folder of the rig.

        Two addresses with one full name are one port. Raises PortLookupError when there is none,
        or when several match.
        """
        return address

    def mark(self, name: str, *, is_input: bool) -> object:
        """What to remember of the port with this full name, to know it again; ask once it is open.

        Only this kind of port reads it, in `find_again`.
        """
        return name

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
        """The full name of the port that is back for `address`; None while it is away.

        `mark` is what `mark` said of the port that was open. `taken` are the full names that our
        other connections of the same direction hold open, `lost` the marks of those of them that
        are away as well. Raises PortLookupError when something is back and nothing tells whether
        it is this port, and when the system cannot be asked; the text says what to do.
        """
        try:
            name = self.find(address, base, is_input=is_input)
        except PortLookupError:
            return None
        return None if name in taken else name

    @abstractmethod
    def open_input(self, name: str) -> InputPort:
        """Open the port with this full name to read from it; PortError when that fails."""

    @abstractmethod
    def open_output(self, name: str) -> OutputPort:
        """Open the port with this full name to write to it; PortError when that fails."""
