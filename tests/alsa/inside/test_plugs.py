"""Real plugs of USB MIDI devices, pulled and put back: noticed, found again, told apart.

`usbmidi` loads what makes USB devices on the kernel's loop-back controller: each port of that is
a socket of a bus of its own. A device's own end is the sequencer client `f_midi`.
"""

from __future__ import annotations

import shutil
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from sequencer import PATIENCE_S, on_alsa, pointsman, ports, until

from pointsman.errors import PortError, PortLookupError
from pointsman.ports.backend import InputPort, OutputPort
from pointsman.ports.resolve import SYSTEM
from pointsman.ports.usb import unit_of

pytestmark = [
    *on_alsa,
    pytest.mark.skipif(
        shutil.which("usbmidi") is None,
        reason="needs the program usbmidi, which makes USB MIDI devices come and go",
    ),
]

BASE = Path()
NOTE = b"\x90\x3c\x64"
GADGETS = Path("/sys/kernel/config/usb_gadget")


def usbmidi(*arguments: str) -> None:
    subprocess.run(["usbmidi", *arguments], check=True, timeout=PATIENCE_S)


class Device:
    """A USB MIDI device of a make of our own, with or without a serial number."""

    def __init__(self, folder: str, product: str, serial: str = "") -> None:
        self._gadget = gadget = GADGETS / folder
        strings, function = gadget / "strings/0x409", gadget / "functions/midi.0"
        for part in (gadget, strings, gadget / "configs/c.1", function):
            part.mkdir()
        for path, text in (
            (gadget / "idVendor", "0x1d6b"),
            (gadget / "idProduct", "0x0104"),
            (strings / "product", product),
            (strings / "serialnumber", serial),
        ):
            if text:
                path.write_text(text)
        (gadget / "configs/c.1/midi.0").symlink_to(function)

    def plug(self, socket: int) -> None:
        """Put it into a socket, from 0."""
        (self._gadget / "UDC").write_text(f"dummy_udc.{socket}")

    def unplug(self) -> None:
        """Pull the plug; harmless when it is pulled."""
        if (self._gadget / "UDC").read_text().strip():
            (self._gadget / "UDC").write_text("\n")

    def remove(self) -> None:
        """Let there be no such device."""
        self.unplug()
        (self._gadget / "configs/c.1/midi.0").unlink()
        for part in ("functions/midi.0", "configs/c.1", "strings/0x409", "."):
            (self._gadget / part).rmdir()


MakeDevice = Callable[..., Device]


@pytest.fixture
def device() -> Iterator[MakeDevice]:
    """Makes devices that are gone when the test is over."""
    usbmidi("list")  # loads what is needed
    made: list[Device] = []

    def make(folder: str, product: str, serial: str = "") -> Device:
        made.append(Device(folder, product, serial))
        return made[-1]

    yield make
    for each in made:
        each.remove()


def names(product: str) -> list[str]:
    """The full names of the outputs of this make, as aconnect lists them."""
    return [port.full_name for port in ports("-o") if port.client_name == product]


def there(product: str, number: int = 1) -> list[str]:
    """The same, once so many are there (and our own listing has them)."""
    until(lambda: len(names(product)) == number, f"{number} of {product}")
    return names(product)


def socket_of(name: str) -> str:
    unit = unit_of(name)
    assert unit is not None
    return unit.socket


def gone(*open_ports: InputPort | OutputPort) -> None:
    """Wait until these are noticed to be gone, and close them."""
    until(lambda: not any(port.alive() for port in open_ports), "the plug is missed")
    for port in open_ports:
        port.close()


def passes(output: OutputPort, port: InputPort) -> None:
    """From the output to the device's own end, and from there to the input."""
    (far,) = [p.full_name for p in ports("-o") if p.client_name == "f_midi"]
    heard: list[bytes] = []
    far_heard: list[bytes] = []
    far_input, far_output = SYSTEM.open_input(far), SYSTEM.open_output(far)
    try:
        far_input.start(far_heard.append, lambda fault: None)
        port.start(heard.append, lambda fault: None)
        output.send(NOTE, 0)
        until(lambda: far_heard == [NOTE], "a note at the device")
        far_output.send(NOTE, 0)
        until(lambda: heard == [NOTE], "a note from the device")
    finally:
        far_input.close()
        far_output.close()


def find_again(address: str, mark: object, **facts: Any) -> str:
    found: list[str] = []

    def is_back() -> bool:
        name = SYSTEM.find_again(address, BASE, is_input=False, mark=mark, **facts)
        found[:] = [name] if name else []
        return bool(found)

    until(is_back, f"{address} again")
    return found[0]


def test_a_replug_between_two_looks_is_noticed_and_new_ports_work() -> None:
    """The same name and the same numbers are there again before anybody looks."""
    usbmidi("plug", "Tug")
    try:
        (name,) = there("Tug")
        output, port = SYSTEM.open_output(name), SYSTEM.open_input(name)
        mark = SYSTEM.mark(name, is_input=False)
        passes(output, port)
        assert output.alive()
        assert port.alive()
        usbmidi("unplug", "Tug")
        usbmidi("plug", "Tug")
        assert there("Tug") == [name]
        gone(output, port)
        again = find_again("tug", mark)
        output, port = SYSTEM.open_output(again), SYSTEM.open_input(again)
        passes(output, port)
        assert output.alive()
        assert port.alive()
    finally:
        usbmidi("unplug", "Tug")
    gone(output, port)
    for open_port in (SYSTEM.open_output, SYSTEM.open_input):
        with pytest.raises(PortError) as caught:
            open_port(name)
        assert str(caught.value) == f"port '{name}' is gone; plug it in again"


