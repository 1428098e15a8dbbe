"""cc_reset held to its page in docs/plugins: every expected line follows from its sentences.

The control is 74 (4A) and its home 30 (1E) unless a case says otherwise. What is marked
"documented" is a choice of ours; docs/plugins/cc_reset.md says it.
"""

from __future__ import annotations

from pathlib import Path
from random import Random

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

RESET = "- {plugin: cc_reset, controls: {74: 30}}"


def reset(options: str) -> str:
    """The entry with more options."""
    return f"- {{plugin: cc_reset, controls: {{74: 30}}, {options}}}"


NEXT_NOTE = {
    "home goes just before the note after": """
        0.000  B0 4A 7F
        0.001  90 3C 64
        0.500  80 3C 40
        +1.000 B0 4A 1E
        1.000  90 3E 64
        1.500  80 3E 40
    """,
    "a note at the value's own time is its owner": """
        0.000  B0 4A 7F
        0.000  90 3C 64
        +0.500 B0 4A 1E
        0.500  90 3E 64
    """,
    "a note exactly the window after the value is its owner": """
        0.000  B0 4A 7F
        0.020  90 3C 64
        +0.500 B0 4A 1E
        0.500  90 3E 64
    """,
    "a note 1 us later than the window is not": """
        0.000    B0 4A 7F
        +0.020001 B0 4A 1E
        0.020001 90 3C 64
    """,
    "a note exactly the window after the owner is of its chord": """
        0.000  B0 4A 7F
        0.020  90 3C 64
        0.040  90 40 64
        +0.500 B0 4A 1E
        0.500  90 3E 64
    """,
    "a note 1 us later than the owner's window is not": """
        0.000    B0 4A 7F
        0.020    90 3C 64
        +0.040001 B0 4A 1E
        0.040001 90 40 64
    """,
    "a chord is counted from its owner, not from its newest note": """
        0.000  B0 4A 7F
        0.010  90 3C 64
        0.030  90 40 64
        +0.040 B0 4A 1E
        0.040  90 43 64
    """,
    "the first note in the window is the owner, not a later one": """
        0.000    B0 4A 7F
        0.002    90 3C 64
        0.020    90 40 64
        0.022    90 43 64
        +0.022001 B0 4A 1E
        0.022001 90 48 64
    """,
    "notes of a chord may come at one time": """
        0.000  B0 4A 7F
        0.001  90 3C 64
        0.001  90 40 64
        0.001  90 43 64
        +0.500 B0 4A 1E
        0.500  90 3C 64
        0.500  90 40 64
    """,
    "a step with a value of its own is not sent home in between": """
        0.000  B0 4A 7F
        0.001  90 3C 64
        0.500  B0 4A 50
        0.501  90 3E 64
        +1.000 B0 4A 1E
        1.000  90 40 64
    """,
    "a value after its note goes home before the next": """
        0.000  90 3C 64
        0.000  B0 4A 7F
        0.500  80 3C 40
        +1.000 B0 4A 1E
        1.000  90 3E 64
    """,
    "a value between the notes of a chord belongs to the rest of it": """
        0.000  90 3C 64
        0.001  B0 4A 7F
        0.010  90 40 64
        0.030  90 43 64
        +0.030001 B0 4A 1E
        0.030001 90 48 64
    """,
    "a newer value has an owner of its own, or none": """
        0.000  B0 4A 7F
        0.001  90 3C 64
        0.002  B0 4A 70
        +0.0221 B0 4A 1E
        0.0221 90 40 64
    """,
    "the chord of a newer value is counted from its own owner": """
        0.000  B0 4A 7F
        0.001  90 3C 64
        0.500  B0 4A 70
        0.510  90 3E 64
        0.530  90 40 64
        +0.530001 B0 4A 1E
        0.530001 90 43 64
    """,
    "a sweep without a note goes home before the next note": """
        0.000  B0 4A 10
        0.100  B0 4A 20
        0.200  B0 4A 28
        +1.000 B0 4A 1E
        1.000  90 3C 64
    """,
    "nothing for a control that is home already": """
        0.000  B0 4A 1E
        0.001  90 3C 64
        1.000  90 3E 64
    """,
    "nothing when the input has put it back itself": """
        0.000  B0 4A 7F
        0.001  90 3C 64
        0.900  B0 4A 1E
        1.000  90 3E 64
    """,
    "one home message a return": """
        0.000  B0 4A 7F
        0.001  90 3C 64
        +1.000 B0 4A 1E
        1.000  90 3E 64
        2.000  90 40 64
        3.000  90 41 64
    """,
    "it goes home again each time that it is away": """
        0.000  B0 4A 7F
        0.001  90 3C 64
        +1.000 B0 4A 1E
        1.000  90 3E 64
        2.000  B0 4A 7F
        2.001  90 3C 64
        +3.000 B0 4A 1E
        3.000  90 3E 64
    """,
    "notes of other channels neither own nor send home": """
        0.000  B0 4A 7F
        0.001  91 3C 64
        0.0205 91 3E 64
        1.000  91 40 64
        +1.500 B0 4A 1E
        1.500  90 3C 64
    """,
    "each channel has its own control": """
        0.000  B0 4A 7F
        0.000  B3 4A 6F
        0.001  90 3C 64
        0.001  93 3C 64
        +0.500 B3 4A 1E
        0.500  93 3E 64
        +1.000 B0 4A 1E
        1.000  90 3E 64
    """,
    "a note-on with velocity 0 is no note-on: it owns nothing": """
        0.000  B0 4A 7F
        0.001  90 3C 00
        +0.0205 B0 4A 1E
        0.0205 90 3E 64
    """,
    "a note-on with velocity 0 is no note-on: it sends nothing home": """
        0.000  B0 4A 7F
        0.001  90 3C 64
        0.500  90 3C 00
        +1.000 B0 4A 1E
        1.000  90 3E 64
    """,
    "the same note again is a next note": """
        0.000  B0 4A 7F
        0.001  90 3C 64
        +0.500 B0 4A 1E
        0.500  90 3C 64
        0.600  80 3C 40
        0.700  80 3C 40
    """,
    "All Notes Off sends nothing home by next_note": """
        0.000  B0 4A 7F
        0.001  90 3C 64
        0.500  B0 7B 00
        +1.000 B0 4A 1E
        1.000  90 3E 64
    """,
    "Start and Continue send nothing home": """
        0.000  B0 4A 7F
        0.001  FA
        0.500  FB
    """,
    "controls that are not named pass": """
        0.000  B0 4B 7F
        0.000  B0 01 7F
        0.001  90 3C 64
        1.000  90 3E 64
    """,
}


