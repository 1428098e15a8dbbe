"""Names of system ports: which a text means, and what to write for one.

A name is the sequencer's client and port with their numbers: `Gull:Gull MIDI 1 24:0`. Two units of
one make have one name; `[serial …]` or `[socket …]` behind it says which of them is meant.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from difflib import get_close_matches
from typing import NamedTuple

from pointsman.ports.usb import Unit

UnitOf = Callable[[str], Unit | None]
"""What is known of the USB device behind the port with this full name."""

_SYSTEM_NUMBERS = re.compile(r"\s+\d+:\d+$")
"""The client and port number that ALSA appends, and that change at every replug."""

_BRACKET = re.compile(r"(.*?)\s*\[\s*([^\s\[\]]*)\s*([^\[\]]*?)\s*\]")
_MARKS = ("serial", "socket")
_SOCKET = re.compile(r"\d+-\d+(\.\d+)*")
"""A USB socket as Linux writes it: the bus, then the number of a socket for each hub on the way."""


class Wanted(NamedTuple):
    """What a rig asks for: a name or a part of one, and perhaps which of several units."""

    name: str
    serial: str | None = None
    socket: str | None = None

    def fits(self, unit: Unit | None) -> bool:
        """Whether a unit is the one that is asked for; True when none in particular is."""
        if self.serial is None and self.socket is None:
            return True
        return unit is not None and (
            unit.serial == self.serial if self.socket is None else unit.socket == self.socket
        )


def read_wanted(address: str) -> Wanted:
    """Take `NAME [serial …]` or `NAME [socket …]` apart; other brackets belong to the name."""
    match = _BRACKET.fullmatch(address)
    if match is None or match[2] not in _MARKS:
        return Wanted(address)
    name, mark, value = match.groups()
    return Wanted(name, serial=value) if mark == "serial" else Wanted(name, socket=value)


def problem_of(address: str) -> str | None:
    """What is wrong with a text for a system port; None when nothing is."""
    if not address:
        return "no port is named; write a name that `pointsman ports` lists"
    match = _BRACKET.fullmatch(address)
    if match is None:
        return None
    name, mark, value = match.groups()
    if mark not in _MARKS:
        near = get_close_matches(mark.casefold(), _MARKS, 1, 0.7)
        return f"'{mark}' marks no unit; write [{near[0]} {value or '…'}]" if near else None
    if not value or (mark == "socket" and not _SOCKET.fullmatch(value)):
        example = "[socket 1-1.2]" if mark == "socket" else "[serial 123456]"
        found = f"'{value}' is no {mark}" if value else f"[{mark}] names none"
        return f"{found}; write for example {example}, as `pointsman ports` shows it"
    if not name:
        return f"[{mark} {value}] has no name before it; write one that `pointsman ports` lists"
    return None


def without_numbers(name: str) -> str:
    """A port's name as it will still be after a replug."""
    return _SYSTEM_NUMBERS.sub("", name)


def match_name(wanted: str, names: Sequence[str]) -> list[str]:
    """The ports that are meant by `wanted`: those of that very name, else all that have it.

    Case counts only for the very name, and the numbers that the system appends never count.
    """
    exact = [name for name in names if name == wanted]
    stable = without_numbers(wanted)
    exact = exact or [name for name in names if without_numbers(name) == stable]
    if exact:
        return exact
    text = stable.casefold()
    return [name for name in names if text in without_numbers(name).casefold()]


def match_port(address: str, names: Sequence[str], unit_of: UnitOf) -> list[str]:
    """The ports that a rig means by `address`, which may say which of several units it is."""
    wanted = read_wanted(address)
    if wanted == Wanted(address):
        return match_name(address, names)
    return match_name(wanted.name, [name for name in names if wanted.fits(unit_of(name))])


def to_write(name: str, names: Sequence[str], unit_of: UnitOf) -> str | None:
    """What means this one port alone, now and after a replug; None when nothing does."""
    stable = without_numbers(name)
    if match_name(stable, names) == [name]:
        return stable
    unit = unit_of(name)
    if unit is None:
        return None
    marks = [f"serial {unit.serial}"] if unit.serial else []
    for mark in (*marks, f"socket {unit.socket}"):
        text = f"{stable} [{mark}]"
        if problem_of(text) is None and match_port(text, names, unit_of) == [name]:
            return text
    return None
