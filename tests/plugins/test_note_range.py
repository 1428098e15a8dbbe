"""note_range held to its page in docs/plugins: `low`, `high`, `outside: drop | fold` (drop); fold
moves by octaves into the range."""

from __future__ import annotations

from pathlib import Path

import pytest

from harness import ONE_OF_EACH, assert_plays, play, play_chain, problems, says_what_is_right

TABLES = {
    "both ends belong to the range, all else is dropped with its note-off": (
        "low: 48, high: 59",
        """
        0.00  90 30 64
        0.01  90 3B 64
        -0.02 90 2F 64
        -0.03 90 3C 64
        0.10  80 30 40
        0.11  90 3B 00
        -0.12 80 2F 40
        -0.13 90 3C 00
        """,
    ),
    "drop may be written, and notes may have names": (
        "low: C3, high: B3, outside: drop",
        """
        0.00  90 30 64
        -0.01 90 3C 64
        0.10  80 30 40
        -0.11 80 3C 40
        """,
    ),
    "only a low end": ("low: 60", "-0 90 3B 64\n0 90 7F 64\n-1 80 3B 40\n1 80 7F 40"),
    "only a high end": ("high: 60", "-0 90 3D 64\n0 90 00 64\n-1 80 3D 40\n1 80 00 40"),
    "fold brings a low note up and a high one down, by as few octaves as it takes": (
        "low: 48, high: 71, outside: fold",
        """
        -0.00 90 2F 64
        +0.00 90 3B 64      # 47 -> 59
        -0.01 90 48 64
        +0.01 90 3C 64      # 72 -> 60
        -0.02 90 00 64
        +0.02 90 30 64      # 0 -> 48
        -0.03 90 7F 64
        +0.03 90 43 64      # 127 -> 67
        0.04  90 47 64      # 71 is in the range
        -0.10 80 2F 40
        +0.10 80 3B 40
        -0.11 80 48 40
        +0.11 80 3C 40
        -0.12 90 00 00
        +0.12 90 30 00
        -0.13 90 7F 00
        +0.13 90 43 00
        0.14  80 47 40
        """,
    ),
    "fold into one octave": (
        "low: C4, high: B4, outside: fold",
        """
        -0.0 90 30 64
        +0.0 90 3C 64
        -0.1 90 53 64
        +0.1 90 47 64
        -0.5 80 30 40
        +0.5 80 3C 40
        -0.6 80 53 40
        +0.6 80 47 40
        """,
    ),
    "documented: in less than an octave, what has no place is dropped": (
        "low: C4, high: E4, outside: fold",
        """
        -0.0 90 48 64
        +0.0 90 3C 64       # C5 -> C4
        -0.1 90 4D 64       # F5 has no place
        -0.2 90 3B 64       # nor has B3
        -0.5 80 48 40
        +0.5 80 3C 40
        -0.6 80 4D 40
        -0.7 80 3B 40
        """,
    ),
    "a range of one note": (
        "low: 60, high: 60, outside: fold",
        """
        -0.0 90 24 64
        +0.0 90 3C 64
        -0.1 90 25 64
        -0.5 80 24 40
        +0.5 80 3C 40
        -0.6 80 25 40
        """,
    ),
    "documented: two keys that are folded to one have two note-offs": (
        "low: 60, high: 71, outside: fold",
        """
        0.0  90 3C 64
        -0.1 90 48 50
        +0.1 90 3C 50
        0.5  80 3C 40
        -0.6 80 48 40
        +0.6 80 3C 40
        """,
    ),
    "documented: key pressure goes with its note": (
        "low: 60, high: 71, outside: fold",
        """
        -0.0 A0 48 30
        +0.0 A0 3C 30
        0.1  A0 3D 30
        """,
    ),
    "key pressure of a dropped note is dropped": ("low: 60", "-0 A0 3B 30\n1 A0 3C 30"),
    "nothing else is dropped or folded": (
        "low: 60, high: 71, outside: fold",
        """
        0.000  B0 01 64
        0.001  C0 01
        0.002  D0 01
        0.003  E0 01 40
        0.004  B0 7B 00
        0.005  F0 7D 01 F7
        0.006  FA
        0.007  F2 01 00
        """,
    ),
    "channels: the others stay as they are": (
        "low: 60, channels: [2]",
        """
        0.0  90 30 64
        -0.1 91 30 64
        0.5  80 30 40
        -0.6 81 30 40
        """,
    ),
    "the whole keyboard": ("low: 0, high: 127, outside: fold", ONE_OF_EACH),
    "no range at all": ("outside: fold", ONE_OF_EACH),
    "bypass": ("low: 126, bypass: true", ONE_OF_EACH),
}