@pytest.mark.parametrize("table", NEXT_NOTE.values(), ids=NEXT_NOTE)
def test_by_default_the_next_note_sends_home(tmp_path: Path, table: str) -> None:
    assert_plays(tmp_path, RESET, table)


SEVERAL = {
    "all that is away goes home, in the order of the rig": """
        0.000  B0 01 30
        0.000  B0 4A 7F
        0.001  90 3C 64
        +1.000 B0 4A 1E
        +1.000 B0 01 00
        1.000  90 3E 64
    """,
    "each control has its own owner": """
        0.000  B0 4A 7F
        0.001  90 3C 64
        0.495  B0 01 30
        +0.500 B0 4A 1E
        0.500  90 3E 64
        +1.000 B0 01 00
        1.000  90 40 64
    """,
    "the other controls stay as they are": """
        0.000  B0 01 30
        0.001  90 3C 64
        +1.000 B0 01 00
        1.000  90 3E 64
    """,
}


@pytest.mark.parametrize("table", SEVERAL.values(), ids=SEVERAL)
def test_several_controls(tmp_path: Path, table: str) -> None:
    assert_plays(tmp_path, "- {plugin: cc_reset, controls: {74: 30, modulation: 0}}", table)


NOTE_OFF = {
    "home goes right after the note-off": """
        0.000  B0 4A 7F
        0.001  90 3C 64
        0.500  80 3C 40
        +0.500 B0 4A 1E
        1.000  90 3E 64
        1.500  80 3E 40
    """,
    "a note-on with velocity 0 is a note-off": """
        0.000  B0 4A 7F
        0.001  90 3C 64
        0.500  90 3C 00
        +0.500 B0 4A 1E
    """,
    "the last note of the chord counts, whichever that is": """
        0.000  B0 4A 7F
        0.001  90 3C 64
        0.021  90 40 64
        0.021  90 43 64
        0.400  80 40 40
        0.500  80 3C 40
        0.600  80 43 40
        +0.600 B0 4A 1E
    """,
    "a later note is of another chord": """
        0.000    B0 4A 7F
        0.001    90 3C 64
        0.021001 90 40 64
        0.400    80 40 40
        0.500    80 3C 40
        +0.500   B0 4A 1E
    """,
    "a note from before does not count": """
        0.000  90 30 64
        0.500  B0 4A 7F
        0.501  90 3C 64
        0.600  80 30 40
        0.700  80 3C 40
        +0.700 B0 4A 1E
    """,
    "the same note on another channel does not count": """
        0.000  B0 4A 7F
        0.001  90 3C 64
        0.001  91 3C 64
        0.400  81 3C 40
        0.500  80 3C 40
        +0.500 B0 4A 1E
    """,
    "a value without a note has no note-off": """
        0.000  90 3C 64
        0.500  B0 4A 7F
        1.000  80 3C 40
    """,
    "a newer value waits for the end of its own note": """
        0.000  B0 4A 7F
        0.001  90 3C 64
        0.500  B0 4A 70
        0.501  90 3E 64
        0.600  80 3C 40
        0.800  80 3E 40
        +0.800 B0 4A 1E
    """,
    "a note that held an older value does not hold the newer one": """
        0.000  B0 4A 7F
        0.001  90 3C 64
        0.500  B0 4A 70
        0.501  90 3E 64
        0.600  80 3E 40
        +0.600 B0 4A 1E
        0.800  80 3C 40
    """,
    "nothing when the input has put it back itself": """
        0.000  B0 4A 7F
        0.001  90 3C 64
        0.400  B0 4A 1E
        0.500  80 3C 40
    """,
    "neither the next note nor Stop counts unless named": """
        0.000  B0 4A 7F
        0.001  90 3C 64
        0.300  90 3E 64
        0.400  FC
        0.500  80 3C 40
        +0.500 B0 4A 1E
        0.600  80 3E 40
    """,
    "a second note-off of the same note brings nothing more": """
        0.000  B0 4A 7F
        0.001  90 3C 64
        0.500  80 3C 40
        +0.500 B0 4A 1E
        0.600  80 3C 40
    """,
    "documented: All Notes Off ends the chord": """
        0.000  B0 4A 7F
        0.001  90 3C 64
        0.001  90 40 64
        0.400  B0 7B 00
        +0.400 B0 4A 1E
        0.500  80 3C 40
        0.500  80 40 40
    """,
    "documented: All Sound Off ends the chord": """
        0.000  B0 4A 7F
        0.001  90 3C 64
        0.400  B0 78 00
        +0.400 B0 4A 1E
        0.500  80 3C 40
    """,
    "All Notes Off of another channel does not": """
        0.000  B0 4A 7F
        0.001  90 3C 64
        0.400  B1 7B 00
        0.500  80 3C 40
        +0.500 B0 4A 1E
    """,
    "other mode messages do not": """
        0.000  B0 4A 7F
        0.001  90 3C 64
        0.300  B0 79 00
        0.400  B0 7A 00
        0.500  80 3C 40
        +0.500 B0 4A 1E
    """,
}


@pytest.mark.parametrize("table", NOTE_OFF.values(), ids=NOTE_OFF)
def test_note_off_sends_home_after_the_last_note_of_the_chord(tmp_path: Path, table: str) -> None:
    assert_plays(tmp_path, reset("when: [note_off]"), table)


def test_all_controls_of_a_chord_go_home_after_it(tmp_path: Path) -> None:
    chain = "- {plugin: cc_reset, controls: {74: 30, modulation: 0}, when: [note_off]}"
    table = """
        0.000  B0 01 30
        0.010  B0 4A 7F
        0.015  90 3C 64
        0.500  80 3C 40
        +0.500 B0 4A 1E
        +0.500 B0 01 00
    """
    assert_plays(tmp_path, chain, table)


STOP = {
    "home goes just before Stop": """
        0.000  FA
        0.001  B0 4A 7F
        0.002  90 3C 64
        +1.000 B0 4A 1E
        1.000  FC
    """,
    "every channel goes home": """
        0.000  B2 4A 7F
        0.000  B0 4A 7F
        +1.000 B0 4A 1E
        +1.000 B2 4A 1E
        1.000  FC
    """,
    "nothing when it is home, or at a second Stop": """
        0.000  FC
        0.100  B0 4A 7F
        +1.000 B0 4A 1E
        1.000  FC
        2.000  FC
    """,
    "a note after it finds the control home": """
        0.000  B0 4A 7F
        +1.000 B0 4A 1E
        1.000  FC
        1.500  90 3C 64
    """,
}


