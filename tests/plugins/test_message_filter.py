"""message_filter held to its page in docs/plugins: every kind, dropped alone and passed alone."""

from __future__ import annotations

from pathlib import Path

import pytest

from harness import ONE_OF_EACH, assert_plays, events, play, play_chain, problems
from harness import says_what_is_right as right

# The kinds of the page with the status bytes that each stands for (MIDI 1.0, Tables I to VI);
# of Bn those with a number below 120, the rest are channel mode messages.
KINDS = {
    "note": ("80", "81", "90", "91"),
    "control": ("B0",),
    "program": ("C0",),
    "bend": ("E0",),
    "channel_pressure": ("D0",),
    "key_pressure": ("A0",),
    "sysex": ("F0",),
    "clock": ("F8",),
    "transport": ("FA", "FB", "FC"),
    "song_position": ("F2",),
    "song_select": ("F3",),
    "tune_request": ("F6",),
    "time_code": ("F1",),
    "active_sensing": ("FE",),
    "system_reset": ("FF",),
}


def is_mode(data: str) -> bool:
    return data[0] == "B" and int(data[3:5], 16) >= 120


def is_one_of(data: str, kinds: list[str]) -> bool:
    return not is_mode(data) and any(data[:2] in KINDS[kind] for kind in kinds)


@pytest.mark.parametrize("kind", KINDS)
def test_drop_keeps_out_that_kind_and_nothing_else(tmp_path: Path, kind: str) -> None:
    heard = play_chain(tmp_path, f"- {{plugin: message_filter, drop: [{kind}]}}", ONE_OF_EACH)
    assert heard == [event for event in events(ONE_OF_EACH) if not is_one_of(event[1], [kind])]


@pytest.mark.parametrize("kind", KINDS)
def test_pass_lets_through_that_kind_and_channel_mode_messages(tmp_path: Path, kind: str) -> None:
    """Mode messages have no word of their own and always pass: documented."""
    heard = play_chain(tmp_path, f"- {{plugin: message_filter, pass: [{kind}]}}", ONE_OF_EACH)
    expected = [e for e in events(ONE_OF_EACH) if is_one_of(e[1], [kind]) or is_mode(e[1])]
    assert heard == expected


@pytest.mark.parametrize("word", ["pass", "drop"])
def test_several_kinds(tmp_path: Path, word: str) -> None:
    kinds = ["note", "sysex", "transport"]
    chain = f"- {{plugin: message_filter, {word}: [note, sysex, transport]}}"
    expected = [
        event
        for event in events(ONE_OF_EACH)
        if is_mode(event[1]) or is_one_of(event[1], kinds) is (word == "pass")
    ]
    assert play_chain(tmp_path, chain, ONE_OF_EACH) == expected


TABLES = {
    "a note-on with velocity 0 is a note, on every channel": (
        "drop: [note]",
        """
        -0.000 9F 3C 64
        -0.500 9F 3C 00
        0.600  BF 01 05
        """,
    ),
    "control is every number up to 119": (
        "drop: [control]",
        """
        -0.000 B0 00 01
        -0.000 B0 06 01
        -0.000 B0 40 7F
        -0.000 B0 77 01
        0.001  B0 78 00
        0.002  B0 79 00
        0.003  B0 7A 00
        0.004  B0 7B 00
        0.005  B0 7C 00
        0.006  B0 7D 00
        0.007  B0 7E 01
        0.008  B0 7F 00
        """,
    ),
    "transport does not take the clock or the song position with it": (
        "drop: [transport]",
        """
        -0.000 FA
        0.001  F8
        -0.500 FC
        0.600  F2 04 00
        -0.700 FB
        0.701  F8
        """,
    ),
    "a list that passes nothing": (
        "pass: []",
        """
        -0.000 90 3C 64
        -0.100 F8
        -0.500 80 3C 40
        """,
    ),
    "channels: it acts on those alone": (
        "drop: [note], channels: [2]",
        """
        0.000  90 3C 64
        -0.000 91 3C 64
        0.500  80 3C 40
        -0.500 81 3C 40
        """,
    ),
    "channels: what has no channel passes untouched": (
        "drop: [note, clock, sysex], channels: [2]",
        """
        0.000  F8
        -0.100 91 3C 64
        0.200  F0 7D 01 F7
        -0.500 91 3C 00
        """,
    ),
    "channels: pass does not drop on other channels": (
        "pass: [note], channels: [2]",
        """
        0.000  B0 01 05
        -0.000 B1 01 05
        0.000  91 3C 64
        0.100  F8
        0.500  81 3C 40
        """,
    ),
    "bypass: all passes": ("drop: [note, clock, transport, control], bypass: true", ONE_OF_EACH),
}


