"""One plugin at work, and another of its class that takes its place: what a reload does with them.

It does to a plugin object what the engine does, with a host of its own and nothing between: what is
due goes first, the song is told of, the step for the message is called. At `change` the former
object flushes, what it has asked for is dead, and the new one, made beforehand, inherits.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from pointsman.device import Device
from pointsman.message import KIND_BY_KEY, Kind, channel_of_key, key_of, song_position
from pointsman.options import Context
from pointsman.plugin import Emission, Host, Plugin, TimedCall, whole_of
from pointsman.registry import load_plugins
from pointsman.schedule import Schedule
from pointsman.testing import Event
from pointsman.transport import Transport, TransportChange
from pointsman.units import NS_PER_S, seconds_text
from pointsman.words import hex_text, parse_message

SHIPPED = load_plugins().plugins
CHANGES = {
    Kind.START: TransportChange.START,
    Kind.CONTINUE: TransportChange.CONTINUE,
    Kind.STOP: TransportChange.STOP,
    Kind.SONG_POSITION: TransportChange.POSITION,
}


class Made:
    """A plugin object with its host; it may be made long before it is used."""

    def __init__(self, place: Succession, options: Mapping[str, Any]) -> None:
        self._place = place
        context = Context(place.device)
        checked = place.plugin.Options.model_validate(options, context=context)
        assert not checked.problems(context)
        self._host = Host(place.transport, place.device, Schedule(place.transport), self._run)
        self.plugin: Plugin[Any] = place.plugin(checked, self._host)
        self.ask()

    def ask(self) -> None:
        """Ask for the steps: at first, and again when it has inherited."""
        self.steps = {
            key: self.plugin.step_for(kind, channel_of_key(key))
            for key, kind in KIND_BY_KEY.items()
        }

    def begin(self) -> None:
        """Be used from now on."""
        self._host.move_to(self._place.schedule)

    def _run(self, call: TimedCall, t_ns: int) -> None:
        if self._place.now is self:
            self._place.send(call(t_ns), t_ns)


class Succession:
    """The place of one plugin. `sent` is all that left it, as `pointsman.testing.log` writes it."""

    def __init__(self, plugin: str, options: Mapping[str, Any], device: Device | None = None):
        self.plugin = SHIPPED[plugin]
        self.device = device
        self.transport = Transport()
        self.schedule = Schedule(self.transport)
        self.schedule.now_ns = 0
        self.sent: list[Event] = []
        self.now = Made(self, options)
        self.now.begin()

    def make(self, options: Mapping[str, Any]) -> Made:
        """Make a successor, now and not at the change."""
        return Made(self, options)

    def advance(self, seconds: float) -> int:
        """Time goes by until then; it is given back in nanoseconds."""
        t_ns = round(seconds * NS_PER_S)
        self.schedule.run_until(t_ns)
        self.schedule.now_ns = t_ns
        return t_ns

    def feed(self, seconds: float, *messages: str) -> None:
        """Messages come in, as hex."""
        for message in messages:
            t_ns = self.advance(seconds)
            data = parse_message(message)
            key = key_of(data)
            self._follow_song(KIND_BY_KEY[key], data, t_ns)
            step = self.now.steps[key]
            only = self.now.plugin.only_controls
            passes = only is not None and KIND_BY_KEY[key] is Kind.CONTROL and data[1] not in only
            made = data if step is None or passes else whole_of(step(data, t_ns), data, t_ns)
            self.send(made, t_ns)

    def clocks(self, first_s: float, period_s: float, count: int) -> None:
        """So many clocks, evenly spaced."""
        for number in range(count):
            self.feed(first_s + number * period_s, "F8")

    def change(self, seconds: float, to: Mapping[str, Any] | Made) -> None:
        """The former one flushes; the other takes its place."""
        made = to if isinstance(to, Made) else self.make(to)
        t_ns = self.advance(seconds)
        former = self.now.plugin
        self.send(former.flush(t_ns), t_ns)
        self.now = made
        made.begin()
        made.plugin.inherit(former, t_ns)
        made.ask()
        self.schedule.run_until(t_ns)

    def heard(self) -> list[Event]:
        """What was sent since this was asked last."""
        sent, self.sent = self.sent, []
        return sent

    def send(self, emission: Emission, t_ns: int) -> None:
        """What leaves the plugin."""
        for data in (emission,) if isinstance(emission, bytes) else emission or ():
            self.sent.append((seconds_text(t_ns), hex_text(data)))

    def _follow_song(self, kind: Kind, data: bytes, t_ns: int) -> None:
        transport = self.transport
        if kind is Kind.CLOCK:
            self.schedule.before_clock(t_ns)
            transport.clock(t_ns)
        elif kind is Kind.START:
            transport.start()
        elif kind is Kind.CONTINUE:
            transport.resume()
        elif kind is Kind.STOP:
            transport.stop()
        elif kind is Kind.SONG_POSITION:
            transport.locate(song_position(data))
        if kind in CHANGES:
            self.send(self.now.plugin.on_transport(CHANGES[kind], t_ns), t_ns)
