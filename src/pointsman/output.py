"""One output as the engine sees it: its chain, its ledger, its counts, and the way out."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from pointsman.chain import Chain, Entry, Followers, Observer, Path, Rest
from pointsman.ledger import Ledger
from pointsman.message import (
    AFTER_NOTES,
    ALL_NOTES_OFF,
    ALL_SOUND_OFF,
    FIRST_NOTE_ON,
    FIRST_SYSTEM_STATUS,
    KEYS_OF,
    MODE,
    ON_CHANNEL,
    PEDALS,
    Kind,
    control_change,
    key_of,
    note_off,
)
from pointsman.rig import OutputSpec
from pointsman.routes import ONE_VALUE, Plan
from pointsman.schedule import Schedule, Timer
from pointsman.wire import Wire

Send = Callable[[str, bytes, int], None]
"""Takes what leaves: the output's name, one message, and when, in nanoseconds."""


class Output:
    """A chain that ends in a port."""

    def __init__(
        self, name: str, ledger: Ledger, send: Send, schedule: Schedule, followers: Followers
    ) -> None:
        self.name = name
        self.spec: OutputSpec
        self.ledger = ledger
        self._received = self._sent = 0
        self._send = send
        self._send_on = self._direct_sink()
        self._schedule = schedule
        self._followers = followers
        self._delay_ns = self._longest_note_ns = 0
        self._wire: Wire | None = None
        self._is_direct = True
        """Whether what is emitted leaves in the same moment: no delay, and no paced wire."""
        self._long: dict[int, int] = {}
        self._long_timer: Timer | None = None
        self.chain: Chain

    def build(
        self,
        spec: OutputSpec,
        wire: Wire | None,
        entries: list[Entry],
        on_fault: Callable[[Entry, int], None],
        settle: Callable[[], None],
        observe: Observer | None,
        observe_passes: bool = True,
    ) -> None:
        """Give the output what the rig says of it, its wire if that is paced, and its chain."""
        self.spec = spec
        self._wire = wire
        self._is_direct = wire is None and not self._delay_ns
        if wire is not None:
            wire.declare_pairs(_pairs(spec))
        self.chain = Chain(
            entries, self.sink_of, self._followers, on_fault, settle, observe, observe_passes
        )

    def limit(self, delay_ns: int, longest_note_ns: int, t_ns: int) -> None:
        """Set the delay, and how long a note may last (0: no limit), from `t_ns` on.

        What still waits for another delay goes now: a shorter delay must not bring a note-off
        before its note-on.
        """
        if delay_ns != self._delay_ns:
            self.send_delayed(t_ns)
        self._delay_ns = delay_ns
        self._is_direct = self._wire is None and not delay_ns
        if longest_note_ns == self._longest_note_ns:
            return
        self._longest_note_ns = longest_note_ns
        self._forget_long()
        if longest_note_ns:
            for note in self.ledger.sounding:
                self._watch_length(note, True, t_ns)

    def send_delayed(self, t_ns: int) -> None:
        """Send what waits for the delay at once, as far as the wire allows."""
        for timer in self._schedule.take(self._is_delayed):
            timer.call(t_ns)

    def _is_delayed(self, call: Callable[[int], None]) -> bool:
        return isinstance(call, DelayedSend) and call.output is self

    def leave_wire(self, t_ns: int) -> None:
        """Send what waits for the wire at once: the output is about to have another, or none."""
        if self._wire is not None:
            self._wire.send_all_of(self, t_ns)
            self._wire = None

    @property
    def received(self) -> int:
        """How many messages came to its chain."""
        self.chain.settle()
        return self._received

    @property
    def sent(self) -> int:
        """How many messages have left it; what waits for its wire has not."""
        self.chain.settle()
        return self._sent + self.ledger.left_at_once

    @property
    def notes(self) -> int:
        """How many notes have begun."""
        return self.ledger.notes

    @property
    def most_voices(self) -> int:
        """How many voices its synth has needed at once, at most."""
        return self.ledger.most_voices

    @property
    def counts(self) -> tuple[int, int]:
        """Received and sent, as they were when the engine last settled its counts."""
        return self._received, self._sent + self.ledger.left_at_once

    def count(self, received: int = 0, sent: int = 0) -> None:
        """Add to the counts."""
        self._received += received
        self._sent += sent

    def emit(self, key: int, data: bytes, t_ns: int) -> None:
        """Send a message past the chain."""
        self.sink_of(key)(key, data, t_ns)

    def sink_of(self, key: int) -> Path:
        """The end of the chain for messages of a key: enter them in the ledger and send them.

        It holds until the next `limit` or `build`.
        """
        if key < AFTER_NOTES:
            enter = self.ledger.begins if key >= FIRST_NOTE_ON else self.ledger.ends
            if self._longest_note_ns:
                return enter(key & 0x0F, self._pass_watched, key, False)
            if self._is_direct:
                return enter(key & 0x0F, self._send, self.name, True)
            return enter(key & 0x0F, self._pass_on, key, False)
        if key >= MODE:
            return self._switch_mode
        return self._send_on if self._is_direct else self._pass_on

    def _direct_sink(self) -> Path:
        """What `_pass_on` is where messages leave at once."""
        send, name = self._send, self.name

        def send_on(key: int, data: bytes, t_ns: int) -> None:
            self._sent += 1
            send(name, data, t_ns)

        return send_on

    def _pass_watched(self, key: int, data: bytes, t_ns: int) -> None:
        """Send a note-on or note-off where no note may last for ever."""
        self._watch_length((key & 0x0F) << 7 | data[1], key >= FIRST_NOTE_ON, t_ns)
        self._pass_on(key, data, t_ns)

    def _switch_mode(self, key: int, data: bytes, t_ns: int) -> None:
        if data[1] in (ALL_SOUND_OFF, ALL_NOTES_OFF):
            self.ledger.clear_channel(key & 0x0F)
        self._pass_on(key, data, t_ns)

    def _pass_on(self, key: int, data: bytes, t_ns: int) -> None:
        if self._is_direct:
            self._sent += 1
            self._send(self.name, data, t_ns)
        elif self._delay_ns:
            self._schedule.at(t_ns + self._delay_ns, DelayedSend(self, key, data))
        else:
            self.carry(key, data, t_ns)

    def carry(self, key: int, data: bytes, t_ns: int) -> None:
        """Send what the delay, if any, has let go: now, or when the wire has room for it."""
        if self._wire is None:
            self.leave(data, t_ns)
        else:
            self._wire.offer(self, key, data, t_ns)

    def leave(self, data: bytes, t_ns: int) -> None:
        """Its first byte is at the port."""
        self._sent += 1
        self._send(self.name, data, t_ns)

    def _watch_length(self, note: int, begins: bool, t_ns: int) -> None:
        """See to it that a note does not last longer than the rig allows.

        Every note may last equally long, so the first in `_long` is always due first: one timer
        for them all is enough, and none has to be cancelled.
        """
        if begins or note not in self.ledger.sounding:
            self._long.pop(note, None)
            if not self._long:
                self._forget_long()
        if begins:
            self._long[note] = t_ns + self._longest_note_ns
            if self._long_timer is None:
                self._time_first_long()

    def _forget_long(self) -> None:
        if self._long_timer is not None:
            self._long_timer.cancel()
            self._long_timer = None
        self._long.clear()

    def _time_first_long(self) -> None:
        due_ns = next(iter(self._long.values()), None)
        self._long_timer = None if due_ns is None else self._schedule.at(due_ns, self._end_long)

    def _end_long(self, t_ns: int) -> None:
        """End the notes that have sounded as long as they may since they were last struck."""
        self._long_timer = None
        for note, due_ns in list(self._long.items()):
            if due_ns > t_ns:
                break
            self.end([note] * self.ledger.sounding.get(note, 0), t_ns)
        self._time_first_long()

    def plan(self, plan: Plan, key: int, data: bytes) -> None:
        """Add to a plan what this message of the split sets going here."""
        rest, data, changed, dropped = self.chain.foresee(key, data)
        plan.changed += changed
        if dropped is not None:
            plan.dropped.append(dropped)
        else:
            self._plan_rest(plan, rest, data)

    def plan_lane(self, plan: Plan, key: int) -> None:
        """Add to a plan what all messages of this key set going here.

        Of a message that has no second value as much is known beforehand as of any in a plan.
        """
        if key in ONE_VALUE:
            alone = bytes((key,))
            rest, data, changed, dropped = self.chain.foresee(key, alone)
            if data == alone and not changed:
                if dropped is not None:
                    plan.dropped.append(dropped)
                else:
                    self._plan_rest(plan, rest, None)
                return
        rest, channel, moved = self.chain.lead(key)
        plan.changed += moved
        self._plan_rest(plan, rest, None if channel is None else ON_CHANNEL[channel])

    def _plan_rest(self, plan: Plan, rest: Rest, left: bytes | None) -> None:
        """Add to a plan what is left to do on the rest of a path."""
        key, stops, path = rest
        if not stops and AFTER_NOTES <= key < MODE and self._is_direct:
            plan.sent.append(self)
            plan.calls.append((self._send, self.name, left))
        else:
            plan.calls.append((path, key, left))

    def end(self, notes: list[int], t_ns: int) -> None:
        """Send a note-off for each of these, past the chain."""
        for note in notes:
            off = note_off(note >> 7, note & 0x7F)
            self.emit(off[0], off, t_ns)

    def end_notes(self, t_ns: int) -> None:
        """The first half of a release: note-offs for what sounds."""
        self.end(self.ledger.all_sounding(), t_ns)

    def flush(self, t_ns: int) -> None:
        """The second half: whatever each plugin has to put back."""
        self.chain.flush_all(t_ns)

    def silence(self, t_ns: int) -> None:
        """The first half of a panic: note-offs, then All Notes Off and All Sound Off.

        Of what waits for the wire note-ons are dropped, and all but note-offs goes after that.
        """
        wire = self._wire
        waiting = [] if wire is None else wire.hush(self, t_ns)
        self.end(self.ledger.unended(), t_ns)  # not all synths listen to what comes next
        for channel in self._used_channels():
            for mode in (ALL_NOTES_OFF, ALL_SOUND_OFF):
                self._emit(control_change(channel, mode, 0), t_ns)
        if wire is not None:
            wire.put_back(waiting, t_ns)

    def calm(self, t_ns: int) -> None:
        """The second half: whatever each plugin has to put back, then pedals up."""
        self.flush(t_ns)
        for channel in self._used_channels():
            for pedal in PEDALS:
                self._emit(control_change(channel, pedal, 0), t_ns)

    def _used_channels(self) -> list[int]:
        """The channels on which it has sent notes, or that its synth is known to hear."""
        spec = self.spec
        channels = set(self.ledger.channels)
        channels.update(data[0] & 0x0F for data in spec.opening if data[0] < FIRST_SYSTEM_STATUS)
        if spec.device is not None and spec.device.channel is not None:
            channels.add(spec.device.channel - 1)
        return sorted(channels)

    def _emit(self, data: bytes, t_ns: int) -> None:
        self.emit(key_of(data), data, t_ns)

    def open(self, t_ns: int) -> None:
        """Send the opening."""
        for data in self.spec.opening:
            self._emit(data, t_ns)

    def end_unclaimed(self, t_ns: int) -> None:
        """Note-offs for notes that no held note of the input began: a failed plugin left them."""
        self.end(self.ledger.unclaimed(), t_ns)


class DelayedSend:
    """A message on its way out of an output that has a delay."""

    __slots__ = ("data", "key", "output")

    def __init__(self, output: Output, key: int, data: bytes) -> None:
        self.output = output
        self.key = key
        self.data = data

    def __call__(self, t_ns: int) -> None:
        """Send it, as far as the wire allows."""
        self.output.carry(self.key, self.data, t_ns)


def _pairs(spec: OutputSpec) -> Iterator[tuple[int, int]]:
    """The 14-bit pairs of its device, by their keys: coarse and fine."""
    device = spec.device
    if device is None:
        return
    channels = range(16) if device.channel is None else [device.channel - 1]
    for control in device.controls.values():
        if control.cc is not None and control.fine is not None:
            for channel in channels:
                keys = KEYS_OF[Kind.CONTROL, channel]
                yield keys[control.cc], keys[control.fine]
