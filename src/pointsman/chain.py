"""One chain: the ordered plugins that every message for one output passes through.

How this works. Every plugin is asked once, for each kind of message on each channel, for the step
that handles it. `compile` makes a table for each place in the chain: for each key of message the
next step that is concerned with it, and the table that holds after that step. A plugin that is not
concerned with a key is in no table for it, so it costs such messages nothing. `run` goes from step
to step. A message that a plugin changed into another kind, or added, goes on with its own key.

A plugin that raises, or returns what is no MIDI message, is bypassed from then on: `run` reports
it, lets it let go of what it held, and goes on with the message as if it had not been there.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from functools import cached_property, partial
from typing import Any, TypeVar

from pointsman.device import Device
from pointsman.errors import PLUGIN_ERRORS, PluginError
from pointsman.message import (
    ALL_NOTES_OFF,
    KEYS,
    KEYS_OF,
    NO_MESSAGE,
    Kind,
    control_change,
    is_mode_message,
    key_of,
)
from pointsman.plugin import Emission, Host, Plugin, Step, TimedCall
from pointsman.rig import EntrySpec
from pointsman.schedule import Schedule
from pointsman.transport import Transport, TransportChange

AnswerT = TypeVar("AnswerT")

Table = list["Stop | None"]
"""The next stop for each key of message, None where no further plugin is concerned with it."""

Stop = tuple[Step, "Entry", Table, bool]
"""A step, the entry that it belongs to, the table for what goes on from there, and whether what
the step makes of a message depends on its bytes alone."""

Sink = Callable[[int, bytes, int], None]
"""Where a chain ends: called with the key, the message and its time."""


class Entry:
    """One place in a chain: a plugin with what the rig says about it, and its counts."""

    def __init__(self, spec: EntrySpec, transport: Transport, device: Device | None) -> None:
        self.name = spec.plugin.name
        self.channels = spec.channels
        self.device = device
        self.bypass = spec.bypass
        self.place = 0
        self.added = self._changed = self._dropped = 0
        self.fault: str | None = None
        self.chain: Chain
        self.rename(spec)
        # What the plugin asks for while it is made waits in a schedule of its own: it may be made
        # long before it is used, and on another thread.
        self._host = Host(transport, device, Schedule(transport), self._timed)
        try:
            self.plugin: Plugin[Any] = spec.plugin(spec.options, self._host)
            self._steps = list(self._ask())
        except PLUGIN_ERRORS as error:
            raise PluginError(
                f"line {spec.line}: plugin {self.name} will not start: {_said(error)}"
            ) from error

    @cached_property
    def likeness(self) -> str:
        """All that decides what it does. Not by ==: controls that have other homes are equal."""
        return repr((self.spec.options, sorted(self.channels or ()), self.device))

    def rename(self, spec: EntrySpec) -> None:
        """Take from the rig what has nothing to do with sound: the label, and where it stands."""
        self.spec = spec
        self.label = spec.label
        self.line = spec.line
        self.file = spec.file

    def begin(self, schedule: Schedule) -> None:
        """Be used from now on: what the plugin has asked for is now due in this schedule."""
        self._host.move_to(schedule)

    def _timed(self, call: TimedCall, t_ns: int) -> None:
        if not self.bypass:
            self.chain.run_call(self, call, t_ns)

    @property
    def changed(self) -> int:
        """How many messages it changed."""
        self.chain.settle()
        return self._changed

    @property
    def dropped(self) -> int:
        """How many messages it dropped."""
        self.chain.settle()
        return self._dropped

    @property
    def counts(self) -> tuple[int, int, int]:
        """Changed, dropped and added, as they were when the engine last settled its counts."""
        return self._changed, self._dropped, self.added

    def count(self, changed: int = 0, dropped: int = 0) -> None:
        """Add to the counts."""
        self._changed += changed
        self._dropped += dropped

    def _ask(self) -> Iterator[tuple[Step, Sequence[int]]]:
        only = self.plugin.only_controls
        for (kind, channel), keys in KEYS_OF.items():
            if self.channels is not None and channel not in self.channels:
                continue
            step = self.plugin.step_for(kind, channel)
            if step is not None:
                if only is not None and kind is Kind.CONTROL:
                    yield step, [keys[number] for number in only]
                else:
                    yield step, keys

    def inherit(self, former: Entry, t_ns: int) -> None:
        """Let the plugin learn from a former one; it is asked again for its steps after that."""
        self.plugin.inherit(former.plugin, t_ns)
        self._steps = list(self._ask())

    def end_notes(self, channel: int, t_ns: int) -> Emission:
        """Tell the plugin that all notes of a channel are off; what it sends because of that."""
        message = control_change(channel, ALL_NOTES_OFF, 0)
        for step, keys in self.steps():
            if key_of(message) in keys:
                out = step(message, t_ns)
                made: Sequence[bytes] = [out] if isinstance(out, bytes) else out or ()
                return [data for data in made if not is_mode_message(data)]
        return None

    def steps(self) -> list[tuple[Step, Sequence[int]]]:
        """What handles messages here, with their keys. The plugin was asked once, at the start."""
        return [] if self.bypass else self._steps


Observer = Callable[[Entry, bytes | None, int, Emission], None]
"""Told of each message that an entry handled: entry, message, time, what it made of it.