@pytest.mark.parametrize(("options", "table"), TABLES.values(), ids=TABLES)
def test_notes_keep_to_the_range(tmp_path: Path, options: str, table: str) -> None:
    assert_plays(tmp_path, f"- {{plugin: note_range, {options}}}", table)


def nearest(note: int, low: int, high: int) -> int | None:
    """The nearest note in the range that is whole octaves away: tried out, not computed."""
    same = [other for other in range(low, high + 1) if (other - note) % 12 == 0]
    return min(same, key=lambda other: abs(other - note), default=None)


@pytest.mark.parametrize(
    ("low", "high"), [(0, 127), (36, 84), (60, 71), (61, 72), (60, 70), (0, 5), (120, 127)]
)
def test_every_note_folds_to_the_nearest_octave_in_the_range(
    tmp_path: Path, low: int, high: int
) -> None:
    lines = [f"{n / 100:.2f} {kind} {n:02X} 40" for n in range(128) for kind in ("90", "80")]
    expected = [
        (f"{n / 100:.6f}", f"{kind} {place:02X} 40")
        for n in range(128)
        if (place := nearest(n, low, high)) is not None
        for kind in ("90", "80")
    ]
    chain = f"- {{plugin: note_range, low: {low}, high: {high}, outside: fold}}"
    assert play_chain(tmp_path, chain, "\n".join(lines)) == expected


def test_middle_c_of_the_rig_says_which_note_a_name_is(tmp_path: Path) -> None:
    rig = """
        middle_c: C3
        input: {port: "null:"}
        safety: {on_exit: none}
        outputs:
          tug: {port: "null:", chain: [{plugin: note_range, low: C3}]}
    """
    heard = play(tmp_path, rig, "0 90 3C 64\n0 90 3B 64\n1 80 3B 40\n1 80 3C 40")
    assert heard["tug"] == [("0.000000", "90 3C 64"), ("1.000000", "80 3C 40")]


def test_the_release_ends_folded_notes(tmp_path: Path) -> None:
    chain = "- {plugin: note_range, low: 60, high: 71, outside: fold}"
    table = "-0 90 48 64\n+0 90 3C 64\n+0 80 3C 40"
    assert_plays(tmp_path, chain, table, on_exit="release")


ERRORS = {
    "upside down": (
        "- {plugin: note_range, low: C5, high: C4}",
        "rig.yaml:7:35: outputs.tug.chain[1].low: "
        "note 72 is above 'high', which is 60; swap the two",
    ),
    "above the default high": (
        "- {plugin: note_range, low: 128}",
        "rig.yaml:7:35: outputs.tug.chain[1].low: '128' is note 128; write one from 0 to 127",
    ),
    "no note": (
        "- {plugin: note_range, high: H4}",
        "rig.yaml:7:36: outputs.tug.chain[1].high: "
        "'H4' is no note; write 0 to 127, or a name such as C4 or F#3",
    ),
    "another word": (
        "- {plugin: note_range, low: 60, outside: flod}",
        "rig.yaml:7:48: outputs.tug.chain[1].outside: "
        "'flod' is none of the choices; did you mean 'fold'?",
    ),
    "misspelt": (
        "- {plugin: note_range, lo: 60}",
        "rig.yaml:7:30: outputs.tug.chain[1].lo: unknown key; did you mean 'low'?",
    ),
}


@pytest.mark.parametrize(("chain", "line"), ERRORS.values(), ids=ERRORS)
def test_wrong_options_are_refused_where_they_stand(tmp_path: Path, chain: str, line: str) -> None:
    found = problems(tmp_path, chain)
    assert found == [line]
    assert says_what_is_right(found)
