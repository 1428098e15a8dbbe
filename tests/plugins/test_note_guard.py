"""note_guard held to its page in docs/plugins: `longest: 20s`, `repeat: retrigger | pass`,
`stray_off: pass | drop` (pass); and to the rules of the engine about notes."""

from __future__ import annotations

from pathlib import Path

import pytest

from harness import (
    ONE_OF_EACH,
    assert_plays,
    clocks,
    merge,
    play_chain,
    problems,
    rig_text,
    says_what_is_right,
)
from pointsman import Engine, load_rig

TABLES = {
    "by default a note sounds for 20 seconds at most": (
        "channels: [1, 2]",
        """
        0.000  90 3C 64
        +20.000 80 3C 40
        """,
    ),
    "exactly so long after the note-on": (
        "longest: 250ms",
        """
        0.000001  93 3C 64
        +0.250001 83 3C 40
        """,
    ),
    "a note-off that comes in time ends it, and nothing follows": (
        "longest: 250ms",
        """
        0.000  90 3C 64
        0.249  80 3C 21
        1.000  90 3E 64
        1.100  90 3E 00
        """,
    ),
    "what was due earlier goes first: the guard's note-off, then what comes at that time": (
        "longest: 250ms",
        """
        0.000  90 3C 64
        +0.250 80 3C 40
        0.250  80 3C 40
        """,
    ),
    "every note has its own time": (
        "longest: 1s",
        """
        0.000  90 3C 64
        0.500  90 40 64
        0.600  91 3C 64
        +1.000 80 3C 40
        1.200  91 40 64
        +1.500 80 40 40
        +1.600 81 3C 40
        +2.200 81 40 40
        """,
    ),
    "documented: 0s is no limit": (
        "longest: 0s",
        """
        0.000   90 3C 64
        100.000 80 3C 40
        """,
    ),
    "the late note-off of a note that was ended passes": (
        "longest: 1s",
        """
        0.000  90 3C 64
        +1.000 80 3C 40
        2.000  80 3C 40
        """,
    ),
    "and is a stray, so that it may be dropped": (
        "longest: 1s, stray_off: drop",
        """
        0.000  90 3C 64
        +1.000 80 3C 40
        -2.000 80 3C 40
        3.000  90 3C 64
        3.500  80 3C 40
        """,
    ),
    "retrigger: a note-on for a sounding note gets a note-off first": (
        "repeat: retrigger",
        """
        0.000  90 3C 64
        +1.000 80 3C 40
        1.000  90 3C 65
        2.000  80 3C 40
        """,
    ),
    "retrigger is the default": (
        "longest: 10s",
        """
        0.000  90 3C 64
        +1.000 80 3C 40
        1.000  90 3C 65
        2.000  80 3C 40
        """,
    ),
    "retrigger: other keys and other channels are other notes": (
        "repeat: retrigger",
        """
        0.000  90 3C 64
        0.100  91 3C 64
        0.200  90 3D 64
        0.300  80 3C 40
        0.400  81 3C 40
        0.500  80 3D 40
        """,
    ),
    "retrigger: a note that was let go is not ended again": (
        "repeat: retrigger",
        """
        0.000  90 3C 64
        0.500  80 3C 40
        1.000  90 3C 64
        1.500  90 3C 00
        2.000  90 3C 64
        2.500  80 3C 40
        """,
    ),
    "retrigger: the time counts from the newest note-on": (
        "longest: 1s",
        """
        0.000  90 3C 64
        +0.600 80 3C 40
        0.600  90 3C 64
        +1.600 80 3C 40
        """,
    ),
    "retrigger: the next note-off ends the note, the one after it is a stray": (
        "stray_off: drop",
        """
        0.000  90 3C 64
        +0.500 80 3C 40
        0.500  90 3C 64
        0.600  80 3C 40
        -1.000 80 3C 40
        """,
    ),
    "pass: a note-on for a sounding note passes alone, and two note-offs end it": (
        "repeat: pass, stray_off: drop",
        """
        0.000  90 3C 64
        0.500  90 3C 65
        1.000  80 3C 40
        1.500  80 3C 40
        -1.600 80 3C 40
        """,
    ),
    "pass: every note-on has its own time": (
        "repeat: pass, longest: 1s",
        """
        0.000  90 3C 64
        0.600  90 3C 65
        +1.000 80 3C 40
        +1.600 80 3C 40
        """,
    ),
    "pass: a note-off ends the oldest, the newest keeps its time": (
        "repeat: pass, longest: 1s",
        """
        0.000  90 3C 64
        0.600  90 3C 65
        0.700  80 3C 40
        +1.600 80 3C 40
        """,
    ),
    "stray note-offs pass": ("longest: 1s", "0 80 3C 40\n1 90 3D 00"),
    "stray note-offs pass where that is written": ("stray_off: pass", "0 80 3C 40\n1 90 3D 00"),
    "stray note-offs of both forms are dropped": (
        "stray_off: drop",
        """
        -0.0 80 3C 40
        -0.1 90 3C 00
        0.2  90 3C 64
        -0.3 80 3D 40
        -0.4 81 3C 40
        0.5  80 3C 40
        -0.6 80 3C 40
        """,
    ),
    "All Notes Off clears the memory: no note-off before the next note-on, none after its time": (
        "longest: 1s",
        """
        0.000  90 3C 64
        0.500  B0 7B 00
        0.700  90 3C 64
        +1.700 80 3C 40
        """,
    ),
    "All Sound Off too, and of its own channel alone": (
        "longest: 1s",
        """
        0.000  90 3C 64
        0.000  91 3C 64
        0.500  B0 78 00
        +1.000 81 3C 40
        """,
    ),
    "other mode messages do not": (
        "longest: 1s",
        """
        0.000  90 3C 64
        0.500  B0 79 00
        0.600  B0 7A 00
        +1.000 80 3C 40
        """,
    ),
    "documented: after All Notes Off a note's own note-off is no stray": (
        "stray_off: drop",
        """
        0.000  90 3C 64
        0.500  B0 7B 00
        1.000  80 3C 21
        -1.100 80 3C 40
        """,
    ),
    "Start, Continue, Stop and Song Position change nothing for a time in seconds": (
        "longest: 1s",
        """
        0.000  FA
        0.100  90 3C 64
        0.200  FC
        0.300  F2 08 00
        0.400  FB
        +1.100 80 3C 40
        """,
    ),
    "in clocks, just before the last of them": (
        "longest: 2 clocks",
        """
        0.000  F8
        0.020  F8
        0.030  90 3C 64
        0.040  F8
        +0.060 80 3C 40
        0.060  F8
        0.080  F8
        """,
    ),
    "nothing else is guarded": ("longest: 1ms, channels: [16]", ONE_OF_EACH),
    "a pair within its time stays as it is": ("stray_off: drop", ONE_OF_EACH),
    "bypass": ("longest: 1ms, stray_off: drop, bypass: true", ONE_OF_EACH),
}


