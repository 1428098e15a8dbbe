"""channel_select held to its page in docs/plugins, and to rule 1: a note-off goes where its note-on
went, whatever is picked in between."""

from __future__ import annotations

from pathlib import Path

import pytest

from harness import ONE_OF_EACH, assert_plays, problems, says_what_is_right

PICK = "control: 20, from_channel: 1, to: {0: 1, 1: 5, 2: 6}"
"""Control 20 (14 hex) on channel 1 picks channel 1, 5 or 6."""

TABLES = {
    "a value picks the channel of what follows, and does not go on": (
        PICK,
        """
        -0.0 B0 14 01
        -0.0 90 3C 64
        +0.0 94 3C 64
        -0.4 80 3C 21
        +0.4 84 3C 21
        -0.5 B0 14 02
        -0.5 90 3C 64
        +0.5 95 3C 64
        -0.9 90 3C 00
        +0.9 95 3C 00
        -1.0 B0 14 00
        1.0  90 3C 64
        1.4  80 3C 40
        """,
    ),
    "by default it stays until a channel is picked": (
        PICK,
        """
        0.0  90 3C 64
        0.4  80 3C 40
        -0.5 B0 14 01
        -0.5 90 3C 64
        +0.5 94 3C 64
        -0.9 80 3C 40
        +0.9 84 3C 40
        """,
    ),
    "stay may be written": (PICK + ", default: stay", "0 90 3C 64\n1 80 3C 40"),
    "default: a channel": (
        PICK + ", default: 9",
        """
        -0.0 90 3C 64
        +0.0 98 3C 64
        -0.4 80 3C 40
        +0.4 88 3C 40
        """,
    ),
    "a value with no entry changes nothing, and does not go on either": (
        PICK,
        """
        -0.0 B0 14 01
        -0.1 B0 14 7F
        -0.2 90 3C 64
        +0.2 94 3C 64
        -0.5 80 3C 40
        +0.5 84 3C 40
        """,
    ),
    "direct: the value is the channel": (
        "control: 20, from_channel: 1, to: direct",
        """
        -0.0 B0 14 10
        -0.0 90 3C 64
        +0.0 9F 3C 64
        -0.4 80 3C 40
        +0.4 8F 3C 40
        -0.5 B0 14 01
        0.5  90 3C 64
        0.9  80 3C 40
        """,
    ),
    "direct: 0 and 17 to 127 change nothing": (
        "control: 20, from_channel: 1, to: direct",
        """
        -0.0 B0 14 03
        -0.1 B0 14 00
        -0.2 B0 14 11
        -0.3 B0 14 7F
        -0.4 90 3C 64
        +0.4 92 3C 64
        -0.5 80 3C 40
        +0.5 82 3C 40
        """,
    ),
    "a held note keeps its channel": (
        PICK,
        """
        -0.0 B0 14 01
        -0.0 90 3C 64
        +0.0 94 3C 64
        -0.1 B0 14 02
        -0.2 90 40 64
        +0.2 95 40 64
        -0.3 80 3C 40
        +0.3 84 3C 40
        -0.4 90 40 00
        +0.4 95 40 00
        """,
    ),
    "a key struck again while it is held: each note-off ends the older strike": (
        PICK,
        """
        -0.0 B0 14 01
        -0.0 90 3C 64
        +0.0 94 3C 64
        -0.5 B0 14 02
        -0.5 90 3C 65
        +0.5 95 3C 65
        -0.5 80 3C 40
        +0.5 84 3C 40
        -1.0 80 3C 40
        +1.0 85 3C 40
        """,
    ),
    "only the one channel is concerned: its control on another is any control": (
        PICK,
        """
        0.0  B1 14 01
        0.1  90 3C 64
        0.2  91 3C 64
        0.3  94 3C 64
        -0.4 B0 14 01
        0.5  91 3E 64
        0.6  81 3E 40
        0.7  80 3C 40
        0.8  81 3C 40
        0.9  84 3C 40
        """,
    ),
    "another channel to listen on": (
        "control: 20, from_channel: 16, to: {1: 1}",
        """
        0.0  B0 14 01
        -0.1 BF 14 01
        -0.2 9F 3C 64
        +0.2 90 3C 64
        -0.4 8F 3C 40
        +0.4 80 3C 40
        """,
    ),
    "nothing but notes moves": (
        PICK,
        """
        -0.0 B0 14 01
        0.1  B0 01 64
        0.2  C0 07
        0.3  D0 30
        0.4  E0 00 50
        0.5  A0 3C 30
        0.6  B0 00 01
        """,
    ),
    "also control": (
        PICK + ", also: [control]",
        """
        -0.0 B0 14 01
        -0.1 B0 01 64
        +0.1 B4 01 64
        0.2  C0 07
        0.3  D0 30
        0.4  E0 00 50
        0.5  A0 3C 30
        -0.6 B0 14 02
        -0.7 B0 40 00
        +0.7 B5 40 00
        """,
    ),
    "also bend": (
        PICK + ", also: [bend]",
        """
        -0.0 B0 14 01
        -0.1 E0 00 50
        +0.1 E4 00 50
        0.2  D0 30
        """,
    ),
    "also the two pressures": (
        PICK + ", also: [channel_pressure, key_pressure]",
        """
        -0.0 B0 14 01
        -0.1 D0 30
        +0.1 D4 30
        -0.2 A0 3C 30
        +0.2 A4 3C 30
        0.3  E0 00 50
        """,
    ),
    "documented: the pressure of a held key goes where its note went": (
        PICK + ", also: [key_pressure]",
        """
        -0.0 B0 14 01
        -0.0 90 3C 64
        +0.0 94 3C 64
        -0.1 B0 14 02
        -0.2 A0 3C 30
        +0.2 A4 3C 30
        -0.3 80 3C 40
        +0.3 84 3C 40
        """,
    ),
    "documented: also program takes its bank select along": (
        PICK + ", also: [program]",
        """
        -0.0 B0 14 01
        -0.1 B0 00 02
        +0.1 B4 00 02
        -0.1 B0 20 03
        +0.1 B4 20 03
        -0.1 C0 07
        +0.1 C4 07
        0.2  B0 01 64
        """,
    ),
    "documented: also control leaves bank select with its program": (
        PICK + ", also: [control]",
        """
        -0.0 B0 14 01
        0.1  B0 00 02
        0.1  B0 20 03
        0.1  C0 07
        """,
    ),
    "RPN sequences move whole and in order": (
        PICK + ", also: [control]",
        """
        -0.0 B0 14 01
        -0.1 B0 65 00
        +0.1 B4 65 00
        -0.1 B0 64 00
        +0.1 B4 64 00
        -0.1 B0 06 02
        +0.1 B4 06 02
        -0.1 B0 26 00
        +0.1 B4 26 00
        """,
    ),
    "mode messages stay, whatever moves": (
        PICK + ", also: [control]",
        """
        -0.0 B0 14 01
        0.1  B0 79 00
        0.2  B0 7B 00
        0.3  B0 78 00
        0.4  B0 7E 01
        """,
    ),
    "documented: All Notes Off ends what was begun elsewhere, by note-offs": (
        PICK,
        """
        0.0  90 30 64
        -0.1 B0 14 01
        -0.1 90 3C 64
        +0.1 94 3C 64
        -0.2 B0 14 02
        -0.2 90 40 64
        +0.2 95 40 64
        +0.3 84 3C 40
        +0.3 85 40 40
        0.3  B0 7B 00
        0.4  95 43 64       # of another player, untouched
        0.5  85 43 40
        """,
    ),
    "All Sound Off too": (
        PICK,
        """
        -0.0 B0 14 01
        -0.0 90 3C 64
        +0.0 94 3C 64
        +0.1 84 3C 40
        0.1  B0 78 00
        """,
    ),
    "Start, Stop, Continue and Song Position leave the channel picked": (
        PICK,
        """
        -0.0 B0 14 01
        0.1  FA
        0.1  F8
        0.2  FC
        0.3  F2 04 00
        0.4  FB
        0.4  F8
        -0.5 90 3C 64
        +0.5 94 3C 64
        -0.9 80 3C 40
        +0.9 84 3C 40
        """,
    ),
    "a control by its MIDI name": (
        "control: modulation, from_channel: 1, to: {1: 2}",
        """
        -0.0 B0 01 01
        -0.1 90 3C 64
        +0.1 91 3C 64
        -0.2 80 3C 40
        +0.2 81 3C 40
        """,
    ),
    "channels without the one it listens on: nothing is concerned": (
        "control: 1, from_channel: 1, to: {1: 2}, channels: [2]",
        ONE_OF_EACH,
    ),
    "a control that never comes": (PICK, ONE_OF_EACH),
    "bypass": ("control: 1, from_channel: 1, to: direct, bypass: true", ONE_OF_EACH),
}


