"""check RIG: warnings where a rig contradicts the devices of its outputs, and none elsewhere."""

from __future__ import annotations

import json
from pathlib import Path
from textwrap import dedent

import pytest

from harness import rig_text
from pointsman.cli import main

TUG = """\
    device: Tug
    channel: 5
    voices: 1
    receives: [note, velocity, control, clock, transport]
    notes: [24, 72]
    controls:
      cutoff: {cc: 74, home: 64}
      sway: {cc: 1, fine: 33, home: 0}
      drift: {nrpn: [1, 8], home: 0}
    """


def _check(
    folder: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    rig: str,
    device: str = TUG,
) -> list[str]:
    monkeypatch.chdir(folder)
    rig = dedent(rig)
    Path("rig.yaml").write_text(rig if "outputs:" in rig else rig_text(rig, device=True), "utf-8")
    Path("device.yaml").write_text(dedent(device), "utf-8")
    code = main(["check", "rig.yaml"])
    out, err = capsys.readouterr()
    assert (code, err) == (0, "")
    verdict, *warnings = out.splitlines()
    assert verdict.startswith("rig.yaml: right. Input null:; outputs ")
    return warnings


def _channel(channel: int) -> str:
    return (
        f"this goes to channel {channel}, and Tug hears channel 5; "
        "write 5, or change the channel in its device file"
    )


def _control(number: int) -> str:
    return f"Tug lists no control {number}; write one that it lists: cutoff, sway, drift"


def _notes(notes: str) -> str:
    return f"{notes} can leave here, and Tug plays notes 24 (C1) to 72 (C5); keep within those"


CONTRADICTIONS = {
    "a control that it does not list": (
        "- {plugin: cc_scale, control: expression, to: [0, 64]}",
        [f"8:37: warning: outputs.tug.chain[1].control: {_control(11)}"],
    ),
    "a control that another becomes": (
        "- {plugin: cc_map, map: {30: [cutoff, 31]}}",
        [f"8:45: warning: outputs.tug.chain[1].map.30[2]: {_control(31)}"],
    ),
    "a control that an lfo moves": (
        "- {plugin: lfo, control: 22, channel: 5, depth: 3, center: 64, rate: 1Hz}",
        [f"8:32: warning: outputs.tug.chain[1].control: {_control(22)}"],
    ),
    "a control of a drum, and its note": (
        "- {plugin: drum_map, notes: {36: {note: 100, controls: {23: 5}}}}",
        [
            f"8:9: warning: outputs.tug.chain[1]: {_notes('note 100 (E7)')}",
            f"8:67: warning: outputs.tug.chain[1].notes.36.controls.23: {_control(23)}",
        ],
    ),
    "a channel that it does not hear": (
        "- {plugin: channel_remap, map: {1: 3, 2: 5}}",
        [f"8:9: warning: outputs.tug.chain[1]: {_channel(3)}"],
    ),
    "a picked channel that it does not hear": (
        "- {plugin: channel_select, control: 20, from_channel: 1, to: {0: 5, 1: 6}, default: 5}",
        [f"8:9: warning: outputs.tug.chain[1]: {_channel(6)}"],
    ),
    "an lfo on a channel that it does not hear": (
        "- {plugin: lfo, control: cutoff, channel: 6, depth: 3, center: 64, rate: 1Hz}",
        [f"8:9: warning: outputs.tug.chain[1]: {_channel(6)}"],
    ),
    "notes below its range": (
        "- {plugin: note_range, low: 12, high: 72}",
        [f"8:9: warning: outputs.tug.chain[1]: {_notes('notes 12 (C0) to 72 (C5)')}"],
    ),
    "notes moved out of its range": (
        "- {plugin: note_range, low: 24}\n- {plugin: transpose, semitones: -12}",
        [f"9:9: warning: outputs.tug.chain[2]: {_notes('notes from 12 (C0) up')}"],
    ),
    "notes wholly above its range": (
        "- {plugin: note_range, low: 80}",
        [f"8:9: warning: outputs.tug.chain[1]: {_notes('notes from 80 (G#5) up')}"],
    ),
    "a kind of message that it does not receive": (
        "- {plugin: cc_map, map: {30: {bend: true}}}",
        [
            "8:9: warning: outputs.tug.chain[1]: Tug does not receive bend; "
            "take this out, or add bend to its receives"
        ],
    ),
}


