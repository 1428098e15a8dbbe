"""Ports: what a rig may write, which port that means, and what a machine may lack.

The MIDI library is a stand-in here; tests/alsa has the real one on a real sequencer.
"""

from __future__ import annotations

import sys
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
from kernel_kit import Kernel
from midi_kit import BOX, GULL, MINI, OWN, THERE, THROUGH, TWIN, Library

from pointsman import io_rtmidi
from pointsman.cli import main
from pointsman.errors import PortError, PortLookupError
from pointsman.io_smf import SmfReader
from pointsman.io_tsv import read_tsv
from pointsman.ports.files import FilePorts
from pointsman.ports.names import match_name
from pointsman.ports.null import NullPorts
from pointsman.ports.resolve import SYSTEM, find_backend
from pointsman.ports.serial import SerialPorts
from pointsman.ports.system import SystemPorts, VirtualPorts

# ---- which port a text means (docs/rig-file.md) --------------------------------------------------

MATCHES = [
    ("the whole name", BOX, [BOX]),
    ("the whole name without the numbers", "Tug Box:Tug Box MIDI 1", [BOX]),
    ("the whole name with numbers of before the replug", "Tug Box:Tug Box MIDI 1 20:0", [BOX]),
    ("part of the name", "Mini", [MINI]),
    ("part of the name, in another case", "tUG bOX mINI", [MINI]),
    ("part of the name up to its colon", "Tug Box:", [BOX]),
    ("part of the name with old numbers", "through port-0 99:3", [THROUGH]),
    ("part of two names", "Tug Box", [BOX, MINI]),
    ("the whole name of twins", "Gull:Gull MIDI 1", [GULL, TWIN]),
    ("the whole name of one of two twins", TWIN, [TWIN]),
    ("the whole name of twins with old numbers", "Gull:Gull MIDI 1 20:0", [GULL, TWIN]),
    ("part of the name of twins", "gull", [GULL, TWIN]),
    ("the whole name in another case is only part of one", BOX.upper(), [BOX]),
    ("numbers alone", "24:0", []),
    ("numbers that belong to the name", "MIDI 1", [BOX, MINI, GULL, TWIN]),
    ("nothing like it", "Buoy", []),
]


@pytest.mark.parametrize(("wanted", "found"), [m[1:] for m in MATCHES], ids=[m[0] for m in MATCHES])
def test_which_ports_a_text_means(wanted: str, found: list[str]) -> None:
    assert match_name(wanted, THERE) == found


def test_an_exact_name_wins_over_one_that_it_is_part_of() -> None:
    assert match_name("Tug", ["Tug", "Tug Box"]) == ["Tug"]
    assert match_name("Tug", ["Tug 20:0", "Tug Box 24:0"]) == ["Tug 20:0"]


def test_case_folds_beyond_ascii() -> None:
    assert match_name("MÖWE", ["Möwe:Möwe MIDI 1 24:0"]) == ["Möwe:Möwe MIDI 1 24:0"]


@pytest.mark.parametrize("is_input", [True, False])
def test_a_missing_port_names_what_is_there(library: Library, is_input: bool) -> None:
    direction = "input" if is_input else "output"
    library.ports = [THROUGH, BOX, OWN]
    with pytest.raises(PortLookupError) as caught:
        SystemPorts().find("Buoy", Path(), is_input=is_input)
    assert str(caught.value) == f"no {direction} port matches 'Buoy'; there is: {THROUGH}, {BOX}"
    assert caught.value.candidates == (THROUGH, BOX)


def test_a_missing_port_where_there_is_none(library: Library) -> None:
    library.ports = [OWN]
    with pytest.raises(PortLookupError, match=r"^no input port matches 'Buoy'; there is: none$"):
        SystemPorts().find("Buoy", Path(), is_input=True)


def test_several_matches_are_listed(library: Library) -> None:
    with pytest.raises(PortLookupError) as caught:
        SystemPorts().find("tug box", Path(), is_input=False)
    text = f"2 output ports match 'tug box'; write more of the name: {BOX}, {MINI}"
    assert str(caught.value) == text
    assert caught.value.candidates == (BOX, MINI)


