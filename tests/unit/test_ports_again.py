"""Ports that go away and come back: what is noticed, and which one it is that is back.

The list of clients is as recorded on Linux 6.1; tests/alsa/inside/test_plugs.py pulls real plugs.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from kernel_kit import Kernel
from midi_kit import BOX, GULL, THERE, THROUGH, TWIN, Library, Sequencer

from pointsman import io_rtmidi
from pointsman.cli import main
from pointsman.errors import PortError, PortLookupError
from pointsman.ports import alsa_clients
from pointsman.ports.alsa_clients import Look
from pointsman.ports.files import FilePorts
from pointsman.ports.finding_again import Doubt, Mark, choose
from pointsman.ports.names import match_port, problem_of, read_wanted, to_write
from pointsman.ports.null import NullPorts
from pointsman.ports.system import SystemPorts, VirtualPorts
from pointsman.ports.usb import Unit, card_of, unit_of

RECORDED = """\
Client info
  cur  clients : 9
  peak clients : 9
  max  clients : 192

Client   0 : "System" [Kernel Legacy]
  Port   0 : "Timer" (Rwe-)
  Port   1 : "Announce" (R-e-)
Client  14 : "Midi Through" [Kernel Legacy]
  Port   0 : "Midi Through Port-0" (RWe-)
Client  24 : "Gull" [Kernel Legacy]
  Port   0 : "Gull MIDI 1" (RWeX)
    Connecting To: 131:0
    Connected From: 128:0[r:0]
Client 128 : "Pointsman" [User Legacy]
  Port   0 : "out 5f1c09ab" (R-e-)
    Connecting To: 24:0[r:0], 130:0
Client 129 : "Pointsman" [User Legacy]
  Port   0 : "in 0a1b2c3d" (-We-)
  Output pool :
    Pool size          : 500
    Cells in use       : 0
    Peak cells in use  : 0
    Alloc success      : 0
    Alloc failures     : 0
  Input pool :
    Pool size          : 200
    Cells in use       : 7
    Peak cells in use  : 9
    Alloc success      : 4711
    Alloc failures     : 0
Client 130 : "The "Foghorn" [1]" [User Legacy]
  Port   0 : "ear (left)" (-We-)
    Connected From: 128:0[r:0]
Client 131 : "Pointsman" [User Legacy]
  Port   0 : "in 77777777" (-We-)
    Connected From: 24:0
"""
"""As recorded, with a client of an odd name."""


# ---- what one look at the list shows -------------------------------------------------------------


def test_a_look_shows_what_our_ports_are_connected_to() -> None:
    seen = Look(RECORDED.encode())
    assert seen.links("out 5f1c09ab") == {"24:0", "130:0"}
    assert seen.links("in 77777777") == {"24:0"}
    assert seen.links("in 0a1b2c3d") == set()
    assert seen.links("out 00000000") is None
    assert Look(b"").links("out 5f1c09ab") is None


def test_connections_in_both_directions_count() -> None:
    text = RECORDED.replace('"Gull MIDI 1"', '"harbour"')
    assert Look(text.encode()).links("harbour") == {"131:0", "128:0"}


def test_what_others_have_differs_only_when_a_port_comes_or_goes() -> None:
    others = Look(RECORDED.encode()).others("Pointsman")
    for before, after in (
        ("Cells in use       : 7", "Cells in use       : 9"),
        ("    Connecting To: 131:0\n", ""),
        ('  Port   0 : "in 0a1b2c3d" (-We-)\n', ""),
    ):
        assert before in RECORDED
        assert Look(RECORDED.replace(before, after).encode()).others("Pointsman") == others
    for before, after in (
        ("Client  24", "Client  28"),
        ("ear (left)", "ear (right)"),
        ("(RWeX)", "(R-eX)"),
        ('  Port   0 : "Gull MIDI 1"', '  Port   1 : "Gull MIDI 2" (RWeX)\n  Port   0 : "Gull'),
    ):
        assert before in RECORDED
        assert Look(RECORDED.replace(before, after).encode()).others("Pointsman") != others


def test_a_sequencer_is_full_with_64_programs() -> None:
    """192 clients, of which 128 and up are programs' (Linux, sound/core/seq/seq_clientmgr.c)."""
    lines = [f'Client {number} : "Boat" [User Legacy]\n' for number in range(128, 192)]
    assert Look("".join(lines).encode()).is_full()
    assert not Look("".join(lines[1:]).encode()).is_full()
    cards = [f'Client {number:3} : "Card" [Kernel Legacy]\n' for number in range(16, 128)]
    assert not Look("".join(cards).encode()).is_full()


