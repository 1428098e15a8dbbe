"""velocity: brings how hard notes are struck into another range, or makes it always the same."""

from __future__ import annotations

from math import floor
from typing import Annotated

from pydantic import Field, model_validator

from pointsman.plugin import (
    Context,
    Emission,
    Host,
    OptionProblem,
    Plugin,
    PluginOptions,
    Value,
    Whole,
    hookimpl,
)

SOFTEST, HARDEST = 1, 127
"""The velocities of a note-on; with velocity 0 it would be a note-off (MIDI 1.0, 4.2.1, p. 10)."""


class VelocityOptions(PluginOptions):
    """What velocity can be told: exactly one of `to` and `fixed`."""

    moves_nothing = True

    to: Annotated[
        tuple[Value, Value] | None,
        Field(description="what the softest and the hardest note become; may run downwards"),
    ] = None
    gamma: Annotated[
        float,
        Field(gt=0, le=100, allow_inf_nan=False, description="above 1 the soft end is finer"),
    ] = 1.0
    fixed: Annotated[
        int | None,
        Whole(SOFTEST, HARDEST, "a velocity"),
        Field(description="the velocity that every note gets"),
    ] = None

    @model_validator(mode="after")
    def _one_way(self) -> VelocityOptions:
        if (self.to is None) == (self.fixed is None):
            raise ValueError("needs exactly one of 'to' and 'fixed'; write the one you mean")
        return self

    def problems(self, context: Context) -> list[OptionProblem]:
        """A curve needs a range."""
        if self.fixed is None or "gamma" not in self.model_fields_set:
            return []
        return [OptionProblem(("gamma",), "does nothing beside 'fixed'; leave it out, or use 'to'")]

    def becomes(self, velocity: int) -> int:
        """What a velocity (1-127) becomes: rounded half up, and never below 1."""
        if self.to is None:
            return self.fixed or HARDEST
        low, high = self.to
        x = (velocity - SOFTEST) / (HARDEST - SOFTEST)
        scaled: int = floor(low + (high - low) * x**self.gamma + 0.5)
        return max(SOFTEST, scaled)


class Velocity(Plugin[VelocityOptions]):
    """Brings how hard notes are struck into another range, or makes it always the same."""

    name = "velocity"
    Options = VelocityOptions

    def __init__(self, options: VelocityOptions, host: Host) -> None:
        super().__init__(options, host)
        self._table = [0, *(options.becomes(v) for v in range(SOFTEST, HARDEST + 1))]

    def on_note_on(self, data: bytes, t_ns: int) -> Emission:
        """Give the note its new velocity; the release velocity of note-offs stays as it is."""
        velocity = self._table[data[2]]
        return data if velocity == data[2] else bytes((data[0], data[1], velocity))


@hookimpl
def pointsman_plugins() -> list[type[Velocity]]:
    """Offer velocity."""
    return [Velocity]
