"""Which USB device is behind a port of the sequencer, so that units of one make can be told apart.

On Linux a sound card's client has a number that follows from the card's, and the kernel says in
sysfs which USB device the card is. Elsewhere, or for what is no USB device, nothing is known.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

SOUND = Path("/sys/class/sound")

CARD_CLIENTS = range(16, 128)
"""The sequencer's clients that are sound cards, four numbers for each card.

Linux, sound/core/seq/seq_clientmgr.c: SNDRV_SEQ_GLOBAL_CLIENTS, SNDRV_SEQ_CLIENTS_PER_CARD and
SNDRV_SEQ_DYNAMIC_CLIENTS_BEGIN.
"""
_CLIENTS_PER_CARD = 4

_ADDRESS = re.compile(r" ((\d+):\d+)$")


@dataclass(frozen=True)
class Unit:
    """One USB device: its make (vendor and product), its serial number if any, its socket."""

    make: str
    serial: str | None
    socket: str

    def likeness(self, other: Unit | None) -> tuple[bool, bool]:
        """How much speaks for the other being the same device; the serial number more."""
        if other is None or other.make != self.make:
            return (False, False)
        same_serial = self.serial is not None and other.serial == self.serial
        return (same_serial, other.socket == self.socket)


def address_of(name: str) -> str | None:
    """The numbers at the end of a port's full name, `24:0`; None where the system gives none."""
    match = _ADDRESS.search(name)
    return match[1] if match else None


def card_of(name: str) -> int | None:
    """The number of the sound card that a port belongs to; None when it is another program's."""
    match = _ADDRESS.search(name)
    if match is None or int(match[2]) not in CARD_CLIENTS:
        return None
    return (int(match[2]) - CARD_CLIENTS.start) // _CLIENTS_PER_CARD


def unit_of(name: str) -> Unit | None:
    """The USB device behind the port with this full name; None when there is none to be seen."""
    card = card_of(name)
    if card is None:
        return None
    try:
        device = (SOUND / f"card{card}" / "device").resolve(strict=True)
        for folder in (device, *device.parents):
            if (folder / "idVendor").is_file():
                return _read(folder)
    except OSError:  # unplugged while we looked, or hidden from us
        pass
    return None


def _read(folder: Path) -> Unit:
    vendor, product = (_line(folder / name) for name in ("idVendor", "idProduct"))
    try:
        serial = _line(folder / "serial")
    except OSError:  # many devices have none
        serial = ""
    return Unit(f"{vendor}:{product}", serial or None, folder.name)


def _line(path: Path) -> str:
    return path.read_bytes().decode("utf-8", "replace").strip()
