"""Rig files: what they may say, and a line with its place for everything that is wrong in one.

Every line is `path:line:column: where in the file: what is wrong; what would be right`, all of
them at once, and one problem is one line (docs/rig-file.md).
"""

from __future__ import annotations

import os
from pathlib import Path
from textwrap import dedent

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from harness import problems, rig_text
from pointsman import Rig, RigError, load_rig
from pointsman.registry import load_plugins
from pointsman.rig import Restore, Safety
from pointsman_plugins.cc_scale import CcScaleOptions

DEVICE = """
device: Tug
channel: 5
voices: 3
controls:
  cutoff: {cc: 74, home: 64}
  swell: {cc: 20}
  detune: {nrpn: [1, 8], home: 0}
"""

SMALL = "input: {port: 'null:'}\noutputs: {tug: {port: 'null:'}}\n"
"""The least that a rig needs. What is added below it begins in line 3."""


def load(tmp_path: Path, text: str, device: str | None = None) -> Rig:
    """Load a rig that must be right; a chain alone stands on the output `tug`."""
    text = dedent(text)
    if "outputs:" not in text:
        text = rig_text(text, device=device is not None)
    (tmp_path / "rig.yaml").write_text(text, "utf-8")
    if device is not None:
        (tmp_path / "device.yaml").write_text(device, "utf-8")
    return load_rig(tmp_path / "rig.yaml")


# ---- what a rig says -----------------------------------------------------------------------------

FULL = """
rig: harbour-set
middle_c: C3
input:
  port: "Pier Sequencer"
  chain:
    - {plugin: message_filter, drop: [sysex]}
outputs:
  tug:
    port: "Tug Interface"
    device: device.yaml
    wire: din
    delay: 2ms
    active_sensing: pass
    opening:
      - {program: 12, channel: 5}
      - {control: cutoff, value: 64, channel: 5}
      - {control: channel_volume, value: 100, channel: 16}
    restore: opening
    chain:
      - plugin: channel_remap
        map: {1: 5}
      - plugin: note_limit
        voices: device
        label: one voice
        channels: [5, 6]
        bypass: true
  gull:
    port: "null:"
    wire: 500
safety:
  on_exit: none
  on_transport_stop: release
  on_input_lost: none
  longest_note: 20s
"""


def test_everything_that_a_rig_can_say(tmp_path: Path) -> None:
    rig = load(tmp_path, FULL, DEVICE)
    assert (rig.name, rig.middle_c_octave, rig.input_port) == ("harbour-set", 3, "Pier Sequencer")
    assert [entry.plugin.name for entry in rig.input_chain] == ["message_filter"]
    assert rig.safety == Safety(False, True, False, 20_000_000_000)
    tug, gull = rig.outputs
    assert (tug.name, tug.port, tug.wire_rate, tug.delay_ns) == (
        "tug", "Tug Interface", 3125, 2_000_000,
    )  # fmt: skip
    assert (tug.active_sensing, tug.restore) == (True, Restore.OPENING)
    assert tug.opening == (b"\xc4\x0b", b"\xb4\x4a\x40", b"\xbf\x07\x64")
    assert tug.device is not None
    assert tug.device.voices == 3
    remap, limit = tug.chain
    assert (remap.label, remap.channels, remap.bypass, remap.line) == (
        "channel_remap", None, False, 21,
    )  # fmt: skip
    assert (limit.label, limit.channels, limit.bypass, limit.line) == (
        "one voice", frozenset({4, 5}), True, 23,
    )  # fmt: skip
    assert (gull.port, gull.wire_rate) == ("null:", 500)


def test_what_holds_where_nothing_is_said(tmp_path: Path) -> None:
    rig = load(tmp_path, SMALL)
    assert (rig.name, rig.middle_c_octave, rig.input_chain) == ("rig", 4, ())
    assert rig.safety == Safety(True, False, True, 0)
    (tug,) = rig.outputs
    assert (tug.device, tug.wire_rate, tug.delay_ns, tug.active_sensing) == (None, None, 0, False)
    assert (tug.opening, tug.restore, tug.chain) == ((), Restore.LAST, ())


WIRES = {"din": 3125, "usb": None, "free": None, "1": 1, "31250": 31250}


