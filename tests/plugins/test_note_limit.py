"""note_limit held to its page in docs/plugins, and to the rules of the engine that touch it.

Note-offs that it makes are 8n nn 40: release velocity 64 is what a sender without release
velocity sends (MIDI 1.0, 4.2.1, p. 10).
"""

from __future__ import annotations

from pathlib import Path

import pytest

from harness import (
    ONE_OF_EACH,
    assert_plays,
    events,
    play,
    play_chain,
    problems,
    says_what_is_right,
)

# Three notes sound: 40 first and softest but one, 30 lowest, 48 highest and newest; then 3C.
VICTIMS = {
    "oldest": "40",
    "newest": "48",
    "lowest": "30",
    "highest": "48",
    "quietest": "34",
}


@pytest.mark.parametrize(("steal", "victim"), VICTIMS.items(), ids=VICTIMS)
def test_steal_says_which_sounding_note_gives_way(tmp_path: Path, steal: str, victim: str) -> None:
    chain = f"- {{plugin: note_limit, voices: 4, steal: {steal}}}"
    table = f"""
        0.0  90 40 30
        0.1  90 30 60
        0.2  90 34 20
        0.3  90 48 50
        +0.4 80 {victim} 40
        0.4  90 3C 01
    """
    assert_plays(tmp_path, chain, table)


def test_the_oldest_gives_way_by_default(tmp_path: Path) -> None:
    table = """
        0.0  90 3C 64
        0.1  90 40 64
        +0.2 80 3C 40
        0.2  90 43 64
        +0.3 80 40 40
        0.3  90 48 64
        -0.4 80 3C 40
        -0.4 80 40 40
        0.4  80 43 40
        0.4  80 48 40
    """
    assert_plays(tmp_path, "- {plugin: note_limit, voices: 2}", table)


ONE_VOICE = {
    "the note-off of the victim, then the new note": """
        0.0  90 3C 64
        +0.1 80 3C 40
        0.1  90 40 64
        -0.2 80 3C 40
        0.3  80 40 40
    """,
    "the victim's note-off is swallowed as a note-on with velocity 0 too": """
        0.0  90 3C 64
        +0.1 80 3C 40
        0.1  90 40 64
        -0.2 90 3C 00
        0.3  90 40 00
    """,
    "a note that has ended leaves its voice": """
        0.0  90 3C 64
        0.1  80 3C 40
        0.2  90 40 64
        0.3  80 40 40
    """,
    "a note-on with velocity 0 ends a note": """
        0.0  90 3C 64
        0.1  90 3C 00
        0.2  90 40 64
        0.3  80 40 40
    """,
    "the swallowed note-off does not end the note that took over": """
        0.0  90 3C 64
        +0.1 80 3C 40
        0.1  90 40 64
        -0.2 80 3C 40
        +0.3 80 40 40
        0.3  90 43 64
        -0.4 80 40 40
        0.5  80 43 40
    """,
    "the same note again while it sounds is the same voice": """
        0.0  90 3C 64
        0.1  90 3C 50
        0.2  80 3C 40
        0.3  80 3C 40
        0.4  90 40 64
    """,
    "the same note on another channel is another channel's voice": """
        0.0  90 3C 64
        0.1  91 3C 64
        +0.2 81 3C 40
        0.2  91 40 64
        0.3  80 3C 40
        -0.4 81 3C 40
        0.5  81 40 40
    """,
    "a victim that is struck again sounds, and its note-off ends it": """
        0.0  90 3C 64
        +0.1 80 3C 40
        0.1  90 40 64
        -0.2 80 3C 40
        +0.3 80 40 40
        0.3  90 3C 64
        -0.4 80 40 40
        0.5  80 3C 40
    """,
    "documented: struck again before its own note-off, the next note-off ends it": """
        0.0  90 3C 64
        +0.1 80 3C 40
        0.1  90 40 64
        +0.2 80 40 40
        0.2  90 3C 50
        0.3  80 3C 40
        -0.4 80 40 40
    """,
    "a note-off of a note that never was passes": """
        0.0  80 3C 40
        0.1  90 40 64
        0.2  80 43 40
        0.3  80 40 40
    """,
    "All Notes Off clears the channel's memory": """
        0.0  90 3C 64
        0.1  B0 7B 00
        0.2  90 40 64
    """,
    "All Sound Off clears the channel's memory": """
        0.0  90 3C 64
        0.1  B0 78 00
        0.2  90 40 64
    """,
    "All Notes Off clears what was to be swallowed too": """
        0.0  90 3C 64
        +0.1 80 3C 40
        0.1  90 40 64
        0.2  B0 7B 00
        0.3  80 3C 40
        0.4  80 40 40
    """,
    "All Notes Off of another channel clears nothing": """
        0.0  90 3C 64
        0.1  B1 7B 00
        +0.2 80 3C 40
        0.2  90 40 64
    """,
    "other mode messages clear nothing": """
        0.0  90 3C 64
        0.1  B0 79 00
        0.1  B0 7A 7F
        +0.2 80 3C 40
        0.2  90 40 64
    """,
    "everything else passes": """
        0.0  90 3C 64
        0.1  B0 40 7F
        0.2  E0 00 50
        0.3  A0 3C 20
        0.4  F8
        +0.5 80 3C 40
        0.5  90 40 64
        0.6  B0 40 00
    """,
    "chords at one time are taken in order": """
        0.0  90 3C 64
        +0.0 80 3C 40
        0.0  90 40 64
        +0.0 80 40 40
        0.0  90 43 64
        -0.5 80 3C 40
        -0.5 80 40 40
        0.5  80 43 40
    """,
}


