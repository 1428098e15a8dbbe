"""cc_scale: brings the range of a control into another range."""

from __future__ import annotations

from dataclasses import replace
from typing import Annotated, Literal, Self

from pydantic import BeforeValidator, Field

from pointsman.plugin import (
    Context,
    Control,
    ControlReader,
    ControlRef,
    Emission,
    Host,
    Kind,
    OptionProblem,
    Plugin,
    PluginOptions,
    Step,
    Whole,
    as_int,
    hookimpl,
    read_on,
    stateless,
)

FINE = 32
"""The fine half of control n is n + 32 (MIDI 1.0, 4.2.1, p. 12)."""

End = Annotated[int, Whole(0, 16383, "a value", top_shown="127 (16383 with 14 bits)")]
Range = tuple[End, End]
Bits = Annotated[Literal[7, 14], BeforeValidator(as_int)]


class CcScaleOptions(PluginOptions):
    """What cc_scale can be told."""

    moves_nothing = True

    control: Annotated[Control, Field(description="the control to scale")]
    from_: Annotated[
        Range | None,
        Field(
            alias="from",
            description="the range that comes in; may run downwards; default the whole one",
        ),
    ] = None
    to: Annotated[Range, Field(description="the range that goes out; may run downwards")]
    gamma: Annotated[
        float,
        Field(gt=0, le=100, allow_inf_nan=False, description="above 1 the low end is finer"),
    ] = 1.0
    bits: Annotated[
        Bits, Field(description="14: control 0-31 and its fine half 32-63, values 0-16383")
    ] = 7

    def ref(self) -> ControlRef:
        """The control, with its fine half where 14 bits are asked for."""
        cc = self.control.cc
        if self.bits == 14 and cc is not None and cc < FINE and self.control.is_plain:
            return replace(self.control, fine=cc + FINE)
        return self.control

    def source(self) -> tuple[int, int]:
        """The range that comes in."""
        return self.from_ or (0, self.ref().top)

    def problems(self, context: Context) -> list[OptionProblem]:
        """14 bits need a pair, no range may leave the control's own, and it needs two ends."""
        found = []
        top = self.ref().top
        if self.bits == 14 and top == 127:
            what = (
                f"'{self.control.name}' has no fine half; write a control from 0 to 31, or bits: 7"
            )
            found.append(OptionProblem(("bits",), what))
            top = 16383
        for name, ends in (("from", self.source()), ("to", self.to)):
            found += [
                OptionProblem((name, number), f"'{end}' is too high; write 0 to {top}")
                for number, end in enumerate(ends)
                if end > top
            ]
        if self.source()[0] == self.source()[1]:
            what = "both ends are the same; write two values, such as [0, 127]"
            found.append(OptionProblem(("from",), what))
        return found


class CcScale(Plugin[CcScaleOptions]):
    """Brings the range of a control into another range: to0 + (to1 - to0) * x ** gamma."""

    name = "cc_scale"
    Options = CcScaleOptions

    def __init__(self, options: CcScaleOptions, host: Host) -> None:
        super().__init__(options, host)
        self._ref = options.ref()
        self._reader = ControlReader([self._ref])
        self.only_controls = self._reader.numbers
        wide = self._ref.fine is not None
        self._table = [] if wide else [bytes((scale(v, options),)) for v in range(128)]
        self._known: dict[int, int] = {}
        self._coarse = [-1] * 16  # the coarse half that each channel was sent last

    def step_for(self, kind: Kind, channel: int | None) -> Step | None:
        """A plain control takes the short way; only SysEx controls look at SysEx."""
        if kind is Kind.CONTROL:
            return self._plain if self._ref.is_plain else self._any
        return self._sysex if kind is Kind.SYSEX and self._reader.reads_sysex else None

    @stateless
    def _plain(self, data: bytes, t_ns: int) -> Emission:
        if data[1] != self._ref.cc:
            return data
        return data[:2] + self._table[data[2]]

    def _any(self, data: bytes, t_ns: int) -> Emission:
        """Of a parameter only the data entry changes."""
        found = self._reader.control(data)
        if found is None:
            return data
        if self._ref.fine is None:
            return data[:2] + self._table[data[2]]
        scaled = self._known.get(found[1])
        if scaled is None:
            scaled = self._known[found[1]] = scale(found[1], self.options)
        return self._pair(data, scaled)

    def _pair(self, data: bytes, scaled: int) -> Emission:
        """The halves that a receiver lacks: a coarse one sets the fine one to 0 by itself."""
        channel = data[0] & 0x0F
        coarse, fine = self._ref.messages(channel, scaled)
        known, self._coarse[channel] = self._coarse[channel], scaled >> 7
        if data[1] == self._ref.cc:
            return [coarse, fine] if scaled & 0x7F else coarse
        return fine if known == scaled >> 7 else [coarse, fine]

    def _sysex(self, data: bytes, t_ns: int) -> Emission:
        found = self._reader.sysex(data)
        return data if found is None else self._ref.messages(0, scale(found[1], self.options))

    def inherit(self, former: Self, t_ns: int) -> None:
        """The stream has selected what it had, and the synth has the halves that it was sent."""
        read_on(self._reader, former._reader, [self._ref])
        if former._ref == self._ref:
            self._coarse = former._coarse


def scale(value: int, options: CcScaleOptions) -> int:
    """The value that `value` becomes: rounded half up, and never outside the control's range."""
    low, high = options.source()
    first, last = options.to
    part, whole = min(max(value, min(low, high)), max(low, high)) - low, high - low
    # All in whole numbers: in floats, a half can come out just below itself.
    if options.gamma != 1:
        part, whole = ((part / whole) ** options.gamma).as_integer_ratio()
    result = (2 * (first * whole + (last - first) * part) + whole) // (2 * whole)
    return min(max(result, 0), options.ref().top)


@hookimpl
def pointsman_plugins() -> list[type[CcScale]]:
    """Offer cc_scale."""
    return [CcScale]
