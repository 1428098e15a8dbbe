"""How players write notes and lengths of time, turned into numbers and back."""

from __future__ import annotations

import re
from dataclasses import dataclass
from fractions import Fraction

from pointsman.message import CLOCKS_PER_QUARTER

NS_PER_S = 1_000_000_000
NS_PER_MS = 1_000_000
NS_PER_US = 1_000
CLOCKS_PER_BAR = 4 * CLOCKS_PER_QUARTER

_SEMITONES = {"c": 0, "d": 2, "e": 4, "f": 5, "g": 7, "a": 9, "b": 11}
_NOTE = re.compile(r"([a-g])([#b]?)(-?\d+)", re.IGNORECASE)
_SHARP_NAMES = ("C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B")

_TIME = re.compile(r"(\d+(?:\.\d+)?)\s*(ms|s)")
_CLOCKS = re.compile(r"(\d+)\s*clocks?")
_BARS = re.compile(r"(\d+)\s*bars?")
_NOTE_VALUE = re.compile(r"(\d+)/(1|2|4|8|16|32|64|128)([.t]?)")
_MODIFIER = {"": Fraction(1), ".": Fraction(3, 2), "t": Fraction(2, 3)}

DURATION_EXAMPLES = "250ms, 2s, 6 clocks, 1/16, 1/8., 1/8t or 2 bars"


@dataclass(frozen=True, slots=True)
class Duration:
    """A length of time: either so many nanoseconds, or so many MIDI clocks (24 a quarter note).

    Clocks are a `Fraction`, since short note values fall between clocks (1/64 is 1.5 of them).
    """

    text: str
    ns: int = 0
    clocks: Fraction | None = None

    def to_ns(self, span_ns: int, span_clocks: int) -> int:
        """The length in nanoseconds, rounded, where `span_clocks` clocks last `span_ns`."""
        if self.clocks is None:
            return self.ns
        parts = self.clocks.denominator * span_clocks
        return (2 * self.clocks.numerator * span_ns + parts) // (2 * parts)

    def __str__(self) -> str:
        return self.text


def parse_duration(text: str) -> Duration:
    """Read a duration (docs/rig-file.md); ValueError says how one is written."""
    text = text.strip()
    if found := _TIME.fullmatch(text):
        unit = NS_PER_S if found[2] == "s" else NS_PER_MS
        return Duration(text, ns=int(Fraction(found[1]) * unit))
    if found := _CLOCKS.fullmatch(text):
        return Duration(text, clocks=Fraction(found[1]))
    if found := _BARS.fullmatch(text):
        return Duration(text, clocks=Fraction(found[1]) * CLOCKS_PER_BAR)
    if found := _NOTE_VALUE.fullmatch(text):
        value = Fraction(int(found[1]), int(found[2])) * _MODIFIER[found[3]]
        return Duration(text, clocks=value * CLOCKS_PER_BAR)
    raise ValueError(f"'{text}' is no duration; write for example {DURATION_EXAMPLES}")


def parse_note(text: str, middle_c_octave: int = 4) -> int:
    """Read a note number (0-127) or name (`C4`, `F#3`, `Bb2`); ValueError when it is neither.

    `middle_c_octave` is the octave in which note 60 lies: no standard fixes it, so the rig says.
    """
    if text.strip().isdecimal():
        note = int(text)
    elif found := _NOTE.fullmatch(text.strip()):
        shift = {"#": 1, "b": -1, "": 0}[found[2].lower()]
        note = 60 + 12 * (int(found[3]) - middle_c_octave) + _SEMITONES[found[1].lower()] + shift
    else:
        raise ValueError(f"'{text}' is no note; write 0 to 127, or a name such as C4 or F#3")
    if not 0 <= note <= 127:
        raise ValueError(f"'{text}' is note {note}; write one from 0 to 127")
    return note


def note_name(note: int, middle_c_octave: int = 4) -> str:
    """The name of a note number (0-127), with sharps."""
    return f"{_SHARP_NAMES[note % 12]}{note // 12 - 5 + middle_c_octave}"


def seconds_text(t_ns: int) -> str:
    """A time as event logs have it: seconds with six decimals, rounded half up."""
    microseconds = (t_ns + 500) // 1000
    return f"{microseconds // 1_000_000}.{microseconds % 1_000_000:06d}"


def span(seconds: float) -> str:
    """A length of time as players read it: `12.3 s`, `3:05`, `1:02:45`."""
    if seconds < 60:
        return f"{seconds:.1f} s"
    minutes, whole = divmod(int(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours}:{minutes:02}:{whole:02}" if hours else f"{minutes}:{whole:02}"
