"""device show and device check: a device file as a table, and what is missing in it."""

from __future__ import annotations

import json
from pathlib import Path
from textwrap import dedent

import pytest

from pointsman.cli import main

BUOY = """\
    device: Buoy
    channel: 11
    voices: 2
    receives: [note, velocity, control, clock]
    notes: [36, 84]
    controls:
      pitch: {cc: 21, home: 64, range: [0, 127], about: "base pitch"}
      sway: {cc: 1, fine: 33, home: 8192}
      detune: {nrpn: [1, 8], home: 0}
      bend_range: {rpn: [0, 0], home: 2, range: [0, 24]}
      bell: {sysex: "F0 7D 10 {value} F7", home: 0}
    """


def _device(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, text: str, *arguments: str) -> int:
    monkeypatch.chdir(tmp_path)
    Path("buoy.yaml").write_text(dedent(text), "utf-8")
    return main(["device", *arguments, "buoy.yaml"])


def test_show_is_a_table(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert _device(tmp_path, monkeypatch, BUOY, "show") == 0
    assert capsys.readouterr().out == dedent(
        """\
        device    Buoy
        channel   11
        voices    2
        receives  note, velocity, control, clock
        notes     36 to 84 (C2 to C6, where C4 is 60)

        control     reached by                 range     home  about
        ----------  -------------------------  --------  ----  ----------
        pitch       cc 21                      0 to 127    64  base pitch
        sway        cc 1, fine 33              -         8192
        detune      nrpn 1 8                   -            0
        bend_range  rpn 0 0                    0 to 24      2
        bell        sysex F0 7D 10 {value} F7  -            0
        """
    )


def test_show_says_what_a_file_leaves_open(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert _device(tmp_path, monkeypatch, "device: Buoy\n", "show") == 0
    assert capsys.readouterr().out == dedent(
        """\
        device    Buoy
        channel   not said
        voices    not said
        receives  everything
        notes     not said

        It lists no controls.
        """
    )


def test_show_as_json_is_what_the_file_says(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert _device(tmp_path, monkeypatch, BUOY, "show", "--json") == 0
    assert json.loads(capsys.readouterr().out) == {
        "device": "Buoy",
        "channel": 11,
        "voices": 2,
        "receives": ["note", "velocity", "control", "clock"],
        "notes": [36, 84],
        "controls": {
            "pitch": {"cc": 21, "home": 64, "range": [0, 127], "about": "base pitch"},
            "sway": {"cc": 1, "fine": 33, "home": 8192},
            "detune": {"nrpn": [1, 8], "home": 0},
            "bend_range": {"rpn": [0, 0], "home": 2, "range": [0, 24]},
            "bell": {"sysex": "F0 7D 10 {value} F7", "home": 0},
        },
    }


def test_a_file_without_gaps_is_right(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert _device(tmp_path, monkeypatch, BUOY, "check") == 0
    assert capsys.readouterr().out == "buoy.yaml: right. Buoy: 5 controls.\n"


ADVICE = {
    "nothing but a name": (
        "device: Buoy\n",
        [
            "1:1: warning: no channel: a rig cannot be checked for reaching it; "
            "add channel: 1 to 16",
            "1:1: warning: no voices: note_limit cannot take voices: device; add voices: NUMBER",
            "1:1: warning: no controls: a rig can name none; add controls:",
        ],
    ),
    "what it hears": (
        """\
        device: Buoy
        channel: 11
        voices: 2
        receives: [velocity]
        notes: [84, 36]
        controls: {pitch: {cc: 21, home: 64}}
        """,
        [
            "4:11: warning: receives: it ignores clock, and a rig that sends it clock gets a "
            "warning; add clock if it follows one",
            "4:11: warning: receives: it has controls, and does not receive control; add control",
            "4:11: warning: receives: it receives velocity, and no note; add note",
            "5:8: warning: notes: the lowest note is above the highest; write [36, 84]",
        ],
    ),
    "controls": (
        """\
        device: Buoy
        channel: 11
        voices: 2
        controls:
          pitch: {cc: 21}
          pan: {cc: 22, home: 3, range: [10, 20]}
          tilt: {cc: 21, home: 1, range: [20, 10]}
          entry: {cc: 6}
        """,
        [
            "5:10: warning: controls.pitch: no home: nothing can put it back by itself; "
            "add home: VALUE",
            "6:8: warning: controls.pan: elsewhere 'pan' is control 10, and here it is cc 22; "
            "name it otherwise, or mind the difference",
            "6:23: warning: controls.pan.home: it rests at 3, outside its range of 10 to 20; "
            "change the one or the other",
            "7:9: warning: controls.tilt: cc 21 has the name 'pitch' already; keep one of the two",
            "7:34: warning: controls.tilt.range: it runs downwards; write [10, 20]",
            "8:10: warning: controls.entry: control 6 is data_entry, which belongs to programs, "
            "NRPNs and RPNs; leave it alone between them",
        ],
    ),
}


@pytest.mark.parametrize("what", ADVICE)
def test_check_warns_of_what_a_rig_would_miss(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    what: str,
) -> None:
    text, warnings = ADVICE[what]
    assert _device(tmp_path, monkeypatch, text, "check") == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines[0].startswith("buoy.yaml: right. Buoy: ")
    assert lines[1:] == [f"buoy.yaml:{warning}" for warning in warnings]


def test_check_gives_errors_as_a_rig_does(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    text = "device: Buoy\nchanel: 3\ncontrols: {pitch: {cc: 21, nrpn: [1, 2]}}\n"
    lines = [
        "buoy.yaml:2:1: chanel: unknown key; did you mean 'channel'?",
        "buoy.yaml:3:19: controls.pitch: it is reached by cc and nrpn; "
        "write exactly one of cc, nrpn, rpn, sysex",
    ]
    assert _device(tmp_path, monkeypatch, text, "check") == 2
    out, err = capsys.readouterr()
    assert (out, sorted(err.splitlines())) == ("", lines)
    assert _device(tmp_path, monkeypatch, text, "check", "--json") == 2
    out, err = capsys.readouterr()
    data = json.loads(out)
    assert (data["file"], data["right"], data["warnings"]) == ("buoy.yaml", False, [])
    assert sorted((p["line"], p["column"], p["where"]) for p in data["problems"]) == [
        (2, 1, "chanel"), (3, 19, "controls.pitch"),
    ]  # fmt: skip
    assert sorted(err.splitlines()) == lines


def test_check_as_json_has_the_warnings(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    text = "device: Buoy\nchannel: 1\nvoices: 1\ncontrols: {pitch: {cc: 21}}\n"
    assert _device(tmp_path, monkeypatch, text, "check", "--json") == 0
    assert json.loads(capsys.readouterr().out) == {
        "file": "buoy.yaml",
        "right": True,
        "problems": [],
        "warnings": [
            {
                "path": "buoy.yaml",
                "line": 4,
                "column": 19,
                "where": "controls.pitch",
                "what": "no home: nothing can put it back by itself; add home: VALUE",
            }
        ],
    }


@pytest.mark.parametrize("command", ["show", "check"])
def test_a_file_that_is_not_there(capsys: pytest.CaptureFixture[str], command: str) -> None:
    assert main(["device", command, "nowhere.yaml"]) == 2
    assert capsys.readouterr().err == (
        "nowhere.yaml:1:1: cannot be read: No such file or directory; "
        "give the path of a device file\n"
    )