The message is None where the entry sends of its own accord: a timed call, a flush."""


Foreseen = tuple[Stop | None, int, bytes, list[Entry], Entry | None]
"""What the bytes of a message alone decide: the first stop that they don't, the key and the
message that come there, the entries that changed it on the way, and the one that drops it."""


class Chain:
    """The compiled chain of one output, or of the input."""

    def __init__(
        self,
        entries: Iterable[Entry],
        sink: Sink,
        on_fault: Callable[[Entry, int], None],
        settle: Callable[[], None],
        observe: Observer | None = None,
    ) -> None:
        self.entries = list(entries)
        self.settle = settle
        self._sink = sink
        self._on_fault = on_fault
        self.observe = observe
        self.first: Table
        """The table at the beginning of the chain."""
        self._tables: list[Table]
        self._onward: dict[tuple[int, int], Callable[[bytes, int], None]] = {}
        for place, entry in enumerate(self.entries):
            entry.place = place
            entry.chain = self
        self.compile()

    def compile(self) -> None:
        """Build the tables anew, from the last place to the first."""
        after: Table = [None] * KEYS
        tables = [after]
        for entry in reversed(self.entries):
            here = list(after)
            for step, keys in entry.steps():
                watched = self._watched(step, entry)
                stop = (watched, entry, after, getattr(watched, "stateless", False))
                for key in keys:
                    here[key] = stop
            tables.append(here)
            after = here
        self._tables = tables[::-1]
        self.first = self._tables[0]
        self._onward.clear()

    def run(self, place: int, key: int, data: bytes, t_ns: int) -> None:
        """Send one message down the chain from `place` on, and into the sink."""
        self.go(self._tables[place][key], key, data, t_ns)

    def homes(self) -> list[bytes]:
        """What would put home what its plugins keep away, as far as can be told without doing it.

        Entries further on that keep something in mind are passed by: asking must change nothing.
        """
        found = []
        for entry in self.entries:
            if not entry.bypass:
                for message in _asked(entry.plugin.homes):
                    data = self.foreseen(entry.place + 1, message)
                    if data is not None:
                        found.append(data)
        return found

    def away(self) -> list[tuple[int, str, int, int]]:
        """What its plugins keep away from home: channel (0-15), control, value and home."""
        found = []
        for entry in self.entries:
            if not entry.bypass:
                found += _asked(entry.plugin.away)
        return found

    def foreseen(self, place: int, data: bytes) -> bytes | None:
        """What stateless steps from `place` on make of a message; None if one drops it."""
        key = key_of(data)
        stop = self._tables[place][key]
        while stop is not None:
            step, _, after, stateless = stop
            out = step(data, 0) if stateless else data
            if type(out) is not bytes or (key := key_of(out)) == NO_MESSAGE:
                return None
            data = out
            stop = after[key]
        return data

    def foresee(self, key: int, data: bytes) -> Foreseen:
        """Bring a message as far as stateless steps do, without sending or counting anything."""
        stop = self.first[key]
        changed: list[Entry] = []
        while stop is not None:
            step, entry, after, stateless = stop
            if not stateless:
                break
            try:
                out: Any = step(data, 0)
            except PLUGIN_ERRORS:  # will do so again, where that is dealt with
                break
            if out is None:
                return None, key, data, changed, entry
            if out is not data:
                if type(out) is not bytes or (out_key := key_of(out)) == NO_MESSAGE:
                    break
                changed.append(entry)
                key, data = out_key, out
            stop = after[key]
        return stop, key, data, changed, None

    def go_from(self, stop: Stop | None, key: int) -> Callable[[bytes, int], None]:
        """A call that takes messages of this key on from this stop; always the same one."""
        place = len(self.entries) if stop is None else stop[1].place
        if (place, key) not in self._onward:
            self._onward[place, key] = partial(self.go, stop, key)
        return self._onward[place, key]

    def go(self, stop: Stop | None, key: int, data: bytes, t_ns: int) -> None:
        """Send one message on from this stop, and into the sink."""
        while stop is not None:
            step, entry, after, _ = stop
            try:
                out = step(data, t_ns)
            except PLUGIN_ERRORS as error:
                self._fail(entry, _said(error), t_ns)
                self.run(entry.place + 1, key, data, t_ns)  # by the new table
                return
            if out is data:
                stop = after[key]
            elif type(out) is bytes and (out_key := key_of(out)) != NO_MESSAGE:
                entry._changed += 1
                key, data = out_key, out
                stop = after[key]
            elif out is None:
                entry._dropped += 1
                return
            else:
                if not self._spread(entry, (out,) if type(out) is bytes else out, data, t_ns):
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

    def leave(self, letting_go: Iterable[Entry], leaving: Iterable[Entry], t_ns: int) -> None:
        """Let some entries let go of what they hold; those that are leaving do nothing more."""
        for entry in letting_go:
            if not entry.bypass:
                self.flush(entry, t_ns)
        for entry in leaving:
            entry.bypass = True

    def inherit(self, entry: Entry, former: Entry, t_ns: int) -> None:
        """Let an entry learn from the one whose place it takes what is still true."""

        def call(now_ns: int) -> Emission:
            entry.inherit(former, now_ns)
            self.compile()
            return None

        if not entry.bypass:
            self.run_call(entry, call, t_ns)

    def forget_notes(self, place: int, t_ns: int) -> None:
        """Let entries from `place` on forget which notes are held: their note-offs may not come.

        They are told that all notes are off, by the very message; it goes no further, but what
        they put back because of it does. The ledger still ends each note where it began.
        """
        for entry in self.entries[place:]:
            for channel in range(16):
                self.run_call(entry, partial(entry.end_notes, channel), t_ns)

    def bypass(self, entry: Entry, t_ns: int) -> None:
        """Leave an entry out from now on; it lets go of what it held."""
        self.flush(entry, t_ns)
        entry.bypass = True
        self.compile()

    def replace(self, place: int, entry: Entry) -> None:
        """Put another entry in this place."""
        self.entries[place] = entry
        entry.place = place
        entry.chain = self
        self.compile()

    def _spread(self, entry: Entry, messages: Any, data: bytes | None, t_ns: int) -> bool:
        """Send on what an entry returned for `data`; False when it returned nonsense."""
        keyed = _keyed(messages)
        if keyed is None:
            self._fail(entry, f"it returned what is no MIDI message: {_shown(messages)}", t_ns)
            return False
        if data is None:
            entry.added += len(keyed)
            if keyed and self.observe is not None:
                self.observe(entry, None, t_ns, [message for _, message in keyed])
        elif not keyed:
            entry._dropped += 1
        else:
            entry.added += len(keyed) - 1
            if not any(message == data for _, message in keyed):
                entry._changed += 1
        place = entry.place + 1
        for key, message in keyed:
            self.go(self._tables[place][key], key, message, t_ns)
        return True

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
        observe = self.observe
        if observe is None:
            return step

        def watched(data: bytes, t_ns: int) -> Emission:
            out = step(data, t_ns)
            observe(entry, data, t_ns, out)
            return out

        return watched


def _asked(question: Callable[[], list[AnswerT]]) -> list[AnswerT]:
    """A plugin's answer; none where it fails at that, since asking must not change anything."""
    try:
        return list(question())
    except PLUGIN_ERRORS:
        return []


def _keyed(messages: Any) -> list[tuple[int, bytes]] | None:
    """What an entry returned as a list with keys; None where anything in it is no message."""
    keyed = []
    try:
        for message in messages:
            if type(message) is not bytes or (key := key_of(message)) == NO_MESSAGE:
                return None
            keyed.append((key, message))
    except PLUGIN_ERRORS:
        return None
    return keyed


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
