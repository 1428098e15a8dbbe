"""Every command as a player types it: what it prints, where, its exit code (docs/commands.md)."""

from __future__ import annotations

import json
import os
import shlex
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import yaml
from jsonschema import Draft202012Validator

from pointsman import __version__, io_rtmidi, load_rig
from pointsman.cli import _parser, main
from pointsman.errors import RigError
from pointsman.registry import load_plugins
from pointsman.schema import device_schema, rig_schema

ROOT = Path(__file__).parents[2]
COMMAND = [sys.executable, "-m", "pointsman.cli"]

RIG = """\
input: {port: "file:set.tsv"}
outputs:
  tug:
    port: "file:tug-live.tsv"
    wire: din
    chain:
      - {plugin: channel_remap, map: {1: 5}}
      - plugin: cc_reset
        controls: {74: 64}
      - {plugin: note_limit, voices: 1, label: one voice}
  gull:
    port: "null:"
"""

LOG = "0.000000\tB0 4A 7F\n0.000000\t90 3C 64\n0.010000\t90 40 64\n0.020000\t80 3C 40\n"


@pytest.fixture(autouse=True)
def harbour(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with a sound rig, an input, and broken ones, as the current folder."""
    (tmp_path / "harbour.yaml").write_text(RIG)
    (tmp_path / "set.tsv").write_text(LOG)
    (tmp_path / "devices").mkdir()
    (tmp_path / "devices" / "tug.yaml").write_text("device: Tug\nchannel: 5\n")
    (tmp_path / "wrong.yaml").write_text("imput: {port: a}\noutputs: {tug: {prot: b}}\n")
    (tmp_path / "broken.tsv").write_text("0.000000\tFA\n0.500000\t90 3C\n")
    (tmp_path / "broken.mid").write_bytes(b"MThd\0\0\0\6\0\0\0\1\0\x60MTrk\0\0\0\x10\0\x90\x3c")
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str]) -> Callable[..., tuple[int, str, str]]:
    """Run a command in this process: exit code, stdout, stderr."""

    def call(*arguments: str) -> tuple[int, str, str]:
        try:
            code = main(arguments)
        except SystemExit as end:  # argparse ends the process itself
            code = int(end.code or 0)
        printed = capsys.readouterr()
        return code, printed.out, printed.err

    return call


Run = Callable[..., tuple[int, str, str]]

WRONG_LINES = """\
wrong.yaml:1:1: 'input' is missing; add it
wrong.yaml:1:1: imput: unknown key; did you mean 'input'?
wrong.yaml:2:16: outputs.tug: 'port' is missing; add it
wrong.yaml:2:17: outputs.tug.prot: unknown key; did you mean 'port'?
"""


COMMANDS = next(list(a.choices) for a in _parser()._actions if isinstance(a.choices, dict))
NOT_HERE = {"status", "reload", "panic", "song", "bypass", "page", "service"}
NOT_HERE |= {"find-channel", "sweep"}
"""Their examples are run where a service answers (test_live_commands.py, tests/page), where a
person does (test_probe_terminal.py), or in the virtual machine: a service reads no rig from below
/tmp."""


# ---- help ----------------------------------------------------------------------------------------


def test_the_commands_that_docs_name_are_there() -> None:
    assert set(COMMANDS) >= {
        "run", "check", "render", "explain", "demo", "ports", "schema", "plugins",
    }  # fmt: skip


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_has_help_with_an_example(run: Run, command: str) -> None:
    code, out, err = run(command, "--help")
    assert (code, err) == (0, "")
    assert f"example: pointsman {command}" in out


@pytest.mark.parametrize("command", [name for name in COMMANDS if name not in NOT_HERE])
def test_the_example_in_the_help_works(run: Run, harbour: Path, command: str) -> None:
    (harbour / "set.mid").write_bytes(
        b"MThd\0\0\0\6\0\0\0\1\0\x60MTrk\0\0\0\x0c\0\x90\x3c\x40\x08\x80\x3c\x40\0\xff\x2f\0"
    )
    _, out, _ = run(command, "--help")
    example = out.partition("example: pointsman ")[2].splitlines()[0].partition(">")[0]
    code, _, err = run(*shlex.split(example))
    assert code == 0, err


def test_the_version(run: Run) -> None:
    assert run("--version") == (0, f"pointsman {__version__}\n", "")


# ---- exit codes ----------------------------------------------------------------------------------

CODES = {
    "a sound rig": ("check harbour.yaml", 0),
    "no command": ("", 2),
    "an unknown command": ("chek harbour.yaml", 2),
    "an argument that is missing": ("check", 2),
    "an argument too many": ("check harbour.yaml other.yaml", 2),
    "an unknown option": ("check harbour.yaml --fast", 2),
    "check of a faulty rig": ("check wrong.yaml", 2),
    "run of a faulty rig": ("run wrong.yaml", 2),
    "render of a faulty rig": ("render wrong.yaml set.tsv --out out", 2),
    "explain of a faulty rig": ("explain wrong.yaml FA", 2),
    "a rig that is not there": ("check none.yaml", 2),
    "a message that is none": ("explain harbour.yaml 'B0 4A'", 2),
    "an input file that is not there": ("render harbour.yaml none.mid --out out", 2),
    "a tail in clocks": ("render harbour.yaml set.tsv --out out --tail '6 clocks'", 2),
    "a folder that is not there": ("plugins --folder none", 2),
    "a plugin that is not there": ("plugins winch", 2),
    "a demo output that is not there": ("demo --live --to winch=null:", 2),
    "a demo port that is none": ("demo --live --to tug", 2),
    "a broken .tsv": ("render harbour.yaml broken.tsv --out out", 1),
    "a broken .mid": ("render harbour.yaml broken.mid --out out", 1),
    "an output folder that cannot be": ("render harbour.yaml set.tsv --out set.tsv/out", 1),
}  # fmt: skip


@pytest.mark.parametrize(("line", "code"), CODES.values(), ids=CODES)
def test_exit_codes(run: Run, line: str, code: int) -> None:
    got, out, err = run(*shlex.split(line))
    assert got == code
    assert bool(err) == (code != 0)
    if code:
        assert out == ""
        assert "Traceback" not in err
        assert "Errno" not in err


@pytest.mark.parametrize(
    "line", ["check", "run", "render {} set.tsv --out out", "explain {} FA"], ids=str.split
)
def test_a_faulty_rig_gives_all_its_lines_and_nothing_else(
    run: Run, harbour: Path, line: str
) -> None:
    line = line.format("wrong.yaml") if "{}" in line else f"{line} wrong.yaml"
    assert run(*shlex.split(line)) == (2, "", WRONG_LINES)
    assert not (harbour / "out").exists()


def test_a_broken_input_gives_its_position_and_keeps_what_came_before(
    run: Run, harbour: Path
) -> None:
    code, out, err = run("render", "harbour.yaml", "broken.tsv", "--out", "out")
    assert (code, out) == (1, "")
    assert err == (
        "broken.tsv:2:10: '90 3C' is not one whole MIDI message; "
        "write for example 0.001000, a tab, 90 3C 64\n"
    )
    assert (harbour / "out" / "tug.tsv").read_text() == "0.000000\tFA\n"


def test_a_broken_midi_file_gives_its_byte(run: Run) -> None:
    code, out, err = run("render", "harbour.yaml", "broken.mid", "--out", "out")
    assert (code, out) == (1, "")
    assert err.startswith("broken.mid: byte ")
    assert err.count("\n") == 1


def test_an_interrupted_command_ends_with_130(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    def interrupted(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("pointsman.render.render", interrupted)
    code, _, _ = run("render", "harbour.yaml", "set.tsv", "--out", "out")
    assert code == 130


# ---- ports ---------------------------------------------------------------------------------------

INPUTS = ["Pier Sequencer:Pier Sequencer MIDI 1 20:0"]
OUTPUTS = ["Tug Box:Tug Box MIDI 1 24:0", "Gull Box:Gull Box MIDI 1 28:0", "Midi Through 14:0"]


@pytest.fixture
def system(monkeypatch: pytest.MonkeyPatch) -> None:
    """A machine with these ports; no port can be opened on it."""

    def names(*, is_input: bool) -> list[str]:
        return INPUTS if is_input else OUTPUTS

    monkeypatch.setattr(io_rtmidi, "port_names", names)
    monkeypatch.setattr("pointsman.ports.listing.serial_paths", lambda: ["/dev/serial0"])


@pytest.mark.usefixtures("system")
def test_missing_and_ambiguous_ports_are_told_all_at_once(run: Run, harbour: Path) -> None:
    (harbour / "ports.yaml").write_text(
        "input: {port: Quay}\noutputs:\n  tug: {port: box}\n  gull: {port: gull box}\n"
        "  buoy: {port: 'file:none/x.tsv'}\n"
    )
    code, out, err = run("run", "ports.yaml")
    assert (code, out) == (3, "")
    assert err.splitlines() == [
        f"input: no input port matches 'Quay'; there is: {INPUTS[0]}",
        f"output tug: 2 output ports match 'box'; write more of the name: {OUTPUTS[0]}, "
        f"{OUTPUTS[1]}",
        f"output buoy: there is no folder '{harbour}/none' to record in; make it first",
    ]


def test_without_midi_a_rig_that_needs_it_says_what_is_missing(
    run: Run, harbour: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(io_rtmidi, "missing", lambda: "there is no MIDI here; switch it on")
    (harbour / "ports.yaml").write_text("input: {port: 'null:'}\noutputs: {tug: {port: Tug}}\n")
    code, out, err = run("run", "ports.yaml")
    assert (code, out) == (3, "")
    assert err == (
        "output tug: output port 'Tug' cannot be had: there is no MIDI here; switch it on\n"
    )


@pytest.mark.usefixtures("system")
def test_ports_lists_what_to_write_in_a_rig(run: Run) -> None:
    code, out, err = run("ports")
    assert (code, err) == (0, "")
    lines = out.splitlines()
    assert lines[0].split() == ["direction", "port", "write", "in", "the", "rig"]
    assert lines[2].split("  ")[0] == "input"
    assert '"Pier Sequencer:Pier Sequencer MIDI 1"' in lines[2]
    assert len(lines) == 2 + len(INPUTS) + len(OUTPUTS) + 1
    assert '"serial:/dev/serial0"' in lines[-1]


@pytest.mark.usefixtures("system")
def test_ports_as_json(run: Run) -> None:
    code, out, _ = run("ports", "--json")
    assert code == 0
    assert json.loads(out) == {
        "inputs": INPUTS, "outputs": OUTPUTS, "missing": None, "serial": ["/dev/serial0"],
    }  # fmt: skip


def test_ports_without_midi_says_what_is_missing(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(io_rtmidi, "missing", lambda: "there is no MIDI here; switch it on")
    code, out, _ = run("ports")
    assert code == 0
    assert out.startswith("No system MIDI ports: there is no MIDI here; switch it on.\n")
    assert json.loads(run("ports", "--json")[1])["missing"] == "there is no MIDI here; switch it on"


# ---- check, render, explain ----------------------------------------------------------------------


def test_check_names_the_ports_and_outputs(run: Run) -> None:
    assert run("check", "harbour.yaml") == (
        0, "harbour.yaml: right. Input file:set.tsv; outputs tug, gull.\n", "",
    )  # fmt: skip


def test_check_opens_nothing(run: Run, harbour: Path) -> None:
    before = sorted(harbour.iterdir())
    assert run("check", "harbour.yaml")[0] == 0
    assert sorted(harbour.iterdir()) == before


RENDERED = """\
0.000000\tB4 4A 7F
0.000960\t94 3C 64
0.010000\t84 3C 40
0.010960\t94 40 64
0.020000\t84 40 40
0.020960\tB4 4A 40
"""
"""The second note takes the one voice; the end releases: the note, then the control's home.

What comes at one time goes out one after the other: 0.96 ms a message on a DIN wire."""

TABLE = """\
output  in  out  notes  voices  wire  worst second
------  --  ---  -----  ------  ----  ------------
tug      4    6      2       1  0.6%  0.6%
gull     4    5      2       2  -     -

wire of  offered  notes wait  clock waits  overtaken  dropped
-------  -------  ----------  -----------  ---------  -------
tug      0.6%     0.96 ms     0.00 ms      0          0

output  entry          changed  dropped  added
------  -------------  -------  -------  -----
tug     channel_remap        4        0      0
tug     cc_reset             0        0      1
tug     one voice            0        1      1
"""
"""18 bytes in the least time that a load is taken over, a second, of 3,125 are 0.576 %."""


def test_render_writes_both_files_of_each_output_and_a_table(run: Run, harbour: Path) -> None:
    assert run("render", "harbour.yaml", "set.tsv", "--out", "deep/out") == (0, TABLE, "")
    folder = harbour / "deep" / "out"
    assert sorted(path.name for path in folder.iterdir()) == [
        "gull.mid", "gull.tsv", "tug.mid", "tug.tsv",
    ]  # fmt: skip
    assert (folder / "tug.tsv").read_text() == RENDERED


def test_render_as_json_has_the_numbers_of_the_table(run: Run) -> None:
    code, out, _ = run("render", "harbour.yaml", "set.tsv", "--out", "out", "--json")
    assert code == 0
    tug, gull = json.loads(out)
    assert (tug["output"], tug["received"], tug["notes"], tug["most_voices"]) == ("tug", 4, 2, 1)
    assert [entry["label"] for entry in tug["entries"]] == [
        "channel_remap", "cc_reset", "one voice",
    ]  # fmt: skip
    assert (gull["output"], gull["entries"], gull["wire_load"]) == ("gull", [], None)
    assert (tug["wire"]["longest_note_wait_ns"], tug["wire"]["overtaken"]) == (960_000, {})
    assert gull["wire"] is None


def test_explain_takes_words_hex_and_waits(run: Run) -> None:
    code, out, err = run(
        "explain", "harbour.yaml", "control 74 127 channel 1", "wait 50ms", "90 3C 40"
    )
    assert (code, err) == (0, "")
    first, second = out.split("\n\n")
    assert first.splitlines() == [
        "B0 4A 7F  control 74 (brightness) 127 channel 1",
        "  output tug",
        "    harbour.yaml:7  channel_remap: makes it B4 4A 7F",
        "    harbour.yaml:8  cc_reset: lets it pass unchanged",
        "    harbour.yaml:10  one voice: not concerned",
        "    sent at 0.000000  B4 4A 7F  control 74 (brightness) 127 channel 5",
        "  output gull",
        "    sent at 0.000000  B0 4A 7F  control 74 (brightness) 127 channel 1",
    ]
    assert second.splitlines() == [
        "90 3C 40  note C4 64 channel 1",
        "  output tug",
        "    harbour.yaml:7  channel_remap: makes it 94 3C 40",
        "    harbour.yaml:8  cc_reset: lets it pass, and sends B4 4A 40 first",
        "    harbour.yaml:10  one voice: lets it pass unchanged",
        "    sent at 0.050000  B4 4A 40  control 74 (brightness) 64 channel 5",
        "    sent at 0.050000  94 3C 40  note C4 64 channel 5",
        "  output gull",
        "    sent at 0.050000  90 3C 40  note C4 64 channel 1",
    ]


def test_explain_as_json(run: Run) -> None:
    code, out, _ = run("explain", "harbour.yaml", "B0 4A 7F", "--json")
    assert code == 0
    (step,) = json.loads(out)
    assert step["outputs"] == {
        "tug": [{"at": "0.000000", "bytes": "B4 4A 7F"}],
        "gull": [{"at": "0.000000", "bytes": "B0 4A 7F"}],
    }
    assert step["entries"][0] == {
        "output": "tug", "entry": "channel_remap", "line": 7, "given": "B0 4A 7F",
        "made": ["B4 4A 7F"],
    }  # fmt: skip


WORDS = {
    "note 60 1 channel 16": "9F 3C 01", "note_off C4": "80 3C 40",
    "key_pressure C4 5": "A0 3C 05", "control modulation 3 channel 2": "B1 01 03",
    "program 12 channel 5": "C4 0B", "channel_pressure 9": "D0 09", "bend 0": "E0 00 40",
    "bend -8192": "E0 00 00", "bend 8191": "E0 7F 7F", "song_position 10": "F2 0A 00",
    "song_select 3": "F3 03", "tune_request": "F6", "clock": "F8", "start": "FA",
    "continue": "FB", "stop": "FC", "sysex F0 7D 01 F7": "F0 7D 01 F7",
    "f0 7d 01 f7": "F0 7D 01 F7",
}  # fmt: skip


@pytest.mark.parametrize(("words", "data"), WORDS.items(), ids=WORDS)
def test_explain_reads_every_kind_of_message(run: Run, words: str, data: str) -> None:
    """The bytes follow the tables of MIDI 1.0, 4.2.1 (II, III, V, VI)."""
    code, out, err = run("explain", "harbour.yaml", words)
    assert (code, err) == (0, "")
    assert out.startswith(f"{data}  ")


NOT_WORDS = {
    "": "a message is empty; ",
    "B0 4A": "'B0 4A' is not one whole MIDI message",
    "cntrol 5 5": "'cntrol 5 5': unknown word 'cntrol'; did you mean 'control'?",
    "control modulaton 5": "'control modulaton 5': unknown control 'modulaton'; did you mean "
    "'modulation'?",
    "control 74": "'control 74': the value is missing",
    "control 74 128": "'control 74 128': the value must be from 0 to 127, not '128'",
    "note C4 100 channel 17": "'note C4 100 channel 17': the channel must be from 1 to 16, not "
    "'17'",
    "note H4": "'note H4': the note 'H4' is no note; write ",
    "clock 5": "'clock 5': '5' is too much; leave it out",
    "wait 1/16": "'wait 1/16': the wait must be in ms or s",
    "wait": "'wait': ",
}  # fmt: skip


@pytest.mark.parametrize(("text", "what"), NOT_WORDS.items(), ids=repr)
def test_explain_says_what_is_wrong_with_a_message(run: Run, text: str, what: str) -> None:
    code, out, err = run("explain", "harbour.yaml", text)
    assert (code, out) == (2, "")
    assert err.startswith(what)
    assert err.count("\n") == 1


NAMED = """\
input: {port: "null:"}
outputs:
  tug: {port: "null:", device: tug.yaml}
  gull: {port: "null:", device: gull.yaml}
"""
DEVICE_FILES = {
    "tug.yaml": "device: Tug\ncontrols: {hull: {nrpn: [1, 8]}, keel: {cc: 20}, sail: {cc: 21}}\n",
    "gull.yaml": "device: Gull\ncontrols: {keel: {cc: 20}, sail: {cc: 22}, modulation: {cc: 23}}\n",
}


@pytest.fixture
def named(tmp_path: Path) -> None:
    (tmp_path / "named.yaml").write_text(NAMED)
    for name, device in DEVICE_FILES.items():
        (tmp_path / name).write_text(device)


@pytest.mark.usefixtures("named")
def test_explain_knows_the_controls_of_device_files(run: Run) -> None:
    """An NRPN is its number, then data entry (MIDI 1.0, 4.2.1, pp. 17, 18)."""
    code, out, err = run("explain", "named.yaml", "control hull 64 channel 5", "control keel 3")
    assert (code, err) == (0, "")
    heads = [part.split("  ")[0] for part in out.split("\n\n")]
    assert heads == ["B4 63 01", "B4 62 08", "B4 06 40", "B0 14 03"]


@pytest.mark.usefixtures("named")
def test_a_published_name_stays_what_it_was(run: Run) -> None:
    assert run("explain", "named.yaml", "control modulation 3")[1].startswith("B0 01 03  ")


@pytest.mark.usefixtures("named")
@pytest.mark.parametrize(
    ("text", "what"),
    [
        ("control sail 1", "'sail' is not the same for tug, gull; write its number"),
        ("control hul 1", "unknown control 'hul'; did you mean 'hull'?"),
        ("control hull 128", "the value must be from 0 to 127, not '128'"),
        ("control hull", "the value is missing"),
    ],
)
def test_explain_says_what_is_wrong_with_a_named_control(run: Run, text: str, what: str) -> None:
    code, _, err = run("explain", "named.yaml", text)
    assert (code, err.count("\n")) == (2, 1)
    assert what in err


CAPTURE = """\
0.000000\tFA
0.000000\tF8
0.020833\tF8
0.041667\tB0 4A 7F
1.000000\t90 3C 40
1.500000\tF8
"""


def test_explain_takes_a_capture(run: Run, tmp_path: Path) -> None:
    (tmp_path / "set.tsv").write_text(CAPTURE)
    code, out, err = run("explain", "harbour.yaml", "set.tsv")
    assert (code, err) == (0, "")
    parts = out.split("\n\n")
    assert [part.splitlines()[0] for part in parts] == [
        "0.000000  FA  start",
        "0.000000  F8  clock, 2 in a row; sent: 2 to tug, 2 to gull",
        "0.041667  B0 4A 7F  control 74 (brightness) 127 channel 1",
        "1.000000  90 3C 40  note C4 64 channel 1",
        "1.500000  F8  clock",
    ]
    assert "cc_reset: lets it pass, and sends B4 4A 40 first" in parts[3]


def test_a_capture_as_json_is_a_line_a_step(run: Run, tmp_path: Path) -> None:
    (tmp_path / "set.tsv").write_text(CAPTURE)
    code, out, _ = run("explain", "harbour.yaml", "set.tsv", "--json")
    assert code == 0
    steps = [json.loads(line) for line in out.splitlines()]
    assert len(steps) == 5
    assert steps[2]["outputs"]["tug"] == [{"at": "0.041667", "bytes": "B4 4A 7F"}]


def test_what_comes_of_itself_between_the_messages_of_a_capture(run: Run, tmp_path: Path) -> None:
    (tmp_path / "home.yaml").write_text(
        "input: {port: 'null:'}\noutputs:\n  tug:\n    port: 'null:'\n"
        "    chain: [{plugin: cc_reset, controls: {74: 64}, after: 100ms}]\n"
    )
    (tmp_path / "set.tsv").write_text("0.0\tB0 4A 7F\n1.0\t90 3C 64\n2.0\tB0 4A 01\n")
    code, out, _ = run("explain", "home.yaml", "set.tsv")
    assert code == 0
    heads = [part.splitlines()[0] for part in out.split("\n\n")]
    assert heads[1] == "1.000000  due by itself"
    assert "sent at 0.100000  B0 4A 40" in out
    assert heads[-1] == "later, of its own accord"


# ---- plugins and schema --------------------------------------------------------------------------


def test_plugins_lists_what_is_there_and_from_where(run: Run) -> None:
    code, out, err = run("plugins")
    assert (code, err) == (0, "")
    names = [line.split()[0] for line in out.splitlines()[2:]]
    assert names == sorted(load_plugins().plugins)
    assert all(line.split()[1] == "pointsman" for line in out.splitlines()[2:8])


def test_one_plugin_with_its_options(run: Run) -> None:
    code, out, err = run("plugins", "note_limit")
    assert (code, err) == (0, "")
    lines = out.splitlines()
    assert lines[0] == "note_limit, from pointsman"
    assert [line.split()[0] for line in lines[-3:]] == ["voices", "steal", "scope"]


def test_a_plugin_that_is_not_there_gets_the_nearest(run: Run) -> None:
    assert run("plugins", "note_limt") == (
        2, "", "there is no plugin 'note_limt'; did you mean 'note_limit'?\n",
    )  # fmt: skip


def test_plugins_of_a_folder_and_what_could_not_be_loaded(run: Run, harbour: Path) -> None:
    (harbour / "mine").mkdir()
    (harbour / "mine" / "winch.py").write_text("1 / 0\n")
    code, out, _ = run("plugins", "--folder", "mine")
    assert code == 0
    assert out.splitlines()[-2:] == [
        "Not loaded:",
        "  mine/winch.py: does not import: ZeroDivisionError: division by zero",
    ]
    code, _, err = run("plugins", "winch", "--folder", "mine")
    assert (code, err) == (
        2,
        "there is no plugin 'winch'; mine/winch.py: does not import: ZeroDivisionError: "
        "division by zero\n",
    )


@pytest.mark.parametrize("line", ["plugins --json", "plugins cc_reset --json", "schema",
                                  "schema --device"])  # fmt: skip
def test_what_is_json_reads_as_json(run: Run, line: str) -> None:
    code, out, err = run(*line.split())
    assert (code, err) == (0, "")
    assert json.loads(out)


def as_json(text: str) -> Any:
    """A YAML file as an editor takes it: with JSON's types, and text as keys."""
    return json.loads(json.dumps(yaml.safe_load(text)))


EXAMPLES = sorted([*(ROOT / "configs").glob("*.yaml"), ROOT / "src/pointsman/demo/rig.yaml"])
DEVICES = sorted((ROOT / "configs" / "devices").glob("*.yaml"))


def test_the_schemas_are_schemas() -> None:
    for schema in (rig_schema(load_plugins()), device_schema()):
        Draft202012Validator.check_schema(schema)


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.name)
def test_the_schema_takes_the_example_rigs(path: Path) -> None:
    schema = Draft202012Validator(rig_schema(load_plugins()))
    assert list(schema.iter_errors(as_json(path.read_text("utf-8")))) == []