def test_pointsmans_own_ports_are_never_offered(library: Library) -> None:
    library.ports = [OWN, GULL, "Pointsman:Harbour 129:0", "My Pointsman:Box 130:0"]
    assert io_rtmidi.port_names(is_input=True) == [GULL, "My Pointsman:Box 130:0"]
    with pytest.raises(PortLookupError, match="no input port matches 'Harbour'"):
        SystemPorts().find("Harbour", Path(), is_input=True)


def test_an_input_and_an_output_of_one_name_are_one_interface(library: Library) -> None:
    for is_input in (True, False):
        assert SystemPorts().find("Mini", Path(), is_input=is_input) == MINI


KINDS = [
    ("Tug Box", SystemPorts, "Tug Box"),
    ("Tug Box:Tug Box MIDI 1 24:0", SystemPorts, "Tug Box:Tug Box MIDI 1 24:0"),
    ("virtual:Harbour", VirtualPorts, "Harbour"),
    ("virtual: Harbour Bass ", VirtualPorts, "Harbour Bass"),
    ("file:a:b.mid", FilePorts, "a:b.mid"),
    ("null:", NullPorts, ""),
    ("serial:/dev/ttyAMA0", SerialPorts, "/dev/ttyAMA0"),
    ("Virtual:Harbour", SystemPorts, "Virtual:Harbour"),
]


@pytest.mark.parametrize(("port", "kind", "address"), KINDS, ids=[kind[0] for kind in KINDS])
def test_which_kind_of_port_a_text_asks_for(port: str, kind: type, address: str) -> None:
    backend, found = find_backend(port, {})
    assert (type(backend), found) == (kind, address)


def test_a_plugin_may_add_a_kind_of_port_but_not_take_one() -> None:
    class Buoy(NullPorts):
        scheme = "buoy"

    buoy = Buoy()
    assert find_backend("buoy:north", {"buoy": buoy}) == (buoy, "north")
    assert find_backend("buoy:north", {}) == (SYSTEM, "buoy:north")
    assert type(find_backend("file:a.mid", {"file": buoy})[0]) is FilePorts


# ---- what a machine may lack ---------------------------------------------------------------------


def broken_library(folder: Path, monkeypatch: pytest.MonkeyPatch, text: str) -> None:
    """Make `import rtmidi` run this text instead."""
    (folder / "rtmidi.py").write_text(text, "utf-8")
    monkeypatch.delitem(sys.modules, "rtmidi", raising=False)
    monkeypatch.syspath_prepend(folder)
    monkeypatch.setattr(sys, "dont_write_bytecode", True)


NOT_INSTALLED = (
    "python-rtmidi is not installed; on Debian: sudo apt install python3-rtmidi, with a venv made "
    "with --system-site-packages; elsewhere: pip install 'pointsman[midi]'"
)


def test_missing_library(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "rtmidi", None)
    assert io_rtmidi.missing() == NOT_INSTALLED


@pytest.mark.parametrize(
    ("code", "said"),
    [
        ("import no_such_harbour", "No module named 'no_such_harbour'"),
        ("raise ImportError('libasound.so.2: cannot open')", "libasound.so.2: cannot open"),
        ("raise OSError('wrong ELF class')", "wrong ELF class"),
    ],
    ids=["a part of it is missing", "a library of the system is missing", "anything else"],
)
def test_a_library_that_does_not_load(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, code: str, said: str
) -> None:
    broken_library(tmp_path, monkeypatch, code)
    text = f"python-rtmidi does not load ({said}); install it anew"
    assert io_rtmidi.missing() == text


def test_a_library_without_alsa(library: Library) -> None:
    library.apis = [3, 5]
    assert io_rtmidi.missing() == (
        "python-rtmidi was built without ALSA; on Debian: sudo apt install python3-rtmidi, "
        "or sudo apt install libasound2-dev and install python-rtmidi again"
    )


