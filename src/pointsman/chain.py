"""One chain: the ordered plugins that every message for one output passes through.

How this works. Every plugin is asked once, for each kind of message on each channel, for the step
that handles it. From the answers a *path* is made for each key of message and each place in the
chain, when it is first needed: a function that takes messages of that key from there on. It is
the sink at the end of the chain, and around it one function for each step that is concerned with
such messages (`_path_by`). A plugin that is not concerned with a key is in no path for it, so it
costs such messages nothing. What a step lets pass is handed to the next one of its path. A message
that a step has changed, or added, goes on after that step, on the path of its own key.

A plugin that raises, or returns what is no MIDI message, is bypassed from then on: it is reported,
lets go of what it held, and the message goes on as if the plugin had not been there.
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
    KEYS_KEPT,
    KEYS_OF,
    NO_MESSAGE,
    Kind,
    channel_of_key,
    control_change,
    is_mode_message,
    key_of,
    key_on_channel,
)
from pointsman.plugin import Emission, Host, Made, Plugin, Step, TimedCall, messages_of, whole_of
from pointsman.rig import EntrySpec
from pointsman.schedule import Schedule
from pointsman.transport import Transport, TransportChange

AnswerT = TypeVar("AnswerT")

Stop = tuple[Step, "Entry", "Paths"]
"""A step, the entry that it belongs to, and the paths for what goes on from there."""

Path = Callable[[int, bytes, int], None]
"""What takes messages from some place in a chain on: called with key, message and time."""

SinkOf = Callable[[int], Path]
"""Gives the end of a chain for messages of a key."""


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
        self.where = f"{spec.file}:{spec.line}"

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
                out = whole_of(step(message, t_ns), message, t_ns)
                return [data for data in messages_of(out) if not is_mode_message(data)]
        return None

    def steps(self) -> list[tuple[Step, Sequence[int]]]:
        """What handles messages here, with their keys, as the plugin said when it was asked."""
        return [] if self.bypass else self._steps


Table = list[Stop | None]
"""What one entry does with messages of each key; None where it is not concerned with them."""

Observer = Callable[[Entry, bytes | None, int, Emission], None]
"""Told of each message that an entry handled: entry, message, time, what it made of it.