@pytest.mark.parametrize(("options", "table"), TABLES.values(), ids=TABLES)
def test_what_follows_goes_to_the_picked_channel(tmp_path: Path, options: str, table: str) -> None:
    assert_plays(tmp_path, f"- {{plugin: channel_select, {options}}}", table)


DEVICE = """
device: Winch
channel: 3
controls:
  hook: {nrpn: [1, 8]}
  boom: {cc: 16, fine: 48}
  reel: {sysex: "F0 7D 10 {value} F7"}
"""

DEVICE_TABLES = {
    "NRPN: the value is swallowed, the numbers pass and select nothing for the synth": (
        "hook",
        """
        0.0  B0 63 01
        0.0  B0 62 08
        -0.0 B0 06 05
        -0.0 B0 26 00
        -0.1 90 3C 64
        +0.1 94 3C 64
        -0.2 80 3C 40
        +0.2 84 3C 40
        0.3  B0 63 01
        0.3  B0 62 09
        0.3  B0 06 06       # another parameter
        0.3  B0 26 00
        -0.4 90 3C 64
        +0.4 94 3C 64
        -0.5 80 3C 40
        +0.5 84 3C 40
        """,
    ),
    "a pair: both halves are swallowed": (
        "boom",
        """
        -0.0 B0 10 00
        -0.0 B0 30 05
        -0.1 90 3C 64
        +0.1 94 3C 64
        -0.2 80 3C 40
        +0.2 84 3C 40
        """,
    ),
    "SysEx has no channel, so it picks from anywhere": (
        "reel",
        """
        -0.0 F0 7D 10 05 F7
        0.0  F0 7D 11 06 F7
        -0.1 90 3C 64
        +0.1 94 3C 64
        -0.2 80 3C 40
        +0.2 84 3C 40
        """,
    ),
}