@pytest.mark.parametrize(("options", "table"), TABLES.values(), ids=TABLES)
def test_notes_are_guarded(tmp_path: Path, options: str, table: str) -> None:
    assert_plays(tmp_path, f"- {{plugin: note_guard, {options}}}", table)


def test_channels_lets_others_sound_for_ever(tmp_path: Path) -> None:
    assert_plays(
        tmp_path, "- {plugin: note_guard, longest: 1s, channels: 1}", "0 91 3C 64\n9 81 3C 40"
    )


def test_a_note_value_counts_clocks_across_stop_and_continue(tmp_path: Path) -> None:
    """Clocks count whether the song plays or not: a 1/16 is 6 of them."""
    song = "0 FA\n0.045 90 3C 64\n0.065 FC\n0.105 FB"
    heard = play_chain(
        tmp_path, "- {plugin: note_guard, longest: 1/16}", merge(song, clocks(0.0, 20, 20))
    )
    after = heard.index(("0.045000", "90 3C 64"))
    offs = [line for line in heard[after:] if line[1].startswith("8")]
    assert offs == [("0.160000", "80 3C 40")]  # clocks at 60, 80, 100, 120, 140 and 160 ms
    place = heard.index(offs[0])
    assert heard[place + 1] == ("0.160000", "F8")


