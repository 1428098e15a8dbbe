"""A channel or a control put into a device file: everything else in it stays as it was."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from pointsman.control_refs import ControlRef
from pointsman.device_file import load_device
from pointsman.errors import PointsmanError
from pointsman.probing.device_text import add_control, control_line, new_device, set_channel

TUG = """\
# The tug, bought at the pier.
device: "Tug: the blue one"   # its name
channel: 1        # by a power-on trick

controls:
    # filter
    cutoff: {cc: 74, home: 64}  # the big knob
    detune:                     # written out
        nrpn: [1, 8]
        home: 0
# the end of the controls
notes: [24, 96]
"""


@pytest.fixture
def tug(tmp_path: Path) -> Path:
    path = tmp_path / "tug.yaml"
    path.write_text(TUG, "utf-8")
    return path


def test_a_channel_is_replaced_and_all_else_stays(tug: Path) -> None:
    set_channel(tug, 12)
    assert tug.read_text("utf-8") == TUG.replace("channel: 1 ", "channel: 12 ")
    assert [path.name for path in tug.parent.iterdir()] == ["tug.yaml"]


@pytest.mark.parametrize(
    ("text", "after"),
    [
        ("device: Tug\n", "device: Tug\nchannel: 5\n"),
        ("device: Tug", "device: Tug\nchannel: 5\n"),
        ("# a\ndevice: Tug # b\nvoices: 1\n", "# a\ndevice: Tug # b\nchannel: 5\nvoices: 1\n"),
        ("channel: '3'\ndevice: Tug\n", "channel: 5\ndevice: Tug\n"),
        ("device: Tug\nchannel: # ?\nvoices: 1\n", "device: Tug\nchannel: 5 # ?\nvoices: 1\n"),
        ("{device: Tug, channel: 3}\n", "{device: Tug, channel: 5}\n"),
        ("device: Tug\r\nvoices: 1\r\n", "device: Tug\r\nchannel: 5\r\nvoices: 1\r\n"),
        ("\ufeffdevice: Tug\n", "\ufeffdevice: Tug\nchannel: 5\n"),
    ],
)
def test_a_channel_finds_its_place(tmp_path: Path, text: str, after: str) -> None:
    path = tmp_path / "tug.yaml"
    path.write_bytes(text.encode())
    set_channel(path, 5)
    assert path.read_bytes().decode() == after


LINE = control_line("swell", ControlRef("20", cc=20), 0, (0, 127), "", "")


def test_a_control_comes_after_the_others_in_their_style(tug: Path) -> None:
    add_control(tug, "swell", LINE)
    assert tug.read_text("utf-8") == TUG.replace(
        "        home: 0\n", "        home: 0\n    swell: {cc: 20, home: 0, range: [0, 127]}\n"
    )


@pytest.mark.parametrize("rest", ["", "controls: {}  # none\nvoices: 1\n", "voices: 1"])
def test_the_first_control_begins_the_list(tmp_path: Path, rest: str) -> None:
    path = tmp_path / "tug.yaml"
    path.write_text(f"device: Tug\n{rest}", "utf-8")
    add_control(path, "swell", LINE)
    device, problems = load_device(path, "tug.yaml", 4)
    assert device is not None, problems
    assert device.controls["swell"].cc == 20


@pytest.mark.parametrize(
    "ref",
    [
        ControlRef("a", cc=74, home=1, range=(2, 3)),
        ControlRef("a", cc=20, fine=52, home=9000, range=(0, 16383)),
        ControlRef("a", parameter=(False, 1, 8), home=1, range=(0, 127)),
        ControlRef("a", parameter=(True, 0, 2), home=64, range=(60, 70)),
        ControlRef("a", sysex=(b"\xf0\x7d\x10", b"\xf7"), home=1, range=(0, 127)),
    ],
    ids=str,
)
def test_a_control_is_read_again_as_it_was_written(tug: Path, ref: ControlRef) -> None:
    assert ref.range is not None
    line = control_line("new", ref, ref.home, ref.range, 'says "hello"', "a guess")
    add_control(tug, "new", line)
    device, problems = load_device(tug, "tug.yaml", 4)
    assert device is not None, problems
    found = device.controls["new"]
    assert found == ref
    assert (found.home, found.range) == (ref.home, ref.range)
    assert "# a guess" in tug.read_text("utf-8")


@pytest.mark.parametrize(
    "text",
    [
        "{device: Tug}\n",
        "device: Tug\ncontrols: {cutoff: {cc: 74}}\n",
        "device: Tug\ncontrols:\n  cutoff: {cc: 74,\n    home: 64\n  }\n",
    ],
)
def test_where_it_cannot_be_put_in_the_file_stays_and_the_line_is_shown(
    tmp_path: Path, text: str
) -> None:
    path = tmp_path / "tug.yaml"
    path.write_text(text, "utf-8")
    with pytest.raises(PointsmanError, match=r"write it by hand: swell: \{cc: 20"):
        add_control(path, "swell", LINE)
    assert path.read_text("utf-8") == text
    assert len(list(tmp_path.iterdir())) == 1


def test_a_change_that_would_change_more_is_not_made(tmp_path: Path) -> None:
    """Here the name goes on in the next line: what is put in between would become part of it."""
    path = tmp_path / "tug.yaml"
    path.write_text("device: 'Tug\n  boat'\n", "utf-8")
    with pytest.raises(PointsmanError, match=r"tug.yaml: cannot be changed here; write it by hand"):
        set_channel(path, 5)
    assert path.read_text("utf-8") == "device: 'Tug\n  boat'\n"


def test_a_name_that_is_there_is_never_overwritten(tug: Path) -> None:
    with pytest.raises(PointsmanError, match="by hand"):
        add_control(tug, "cutoff", control_line("cutoff", ControlRef("1", cc=1), 0, (0, 1), "", ""))
    assert tug.read_text("utf-8") == TUG


def test_a_faulty_file_is_told_with_its_line(tmp_path: Path) -> None:
    path = tmp_path / "tug.yaml"
    path.write_text("device: Tug\nchanel: 3\n", "utf-8")
    with pytest.raises(PointsmanError, match=r"tug.yaml:2:1: chanel: unknown key"):
        set_channel(path, 5)


def test_the_mode_and_a_link_stay(tug: Path, tmp_path: Path) -> None:
    tug.chmod(0o640)
    link = tmp_path / "link.yaml"
    link.symlink_to(tug)
    set_channel(link, 3)
    assert link.is_symlink()
    assert os.stat(tug).st_mode & 0o777 == 0o640
    assert "channel: 3 " in tug.read_text("utf-8")


def test_a_new_file_is_a_device_file_and_never_replaces_one(tmp_path: Path) -> None:
    path = tmp_path / "devices" / "pilot.yaml"
    new_device(path, 'Pilot "2"', 3)
    add_control(path, "swell", LINE)
    device, problems = load_device(path, "pilot.yaml", 4)
    assert device is not None, problems
    assert (device.device, device.channel, list(device.controls)) == ('Pilot "2"', 3, ["swell"])
    with pytest.raises(FileExistsError):
        new_device(path, "Pilot", 3)
