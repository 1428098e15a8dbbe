"""Serial ports: over pseudo-terminals, whose other end is the test's.

A pseudo-terminal takes any speed and sends at once; what a UART does of that by itself (its speed,
marks at broken bytes) is checked with what Linux would say of one.
"""

from __future__ import annotations

import array
import os
import select
import signal
import subprocess
import sys
import threading
import time
import tty
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path

import pytest

from pointsman.cli import main
from pointsman.errors import PortError, PortLookupError
from pointsman.midi_bytes import ByteParser
from pointsman.ports import listing, serial
from pointsman.ports.backend import InputPort, OutputPort
from pointsman.ports.null import NullPorts
from pointsman.ports.serial import AHEAD_NS, BYTE_NS, SerialPorts, Unmarker, rate_of
from pointsman.rig_file import load_rig

pytest.importorskip("serial", reason="needs pyserial: pip install '.[serial]'")

PATIENCE_S = 20
NOTE_ON, NOTE_OFF = b"\x90\x3c\x64", b"\x80\x3c\x40"


def until(condition: Callable[[], object]) -> None:
    """Wait for something that another thread or process is about to do."""
    end_s = time.monotonic() + PATIENCE_S
    while not condition():
        assert time.monotonic() < end_s, "it did not come"
        time.sleep(0.005)


class Cable:
    """A pseudo-terminal at a path that stays the same when it is pulled and plugged in again."""

    def __init__(self, folder: Path) -> None:
        self.path = folder / "uart"
        self._ends: list[int] = []
        self.plug()

    def plug(self) -> None:
        self._ends = list(os.openpty())
        self.path.unlink(missing_ok=True)
        self.path.symlink_to(os.ttyname(self._ends[1]))
        tty.setraw(self._ends[1])

    def pull(self) -> None:
        for end in self._ends:
            os.close(end)
        self._ends = []

    def send(self, data: str) -> None:
        os.write(self._ends[0], bytes.fromhex(data))

    def read(self, count: int) -> bytes:
        """So many bytes that were sent into the cable."""
        found = b""
        while len(found) < count:
            ready, _, _ = select.select([self._ends[0]], [], [], PATIENCE_S)
            assert ready, f"only {found.hex(' ')} came"
            found += os.read(self._ends[0], count - len(found))
        return found

    def is_silent(self) -> bool:
        return not select.select([self._ends[0]], [], [], 0.05)[0]


@pytest.fixture
def cable(tmp_path: Path) -> Iterator[Cable]:
    cable = Cable(tmp_path)
    yield cable
    cable.pull()


@pytest.fixture
def ports() -> SerialPorts:
    return SerialPorts()


def find(ports: SerialPorts, cable: Cable, *, is_input: bool = False) -> str:
    return ports.find(str(cable.path), Path(), is_input=is_input)


@pytest.fixture
def output(ports: SerialPorts, cable: Cable) -> Iterator[OutputPort]:
    port = ports.open_output(find(ports, cable))
    yield port
    port.close()


@pytest.fixture
def source(ports: SerialPorts, cable: Cable) -> Iterator[InputPort]:
    port = ports.open_input(find(ports, cable, is_input=True))
    yield port
    port.close()


# ---- which device --------------------------------------------------------------------------------


def test_a_full_path_is_wanted() -> None:
    assert SerialPorts().problem("/dev/serial0", is_input=True) is None
    for text in ("", "serial0", "dev/serial0"):
        assert SerialPorts().problem(text, is_input=True) == (
            f"'{text}' is no full path of a device; write for example serial:/dev/serial0"
        )