@pytest.mark.parametrize("when", ["[next_note, stop]", "[stop]"])
@pytest.mark.parametrize("table", STOP.values(), ids=STOP)
def test_stop_sends_home(tmp_path: Path, table: str, when: str) -> None:
    assert_plays(tmp_path, reset(f"when: {when}"), table)


ONLY = {
    "stop alone: no note sends home": (
        "when: [stop]",
        """
        0.000  B0 4A 7F
        0.001  90 3C 64
        0.500  80 3C 40
        1.000  90 3E 64
        """,
    ),
    "next_note alone: Stop sends nothing": (
        "when: [next_note]",
        """
        0.000  B0 4A 7F
        0.001  90 3C 64
        0.500  80 3C 40
        1.000  FC
        +2.000 B0 4A 1E
        2.000  90 3E 64
        """,
    ),
    "all three: the note-off comes first": (
        "when: [next_note, note_off, stop]",
        """
        0.000  B0 4A 7F
        0.001  90 3C 64
        0.500  80 3C 40
        +0.500 B0 4A 1E
        1.000  90 3E 64
        2.000  FC
        """,
    ),
    "all three: the next note comes first": (
        "when: [stop, note_off, next_note]",
        """
        0.000  B0 4A 7F
        0.001  90 3C 64
        +0.300 B0 4A 1E
        0.300  90 3E 64
        0.500  80 3C 40
        0.600  80 3E 40
        1.000  FC
        """,
    ),
    "all three: Stop comes first": (
        "when: [next_note, note_off, stop]",
        """
        0.000  B0 4A 7F
        0.001  90 3C 64
        +0.300 B0 4A 1E
        0.300  FC
        0.500  80 3C 40
        0.600  90 3C 64
        """,
    ),
}


@pytest.mark.parametrize(("options", "table"), ONLY.values(), ids=ONLY)
def test_only_the_occasions_named_count_and_the_first_wins(
    tmp_path: Path, options: str, table: str
) -> None:
    assert_plays(tmp_path, reset(options), table)


WINDOWS = {
    "0ms: a note at the same time": (
        "0ms",
        """
        0.000  B0 4A 7F
        0.000  90 3C 64
        0.000  90 40 64
        +0.000001 B0 4A 1E
        0.000001 90 43 64
        """,
    ),
    "0ms: 1 us is too late": (
        "0ms",
        """
        0.000  B0 4A 7F
        +0.000001 B0 4A 1E
        0.000001 90 43 64
        """,
    ),
    "50ms: the edge belongs": (
        "50ms",
        """
        0.000  B0 4A 7F
        0.050  90 3C 64
        0.100  90 40 64
        +0.100001 B0 4A 1E
        0.100001 90 43 64
        """,
    ),
    "0.5s": (
        "0.5s",
        """
        0.000  B0 4A 7F
        0.500  90 3C 64
        1.000  90 40 64
        +1.000001 B0 4A 1E
        1.000001 90 43 64
        """,
    ),
    "1/32 without a clock is 62.5 ms": (
        "1/32",
        """
        0.000  B0 4A 7F
        0.062  90 3C 64
        0.124  90 40 64
        +0.125 B0 4A 1E
        0.125  90 43 64
        """,
    ),
}


@pytest.mark.parametrize(("window", "table"), WINDOWS.values(), ids=WINDOWS)
def test_the_window_sets_what_belongs_together(tmp_path: Path, window: str, table: str) -> None:
    assert_plays(tmp_path, reset(f"window: {window}"), table)


AFTER = {
    "home goes so long after the value": """
        0.000  B0 4A 7F
        0.001  90 3C 64
        +0.100 B0 4A 1E
        1.000  90 3E 64
    """,
    "without any note": """
        0.000  B0 4A 7F
        +0.100 B0 4A 1E
    """,
    "a newer value starts the wait again": """
        0.000  B0 4A 10
        0.050  B0 4A 11
        0.149  B0 4A 12
        +0.249 B0 4A 1E
    """,
    "the same value again starts the wait again": """
        0.000  B0 4A 10
        0.099  B0 4A 10
        +0.199 B0 4A 1E
    """,
    "a value that comes when the wait is over starts a new one": """
        0.000  B0 4A 10
        +0.100 B0 4A 1E
        0.100  B0 4A 10
        +0.200 B0 4A 1E
    """,
    "a value 1 us before the wait is over starts it again": """
        0.000    B0 4A 10
        0.099999 B0 4A 11
        +0.199999 B0 4A 1E
    """,
    "home by the input ends the wait": """
        0.000  B0 4A 10
        0.050  B0 4A 1E
        1.000  90 3C 64
    """,
    "the next note comes first": """
        0.000  B0 4A 7F
        0.001  90 3C 64
        +0.060 B0 4A 1E
        0.060  90 3E 64
        0.200  90 40 64
    """,
    "Stop comes first": """
        0.000  B0 4A 7F
        0.001  90 3C 64
        +0.060 B0 4A 1E
        0.060  FC
        0.200  FA
    """,
    "what is due at the time of a note goes before it, once": """
        0.000  B0 4A 7F
        +0.100 B0 4A 1E
        0.100  90 3E 64
    """,
    "each channel waits for itself": """
        0.000  B0 4A 10
        0.050  B5 4A 10
        +0.100 B0 4A 1E
        +0.150 B5 4A 1E
    """,
    "a wait that another occasion ended does not end the next one": """
        0.000  B0 4A 7F
        0.001  90 3C 64
        +0.060 B0 4A 1E
        0.060  90 3E 64
        0.070  B0 4A 7F
        +0.170 B0 4A 1E
    """,
}


@pytest.mark.parametrize("table", AFTER.values(), ids=AFTER)
def test_after_sends_home_so_long_after_the_newest_value_beside_the_default_when(
    tmp_path: Path, table: str
) -> None:
    assert_plays(tmp_path, reset("after: 100ms"), table)


def test_after_with_an_empty_when_is_the_only_occasion(tmp_path: Path) -> None:
    table = """
        0.000  B0 4A 7F
        0.001  90 3C 64
        0.500  80 3C 40
        1.000  90 3E 64
        1.500  FC
        +2.000 B0 4A 1E
    """
    assert_plays(tmp_path, reset("after: 2s, when: []"), table)


def test_after_and_note_off_whichever_comes_first(tmp_path: Path) -> None:
    table = """
        0.000  B0 4A 7F
        0.001  90 3C 64
        0.050  80 3C 40
        +0.050 B0 4A 1E
        1.000  B0 4A 7F
        1.001  90 3C 64
        +1.100 B0 4A 1E
        1.500  80 3C 40
    """
    assert_plays(tmp_path, reset("after: 100ms, when: [note_off]"), table)