@pytest.mark.parametrize(("wire", "rate"), WIRES.items(), ids=WIRES)
def test_wires(tmp_path: Path, wire: str, rate: int | None) -> None:
    text = f"input: {{port: a}}\noutputs: {{tug: {{port: b, wire: {wire}}}}}\n"
    assert load(tmp_path, text).outputs[0].wire_rate == rate


@pytest.mark.parametrize("name", ["tug", "on", "no", "010", "Bass Box", "größe", "a.b", "5", "~x"])
def test_output_names_are_as_written(tmp_path: Path, name: str) -> None:
    text = f"input: {{port: a}}\noutputs:\n  {name}: {{port: b}}\n"
    assert load(tmp_path, text).outputs[0].name == name


def test_empty_lists_may_be_left_unwritten(tmp_path: Path) -> None:
    text = "input: {port: a, chain: }\noutputs:\n  tug:\n    port: b\n    opening:\n    chain:\n"
    rig = load(tmp_path, text)
    assert (rig.input_chain, rig.outputs[0].opening, rig.outputs[0].chain) == ((), (), ())


YAML_WORDS = {
    "on is true": ("bypass: on", True),
    "off is false": ("bypass: off", False),
    "yes is true": ("bypass: yes", True),
    "no is false": ("bypass: no", False),
    "true": ("bypass: true", True),
}


@pytest.mark.parametrize(("text", "bypass"), YAML_WORDS.values(), ids=YAML_WORDS)
def test_a_switch_takes_the_usual_words(tmp_path: Path, text: str, bypass: bool) -> None:
    rig = load(tmp_path, f"- {{plugin: note_limit, voices: 1, {text}}}")
    assert rig.outputs[0].chain[0].bypass is bypass


def test_a_leading_zero_is_no_octal_number(tmp_path: Path) -> None:
    rig = load(tmp_path, "- {plugin: note_limit, voices: 010}")
    assert rig.outputs[0].chain[0].options.model_dump()["voices"] == 10


def test_words_that_yaml_would_turn_are_text_where_text_is_meant(tmp_path: Path) -> None:
    rig = load(
        tmp_path,
        "rig: no\ninput: {port: on}\noutputs: {off: {port: 12:30, chain: "
        "[{plugin: note_limit, voices: 1, label: 010}]}}\n",
    )
    output = rig.outputs[0]
    assert (rig.name, rig.input_port, output.name, output.port) == ("no", "on", "off", "12:30")
    assert output.chain[0].label == "010"


CONTROLS = {"74": 74, "074": 74, "cutoff": 74, "swell": 20, "modulation": 1, "damper_pedal": 64,
            "channel_volume": 7}  # fmt: skip


@pytest.mark.parametrize(("written", "number"), CONTROLS.items(), ids=CONTROLS)
def test_a_control_is_a_number_or_a_name(tmp_path: Path, written: str, number: int) -> None:
    rig = load(tmp_path, f"- {{plugin: cc_scale, control: {written}, to: [0, 9]}}", DEVICE)
    assert control_of(rig) == number


def test_the_devices_name_goes_before_the_published_one(tmp_path: Path) -> None:
    device = "device: Tug\ncontrols:\n  modulation: {cc: 30}\n"
    rig = load(tmp_path, "- {plugin: cc_scale, control: modulation, to: [0, 9]}", device)
    assert control_of(rig) == 30


def control_of(rig: Rig) -> int | None:
    """The control number of the one entry on the one output."""
    options = rig.outputs[0].chain[0].options
    assert isinstance(options, CcScaleOptions)
    return options.control.cc


def test_one_device_file_may_serve_several_outputs(tmp_path: Path) -> None:
    text = (
        "input: {port: a}\noutputs:\n  tug: {port: b, device: device.yaml}\n"
        "  gull: {port: c, device: device.yaml}\n"
    )
    tug, gull = load(tmp_path, text, DEVICE).outputs
    assert tug.device == gull.device
    assert tug.device is not None


def test_paths_count_from_the_rig_and_not_from_here(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "rigs" / "devices").mkdir(parents=True)
    (tmp_path / "rigs" / "devices" / "tug.yaml").write_text(DEVICE)
    text = "input: {port: a}\noutputs: {tug: {port: b, device: devices/tug.yaml}}\n"
    (tmp_path / "rigs" / "rig.yaml").write_text(text)
    monkeypatch.chdir(tmp_path)
    device = load_rig("rigs/rig.yaml").outputs[0].device
    assert device is not None
    assert device.device == "Tug"