@pytest.mark.parametrize("table", ONE_VOICE.values(), ids=ONE_VOICE)
def test_one_voice_a_channel(tmp_path: Path, table: str) -> None:
    assert_plays(tmp_path, "- {plugin: note_limit, voices: 1}", table)


NONE = {
    "the new note is swallowed with its note-off": """
        0.0  90 3C 64
        -0.1 90 40 64
        -0.2 80 40 40
        0.3  80 3C 40
    """,
    "its note-off is swallowed also when the voice is free again": """
        0.0  90 3C 64
        -0.1 90 40 64
        0.2  80 3C 40
        -0.3 80 40 40
        0.4  90 40 64
        0.5  80 40 40
    """,
    "a note-off with velocity 0 is one": """
        0.0  90 3C 64
        -0.1 90 40 64
        -0.2 90 40 00
        0.3  90 3C 00
    """,
    "the same note again is the same voice": """
        0.0  90 3C 64
        0.1  90 3C 50
        -0.2 90 40 64
        0.3  80 3C 40
        0.4  80 3C 40
        -0.5 80 40 40
    """,
    "All Notes Off frees the voice": """
        0.0  90 3C 64
        -0.1 90 40 64
        0.2  B0 7B 00
        0.3  90 43 64
    """,
}


@pytest.mark.parametrize("table", NONE.values(), ids=NONE)
def test_none_leaves_the_new_note_out(tmp_path: Path, table: str) -> None:
    assert_plays(tmp_path, "- {plugin: note_limit, voices: 1, steal: none}", table)


def test_no_note_sounds_on_after_its_note_off_though_an_earlier_strike_was_left_out(
    tmp_path: Path,
) -> None:
    """Rule 1 of section 4: the input has let 40 go at 0.4, so it may not sound on."""
    table = """
        0.0  90 3C 64
        -0.1 90 40 64
        0.2  80 3C 40
        0.3  90 40 50
        0.4  80 40 40
    """
    assert_plays(tmp_path, "- {plugin: note_limit, voices: 1, steal: none}", table)


SCOPE = {
    "channel: each channel has its own voices": (
        "scope: channel",
        """
        0.0  90 3C 64
        0.1  91 40 64
        0.2  92 43 64
        +0.3 80 3C 40
        0.3  90 48 64
        """,
    ),
    "channel is the default": (
        "steal: oldest",
        """
        0.0  90 3C 64
        0.1  91 40 64
        """,
    ),
    "output: all channels share them, and the note-off goes to the victim's channel": (
        "scope: output",
        """
        0.0  90 3C 64
        +0.1 80 3C 40
        0.1  91 40 64
        +0.2 81 40 40
        0.2  95 43 64
        -0.3 80 3C 40
        -0.4 81 40 40
        0.5  85 43 40
        """,
    ),
    "output: the same note on two channels is two voices": (
        "scope: output",
        """
        0.0  90 3C 64
        +0.1 80 3C 40
        0.1  91 3C 64
        -0.2 80 3C 40
        0.3  81 3C 40
        """,
    ),
    "output: none leaves out what another channel has no voice for": (
        "scope: output, steal: none",
        """
        0.0  90 3C 64
        -0.1 91 3C 64
        -0.2 81 3C 40
        0.3  80 3C 40
        """,
    ),
    "output: All Notes Off frees the voices of its channel alone": (
        "scope: output",
        """
        0.0  90 3C 64
        0.1  B1 7B 00
        +0.2 80 3C 40
        0.2  91 40 64
        0.3  B1 7B 00
        0.4  90 43 64
        """,
    ),
}


