"""clock_filter: keeps clock or transport from a synth, or gives it a slower clock."""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import Field

from pointsman.plugin import (
    Emission,
    Flow,
    Host,
    Kind,
    Plugin,
    PluginOptions,
    Step,
    Whole,
    hookimpl,
    stateless,
)

_TRANSPORT = frozenset({Kind.START, Kind.CONTINUE, Kind.STOP, Kind.SONG_POSITION})


class ClockFilterOptions(PluginOptions):
    """What clock_filter can be told."""

    clock: Annotated[
        Literal["pass", "drop"], Field(description="whether the clock (F8) goes on")
    ] = "pass"
    transport: Annotated[
        Literal["pass", "drop"],
        Field(description="whether Start, Continue, Stop and Song Position go on"),
    ] = "pass"
    divide: Annotated[
        int,
        Whole(1, 9999),
        Field(description="only every so many clocks goes on, the first one too"),
    ] = 1

    def foresee(self, flow: Flow) -> list[Flow]:
        """Clock and transport that are not dropped pass, and so does all else."""
        dropped = (flow.kind is Kind.CLOCK and self.clock == "drop") or (
            flow.kind in _TRANSPORT and self.transport == "drop"
        )
        return [] if dropped else [flow]


class ClockFilter(Plugin[ClockFilterOptions]):
    """Keeps clock or transport from a synth, or gives it a slower clock."""

    name = "clock_filter"
    Options = ClockFilterOptions

    def __init__(self, options: ClockFilterOptions, host: Host) -> None:
        super().__init__(options, host)
        self._next = 0

    def step_for(self, kind: Kind, channel: int | None) -> Step | None:
        """Only what is kept out or divided concerns us."""
        if kind is Kind.CLOCK:
            if self.options.clock == "drop":
                return _drop
            return self._thin if self.options.divide > 1 else None
        if kind in _TRANSPORT and self.options.transport == "drop":
            return _drop
        return None

    def _thin(self, data: bytes, t_ns: int) -> Emission:
        """Let every Nth clock pass: by its place in the song, evenly on while that is stopped."""
        transport = self.host.transport
        place = transport.position if transport.playing else self._next
        self._next = place + 1
        return data if place % self.options.divide == 0 else None

    def inherit(self, former: Self, t_ns: int) -> None:
        """Clocks that come while the song is stopped are counted on."""
        self._next = former._next


@stateless
def _drop(data: bytes, t_ns: int) -> None:
    return None


@hookimpl
def pointsman_plugins() -> list[type[ClockFilter]]:
    """Offer clock_filter."""
    return [ClockFilter]