# ---- what is wrong with one ----------------------------------------------------------------------

CHOICES = ", ".join(sorted(load_plugins().plugins))
ENTRY = "rig.yaml:7:9: outputs.tug.chain[1]"
"""Where the first entry of a chain stands that the harness puts into a rig."""

WHOLE_FILE = {
    "empty": ("", ["rig.yaml:1:1: the file is empty; see docs/rig-file.md for what a rig holds"]),
    "a list": ("- outputs:\n", ["rig.yaml:1:1: a rig is a mapping; it needs at least input: "
                                "and outputs:"]),
    "nothing": ("~ # outputs:\n", ["rig.yaml:1:1: a rig is a mapping; it needs at least input: "
                                   "and outputs:"]),
    "neither input nor outputs": (
        "rig: a # outputs:\n",
        ["rig.yaml:1:1: 'input' is missing; add it", "rig.yaml:1:1: 'outputs' is missing; add it"],
    ),
    "a tag that makes an object": (
        f"rig: !!python/name:os.system\n{SMALL}",
        ["rig.yaml:1:6: the tag 'tag:yaml.org,2002:python/name:os.system' is not allowed here; "
         "take it out"],
    ),
    "an output twice": (
        "input: {port: a}\noutputs:\n  tug: {port: b}\n  gull: {port: b}\n  tug: {port: c}\n",
        ["rig.yaml:5:3: the key 'tug' stands here twice, first in line 3; keep one"],
    ),
    "two documents": (
        f"{SMALL}---\n{SMALL}",
        ["rig.yaml:3:1: a second document begins here; a rig is one document"],
    ),
}  # fmt: skip

KEYS = {
    "misspelt keys everywhere": (
        "imput: {port: a}\noutputs:\n  tug: {prot: b, chian: []}\nsaftey: {on_exit: none}\n",
        [
            "rig.yaml:1:1: 'input' is missing; add it",
            "rig.yaml:1:1: imput: unknown key; did you mean 'input'?",
            "rig.yaml:3:8: outputs.tug: 'port' is missing; add it",
            "rig.yaml:3:9: outputs.tug.prot: unknown key; did you mean 'port'?",
            "rig.yaml:3:18: outputs.tug.chian: unknown key; did you mean 'chain'?",
            "rig.yaml:4:1: saftey: unknown key; did you mean 'safety'?",
        ],
    ),
    "misspelt keys of safety and of plugins": (
        f"{SMALL}safety: {{on_exits: none}}\nplugins: {{folder: [a]}}\n",
        [
            "rig.yaml:3:10: safety.on_exits: unknown key; did you mean 'on_exit'?",
            "rig.yaml:4:11: plugins.folder: unknown key; did you mean 'folders'?",
        ],
    ),
    "no output": (
        "input: {port: a}\noutputs: {}\n",
        ["rig.yaml:2:10: outputs: there is no output; add at least one"],
    ),
    "names that could be paths": (
        "input: {port: a}\noutputs:\n  '': {port: b}\n  ../x: {port: b}\n  a/b: {port: b}\n"
        "  a\\b: {port: b}\n  a:b: {port: b}\n",
        [
            f"rig.yaml:{line}:3: outputs.{name}: an output's name has / \\ : in it, begins with a "
            "dot or is empty; write tug"
            for line, name in enumerate(["", "../x", "a/b", "a\\b", "a:b"], 3)
        ],
    ),
    "an output with nothing in it": (
        "input: {port: a}\noutputs:\n  tug:\n",
        ["rig.yaml:3:3: outputs.tug: nothing is written here; write keys and values, for example "
         "{1: 5}"],
    ),
}  # fmt: skip

