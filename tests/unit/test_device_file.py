"""Device files: what they may say, and a line for everything that is wrong in one.

The rows of the published MIDI implementation chart (RP-028; MIDI 1.0, 4.2.1, pp. A-7, A-8) are the
model for the keys. A control of 32-63 is the fine half of 0-31 (MIDI 1.0, p. 12).
"""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pointsman.control_refs import ControlRef
from pointsman.device import Device
from pointsman.device_file import load_device

WHOLE = """
device: Bass Box
channel: 5
voices: 1
receives: [note, velocity, control, bend, program, clock, transport]
notes: [24, C7]
controls:
  cutoff: {cc: 74, home: 64, range: [0, 127], about: "low-pass corner"}
  swell: {cc: 20, fine: 52, home: 8192}
  detune: {nrpn: [1, 8], home: 0}
  tuning: {rpn: [0, 1]}
  shape: {sysex: "F0 7D 10 {value} F7"}
  on: {cc: 010}
"""


def load(tmp_path: Path, text: str | bytes, octave: int = 4) -> tuple[Device | None, list[str]]:
    path = tmp_path / "device.yaml"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    device, problems = load_device(path, "device.yaml", octave)
    return device, [str(problem) for problem in problems]


def test_everything_that_a_device_file_can_say(tmp_path: Path) -> None:
    device, problems = load(tmp_path, WHOLE)
    assert problems == []
    assert device is not None
    assert (device.device, device.channel, device.voices, device.notes) == (
        "Bass Box", 5, 1, (24, 96),
    )  # fmt: skip
    assert device.receives == (
        "note", "velocity", "control", "bend", "program", "clock", "transport",
    )  # fmt: skip
    reached = {"cc": 74}, {"cc": 20, "fine": 52}, {"parameter": (False, 1, 8)}
    more = {"parameter": (True, 0, 1)}, {"sysex": (b"\xf0\x7d\x10", b"\xf7")}, {"cc": 10}
    names = ["cutoff", "swell", "detune", "tuning", "shape", "on"]
    assert device.controls == {
        name: ControlRef(name, **how)  # type: ignore[arg-type]
        for name, how in zip(names, reached + more, strict=True)
    }
    assert [control.home for control in device.controls.values()] == [64, 8192, 0, None, None, None]
    assert device.controls["cutoff"].range == (0, 127)
    assert device.controls["shape"].channel == 4


def test_only_the_name_is_needed(tmp_path: Path) -> None:
    assert load(tmp_path, "device: Tug\n") == (Device("Tug"), [])


def test_notes_by_name_follow_the_rigs_middle_c(tmp_path: Path) -> None:
    device, _ = load(tmp_path, "device: Tug\nnotes: [C3, C4]\n", octave=3)
    assert device is not None
    assert device.notes == (60, 72)