def test_two_controls_each_have_their_own_wait(tmp_path: Path) -> None:
    chain = "- {plugin: cc_reset, controls: {74: 30, modulation: 0}, after: 100ms, when: []}"
    table = """
        0.000  B0 01 30
        0.020  B0 4A 7F
        0.050  B0 01 31
        +0.120 B0 4A 1E
        +0.150 B0 01 00
    """
    assert_plays(tmp_path, chain, table)


# A quarter note at 120 a minute is 0.5 s, a clock a 24th of that (docs/rig-file.md).
AT_120 = {
    "250ms": "0.250000",
    "1.5ms": "0.001500",
    "2s": "2.000000",
    "0.25s": "0.250000",
    "1 clock": "0.020833",
    "6 clocks": "0.125000",
    "1/1": "2.000000",
    "1/2": "1.000000",
    "1/4": "0.500000",
    "1/8": "0.250000",
    "1/16": "0.125000",
    "1/32": "0.062500",
    "1/4.": "0.750000",
    "1/8.": "0.375000",
    "1/4t": "0.333333",
    "1/8t": "0.166667",
    "1/16t": "0.083333",
    "3/16": "0.375000",
    "1 bar": "2.000000",
    "2 bars": "4.000000",
    "16 bars": "32.000000",
    "64 bars": "128.000000",
}


@pytest.mark.parametrize(("duration", "seconds"), AT_120.items(), ids=AT_120)
def test_where_no_clock_was_ever_measured_note_values_are_at_120_a_minute(
    tmp_path: Path, duration: str, seconds: str
) -> None:
    heard = play_chain(tmp_path, reset(f"after: {duration}"), "0 B0 4A 7F")
    assert heard == [("0.000000", "B0 4A 7F"), (seconds, "B0 4A 1E")]


# Clocks every 20 ms: 125 quarter notes a minute. `heard` is where home goes; at equal times it
# stands before the clock.
COUNTED = {
    "6 clocks, between two clocks": ("6 clocks", "0.490 B0 4A 7F", "0.600 B0 4A 1E"),
    "1/16 is 6 clocks": ("1/16", "0.490 B0 4A 7F", "0.600 B0 4A 1E"),
    "1/8t is 8 clocks": ("1/8t", "0.490 B0 4A 7F", "0.640 B0 4A 1E"),
    "1/8. is 18 clocks": ("1/8.", "0.490 B0 4A 7F", "0.840 B0 4A 1E"),
    "1 clock": ("1 clock", "0.490 B0 4A 7F", "0.500 B0 4A 1E"),
    "1 bar is 96 clocks": ("1 bar", "0.490 B0 4A 7F", "2.400 B0 4A 1E"),
}


@pytest.mark.parametrize("started", [False, True], ids=["stopped", "playing"])
@pytest.mark.parametrize(("duration", "value", "home"), COUNTED.values(), ids=COUNTED)
def test_while_the_clock_runs_note_values_end_just_before_the_nth_clock(
    tmp_path: Path, duration: str, value: str, home: str, started: bool
) -> None:
    running = merge("0 FA" if started else "", clocks(0, 20, 150))
    heard = play_chain(tmp_path, reset(f"after: {duration}"), merge(running, value))
    assert heard == events(merge(home, running, value))


def test_a_clock_before_the_value_at_the_same_time_is_not_counted(tmp_path: Path) -> None:
    log = merge(clocks(0, 20, 60), "0.480 B0 4A 7F")
    heard = play_chain(tmp_path, reset("after: 6 clocks"), log)
    assert heard == events(merge("0.600 B0 4A 1E", log))


def test_a_clock_after_the_value_at_the_same_time_is_the_first(tmp_path: Path) -> None:
    log = merge("0.480 B0 4A 7F", clocks(0, 20, 60))
    heard = play_chain(tmp_path, reset("after: 6 clocks"), log)
    assert heard == events(merge("0.580 B0 4A 1E", log))


def test_a_newer_value_starts_the_count_again(tmp_path: Path) -> None:
    log = merge(clocks(0, 20, 60), "0.490 B0 4A 7F", "0.550 B0 4A 7E")
    heard = play_chain(tmp_path, reset("after: 6 clocks"), log)
    assert heard == events(merge("0.660 B0 4A 1E", log))


def test_the_count_follows_the_clock_when_the_tempo_changes(tmp_path: Path) -> None:
    log = merge(clocks(0, 20, 25), "0.490 B0 4A 7F", clocks(0.51, 30, 30))
    heard = play_chain(tmp_path, reset("after: 1/8"), log)
    assert heard == events(merge("0.840 B0 4A 1E", log))  # 0.51 and 11 more of 30 ms


def test_waits_in_ms_do_not_follow_the_clock(tmp_path: Path) -> None:
    log = merge(clocks(0, 20, 60), "0.490 B0 4A 7F")
    heard = play_chain(tmp_path, reset("after: 105ms"), log)
    assert heard == events(merge("0.595 B0 4A 1E", log))


def test_a_count_goes_on_over_stop_while_the_clock_does(tmp_path: Path) -> None:
    log = merge("0 FA", clocks(0, 20, 60), "0.490 B0 4A 7F", "0.530 FC")
    heard = play_chain(tmp_path, reset("after: 6 clocks, when: [next_note]"), log)
    assert heard == events(merge("0.600 B0 4A 1E", log))


def test_a_count_begins_with_the_first_clock_of_the_song(tmp_path: Path) -> None:
    """A value between Start and the first clock: its 6th clock is the sixth of the song."""
    log = merge("0 FA", "0 B0 4A 7F", "0.001 90 3C 64", clocks(0.002, 20, 60))
    heard = play_chain(tmp_path, reset("after: 6 clocks"), log)
    assert heard == events(merge("0.102 B0 4A 1E", log))


def test_once_the_clock_is_dead_note_values_go_by_the_last_tempo(tmp_path: Path) -> None:
    log = merge(clocks(0, 20, 49), "5.000 B0 4A 7F")
    heard = play_chain(tmp_path, reset("after: 1/16"), log)
    assert heard == events(merge(log, "5.120 B0 4A 1E"))


def test_a_clock_that_dies_in_mid_wait_hands_over_to_the_last_tempo(tmp_path: Path) -> None:
    """A quarter note at 20 ms a clock is 480 ms; three clocks come, and the rest does not."""
    log = merge(clocks(0, 20, 25), "0.480 B0 4A 7F", clocks(0.5, 20, 3))
    heard = play_chain(tmp_path, reset("after: 1/4"), log)
    assert heard == events(merge(log, "0.960 B0 4A 1E"))