def test_one_look_serves_all_who_ask_within_a_moment(
    sequencer: Sequencer, monkeypatch: pytest.MonkeyPatch
) -> None:
    now_s = 100.0
    monkeypatch.setattr("pointsman.ports.alsa_clients.time.monotonic", lambda: now_s)
    assert alsa_clients.look() is None
    sequencer.show(RECORDED)
    assert alsa_clients.look() is None
    first = alsa_clients.look(fresh=True)
    assert first is not None
    now_s += alsa_clients.FRESH_S / 2
    assert alsa_clients.look() is first
    now_s += alsa_clients.FRESH_S
    assert alsa_clients.look() is not first


# ---- alive ---------------------------------------------------------------------------------------


class Live:
    """A sequencer that shows the ports that we open."""

    def __init__(self, kernel: Kernel, sequencer: Sequencer) -> None:
        self._sequencer = sequencer
        self.ours: dict[str, str | None] = {}
        kernel.on_link = self._open
        self.address = "32:0"
        self.show()

    def _open(self, name: str) -> None:
        self.ours[name] = self.address
        self.show()

    def show(self) -> None:
        lines = []
        for number, (name, link) in enumerate(self.ours.items(), 128):
            lines.append(
                f'Client {number} : "Pointsman" [User Legacy]\n  Port   0 : "{name}" (R)\n'
            )
            lines.append(f"    Connecting To: {link}[r:0]\n" if link else "")
        self._sequencer.show("".join(lines))

    def unplug(self) -> None:
        self.ours = dict.fromkeys(self.ours)
        self.show()


@pytest.fixture
def live(
    library: Library, kernel: Kernel, sequencer: Sequencer, monkeypatch: pytest.MonkeyPatch
) -> Live:
    monkeypatch.setattr(alsa_clients, "FRESH_S", 0.0)
    return Live(kernel, sequencer)


def test_a_port_is_alive_while_it_is_connected_to_what_was_opened(live: Live) -> None:
    """Not the name and not the number say so: after a quick replug both are the same again."""
    ports = SystemPorts().open_output(GULL), SystemPorts().open_input(GULL)
    assert [port.alive() for port in ports] == [True, True]
    live.unplug()
    assert [port.alive() for port in ports] == [False, False]
    again = SystemPorts().open_output(GULL)
    assert again.alive()
    assert not ports[0].alive()


def test_a_connection_to_something_else_does_not_count(live: Live) -> None:
    port = SystemPorts().open_output(GULL)
    live.ours = dict.fromkeys(live.ours, "32:1")
    live.show()
    assert not port.alive()


def test_a_closed_port_is_not_alive(live: Live) -> None:
    output, port = SystemPorts().open_output(GULL), VirtualPorts().open_input("Harbour")
    output.close()
    port.close()
    assert not output.alive()
    assert not port.alive()
    with pytest.raises(PortError, match="the port is closed"):
        port.start(lambda data: None, lambda fault: None)


