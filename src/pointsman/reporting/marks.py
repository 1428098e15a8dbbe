"""What the rig did by itself, as a list: controls put home, notes stolen or cut."""

from __future__ import annotations

from collections.abc import Iterator
from heapq import merge
from itertools import islice
from typing import NamedTuple

from pointsman.reporting.lanes import HOME
from pointsman.reporting.model import Model, Row, Track
from pointsman.reporting.notes import End
from pointsman.units import note_name


class Mark(NamedTuple):
    """One thing that the rig did by itself: when, where, what, and the line that did it."""

    t_us: int
    output: str
    what: str
    by: str


def list_marks(model: Model, most: int) -> tuple[list[Mark], int]:
    """The first `most` marks in order of time, and how many there are."""
    streams: list[Iterator[Mark]] = []
    count = 0
    for row in model.outputs:
        for track in row.tracks:
            if homes := track.homes:
                count += homes
                streams.append(_homes(model, row, track))
        stolen = row.count(End.STOLEN) + row.count(End.CUT)
        if stolen:
            count += stolen
            streams.append(iter(sorted(_stolen(model, row))))
    return list(islice(merge(*streams), most)), count


def _homes(model: Model, row: Row, track: Track) -> Iterator[Mark]:
    lane = track.lane
    for t_us, value, trace, flags in zip(
        lane.times, lane.values, lane.traces, lane.flags, strict=True
    ):
        if flags & HOME:
            yield Mark(t_us, row.name, f"{track.title} put home, {value}", _by(model, trace))


def _stolen(model: Model, row: Row) -> Iterator[Mark]:
    notes = row.notes
    words = {End.STOLEN: "stolen", End.CUT: "ended early"}
    for number, kind in enumerate(notes.kinds):
        word = words.get(End(kind))
        if word is not None:
            key = notes.keys[number]
            name = note_name(key & 0x7F, model.middle_c_octave)
            what = f"note {name} channel {(key >> 7) + 1} {word}"
            yield Mark(notes.ends[number], row.name, what, _by(model, notes.off_traces[number]))


def _by(model: Model, trace: int) -> str:
    steps = model.traces[trace]
    return ", ".join(f"{step.file}:{step.line} {step.label}" for step in steps)