@pytest.mark.parametrize(("options", "table"), SCOPE.values(), ids=SCOPE)
def test_scope_says_who_shares_the_voices(tmp_path: Path, options: str, table: str) -> None:
    assert_plays(tmp_path, f"- {{plugin: note_limit, voices: 1, {options}}}", table)


TIES = {
    "quietest": ("90 3C 40", "90 43 40", "80 3C 40"),
    "lowest": ("90 3C 40", "91 3C 40", "80 3C 40"),
    "highest": ("91 3C 40", "90 3C 40", "81 3C 40"),
}


@pytest.mark.parametrize(("steal", "case"), TIES.items(), ids=TIES)
def test_documented_among_equals_the_oldest_gives_way(
    tmp_path: Path, steal: str, case: tuple[str, str, str]
) -> None:
    first, second, off = case
    chain = f"- {{plugin: note_limit, voices: 2, scope: output, steal: {steal}}}"
    assert_plays(tmp_path, chain, f"0.0 {first}\n0.1 {second}\n+0.2 {off}\n0.2 92 40 64")


def test_documented_a_note_struck_again_is_the_newest(tmp_path: Path) -> None:
    table = """
        0.0  90 3C 64
        0.1  90 40 64
        0.2  90 3C 64
        +0.3 80 40 40
        0.3  90 43 64
    """
    assert_plays(tmp_path, "- {plugin: note_limit, voices: 2}", table)


def test_documented_a_note_struck_again_has_its_newest_velocity(tmp_path: Path) -> None:
    table = """
        0.0  90 3C 64
        0.1  90 40 50
        0.2  90 3C 10
        +0.3 80 3C 40
        +0.3 80 3C 40
        0.3  90 43 64
    """  # two strikes need two note-offs (MIDI 1.0, 4.2.1, p. A-4)
    assert_plays(tmp_path, "- {plugin: note_limit, voices: 2, steal: quietest}", table)


@pytest.mark.parametrize("voices", [1, 2, 4, 16])
@pytest.mark.parametrize("steal", [*VICTIMS, "none"])
def test_never_more_voices_than_allowed_and_nothing_left_sounding(
    tmp_path: Path, steal: str, voices: int
) -> None:
    """Thirty notes that overlap, counted here as a synth would."""
    log = sorted(
        [(n * 10, f"90 {30 + n * 7 % 30:02X} {1 + n * 37 % 127:02X}") for n in range(30)]
        + [(n * 10 + 155, f"80 {30 + n * 7 % 30:02X} 40") for n in range(30)]
    )
    text = "\n".join(f"{ms / 1000} {data}" for ms, data in log)
    chain = f"- {{plugin: note_limit, voices: {voices}, steal: {steal}}}"
    sounding: set[str] = set()
    most = 0
    for _, data in play_chain(tmp_path, chain, text):
        status, note, _ = data.split()
        if status == "90":
            assert note not in sounding
            sounding.add(note)
        else:
            sounding.remove(note)
        most = max(most, len(sounding))
    assert most == voices
    assert not sounding


def test_device_takes_the_voices_of_the_device_file(tmp_path: Path) -> None:
    table = """
        0.0  90 3C 64
        0.1  90 40 64
        +0.2 80 3C 40
        0.2  90 43 64
    """
    chain = "- {plugin: note_limit, voices: device}"
    assert_plays(tmp_path, chain, table, device="device: Buoy\nvoices: 2\n")


def test_channels_limits_it_to_those_channels(tmp_path: Path) -> None:
    table = """
        0.0  90 3C 64
        0.1  90 40 64
        0.2  91 3C 64
        +0.3 81 3C 40
        0.3  91 40 64
        0.4  80 3C 40
        -0.5 81 3C 40
    """
    assert_plays(tmp_path, "- {plugin: note_limit, voices: 1, channels: [2]}", table)


def test_bypass_leaves_everything_as_it_is(tmp_path: Path) -> None:
    table = "0.0 90 3C 64\n0.1 90 40 64\n0.2 80 3C 40\n0.3 80 40 40"
    assert_plays(tmp_path, "- {plugin: note_limit, voices: 1, bypass: true}", table)


