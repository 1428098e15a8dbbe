"""A stand-in for python-rtmidi, and a sequencer of the test's own choice for it to be on."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from types import ModuleType

BOX = "Tug Box:Tug Box MIDI 1 24:0"
MINI = "Tug Box Mini:Tug Box Mini MIDI 1 28:0"
GULL = "Gull:Gull MIDI 1 32:0"
TWIN = "Gull:Gull MIDI 1 36:0"
THROUGH = "Midi Through:Midi Through Port-0 14:0"
OWN = "Pointsman:in 128:0"
THERE = [THROUGH, BOX, MINI, GULL, TWIN]


class Midi:
    """One port object of the library; it writes down what is done to it."""

    def __init__(self, library: Library, kind: str, api: int, name: str) -> None:
        self._library, self._kind = library, kind
        self.callback: Callable[[tuple[list[int], float], object], None] | None = None
        self.ignored: dict[str, bool] = {"sysex": True, "timing": True, "active_sense": True}
        self._note("made", api, name)
        if library.broken:
            raise SystemError("no sequencer")
        library.made.append(self)

    def _note(self, what: str, *facts: object) -> None:
        self._library.calls.append((self._kind, what, *facts))

    def get_ports(self) -> list[str]:
        self._library.listed += 1
        if self._library.deaf:
            raise SystemError("no answer")
        return list(self._library.ports)

    def open_port(self, number: int, name: str) -> None:
        self._note("open_port", number, name)
        self._library.on_open(name)
        if self._library.refuses:
            raise SystemError("device or resource busy")

    def open_virtual_port(self, name: str) -> None:
        self._note("open_virtual_port", name)

    def send_message(self, data: bytes) -> None:
        if self._library.refuses:
            raise SystemError("error sending")
        self._note("send_message", data)

    def ignore_types(self, **types: bool) -> None:
        self.ignored.update(types)

    def set_callback(self, callback: Callable[..., None]) -> None:
        self.callback = callback

    def cancel_callback(self) -> None:
        self._note("cancel_callback")
        self.callback = None

    def close_port(self) -> None:
        self._note("close_port")
        if self._library.refuses:
            raise SystemError("error closing")

    def delete(self) -> None:
        self._note("delete")


class Library(ModuleType):
    """The module `rtmidi`, with ports of the test's choice."""

    API_UNSPECIFIED, API_LINUX_ALSA = 0, 2

    def __init__(self) -> None:
        super().__init__("rtmidi")
        self.ports = list(THERE)
        self.calls: list[tuple[object, ...]] = []
        self.made: list[Midi] = []
        self.broken = self.refuses = self.deaf = False
        self.listed = 0
        self.apis = [2]
        self.on_open: Callable[[str], None] = lambda name: None

    def get_compiled_api(self) -> list[int]:
        return self.apis

    def MidiIn(self, api: int, name: str) -> Midi:
        return Midi(self, "in", api, name)

    def MidiOut(self, api: int, name: str) -> Midi:
        return Midi(self, "out", api, name)


class Sequencer:
    """The kernel's two views of what is plugged in: the list of clients, and the USB devices."""

    def __init__(self, folder: Path) -> None:
        self.clients = folder / "clients"
        self.sound = folder / "sound"
        self._devices = folder / "devices"

    def show(self, text: str) -> None:
        """Let the list of clients read so."""
        self.clients.write_text(text, "utf-8")

    def plug(self, card: int, socket: str, serial: str | None = None, make: str = "1d6b") -> None:
        """Let this card be a USB device, as sysfs shows it."""
        hub = self._devices / "usb1"
        unit = hub / socket
        sound = unit / f"{socket}:1.0" / "sound" / f"card{card}"
        sound.mkdir(parents=True)
        (hub / "idVendor").write_text("1d6b\n")
        (unit / "idVendor").write_text(f"{make}\n")
        (unit / "idProduct").write_text("0104\n")
        if serial is not None:
            (unit / "serial").write_text(f"{serial}\n")
        (sound / "device").symlink_to("../..")
        self.sound.mkdir(exist_ok=True)
        (self.sound / f"card{card}").symlink_to(sound)

    def unplug(self, card: int) -> None:
        """Take the card away."""
        (self.sound / f"card{card}").unlink()