def test_documented_a_clock_is_dead_when_four_are_missing(tmp_path: Path) -> None:
    log = merge(clocks(0, 20, 25), "0.480 B0 4A 7F")
    heard = play_chain(tmp_path, reset("after: 2 clocks"), log)
    assert heard == events(merge(log, "0.560 B0 4A 1E"))


def test_a_clock_that_falters_is_not_dead(tmp_path: Path) -> None:
    log = merge(clocks(0, 20, 25), "0.480 B0 4A 7F", clocks(0.54, 20, 10))
    heard = play_chain(tmp_path, reset("after: 2 clocks"), log)
    assert heard == events(merge("0.560 B0 4A 1E", log))


def test_a_window_in_note_values_goes_by_the_tempo(tmp_path: Path) -> None:
    """1/32 is 3 clocks, 60 ms at 20 ms a clock."""
    log = merge(clocks(0, 20, 60), "0.490 B0 4A 7F", "0.550 90 3C 64", "0.611 90 3E 64")
    heard = play_chain(tmp_path, reset("window: 1/32"), log)
    assert heard == events(merge("0.611 B0 4A 1E", log))


LEARN = {
    "until a home is known nothing is sent": """
        0.000  B0 4A 7F
        0.001  90 3C 64
        0.500  80 3C 40
        1.000  90 3E 64
        2.000  FC
    """,
    "a value that no note follows is the home": """
        0.000  B0 4A 1E
        1.000  B0 4A 7F
        1.001  90 3C 64
        +2.000 B0 4A 1E
        2.000  90 3E 64
    """,
    "a note exactly the window after it follows it": """
        0.000  B0 4A 1E
        0.020  90 3C 64
        1.000  B0 4A 7F
        1.001  90 3C 64
        2.000  90 3E 64
    """,
    "a note 1 us later does not": """
        0.000    B0 4A 1E
        0.020001 90 3C 64
        1.000    B0 4A 7F
        1.001    90 3C 64
        +2.000   B0 4A 1E
        2.000    90 3E 64
    """,
    "of a turn of the knob the last value is the home": """
        0.000  B0 4A 10
        0.010  B0 4A 14
        0.020  B0 4A 18
        0.030  B0 4A 1E
        1.000  B0 4A 7F
        1.001  90 3C 64
        +2.000 B0 4A 1E
        2.000  90 3E 64
    """,
    "values just before a note belong to it, those before them are home": """
        0.000  B0 4A 10
        0.010  B0 4A 1E
        0.020  B0 4A 22
        0.030  B0 4A 26
        0.040  90 3C 64
        +1.000 B0 4A 1E
        1.000  90 3E 64
    """,
    "the hand moves home": """
        0.000  B0 4A 10
        1.000  B0 4A 1E
        2.000  B0 4A 7F
        2.001  90 3C 64
        +3.000 B0 4A 1E
        3.000  90 3E 64
    """,
    "the hand moves home while a step's value is away": """
        0.000  B0 4A 10
        1.000  B0 4A 7F
        1.001  90 3C 64
        1.500  B0 4A 1E
        2.000  90 3E 64
        3.000  B0 4A 7F
        3.001  90 3C 64
        +4.000 B0 4A 1E
        4.000  90 3E 64
    """,
    "a step's value is never learnt": """
        0.000  B0 4A 1E
        1.000  B0 4A 7F
        1.001  90 3C 64
        2.000  B0 4A 70
        2.001  90 3C 64
        3.000  B0 4A 60
        3.001  90 3C 64
        +4.000 B0 4A 1E
        4.000  90 3E 64
    """,
    "a note on another channel does not follow it": """
        0.000  B0 4A 1E
        0.001  91 3C 64
        1.000  B0 4A 7F
        1.001  90 3C 64
        +2.000 B0 4A 1E
        2.000  90 3E 64
    """,
    "a note-on with velocity 0 does not follow it": """
        0.000  B0 4A 1E
        0.001  90 3C 00
        1.000  B0 4A 7F
        1.001  90 3C 64
        +2.000 B0 4A 1E
        2.000  90 3E 64
    """,
    "each channel learns for itself": """
        0.000  B0 4A 1E
        0.000  B1 4A 22
        1.000  B0 4A 7F
        1.000  B1 4A 7F
        1.001  90 3C 64
        1.001  91 3C 64
        +2.000 B1 4A 22
        2.000  91 3E 64
        +3.000 B0 4A 1E
        3.000  90 3E 64
    """,
    "Stop sends a step's value home": """
        0.000  B0 4A 1E
        1.000  B0 4A 7F
        1.001  90 3C 64
        +2.000 B0 4A 1E
        2.000  FC
    """,
    "Stop leaves where the hand left it": """
        0.000  B0 4A 10
        1.000  B0 4A 7F
        2.000  FC
    """,
    "a sweep by hand over sounding notes is left alone": """
        0.000  90 3C 64
        0.500  B0 4A 50
        0.600  B0 4A 60
        0.700  B0 4A 70
        1.000  90 3E 64
        2.000  90 40 64
    """,
}


@pytest.mark.parametrize("table", LEARN.values(), ids=LEARN)
def test_learn_takes_what_was_moved_by_hand_for_home(tmp_path: Path, table: str) -> None:
    assert_plays(tmp_path, "- {plugin: cc_reset, controls: {74: learn}}", table)


LEARN_MORE = {
    "note_off: a step's value goes home": (
        "when: [note_off]",
        """
        0.000  B0 4A 1E
        1.000  B0 4A 7F
        1.001  90 3C 64
        1.500  80 3C 40
        +1.500 B0 4A 1E
        """,
    ),
    "note_off: nothing while no home is known": (
        "when: [note_off]",
        """
        1.000  B0 4A 7F
        1.001  90 3C 64
        1.500  80 3C 40
        """,
    ),
    "after: a step's value goes home": (
        "after: 100ms, when: []",
        """
        0.000  B0 4A 1E
        1.000  B0 4A 7F
        1.001  90 3C 64
        +1.100 B0 4A 1E
        """,
    ),
    "after: what the hand set stays": (
        "after: 100ms, when: []",
        """
        0.000  B0 4A 1E
        1.000  B0 4A 7F
        2.000  90 3C 64
        """,
    ),
    "after: the hand takes over a wait": (
        "after: 500ms, when: []",
        """
        0.000  B0 4A 10
        1.000  B0 4A 7F
        1.001  90 3C 64
        1.200  B0 4A 1E
        3.000  B0 4A 7F
        3.001  90 3C 64
        +3.500 B0 4A 1E
        """,
    ),
    "after: nothing while no home is known": (
        "after: 100ms",
        """
        1.000  B0 4A 7F
        1.001  90 3C 64
        2.000  FC
        """,
    ),
    "a wider window": (
        "window: 50ms",
        """
        0.000    B0 4A 1E
        0.050001 90 3C 64
        1.000    B0 4A 7F
        1.050    90 3C 64
        +2.000   B0 4A 1E
        2.000    90 3E 64
        """,
    ),
}


