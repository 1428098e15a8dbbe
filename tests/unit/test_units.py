"""Durations and notes as players write them.

A quarter note is 24 clocks (MIDI 1.0, 4.2.1, p. 30) and note 60 is middle C (p. 10); which octave
number middle C has no standard says, so a rig does. 440 Hz is note 69, the A above middle C
(common practice, and M1 p. 48 by its own scale).
"""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pointsman.units import (
    DURATION_EXAMPLES,
    Duration,
    note_name,
    parse_duration,
    parse_note,
    seconds_text,
    span,
)

MS = 1_000_000
TEMPO_120 = (500 * MS, 24)
"""120 quarter notes a minute: 24 clocks in half a second."""

TIMES = {
    "250ms": 250 * MS,
    "2s": 2000 * MS,
    "0ms": 0,
    "0s": 0,
    "0.5s": 500 * MS,
    "1.25ms": 1_250_000,
    "0.001ms": 1000,
    "250 ms": 250 * MS,
    "  2s  ": 2000 * MS,
}


@pytest.mark.parametrize(("text", "ns"), TIMES.items(), ids=TIMES)
def test_a_time_is_whole_nanoseconds(text: str, ns: int) -> None:
    duration = parse_duration(text)
    assert (duration.ns, duration.clocks) == (ns, None)


CLOCKS = {
    "6 clocks": 6,
    "1 clock": 1,
    "6clocks": 6,
    "1/1": 96,
    "1/2": 48,
    "1/4": 24,
    "1/8": 12,
    "1/16": 6,
    "1/32": 3,
    "1/64": Fraction(3, 2),
    "3/8": 36,
    "1/4.": 36,
    "1/8.": 18,
    "1/16.": 9,
    "1/4t": 16,
    "1/8t": 8,
    "1/16t": 4,
    "1 bar": 96,
    "2 bars": 192,
}


@pytest.mark.parametrize(("text", "clocks"), CLOCKS.items(), ids=CLOCKS)
def test_a_note_value_is_clocks(text: str, clocks: int | Fraction) -> None:
    assert parse_duration(text).clocks == clocks


NO_DURATION = [
    "", " ", "5", "ms", "-5ms", "+5ms", ".5s", "5 min", "5m", "1e3ms", "1,5s", "1/3", "1/0",
    "0x5ms", "1/16 .", "1/8T.", "1/8..", "1.5 bars", "1.5 clocks", "bar", "clocks", "2 s 5 ms",
    "12:30",
]  # fmt: skip


@pytest.mark.parametrize("text", NO_DURATION)
def test_anything_else_is_refused_with_examples(text: str) -> None:
    with pytest.raises(ValueError, match="is no duration") as caught:
        parse_duration(text)
    what = f"'{text.strip()}' is no duration; write for example {DURATION_EXAMPLES}"
    assert str(caught.value) == what


def test_the_examples_that_the_error_gives_are_right() -> None:
    for example in DURATION_EXAMPLES.replace(" or ", ", ").split(", "):
        assert parse_duration(example)


AT_120 = {
    "1/16": 125 * MS,
    "1/8t": 166_666_667,
    "1 bar": 2000 * MS,
    "1/64": 31_250_000,
    "5ms": 5 * MS,
}


@pytest.mark.parametrize(("text", "ns"), AT_120.items(), ids=AT_120)
def test_clocks_become_time_at_a_tempo_rounded_half_up(text: str, ns: int) -> None:
    assert parse_duration(text).to_ns(*TEMPO_120) == ns


@given(st.integers(0, 10_000), st.integers(1, 10**10), st.integers(1, 1000))
def test_no_rounding_is_off_by_more_than_half_a_nanosecond(
    clocks: int, span_ns: int, span_clocks: int
) -> None:
    exact = Fraction(clocks * span_ns, span_clocks)
    got = Duration("x", clocks=Fraction(clocks)).to_ns(span_ns, span_clocks)
    assert abs(got - exact) <= Fraction(1, 2)


NOTES = [
    ("60", 4, 60),
    ("0", 4, 0),
    ("127", 3, 127),
    ("010", 4, 10),
    ("C4", 4, 60),
    ("C3", 3, 60),
    ("c4", 4, 60),
    ("A4", 4, 69),
    ("A3", 3, 69),
    ("F#3", 4, 54),
    ("Gb3", 4, 54),
    ("Bb2", 4, 46),
    ("bb2", 4, 46),
    ("B2", 4, 47),
    ("B#3", 4, 60),
    ("Cb4", 4, 59),
    ("C-1", 4, 0),
    ("C-2", 3, 0),
    ("G9", 4, 127),
    ("G8", 3, 127),
    (" C4 ", 4, 60),
]


@pytest.mark.parametrize(("text", "octave", "note"), NOTES)
def test_a_note_is_a_number_or_a_name(text: str, octave: int, note: int) -> None:
    assert parse_note(text, octave) == note


@pytest.mark.parametrize(
    "text", ["", "H4", "C", "C##4", "Do", "C 4", "4C", "-1", "1.5", "on", "C4x"]
)
def test_what_is_no_note_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="is no note") as caught:
        parse_note(text)
    right = "write 0 to 127, or a name such as C4 or F#3"
    assert str(caught.value) == f"'{text}' is no note; {right}"


@pytest.mark.parametrize(
    ("text", "octave", "number"), [("128", 4, 128), ("G#9", 4, 128), ("B-2", 4, -1), ("G9", 3, 139)]
)
def test_a_note_outside_midi_is_refused_with_its_number(
    text: str, octave: int, number: int
) -> None:
    with pytest.raises(ValueError, match="from 0 to 127") as caught:
        parse_note(text, octave)
    assert text in str(caught.value)
    assert str(number) in str(caught.value)


@pytest.mark.parametrize("octave", [3, 4])
def test_every_note_is_read_by_the_name_it_is_shown_under(octave: int) -> None:
    assert [parse_note(note_name(n, octave), octave) for n in range(128)] == list(range(128))


SECONDS = {
    0: "0.000000",
    499: "0.000000",
    500: "0.000001",
    1_500: "0.000002",
    10**9 - 1: "1.000000",
}


@pytest.mark.parametrize(("t_ns", "text"), SECONDS.items())
def test_times_in_logs_are_rounded_half_up(t_ns: int, text: str) -> None:
    assert seconds_text(t_ns) == text


@pytest.mark.parametrize(
    ("seconds", "text"), [(0, "0.0 s"), (59.9, "59.9 s"), (185.9, "3:05"), (3765, "1:02:45")]
)
def test_lengths_of_time_as_players_read_them(seconds: float, text: str) -> None:
    assert span(seconds) == text
