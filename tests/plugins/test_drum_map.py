"""drum_map held to its page in docs/plugins: a note becomes a prepared sound and leaves no trace.

Note 36 (24) is the buoy: note 60 (3C) on channel 5 at velocity 127, control 74 (4A) at 20 (14).
What is marked "documented" is a choice of ours; docs/plugins/drum_map.md says it.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from harness import (
    ONE_OF_EACH,
    assert_plays,
    clocks,
    events,
    merge,
    play,
    play_chain,
    problems,
    says_what_is_right,
)

BUOY = "36: {note: 60, channel: 5, velocity: 127, controls: {74: 20}}"
GULL = "38: {note: 72, channel: 5, controls: {74: 100, 71: 5}}"


def drums(options: str = "", notes: str = f"{{{BUOY}, {GULL}}}") -> str:
    return f"- {{plugin: drum_map, notes: {notes}{', ' if options else ''}{options}}}"


SOUNDS = {
    "controls, then the note; nothing is known to go back to": (
        "{36: {note: 60, channel: 5, velocity: 127, controls: {74: 20, 71: 5, 72: 6}}}",
        """
        -0.0  99 24 40
        +0.0  B4 4A 14
        +0.0  B4 47 05
        +0.0  B4 48 06
        +0.0  94 3C 7F
        -0.1  89 24 40
        +0.1  84 3C 40
        """,
    ),
    "only a note": (
        "{36: {note: 60}}",
        "-0 99 24 40\n+0 99 3C 40\n-1 89 24 11\n+1 89 3C 11",
    ),
    "only a channel": (
        "{36: {channel: 5}}",
        "-0 99 24 40\n+0 94 24 40\n-1 99 24 00\n+1 94 24 00",
    ),
    "only a velocity": ("{36: {velocity: 1}}", "-0 99 24 40\n+0 99 24 01\n1 89 24 40"),
    "only controls": (
        "{36: {controls: {brightness: 20}}}",
        "+0 B9 4A 14\n0 99 24 40\n1 89 24 40",
    ),
    "nothing at all": ("{36: {}}", "0 99 24 40\n1 89 24 40"),
    "notes by name": ("{C2: {note: C4}}", "-0 99 24 40\n+0 99 3C 40\n-1 89 24 40\n+1 89 3C 40"),
    "key pressure goes along": (
        "{36: {note: 60, channel: 5}}",
        """
        0   A9 24 10     # nothing is held
        -1  99 24 40
        +1  94 3C 40
        -2  A9 24 10
        +2  A4 3C 10
        3   A9 25 10
        -4  89 24 40
        +4  84 3C 40
        5   A9 24 10
        """,
    ),
    "a note-off that has no note-on passes (documented)": ("{36: {note: 60}}", "0 89 24 40"),
    "a key struck again while it is held": (
        "{36: {note: 60, channel: 5}}",
        """
        -0 99 24 40
        +0 94 3C 40
        -1 99 24 41
        +1 94 3C 41
        -2 89 24 40
        +2 84 3C 40
        -3 89 24 41
        +3 84 3C 41
        """,
    ),
    "each input channel holds its own": (
        "{36: {note: 60}}",
        """
        -0 99 24 40
        +0 99 3C 40
        -1 98 24 41
        +1 98 3C 41
        -2 89 24 40
        +2 89 3C 40
        -3 88 24 40
        +3 88 3C 40
        """,
    ),
}


@pytest.mark.parametrize("case", SOUNDS)
def test_what_a_note_becomes(tmp_path: Path, case: str) -> None:
    notes, table = SOUNDS[case]
    assert_plays(tmp_path, drums(notes=notes), table)


def test_other_notes_and_messages_pass(tmp_path: Path) -> None:
    assert_plays(tmp_path, drums(), ONE_OF_EACH)
    assert_plays(tmp_path, drums(notes="{}"), ONE_OF_EACH)


# ---- the return --------------------------------------------------------------------------------

RETURNS = {
    # rule 4: what a plugin sends because of a message comes before that message
    "at the note-off, before it, to the last value that passed": """
        0.0   B4 4A 30
        0.1   B4 4A 40
        0.2   B3 4A 7F     # another channel
        -1.0  99 24 40
        +1.0  B4 4A 14
        +1.0  94 3C 7F
        -1.5  89 24 40
        +1.5  B4 4A 40
        +1.5  84 3C 40
    """,
    "nothing is sent where nothing is known": """
        -1.0  99 24 40
        +1.0  B4 4A 14
        +1.0  94 3C 7F
        -1.5  89 24 40
        +1.5  84 3C 40
    """,
    "nothing is sent where the drum changed nothing": """
        0.0   B4 4A 14
        -1.0  99 24 40
        +1.0  B4 4A 14
        +1.0  94 3C 7F
        -1.5  89 24 40
        +1.5  84 3C 40
    """,
    "each control of several": """
        0.0   B4 4A 40
        0.0   B4 47 41
        -1.0  99 26 40
        +1.0  B4 4A 64
        +1.0  B4 47 05
        +1.0  94 48 40
        -1.5  89 26 40
        +1.5  B4 4A 40
        +1.5  B4 47 41
        +1.5  84 48 40
    """,
    "a value that passes during the hit is the player's, and stays": """
        0.0   B4 4A 40
        -1.0  99 24 40
        +1.0  B4 4A 14
        +1.0  94 3C 7F
        1.2   B4 4A 50
        -1.5  89 24 40
        +1.5  84 3C 40
        -2.0  99 24 40
        +2.0  B4 4A 14
        +2.0  94 3C 7F
        -2.5  89 24 40
        +2.5  B4 4A 50
        +2.5  84 3C 40
    """,
    "overlapping hits of two drums: what was before the first comes back, at the last": """
        0.0   B4 4A 40
        -1.0  99 24 40
        +1.0  B4 4A 14
        +1.0  94 3C 7F
        -1.2  99 26 40
        +1.2  B4 4A 64
        +1.2  B4 47 05
        +1.2  94 48 40
        -1.5  89 24 40
        +1.5  84 3C 40
        -1.7  89 26 40
        +1.7  B4 4A 40
        +1.7  84 48 40
    """,
    "the first drum outlasts the second": """
        0.0   B4 4A 40
        -1.0  99 24 40
        +1.0  B4 4A 14
        +1.0  94 3C 7F
        -1.2  99 26 40
        +1.2  B4 4A 64
        +1.2  B4 47 05
        +1.2  94 48 40
        -1.5  89 26 40
        +1.5  84 48 40
        -1.7  89 24 40
        +1.7  B4 4A 40
        +1.7  84 3C 40
    """,
    "overlapping hits of one drum": """
        0.0   B4 4A 40
        -1.0  99 24 40
        +1.0  B4 4A 14
        +1.0  94 3C 7F
        -1.2  99 24 41
        +1.2  B4 4A 14
        +1.2  94 3C 7F
        -1.5  89 24 40
        +1.5  84 3C 40
        -1.7  89 24 40
        +1.7  B4 4A 40
        +1.7  84 3C 40
    """,
    "one after the other at one time: the last note-off may come after the next note-on": """
        0.0   B4 4A 40
        -1.0  99 24 40
        +1.0  B4 4A 14
        +1.0  94 3C 7F
        -1.5  99 26 40
        +1.5  B4 4A 64
        +1.5  B4 47 05
        +1.5  94 48 40
        -1.5  89 24 40
        +1.5  84 3C 40
        -2.0  89 26 40
        +2.0  B4 4A 40
        +2.0  84 48 40
    """,
    "All Notes Off on another channel changes nothing": """
        0.0   B4 4A 40
        -1.0  99 24 40
        +1.0  B4 4A 14
        +1.0  94 3C 7F
        1.5   B8 7B 00
        -2.0  89 24 40
        +2.0  B4 4A 40
        +2.0  84 3C 40
    """,
}


@pytest.mark.parametrize("case", RETURNS)
def test_what_comes_back_at_the_note_off(tmp_path: Path, case: str) -> None:
    assert_plays(tmp_path, drums("return: note_off"), RETURNS[case])


def test_note_off_is_the_default(tmp_path: Path) -> None:
    case = "at the note-off, before it, to the last value that passed"
    assert_plays(tmp_path, drums(), RETURNS[case])


@pytest.mark.parametrize("mode", ["78", "7B"])
def test_all_notes_off_ends_what_the_notes_of_its_channel_became(tmp_path: Path, mode: str) -> None:
    """The message reaches the drum's own channel nowhere else: so it gets a note-off."""
    log = f"0 B4 4A 40\n1 99 24 40\n1.5 B9 {mode} 00"
    assert play_chain(tmp_path, drums(), log) == events(f"""
        0    B4 4A 40
        1    B4 4A 14
        1    94 3C 7F
        1.5  B4 4A 40
        1.5  84 3C 40
        1.5  B9 {mode} 00
    """)


