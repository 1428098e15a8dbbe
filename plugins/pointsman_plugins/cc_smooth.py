"""cc_smooth: moves a control to each new value in a straight line, instead of in one jump.

How this works. Each channel has one `_Line`. A new value begins a line from what was sent last to
that value. Its steps are at whole intervals from its beginning; its end has a timer of its own, so
that the value itself is sent exactly when the time is over, also where that is counted in clocks.
"""

from __future__ import annotations

from functools import partial
from typing import Annotated, Self

from pydantic import Field

from pointsman.plugin import (
    DEFAULT_TEMPO,
    SHORTEST_INTERVAL_NS,
    Control,
    ControlReader,
    Duration,
    Emission,
    Flow,
    Host,
    Interval,
    Kind,
    Plugin,
    PluginOptions,
    Step,
    Time,
    Timer,
    hookimpl,
    read_on,
    resets_controls,
)

NS_PER_S = 1_000_000_000


class CcSmoothOptions(PluginOptions):
    """What cc_smooth can be told."""

    moves_nothing = True

    control: Annotated[Control, Field(description="the control to smooth")]
    time: Annotated[Time, Field(description="how long the way to a new value takes")] = Duration(
        "40ms", ns=40_000_000
    )
    interval: Annotated[
        Interval, Field(description="a value on the way is sent so often; at least 1ms")
    ] = Duration("5ms", ns=5_000_000)

    def pace(self, flow: Flow, per_second: float) -> float:
        """While it moves its control, it sends one value each interval."""
        if flow.kind is not Kind.CONTROL or flow.control != self.control.cc or not per_second:
            return per_second
        return NS_PER_S / self.interval.to_ns(*DEFAULT_TEMPO)


class _Line:
    """The way of the control on one channel; `sent` is what the synth has, None if unknown."""

    def __init__(self) -> None:
        self.sent: int | None = None
        self.first = self.last = 0
        self.begun_ns = self.time_ns = 0
        self.moving = False
        self.step: Timer | None = None
        self.end: Timer | None = None

    def stop(self) -> None:
        """Stay where it is."""
        self.moving = False
        for timer in (self.step, self.end):
            if timer is not None:
                timer.cancel()

    def at(self, t_ns: int) -> int:
        """The value on the line at that time, rounded half up."""
        passed_ns = min(t_ns - self.begun_ns, self.time_ns)
        way = (self.last - self.first) * passed_ns
        return self.first + (2 * way + self.time_ns) // (2 * self.time_ns)


class CcSmooth(Plugin[CcSmoothOptions]):
    """Moves a control to each new value in a straight line, instead of in one jump."""

    name = "cc_smooth"
    Options = CcSmoothOptions

    def __init__(self, options: CcSmoothOptions, host: Host) -> None:
        super().__init__(options, host)
        self._ref = options.control
        self._reader = ControlReader([options.control])
        self.only_controls = self._reader.numbers
        self._lines = [_Line() for _ in range(16)]

    def step_for(self, kind: Kind, channel: int | None) -> Step | None:
        """SysEx concerns us only where it sets the control."""
        if kind is Kind.SYSEX and not self._reader.reads_sysex:
            return None
        return super().step_for(kind, channel)

    def on_control(self, data: bytes, t_ns: int) -> Emission:
        """A value of our control begins a line."""
        if self._ref.is_plain and data[1] != self._ref.cc:
            return data
        found = self._reader.control(data)
        return data if found is None else self._begin(data[0] & 0x0F, found[1], data, t_ns)

    def on_sysex(self, data: bytes, t_ns: int) -> Emission:
        """The same for a control that is reached by SysEx."""
        found = self._reader.sysex(data)
        return data if found is None else self._begin(self._ref.channel, found[1], data, t_ns)

    def on_mode(self, data: bytes, t_ns: int) -> Emission:
        """Reset All Controllers ends the way, and what the synth has is unknown."""
        if resets_controls(data):
            line = self._lines[data[0] & 0x0F]
            line.stop()
            line.sent = None
        return data

    def _begin(self, channel: int, value: int, data: bytes, t_ns: int) -> Emission:
        """The first value passes at once, and so does one that the synth has already."""
        line = self._lines[channel]
        line.stop()
        time_ns = self.host.transport.to_ns(self.options.time)
        if line.sent is None or value == line.sent or not time_ns:
            line.sent = value
            return data
        line.first, line.last = line.sent, value
        line.begun_ns, line.time_ns = t_ns, time_ns
        line.moving = True
        line.end = self.host.after(self.options.time, t_ns, partial(self._end, channel))
        self._plan_step(channel, line, t_ns)
        return None

    def _plan_step(self, channel: int, line: _Line, t_ns: int) -> None:
        next_ns = t_ns + max(self.host.transport.to_ns(self.options.interval), SHORTEST_INTERVAL_NS)
        if next_ns < line.begun_ns + line.time_ns:
            line.step = self.host.at(next_ns, partial(self._step, channel))

    def _step(self, channel: int, t_ns: int) -> Emission:
        line = self._lines[channel]
        self._plan_step(channel, line, t_ns)
        return self._send(channel, line, line.at(t_ns))

    def _end(self, channel: int, t_ns: int) -> list[bytes]:
        line = self._lines[channel]
        line.stop()
        return self._send(channel, line, line.last)

    def _send(self, channel: int, line: _Line, value: int) -> list[bytes]:
        if value == line.sent:
            return []
        line.sent = value
        return [*self._ref.messages(channel, value), *self._reader.reselect(channel, self._ref)]

    def flush(self, t_ns: int) -> Emission:
        """End every way at once, on its value: a control on its way home must come home."""
        ends: list[bytes] = []
        for channel, line in enumerate(self._lines):
            if line.moving:
                ends += self._end(channel, t_ns)
        return ends

    def inherit(self, former: Self, t_ns: int) -> None:
        """The next line begins where the same control is."""
        read_on(self._reader, former._reader, [self._ref])
        if former._ref == self._ref:
            for line, former_line in zip(self._lines, former._lines, strict=True):
                line.sent = former_line.sent


@hookimpl
def pointsman_plugins() -> list[type[CcSmooth]]:
    """Offer cc_smooth."""
    return [CcSmooth]