def test_when_the_clock_dies_the_last_tempo_times_the_note(tmp_path: Path) -> None:
    song = "0 FA\n0.045 90 3C 64"
    heard = play_chain(
        tmp_path, "- {plugin: note_guard, longest: 1 bar}", merge(song, clocks(0.0, 20, 10))
    )
    assert heard[-1] == ("1.965000", "80 3C 40")  # 96 clocks of 20 ms


def test_without_any_clock_a_note_value_is_timed_at_120(tmp_path: Path) -> None:
    chain = "- {plugin: note_guard, longest: 1/4}"
    assert_plays(tmp_path, chain, "0 90 3C 64\n+0.5 80 3C 40")


def test_the_guard_ends_the_note_that_entries_after_it_made_of_it(tmp_path: Path) -> None:
    chain = """
        - {plugin: note_guard, longest: 1s}
        - {plugin: transpose, semitones: 12}
        - {plugin: channel_remap, map: {1: [5, 6]}}
    """
    table = """
        -0 90 3C 64
        +0 94 48 64
        +0 95 48 64
        +1 84 48 40
        +1 85 48 40
    """
    assert_plays(tmp_path, chain, table)


def test_nothing_is_due_any_more_once_a_note_has_ended(tmp_path: Path) -> None:
    """A service that is woken for nothing wakes the small computer under it for nothing."""
    path = tmp_path / "rig.yaml"
    path.write_text(rig_text("- {plugin: note_guard}"), "utf-8")
    engine = Engine(load_rig(path), send=lambda output, data, t_ns: None)
    engine.receive(b"\x90\x3c\x64", 0)
    assert engine.next_due_ns == 20_000_000_000
    engine.receive(b"\x90\x3c\x64", 1)
    assert engine.next_due_ns == 20_000_000_001
    engine.receive(b"\x80\x3c\x40", 2)
    assert engine.next_due_ns is None


def test_after_a_release_at_stop_it_starts_afresh(tmp_path: Path) -> None:
    rig = """
        input: {port: "null:"}
        safety: {on_exit: none, on_transport_stop: release}
        outputs:
          tug: {port: "null:", chain: [{plugin: note_guard, longest: 1s}]}
    """
    table = """
        0.0  90 3C 64
        +0.5 80 3C 40
        0.5  FC
        0.7  90 3C 64
        +1.7 80 3C 40
    """
    assert_plays(tmp_path, rig, table)


ERRORS = {
    "no duration": (
        "- {plugin: note_guard, longest: 20}",
        "rig.yaml:7:39: outputs.tug.chain[1].longest: "
        "'20' is no duration; write for example 250ms, 2s, 6 clocks, 1/16, 1/8., 1/8t or 2 bars",
    ),
    "another word for repeat": (
        "- {plugin: note_guard, repeat: retriger}",
        "rig.yaml:7:38: outputs.tug.chain[1].repeat: "
        "'retriger' is none of the choices; did you mean 'retrigger'?",
    ),
    "another word for stray_off": (
        "- {plugin: note_guard, stray_off: dorp}",
        "rig.yaml:7:41: outputs.tug.chain[1].stray_off: "
        "'dorp' is none of the choices; did you mean 'drop'?",
    ),
    "misspelt": (
        "- {plugin: note_guard, longst: 1s}",
        "rig.yaml:7:30: outputs.tug.chain[1].longst: unknown key; did you mean 'longest'?",
    ),
}


@pytest.mark.parametrize(("chain", "line"), ERRORS.values(), ids=ERRORS)
def test_wrong_options_are_refused_where_they_stand(tmp_path: Path, chain: str, line: str) -> None:
    found = problems(tmp_path, chain)
    assert found == [line]
    assert says_what_is_right(found)
