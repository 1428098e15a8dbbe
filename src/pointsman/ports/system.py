"""System MIDI ports by name, and `virtual:NAME` ports that other programs can connect to."""

from __future__ import annotations

import sys
from collections.abc import Collection, Sequence
from pathlib import Path

from pointsman import io_alsa, io_rtmidi
from pointsman.errors import PortError, PortLookupError
from pointsman.ports.backend import InputPort, OutputPort, PortBackend
from pointsman.ports.finding_again import Doubt, Mark, choose
from pointsman.ports.names import match_port, problem_of, read_wanted, to_write, without_numbers
from pointsman.ports.usb import unit_of


class SystemPorts(PortBackend):
    """The ports that the system lists."""

    scheme = ""

    def problem(self, address: str, *, is_input: bool) -> str | None:
        """A port needs a name, and what may stand behind it has a form."""
        return problem_of(address)

    def find(self, address: str, base: Path, *, is_input: bool) -> str:
        """The one port that `address` means."""
        names = _names(address, is_input=is_input)
        found = _the_one(address, names, is_input=is_input)
        if found is None:
            there = ", ".join(names) if names else "none"
            what = f"no {_direction(is_input)} port matches '{address}'; there is: {there}"
            raise PortLookupError(what, names)
        return found

    def mark(self, name: str, *, is_input: bool) -> Mark:
        """The port's name, the device behind it, and what could be taken for it later."""
        try:
            names = io_rtmidi.port_names(is_input=is_input)
        except PortError:
            names = []
        stable = without_numbers(name)
        twins = frozenset(n for n in names if n != name and without_numbers(n) == stable)
        return Mark(name, unit_of(name), twins)

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
        """The port of the name that was open; of several the one that the device speaks for."""
        wanted = read_wanted(address)
        names = [
            name
            for name in _names(address, is_input=is_input)
            if name not in taken and wanted.fits(unit_of(name))
        ]
        if not isinstance(mark, Mark):  # it has not been there yet
            return _the_one(address, names, is_input=is_input)
        try:
            return choose(mark, names, lost, unit_of)
        except Doubt as doubt:
            home = f" ({mark.unit.socket})" if mark.unit else ""
            raise PortLookupError(
                f"nothing tells which '{mark.stable_name}' is back as {_direction(is_input)} port "
                f"{' or '.join(doubt.names)}; put it into the socket where it was{home}, or write "
                "in the rig what `pointsman ports` shows for each",
                doubt.names,
            ) from None

    def open_input(self, name: str) -> InputPort:
        """Open a system port to read from."""
        return _open_input(name)

    def open_output(self, name: str) -> OutputPort:
        """Open a system port to write to."""
        return _open_output(name)


def _open_input(name: str, *, virtual: bool = False) -> InputPort:
    own = io_alsa.AlsaInput if _has_sequencer() else io_rtmidi.RtMidiInput
    return own(name, virtual=virtual)


def _open_output(name: str, *, virtual: bool = False) -> OutputPort:
    own = io_alsa.AlsaOutput if _has_sequencer() else io_rtmidi.RtMidiOutput
    return own(name, virtual=virtual)


def _has_sequencer() -> bool:
    return sys.platform.startswith("linux")


def _direction(is_input: bool) -> str:
    return "input" if is_input else "output"


def _names(address: str, *, is_input: bool) -> list[str]:
    try:
        return io_rtmidi.port_names(is_input=is_input)
    except PortError as error:
        direction = _direction(is_input)
        raise PortLookupError(f"{direction} port '{address}' cannot be had: {error}") from error


def _the_one(address: str, names: Sequence[str], *, is_input: bool) -> str | None:
    found = match_port(address, names, unit_of)
    if len(found) > 1:
        what = f"{len(found)} {_direction(is_input)} ports match '{address}'"
        raise PortLookupError(f"{what}; {_how_to_choose(found)}", found)
    return found[0] if found else None


def _how_to_choose(found: Sequence[str]) -> str:
    """What to write to mean one of these; their names alone do not do where they are all one."""
    if len({without_numbers(name) for name in found}) == 1:
        texts = [to_write(name, found, unit_of) for name in found]
        if all(texts):
            return f"write one of these: {', '.join(text for text in texts if text)}"
    return f"write more of the name: {', '.join(found)}"


class VirtualPorts(PortBackend):
    """Ports of our own that other programs can connect to."""

    scheme = "virtual"
    lasting = False

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
        return _open_input(name, virtual=True)

    def open_output(self, name: str) -> OutputPort:
        """Make a port that others can read from."""
        return _open_output(name, virtual=True)