@pytest.mark.parametrize(("options", "table"), LEARN_MORE.values(), ids=LEARN_MORE)
def test_learn_with_other_occasions(tmp_path: Path, options: str, table: str) -> None:
    chain = f"- {{plugin: cc_reset, controls: {{74: learn}}, {options}}}"
    assert_plays(tmp_path, chain, table)


def test_fixed_and_learnt_homes_side_by_side(tmp_path: Path) -> None:
    chain = "- {plugin: cc_reset, controls: {74: learn, modulation: 0}}"
    table = """
        0.000  B0 4A 1E
        0.000  B0 01 30
        +0.500 B0 01 00
        0.500  90 3C 64
        1.000  B0 4A 7F
        1.000  B0 01 30
        1.001  90 3C 64
        +2.000 B0 4A 1E
        +2.000 B0 01 00
        2.000  90 3E 64
    """
    assert_plays(tmp_path, chain, table)


DEVICE = """
    device: Winch
    controls:
      cutoff: {cc: 74, home: 30}
      shimmer: {cc: 91, home: 0}
"""


@pytest.mark.parametrize(
    "controls",
    ["{cutoff: device}", "{74: device}", "{brightness: device}", "{cutoff: 30}"],
)
def test_device_takes_the_home_and_the_name_from_the_device_file(
    tmp_path: Path, controls: str
) -> None:
    chain = f"- {{plugin: cc_reset, controls: {controls}}}"
    assert_plays(tmp_path, chain, NEXT_NOTE["home goes just before the note after"], device=DEVICE)


# Names as the MIDI 1.0 control change table has them (RP-028, pp. 6-7), lower case, underscores.
@pytest.mark.parametrize(
    ("name", "number"),
    [("modulation", 1), ("channel_volume", 7), ("pan", 10), ("damper_pedal", 64)],
)
def test_controls_may_be_named_as_in_the_midi_table(tmp_path: Path, name: str, number: int) -> None:
    chain = f"- {{plugin: cc_reset, controls: {{{name}: 30}}}}"
    table = f"0 B0 {number:02X} 7F\n+1 B0 {number:02X} 1E\n1 90 3C 64"
    assert_plays(tmp_path, chain, table)


@pytest.mark.parametrize("home", [0, 127])
def test_home_may_be_either_end(tmp_path: Path, home: int) -> None:
    chain = f"- {{plugin: cc_reset, controls: {{74: {home}}}}}"
    assert_plays(tmp_path, chain, f"0 B0 4A 40\n+1 B0 4A {home:02X}\n1 90 3C 64")


def test_home_goes_through_the_rest_of_the_chain(tmp_path: Path) -> None:
    chain = f"{RESET}\n- {{plugin: channel_remap, map: {{1: 5}}}}"
    table = """
        -0.000 B0 4A 7F
        +0.000 B4 4A 7F
        -0.001 90 3C 64
        +0.001 94 3C 64
        +1.000 B4 4A 1E
        -1.000 90 3E 64
        +1.000 94 3E 64
    """
    assert_plays(tmp_path, chain, table)


def test_it_acts_on_what_the_entries_before_it_made(tmp_path: Path) -> None:
    chain = f"- {{plugin: channel_remap, map: {{1: 5, 2: 5}}}}\n{RESET}"
    table = """
        -0.000 B0 4A 7F
        +0.000 B4 4A 7F
        -0.001 91 3C 64
        +0.001 94 3C 64
        +1.000 B4 4A 1E
        -1.000 90 3E 64
        +1.000 94 3E 64
    """
    assert_plays(tmp_path, chain, table)


def test_on_the_input_it_serves_every_output(tmp_path: Path) -> None:
    rig = f"""
        input:
          port: "null:"
          chain:
            {RESET}
        outputs:
          tug: {{port: "null:"}}
          gull: {{port: "null:"}}
        safety: {{on_exit: none}}
    """
    heard = play(tmp_path, rig, "0 B0 4A 7F\n1 90 3C 64")
    expected = events("0 B0 4A 7F\n1 B0 4A 1E\n1 90 3C 64")
    assert heard == {"tug": expected, "gull": expected}


def test_channels_limits_it_to_those_channels(tmp_path: Path) -> None:
    table = """
        0.000  B0 4A 7F
        0.000  B2 4A 7F
        1.000  90 3C 64
        +1.000 B2 4A 1E
        1.000  92 3C 64
        2.000  B0 4A 7F
        2.000  B2 4A 7F
        +3.000 B2 4A 1E
        3.000  FC
    """
    assert_plays(tmp_path, reset("channels: [3]"), table)


def test_bypass_leaves_everything_as_it_is(tmp_path: Path) -> None:
    table = """
        0.000  B0 4A 7F
        0.001  90 3C 64
        1.000  90 3E 64
        2.000  FC
    """
    assert_plays(tmp_path, reset("bypass: true, after: 100ms"), table, on_exit="none")


