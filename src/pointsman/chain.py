"""One chain: the ordered plugins that every message for one output passes through.

How this works. Every plugin is asked once, for each key of message, for the step that handles it;
`compile` makes a table of them: for each place in the chain and each key, the steps from there on.
A plugin that is not concerned with a key is not in that key's list at all, so it costs that kind
of message nothing. `run` walks such a list. A message that a plugin changed into another kind, or
added, goes on at the next place with the list of its own key.

A plugin that raises, or returns what is no MIDI message, is bypassed from then on: `run` reports
it, lets it let go of what it held, and goes on with the message as if it had not been there.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any

from pointsman.device import Device
from pointsman.errors import PluginError
from pointsman.message import KEYS, KIND_BY_KEY, NO_MESSAGE, channel_of_key, key_of
from pointsman.plugin import Emission, Host, Plugin, Step, TimedCall
from pointsman.rig import EntrySpec
from pointsman.schedule import Schedule
from pointsman.transport import Transport, TransportChange

PLUGIN_ERRORS = (Exception, SystemExit)
"""What a plugin may raise without harm to the rest; one that asks to exit has no right to."""

Sink = Callable[[int, bytes, int], None]
"""Where a chain ends: called with the key, the message and its time."""


class Entry:
    """One place in a chain: a plugin with what the rig says about it, and its counts."""

    def __init__(
        self, spec: EntrySpec, transport: Transport, device: Device | None, schedule: Schedule
    ) -> None:
        self.name = spec.plugin.name
        self.label = spec.label
        self.line = spec.line
        self.file = spec.file
        self.channels = spec.channels
        self.bypass = spec.bypass
        self.place = 0
        self.changed = self.dropped = self.added = 0
        self.fault: str | None = None
        self.chain: Chain
        host = Host(transport, device, schedule, self._timed)
        try:
            self.plugin: Plugin[Any] = spec.plugin(spec.options, host)
            self._steps = {key: self._ask(key) for key in KIND_BY_KEY}
        except PLUGIN_ERRORS as error:
            raise PluginError(
                f"line {spec.line}: plugin {self.name} will not start: {_said(error)}"
            ) from error

    def _timed(self, call: TimedCall, t_ns: int) -> None:
        if not self.bypass:
            self.chain.run_call(self, call, t_ns)

    def _ask(self, key: int) -> Step | None:
        channel = channel_of_key(key)
        if self.channels is not None and channel not in self.channels:
            return None
        return self.plugin.step_for(KIND_BY_KEY[key], channel)

    def step_for(self, key: int) -> Step | None:
        """What handles messages of `key` here, or None. The plugin was asked once, at the start."""
        return None if self.bypass else self._steps[key]


Observer = Callable[[Entry, bytes | None, int, Emission], None]
"""Told of each message that an entry handled: entry, message, time, what it made of it.