@pytest.mark.parametrize(("control", "table"), DEVICE_TABLES.values(), ids=DEVICE_TABLES)
def test_any_control_of_the_device_may_pick(tmp_path: Path, control: str, table: str) -> None:
    chain = f"- {{plugin: channel_select, control: {control}, from_channel: 1, to: direct}}"
    assert_plays(tmp_path, chain, table, device=DEVICE)


def test_two_selections_on_one_output_keep_out_of_each_others_way(tmp_path: Path) -> None:
    chain = """
        - {plugin: channel_select, control: 20, from_channel: 1, to: direct}
        - {plugin: channel_select, control: 20, from_channel: 2, to: direct}
    """
    table = """
        -0.0 B0 14 07
        -0.0 B1 14 08
        -0.1 90 3C 64
        +0.1 96 3C 64
        -0.1 91 3C 64
        +0.1 97 3C 64
        -0.2 81 3C 40
        +0.2 87 3C 40
        -0.3 80 3C 40
        +0.3 86 3C 40
    """
    assert_plays(tmp_path, chain, table)


def test_the_release_ends_notes_where_they_went(tmp_path: Path) -> None:
    table = """
        -0.0 B0 14 01
        -0.0 90 3C 64
        +0.0 94 3C 64
        -0.1 B0 14 02
        +0.1 84 3C 40
    """
    chain = f"- {{plugin: channel_select, {PICK}}}"
    assert_plays(tmp_path, chain, table, on_exit="release")


