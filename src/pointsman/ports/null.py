"""`null:`: an output that swallows, an input that stays silent."""

from __future__ import annotations

from pointsman.ports.backend import Deliver, Ended, InputPort, OutputPort, PortBackend


class NullPort(OutputPort, InputPort):
    """Nothing, in either direction."""

    def send(self, data: bytes, t_ns: int) -> None:
        """Swallow the message."""

    def start(self, deliver: Deliver, ended: Ended) -> None:
        """Stay silent."""

    def close(self) -> None:
        """There is nothing to close."""


class NullPorts(PortBackend):
    """The ports that are not there."""

    scheme = "null"
    lasting = False

    def problem(self, address: str, *, is_input: bool) -> str | None:
        """`null:` takes no address."""
        return f"'{address}' means nothing here; write null: alone" if address else None

    def open_input(self, name: str) -> InputPort:
        """An input that stays silent."""
        return NullPort()

    def open_output(self, name: str) -> OutputPort:
        """An output that swallows."""
        return NullPort()