The message is None where the entry sends of its own accord: a timed call, a flush."""


class Chain:
    """The compiled chain of one output, or of the input."""

    def __init__(
        self,
        entries: Iterable[Entry],
        sink: Sink,
        on_fault: Callable[[Entry, int], None],
        observe: Observer | None = None,
    ) -> None:
        self.entries = list(entries)
        self._sink = sink
        self._on_fault = on_fault
        self._observe = observe
        self._steps: list[list[tuple[tuple[Step, Entry], ...]]] = []
        for place, entry in enumerate(self.entries):
            entry.place = place
            entry.chain = self
        self.compile()

    def compile(self) -> None:
        """Build the lists of steps anew, from the last place to the first."""
        after: list[tuple[tuple[Step, Entry], ...]] = [()] * KEYS
        tables = [after]
        for entry in reversed(self.entries):
            here = list(after)
            for key in KIND_BY_KEY:
                step = entry.step_for(key)
                if step is not None:
                    here[key] = ((self._watched(step, entry), entry), *after[key])
            tables.append(here)
            after = here
        self._steps = tables[::-1]

    def run(self, place: int, key: int, data: bytes, t_ns: int) -> None:
        """Send one message down the chain from `place` on, and into the sink."""
        for step, entry in self._steps[place][key]:
            try:
                out = step(data, t_ns)
            except PLUGIN_ERRORS as error:
                self._fail(entry, _said(error), t_ns)
                self.run(entry.place + 1, key, data, t_ns)  # by the new table
                return
            if out is data:
                continue
            if out is None:
                entry.dropped += 1
                return
            if type(out) is bytes:
                out_key = key_of(out)
                if out_key == key:
                    entry.changed += 1
                    data = out
                    continue
                out = (out,)
            if not self._spread(entry, out, data, t_ns):
                self.run(entry.place + 1, key, data, t_ns)
            return
        self._sink(key, data, t_ns)

    def send_from(self, entry: Entry, emission: Emission, t_ns: int) -> None:
        """Send what an entry says of its own accord (a timed call, a flush) down the rest."""
        if emission is not None:
            self._spread(entry, (emission,) if type(emission) is bytes else emission, None, t_ns)

    def run_call(self, entry: Entry, call: TimedCall, t_ns: int) -> None:
        """Make a call that an entry asked for, and send on what it returns."""
        try:
            emission = call(t_ns)
        except PLUGIN_ERRORS as error:
            self._fail(entry, _said(error), t_ns)
            return
        self.send_from(entry, emission, t_ns)

    def tell(self, entry: Entry, change: TransportChange, t_ns: int) -> None:
        """Tell an entry what happened to the song, and send on what it says to that."""
        self.run_call(entry, lambda now_ns: entry.plugin.on_transport(change, now_ns), t_ns)

    def flush(self, entry: Entry, t_ns: int) -> None:
        """Let an entry let go of what it holds."""
        self.run_call(entry, entry.plugin.flush, t_ns)

    def flush_all(self, t_ns: int) -> None:
        """Let every entry let go of what it holds; those that are bypassed hold nothing."""
        for entry in self.entries:
            if not entry.bypass:
                self.flush(entry, t_ns)

    def _spread(self, entry: Entry, messages: Any, data: bytes | None, t_ns: int) -> bool:
        """Send on what an entry returned for `data`; False when it returned nonsense."""
        try:
            keyed = [(key_of(message), message) for message in messages]
        except PLUGIN_ERRORS:
            keyed = [(NO_MESSAGE, b"")]
        if any(key == NO_MESSAGE or type(message) is not bytes for key, message in keyed):
            self._fail(entry, f"it returned what is no MIDI message: {_shown(messages)}", t_ns)
            return False
        sent = [message for _, message in keyed]
        if data is None and sent and self._observe is not None:
            self._observe(entry, None, t_ns, sent)
        self._count(entry, sent, data)
        for key, message in keyed:
            self.run(entry.place + 1, key, message, t_ns)
        return True

    @staticmethod
    def _count(entry: Entry, messages: list[bytes], data: bytes | None) -> None:
        if data is None:
            entry.added += len(messages)
        elif not messages:
            entry.dropped += 1
        else:
            entry.added += len(messages) - 1
            if not any(message == data for message in messages):
                entry.changed += 1

    def _fail(self, entry: Entry, fault: str, t_ns: int) -> None:
        """Bypass an entry for good, and let it let go of what it held."""
        if entry.fault is not None:
            return
        entry.fault = fault
        entry.bypass = True
        self.compile()
        self.flush(entry, t_ns)
        self._on_fault(entry, t_ns)

    def _watched(self, step: Step, entry: Entry) -> Step:
        observe = self._observe
        if observe is None:
            return step

        def watched(data: bytes, t_ns: int) -> Emission:
            out = step(data, t_ns)
            observe(entry, data, t_ns, out)
            return out

        return watched


def _said(error: BaseException) -> str:
    """An error of a plugin in words; a plugin's own errors may fail at that too."""
    try:
        return f"{type(error).__name__}: {error}"
    except PLUGIN_ERRORS:
        return type(error).__name__


def _shown(nonsense: object) -> str:
    try:
        return f"{nonsense!r:.80}"
    except PLUGIN_ERRORS:
        return f"a {type(nonsense).__name__}"