VALUES = {
    "values of an output": (
        "input: {port: a}\noutputs:\n  tug: {port: b, wire: dim, delay: 5, active_sensing: on, "
        "restore: lats}\n",
        [
            "rig.yaml:3:24: outputs.tug.wire: 'dim' is not a number of bytes per second; write 1 "
            "to 100000000, or din, or usb, or free",
            "rig.yaml:3:36: outputs.tug.delay: '5' is no duration; write for example 250ms, 2s, "
            "6 clocks, 1/16, 1/8., 1/8t or 2 bars",
            "rig.yaml:3:55: outputs.tug.active_sensing: 'on' is none of the choices; write drop "
            "or pass",
            "rig.yaml:3:68: outputs.tug.restore: 'lats' is none of the choices; did you mean "
            "'last'?",
        ],
    ),
    "a delay that depends on the tempo": (
        "input: {port: a}\noutputs: {tug: {port: b, delay: 1/16}}\n",
        ["rig.yaml:2:33: outputs.tug.delay: '1/16' depends on the tempo; write a time in ms or "
         "s, such as 5ms"],
    ),
    "a wire without speed": (
        "input: {port: a}\noutputs: {tug: {port: b, wire: 0}}\n",
        ["rig.yaml:2:32: outputs.tug.wire: '0' is out of range; write 1 to 100000000, or din, or "
         "usb, or free"],
    ),
    "safety": (
        f"{SMALL}safety:\n  on_exit: no\n  on_transport_stop: releese\n  longest_note: 2 bars\n",
        [
            "rig.yaml:4:12: safety.on_exit: 'no' is none of the choices; did you mean 'none'?",
            "rig.yaml:5:22: safety.on_transport_stop: 'releese' is none of the choices; did you "
            "mean 'release'?",
            "rig.yaml:6:17: safety.longest_note: '2 bars' depends on the tempo; write a time in "
            "ms or s, such as 5ms",
        ],
    ),
    "middle C": (
        f"middle_c: C5\n{SMALL}",
        ["rig.yaml:1:11: middle_c: 'C5' is none of the choices; write C4 or C3"],
    ),
    "ports": (
        "input: {port: 'serial:x'}\noutputs:\n  tug: {port: 'file:x.wav'}\n"
        "  gull: {port: 'null:x'}\n  buoy: {port: 'virtual:'}\n  crane: {port: ''}\n",
        [
            "rig.yaml:1:15: input.port: 'x' is no full path of a device; write for example "
            "serial:/dev/serial0",
            "rig.yaml:3:15: outputs.tug.port: 'x.wav' is no .mid or .tsv file; write a path that "
            "ends so",
            "rig.yaml:4:16: outputs.gull.port: 'x' means nothing here; write null: alone",
            "rig.yaml:5:16: outputs.buoy.port: a virtual port needs a name; write for example "
            "virtual:Harbour Bass",
            "rig.yaml:6:17: outputs.crane.port: no port is named; write a name that `pointsman "
            "ports` lists",
        ],
    ),
    "openings": (
        "input: {port: a}\noutputs:\n  tug:\n    port: b\n    opening:\n"
        "      - {program: 0, channel: 5}\n      - {program: 129}\n"
        "      - {control: 120, value: 1, channel: 0}\n"
        "      - {control: modulaton, value: 1, channel: 1}\n",
        [
            "rig.yaml:6:19: outputs.tug.opening[1].program: '0' is out of range; write 1 to 128",
            "rig.yaml:7:9: outputs.tug.opening[2]: 'channel' is missing; add it",
            "rig.yaml:7:19: outputs.tug.opening[2].program: '129' is out of range; write 1 to 128",
            "rig.yaml:8:19: outputs.tug.opening[3].control: '120' is a channel mode message, not "
            "a control; write 0 to 119, or a name",
            "rig.yaml:8:43: outputs.tug.opening[3].channel: '0' is out of range; write 1 to 16",
            "rig.yaml:9:19: outputs.tug.opening[4].control: 'modulaton' is no control; did you "
            "mean 'modulation'?",
        ],
    ),
    "a value that depends on its control, with another fault": (
        "input: {port: a}\noutputs:\n  tug:\n    port: b\n    opening:\n"
        "      - {control: 74, value: 128, channel: 0}\n",
        [
            "rig.yaml:6:30: outputs.tug.opening[1].value: '128' is out of range; write 0 to 127",
            "rig.yaml:6:44: outputs.tug.opening[1].channel: '0' is out of range; write 1 to 16",
        ],
    ),
    "a misspelt program in an opening": (
        "input: {port: a}\noutputs:\n  tug:\n    port: b\n    opening:\n"
        "      - {programm: 1, channel: 1}\n",
        [
            "rig.yaml:6:9: outputs.tug.opening[1]: 'program' is missing; add it",
            "rig.yaml:6:10: outputs.tug.opening[1].programm: unknown key; did you mean "
            "'program'?",
        ],
    ),
    "a device file that is not there": (
        "input: {port: a}\noutputs: {tug: {port: b, device: devices/tug.yaml}}\n",
        ["rig.yaml:2:34: outputs.tug.device: device file 'devices/tug.yaml' cannot be read: No "
         "such file or directory; its path is relative to the rig file"],
    ),
}  # fmt: skip

