"""Kinds of port whose names are kept for later: refused by name, never taken for something else."""

from __future__ import annotations

from typing import NoReturn

from pointsman.errors import PortError
from pointsman.ports.backend import PortBackend

_WHAT = "serial: ports come with a later version; use a USB MIDI interface for now"


class SerialPorts(PortBackend):
    """`serial:PATH`, a UART at 31,250 baud."""

    scheme = "serial"

    def problem(self, address: str, *, is_input: bool) -> str | None:
        """No serial port can be used yet."""
        return _WHAT

    def open_input(self, name: str) -> NoReturn:
        """Refused."""
        raise PortError(_WHAT)

    def open_output(self, name: str) -> NoReturn:
        """Refused."""
        raise PortError(_WHAT)