def test_label_is_shown_for_the_entry(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    play_chain(tmp_path, reset("label: back to the quay"), "0 B0 4A 7F\n1 90 3C 64")
    assert "back to the quay" in capsys.readouterr().out


def test_all_other_messages_pass_unchanged(tmp_path: Path) -> None:
    assert_plays(tmp_path, RESET, ONE_OF_EACH)


RELEASE = {
    "note-offs first, then home": (
        "74: 30",
        """
        0.000  B0 4A 7F
        0.001  90 3C 64
        1.000  F8
        +1.000 80 3C 40
        +1.000 B0 4A 1E
        """,
    ),
    "nothing for what is home": ("74: 30", "0.000 B0 4A 1E\n1.000 F8"),
    "every channel and control that is away": (
        "74: 30, modulation: 0",
        """
        0.000  B0 01 30
        0.000  B0 4A 7F
        0.000  B3 01 30
        +0.000 B0 4A 1E
        +0.000 B0 01 00
        +0.000 B3 01 00
        """,
    ),
    "a learnt home": (
        "74: learn",
        """
        0.000  B0 4A 1E
        1.000  B0 4A 7F
        1.001  90 3C 64
        1.500  80 3C 40
        +1.500 B0 4A 1E
        """,
    ),
    "nothing where no home is known": (
        "74: learn",
        """
        1.000  B0 4A 7F
        1.001  90 3C 64
        1.500  80 3C 40
        """,
    ),
    "nothing where the hand left it": ("74: learn", "0.000 B0 4A 1E\n1.000 B0 4A 7F\n2.000 F8"),
}


@pytest.mark.parametrize(("controls", "table"), RELEASE.values(), ids=RELEASE)
def test_the_release_at_the_end_sends_home_what_is_away(
    tmp_path: Path, controls: str, table: str
) -> None:
    chain = f"- {{plugin: cc_reset, controls: {{{controls}}}}}"
    assert_plays(tmp_path, chain, table, on_exit="release")


@pytest.mark.parametrize("when", ["[next_note, stop]", "[next_note]"])
def test_the_release_at_stop_sends_home_once_and_before_stop(tmp_path: Path, when: str) -> None:
    rig = f"""
        input: {{port: "null:"}}
        outputs:
          tug:
            port: "null:"
            chain: [{{plugin: cc_reset, controls: {{74: 30}}, when: {when}}}]
        safety: {{on_exit: none, on_transport_stop: release}}
    """
    heard = play(tmp_path, rig, "0 B0 4A 7F\n0.001 90 3C 64\n1 FC\n2 90 3E 64")["tug"]
    assert heard[:2] == events("0 B0 4A 7F\n0.001 90 3C 64")
    assert sorted(heard[2:4]) == events("1 80 3C 40\n1 B0 4A 1E")  # in either order
    assert heard[4:] == events("1 FC\n2 90 3E 64")


# ---- against a second reading of the page ----------------------------------------------------

WINDOW, WAIT = 20_000, 60_000  # us
HOME, NOTE_ON, NOTE_OFF_STATUS, CONTROL = 30, 0x90, 0x80, 0xB0


class Reading:
    """One channel by the page's sentences: it keeps all that came, and looks back each time."""

    def __init__(self, channel: int, when: set[str], learn: bool) -> None:
        self.channel, self.when, self.learn = channel, when, learn
        self.past: list[tuple[int, int, int, int]] = []  # time, status, note or control, velocity
        self.now: int | None = None if learn else HOME  # the value that the synth holds
        self.due: int | None = None  # when the wait of the newest value is over

    def newest(self) -> int | None:
        """The place in the past of the newest value."""
        places = [n for n, event in enumerate(self.past) if event[1] == CONTROL]
        return places[-1] if places else None

    def notes_after(self, place: int) -> list[tuple[int, int]]:
        return [(t, note) for t, status, note, _ in self.past[place + 1 :] if status == NOTE_ON]

    def owner(self, place: int) -> int | None:
        """When the first note-on came, no later than the window after that value."""
        value_t = self.past[place][0]
        notes = self.notes_after(place)
        return notes[0][0] if notes and notes[0][0] <= value_t + WINDOW else None

    def home(self, t: int) -> int | None:
        if not self.learn:
            return HOME
        by_hand = [
            event[3]
            for place, event in enumerate(self.past)
            if event[1] == CONTROL and event[0] + WINDOW < t and self.owner(place) is None
        ]
        return by_hand[-1] if by_hand else None

    def go_home(self, t: int) -> list[bytes]:
        home = self.home(t)
        if home is None or self.now in (home, None):
            return []
        self.now, self.due = home, None  # the first occasion wins
        return [bytes((CONTROL | self.channel, 74, home))]

    def take(self, t: int, data: bytes) -> list[bytes]:
        """What the output gets when this comes in."""
        status, place = data[0] & 0xF0, self.newest()
        if status == NOTE_ON and not data[2]:
            status = NOTE_OFF_STATUS
        before, after = [], []
        if status == CONTROL:
            self.now = data[2]
        elif status == NOTE_ON and place is not None and "next_note" in self.when:
            near = [self.past[place][0], self.owner(place)]
            self.past.append((t, status, data[1], data[2]))
            if not any(first is not None and t <= first + WINDOW for first in near):
                before = self.go_home(t)
            return [*before, data]
        elif status == NOTE_OFF_STATUS and place is not None and "note_off" in self.when:
            held = self.held(place)
            if held == {data[1]}:
                after = self.go_home(t)
        self.past.append((t, status, data[1], data[2]))
        return [data, *after]

    def held(self, place: int) -> set[int]:
        """The notes of the owner's chord that have not ended."""
        owner, held = self.owner(place), set()
        for t, status, note, _ in self.past[place + 1 :]:
            if status == NOTE_ON and owner is not None and t <= owner + WINDOW:
                held.add(note)
            elif status == NOTE_OFF_STATUS:
                held.discard(note)
        return held


def second_reading(log: list[tuple[int, bytes]], when: set[str], after: bool, learn: bool) -> str:
    """What the page makes of a log with notes, control 74 and Stop on two channels."""
    channels = [Reading(channel, when, learn) for channel in range(2)]
    out: list[str] = []

    def send(t: int, messages: list[bytes]) -> None:
        out.extend(f"{t / 1e6:.6f} {data.hex(' ')}" for data in messages)

    for t, data in [*log, (log[-1][0] + WAIT, b"\xf8")]:
        for due, number in sorted((c.due, c.channel) for c in channels if c.due and c.due <= t):
            reading = channels[number]
            reading.due = None
            send(due, reading.go_home(due))
        if data == b"\xfc":
            for reading in channels:
                send(t, reading.go_home(t) if "stop" in when else [])
            send(t, [data])
        elif data != b"\xf8":
            reading = channels[data[0] & 0x0F]
            send(t, reading.take(t, data))
            if data[0] & 0xF0 == CONTROL and after:
                reading.due = t + WAIT
    return "\n".join(out).upper()


def random_log(seed: int) -> list[tuple[int, bytes]]:
    """Notes, values and Stops that come close together, often exactly at the edge of a window."""
    random, t, log = Random(seed), 0, []
    for _ in range(400):
        t += random.choice([0, 0, 1, 5_000, 10_000, 15_000, 19_999, 20_000, 20_001, 45_000])
        channel, note = random.choice([0, 0, 0, 1]), random.choice([60, 62, 64])
        log.append(
            random.choice(
                [
                    (t, bytes((NOTE_ON | channel, note, 100))),
                    (t, bytes((NOTE_ON | channel, note, 100))),
                    (t, bytes((NOTE_OFF_STATUS | channel, note, 64))),
                    (t, bytes((NOTE_ON | channel, note, 0))),
                    (t, bytes((CONTROL | channel, 74, random.choice([10, HOME, 50, 90])))),
                    (t, b"\xfc"),
                ]
            )
        )
    return log


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("home", ["30", "learn"])
@pytest.mark.parametrize("after", [False, True], ids=["", "after"])
@pytest.mark.parametrize(
    "when",
    ["next_note, stop", "next_note", "note_off", "stop", "next_note, note_off, stop", ""],
    ids=lambda when: when or "none",
)
def test_it_agrees_with_a_second_reading_of_the_page(
    tmp_path: Path, when: str, after: bool, home: str, seed: int
) -> None:
    if not (when or after):
        when = "next_note, stop"
    log = random_log(seed)
    wait = "after: 60ms, " if after else ""
    chain = f"- {{plugin: cc_reset, controls: {{74: {home}}}, {wait}when: [{when}]}}"
    text = "\n".join(f"{t / 1e6:.6f} {data.hex(' ')}" for t, data in log)
    words = set(when.split(", ")) - {""}
    expected = second_reading(log, words, after, home == "learn")
    assert play_chain(tmp_path, chain, text) == events(expected)


ERRORS = {
    "no controls": (
        "- {plugin: cc_reset}",
        "rig.yaml:7:9: outputs.tug.chain[1]: 'controls' is missing; add it",
    ),
    "home too high": (
        "- {plugin: cc_reset, controls: {74: 128}}",
        "rig.yaml:7:43: outputs.tug.chain[1].controls.74: the home 128 is too high; write 0 to 127",
    ),
    "home is no word": (
        "- {plugin: cc_reset, controls: {74: lern}}",
        "rig.yaml:7:43: outputs.tug.chain[1].controls.74: 'lern' is not a value; write 0 to "
        "127, or device, or learn",
    ),
    "no home": (
        "- {plugin: cc_reset, controls: {74: }}",
        "rig.yaml:7:39: outputs.tug.chain[1].controls.74: nothing is written here; write 0 to "
        "127, or device, or learn",
    ),
    "device without a device file": (
        "- {plugin: cc_reset, controls: {74: device}}",
        "rig.yaml:7:43: outputs.tug.chain[1].controls.74: 'device' needs a device file that "
        "gives this control a 'home'; write a value, or learn",
    ),
    "a mode message": (
        "- {plugin: cc_reset, controls: {123: 0}}",
        "rig.yaml:7:39: outputs.tug.chain[1].controls.123: '123' is a channel mode message, not "
        "a control; write 0 to 119, or a name",
    ),
    "a misspelt control": (
        "- {plugin: cc_reset, controls: {modulatoin: 0}}",
        "rig.yaml:7:39: outputs.tug.chain[1].controls.modulatoin: 'modulatoin' is no control; "
        "did you mean 'modulation'?",
    ),
    "no occasion at all": (
        "- {plugin: cc_reset, controls: {74: 0}, when: []}",
        "rig.yaml:7:9: outputs.tug.chain[1]: home has no occasion; write after, or when: "
        "[next_note, stop]",
    ),
    "a misspelt occasion": (
        "- {plugin: cc_reset, controls: {74: 0}, when: [stop, next_nota]}",
        "rig.yaml:7:60: outputs.tug.chain[1].when[2]: 'next_nota' is none of the choices; did "
        "you mean 'next_note'?",
    ),
    "a window without a unit": (
        "- {plugin: cc_reset, controls: {74: 0}, window: 20}",
        "rig.yaml:7:55: outputs.tug.chain[1].window: '20' is no duration; write for example "
        "250ms, 2s, 6 clocks, 1/16, 1/8., 1/8t or 2 bars",
    ),
    "after is no duration": (
        "- {plugin: cc_reset, controls: {74: 0}, after: soon}",
        "rig.yaml:7:54: outputs.tug.chain[1].after: 'soon' is no duration; write for example "
        "250ms, 2s, 6 clocks, 1/16, 1/8., 1/8t or 2 bars",
    ),
    "a misspelt option": (
        "- {plugin: cc_reset, controls: {74: 0}, windw: 20ms}",
        "rig.yaml:7:47: outputs.tug.chain[1].windw: unknown key; did you mean 'window'?",
    ),
    "a misspelt plugin": (
        "- {plugin: cc_rest, controls: {74: 0}}",
        "rig.yaml:7:18: outputs.tug.chain[1].plugin: unknown plugin 'cc_rest'; "
        "did you mean 'cc_reset'?",
    ),
    "channels out of range": (
        "- {plugin: cc_reset, controls: {74: 0}, channels: [0]}",
        "rig.yaml:7:58: outputs.tug.chain[1].channels[1]: '0' is out of range; write 1 to 16",
    ),
    "bypass is no boolean": (
        "- {plugin: cc_reset, controls: {74: 0}, bypass: maybe}",
        "rig.yaml:7:55: outputs.tug.chain[1].bypass: 'maybe' is neither true nor false; write "
        "true or false",
    ),
}


@pytest.mark.parametrize(("chain", "line"), ERRORS.values(), ids=ERRORS)
def test_wrong_options_are_refused_where_they_stand(tmp_path: Path, chain: str, line: str) -> None:
    assert problems(tmp_path, chain) == [line]


@pytest.mark.parametrize("chain", [chain for chain, _ in ERRORS.values()], ids=ERRORS)
def test_every_error_line_says_what_would_be_right(tmp_path: Path, chain: str) -> None:
    assert says_what_is_right(problems(tmp_path, chain))


def test_a_device_control_without_a_home_is_refused_under_its_name(tmp_path: Path) -> None:
    chain = "- {plugin: cc_reset, controls: {cutoff: device}}"
    device = "device: Winch\ncontrols:\n  cutoff: {cc: 74}\n"
    assert problems(tmp_path, chain, device=device) == [
        "rig.yaml:8:47: outputs.tug.chain[1].controls.cutoff: 'device' needs a device file that "
        "gives this control a 'home'; write a value, or learn"
    ]


def test_one_control_under_two_names_is_refused(tmp_path: Path) -> None:
    """A key twice is refused (docs/rig-file.md); a name and a number can be one key too."""
    found = problems(tmp_path, "- {plugin: cc_reset, controls: {74: 0, brightness: 5}}")
    assert len(found) == 1
    assert found[0].startswith("rig.yaml:7:46: outputs.tug.chain[1].controls.brightness: ")


def test_all_problems_are_told_at_once_in_the_order_of_the_file(tmp_path: Path) -> None:
    chain = "- {plugin: cc_reset, controls: {74: ler}, after: soon, when: [sometime], windw: 1ms}"
    starts = [line.split(": ")[:2] for line in problems(tmp_path, chain)]
    assert starts == [
        ["rig.yaml:7:43", "outputs.tug.chain[1].controls.74"],
        ["rig.yaml:7:56", "outputs.tug.chain[1].after"],
        ["rig.yaml:7:69", "outputs.tug.chain[1].when[1]"],
        ["rig.yaml:7:80", "outputs.tug.chain[1].windw"],
    ]
