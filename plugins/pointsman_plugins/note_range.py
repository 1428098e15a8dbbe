"""note_range: keeps notes to a part of the keyboard, or folds the others into it by octaves."""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import Field

from pointsman.plugin import (
    Context,
    Flow,
    Host,
    Kind,
    NoteMoves,
    NoteNumber,
    OptionProblem,
    Plugin,
    PluginOptions,
    Step,
    hookimpl,
)

OCTAVE = 12


class NoteRangeOptions(PluginOptions):
    """What note_range can be told."""

    low: Annotated[NoteNumber, Field(description="the lowest note that goes on")] = 0
    high: Annotated[NoteNumber, Field(description="the highest note that goes on")] = 127
    outside: Annotated[
        Literal["drop", "fold"],
        Field(description="what becomes of other notes; fold: moved by octaves into the range"),
    ] = "drop"

    def foresee(self, flow: Flow) -> list[Flow]:
        """The ends that are written bound the notes that go on."""
        if flow.kind is not Kind.NOTE_ON:
            return [flow]
        low, high = flow.low, flow.high
        if "low" in self.model_fields_set and (low is None or low < self.low):
            low = self.low
        if "high" in self.model_fields_set and (high is None or high > self.high):
            high = self.high
        return [flow._replace(low=low, high=high)]

    def problems(self, context: Context) -> list[OptionProblem]:
        """The range must not be upside down."""
        if self.low <= self.high:
            return []
        what = f"note {self.low} is above 'high', which is {self.high}; swap the two"
        return [OptionProblem(("low",), what)]

    def place(self, note: int) -> int | None:
        """The note that `note` becomes, or None where it is dropped."""
        if self.low <= note <= self.high:
            return note
        if self.outside == "drop":
            return None
        if note < self.low:  # as few octaves as bring it in
            note += -(-(self.low - note) // OCTAVE) * OCTAVE
        else:
            note -= -(-(note - self.high) // OCTAVE) * OCTAVE
        return note if self.low <= note <= self.high else None


class NoteRange(Plugin[NoteRangeOptions]):
    """Keeps notes to a part of the keyboard, or folds the others into it by octaves.

    In a range of less than an octave some notes have no place: those are dropped, so that neither
    a note outside the range nor a wrong one is ever heard.
    """

    name = "note_range"
    Options = NoteRangeOptions

    def __init__(self, options: NoteRangeOptions, host: Host) -> None:
        super().__init__(options, host)
        self._moves = NoteMoves([options.place(note) for note in range(128)])

    def step_for(self, kind: Kind, channel: int | None) -> Step | None:
        """Only what carries a note number concerns us."""
        return self._moves.step_for(kind)

    def inherit(self, former: Self, t_ns: int) -> None:
        """Notes that are held are let go where they were folded to; dropped ones stay dropped."""
        self._moves.inherit(former._moves)


@hookimpl
def pointsman_plugins() -> list[type[NoteRange]]:
    """Offer note_range."""
    return [NoteRange]
