"""System ports where there is no ALSA sequencer: those of python-rtmidi, by a stand-in for it.

On Linux the library lists the ports, and no more: test_io_alsa.py has how they are opened there.
"""

from __future__ import annotations

import sys
from typing import Any

import pytest
from midi_kit import GULL, MINI, Library, Midi

from pointsman import io_rtmidi
from pointsman.errors import PortError
from pointsman.ports import alsa_clients, thread_state
from pointsman.ports.backend import InputPort
from pointsman.ports.system import SystemPorts, VirtualPorts


@pytest.fixture(autouse=True)
def elsewhere(library: Library, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "platform", "darwin")
    monkeypatch.setattr(io_rtmidi, "SEQUENCER", "/dev/none/seq")
    library.apis = []


def test_only_linux_has_a_sequencer_to_look_for(library: Library) -> None:
    assert io_rtmidi.missing() is None
    VirtualPorts().open_output("Harbour")
    assert library.calls[0] == ("out", "made", library.API_UNSPECIFIED, "Pointsman")


def test_a_system_that_does_not_answer_opens_no_port(library: Library) -> None:
    library.broken = True
    with pytest.raises(PortError) as refused:
        SystemPorts().open_output(GULL)
    said = "the MIDI system does not answer: no sequencer; end other programs that use MIDI"
    assert str(refused.value) == f"port '{GULL}' does not open: {said}"


def test_an_output_is_opened_by_its_place_in_the_list_and_deleted(library: Library) -> None:
    port = SystemPorts().open_output(MINI)
    port.send(b"\xf8", 5)
    port.close()
    port.close()
    assert library.calls == [
        ("out", "made", library.API_UNSPECIFIED, "Pointsman"),
        ("out", "open_port", 2, f"{MINI} to Pointsman"),
        ("out", "send_message", b"\xf8"),
        ("out", "close_port"),
        ("out", "delete"),
    ]
    with pytest.raises(PortError, match="the port is closed"):
        port.send(b"\xf8", 5)


def test_virtual_ports_are_made_with_the_name_that_the_rig_gives(library: Library) -> None:
    VirtualPorts().open_output("Harbour")
    VirtualPorts().open_input("Harbour")
    made = [call for call in library.calls if call[1] == "open_virtual_port"]
    assert made == [("out", "open_virtual_port", "Harbour"), ("in", "open_virtual_port", "Harbour")]


def test_an_input_is_asked_for_sysex_clock_and_active_sensing_too(library: Library) -> None:
    SystemPorts().open_input(GULL)
    assert library.made[0].ignored == {"sysex": False, "timing": False, "active_sense": False}


def listen(port: InputPort) -> list[bytes]:
    heard: list[bytes] = []
    port.start(heard.append, lambda fault: None)
    return heard


def test_what_comes_in_is_handed_over_as_bytes(library: Library) -> None:
    heard = listen(SystemPorts().open_input(GULL))
    callback = library.made[0].callback
    assert callback is not None
    callback(([0x90, 60, 100], 0.25), None)
    callback(([0xF0, 1, 0xF7], 0.0), None)
    assert heard == [b"\x90\x3c\x64", b"\xf0\x01\xf7"]


def test_the_librarys_thread_keeps_its_state_from_the_first_message_on(
    library: Library, monkeypatch: pytest.MonkeyPatch
) -> None:
    kept: list[int] = []

    def keep() -> int:
        kept.append(len(heard))
        return 4711

    heard = listen(SystemPorts().open_input(GULL))
    monkeypatch.setattr(thread_state, "keep", keep)
    callback = library.made[0].callback
    assert callback is not None
    for _ in range(3):
        callback(([0xF8], 0.0), None)
    assert kept == [0]


def test_an_input_is_closed_in_steps(library: Library, monkeypatch: pytest.MonkeyPatch) -> None:
    """No more callbacks, time for the last one to end, then the port: in one step it can hang."""
    held: list[list[Any]] = []

    def sleep(seconds: float) -> None:
        library.calls.append(("sleep", seconds))

    def get_referents(midi: Midi) -> list[Any]:
        held.append([midi.callback])
        return held[-1]

    monkeypatch.setattr("pointsman.io_rtmidi.time.sleep", sleep)
    monkeypatch.setattr("pointsman.io_rtmidi.gc.get_referents", get_referents)
    port = SystemPorts().open_input(GULL)
    listen(port)
    callback = library.made[0].callback
    assert callback is not None
    callback(([0xF8], 0.0), None)
    library.calls.clear()
    port.close()
    port.close()
    assert library.calls == [
        ("in", "cancel_callback"),
        ("sleep", 0.02),
        ("in", "close_port"),
        ("in", "delete"),
        ("free", 4711),  # the thread has ended by now
    ]
    assert held == [[callback]]  # looked for while it was still set


def test_a_port_that_does_not_open_is_deleted_and_says_why(library: Library) -> None:
    library.refuses = True
    with pytest.raises(PortError) as caught:
        SystemPorts().open_output(GULL)
    assert str(caught.value) == (
        f"port '{GULL}' does not open: device or resource busy; "
        "plug it in again, or end other programs that use MIDI"
    )
    assert library.calls[-1] == ("out", "delete")


def test_a_port_that_went_away_between_finding_and_opening(library: Library) -> None:
    for open_port in (SystemPorts().open_input, SystemPorts().open_output):
        with pytest.raises(PortError, match=r"^port 'Buoy' is gone; plug it in again$"):
            open_port("Buoy")
        assert library.calls[-1][1] == "delete"


def test_a_message_that_the_system_refuses_says_which_port(library: Library) -> None:
    port = SystemPorts().open_output(GULL)
    library.refuses = True
    with pytest.raises(PortError) as caught:
        port.send(b"\xf8", 0)
    assert str(caught.value) == f"port '{GULL}' refused a message: error sending"


def test_the_system_takes_sysex_of_any_length(library: Library) -> None:
    port = VirtualPorts().open_output("Harbour")
    port.send(b"\xf0" + bytes(20_000) + b"\xf7", 0)
    assert library.calls[-1][1] == "send_message"


def test_a_port_that_does_not_close_is_deleted_and_says_why(library: Library) -> None:
    ports = SystemPorts().open_output(GULL), SystemPorts().open_input(GULL)
    library.refuses = True
    for port in ports:
        with pytest.raises(PortError) as caught:
            port.close()
        assert str(caught.value) == f"port '{GULL}' does not close: error closing"
        assert library.calls[-1][1] == "delete"
        port.close()


def test_a_port_is_alive_while_it_is_listed(
    library: Library, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(alsa_clients, "FRESH_S", 0.0)
    ports = SystemPorts().open_output(GULL), SystemPorts().open_input(GULL)
    virtual = VirtualPorts().open_output("Harbour")
    assert [port.alive() for port in (*ports, virtual)] == [True, True, True]
    library.ports.remove(GULL)
    assert [port.alive() for port in (*ports, virtual)] == [False, False, True]
    library.deaf = True  # nobody can tell
    assert [port.alive() for port in (*ports, virtual)] == [True, True, True]
    for port in (*ports, virtual):
        port.close()
    assert [port.alive() for port in (*ports, virtual)] == [False, False, False]


def test_the_wrong_port_is_not_kept_when_the_list_changes_in_between(library: Library) -> None:
    library.on_open = lambda name: library.ports.remove(MINI)
    with pytest.raises(PortError) as caught:
        SystemPorts().open_output(GULL)
    assert str(caught.value) == f"port '{GULL}' went away just now; plug it in again"
    assert library.calls[-1][1] == "delete"
