"""System ports on Linux: what is asked of the kernel, what is written and read, and what fails.

The kernel is a stand-in here (kernel_kit.py); tests/alsa has a real sequencer.
"""

from __future__ import annotations

import errno
import os
import struct
import threading
from io import FileIO

import pytest
from kernel_kit import CREATE_PORT, EVENT_BYTES, SET_POOL, SUBSCRIBE, Kernel
from midi_kit import GULL, MINI, THROUGH, Library, Sequencer
from quay import until

from pointsman import io_alsa
from pointsman.errors import PortError
from pointsman.ports.alsa_events import encode
from pointsman.ports.backend import InputPort
from pointsman.ports.system import SystemPorts, VirtualPorts

pytestmark = pytest.mark.usefixtures("library")

CLOCK, NOTE_ON, NOTE_OFF = b"\xf8", b"\x90\x3c\x64", b"\x80\x3c\x40"
READ, WRITE, DUPLEX = 0x21, 0x42, os.O_RDWR


def listen(port: InputPort) -> tuple[list[bytes], list[str | None]]:
    heard: list[bytes] = []
    faults: list[str | None] = []
    port.start(heard.append, faults.append)
    return heard, faults


# ---- opening -------------------------------------------------------------------------------------


def test_an_output_is_a_client_whose_port_is_connected(
    kernel: Kernel, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("pointsman.io_alsa.secrets.token_hex", lambda n: "5f1c09ab"[: 2 * n])
    port = SystemPorts().open_output(MINI)
    (client,) = kernel.made
    assert (client.name, client.port, client.capability) == ("Pointsman", "out 5f1c09ab", READ)
    assert client.kind == 1 << 1 | 1 << 20
    assert (client.mode, client.link) == (os.O_WRONLY, ("128:0", "28:0"))
    port.close()
    port.close()
    assert client.is_closed


def test_an_input_has_the_largest_pool(kernel: Kernel) -> None:
    SystemPorts().open_input(GULL)
    (client,) = kernel.made
    assert client.port.startswith("in ")
    assert (client.capability, client.mode, client.link) == (WRITE, DUPLEX, ("32:0", "128:0"))
    assert client.pool == 2000


def test_where_the_kernel_grants_no_larger_pool_the_usual_one_must_do(kernel: Kernel) -> None:
    kernel.refuses[SET_POOL] = errno.ENOMEM
    SystemPorts().open_input(GULL)
    assert kernel.made[0].pool == 200


def test_virtual_ports_have_the_name_that_the_rig_gives(kernel: Kernel) -> None:
    VirtualPorts().open_output("Harbour")
    VirtualPorts().open_input("Harbour")
    assert [(c.name, c.port, c.link) for c in kernel.made] == [("Pointsman", "Harbour", None)] * 2
    assert [c.capability for c in kernel.made] == [READ, WRITE]


def test_a_name_is_cut_between_two_characters(kernel: Kernel) -> None:
    """The sequencer has 64 bytes for it, with a zero at the end."""
    VirtualPorts().open_output("M" + "ö" * 40)
    assert kernel.made[0].port == "M" + "ö" * 31


@pytest.mark.parametrize("request_", [CREATE_PORT, SUBSCRIBE], ids=["port", "connection"])
def test_a_port_that_does_not_open_is_closed_and_says_why(kernel: Kernel, request_: int) -> None:
    kernel.refuses[request_] = errno.EBUSY
    with pytest.raises(PortError) as caught:
        SystemPorts().open_output(GULL)
    assert str(caught.value) == (
        f"port '{GULL}' does not open: Device or resource busy; "
        "plug it in again, or end other programs that use MIDI"
    )
    assert kernel.made[0].is_closed


def test_a_full_sequencer_says_so(kernel: Kernel) -> None:
    kernel.full = True
    with pytest.raises(PortError) as caught:
        SystemPorts().open_input(GULL)
    said = "the MIDI system takes no more ports; end another program that uses MIDI"
    assert str(caught.value) == f"port '{GULL}' does not open: {said}"


def test_a_port_that_went_away_between_finding_and_opening(kernel: Kernel) -> None:
    for open_port in (SystemPorts().open_input, SystemPorts().open_output):
        with pytest.raises(PortError, match=r"^port 'Buoy 24:0' is gone; plug it in again$"):
            open_port("Buoy 24:0")
        assert kernel.made[-1].is_closed


def test_a_port_that_goes_away_while_it_is_opened(kernel: Kernel, library: Library) -> None:
    said = f"port '{GULL}' went away just now; plug it in again"
    kernel.refuses[SUBSCRIBE] = errno.ENXIO
    with pytest.raises(PortError) as caught:
        SystemPorts().open_output(GULL)
    assert str(caught.value) == said
    kernel.refuses.clear()
    kernel.on_link = lambda name: library.ports.remove(GULL)  # another has its number now
    with pytest.raises(PortError) as caught:
        SystemPorts().open_output(GULL)
    assert str(caught.value) == said
    assert [client.is_closed for client in kernel.made] == [True, True]


# ---- writing -------------------------------------------------------------------------------------


def test_what_is_sent_is_written_as_events(kernel: Kernel) -> None:
    port = SystemPorts().open_output(GULL)
    for data in (NOTE_ON, b"\xf0\x7d\x01\xf7", NOTE_ON, CLOCK):
        port.send(data, 5)
    sysex = encode(b"\xf0\x7d\x01\xf7")
    assert kernel.made[0].heard() == encode(NOTE_ON) + sysex + encode(NOTE_ON) + encode(CLOCK)
    port.close()
    with pytest.raises(PortError, match=r"^the port is closed$"):
        port.send(CLOCK, 5)


def test_a_message_that_the_system_refuses_says_which_port(kernel: Kernel) -> None:
    port = SystemPorts().open_output(GULL)
    with open("/dev/full", "wb") as full:
        os.dup2(full.fileno(), kernel.made[0].file)
    with pytest.raises(PortError) as caught:
        port.send(CLOCK, 0)
    assert str(caught.value) == f"port '{GULL}' refused a message: No space left on device"


LIMITS = [
    ("a sound card", GULL, False, 4096),
    ("the last client of a card", "Quay:Quay MIDI 1 127:0", False, 4096),
    ("the system's own through port", THROUGH, False, 5572),
    ("another program", "Sampler:in 128:0", False, 5572),
    ("whoever connects", "Harbour", True, 5572),
]


@pytest.mark.parametrize(
    ("name", "virtual", "limit"), [case[1:] for case in LIMITS], ids=[case[0] for case in LIMITS]
)
def test_sysex_that_would_not_arrive_whole_is_refused(
    library: Library, kernel: Kernel, name: str, virtual: bool, limit: int
) -> None:
    """Limits as measured on ALSA; see tests/alsa."""
    library.ports.append(name)
    port = (VirtualPorts() if virtual else SystemPorts()).open_output(name)
    whole = b"\xf0" + bytes(limit - 2) + b"\xf7"
    port.send(whole, 0)
    assert kernel.made[0].heard() == encode(whole)
    with pytest.raises(PortError) as caught:
        port.send(b"\xf0" + bytes(20_000) + b"\xf7", 0)
    assert str(caught.value) == (
        f"port '{name}' takes SysEx of up to {limit} bytes, and one of 20002 was left out; "
        "send it to the synth by itself, without Pointsman"
    )
    with pytest.raises(PortError):
        port.send(b"\xf0" + bytes(limit - 1) + b"\xf7", 0)
    port.send(CLOCK, 0)
    assert kernel.made[0].heard() == encode(CLOCK)


# ---- a listener that stands still ----------------------------------------------------------------

STANDS_STILL = "a program that is connected to it takes no more; see what holds it up"


def test_what_a_listener_did_not_take_it_gets_later_in_order(kernel: Kernel) -> None:
    port = SystemPorts().open_output(GULL)
    (client,) = kernel.made
    client.fill()
    port.send(NOTE_ON, 0)
    port.send(NOTE_OFF, 0)
    client.heard()
    port.send(CLOCK, 0)
    assert client.heard() == encode(NOTE_ON) + encode(NOTE_OFF) + encode(CLOCK)
    port.send(CLOCK, 0)
    assert client.heard() == encode(CLOCK)


def test_the_last_message_does_not_wait_for_another_one(kernel: Kernel) -> None:
    port = SystemPorts().open_output(GULL)
    (client,) = kernel.made
    client.fill()
    port.send(NOTE_OFF, 0)
    assert port.alive()
    client.heard()
    assert port.alive()  # as the service asks a few times a second
    assert client.heard() == encode(NOTE_OFF)


def test_what_waits_has_a_limit(kernel: Kernel, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(io_alsa, "MOST_BEHIND", 2)
    port = SystemPorts().open_output(GULL)
    (client,) = kernel.made
    client.fill()
    port.send(NOTE_ON, 0)
    port.send(NOTE_OFF, 0)
    with pytest.raises(PortError) as caught:
        port.send(CLOCK, 0)
    assert str(caught.value) == f"port '{GULL}' refused a message: {STANDS_STILL}"
    client.heard()
    assert port.alive()
    assert client.heard() == encode(NOTE_ON) + encode(NOTE_OFF)


@pytest.mark.parametrize("listeners", [0, 2])
def test_where_others_listen_too_nobody_waits_for_one(kernel: Kernel, listeners: int) -> None:
    """They would hear everything again that has been tried again for it."""
    port = VirtualPorts().open_output("Harbour")
    (client,) = kernel.made
    client.fill()
    client.listeners = listeners
    with pytest.raises(PortError, match=STANDS_STILL):
        port.send(NOTE_ON, 0)
    client.heard()
    port.send(NOTE_OFF, 0)
    assert client.heard() == encode(NOTE_OFF)


def test_a_port_that_is_closed_ends_the_waiting(kernel: Kernel) -> None:
    port = SystemPorts().open_output(GULL)
    (client,) = kernel.made
    client.fill()
    port.send(NOTE_ON, 0)
    port.close()
    with pytest.raises(PortError, match=r"^the port is closed$"):
        port.send(NOTE_OFF, 0)
    assert not port.alive()


# ---- reading -------------------------------------------------------------------------------------


def test_what_comes_in_is_handed_over_as_messages(kernel: Kernel) -> None:
    port = SystemPorts().open_input(GULL)
    heard, faults = listen(port)
    (client,) = kernel.made
    client.play(encode(NOTE_ON) + encode(CLOCK))
    until(lambda: len(heard) == 2)
    client.play(encode(NOTE_OFF))
    until(lambda: len(heard) == 3)
    port.close()
    port.close()
    assert heard == [NOTE_ON, CLOCK, NOTE_OFF]
    assert (faults, client.is_closed) == ([], True)
    with pytest.raises(PortError, match=r"^the port is closed$"):
        port.start(heard.append, faults.append)


def test_an_input_that_nothing_comes_to_closes_at_once(kernel: Kernel) -> None:
    port = SystemPorts().open_input(GULL)
    listen(port)
    threads = threading.active_count()
    port.close()
    assert threading.active_count() == threads - 1


def test_an_input_that_was_never_started_closes(kernel: Kernel) -> None:
    SystemPorts().open_input(GULL).close()
    assert kernel.made[0].is_closed


def test_an_input_may_be_closed_by_what_it_hands_over(kernel: Kernel) -> None:
    port = SystemPorts().open_input(GULL)
    port.start(lambda data: port.close(), lambda fault: None)
    kernel.made[0].play(encode(CLOCK))
    until(lambda: kernel.made[0].is_closed)


def reading(monkeypatch: pytest.MonkeyPatch, *results: bytes | int | None) -> list[int]:
    """Have the next calls to read end so: with these bytes, or this error; None is EAGAIN."""
    sizes: list[int] = []
    left = list(results)

    class Scripted(FileIO):
        def read(self, size: int | None = -1, /) -> bytes | None:  # type: ignore[override]
            assert size is not None
            sizes.append(size)
            result = left.pop(0) if left else super().read(size)
            if isinstance(result, int):
                raise OSError(result, os.strerror(result))
            return result

    monkeypatch.setattr(io_alsa, "FileIO", Scripted)
    return sizes


def test_what_the_system_had_no_room_for_is_counted(
    kernel: Kernel, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A read then fails once (Linux, sound/core/seq/seq_clientmgr.c, snd_seq_read)."""
    port = SystemPorts().open_input(GULL)
    reading(monkeypatch, errno.ENOSPC, encode(CLOCK), errno.ENOSPC)
    heard, faults = listen(port)
    until(lambda: port.gaps == 2)
    port.close()
    assert (heard, faults) == ([CLOCK], [])


def test_sysex_that_is_longer_than_usual_is_read_at_once(
    kernel: Kernel, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A read fails while there is no room for the whole of an event, and takes nothing away."""
    sysex = b"\xf0" + bytes(5000) + b"\xf7"
    padded = encode(sysex) + bytes(-len(sysex) % EVENT_BYTES)
    port = SystemPorts().open_input(GULL)
    sizes = reading(monkeypatch, None, padded)
    heard, _ = listen(port)
    until(lambda: len(sizes) == 3)
    port.close()
    assert heard == [sysex]
    assert sizes == [16 * EVENT_BYTES, 2001 * EVENT_BYTES, 16 * EVENT_BYTES]


def test_a_port_that_cannot_be_read_ends_with_a_line(
    kernel: Kernel, monkeypatch: pytest.MonkeyPatch
) -> None:
    port = SystemPorts().open_input(GULL)
    reading(monkeypatch, errno.EIO)
    _, faults = listen(port)
    until(lambda: bool(faults))
    port.close()
    assert faults == [f"port '{GULL}' cannot be read: Input/output error"]


# ---- layouts -------------------------------------------------------------------------------------


def test_the_stand_in_and_the_code_mean_the_same_requests(sequencer: Sequencer) -> None:
    """Their numbers hold the sizes of the structures; tests/oracles asks a C compiler."""
    assert io_alsa.CREATE_PORT == CREATE_PORT or struct.calcsize("P") == 4
    assert io_alsa.SUBSCRIBE_PORT == SUBSCRIBE