def test_label_is_shown_for_the_entry(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    play_chain(tmp_path, "- {plugin: note_limit, voices: 1, label: one berth}", "0 90 3C 64")
    assert "one berth" in capsys.readouterr().out


def test_all_other_messages_pass_unchanged(tmp_path: Path) -> None:
    assert_plays(tmp_path, "- {plugin: note_limit, voices: 1}", ONE_OF_EACH)


def test_the_release_at_the_end_ends_what_sounds_and_no_victim(tmp_path: Path) -> None:
    table = """
        0.0  90 3C 64
        +0.1 80 3C 40
        0.1  90 40 64
        0.2  F8
        +0.2 80 40 40
    """
    assert_plays(tmp_path, "- {plugin: note_limit, voices: 1}", table, on_exit="release")


def test_after_the_release_at_stop_every_voice_is_free(tmp_path: Path) -> None:
    rig = """
        input: {port: "null:"}
        outputs:
          buoy:
            port: "null:"
            chain: [{plugin: note_limit, voices: 1}]
        safety: {on_exit: none, on_transport_stop: release}
    """
    heard = play(tmp_path, rig, "0 90 3C 64\n1 FC\n2 90 40 64")["buoy"]
    assert heard == events("0 90 3C 64\n1 80 3C 40\n1 FC\n2 90 40 64")


def test_a_victim_goes_through_the_rest_of_the_chain(tmp_path: Path) -> None:
    chain = "- {plugin: note_limit, voices: 1}\n- {plugin: channel_remap, map: {1: [5, 6]}}"
    table = """
        -0.0 90 3C 64
        +0.0 94 3C 64
        +0.0 95 3C 64
        +0.1 84 3C 40
        +0.1 85 3C 40
        -0.1 90 40 64
        +0.1 94 40 64
        +0.1 95 40 64
        -0.2 80 3C 40
        -0.3 80 40 40
        +0.3 84 40 40
        +0.3 85 40 40
    """
    assert_plays(tmp_path, chain, table)


ERRORS = {
    "no voices": (
        "- {plugin: note_limit}",
        "rig.yaml:7:9: outputs.tug.chain[1]: 'voices' is missing; add it",
    ),
    "voices too low": (
        "- {plugin: note_limit, voices: 0}",
        "rig.yaml:7:38: outputs.tug.chain[1].voices: '0' is out of range; write 1 to 2048, or "
        "device",
    ),
    "voices is no number": (
        "- {plugin: note_limit, voices: many}",
        "rig.yaml:7:38: outputs.tug.chain[1].voices: 'many' is not a whole number; write 1 to "
        "2048, or device",
    ),
    "device without a device file": (
        "- {plugin: note_limit, voices: device}",
        "rig.yaml:7:38: outputs.tug.chain[1].voices: "
        "'device' needs a device file with 'voices' in it; write a number instead",
    ),
    "a misspelt victim": (
        "- {plugin: note_limit, voices: 1, steal: oldst}",
        "rig.yaml:7:48: outputs.tug.chain[1].steal: 'oldst' is none of the choices; did you "
        "mean 'oldest'?",
    ),
    "a misspelt scope": (
        "- {plugin: note_limit, voices: 1, scope: chanel}",
        "rig.yaml:7:48: outputs.tug.chain[1].scope: 'chanel' is none of the choices; did you "
        "mean 'channel'?",
    ),
    "a misspelt option": (
        "- {plugin: note_limit, voices: 1, steel: oldest}",
        "rig.yaml:7:41: outputs.tug.chain[1].steel: unknown key; did you mean 'steal'?",
    ),
    "a misspelt plugin": (
        "- {plugin: note_limt, voices: 1}",
        "rig.yaml:7:18: outputs.tug.chain[1].plugin: unknown plugin 'note_limt'; "
        "did you mean 'note_limit'?",
    ),
}


@pytest.mark.parametrize(("chain", "line"), ERRORS.values(), ids=ERRORS)
def test_wrong_options_are_refused_where_they_stand(tmp_path: Path, chain: str, line: str) -> None:
    assert problems(tmp_path, chain) == [line]


@pytest.mark.parametrize("chain", [chain for chain, _ in ERRORS.values()], ids=ERRORS)
def test_every_error_line_says_what_would_be_right(tmp_path: Path, chain: str) -> None:
    assert says_what_is_right(problems(tmp_path, chain))


def test_device_without_voices_is_refused(tmp_path: Path) -> None:
    chain = "- {plugin: note_limit, voices: device}"
    assert problems(tmp_path, chain, device="device: Buoy\n") == [
        "rig.yaml:8:38: outputs.tug.chain[1].voices: "
        "'device' needs a device file with 'voices' in it; write a number instead"
    ]
