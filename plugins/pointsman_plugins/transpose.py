"""transpose: moves notes up or down by semitones."""

from __future__ import annotations

from typing import Annotated, Self

from pydantic import Field

from pointsman.plugin import (
    Flow,
    Host,
    Kind,
    NoteMoves,
    Plugin,
    PluginOptions,
    Step,
    Whole,
    hookimpl,
)


class TransposeOptions(PluginOptions):
    """What transpose can be told."""

    semitones: Annotated[
        int,
        Whole(-127, 127),
        Field(description="how far up, or down where it is negative; an octave is 12"),
    ]

    def foresee(self, flow: Flow) -> list[Flow]:
        """Where it is known which notes come, it is known which leave."""
        if flow.kind is not Kind.NOTE_ON:
            return [flow]
        low, high = (None if note is None else note + self.semitones for note in flow[-2:])
        if (low is not None and low > 127) or (high is not None and high < 0):
            return []
        return [flow._replace(low=low and max(low, 0), high=high and min(high, 127))]


class Transpose(Plugin[TransposeOptions]):
    """Moves notes up or down by semitones; what would leave 0-127 is dropped, note-off and all."""

    name = "transpose"
    Options = TransposeOptions

    def __init__(self, options: TransposeOptions, host: Host) -> None:
        super().__init__(options, host)
        moved = [note + options.semitones for note in range(128)]
        self._moves = NoteMoves([note if 0 <= note <= 127 else None for note in moved])

    def step_for(self, kind: Kind, channel: int | None) -> Step | None:
        """Only what carries a note number concerns us."""
        return self._moves.step_for(kind)

    def inherit(self, former: Self, t_ns: int) -> None:
        """Notes that are held are let go where they were moved to."""
        self._moves.inherit(former._moves)


@hookimpl
def pointsman_plugins() -> list[type[Transpose]]:
    """Offer transpose."""
    return [Transpose]