@pytest.mark.parametrize("what", CONTRADICTIONS)
def test_what_an_entry_does_against_the_device_is_warned_of(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    what: str,
) -> None:
    chain, warnings = CONTRADICTIONS[what]
    assert _check(tmp_path, monkeypatch, capsys, chain) == [f"rig.yaml:{w}" for w in warnings]


HARMONIES = {
    "nothing in the chain": "[]",
    "its own names": "- {plugin: cc_scale, control: cutoff, to: [0, 64]}",
    "its own numbers": "- {plugin: cc_thin, controls: [74]}",
    "the numbers that carry an NRPN": "- {plugin: cc_map, map: {20: {nrpn: [1, 8]}}}",
    "a control that becomes one of its own": """
        - {plugin: cc_scale, control: 30, to: [0, 64]}
        - {plugin: cc_map, map: {30: cutoff}}
        """,
    "a control that is dropped later": """
        - {plugin: cc_scale, control: 30, to: [0, 64]}
        - {plugin: message_filter, drop: [control]}
        """,
    "a control that picks and does not go on":
        "- {plugin: channel_select, control: 20, from_channel: 1, to: {0: 5}, default: 5}",
    "a channel that is moved on": """
        - {plugin: channel_remap, map: {1: 3}}
        - {plugin: channel_remap, map: {3: 5}}
        """,
    "an entry that is bypassed": "- {plugin: channel_remap, map: {1: 3}, bypass: true}",
    "an entry for a channel that is dropped": """
        - {plugin: channel_remap, map: {1: 5}, others: drop}
        - {plugin: channel_remap, map: {1: 3}, channels: 1}
        """,
    "notes within its range": "- {plugin: note_range, low: 30, high: 60, outside: fold}",
    "notes that may come from anywhere": "- {plugin: transpose, semitones: 12}",
}  # fmt: skip


@pytest.mark.parametrize("what", HARMONIES)
def test_what_agrees_with_the_device_gets_no_warning(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    what: str,
) -> None:
    assert _check(tmp_path, monkeypatch, capsys, HARMONIES[what]) == []


SILENT = """\
    device: Tug
    channel: 5
    receives: [note]
    """


@pytest.mark.parametrize(
    ("chain", "what"),
    [
        (
            "[]",
            "clock and transport go to Tug, which ignores them; "
            "add - {plugin: clock_filter, clock: drop, transport: drop} to its chain",
        ),
        (
            "- {plugin: clock_filter, clock: drop}",
            "transport goes to Tug, which ignores it; "
            "add - {plugin: clock_filter, transport: drop} to its chain",
        ),
        (
            "- {plugin: message_filter, drop: [transport]}",
            "clock goes to Tug, which ignores it; "
            "add - {plugin: clock_filter, clock: drop} to its chain",
        ),
        ("- {plugin: message_filter, pass: [note]}", None),
        ("- {plugin: clock_filter, clock: drop, transport: drop}", None),
    ],
)
def test_clock_for_a_synth_that_ignores_it_is_warned_of(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    chain: str,
    what: str | None,
) -> None:
    warnings = _check(tmp_path, monkeypatch, capsys, chain, SILENT)
    assert warnings == ([f"rig.yaml:4:3: warning: outputs.tug: {what}"] if what else [])