def test_a_device_that_is_not_there(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(serial, "serial_paths", lambda: ["/dev/serial0", "/dev/ttyUSB1"])
    with pytest.raises(PortLookupError) as caught:
        SerialPorts().find("/dev/ttyQuay", Path(), is_input=True)
    assert str(caught.value) == (
        "there is no device '/dev/ttyQuay' (No such file or directory); "
        "there is: /dev/serial0, /dev/ttyUSB1"
    )


def test_a_path_that_is_no_device(tmp_path: Path) -> None:
    with pytest.raises(PortLookupError) as caught:
        SerialPorts().find(str(tmp_path), Path(), is_input=True)
    assert str(caught.value) == f"'{tmp_path}' is no serial device; write the path of one"


def test_a_device_that_is_no_serial_one(ports: SerialPorts) -> None:
    name = ports.find("/dev/null", Path(), is_input=False)
    with pytest.raises(PortError, match=r"^port '/dev/null' does not open: it is no serial port "):
        ports.open_output(name)


def test_no_permission(cable: Cable, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("os.access", lambda path, mode: False)
    with pytest.raises(PortLookupError) as caught:
        find(SerialPorts(), cable)
    assert str(caught.value).startswith(f"no permission for {os.path.realpath(cable.path)}; sudo ")


def test_without_pyserial(
    cable: Cable, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setitem(sys.modules, "serial", None)
    rig = cable.path.with_name("rig.yaml")
    rig.write_text(f"input: {{port: 'serial:{cable.path}'}}\noutputs: {{tug: {{port: 'null:'}}}}\n")
    assert main(["check", str(rig)]) == 0
    capsys.readouterr()
    assert main(["run", str(rig)]) == 3
    assert capsys.readouterr().err == (
        f"input: port 'serial:{cable.path}' cannot be had: pyserial is not installed; on Debian: "
        "sudo apt install python3-serial, with a venv made with --system-site-packages; "
        "elsewhere: pip install 'pointsman[serial]'\n"
    )


def test_two_paths_of_one_device_are_one_port(ports: SerialPorts, cable: Cable) -> None:
    other = cable.path.with_name("other")
    other.symlink_to(cable.path)
    assert ports.find(str(other), Path(), is_input=True) == find(ports, cable)


def test_another_program_has_it(ports: SerialPorts, cable: Cable, output: OutputPort) -> None:
    with pytest.raises(PortError) as caught:
        SerialPorts().open_output(find(ports, cable))
    assert str(caught.value) == (
        f"port '{find(ports, cable)}' does not open: another program has it open; end that program"
    )


# ---- its speed (CA-033, p. 2: 31,250 baud, 1 % either way) ---------------------------------------


def terminal(speed: int) -> array.array[int]:
    """struct termios2, as Linux gives it for a speed."""
    return array.array("i", [0] * 9 + [speed, speed])


def device(kind: int, base: int, interrupt: int = 29) -> array.array[int]:
    """The beginning of struct serial_struct (linux/serial.h)."""
    return array.array("i", [kind, 0, 0, interrupt, 0, 16, 0, base])


RATES = [
    ("a driver that says what it does", terminal(31_250), None, 31_250),
    ("a driver that takes the nearest", terminal(38_400), None, 38_400),
    ("a plain UART of 1.8432 MHz: 115,200 / 4", terminal(31_250), device(4, 115_200), 28_800),
    ("a plain UART of 24 MHz: 1,500,000 / 48", terminal(31_250), device(4, 1_500_000), 31_250),
    ("a plain UART that is too slow", terminal(31_250), device(2, 9_600), 9_600),
    ("a UART that divides by fractions", terminal(31_250), device(32, 115_200), 31_250),
    ("a USB adapter that calls itself plain", terminal(31_250), device(4, 9_600, 0), 31_250),
    ("nothing is known", None, None, None),
]


@pytest.mark.parametrize(
    ("settings", "hardware", "rate"), [r[1:] for r in RATES], ids=[r[0] for r in RATES]
)
def test_the_speed_that_a_uart_really_has(
    settings: array.array[int] | None, hardware: array.array[int] | None, rate: int | None
) -> None:
    assert rate_of(settings, hardware) == rate


@pytest.mark.parametrize(("rate", "fits"), [(31_250, True), (30_938, True), (30_936, False)])
def test_one_per_cent_is_allowed(
    ports: SerialPorts, cable: Cable, monkeypatch: pytest.MonkeyPatch, rate: int, fits: bool
) -> None:
    monkeypatch.setattr(serial, "rate_of", lambda terminal, device: rate)
    name = find(ports, cable)
    if fits:
        ports.open_output(name).close()
        return
    with pytest.raises(PortError) as caught:
        ports.open_output(name)
    assert str(caught.value) == (
        f"port '{name}' cannot run at 31250 baud, as MIDI does: it would run at {rate}; "
        "use another UART, or a USB adapter that can"
    )
    monkeypatch.undo()
    ports.open_output(name).close()  # and it was given back


def test_a_byte_takes_320_us() -> None:
    """CA-033, p. 2: 10 bits at 31,250 baud."""
    assert BYTE_NS == 320_000


# ---- in ------------------------------------------------------------------------------------------


def test_what_comes_in_is_handed_over_whole(source: InputPort, cable: Cable) -> None:
    heard: list[bytes] = []
    source.start(heard.append, lambda fault: None)
    for piece in ("90 3C", "F8 64 3C", "00", "F0 7D 01 FA", "02 F7"):
        cable.send(piece)
    until(lambda: len(heard) == 5)
    assert heard == [
        b"\xf8", NOTE_ON, b"\x90\x3c\x00", b"\xfa", b"\xf0\x7d\x01\x02\xf7",
    ]  # fmt: skip


def test_every_byte_passes_a_terminal(source: InputPort, cable: Cable) -> None:
    """None of them is taken for a line feed, a flow control or an interrupt; FF comes in once."""
    heard: list[bytes] = []
    source.start(heard.append, lambda fault: None)
    cable.send("F0 " + bytes(range(128)).hex() + " F7 FF FF FE")
    until(lambda: len(heard) == 4)
    assert heard == [b"\xf0" + bytes(range(128)) + b"\xf7", b"\xff", b"\xff", b"\xfe"]


def test_noise_is_told_as_what_is_no_message(source: InputPort, cable: Cable) -> None:
    heard: list[bytes] = []
    source.start(heard.append, lambda fault: None)
    cable.send("3C 64 F4")
    until(lambda: heard)
    cable.send("90 3C 64")
    until(lambda: len(heard) == 2)
    assert heard == [b"", NOTE_ON]


MARKED = [
    ("nothing is marked", ["90 3C 64"], ["90 3C 64"], 0),
    ("FF comes in twice", ["90 FF FF 3C 64"], ["FF", "90 3C 64"], 0),
    ("FF FF in two pieces", ["FF", "FF"], ["FF"], 0),
    ("a broken byte", ["90 3C FF 00 64 90 3C 64"], ["90 3C 64"], 3),
    ("a broken byte ends running status", ["90 3C 64 FF 00 00 3C 64"], ["90 3C 64"], 3),
    ("a broken FF", ["FF 00 FF 90 3C 64"], ["90 3C 64"], 1),
    ("a mark in three pieces", ["F0 7D FF", "00", "64 01 F7"], [], 5),
    ("break: the line was low", ["FF 00 00"], [], 1),
]


@pytest.mark.parametrize(
    ("pieces", "messages", "noise"), [m[1:] for m in MARKED], ids=[m[0] for m in MARKED]
)
def test_broken_bytes_are_marked(pieces: list[str], messages: list[str], noise: int) -> None:
    """termios(3), PARMRK: FF 00 before a byte with a framing error; a whole FF is FF FF."""
    parser = ByteParser()
    unmarker = Unmarker(parser)
    found = [m for piece in pieces for m in unmarker.feed(bytes.fromhex(piece))]
    assert found == [bytes.fromhex(message) for message in messages]
    assert parser.noise == noise


def test_a_closed_input_hands_over_nothing_more(
    ports: SerialPorts, cable: Cable, output: OutputPort
) -> None:
    source, heard = ports.open_input(find(ports, cable)), []  # type: ignore[var-annotated]
    source.start(heard.append, lambda fault: None)
    before = threading.active_count()
    source.close()
    source.close()
    assert threading.active_count() == before - 1
    cable.send("F8")
    assert not source.alive()
    assert heard == []
    ports.open_input(find(ports, cable)).close()  # one that was never started closes too


def test_a_fault_of_who_listens_is_no_silent_death(source: InputPort, cable: Cable) -> None:
    def deliver(data: bytes) -> None:
        raise RuntimeError("fog")

    assert source.alive()
    source.start(deliver, lambda fault: None)
    cable.send("F8")
    until(lambda: not source.alive())


# ---- out -----------------------------------------------------------------------------------------


def test_what_is_sent_leaves_with_running_status(output: OutputPort, cable: Cable) -> None:
    for message in (NOTE_ON, b"\xf8", b"\x90\x3c\x00"):
        output.send(message, 0)
    output.send(NOTE_ON, 1_000_000_000)
    assert cable.read(9) == bytes.fromhex("90 3C 64 F8 3C 00 90 3C 64")
    assert cable.is_silent()


def test_a_burst_is_sent_in_order(output: OutputPort, cable: Cable) -> None:
    notes = [bytes((0x90 | note % 16, note, 1)) for note in range(100)]
    for note in notes:
        output.send(note, 0)
    assert cable.read(300) == b"".join(notes)


def test_real_time_does_not_wait_for_a_sysex(output: OutputPort, cable: Cable) -> None:
    """MIDI 1.0, 4.2.1, p. 30: it may stand inside SysEx, and the rest goes on after it."""
    sysex = b"\xf0" + bytes(300) + b"\xf7"
    output.send(sysex, 0)
    output.send(NOTE_ON, 0)
    output.send(b"\xf8", 0)
    sent = cable.read(len(sysex) + 4)
    assert sent.index(b"\xf8") <= AHEAD_NS // BYTE_NS
    assert sent.replace(b"\xf8", b"") == sysex + NOTE_ON
    assert ByteParser().feed(sent) == [b"\xf8", sysex, NOTE_ON]


def test_a_long_sysex_takes_as_long_as_the_wire(output: OutputPort, cable: Cable) -> None:
    """So the driver's queue stays short, and a clock is never far behind."""
    begun_s = time.monotonic()
    output.send(b"\xf0" + bytes(998) + b"\xf7", 0)
    cable.read(1000)
    assert time.monotonic() - begun_s > (1000 * BYTE_NS - 2 * AHEAD_NS) / 1e9


def test_closing_sends_what_waits(ports: SerialPorts, cable: Cable) -> None:
    output = ports.open_output(find(ports, cable))
    sysex = b"\xf0" + bytes(200) + b"\xf7"
    output.send(sysex, 0)
    output.send(NOTE_OFF, 0)
    output.close()
    output.close()
    assert cable.read(len(sysex) + 3) == sysex + NOTE_OFF
    with pytest.raises(PortError, match=r"is closed$"):
        output.send(NOTE_ON, 0)


def test_more_than_may_wait_is_refused(output: OutputPort, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(serial, "LONGEST_WAIT", 100)
    output.send(b"\xf0" + bytes(90) + b"\xf7", 0)
    with pytest.raises(PortError, match=r"bytes to send, no room for 52$"):
        output.send(b"\xf0" + bytes(50) + b"\xf7", 0)
    output.send(NOTE_ON, 0)


def fill(cable: Cable) -> None:
    """Have the terminal's queue full, as a driver's is whose device has stopped."""
    end, took = os.open(cable.path, os.O_WRONLY | os.O_NONBLOCK | os.O_NOCTTY), True
    while took:
        took = False
        with suppress(BlockingIOError):
            while os.write(end, b"\0"):
                took = True
        time.sleep(0.05)  # the kernel may just be making room by moving it on
    os.close(end)


def test_a_full_queue_is_an_error_and_no_hang(output: OutputPort, cable: Cable) -> None:
    fill(cable)
    with pytest.raises(PortError, match=r"takes nothing: its queue is full$"):
        output.send(b"\xf8", 0)
    output.send(NOTE_ON, 0)
    assert output.alive()
    until(lambda: not output.alive())
    with pytest.raises(PortError, match=r"takes nothing any more; plug it in again$"):
        output.send(NOTE_OFF, 0)
    output.close()


def test_a_queue_that_moves_again_loses_nothing(
    output: OutputPort, cable: Cable, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(serial, "STUCK_NS", PATIENCE_S * 10**9)
    fill(cable)
    output.send(NOTE_ON, 0)
    while cable.read(1) == b"\0":  # what filled it
        pass
    assert cable.read(2) == NOTE_ON[1:]
    output.send(NOTE_OFF, 0)
    assert cable.read(3) == NOTE_OFF


def test_closing_a_port_that_takes_nothing_ends(
    output: OutputPort, cable: Cable, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(serial, "_CLOSE_S", 0.1)
    fill(cable)
    output.send(NOTE_ON, 0)
    with pytest.raises(PortError, match=r"was closed with 3 bytes not sent$"):
        output.close()


# ---- both directions of one device ---------------------------------------------------------------


def test_input_and_output_share_the_device(ports: SerialPorts, cable: Cable) -> None:
    def descriptors() -> int:
        name = os.path.realpath(cable.path)
        links = (f"/proc/self/fd/{number}" for number in os.listdir("/proc/self/fd"))
        return sum(os.path.exists(link) and os.readlink(link) == name for link in links)

    before = descriptors()
    name, heard = find(ports, cable), []  # type: ignore[var-annotated]
    source, output = ports.open_input(name), ports.open_output(name)
    assert descriptors() == before + 1
    source.start(heard.append, lambda fault: None)
    output.send(NOTE_ON, 0)
    assert cable.read(3) == NOTE_ON
    output.close()
    cable.send("F8")
    until(lambda: heard)
    assert source.alive()
    source.close()
    assert descriptors() == before


def test_a_pulled_plug_is_noticed_in_both_directions(ports: SerialPorts, cable: Cable) -> None:
    name = find(ports, cable)
    source, output = ports.open_input(name), ports.open_output(name)
    ended: list[str | None] = []
    source.start(lambda data: None, ended.append)
    assert source.alive() and output.alive()
    cable.pull()
    until(lambda: not source.alive() and not output.alive())
    assert ended == []  # the run goes on, and waits for it
    with pytest.raises(PortError, match=r"is gone \(Input/output error\); plug it in again$"):
        output.send(NOTE_ON, 0)
    cable.plug()
    assert not source.alive() and not output.alive()  # one that is gone stays so
    output.close()
    again = ports.find_again(str(cable.path), Path(), is_input=False, mark=name)
    assert again == os.path.realpath(cable.path)
    output = ports.open_output(again)
    output.send(NOTE_ON, 0)
    assert cable.read(3) == NOTE_ON
    output.close()
    source.close()


def test_a_device_in_the_place_of_another_is_not_the_one_that_was_opened(
    ports: SerialPorts, cable: Cable, output: OutputPort, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert output.alive()
    monkeypatch.setattr("os.fstat", lambda fd: os.stat("/dev/null"))
    assert not output.alive()


def test_a_device_that_is_away_is_waited_for(ports: SerialPorts, cable: Cable) -> None:
    cable.pull()
    away = ports.find_again(str(cable.path), Path(), is_input=True, mark="", taken=())
    assert away is None
    cable.plug()


def test_one_that_two_paths_lead_to_is_had_by_both(ports: SerialPorts, cable: Cable) -> None:
    name = find(ports, cable)
    path = str(cable.path)
    assert ports.find_again(path, Path(), is_input=False, mark="", taken=[name]) == name


# ---- the wire ------------------------------------------------------------------------------------


WIRES = [("", 3125), ("wire: free", None), ("wire: usb", None), ("wire: 1000", 1000)]


@pytest.mark.parametrize(("written", "rate"), WIRES, ids=[w[0] or "none" for w in WIRES])
def test_a_serial_output_is_a_din_wire_by_itself(
    tmp_path: Path, written: str, rate: int | None
) -> None:
    path = tmp_path / "rig.yaml"
    path.write_text(
        "input: {port: 'null:'}\n"
        f"outputs:\n  tug: {{port: 'serial:/dev/serial0', {written}}}\n  gull: {{port: 'null:'}}\n"
    )
    tug, gull = load_rig(path).outputs
    assert tug.wire_rate == rate
    assert gull.wire_rate is None
    assert NullPorts.wire == "free"


# ---- pointsman run -------------------------------------------------------------------------------


RIG = """
input: {{port: "serial:{path}"}}
outputs:
  tug:
    port: "serial:{path}"
    chain: [{{plugin: channel_remap, map: {{1: 5}}}}]
"""


@pytest.fixture
def running(cable: Cable) -> Iterator[subprocess.Popen[str]]:
    rig = cable.path.with_name("rig.yaml")
    rig.write_text(RIG.format(path=cable.path))
    process = subprocess.Popen(
        [sys.executable, "-m", "pointsman.cli", "run", str(rig)],
        env={**os.environ, "XDG_RUNTIME_DIR": str(rig.parent)}, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    too_late = threading.Timer(3 * PATIENCE_S, process.kill)
    too_late.start()
    try:
        assert process.stderr is not None
        assert '"ready"' in process.stderr.readline()
        yield process
    finally:
        if process.poll() is None:
            process.kill()
        process.communicate()
        too_late.cancel()


def log_until(process: subprocess.Popen[str], event: str) -> None:
    """Read the log up to a line that tells of this event."""
    assert process.stderr is not None
    for line in process.stderr:
        if f'"{event}"' in line:
            return
    raise AssertionError(f"no line says {event!r}")


def test_a_rig_plays_over_a_uart(cable: Cable, running: subprocess.Popen[str]) -> None:
    cable.send("90 3C 64 F8 40")
    assert cable.read(4) == bytes.fromhex("94 3C 64 F8")
    cable.send("64 00 91 F4")  # a second note by running status, then noise
    assert cable.read(2) == bytes.fromhex("40 64")
    running.send_signal(signal.SIGTERM)
    assert cable.read(5) == bytes.fromhex("84 3C 40 40 40")  # both are let go
    _, log = running.communicate(timeout=PATIENCE_S)
    assert running.returncode == 0
    assert '"received": 3' in log and '"malformed": 1' in log


def test_a_pulled_uart_heals(cable: Cable, running: subprocess.Popen[str]) -> None:
    cable.send("B0 07 64")
    assert cable.read(3) == bytes.fromhex("B4 07 64")
    cable.pull()
    log_until(running, "output lost")
    cable.plug()
    log_until(running, "input is back")
    assert cable.read(3) == bytes.fromhex("B4 07 64")  # what it had, since a synth may have slept
    cable.send("90 3C 64")
    assert cable.read(3) == bytes.fromhex("94 3C 64")
    running.send_signal(signal.SIGTERM)
    running.communicate(timeout=PATIENCE_S)
    assert running.returncode == 0


# ---- what there is -------------------------------------------------------------------------------


@pytest.fixture
def machine(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A machine with a UART, a place for one, a USB adapter, and a console."""
    terminals, devices = tmp_path / "tty", tmp_path / "dev"
    (devices / "serial" / "by-id").mkdir(parents=True)
    for name, kind in (("ttyAMA0", "32"), ("ttyS0", "0"), ("ttyS1", "4"), ("ttyUSB0", None)):
        (terminals / name / "device").mkdir(parents=True)
        (devices / name).touch()
        if kind is not None:
            (terminals / name / "type").write_text(f"{kind}\n")
    (terminals / "tty1").mkdir()
    (devices / "tty1").touch()
    (devices / "serial0").symlink_to("ttyAMA0")
    (devices / "serial" / "by-id" / "usb-Quay_Cable_7-if00-port0").symlink_to("../../ttyUSB0")
    monkeypatch.setattr(serial, "TERMINALS", terminals)
    monkeypatch.setattr(serial, "DEVICES", devices)
    return devices


def test_which_devices_there_are(machine: Path) -> None:
    assert serial.serial_paths() == [
        f"{machine}/serial0",
        f"{machine}/ttyS1",
        f"{machine}/serial/by-id/usb-Quay_Cable_7-if00-port0",
    ]


def test_the_listing_shows_what_to_write(machine: Path) -> None:
    (machine / "ttyUSB0").unlink()
    found = listing.Listing([], [], "no MIDI here", serial.serial_paths())
    shown = listing.show_ports(found).splitlines()
    assert shown[0] == "No system MIDI ports: no MIDI here."
    assert shown[-2].split("  ")[0] == "both"
    assert shown[-2].endswith(f'"serial:{machine}/serial0" (with a DIN socket wired to it)')
    assert listing.show_ports(listing.Listing([], [])).startswith("There are no MIDI ports")