def test_a_release_at_stop_goes_back_to_the_default(tmp_path: Path) -> None:
    rig = f"""
        input: {{port: "null:"}}
        safety: {{on_exit: none, on_transport_stop: release}}
        outputs:
          tug:
            port: "null:"
            chain:
              - {{plugin: channel_select, {PICK}}}
    """
    table = """
        -0.0 B0 14 01
        -0.1 90 3C 64
        +0.1 94 3C 64
        +0.2 84 3C 40
        0.2  FC
        0.3  90 3E 64
        -0.4 80 3C 40       # it has ended already
        0.5  80 3E 40
    """
    assert_plays(tmp_path, rig, table)


ERRORS = {
    "neither a mapping nor direct": (
        "- {plugin: channel_select, control: 20, from_channel: 1, to: dierct}",
        "rig.yaml:7:68: outputs.tug.chain[1].to: "
        "'dierct' is neither a mapping nor direct; write direct, or values and channels, for "
        "example {0: 1, 64: 5}",
    ),
    "a value that a plain control cannot have": (
        "- {plugin: channel_select, control: 20, from_channel: 1, to: {200: 1}}",
        "rig.yaml:7:74: outputs.tug.chain[1].to.200: "
        "'200' is more than this control can be; write 0 to 127",
    ),
    "no control": (
        "- {plugin: channel_select, from_channel: 1, to: direct}",
        "rig.yaml:7:9: outputs.tug.chain[1]: 'control' is missing; add it",
    ),
    "a channel that is none": (
        "- {plugin: channel_select, control: 20, from_channel: 1, to: {1: 17}}",
        "rig.yaml:7:72: outputs.tug.chain[1].to.1: '17' is out of range; write 1 to 16",
    ),
    "another word for default": (
        "- {plugin: channel_select, control: 20, from_channel: 1, to: direct, default: saty}",
        "rig.yaml:7:85: outputs.tug.chain[1].default: "
        "'saty' is not a channel; write 1 to 16, or stay",
    ),
    "a kind that does not move": (
        "- {plugin: channel_select, control: 20, from_channel: 1, to: direct, also: [clock]}",
        "rig.yaml:7:83: outputs.tug.chain[1].also[1]: "
        "'clock' is none of the choices; write control, bend, channel_pressure, key_pressure "
        "or program",
    ),
    "a control that nobody knows": (
        "- {plugin: channel_select, control: modluation, from_channel: 1, to: direct}",
        "rig.yaml:7:43: outputs.tug.chain[1].control: "
        "'modluation' is no control; did you mean 'modulation'?",
    ),
    "misspelt": (
        "- {plugin: channel_select, control: 20, from_channel: 1, to: direct, defualt: 2}",
        "rig.yaml:7:76: outputs.tug.chain[1].defualt: unknown key; did you mean 'default'?",
    ),
}


@pytest.mark.parametrize(("chain", "line"), ERRORS.values(), ids=ERRORS)
def test_wrong_options_are_refused_where_they_stand(tmp_path: Path, chain: str, line: str) -> None:
    found = problems(tmp_path, chain)
    assert found == [line]
    assert says_what_is_right(found)


def test_an_empty_map_is_refused(tmp_path: Path) -> None:
    chain = "- {plugin: channel_select, control: 20, from_channel: 1, to: {}}"
    (line,) = problems(tmp_path, chain)
    assert line.startswith("rig.yaml:7:68: outputs.tug.chain[1].to: ")