def test_never_leaves_the_controls_where_the_drum_put_them(tmp_path: Path) -> None:
    assert_plays(
        tmp_path,
        drums("return: never"),
        """
        0.0   B4 4A 40
        -1.0  99 24 40
        +1.0  B4 4A 14
        +1.0  94 3C 7F
        -1.5  89 24 40
        +1.5  84 3C 40
        -2.0  99 26 40
        +2.0  B4 4A 64
        +2.0  B4 47 05
        +2.0  94 48 40
        -2.5  89 26 40
        +2.5  84 48 40
        """,
    )


DURATIONS = {
    "so long after the note-on, whatever the note-off does": """
        0.0   B4 4A 40
        -1.0  99 24 40
        +1.0  B4 4A 14
        +1.0  94 3C 7F
        -1.05 89 24 40
        +1.05 84 3C 40
        +1.2  B4 4A 40
    """,
    "while the note is still held": """
        0.0   B4 4A 40
        -1.0  99 24 40
        +1.0  B4 4A 14
        +1.0  94 3C 7F
        +1.2  B4 4A 40
        -1.5  89 24 40
        +1.5  84 3C 40
    """,
    "a hit that starts before the return of the last one keeps the control": """
        0.0   B4 4A 40
        -1.0  99 24 40
        +1.0  B4 4A 14
        +1.0  94 3C 7F
        -1.05 89 24 40
        +1.05 84 3C 40
        -1.15 99 24 40
        +1.15 B4 4A 14
        +1.15 94 3C 7F
        -1.16 89 24 40
        +1.16 84 3C 40
        +1.35 B4 4A 40
    """,
    "a hit just at the return of the last one": """
        0.0   B4 4A 40
        -1.0  99 24 40
        +1.0  B4 4A 14
        +1.0  94 3C 7F
        -1.1  89 24 40
        +1.1  84 3C 40
        +1.2  B4 4A 40
        -1.2  99 26 40
        +1.2  B4 4A 64
        +1.2  B4 47 05
        +1.2  94 48 40
        -1.3  89 26 40
        +1.3  84 48 40
        +1.4  B4 4A 40
    """,
}