@pytest.mark.parametrize("path", DEVICES, ids=lambda path: path.name)
def test_the_schema_takes_the_example_devices(path: Path) -> None:
    schema = Draft202012Validator(device_schema())
    assert list(schema.iter_errors(as_json(path.read_text("utf-8")))) == []


RIGS = {
    "the least": "input: {port: a}\noutputs: {tug: {port: b}}",
    "a channel list": "input: {port: a}\noutputs: {tug: {port: b, chain: "
    "[{plugin: channel_remap, map: {1: [2, 3]}, channels: 1}]}}",
    "openings": "input: {port: a}\noutputs: {tug: {port: b, opening: "
    "[{program: 1, channel: 2}, {control: modulation, value: 3, channel: 16}]}}",
    "a wire in bytes": "input: {port: a}\noutputs: {tug: {port: b, wire: 500, delay: 5ms}}",
    "an input chain": "input: {port: a, chain: [{plugin: message_filter, drop: [clock]}]}\n"
    "outputs: {tug: {port: b}}",
    "no input": "outputs: {tug: {port: b}}",
    "an unknown key": "input: {port: a}\noutputs: {tug: {port: b}}\nsaftey: {}",
    "an unknown wire": "input: {port: a}\noutputs: {tug: {port: b, wire: dim}}",
    "an unknown plugin": "input: {port: a}\noutputs: {tug: {port: b, chain: [{plugin: winch}]}}",
    "an unknown option": "input: {port: a}\noutputs: {tug: {port: b, chain: "
    "[{plugin: note_limit, voices: 1, steel: oldest}]}}",
    "a missing option": "input: {port: a}\noutputs: {tug: {port: b, chain: "
    "[{plugin: note_limit}]}}",
    "a channel too high": "input: {port: a}\noutputs: {tug: {port: b, chain: "
    "[{plugin: note_limit, voices: 1, channels: 17}]}}",
    "a wrong opening": "input: {port: a}\noutputs: {tug: {port: b, opening: [{program: 1}]}}",
    "a wrong word": "input: {port: a}\noutputs: {tug: {port: b}}\nsafety: {on_exit: maybe}",
    "middle C": "middle_c: C5\ninput: {port: a}\noutputs: {tug: {port: b}}",
}


