"""transpose held to its page in docs/plugins: `semitones`; notes that leave 0-127 are dropped,
with their note-offs."""

from __future__ import annotations

from pathlib import Path

import pytest

from harness import ONE_OF_EACH, assert_plays, play, play_chain, problems, says_what_is_right

TABLES = {
    "an octave up": (
        "semitones: 12",
        """
        -0.000 90 3C 64
        +0.000 90 48 64
        -0.500 80 3C 21
        +0.500 80 48 21
        """,
    ),
    "down, and a note-on with velocity 0 stays one": (
        "semitones: -7",
        """
        -0.000 90 3C 64
        +0.000 90 35 64
        -0.500 90 3C 00
        +0.500 90 35 00
        """,
    ),
    "every channel": (
        "semitones: 1",
        """
        -0.000 90 3C 64
        +0.000 90 3D 64
        -0.100 9F 3C 64
        +0.100 9F 3D 64
        -0.500 80 3C 40
        +0.500 80 3D 40
        -0.600 8F 3C 40
        +0.600 8F 3D 40
        """,
    ),
    "the highest note that has a place": (
        "semitones: 12",
        """
        -0.000 90 73 64
        +0.000 90 7F 64
        -0.500 80 73 40
        +0.500 80 7F 40
        """,
    ),
    "one too high is dropped, with its note-off": (
        "semitones: 12",
        """
        -0.000 90 74 64
        -0.500 80 74 40
        -0.600 90 7F 64
        -0.700 90 7F 00
        """,
    ),
    "the lowest note that has a place, and one too low": (
        "semitones: -12",
        """
        -0.000 90 0C 64
        +0.000 90 00 64
        -0.100 90 0B 64
        -0.500 80 0B 40
        -0.600 80 0C 40
        +0.600 80 00 40
        """,
    ),
    "the note-off of a dropped note ends no note that did pass": (
        "semitones: 12",
        """
        -0.000 90 6C 64
        +0.000 90 78 64
        -0.100 90 78 64     # would be 132
        -0.200 80 78 40
        -0.500 80 6C 40
        +0.500 80 78 40
        """,
    ),
    "documented: key pressure goes with its note": (
        "semitones: 12",
        """
        -0.000 90 3C 64
        +0.000 90 48 64
        -0.100 A0 3C 30
        +0.100 A0 48 30
        -0.200 A0 74 30
        -0.500 80 3C 40
        +0.500 80 48 40
        """,
    ),
    "a key struck twice has two note-offs": (
        "semitones: 2",
        """
        -0.000 90 3C 64
        +0.000 90 3E 64
        -0.100 90 3C 65
        +0.100 90 3E 65
        -0.200 80 3C 40
        +0.200 80 3E 40
        -0.300 80 3C 40
        +0.300 80 3E 40
        """,
    ),
    "All Notes Off passes, and the note-off still ends its note": (
        "semitones: 2",
        """
        -0.000 90 3C 64
        +0.000 90 3E 64
        0.100  B0 7B 00
        -0.200 80 3C 40
        +0.200 80 3E 40
        """,
    ),
    "nothing else changes": (
        "semitones: 2",
        """
        0.000  B0 3C 64
        0.001  C0 3C
        0.002  D0 3C
        0.003  E0 3C 40
        0.004  B0 78 00
        0.005  F0 7D 3C F7
        0.006  FA
        0.007  F8
        0.008  F2 3C 00
        """,
    ),
    "channels: the others stay as they are": (
        "semitones: 2, channels: [1]",
        """
        -0.000 90 3C 64
        +0.000 90 3E 64
        0.100  91 3C 64
        0.400  81 3C 40
        -0.500 80 3C 40
        +0.500 80 3E 40
        """,
    ),
    "0 changes nothing": ("semitones: 0", ONE_OF_EACH),
    "bypass": ("semitones: 5, bypass: true", ONE_OF_EACH),
    "a plus sign may be written": (
        "semitones: +1",
        """
        -0 90 3C 64
        +0 90 3D 64
        -1 80 3C 40
        +1 80 3D 40
        """,
    ),
}


@pytest.mark.parametrize(("options", "table"), TABLES.values(), ids=TABLES)
def test_notes_move(tmp_path: Path, options: str, table: str) -> None:
    assert_plays(tmp_path, f"- {{plugin: transpose, {options}}}", table)


@pytest.mark.parametrize("semitones", [-127, -60, -1, 1, 24, 127])
def test_every_note_moves_as_far_or_is_dropped(tmp_path: Path, semitones: int) -> None:
    lines = [f"{n / 100:.2f} {kind} {n:02X} 40" for n in range(128) for kind in ("90", "80")]
    expected = [
        (f"{n / 100:.6f}", f"{kind} {n + semitones:02X} 40")
        for n in range(128)
        for kind in ("90", "80")
        if 0 <= n + semitones < 128
    ]
    chain = f"- {{plugin: transpose, semitones: {semitones}}}"
    assert play_chain(tmp_path, chain, "\n".join(lines)) == expected


def test_in_the_chain_of_the_input_it_moves_notes_for_every_output(tmp_path: Path) -> None:
    rig = """
        input:
          port: "null:"
          chain: [{plugin: transpose, semitones: 12}]
        safety: {on_exit: none}
        outputs:
          tug: {port: "null:"}
          gull: {port: "null:", chain: [{plugin: transpose, semitones: -24}]}
    """
    heard = play(tmp_path, rig, "0 90 3C 64\n1 80 3C 40")
    assert heard == {
        "tug": [("0.000000", "90 48 64"), ("1.000000", "80 48 40")],
        "gull": [("0.000000", "90 30 64"), ("1.000000", "80 30 40")],
    }


def test_the_release_ends_the_notes_that_were_sent(tmp_path: Path) -> None:
    table = """
        -0 90 3C 64
        +0 90 48 64
        -0 90 7C 64
        +0 80 48 40
    """
    chain = "- {plugin: transpose, semitones: 12}"
    assert_plays(tmp_path, chain, table, on_exit="release")


ERRORS = {
    "missing": (
        "- {plugin: transpose}",
        "rig.yaml:7:9: outputs.tug.chain[1]: 'semitones' is missing; add it",
    ),
    "too far": (
        "- {plugin: transpose, semitones: 128}",
        "rig.yaml:7:40: outputs.tug.chain[1].semitones: '128' is out of range; write -127 to 127",
    ),
    "half a semitone": (
        "- {plugin: transpose, semitones: 0.5}",
        "rig.yaml:7:40: outputs.tug.chain[1].semitones: "
        "'0.5' is not a whole number; write -127 to 127",
    ),
    "nothing": (
        "- {plugin: transpose, semitones: }",
        "rig.yaml:7:29: outputs.tug.chain[1].semitones: nothing is written here; write -127 to 127",
    ),
    "misspelt": (
        "- {plugin: transpose, semitones: 1, semitone: 2}",
        "rig.yaml:7:43: outputs.tug.chain[1].semitone: unknown key; did you mean 'semitones'?",
    ),
}


@pytest.mark.parametrize(("chain", "line"), ERRORS.values(), ids=ERRORS)
def test_wrong_options_are_refused_where_they_stand(tmp_path: Path, chain: str, line: str) -> None:
    found = problems(tmp_path, chain)
    assert found == [line]
    assert says_what_is_right(found)