CHAINS = {
    "a misspelt plugin": (
        "- {plugin: note_limt, voices: 1}",
        ["rig.yaml:7:18: outputs.tug.chain[1].plugin: unknown plugin 'note_limt'; did you mean "
         "'note_limit'?"],
    ),
    "a plugin that is like no other": (
        "- {plugin: xyz}",
        [f"rig.yaml:7:18: outputs.tug.chain[1].plugin: unknown plugin 'xyz'; there is {CHOICES}"],
    ),
    "no plugin": ("- {voices: 1}", [f"{ENTRY}: 'plugin' is missing; add it"]),
    "only a word": (
        "- note_limit",
        [f"{ENTRY}: an entry of a chain is a mapping; begin it with - plugin: NAME"],
    ),
    "a misspelt option": (
        "- plugin: note_limit\n  voices: 1\n  steel: oldest",
        ["rig.yaml:9:9: outputs.tug.chain[1].steel: unknown key; did you mean 'steal'?"],
    ),
    "a misspelt key of every entry": (
        "- plugin: note_limit\n  voices: 1\n  bypas: true",
        ["rig.yaml:9:9: outputs.tug.chain[1].bypas: unknown key; did you mean 'bypass'?"],
    ),
    "an option that is missing": (
        "- plugin: note_limit",
        [f"{ENTRY}: 'voices' is missing; add it"],
    ),
    "a number in base 60": (
        "- plugin: note_limit\n  voices: 12:30",
        ["rig.yaml:8:17: outputs.tug.chain[1].voices: '12:30' is not a whole number; write 1 to "
         "2048, or device"],
    ),
    "a misspelt word": (
        "- plugin: note_limit\n  voices: 1\n  steal: oldst",
        ["rig.yaml:9:16: outputs.tug.chain[1].steal: 'oldst' is none of the choices; did you "
         "mean 'oldest'?"],
    ),
    "channels": (
        "- {plugin: note_limit, voices: 1, channels: [1, 17, a]}",
        [
            "rig.yaml:7:55: outputs.tug.chain[1].channels[2]: '17' is out of range; write 1 to 16",
            "rig.yaml:7:59: outputs.tug.chain[1].channels[3]: 'a' is not a channel; write 1 to 16",
        ],
    ),
    "a switch": (
        "- {plugin: note_limit, voices: 1, bypass: maybe}",
        ["rig.yaml:7:49: outputs.tug.chain[1].bypass: 'maybe' is neither true nor false; write "
         "true or false"],
    ),
    "faults in several entries": (
        "- plugin: channel_remap\n  map: {0: 1, 1: 17}\n- plugin: note_limt\n- plugin: cc_scale\n"
        "  control: modulaton\n  to: [0, x]",
        [
            "rig.yaml:8:15: outputs.tug.chain[1].map.0: '0' is out of range; write 1 to 16",
            "rig.yaml:8:24: outputs.tug.chain[1].map.1: '17' is out of range; write 1 to 16",
            "rig.yaml:9:17: outputs.tug.chain[2].plugin: unknown plugin 'note_limt'; did you "
            "mean 'note_limit'?",
            "rig.yaml:11:18: outputs.tug.chain[3].control: 'modulaton' is no control; did you "
            "mean 'modulation'?",
            "rig.yaml:12:17: outputs.tug.chain[3].to[2]: 'x' is not a value; write 0 to 127 "
            "(16383 with 14 bits)",
        ],
    ),
}  # fmt: skip

WRONG = {**WHOLE_FILE, **KEYS, **VALUES, **CHAINS}


@pytest.mark.parametrize(("text", "lines"), WRONG.values(), ids=WRONG)
def test_what_is_wrong_gets_its_lines(tmp_path: Path, text: str, lines: list[str]) -> None:
    assert faults(tmp_path, text) == lines