@pytest.mark.parametrize("text", RIGS.values(), ids=RIGS)
def test_the_schema_and_the_loader_agree(harbour: Path, text: str) -> None:
    (harbour / "rig.yaml").write_text(text)
    try:
        load_rig(harbour / "rig.yaml")
        right = True
    except RigError:
        right = False
    schema = Draft202012Validator(rig_schema(load_plugins()))
    assert schema.is_valid(as_json(text)) is right


# ---- as a process of its own ---------------------------------------------------------------------


def process(*arguments: str, **more: Any) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [*COMMAND, *arguments], capture_output=True, text=True, timeout=60, check=False, **more
    )


@pytest.mark.parametrize(
    ("line", "code"),
    [("check harbour.yaml", 0), ("check wrong.yaml", 2), ("", 2),
     ("render harbour.yaml broken.tsv --out o", 1), ("plugins cc_reset", 0),
     ("schema --device", 0), ("demo", 0)],
)  # fmt: skip
def test_the_process_ends_with_the_same_codes(line: str, code: int) -> None:
    done = process(*shlex.split(line))
    assert done.returncode == code
    assert "Traceback" not in done.stderr
    assert bool(done.stderr) == (code != 0)


def test_a_missing_port_ends_the_process_with_3(harbour: Path) -> None:
    name = "No Such Port Anywhere"
    (harbour / "ports.yaml").write_text(
        f"input: {{port: {name}}}\noutputs: {{a: {{port: 'null:'}}}}\n"
    )
    done = process("run", "ports.yaml")
    assert (done.returncode, done.stdout) == (3, "")
    assert done.stderr.startswith("input: ")
    assert name in done.stderr


