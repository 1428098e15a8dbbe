"""Calls of the system that fail under a rig that plays: what is told, and that nothing is lost.

tests/soak/faults.py lets the real calls fail, on real ports. What is here needs neither.
"""

from __future__ import annotations

import errno
import os
from pathlib import Path
from typing import Any

import pytest
from kernel_kit import Kernel
from midi_kit import BOX, GULL, THROUGH, Library, Sequencer
from quay import NOTE_OFF, NOTE_ON, Quay, controlled, load, playing, until
from test_ports_again import RECORDED

from pointsman import io_rtmidi
from pointsman.live.paths import InUse, bind_control
from pointsman.live.run import Wishes, reachable
from pointsman.live.state_file import StateFile
from pointsman.ports import alsa_clients
from pointsman.ports.system import SystemPorts
from pointsman.ports.usb import unit_of

RIG = """\
    input: {port: "quay:stage"}
    outputs:
      tug: {port: "quay:tug"}
      gull: {port: "quay:gull"}
"""


def failing(number: int) -> OSError:
    return OSError(number, os.strerror(number))


# ---- looking for ports ---------------------------------------------------------------------------


def test_a_list_that_was_cut_short_does_not_hide_a_port_for_good(
    library: Library, sequencer: Sequencer, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The library ends its list where a call of the system fails, and does not say so."""
    now_s = 100.0
    monkeypatch.setattr("pointsman.io_rtmidi.time.monotonic", lambda: now_s)
    sequencer.show(RECORDED)
    library.ports = [THROUGH]
    assert io_rtmidi.port_names(is_input=False) == [THROUGH]
    library.ports = [THROUGH, BOX, GULL]  # nothing has come or gone: the kernel's list is the same
    now_s += io_rtmidi._BELIEVED_S * 0.9
    assert io_rtmidi.port_names(is_input=False) == [THROUGH]
    now_s += io_rtmidi._BELIEVED_S * 0.2
    assert io_rtmidi.port_names(is_input=False) == [THROUGH, BOX, GULL]


@pytest.mark.parametrize("number", [errno.EIO, errno.EMFILE, errno.EACCES], ids=errno.errorcode.get)
def test_a_list_of_clients_that_cannot_be_read_loses_no_port(
    library: Library,
    kernel: Kernel,
    sequencer: Sequencer,
    monkeypatch: pytest.MonkeyPatch,
    number: int,
) -> None:
    monkeypatch.setattr(alsa_clients, "FRESH_S", 0.0)
    kernel.on_link = lambda name: sequencer.show(
        f'Client 128 : "Pointsman" [User Legacy]\n  Port   0 : "{name}" (R)\n'
        "    Connecting To: 32:0[r:0]\n"
    )
    port = SystemPorts().open_output(GULL)
    assert port.alive()

    def read(path: Path) -> bytes:
        raise failing(number)

    with monkeypatch.context() as patch:
        patch.setattr(Path, "read_bytes", read)
        assert port.alive()
        assert SystemPorts().find(GULL, Path(), is_input=False) == GULL
        SystemPorts().open_output(GULL).close()
        library.ports.remove(GULL)
        assert not port.alive()  # the library's own list still tells


def test_a_device_that_cannot_be_asked_who_it_is_has_nothing_to_tell(
    sequencer: Sequencer, monkeypatch: pytest.MonkeyPatch
) -> None:
    sequencer.plug(4, "1-1.2", serial="123456")
    assert unit_of(GULL) is not None

    def read(path: Path) -> bytes:
        raise failing(errno.EIO)

    monkeypatch.setattr(Path, "read_bytes", read)
    assert unit_of(GULL) is None


# ---- the state file ------------------------------------------------------------------------------


@pytest.mark.parametrize("call", ["open", "replace", "unlink"])
@pytest.mark.parametrize("number", [errno.ENOSPC, errno.EROFS, errno.EIO], ids=errno.errorcode.get)
def test_a_state_file_that_cannot_be_written_is_told_of_once_and_holds_no_note_up(
    tmp_path: Path, quay: Quay, monkeypatch: pytest.MonkeyPatch, call: str, number: int
) -> None:
    owner: Any = Path if call == "unlink" else os
    works = getattr(owner, call)

    def fail(path: Any, *rest: Any, **more: Any) -> Any:
        if str(path).endswith(".state.new"):
            raise failing(number)
        return works(path, *rest, **more)

    with controlled(tmp_path) as control:
        file = StateFile(control.path.with_suffix(".state"))
        with playing(load(tmp_path, RIG), quay, Wishes(control=control)) as run:
            with monkeypatch.context() as patch:
                patch.setattr(owner, call, fail)
                quay.play(NOTE_ON)
                told = run.told("state file")
                run.turns(3)
                assert run.told("state file") == told and len(told) == 1
                assert told[0]["why"] == (
                    f"{file.path}: cannot be written: {os.strerror(number)}; what it said before "
                    "stays, and the next change is tried again"
                )
                assert run.status["notes"] == [f"state file {told[0]['why']}"]
            until(lambda: file.path.exists())  # tried again, without a new note
            until(lambda: run.status["notes"] == [])
            left = file.read()
            assert left is not None and left.ports["quay:tug"].notes == {0: [0x3C]}
            quay.play(NOTE_OFF)
        assert [quay.outputs[name].heard for name in ("tug", "gull")] == [[NOTE_ON, NOTE_OFF]] * 2
        assert not file.path.exists()


# ---- the socket ----------------------------------------------------------------------------------


def test_a_second_run_on_a_socket_that_was_asked_for_is_refused(tmp_path: Path) -> None:
    rig = load(tmp_path, RIG)
    path = tmp_path / "a.sock"
    first = bind_control(path, {})
    with pytest.raises(InUse) as caught, reachable(path, rig, []):
        pass
    assert str(caught.value) == (
        f"{path}: in use by process {os.getpid()}, which runs a rig already; "
        "end that one first, or give this one a place of its own with --socket PATH"
    )
    assert path.exists()  # the first has lost nothing
    first.close()


@pytest.mark.parametrize("call", ["unlink", "ftruncate", "close"])
def test_a_socket_that_does_not_go_away_does_not_make_a_good_end_a_bad_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, call: str
) -> None:
    """What is left is replaced by the next run."""
    control = bind_control(tmp_path / "a.sock", {})
    owner: Any = Path if call == "unlink" else os
    works = getattr(owner, call)

    def fail(*arguments: Any, **more: Any) -> None:
        if call == "close":
            works(*arguments)  # Linux closes it, and then says so
        raise failing(errno.EIO)

    with monkeypatch.context() as patch:
        patch.setattr(owner, call, fail)
        control.close()
    bind_control(tmp_path / "a.sock", {}).close()