def test_a_synth_that_no_note_reaches_is_warned_of(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    rig = """\
        input:
          port: "null:"
          chain: [{plugin: channel_remap, map: {1: 3}, others: drop}]
        outputs:
          tug: {port: "null:", device: device.yaml}
        """
    assert _check(tmp_path, monkeypatch, capsys, rig) == [
        "rig.yaml:5:3: warning: outputs.tug: notes leave on channel 3, and Tug hears channel 5; "
        "it stays silent: send them on 5"
    ]


def test_an_opening_is_held_against_the_device(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    rig = """\
        input: {port: "null:"}
        outputs:
          tug:
            port: "null:"
            device: device.yaml
            opening:
              - {program: 3, channel: 5}
              - {control: 30, value: 3, channel: 4}
              - {control: drift, value: 3, channel: 5}
              - {control: sway, value: 3000, channel: 5}
              - {control: bank_select, value: 3, channel: 5}
        """
    assert _check(tmp_path, monkeypatch, capsys, rig) == [
        "rig.yaml:7:9: warning: outputs.tug.opening[1]: Tug does not receive program; "
        "take this out, or add program to its receives",
        f"rig.yaml:8:19: warning: outputs.tug.opening[2].control: {_control(30)}",
        f"rig.yaml:8:42: warning: outputs.tug.opening[2].channel: {_channel(4)}",
    ]


def test_a_named_chain_is_warned_of_where_it_stands_and_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "chains.yaml").write_text(
        "chains:\n  lead:\n    - {plugin: channel_remap, map: {1: 3}}\n"
    )
    rig = """\
        include: chains.yaml
        input: {port: "null:"}
        outputs:
          tug: {port: "null:", device: device.yaml, chain: [{use: lead}]}
          gull: {port: "null:", device: device.yaml, chain: [{use: lead}]}
          buoy: {port: "null:", chain: [{use: lead}]}
        """
    assert _check(tmp_path, monkeypatch, capsys, rig) == [
        f"chains.yaml:3:7: warning: chains.lead[1]: {_channel(3)}"
    ]


STRANGE = '''
"""A stranger's plugins: one that tells what it does, and one that does not."""

from pointsman.plugin import Channel, Control, Emission, Flow, Plugin, PluginOptions, hookimpl


class LighthouseOptions(PluginOptions):
    """What lighthouse can be told."""

    channel: Channel

    def foresee(self, flow: Flow) -> list[Flow]:
        """All of a channel goes to one."""
        return [flow if flow.channel is None else flow._replace(channel=self.channel - 1)]


class Lighthouse(Plugin[LighthouseOptions]):
    """Turns everything to one channel."""

    name = "lighthouse"
    Options = LighthouseOptions

    def on_note_on(self, data: bytes, t_ns: int) -> Emission:
        """To that channel."""
        return bytes((0x90 | self.options.channel - 1,)) + data[1:]


class FogOptions(PluginOptions):
    """What fog can be told."""

    control: Control


class Fog(Plugin[FogOptions]):
    """Nobody knows."""

    name = "fog"
    Options = FogOptions

    def on_note_on(self, data: bytes, t_ns: int) -> Emission:
        """Something happens."""
        return data

    def on_control(self, data: bytes, t_ns: int) -> Emission:
        """Something happens."""
        return data


@hookimpl
def pointsman_plugins() -> list[type[Plugin]]:
    """Offer both."""
    return [Lighthouse, Fog]
'''


def test_a_strangers_plugin_can_say_what_it_does_and_need_not(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "strange"
    folder.mkdir(mode=0o755)
    (folder / "strange.py").write_text(STRANGE)
    rig = """\
        input: {port: "null:"}
        plugins: {folders: [strange]}
        outputs:
          tug:
            port: "null:"
            device: device.yaml
            chain:
              - {plugin: lighthouse, channel: 7}
          gull:
            port: "null:"
            device: silent.yaml
            chain:
              - {plugin: channel_remap, map: {1: 7}, others: drop}
              - {plugin: cc_scale, control: 30, to: [0, 3]}
              - {plugin: fog, control: 31}
        """
    (tmp_path / "silent.yaml").write_text(dedent(SILENT))
    assert _check(tmp_path, monkeypatch, capsys, rig) == [
        f"rig.yaml:8:9: warning: outputs.tug.chain[1]: {_channel(7)}",
        "rig.yaml:9:3: warning: outputs.gull: clock and transport go to Tug, which ignores them; "
        "add - {plugin: clock_filter, clock: drop, transport: drop} to its chain",
        f"rig.yaml:13:9: warning: outputs.gull.chain[1]: {_channel(7)}",
    ]


def test_check_as_json(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("rig.yaml").write_text(rig_text("- {plugin: channel_remap, map: {1: 3}}", device=True))
    Path("device.yaml").write_text(dedent(TUG))
    assert main(["check", "rig.yaml", "--json"]) == 0
    assert json.loads(capsys.readouterr().out) == {
        "file": "rig.yaml",
        "right": True,
        "problems": [],
        "warnings": [
            {"path": "rig.yaml", "line": 8, "column": 9, "where": "outputs.tug.chain[1]",
             "what": _channel(3)},
        ],
    }  # fmt: skip
    Path("rig.yaml").write_text("input: {port: 'null:'}\noutputs: {tug: {prt: x}}\n")
    assert main(["check", "rig.yaml", "--json"]) == 2
    out, err = capsys.readouterr()
    problems = json.loads(out)["problems"]
    assert [
        f"{p['path']}:{p['line']}:{p['column']}: {p['where']}: {p['what']}" for p in problems
    ] == err.splitlines()
    assert json.loads(out)["right"] is False