def test_a_look_from_before_a_port_was_opened_says_nothing_about_it(
    library: Library, kernel: Kernel, sequencer: Sequencer, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("pointsman.ports.alsa_clients.time.monotonic", lambda: 100.0)
    live = Live(kernel, sequencer)
    old = alsa_clients.look()
    port = SystemPorts().open_output(GULL)
    monkeypatch.setattr(alsa_clients, "_last", (100.0, old))
    assert port.alive()
    live.unplug()  # seen with the next look
    assert port.alive()
    monkeypatch.setattr(alsa_clients, "_last", (100.0 - alsa_clients.FRESH_S, old))
    assert not port.alive()


def test_where_the_system_shows_no_connections_the_list_of_ports_tells(
    library: Library, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("pointsman.io_rtmidi.time.monotonic", lambda: 100.0)
    ports = SystemPorts().open_output(GULL), SystemPorts().open_input(GULL)
    assert [port.alive() for port in ports] == [True, True]
    library.ports.remove(GULL)
    assert [port.alive() for port in ports] == [True, True]  # asked a moment ago
    monkeypatch.setattr(alsa_clients, "FRESH_S", 0.0)
    assert [port.alive() for port in ports] == [False, False]


def test_a_list_that_does_not_show_our_ports_is_not_believed(
    library: Library, sequencer: Sequencer
) -> None:
    sequencer.show(RECORDED)
    assert SystemPorts().open_output(GULL).alive()


def test_where_nobody_can_tell_a_port_counts_as_alive(library: Library) -> None:
    port = SystemPorts().open_output(GULL)
    library.deaf = True
    assert port.alive()


def test_virtual_ports_files_and_nothing_are_always_alive(
    live: Live, library: Library, tmp_path: Path
) -> None:
    library.ports = []
    assert VirtualPorts().open_output("Harbour").alive()
    assert VirtualPorts().open_input("Harbour").alive()
    assert NullPorts().open_input("").alive()
    recorder = FilePorts().open_output(str(tmp_path / "out.tsv"))
    assert recorder.alive()
    recorder.close()


# ---- opening and listing -------------------------------------------------------------------------


def test_the_wrong_port_is_not_kept_when_the_list_changes_in_between(
    live: Live, kernel: Kernel
) -> None:
    live.address = "36:0"
    for open_port in (SystemPorts().open_output, SystemPorts().open_input):
        with pytest.raises(PortError) as caught:
            open_port(GULL)
        assert str(caught.value) == f"port '{GULL}' went away just now; plug it in again"
        assert kernel.made[-1].is_closed


def test_a_full_sequencer_is_told_before_the_library_is_asked(
    library: Library, sequencer: Sequencer
) -> None:
    sequencer.show("".join(f'Client {number} : "Boat" [User]\n' for number in range(128, 192)))
    said = "the MIDI system takes no more ports; end another program that uses MIDI"
    with pytest.raises(PortLookupError, match=f"^input port 'Gull' cannot be had: {said}$"):
        SystemPorts().find("Gull", Path(), is_input=True)
    assert library.calls == []


def test_the_library_lists_anew_only_when_a_port_has_come_or_gone(
    library: Library, sequencer: Sequencer
) -> None:
    sequencer.show(RECORDED)
    for _ in range(3):
        assert io_rtmidi.port_names(is_input=False) == THERE
    assert library.listed == 1
    sequencer.show(RECORDED.replace("Client  24", "Client  28"))
    library.ports = [THROUGH]
    assert io_rtmidi.port_names(is_input=False) == [THROUGH]
    assert library.listed == 2
    assert len(library.made) == 1  # one object lists them all


def test_without_a_list_of_clients_the_library_is_asked_each_time(library: Library) -> None:
    assert io_rtmidi.port_names(is_input=True) == THERE
    library.ports = [THROUGH]
    assert io_rtmidi.port_names(is_input=True) == [THROUGH]


def test_a_listing_that_fails_is_told_and_tried_anew(library: Library) -> None:
    assert io_rtmidi.port_names(is_input=True) == THERE
    library.deaf = True
    with pytest.raises(PortError) as caught:
        io_rtmidi.port_names(is_input=True)
    assert str(caught.value) == (
        "the MIDI system does not answer: no answer; end other programs that use MIDI"
    )
    assert library.calls[-1] == ("in", "delete")
    library.deaf = False
    assert io_rtmidi.port_names(is_input=True) == THERE


# ---- which USB device is behind a port -----------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "card"),
    [
        ("Gull:Gull MIDI 1 16:0", 0),
        ("Gull:Gull MIDI 2 16:1", 0),
        ("Gull:Gull MIDI 1 28:0", 3),
        ("Gull:Gull MIDI 1 127:0", 27),
        (THROUGH, None),
        ("Foghorn:out 128:0", None),
        ("Gull", None),
    ],
)
def test_the_number_of_a_client_says_which_card_it_is(name: str, card: int | None) -> None:
    """Linux, sound/core/seq/seq_clientmgr.c: from 16 on, four numbers for each card."""
    assert card_of(name) == card


def test_sysfs_says_which_device_a_card_is(sequencer: Sequencer) -> None:
    sequencer.plug(4, "1-1.2", serial="123456")
    sequencer.plug(5, "1-1.3")
    assert unit_of(GULL) == Unit("1d6b:0104", "123456", "1-1.2")
    assert unit_of(TWIN) == Unit("1d6b:0104", None, "1-1.3")
    sequencer.unplug(4)
    assert unit_of(GULL) is None
    assert unit_of("Foghorn:out 128:0") is None


def test_a_card_that_is_no_usb_device_has_nothing_to_tell(sequencer: Sequencer) -> None:
    card = sequencer.sound / "card4"
    card.mkdir(parents=True)
    (card / "device").symlink_to(sequencer.sound)
    assert unit_of(GULL) is None


# ---- which port it is that is back ---------------------------------------------------------------

A, B = "Gull:Gull MIDI 1 32:0", "Gull:Gull MIDI 1 36:0"
C = "Gull:Gull MIDI 1 40:0"
OTHER = "Gull:Gull MIDI 2 32:1"


def unit(serial: str | None, socket: str, make: str = "1d6b:0104") -> Unit:
    return Unit(make, serial, socket)


ONE, TWO = Mark(A, unit("1", "1-1")), Mark(B, unit("2", "1-2"))
PLAIN_ONE, PLAIN_TWO = Mark(A, unit(None, "1-1")), Mark(B, unit(None, "1-2"))
SAME_ONE, SAME_TWO = Mark(A, unit("0", "1-1")), Mark(B, unit("0", "1-2"))
BARE_ONE, BARE_TWO = Mark(A), Mark(B)
MINE_1, MINE_2 = unit("1", "1-1"), unit("2", "1-2")
Units = dict[str, Unit | None]

CHOICES: list[tuple[str, Mark, Units, list[Mark], str | None]] = [
    ("nothing is back", ONE, {}, [], None),
    ("only another port of the unit", ONE, {OTHER: MINE_1}, [], None),
    ("the same under a new number", ONE, {C: MINE_1}, [], C),
    ("the same on another socket", ONE, {C: unit("1", "1-4")}, [], C),
    ("the only one, no USB device", BARE_ONE, {C: None}, [], C),
    ("the only one, without a serial number, moved", PLAIN_ONE, {C: unit(None, "1-4")}, [], C),
    ("another unit in its place", ONE, {C: unit("9", "1-1")}, [], C),
    ("the serial number wins over the socket", ONE, {B: unit("9", "1-1"), C: MINE_1}, [], C),
    ("twins with numbers of their own, swapped", ONE, {A: MINE_2, B: MINE_1}, [TWO], B),
    (
        "twins that swapped sockets",
        ONE,
        {A: unit("2", "1-1"), B: unit("1", "1-2")},
        [TWO],
        B,
    ),
    ("the first back is the other twin", ONE, {A: MINE_2}, [TWO], None),
    ("plain twins on their sockets", PLAIN_ONE, {A: unit(None, "1-2"), B: unit(None, "1-1")},
     [PLAIN_TWO], B),
    ("a plain twin whose socket it is not", PLAIN_ONE, {A: unit(None, "1-2")}, [PLAIN_TWO], None),
    ("the one that is left over", PLAIN_ONE, {A: unit(None, "1-2"), B: unit(None, "1-4")},
     [PLAIN_TWO], B),
    ("one serial number for all, told by socket", SAME_ONE, {A: unit("0", "1-2"),
     B: unit("0", "1-1")}, [SAME_TWO], B),
    ("another lost port of another name", PLAIN_ONE, {C: unit(None, "1-4")},
     [Mark(OTHER, unit(None, "1-1"))], C),
    ("our own mark among the lost", PLAIN_ONE, {C: unit(None, "1-4")}, [PLAIN_ONE], C),
    ("a twin that was there all along, and ours", Mark(A, unit(None, "1-1"), frozenset({B})),
     {B: unit(None, "1-2"), A: unit(None, "1-1")}, [], A),
    ("another make of the same name", ONE, {B: unit("1", "1-1", "9999:0001"), C: MINE_1}, [], C),
]  # fmt: skip


@pytest.mark.parametrize(
    ("mark", "units", "lost", "chosen"), [c[1:] for c in CHOICES], ids=[c[0] for c in CHOICES]
)
def test_which_port_is_the_one_that_was_open(
    mark: Mark, units: Units, lost: list[Mark], chosen: str | None
) -> None:
    assert choose(mark, list(units), lost, units.get) == chosen


DOUBTS: list[tuple[str, Mark, Units, list[Mark], tuple[str, ...]]] = [
    ("two, and nothing known", BARE_ONE, {B: None, C: None}, [], (B, C)),
    ("two plain ones on new sockets", PLAIN_ONE, {B: unit(None, "1-3"), C: unit(None, "1-4")},
     [], (B, C)),
    ("one of two that are away", BARE_ONE, {C: None}, [BARE_TWO], (C,)),
    ("one of two plain ones, moved", PLAIN_ONE, {C: unit(None, "1-4")}, [PLAIN_TWO], (C,)),
    ("a twin that was there all along", Mark(A, unit(None, "1-1"), frozenset({B})),
     {B: unit(None, "1-2")}, [], (B,)),
]  # fmt: skip


@pytest.mark.parametrize(
    ("mark", "units", "lost", "names"), [d[1:] for d in DOUBTS], ids=[d[0] for d in DOUBTS]
)
def test_what_cannot_be_told_apart_is_not_guessed(
    mark: Mark, units: Units, lost: list[Mark], names: tuple[str, ...]
) -> None:
    with pytest.raises(Doubt) as caught:
        choose(mark, list(units), lost, units.get)
    assert caught.value.names == names


def again(address: str, mark: object, **facts: Any) -> str | None:
    return SystemPorts().find_again(address, Path(), is_input=False, mark=mark, **facts)


def test_a_port_is_found_again_by_its_name_under_a_new_number(library: Library) -> None:
    mark = SystemPorts().mark(BOX, is_input=False)
    library.ports.remove(BOX)
    assert again("tug box", mark) is None  # never the Mini, though the text would fit it
    library.ports.append("Tug Box:Tug Box MIDI 1 44:0")
    assert again("tug box", mark) == "Tug Box:Tug Box MIDI 1 44:0"


def test_what_another_connection_holds_is_no_candidate(library: Library) -> None:
    mark = SystemPorts().mark(GULL, is_input=False)
    library.ports = [TWIN]
    assert again("Gull", mark, taken=[TWIN]) is None


def test_a_port_that_was_never_there_is_found_as_at_the_start(library: Library) -> None:
    assert again("Mini", None) == "Tug Box Mini:Tug Box Mini MIDI 1 28:0"
    assert again("Buoy", None) is None
    with pytest.raises(PortLookupError, match=r"^2 output ports match 'gull'; write more of "):
        again("gull", None)


def test_doubt_is_told_with_what_to_do(library: Library, sequencer: Sequencer) -> None:
    sequencer.plug(4, "1-1.2")
    mark = SystemPorts().mark(GULL, is_input=False)
    sequencer.unplug(4)
    library.ports = [TWIN, C]
    with pytest.raises(PortLookupError) as caught:
        again("gull", mark)
    assert str(caught.value) == (
        f"nothing tells which 'Gull:Gull MIDI 1' is back as output port {TWIN} or {C}; put it "
        "into the socket where it was (1-1.2), or write in the rig what `pointsman ports` shows "
        "for each"
    )
    assert caught.value.candidates == (TWIN, C)


def test_what_the_rig_says_of_the_unit_holds_when_it_is_back(
    library: Library, sequencer: Sequencer
) -> None:
    sequencer.plug(4, "1-1.2", serial="1")
    mark = SystemPorts().mark(GULL, is_input=False)
    sequencer.unplug(4)
    sequencer.plug(6, "1-1.2", serial="9")
    library.ports = [C]
    assert again("Gull [serial 1]", mark) is None
    assert again("Gull [socket 1-1.2]", mark) == C


def test_other_kinds_of_port_are_found_again_as_they_are_found(tmp_path: Path) -> None:
    files = FilePorts()
    name = str(tmp_path / "out.tsv")
    mark = files.mark(name, is_input=False)
    assert files.find_again("out.tsv", tmp_path, is_input=False, mark=mark) == name
    assert files.find_again("out.tsv", tmp_path, is_input=False, mark=mark, taken=[name]) is None
    assert files.find_again("none/out.tsv", tmp_path, is_input=False, mark=mark) is None


# ---- what a rig may write ------------------------------------------------------------------------

TEXTS = [
    ("Gull [serial 123456]", ("Gull", "123456", None)),
    ("Gull [socket 1-1.2]", ("Gull", None, "1-1.2")),
    ("Gull:Gull MIDI 1[socket  1-1.2 ]", ("Gull:Gull MIDI 1", None, "1-1.2")),
    ("Gull [serial A B-7]", ("Gull", "A B-7", None)),
    ("Gull [red]", ("Gull [red]", None, None)),
    ("[socket 1-1] Gull", ("[socket 1-1] Gull", None, None)),
    ("Gull [Serial 1]", ("Gull [Serial 1]", None, None)),
]


@pytest.mark.parametrize(("text", "read"), TEXTS, ids=[text[0] for text in TEXTS])
def test_what_a_text_asks_for(text: str, read: tuple[str, str | None, str | None]) -> None:
    assert tuple(read_wanted(text)) == read


WRONG = [
    ("", "no port is named; write a name that `pointsman ports` lists"),
    (
        "Gull [socket]",
        "[socket] names none; write for example [socket 1-1.2], as `pointsman ports` shows it",
    ),
    (
        "Gull [socket left]",
        "'left' is no socket; write for example [socket 1-1.2], as `pointsman ports` shows it",
    ),
    (
        "Gull [serial]",
        "[serial] names none; write for example [serial 123456], as `pointsman ports` shows it",
    ),
    ("Gull [sokcet 1-1]", "'sokcet' marks no unit; write [socket 1-1]"),
    ("Gull [Serial 12]", "'Serial' marks no unit; write [serial 12]"),
    (
        "[socket 1-1]",
        "[socket 1-1] has no name before it; write one that `pointsman ports` lists",
    ),
]


@pytest.mark.parametrize(("text", "said"), WRONG, ids=[text[0] for text in WRONG])
def test_what_is_wrong_with_a_text(text: str, said: str) -> None:
    assert problem_of(text) == said


@pytest.mark.parametrize("text", ["Gull", "Gull [red]", "Gull [1]", "Gull [socket 1-1.2.3]"])
def test_names_may_have_brackets_of_their_own(text: str) -> None:
    assert problem_of(text) is None


def test_check_says_where_a_text_is_wrong(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    rig = tmp_path / "rig.yaml"
    rig.write_text("input: {port: 'null:'}\noutputs:\n  tug: {port: 'Gull [socket left]'}\n")
    assert main(["check", str(rig)]) == 2
    assert capsys.readouterr().err.splitlines()[0] == (
        f"{rig}:3:15: outputs.tug.port: 'left' is no socket; write for example [socket 1-1.2], "
        "as `pointsman ports` shows it"
    )


def test_units_of_one_name_are_found_by_what_the_rig_says(
    library: Library, sequencer: Sequencer
) -> None:
    sequencer.plug(4, "1-1.2", serial="1")
    sequencer.plug(5, "1-1.3", serial="2")
    assert match_port("gull [serial 2]", THERE, unit_of) == [TWIN]
    assert SystemPorts().find("Gull [socket 1-1.2]", Path(), is_input=False) == GULL
    with pytest.raises(PortLookupError, match=r"^no output port matches 'Gull \[serial 3\]'; "):
        SystemPorts().find("Gull [serial 3]", Path(), is_input=False)
    with pytest.raises(PortLookupError) as caught:
        SystemPorts().find("gull", Path(), is_input=False)
    assert str(caught.value) == (
        "2 output ports match 'gull'; write one of these: Gull:Gull MIDI 1 [serial 1], "
        "Gull:Gull MIDI 1 [serial 2]"
    )


SHOWN: list[tuple[str, Units, str | None]] = [
    ("a name that is the only one", {A: MINE_1}, "Gull:Gull MIDI 1"),
    ("serial numbers", {A: MINE_1, B: MINE_2}, "Gull:Gull MIDI 1 [serial 1]"),
    ("one serial number for all", {A: unit("0", "1-1"), B: unit("0", "1-2")},
     "Gull:Gull MIDI 1 [socket 1-1]"),
    ("no serial number", {A: unit(None, "1-1"), B: MINE_2}, "Gull:Gull MIDI 1 [socket 1-1]"),
    ("a serial number that cannot be written", {A: unit("a]", "1-1"), B: MINE_2},
     "Gull:Gull MIDI 1 [socket 1-1]"),
    ("one socket (two ports of one name in one unit)", {A: MINE_1, B: MINE_1}, None),
    ("no USB devices", {A: None, B: None}, None),
]  # fmt: skip


@pytest.mark.parametrize(
    ("units", "text"), [shown[1:] for shown in SHOWN], ids=[shown[0] for shown in SHOWN]
)
def test_what_to_write_for_a_port(units: Units, text: str | None) -> None:
    assert to_write(A, list(units), units.get) == text


def test_the_listing_tells_units_apart(
    library: Library, sequencer: Sequencer, capsys: pytest.CaptureFixture[str]
) -> None:
    sequencer.plug(4, "1-1.2")
    sequencer.plug(5, "1-1.3")
    assert main(["ports"]) == 0
    lines = capsys.readouterr().out.splitlines()
    (shown,) = [line for line in lines if line.startswith("output") and TWIN in line]
    assert shown.endswith('"Gull:Gull MIDI 1 [socket 1-1.3]"')
    (single,) = [line for line in lines if line.startswith("output") and BOX in line]
    assert single.endswith('"Tug Box:Tug Box MIDI 1"')
