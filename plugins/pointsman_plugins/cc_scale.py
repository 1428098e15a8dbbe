"""cc_scale: brings the range of a control into another range."""

from __future__ import annotations

from math import floor
from typing import Annotated

from pydantic import Field, model_validator

from pointsman.plugin import (
    ControlNumber,
    Emission,
    Host,
    Kind,
    Plugin,
    PluginOptions,
    Step,
    Value,
    hookimpl,
)

Pair = tuple[Value, Value]


class CcScaleOptions(PluginOptions):
    """What cc_scale can be told."""

    control: Annotated[ControlNumber, Field(description="the control to scale")]
    from_: Annotated[
        Pair, Field(alias="from", description="the range that comes in; may run downwards")
    ] = (0, 127)
    to: Annotated[Pair, Field(description="the range that goes out; may run downwards")]
    gamma: Annotated[
        float,
        Field(gt=0, le=100, allow_inf_nan=False, description="above 1 the low end is finer"),
    ] = 1.0

    @model_validator(mode="after")
    def _range(self) -> CcScaleOptions:
        if self.from_[0] == self.from_[1]:
            raise ValueError("'from' needs two different values; write for example from: [0, 127]")
        return self


class CcScale(Plugin[CcScaleOptions]):
    """Brings the range of a control into another range: to0 + (to1 - to0) * x ** gamma."""

    name = "cc_scale"
    Options = CcScaleOptions

    def __init__(self, options: CcScaleOptions, host: Host) -> None:
        super().__init__(options, host)
        self._control = options.control
        self._scaled = [bytes((scale(value, options),)) for value in range(128)]

    def step_for(self, kind: Kind, channel: int | None) -> Step | None:
        """Only controls concern us."""
        return self._scale if kind is Kind.CONTROL else None

    def _scale(self, data: bytes, t_ns: int) -> Emission:
        if data[1] != self._control:
            return data
        return data[:2] + self._scaled[data[2]]


def scale(value: int, options: CcScaleOptions) -> int:
    """The value that `value` becomes: rounded half up, and never outside 0-127."""
    low, high = options.from_
    first, last = options.to
    x = (min(max(value, min(low, high)), max(low, high)) - low) / (high - low)
    scaled: int = floor(first + (last - first) * x**options.gamma + 0.5)
    return min(max(scaled, 0), 127)


@hookimpl
def pointsman_plugins() -> list[type[CcScale]]:
    """Offer cc_scale."""
    return [CcScale]