def faults(tmp_path: Path, text: str) -> list[str]:
    """The error lines of a whole rig, or of a chain."""
    if text.startswith("- ") and "outputs:" not in text:
        return problems(tmp_path, text)
    (tmp_path / "rig.yaml").write_text(text, "utf-8")
    with pytest.raises(RigError) as caught:
        load_rig(tmp_path / "rig.yaml")
    return [line.replace(f"{tmp_path}/", "") for line in str(caught.value).splitlines()]


DEVICE_CONTROLS = {
    "a misspelt name of the device": (
        "{cutof: 1}",
        ["rig.yaml:8:39: outputs.tug.chain[1].controls.cutof: 'cutof' is no control; did you "
         "mean 'cutoff'?"],
    ),
    "a device control without a home": (
        "{swell: device}",
        ["rig.yaml:8:46: outputs.tug.chain[1].controls.swell: 'device' needs a device file that "
         "gives this control a 'home'; write a value, or learn"],
    ),
}  # fmt: skip


@pytest.mark.parametrize(("controls", "lines"), DEVICE_CONTROLS.values(), ids=DEVICE_CONTROLS)
def test_controls_of_a_device(tmp_path: Path, controls: str, lines: list[str]) -> None:
    chain = f"- {{plugin: cc_reset, controls: {controls}}}"
    assert problems(tmp_path, chain, device=DEVICE) == lines


@pytest.mark.parametrize(
    ("chain", "key"),
    [
        ("- {plugin: channel_remap, map: {1: 2, 01: 3}}", "01"),
        ("- {plugin: cc_reset, controls: {74: 5, brightness: 6}}", "brightness"),
    ],
)
def test_a_key_that_means_the_same_as_another_is_refused(
    tmp_path: Path, chain: str, key: str
) -> None:
    (line,) = problems(tmp_path, chain)
    assert f".{key}: " in line


def test_problems_of_a_device_file_name_that_file(tmp_path: Path) -> None:
    found = problems(tmp_path, "- {plugin: note_limit, voices: 0}", device="device: a\nvoices: 0\n")
    assert found == [
        "rig.yaml:8:38: outputs.tug.chain[1].voices: '0' is out of range; write 1 to 2048, or "
        "device",
        "device.yaml:2:9: voices: '0' is out of range; write 1 to 2048",
    ]


def test_a_device_file_that_two_outputs_name_is_reported_once(tmp_path: Path) -> None:
    text = (
        "input: {port: a}\noutputs:\n  tug: {port: b, device: device.yaml}\n"
        "  gull: {port: c, device: device.yaml}\n"
    )
    found = problems(tmp_path, text, device="device: a\nvoices: 0\n")
    assert [line.partition(" ")[0] for line in found] == ["device.yaml:2:9:"]


@pytest.mark.parametrize("name", ["none.yaml", ".", "a/b/c.yaml"])
def test_a_rig_that_cannot_be_read(tmp_path: Path, name: str) -> None:
    with pytest.raises(RigError) as caught:
        load_rig(tmp_path / name)
    (problem,) = caught.value.problems
    assert str(problem).startswith(f"{tmp_path / name}:1:1: cannot be read: ")


def test_a_line_break_in_a_name_makes_no_second_line(tmp_path: Path) -> None:
    text = (
        'middle_c: "C\\n4"\n"ke\\nel": 1\ninput: {port: "file:a\\nb"}\n'
        'outputs: {"tu\\ng": {port: a, device: "x\\ny"}}\nplugins: {folders: ["p\\nq"]}\n'
    )
    (tmp_path / "rig.yaml").write_text(text)
    with pytest.raises(RigError) as caught:
        load_rig(tmp_path / "rig.yaml")
    assert len(str(caught.value).splitlines()) == len(caught.value.problems) == 6


def test_the_path_in_a_line_is_the_path_that_was_given(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "rig.yaml").write_text("")
    with pytest.raises(RigError, match=r"\Arig\.yaml:1:1: "):
        load_rig("rig.yaml")


# ---- folders of plugins --------------------------------------------------------------------------


def test_folders_that_cannot_be_used_are_named(tmp_path: Path) -> None:
    (tmp_path / "open").mkdir()
    (tmp_path / "open").chmod(0o777)
    (tmp_path / "file").write_text("")
    text = f"{SMALL}plugins: {{folders: [none, open, file]}}\n"
    assert faults(tmp_path, text) == [
        "rig.yaml:3:21: plugins.folders[1]: there is no folder 'none'; write one "
        "relative to the rig file",
        "rig.yaml:3:27: plugins.folders[2]: others may write to the folder 'open'; chmod o-w it "
        "first",
        "rig.yaml:3:33: plugins.folders[3]: there is no folder 'file'; write one "
        "relative to the rig file",
    ]