@pytest.mark.parametrize("line", ["schema", "explain harbour.yaml FA", "demo"])
def test_a_reader_that_goes_away_is_no_fault(line: str) -> None:
    """As with `pointsman … | head -1`; nothing is said to the terminal."""
    reading, writing = os.pipe()
    os.close(reading)
    try:
        done = subprocess.run(
            [*COMMAND, *shlex.split(line)],
            stdout=writing, stderr=subprocess.PIPE, text=True, timeout=60, check=False,
        )  # fmt: skip
    finally:
        os.close(writing)
    assert done.stderr == ""


def test_run_plays_a_file_in_real_time_and_ends_with_it(harbour: Path) -> None:
    done = process("run", "harbour.yaml")
    assert (done.returncode, done.stdout) == (0, "")
    assert sent(harbour) == [line.split("\t")[1] for line in RENDERED.splitlines()]


def sent(harbour: Path) -> list[str]:
    """What the live output was sent, without the times."""
    lines = (harbour / "tug-live.tsv").read_text().splitlines()
    return [line.split("\t")[1] for line in lines]


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_run_releases_and_ends_with_0_on_a_signal(harbour: Path, number: signal.Signals) -> None:
    (harbour / "held.tsv").write_text("0.000000\tB0 4A 7F\n0.000000\t90 3C 64\n60.0\tFC\n")
    (harbour / "harbour.yaml").write_text(RIG.replace("set.tsv", "held.tsv"))
    for wait_s in (0.1, 1, 10):  # until the machine was quick enough to have begun
        assert end_after(wait_s, number, harbour) == 0
        if sent(harbour):
            break
    assert sent(harbour) == ["B4 4A 7F", "94 3C 64", "84 3C 40", "B4 4A 40"]


def end_after(wait_s: float, number: signal.Signals, harbour: Path) -> int:
    """Run the rig, send it a signal so long after it is ready; returns the exit code."""
    running = subprocess.Popen(
        [*COMMAND, "run", "harbour.yaml"], stderr=subprocess.PIPE, text=True, cwd=harbour
    )
    assert running.stderr is not None
    with running, running.stderr:
        assert "ready" in running.stderr.readline()
        time.sleep(wait_s)
        running.send_signal(number)
        return running.wait(20)