@pytest.mark.parametrize("case", DURATIONS)
def test_what_comes_back_after_a_duration(tmp_path: Path, case: str) -> None:
    assert_plays(tmp_path, drums("return: 200ms"), DURATIONS[case])


def test_a_note_value_is_counted_in_clocks_and_by_the_last_tempo_when_they_end(
    tmp_path: Path,
) -> None:
    log = merge(clocks(0, 10, 60), "0 B4 4A 40\n0.1 99 24 40\n0.15 89 24 40\n0.5 99 24 40\n2 F6")
    heard = [line for line in play_chain(tmp_path, drums("return: 1/8"), log) if line[1] != "F8"]
    assert heard == events("""
        0    B4 4A 40
        0.1  B4 4A 14
        0.1  94 3C 7F
        0.15 84 3C 40
        0.22 B4 4A 40
        0.5  B4 4A 14
        0.5  94 3C 7F
        0.63 B4 4A 40    # the clock dies at 0.59, 4 clocks later it is known
        2    F6
    """)


# ---- homes, release, other ways of reaching a control ------------------------------------------

DEVICE = """
device: Capstan
channel: 5
controls:
  reel: {cc: 74, home: 30}
  hawser: {cc: 1, fine: 33, home: 8192}
  pawl: {nrpn: [1, 8], home: 64}
  drum: {sysex: "F0 7D 10 {value} F7", home: 64}
"""


def test_where_nothing_passed_the_home_of_the_device_comes_back(tmp_path: Path) -> None:
    chain = drums(notes="{36: {channel: 5, controls: {reel: 20}}}")
    log = "0 99 24 40\n1 89 24 40\n2 B4 4A 55\n3 99 24 40\n4 89 24 40"
    assert play_chain(tmp_path, chain, log, device=DEVICE) == events("""
        0 B4 4A 14
        0 94 24 40
        1 B4 4A 1E
        1 84 24 40
        2 B4 4A 55
        3 B4 4A 14
        3 94 24 40
        4 B4 4A 55
        4 84 24 40
    """)


def test_one_control_under_two_names_is_one_control(tmp_path: Path) -> None:
    chain = drums(
        notes="{36: {channel: 5, controls: {reel: 20}}, 38: {channel: 5, controls: {74: 100}}}"
    )
    log = "0 99 24 40\n1 99 26 40\n2 89 24 40\n3 89 26 40"
    assert play_chain(tmp_path, chain, log, device=DEVICE) == events("""
        0 B4 4A 14
        0 94 24 40
        1 B4 4A 64
        1 94 26 40
        2 84 24 40
        3 B4 4A 1E
        3 84 26 40
    """)


def test_controls_that_are_reached_otherwise(tmp_path: Path) -> None:
    chain = drums(notes="{36: {channel: 5, controls: {hawser: 16383, pawl: 3, drum: 4}}}")
    log = "0 B4 65 00\n0 B4 64 02\n1 99 24 40\n2 89 24 40\n3 B4 06 01"
    assert [data for _, data in play_chain(tmp_path, chain, log, device=DEVICE)] == [
        "B4 65 00", "B4 64 02",
        "B4 01 7F", "B4 21 7F",
        "B4 63 01", "B4 62 08", "B4 06 03", "B4 65 00", "B4 64 02",
        "F0 7D 10 04 F7",
        "94 24 40",
        "B4 01 40", "B4 21 00",
        "B4 63 01", "B4 62 08", "B4 06 40", "B4 65 00", "B4 64 02",
        "F0 7D 10 40 F7",
        "84 24 40",
        "B4 06 01",
    ]  # fmt: skip


