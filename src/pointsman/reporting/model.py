"""What is drawn: rows (the input and each output) with notes, tracks, marks and what made them."""

from __future__ import annotations

from dataclasses import dataclass, field

from pointsman.device import Device
from pointsman.reporting.lanes import HOME, Lane
from pointsman.reporting.notes import End, Notes
from pointsman.reporting.tracing import Step
from pointsman.transport import TransportChange

EARLY = frozenset({End.STOLEN, End.CUT, End.RELEASED})
"""How notes end that the input still holds."""


@dataclass
class Track:
    """One lane with what it shows: the values of a control, the tempo, the load of a wire.

    A value v stands for the message `words[0]`, v + `offset`, `words[1]`. `low` and `high` are what
    it can be. `before` are the numbers of the input's tracks that it was made from.
    """

    kind: str
    title: str
    lane: Lane
    words: tuple[str, str] = ("", "")
    offset: int = 0
    low: int = 0
    high: int = 127
    home: int | None = None
    channel: int | None = None
    before: set[int] = field(default_factory=set)

    @property
    def homes(self) -> int:
        """How often it was put home."""
        return sum(1 for flag in self.lane.flags if flag & HOME)


@dataclass
class Row:
    """The input, or one output. `sources` are the channels (0-15) of the input that it plays."""

    name: str
    device: Device | None = None
    wire_rate: int | None = None
    notes: Notes = field(default_factory=Notes)
    tracks: list[Track] = field(default_factory=list)
    texts: list[str] = field(default_factory=list)
    """What the values of the track `other` stand for."""
    sources: set[int] = field(default_factory=set)
    is_output: bool = True
    missed_notes: int = 0
    """Notes that came when there were too many to keep."""
    messages: int = 0

    def count(self, end: End) -> int:
        """How many notes ended so."""
        return self.notes.count(end)

    @property
    def homes(self) -> int:
        """How often its controls were put home."""
        return sum(track.homes for track in self.tracks)


@dataclass
class Model:
    """A whole report. Times are in microseconds from the start."""

    rig: str
    source: str
    middle_c_octave: int
    input: Row
    outputs: list[Row]
    traces: list[tuple[Step, ...]]
    bars: list[tuple[int, int]] = field(default_factory=list)
    """Where bars begin, and their numbers from 1."""
    changes: list[tuple[int, TransportChange]] = field(default_factory=list)
    """Start, Continue, Stop and Song Position as they came in."""
    end_us: int = 0

    def rests(self, row: Row) -> list[int]:
        """For each note of a row, how long the input still held it after it had ended here.

        Only where it was ended while the input held it; else 0.
        """
        ends = self.input.notes.ends
        rests = []
        for end, kind, cause in zip(row.notes.ends, row.notes.kinds, row.notes.causes, strict=True):
            rest = 0
            if kind in EARLY and cause >= 0:
                rest = max(0, (self.end_us if ends[cause] < 0 else ends[cause]) - end)
            rests.append(rest)
        return rests

    @property
    def rows(self) -> list[Row]:
        """The outputs, and then the input."""
        return [*self.outputs, self.input]
