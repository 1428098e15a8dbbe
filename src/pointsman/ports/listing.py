"""The ports of this machine, as a rig would name them."""

from __future__ import annotations

from dataclasses import asdict, dataclass, field

from pointsman import io_rtmidi
from pointsman.errors import PortError
from pointsman.ports.names import to_write
from pointsman.ports.serial import serial_paths
from pointsman.ports.usb import unit_of
from pointsman.tables import table

_HEADS = ("direction", "port", "write in the rig")
_NEEDS = "with a DIN socket wired to it"


@dataclass(frozen=True)
class Listing:
    """What was found; `missing` says why there are no system ports, if there are none at all.

    `serial` are the paths of serial devices, which a rig can use if a DIN socket is wired to them.
    """

    inputs: list[str]
    outputs: list[str]
    missing: str | None = None
    serial: list[str] = field(default_factory=list)

    def as_dict(self) -> dict[str, object]:
        """The same as plain data, for JSON."""
        return asdict(self)


def list_ports() -> Listing:
    """Look for the system's ports, and for serial devices."""
    serial = serial_paths()
    try:
        inputs, outputs = (io_rtmidi.port_names(is_input=is_input) for is_input in (True, False))
    except PortError as error:
        return Listing([], [], str(error), serial)
    return Listing(inputs, outputs, serial=serial)


def show_ports(found: Listing) -> str:
    """The ports as a table, with what to write in a rig for each."""
    serial = [("both", path, f'"serial:{path}" ({_NEEDS})') for path in found.serial]
    if found.missing:
        return (
            f"No system MIDI ports: {found.missing}.\n"
            "A rig can still use file:PATH.mid, file:PATH.tsv and null: as ports."
        ) + (f"\n\n{table(_HEADS, serial)}" if serial else "")
    rows = [
        (direction, name, _to_write(name, names))
        for direction, names in (("input", found.inputs), ("output", found.outputs))
        for name in names
    ]
    if not rows and not serial:
        return "There are no MIDI ports: plug in an interface, or make one with virtual:NAME."
    return table(_HEADS, [*rows, *serial])


def _to_write(name: str, names: list[str]) -> str:
    """What means this port alone and still does after a replug, else its name of the moment."""
    text = to_write(name, names, unit_of)
    return f'"{name}" (until replugged)' if text is None else f'"{text}"'