The message is None where the entry sends of its own accord: a timed call, a flush."""


Rest = tuple[int, tuple[Stop, ...], Path]
"""What lies before messages of one key from some place on: the key, the stops, and the path."""

Foreseen = tuple[Rest, bytes, list[Entry], Entry | None]
"""What the bytes of a message alone decide: what lies before it from the first step on that they
don't, the message that comes there, the entries that changed it on the way, and the one that
drops it."""

Led = tuple[Rest, int | None, list[Entry]]
"""What the key of a message alone decides: what lies before it behind the steps that only move it
to another channel, the channel it has there if they did (0-15), and the entries that moved it."""


class _Stops(dict[int, tuple[Stop, ...]]):
    """The stops from one place in a chain on, in order, by key."""

    def __init__(self, tables: Sequence[Table]) -> None:
        super().__init__()
        self._tables = tables

    def __missing__(self, key: int) -> tuple[Stop, ...]:
        stops = [stop for table in self._tables if (stop := table[key]) is not None]
        found = self[key] = tuple(stops)
        return found


class Followers(list[tuple[Entry, TimedCall, bytes]]):
    """The calls for what follows a message that is still on its way to other outputs.

    On each output the order stays what it would be if nothing waited. So where another message is
    to come behind this one on the same output, what follows it must not `wait`.
    """

    def __init__(self, *, wait: bool) -> None:
        super().__init__()
        self.wait = wait

    def send(self, t_ns: int) -> None:
        """All outputs have the message: make the calls, and send what they return."""
        waiting = self[:]
        self.clear()
        self.wait = False
        try:
            for entry, call, data in waiting:
                entry.chain.run_call(entry, call, t_ns, data)
        finally:
            self.wait = True


class Paths(dict[int, Path]):
    """The paths from one place in a chain on, by key; each is made when it is first needed.

    These are the same paths for as long as the chain lives: who goes on with a message looks here,
    and finds what the entries do by then, whatever has failed meanwhile.
    """

    def __init__(self, sink_of: SinkOf, followers: Followers) -> None:
        super().__init__()
        self._sink_of = sink_of
        self._followers = followers
        self.stops: _Stops

    def renew(self, tables: Sequence[Table]) -> None:
        """From now on these are the tables of the entries from this place on."""
        self.stops = _Stops(tables)
        self.clear()

    def __missing__(self, key: int) -> Path:
        path = self._sink_of(key)
        for step, entry, onward in reversed(self.stops[key]):
            path = _path_by(step, entry, onward, path, self._followers)
        self[key] = path
        return path


def _path_by(step: Step, entry: Entry, onward: Paths, path: Path, followers: Followers) -> Path:
    """The path by way of a step; what the step lets pass takes `path` from there.

    It has the chain from the entry alone, so that a chain that is left is free at once.
    """

    def stop(key: int, data: bytes, t_ns: int) -> None:
        try:
            out = step(data, t_ns)
        except PLUGIN_ERRORS as error:
            entry.chain.fail(entry, _said(error), t_ns)
            onward[key](key, data, t_ns)
            return
        if out is data:
            path(key, data, t_ns)
        elif type(out) is bytes and (out_key := key_of(out)) != NO_MESSAGE:
            entry._changed += 1
            onward[out_key](out_key, out, t_ns)
        elif out is None:
            entry._dropped += 1
        elif callable(out):
            path(key, data, t_ns)
            if followers.wait:
                followers.append((entry, out, data))
            else:
                entry.chain.run_call(entry, out, t_ns, data)
        else:
            messages = (out,) if type(out) is bytes else out
            if not entry.chain.spread(entry, onward, messages, key, data, t_ns):
                onward[key](key, data, t_ns)

    return stop


class _NoMessageError(Exception):
    """What an entry returned is no MIDI message."""


class Chain:
    """The compiled chain of one output, or of the input."""

    def __init__(
        self,
        entries: Iterable[Entry],
        sink_of: SinkOf,
        followers: Followers,
        on_fault: Callable[[Entry, int], None],
        settle: Callable[[], None],
        observe: Observer | None = None,
        observe_passes: bool = True,
    ) -> None:
        self.entries = list(entries)
        self._followers = followers
        self.settle = settle
        self._on_fault = on_fault
        self.observe = observe
        self._observe_passes = observe_passes
        self._paths = [Paths(sink_of, followers) for _ in range(len(self.entries) + 1)]
        """The paths from each place on; the last are those behind all entries."""
        for place, entry in enumerate(self.entries):
            entry.place = place
            entry.chain = self
        self.compile()

    def compile(self) -> None:
        """Look anew at what the entries do; every path that was made before is out of date."""
        tables: list[Table] = []
        self._paths[-1].renew(tables)
        for entry in reversed(self.entries):
            tables = [self._table(entry, self._paths[entry.place + 1]), *tables]
            self._paths[entry.place].renew(tables)

    def _table(self, entry: Entry, onward: Paths) -> Table:
        table: Table = [None] * KEYS
        observe = self.observe
        for step, keys in entry.steps():
            taken = step if observe is None else self._watched(step, entry, observe)
            stop = (taken, entry, onward)
            for key in keys:
                table[key] = stop
        return table

    def known(self) -> list[list[int]]:
        """The keys of the paths that have been made, for each place."""
        return [list(paths) for paths in self._paths]

    def make_paths(self, known: Sequence[Sequence[int]]) -> None:
        """Make the paths for these keys, for each place, before a message needs them."""
        for paths, keys in zip(self._paths, known, strict=False):
            for key in keys:
                paths[key]

    def run(self, place: int, key: int, data: bytes, t_ns: int) -> None:
        """Send one message down the chain from `place` on, and into the sink."""
        self._paths[place][key](key, data, t_ns)

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
        while True:
            (_, stops, _), data, _, _ = self.foresee(key_of(data), data, place)
            if not stops:
                return data
            step, entry, _ = stops[0]
            if _is_stateless(step):  # it drops it, makes several of it, or fails
                return None
            place = entry.place + 1

    def foresee(self, key: int, data: bytes, place: int = 0) -> Foreseen:
        """Bring a message as far as stateless steps do, without sending or counting anything."""
        changed: list[Entry] = []
        dropped: Entry | None = None
        while stops := (paths := self._paths[place]).stops[key]:
            step, entry, _ = stops[0]
            if not _is_stateless(step):
                break
            try:
                out: Any = step(data, 0)
            except PLUGIN_ERRORS:  # will do so again, where that is dealt with
                break
            if out is not data:
                if out is None:
                    dropped = entry
                    break
                if type(out) is not bytes or (out_key := key_of(out)) == NO_MESSAGE:
                    break
                changed.append(entry)
                key, data = out_key, out
            place = entry.place + 1
        return (key, stops, paths[key]), data, changed, dropped

    def lead(self, key: int) -> Led:
        """Bring all messages of a key as far as steps do that only move them to a channel."""
        place = 0
        begun = channel = channel_of_key(key)
        moved: list[Entry] = []
        while stops := (paths := self._paths[place]).stops[key]:
            step, entry, _ = stops[0]
            target: int | None = getattr(step, "to_channel", None)
            if target is None or channel is None:
                break
            if target != channel:
                moved.append(entry)
                channel, key = target, key_on_channel(key, target)
            place = entry.place + 1
        return (key, stops, paths[key]), None if channel == begun else channel, moved

    def run_call(
        self, entry: Entry, call: TimedCall, t_ns: int, behind: bytes | None = None
    ) -> None:
        """Make a call that an entry asked for, and send what it returns down the rest.

        `behind`: the message that this follows; None where an entry sends of its own accord.
        """
        try:
            emission = call(t_ns)
        except PLUGIN_ERRORS as error:
            self.fail(entry, _said(error), t_ns)
            return
        if emission is not None:
            messages = (emission,) if type(emission) is bytes else emission
            onward = self._paths[entry.place + 1]
            self.spread(entry, onward, messages, NO_MESSAGE, None, t_ns, behind)

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

    def spread(
        self,
        entry: Entry,
        onward: Paths,
        messages: Any,
        key: int,
        data: bytes | None,
        t_ns: int,
        behind: bytes | None = None,
    ) -> bool:
        """Send on what an entry returned for `data`; False when it returned nonsense."""
        keyed: list[tuple[int, bytes]] = []
        passed = False
        try:
            for message in messages:
                if message is data and data is not None:
                    passed = True
                    keyed.append((key, data))
                elif type(message) is bytes and (its_key := KEYS_KEPT[message]) != NO_MESSAGE:
                    keyed.append((its_key, message))
                else:
                    raise _NoMessageError
        except PLUGIN_ERRORS:
            self.fail(entry, f"it returned what is no MIDI message: {_shown(messages)}", t_ns)
            return False
        if data is None:
            entry.added += len(keyed)
            if keyed and self.observe is not None:
                made = [message for _, message in keyed]
                self.observe(entry, behind, t_ns, made if behind is None else [behind, *made])
        elif not keyed:
            entry._dropped += 1
        else:
            entry.added += len(keyed) - 1
            if not passed and (key, data) not in keyed:
                entry._changed += 1
        if not self._followers.wait:
            for its_key, message in keyed:
                onward[its_key](its_key, message, t_ns)
        elif keyed:
            self._hurry(onward, keyed, t_ns, last_too=data is None)
        return True

    def _hurry(
        self, onward: Paths, keyed: list[tuple[int, bytes]], t_ns: int, *, last_too: bool
    ) -> None:
        """Send messages on one behind the other: what follows one of them must not wait.

        What follows the last may, unless others may come behind that as well (`last_too`).
        """
        *others, last = keyed
        self._followers.wait = False
        try:
            for its_key, message in keyed if last_too else others:
                onward[its_key](its_key, message, t_ns)
        finally:
            self._followers.wait = True
        if not last_too:
            its_key, message = last
            onward[its_key](its_key, message, t_ns)

    def fail(self, entry: Entry, fault: str, t_ns: int) -> None:
        """Bypass an entry for good, and let it let go of what it held."""
        if entry.fault is not None:
            return
        entry.fault = fault
        entry.bypass = True
        self.compile()
        self.flush(entry, t_ns)
        self._on_fault(entry, t_ns)

    def _watched(self, step: Step, entry: Entry, observe: Observer) -> Step:
        if not self._observe_passes:

            def noticed(data: bytes, t_ns: int) -> Made:
                out = step(data, t_ns)
                if out is not data and not callable(out):  # what a call returns is observed then
                    observe(entry, data, t_ns, out)
                return out

            return noticed

        def watched(data: bytes, t_ns: int) -> Emission:
            out = whole_of(step(data, t_ns), data, t_ns)
            observe(entry, data, t_ns, out)
            return out

        return watched


def _is_stateless(step: Step) -> bool:
    return getattr(step, "stateless", False)


def _asked(question: Callable[[], list[AnswerT]]) -> list[AnswerT]:
    """A plugin's answer; none where it fails at that, since asking must not change anything."""
    try:
        return list(question())
    except PLUGIN_ERRORS:
        return []


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