@pytest.mark.parametrize(("options", "table"), TABLES.values(), ids=TABLES)
def test_what_the_filter_keeps_out(tmp_path: Path, options: str, table: str) -> None:
    assert_plays(tmp_path, f"- {{plugin: message_filter, {options}}}", table)


@pytest.mark.parametrize(
    ("entry", "passes"),
    [
        ("{plugin: message_filter, drop: [active_sensing]}", False),
        ("{plugin: message_filter, pass: [active_sensing]}", True),
        ("{plugin: message_filter, drop: [clock]}", True),
        ("{plugin: message_filter, pass: [clock]}", False),
    ],
)
def test_active_sensing_where_the_output_passes_it(
    tmp_path: Path, entry: str, passes: bool
) -> None:
    rig = f"""
        input: {{port: "null:"}}
        outputs:
          buoy: {{port: "null:", active_sensing: pass, chain: [{entry}]}}
    """
    assert play(tmp_path, rig, "0.5 FE")["buoy"] == (events("0.5 FE") if passes else [])


def test_system_reset_never_passes_even_when_named(tmp_path: Path) -> None:
    chain = "- {plugin: message_filter, pass: [system_reset, note]}"
    assert_plays(tmp_path, chain, "-0 FF\n0.1 90 3C 64\n0.2 80 3C 40")


def test_what_it_drops_does_not_reach_the_next_entry(tmp_path: Path) -> None:
    chain = """
        - {plugin: message_filter, drop: [note]}
        - {plugin: cc_reset, controls: {74: 30}, when: [next_note]}
    """
    assert_plays(tmp_path, chain, "0 B0 4A 7F\n-1 90 3C 64\n-1.5 80 3C 40")


def test_the_song_is_known_to_the_entries_after_it_all_the_same(tmp_path: Path) -> None:
    """`stop` sends home just before Stop, also where Stop itself is kept out: documented."""
    chain = """
        - {plugin: message_filter, drop: [transport]}
        - {plugin: cc_reset, controls: {74: 30}}
    """
    assert_plays(tmp_path, chain, "-0 FA\n0.1 B0 4A 7F\n+1 B0 4A 1E\n-1 FC")


def test_label_is_shown_for_the_entry(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    play_chain(tmp_path, "- {plugin: message_filter, drop: [note], label: hush}", "0 90 3C 64")
    assert "hush" in capsys.readouterr().out


ALL_KINDS = ", ".join(KINDS)

ERRORS = {
    "neither list": (
        "- {plugin: message_filter}",
        "rig.yaml:7:9: outputs.tug.chain[1]: it needs exactly one of 'pass' and 'drop'; write "
        "the one you mean",
    ),
    "both lists": (
        "- {plugin: message_filter, pass: [note], drop: [clock]}",
        "rig.yaml:7:9: outputs.tug.chain[1]: it needs exactly one of 'pass' and 'drop'; write "
        "the one you mean",
    ),
    "a misspelt kind": (
        "- {plugin: message_filter, drop: [clock, notes]}",
        "rig.yaml:7:48: outputs.tug.chain[1].drop[2]: 'notes' is none of the choices; did you "
        "mean 'note'?",
    ),
    "a misspelt option": (
        "- {plugin: message_filter, drop: [clock], chanels: [1]}",
        "rig.yaml:7:49: outputs.tug.chain[1].chanels: unknown key; did you mean 'channels'?",
    ),
    "no list": (
        "- {plugin: message_filter, drop: note}",
        "rig.yaml:7:40: outputs.tug.chain[1].drop: 'note' is no list; write for example [1, 2]",
    ),
}


@pytest.mark.parametrize(("chain", "line"), ERRORS.values(), ids=ERRORS)
def test_wrong_options_are_refused_where_they_stand(tmp_path: Path, chain: str, line: str) -> None:
    assert problems(tmp_path, chain) == [line]


@pytest.mark.parametrize("chain", [chain for chain, _ in ERRORS.values()], ids=ERRORS)
def test_every_error_line_says_what_would_be_right(tmp_path: Path, chain: str) -> None:
    assert right(problems(tmp_path, chain))