WRONG: dict[str, tuple[str, list[str]]] = {
    "empty": ("", ["device.yaml:1:1: the file is empty"]),
    "not a mapping": ("- a\n", ["device.yaml:1:1: a device file is a mapping"]),
    "no name": ("channel: 5\n", ["device.yaml:1:1: 'device' is missing"]),
    "a misspelt key": (
        "device: a\nchanel: 5\n",
        ["device.yaml:2:1: chanel: unknown key; did you mean 'channel'?"],
    ),
    "a key twice": (
        "device: a\nvoices: 1\nvoices: 2\n",
        ["device.yaml:3:1: the key 'voices' stands here twice, first in line 2; keep one"],
    ),
    "a channel that is none": (
        "device: a\nchannel: 17\n",
        ["device.yaml:2:10: channel: '17' is out of range; write 1 to 16"],
    ),
    "no voices": (
        "device: a\nvoices: 0\n",
        ["device.yaml:2:9: voices: '0' is out of range; write 1 to 2048"],
    ),
    "a misspelt kind": (
        "device: a\nreceives: [note, clok]\n",
        ["device.yaml:2:18: receives[2]: 'clok' is none of the choices; did you mean 'clock'?"],
    ),
    "one note": ("device: a\nnotes: [24]\n", ["device.yaml:2:8: notes: item 2 is missing; add it"]),
    "a note that is none": (
        "device: a\nnotes: [24, H3]\n",
        ["device.yaml:2:13: notes[2]: 'H3' is no note; write "],
    ),
    "a misspelt key of a control": (
        "device: a\ncontrols:\n  cutoff: {cc: 74, hom: 64}\n",
        ["device.yaml:3:20: controls.cutoff.hom: unknown key; did you mean 'home'?"],
    ),
    "a mode message": (
        "device: a\ncontrols: {x: {cc: 123}}\n",
        ["device.yaml:2:20: controls.x.cc: '123' is out of range; write 0 to 119"],
    ),
    "a control that is not reached": (
        "device: a\ncontrols:\n  x: {home: 1}\n",
        ["device.yaml:3:6: controls.x: it is reached by none; write exactly one of "],
    ),
    "a control that is reached twice": (
        "device: a\ncontrols:\n  x: {cc: 1, nrpn: [1, 2]}\n",
        ["device.yaml:3:6: controls.x: it is reached by cc and nrpn; write exactly one of "],
    ),
    "a fine half that is not 32 above": (
        "device: a\ncontrols:\n  x: {cc: 20, fine: 53}\n",
        ["device.yaml:3:6: controls.x: 'fine' does not go with 'cc'; write "],
    ),
    "a fine half of a control that has none": (
        "device: a\ncontrols:\n  x: {cc: 74, fine: 106}\n",
        ["device.yaml:3:6: controls.x: 'fine' "],
    ),
    "a home above seven bits": (
        "device: a\ncontrols:\n  x: {cc: 74, home: 128}\n",
        ["device.yaml:3:6: controls.x: 'home' has 128 in it; write 0 to 127"],
    ),
    "a home above fourteen bits": (
        "device: a\ncontrols:\n  x: {nrpn: [1, 2], home: 16384}\n",
        ["device.yaml:3:27: controls.x.home: '16384' is out of range; write 0 to 16383"],
    ),
    "a range above seven bits": (
        "device: a\ncontrols:\n  x: {cc: 74, range: [0, 200]}\n",
        ["device.yaml:3:"],
    ),
    "sysex without a place for the value": (
        'device: a\ncontrols:\n  x: {sysex: "F0 7D 10 F7"}\n',
        ["device.yaml:3:"],
    ),
    "sysex that is not hex": (
        'device: a\ncontrols:\n  x: {sysex: "F0 GG {value} F7"}\n',
        ["device.yaml:3:"],
    ),
    "several": (
        "channel: 0\nvoices: many\ncontrols: {x: {}}\n",
        [
            "device.yaml:1:1: 'device' is missing",
            "device.yaml:1:10: channel: '0' is out of range; write 1 to 16",
            "device.yaml:2:9: voices: 'many' is not a whole number; write 1 to 2048",
            "device.yaml:3:15: controls.x: it is reached by none; write exactly one of ",
        ],
    ),
}


@pytest.mark.parametrize(("text", "heads"), WRONG.values(), ids=WRONG)
def test_what_is_wrong_gets_its_line(tmp_path: Path, text: str, heads: list[str]) -> None:
    device, problems = load(tmp_path, text)
    assert device is None
    assert len(problems) == len(heads), problems
    for line, head in zip(problems, heads, strict=True):
        assert line.startswith(head)


def test_a_file_that_is_not_there_raises_as_open_does(tmp_path: Path) -> None:
    with pytest.raises(FileNotFoundError):
        load_device(tmp_path / "none.yaml", "none.yaml", 4)


@given(data=st.data())
def test_no_text_raises_anything_else(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    """Cuts and swaps in a sound file give problems, or a sound file."""
    start, end = sorted(
        (data.draw(st.integers(0, len(WHOLE))), data.draw(st.integers(0, len(WHOLE))))
    )
    text = WHOLE[:start] + data.draw(st.text(max_size=12)) + WHOLE[end:]
    path = tmp_path_factory.getbasetemp() / "fuzz-device.yaml"
    path.write_text(text, "utf-8", newline="")
    device, problems = load_device(path, "device.yaml", 4)
    assert (device is None) == bool(problems)