def test_a_device_is_found_again_on_another_socket(device: MakeDevice) -> None:
    gull, buoy = device("one", "Gull"), device("two", "Buoy")
    gull.plug(0)
    (name,) = there("Gull")
    output, mark = SYSTEM.open_output(name), SYSTEM.mark(name, is_input=False)
    gull.unplug()
    gone(output)
    assert SYSTEM.find_again("Gull", BASE, is_input=False, mark=mark) is None
    buoy.plug(0)  # takes the numbers
    there("Buoy")
    gull.plug(3)
    again = find_again("Gull", mark)
    assert again != name
    assert socket_of(again) != socket_of(name)
    output = SYSTEM.open_output(again)
    assert output.alive()
    output.close()


@pytest.mark.parametrize("serials", [("", ""), ("1", "2"), ("0", "0")])
def test_twins_are_told_apart_and_found_again(device: MakeDevice, serials: tuple[str, str]) -> None:
    """Pulled together, put back into the same sockets the other way round, one by one."""
    one, two = device("one", "Gull", serials[0]), device("two", "Gull", serials[1])
    one.plug(1)
    first = there("Gull")[0]
    two.plug(2)
    (second,) = set(there("Gull", 2)) - {first}
    listing = [line for line in pointsman("ports").stdout.splitlines() if "output" in line]
    for name, serial in zip((first, second), serials, strict=True):
        (line,) = [line for line in listing if name in line]
        said = f"serial {serial}" if serials == ("1", "2") else f"socket {socket_of(name)}"
        assert line.endswith(f'"Gull:Gull MIDI 1 [{said}]"')
    with pytest.raises(PortLookupError, match=r"^2 output ports match 'gull'; write one of "):
        SYSTEM.find("gull", BASE, is_input=False)
    marks = [SYSTEM.mark(name, is_input=False) for name in (first, second)]
    sockets = [socket_of(name) for name in (first, second)]
    outputs = [SYSTEM.open_output(name) for name in (first, second)]
    one.unplug()
    two.unplug()
    gone(*outputs)
    two.plug(2)  # has the numbers of the first now
    assert there("Gull") == [first]
    assert SYSTEM.find_again("gull", BASE, is_input=False, mark=marks[0], lost=[marks[1]]) is None
    assert find_again("gull", marks[1], lost=[marks[0]]) == first
    one.plug(1)
    there("Gull", 2)
    assert find_again("gull", marks[0], lost=[marks[1]]) == second
    assert [socket_of(second), socket_of(first)] == sockets
    assert SYSTEM.find(f"gull [socket {sockets[0]}]", BASE, is_input=False) == second


def test_plain_twins_on_new_sockets_are_not_guessed(device: MakeDevice) -> None:
    one, two = device("one", "Gull"), device("two", "Gull")
    one.plug(1)
    first = there("Gull")[0]
    two.plug(2)
    (second,) = set(there("Gull", 2)) - {first}
    marks = [SYSTEM.mark(name, is_input=False) for name in (first, second)]
    one.unplug()
    two.unplug()
    until(lambda: not names("Gull"), "both away")
    one.plug(5)
    there("Gull")
    with pytest.raises(PortLookupError) as caught:
        SYSTEM.find_again("gull", BASE, is_input=False, mark=marks[0], lost=[marks[1]])
    assert str(caught.value).startswith(
        f"nothing tells which 'Gull:Gull MIDI 1' is back as output port {first}; put it into the "
    )
    two.plug(2)
    there("Gull", 2)
    assert find_again("gull", marks[1], lost=[marks[0]]) == second
    assert find_again("gull", marks[0], taken=[second]) == first


PULLS = 24


def test_opening_never_hangs_while_a_plug_comes_and_goes(device: MakeDevice) -> None:
    """Each opening gives a port or one clear line."""
    gull = device("one", "Gull")
    gull.plug(0)
    (name,) = there("Gull")

    def wiggle() -> None:
        for n in range(PULLS):
            time.sleep(0.1 * (n % 6))
            gull.unplug()
            gull.plug(0)
            if n % 6 == 0:  # on a slow machine it is pulled before it is there, most often
                there("Gull")

    hand = threading.Thread(target=wiggle)
    hand.start()
    said: set[str] = set()
    opened = tried = 0
    while hand.is_alive():
        tried += 1
        if tried % 50 == 0:  # it may have another number by now
            name = next(iter(names("Gull")), name)
        try:
            port = (SYSTEM.open_input if tried % 2 else SYSTEM.open_output)(name)
        except PortError as error:
            said.add(str(error))
        else:
            opened += 1
            port.alive()
            port.close()
    hand.join()
    print(f"{opened} of {tried} opened; said: {sorted(said)}")
    assert opened > 0
    assert all(line.startswith("port 'Gull:") and "\n" not in line for line in said), said