def test_a_folder_that_is_no_text_is_one_problem(tmp_path: Path) -> None:
    assert len(faults(tmp_path, f"{SMALL}plugins: {{folders: [[a]]}}\n")) == 1


def test_a_plugin_that_does_not_import_is_named_where_the_rig_wants_it(tmp_path: Path) -> None:
    folder = tmp_path / "mine"
    folder.mkdir()
    (folder / "winch.py").write_text("import no_such_module_anywhere\n")
    text = (
        "input: {port: 'null:'}\noutputs: {tug: {port: 'null:', chain: [{plugin: winch}]}}\n"
        "plugins: {folders: [mine]}\n"
    )
    assert faults(tmp_path, text) == [
        "rig.yaml:2:49: outputs.tug.chain[1].plugin: the plugin 'winch' could not be loaded: "
        "mine/winch.py: does not import: ModuleNotFoundError: No module named "
        "'no_such_module_anywhere'"
    ]


def test_a_broken_plugin_that_the_rig_does_not_want_stops_nothing(tmp_path: Path) -> None:
    folder = tmp_path / "mine"
    folder.mkdir()
    (folder / "winch.py").write_text("raise RuntimeError\n")
    assert load(tmp_path, f"{SMALL}plugins: {{folders: [mine]}}\n").outputs


# ---- large rigs, and any text --------------------------------------------------------------------


def test_a_rig_of_two_hundred_lines_loads(tmp_path: Path) -> None:
    lines = ["input: {port: 'null:'}", "outputs:"]
    for number in range(16):
        lines += [f"  boat{number}:", "    port: 'null:'", "    wire: din", "    chain:"]
        for channel in range(1, 4):
            lines += ["      - plugin: channel_remap", f"        map: {{{channel}: 16}}"]
        lines += ["      - plugin: note_limit", "        voices: 4", "        label: few voices"]
    assert len(lines) > 200
    rig = load(tmp_path, "\n".join(lines))
    assert len(rig.outputs) == 16
    assert all(len(output.chain) == 4 for output in rig.outputs)


_pieces = st.text(max_size=6) | st.sampled_from(
    ["\n", "  ", "- ", ": ", "{", "}", "[", "]", "'", '"', "&a ", "*a", "!!x ", "# ", "on", "010",
     "null", "~", "12:30", "device", "1/16", "-1", "128", "\t", "|\n", ">\n", "? ", "<<: "]
)  # fmt: skip


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(
    cuts=st.lists(st.tuples(st.floats(0, 1), st.integers(0, 9), _pieces), min_size=1, max_size=6)
)
def test_a_rig_that_was_cut_about_is_right_or_raises_rig_error(
    tmp_path: Path, cuts: list[tuple[float, int, str]]
) -> None:
    text = FULL
    for where, length, piece in cuts:
        at = int(where * len(text))
        text = text[:at] + piece + text[at + length :]
    (tmp_path / "device.yaml").write_text(DEVICE)
    (tmp_path / "rig.yaml").write_bytes(text.encode("utf-8", "surrogatepass"))
    loads_or_says_why(tmp_path / "rig.yaml")


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(data=st.binary(max_size=300))
def test_any_bytes_are_a_rig_or_raise_rig_error(tmp_path: Path, data: bytes) -> None:
    (tmp_path / "rig.yaml").write_bytes(data)
    loads_or_says_why(tmp_path / "rig.yaml")


def loads_or_says_why(path: Path) -> None:
    try:
        load_rig(path)
    except RigError as error:
        assert error.problems
        for problem in error.problems:
            assert problem.line >= 1
            assert problem.column >= 1
            assert os.linesep not in str(problem)


# The next test guards the promise of the format for every case above at once.


@pytest.mark.parametrize("text", [case[0] for case in WRONG.values()], ids=WRONG)
def test_every_line_says_where_what_and_what_would_be_right(tmp_path: Path, text: str) -> None:
    for line in faults(tmp_path, text):
        _place, what = line.split(": ", 1)
        assert "; " in what, line
