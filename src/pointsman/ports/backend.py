"""What a kind of port has to offer."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Callable
from pathlib import Path
from typing import ClassVar

Deliver = Callable[[bytes], None]
"""Takes one whole message the moment it comes in. It may be called from any one thread."""

Ended = Callable[[str | None], None]
"""Told once when nothing will come any more: None at a regular end, else what went wrong."""


class OutputPort(ABC):
    """An open port that messages leave by. Its calls are never made from two threads at once."""

    @abstractmethod
    def send(self, data: bytes, t_ns: int) -> None:
        """Send one whole message; `t_ns` is its time since the run began, for what records it.

        Raises PortError or OSError when it cannot be sent.
        """

    @abstractmethod
    def close(self) -> None:
        """Close the port; harmless when it is closed."""


class InputPort(ABC):
    """An open port that messages come in by."""

    @abstractmethod
    def start(self, deliver: Deliver, ended: Ended) -> None:
        """Begin to hand over what comes in."""

    @abstractmethod
    def close(self) -> None:
        """Hand over nothing more, and close; harmless when it is closed."""


class PortBackend(ABC):
    """One kind of port, asked for in a rig as `scheme:address`."""

    scheme: ClassVar[str]

    both_ways: ClassVar[bool] = True
    """Whether the input and an output may have one address: the two directions of one thing."""

    def problem(self, address: str, *, is_input: bool) -> str | None:
        """What is wrong with an address as a rig writes it, without looking whether it is there."""
        return None

    def find(self, address: str, base: Path, *, is_input: bool) -> str:
        """The full name of the port that `address` asks for; `base` is the folder of the rig.

        Two addresses with one full name are one port. Raises PortLookupError when there is none,
        or when several match.
        """
        return address

    @abstractmethod
    def open_input(self, name: str) -> InputPort:
        """Open the port with this full name to read from it; PortError when that fails."""

    @abstractmethod
    def open_output(self, name: str) -> OutputPort:
        """Open the port with this full name to write to it; PortError when that fails."""