def test_values_of_such_controls_that_pass_come_back(tmp_path: Path) -> None:
    chain = drums(notes="{36: {channel: 5, controls: {hawser: 16383, pawl: 3, drum: 4}}}")
    log = """
        0 B4 01 11
        0 B4 21 12
        0 B4 63 01
        0 B4 62 08
        0 B4 06 13
        0 F0 7D 10 14 F7
        1 99 24 40
        2 89 24 40
    """
    heard = [data for t, data in play_chain(tmp_path, chain, log, device=DEVICE) if t >= "2"]
    assert heard == [
        "B4 01 11", "B4 21 12", "B4 63 01", "B4 62 08", "B4 06 13", "F0 7D 10 14 F7", "84 24 40",
    ]  # fmt: skip


@pytest.mark.parametrize("return_", ["note_off", "never", "10s"])
def test_a_release_puts_every_control_back(tmp_path: Path, return_: str) -> None:
    rig = f"""
        input: {{port: "null:"}}
        safety: {{on_transport_stop: release, on_exit: none}}
        outputs:
          tug:
            port: "null:"
            chain:
              {drums(f"return: {return_}")}
    """
    log = "0 B4 4A 40\n1 99 24 40\n2 FC\n3 89 24 40\n20 F6"
    assert play(tmp_path, rig, log)["tug"] == events("""
        0  B4 4A 40
        1  B4 4A 14
        1  94 3C 7F
        2  84 3C 40      # the engine ends what sounds
        2  B4 4A 40
        2  FC
        20 F6
    """)


def test_a_hit_after_a_release_is_not_cut_short_by_a_wait_of_before(tmp_path: Path) -> None:
    rig = f"""
        input: {{port: "null:"}}
        safety: {{on_transport_stop: release, on_exit: none}}
        outputs:
          tug:
            port: "null:"
            chain:
              {drums("return: 1s")}
    """
    log = "0 B4 4A 40\n1 99 24 40\n1.1 89 24 40\n1.5 FC\n1.6 99 24 40\n1.7 89 24 40"
    heard = [line for line in play(tmp_path, rig, log)["tug"] if line[1].startswith("B4")]
    assert heard == events("""
        0   B4 4A 40
        1   B4 4A 14
        1.5 B4 4A 40
        1.6 B4 4A 14
        2.6 B4 4A 40
    """)


# ---- wrong options -----------------------------------------------------------------------------

WRONG = {
    "notes: {H2: {note: 60}}": "36: {}.notes.H2: 'H2' is no note; "
    "write 0 to 127, or a name such as C4 or F#3",
    "notes: {36: {note: 128}}": "47: {}.notes.36.note: '128' is note 128; write one from 0 to 127",
    "notes: {36: {velocity: 0}}": "51: {}.notes.36.velocity: '0' is out of range; write 1 to 127",
    "notes: {36: {control: {74: 1}}}": "41: {}.notes.36.control: unknown key; "
    "did you mean 'controls'?",
    "notes: {36: {controls: {hawser: 128, pawl: 200}}}": "51: {}.notes.36.controls: "
    "'200' is too high for 'pawl'; write 0 to 127",
    "notes: {36: {controls: {74: 1, reel: 2}}}": "51: {}.notes.36.controls: "
    "one control stands here twice, under two names; keep one of them",
    "notes: {36: {controls: {1: 1, hawser: 2}}}": "51: {}.notes.36.controls: "
    "one control stands here twice, under two names; keep one of them",
    "notes: {36: {}, C2: {}}": "44: {}.notes.C2: 'C2' is the same as '36'; keep one of them",
    "notes: {36: 60}": "40: {}.notes.36: '60' is no mapping; "
    "write keys and values, for example {{1: 5}}",
    "notes: {36: {}}, return: soon": "53: {}.return: 'soon' is none of the choices; "
    "write note_off, never or a duration such as 120ms",
    "return: never": "9: {}: 'notes' is missing; add it",
}


@pytest.mark.parametrize("options", WRONG)
def test_wrong_options_are_refused(tmp_path: Path, options: str) -> None:
    found = problems(tmp_path, f"- {{plugin: drum_map, {options}}}", device=DEVICE)
    assert says_what_is_right(found)
    assert found == [f"rig.yaml:8:{WRONG[options].format('outputs.tug.chain[1]')}"]