def test_no_sequencer(library: Library, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(io_rtmidi, "SEQUENCER", "/dev/none/seq")
    text = "there is no ALSA sequencer (/dev/none/seq); switch it on: sudo modprobe snd-seq"
    assert io_rtmidi.missing() == text


def test_no_permission(library: Library, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("os.access", lambda path, mode: False)
    path = io_rtmidi.SEQUENCER
    text = f"no permission for {path}; sudo usermod -aG audio $USER, then log in again"
    assert io_rtmidi.missing() == text


def test_nothing_is_missing(library: Library) -> None:
    assert io_rtmidi.missing() is None


def test_where_something_is_missing_every_way_to_a_port_says_what(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setitem(sys.modules, "rtmidi", None)
    with pytest.raises(PortLookupError) as caught:
        SystemPorts().find("Gull", Path(), is_input=True)
    assert str(caught.value) == f"input port 'Gull' cannot be had: {NOT_INSTALLED}"
    with pytest.raises(PortLookupError) as caught:
        VirtualPorts().find("Gull", Path(), is_input=False)
    assert str(caught.value) == f"port 'virtual:Gull' cannot be had: {NOT_INSTALLED}"
    for open_port in (SystemPorts().open_input, VirtualPorts().open_output):
        with pytest.raises(PortError) as refused:
            open_port("Gull")
        assert str(refused.value) == f"port 'Gull': {NOT_INSTALLED}"


def test_a_midi_system_that_does_not_answer(library: Library) -> None:
    library.broken = True
    said = "the MIDI system does not answer: no sequencer; end other programs that use MIDI"
    with pytest.raises(PortLookupError) as caught:
        SystemPorts().find("Gull", Path(), is_input=True)
    assert str(caught.value) == f"input port 'Gull' cannot be had: {said}"


# ---- files and nothing ---------------------------------------------------------------------------


def test_files_count_from_the_folder_of_the_rig(tmp_path: Path) -> None:
    (tmp_path / "in.tsv").touch()
    files = FilePorts()
    assert files.find("in.tsv", tmp_path, is_input=True) == str(tmp_path / "in.tsv")
    assert files.find("a/../out.mid", tmp_path, is_input=False) == str(tmp_path / "out.mid")
    assert files.find("/etc/../out.mid", tmp_path, is_input=False) == "/out.mid"


def test_a_file_to_play_must_be_there(tmp_path: Path) -> None:
    for name in ("none.tsv", "folder.tsv"):
        (tmp_path / "folder.tsv").mkdir(exist_ok=True)
        with pytest.raises(PortLookupError) as caught:
            FilePorts().find(name, tmp_path, is_input=True)
        path = tmp_path / name
        assert str(caught.value) == f"there is no file '{path}' to play; give the path of one"


def test_a_folder_to_record_in_must_be_there(tmp_path: Path) -> None:
    with pytest.raises(PortLookupError) as caught:
        FilePorts().find("none/out.tsv", tmp_path, is_input=False)
    text = f"there is no folder '{tmp_path / 'none'}' to record in; make it first"
    assert str(caught.value) == text


def test_a_file_that_cannot_be_written_says_so(tmp_path: Path) -> None:
    (tmp_path / "out.tsv").mkdir()
    with pytest.raises(PortError) as caught:
        FilePorts().open_output(str(tmp_path / "out.tsv"))
    assert str(caught.value) == (
        f"cannot record in '{tmp_path / 'out.tsv'}' (Is a directory); "
        "give a file that can be written"
    )


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs a device that is always full")
def test_a_disk_that_is_full_is_told_when_the_file_is_finished(tmp_path: Path) -> None:
    path = tmp_path / "out.tsv"
    path.symlink_to("/dev/full")
    port = FilePorts().open_output(str(path))
    port.send(b"\x90\x3c\x64", 0)
    with pytest.raises(PortError) as caught:
        port.close()
    assert str(caught.value) == (
        f"'{path}' is not complete (No space left on device); make room and run it again"
    )


@pytest.mark.parametrize("suffix", ["tsv", "mid", "MID"])
def test_what_is_recorded_can_be_read(tmp_path: Path, suffix: str) -> None:
    path = tmp_path / f"out.{suffix}"
    port = FilePorts().open_output(str(path))
    for t_ns, data in ((0, b"\xf8"), (1_000_000, b"\x90\x3c\x64"), (9_000_000, b"\x80\x3c\x40")):
        port.send(data, t_ns)
    port.close()
    port.close()
    if suffix == "tsv":
        assert [data[0] for _, data in read_tsv(path)] == [0xF8, 0x90, 0x80]
    else:
        channel = [item.data for item in SmfReader(path).items() if item.data[0] < 0xF0]
        assert channel == [b"\x90\x3c\x64", b"\x80\x3c\x40"]


def test_an_input_that_was_never_started_closes(tmp_path: Path) -> None:
    (tmp_path / "in.tsv").touch()
    FilePorts().open_input(str(tmp_path / "in.tsv")).close()


@pytest.mark.parametrize("error", [OSError(5, "Input/output error"), RuntimeError("fog")])
def test_whatever_is_wrong_with_a_file_ends_the_run(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, error: Exception
) -> None:
    """A player that dies without a word would leave the run waiting for ever."""

    def read(path: Path) -> Iterator[tuple[int, bytes]]:
        yield 0, b"\xf8"
        raise error

    monkeypatch.setattr("pointsman.ports.files.read_messages", read)
    faults: list[str | None] = []
    done = threading.Event()

    def ended(fault: str | None) -> None:
        faults.append(fault)
        done.set()

    port = FilePorts().open_input(str(tmp_path / "in.mid"))
    port.start(lambda data: None, ended)
    assert done.wait(20)
    port.close()
    assert faults == [f"{tmp_path / 'in.mid'} cannot be played: {error}"]


def test_null_is_silent_and_swallows() -> None:
    heard: list[bytes] = []
    NullPorts().open_input("").start(heard.append, lambda fault: None)
    NullPorts().open_output("").send(b"\xf8", 0)
    assert heard == []


# ---- the command ---------------------------------------------------------------------------------


def test_every_missing_port_is_told_before_one_is_opened(
    tmp_path: Path, library: Library, kernel: Kernel, capsys: pytest.CaptureFixture[str]
) -> None:
    rig = tmp_path / "rig.yaml"
    rig.write_text(
        "input: {port: Stage}\n"
        "outputs:\n"
        "  tug: {port: Tug Box}\n"
        "  gull: {port: 'file:gull.tsv'}\n"
        "  buoy: {port: 'file:none/buoy.tsv'}\n"
        "  pier: {port: Mini}\n"
    )
    assert main(["run", str(rig)]) == 3
    there = ", ".join(THERE)
    assert capsys.readouterr().err.splitlines() == [
        f"input: no input port matches 'Stage'; there is: {there}",
        f"output tug: 2 output ports match 'Tug Box'; write more of the name: {BOX}, {MINI}",
        f"output buoy: there is no folder '{tmp_path / 'none'}' to record in; make it first",
    ]
    assert not (tmp_path / "gull.tsv").exists()
    assert kernel.made == []


def test_a_system_port_without_a_midi_system_ends_with_3(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setitem(sys.modules, "rtmidi", None)
    rig = tmp_path / "rig.yaml"
    rig.write_text("input: {port: 'null:'}\noutputs: {tug: {port: Tug Box}}\n")
    assert main(["run", str(rig)]) == 3
    text = f"output tug: output port 'Tug Box' cannot be had: {NOT_INSTALLED}\n"
    assert capsys.readouterr().err == text


def test_the_listing_says_what_to_write_in_a_rig(
    library: Library, capsys: pytest.CaptureFixture[str]
) -> None:
    library.ports = [BOX, MINI, GULL, TWIN, OWN]
    assert main(["ports"]) == 0
    shown = capsys.readouterr().out
    assert '"Tug Box:Tug Box MIDI 1"' in shown
    assert f'"{TWIN}" (until replugged)' in shown
    assert "Pointsman" not in shown
