"""System MIDI ports by name, and `virtual:NAME` ports that other programs can connect to."""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path

from pointsman import io_rtmidi
from pointsman.errors import PortError, PortLookupError
from pointsman.ports.backend import InputPort, OutputPort, PortBackend

_SYSTEM_NUMBERS = re.compile(r"\s+\d+:\d+$")
"""The client and port number that ALSA appends, and that change at every replug."""


def without_numbers(name: str) -> str:
    """A port's name as it will still be after a replug."""
    return _SYSTEM_NUMBERS.sub("", name)


def match_port(wanted: str, names: Sequence[str]) -> list[str]:
    """The ports that a rig means by `wanted`: those of that very name, else all that have it.

    Case counts only for the very name, and the numbers that the system appends never count.
    """
    exact = [name for name in names if name == wanted]
    stable = without_numbers(wanted)
    exact = exact or [name for name in names if without_numbers(name) == stable]
    if exact:
        return exact
    text = stable.casefold()
    return [name for name in names if text in without_numbers(name).casefold()]


class SystemPorts(PortBackend):
    """The ports that the system lists."""

    scheme = ""

    def problem(self, address: str, *, is_input: bool) -> str | None:
        """A port needs a name."""
        return None if address else "no port is named; write a name that `pointsman ports` lists"

    def find(self, address: str, base: Path, *, is_input: bool) -> str:
        """The one port that `address` means."""
        direction = "input" if is_input else "output"
        try:
            names = io_rtmidi.port_names(is_input=is_input)
        except PortError as error:
            raise PortLookupError(f"{direction} port '{address}' cannot be had: {error}") from error
        found = match_port(address, names)
        if len(found) == 1:
            return found[0]
        if found:
            what = f"{len(found)} {direction} ports match '{address}'; write more of the name"
            raise PortLookupError(f"{what}: {', '.join(found)}", found)
        there = ", ".join(names) if names else "none"
        raise PortLookupError(f"no {direction} port matches '{address}'; there is: {there}", names)

    def open_input(self, name: str) -> InputPort:
        """Open a system port to read from."""
        return io_rtmidi.RtMidiInput(name)

    def open_output(self, name: str) -> OutputPort:
        """Open a system port to write to."""
        return io_rtmidi.RtMidiOutput(name)


class VirtualPorts(PortBackend):
    """Ports of our own that other programs can connect to."""

    scheme = "virtual"

    def problem(self, address: str, *, is_input: bool) -> str | None:
        """A virtual port needs a name."""
        return (
            None
            if address
            else "a virtual port needs a name; write for example virtual:Harbour Bass"
        )

    def find(self, address: str, base: Path, *, is_input: bool) -> str:
        """A virtual port is made, not found: only the MIDI system must be there."""
        lacking = io_rtmidi.missing()
        if lacking:
            raise PortLookupError(f"port 'virtual:{address}' cannot be had: {lacking}")
        return address

    def open_input(self, name: str) -> InputPort:
        """Make a port that others can send to."""
        return io_rtmidi.RtMidiInput(name, virtual=True)

    def open_output(self, name: str) -> OutputPort:
        """Make a port that others can read from."""
        return io_rtmidi.RtMidiOutput(name, virtual=True)
