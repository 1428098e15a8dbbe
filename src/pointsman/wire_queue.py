"""What waits for one wire, and what goes next: the rules of a paced wire, without its pace.

How this works. Three kinds of places to wait in:

- `_urgent`: real-time messages, and behind them the other short system messages;
- a queue for each channel, in which nothing ever changes its order;
- `_sysex`: system exclusive.

Next is what is urgent. Then notes, in the order in which they came, each after all that its channel
was sent before it; so a flood on one channel holds up the notes of no other. Then the rest, in
the order in which it came.

A value that waits is *overtaken* by a newer one of the same kind, which takes its place. What may
mean another thing behind a message than before it, is not taken across it: notes, programs, mode
messages and system exclusive begin a new *segment* of a channel, and values are overtaken within
theirs only.

Where notes stand so close that few values may be overtaken, a note could come later and later. So
when it would be later than `LATE_NS`, *stale* values are dropped, the oldest first: those that have
a newer one waiting behind a note.

When `ROOM` messages wait, controls that may be overtaken are dropped, then bend and pressure, then
what `_make_room` says. The newest value of what was dropped is *owed*: it is sent when nothing
else waits, so that every control ends on it.
"""

from __future__ import annotations

from collections import Counter, deque
from collections.abc import Iterable
from typing import Protocol

from pointsman.message import (
    CONTINUE_KEY,
    CONTROL,
    KEYS,
    KIND_BY_KEY,
    PEDALS,
    RESET_ALL_CONTROLLERS,
    START_KEY,
    STOP_KEY,
    Kind,
)
from pointsman.units import NS_PER_MS, NS_PER_S

ROOM = 512
"""Messages that wait before any has to give way: about half a second of a DIN wire.

An opening of sixteen channels is a third of that."""

BEHIND_NS = 15 * NS_PER_MS
"""Bend and pressure are overtaken where what waits for their channel takes so long and longer.

They are no controls: as long as the wire keeps up every value goes out. But a note behind a flood
of them has to come in time."""

LATE_NS = 33 * NS_PER_MS
"""How late a note may be before stale values have to go.

With one message in flight that makes no more than 35 ms."""

LONG_NS = 10 * NS_PER_MS
"""System exclusive that takes longer does not hold up notes that came after it."""

_BANK_SELECT = (0, 32)
_DATA_ENTRY, _REST_OF_ENTRY = 6, (38, 96, 97)
_NUMBERS = (98, 99, 100, 101)

# What a message is to the queue. Those up to _SYSTEM are urgent.
(
    REAL_TIME, _SYSTEM, SYSEX, NOTE_OFF, NOTE_ON, _MODE, _PROGRAM, _KEPT, _PARAMETER, _PLAIN,
    _HALF, _BEND, _PRESSURE,
) = range(13)  # fmt: skip

_BY_KIND = {
    Kind.NOTE_OFF: NOTE_OFF, Kind.NOTE_ON: NOTE_ON, Kind.KEY_PRESSURE: _PRESSURE,
    Kind.CHANNEL_PRESSURE: _PRESSURE, Kind.BEND: _BEND, Kind.PROGRAM: _PROGRAM, Kind.MODE: _MODE,
    Kind.SYSEX: SYSEX, Kind.TIME_CODE: _SYSTEM, Kind.SONG_POSITION: _SYSTEM,
    Kind.SONG_SELECT: _SYSTEM, Kind.TUNE_REQUEST: _SYSTEM,
}  # fmt: skip


def _part_of(key: int, kind: Kind) -> int:
    if kind is not Kind.CONTROL:
        return _BY_KIND.get(kind, REAL_TIME)
    number = (key - CONTROL) & 0x7F
    if number in (*_BANK_SELECT, *PEDALS):
        return _KEPT
    if number in (_DATA_ENTRY, *_REST_OF_ENTRY, *_NUMBERS):
        return _PARAMETER
    return _HALF if number < 64 else _PLAIN


_PART = bytearray(KEYS)
for _key, _kind in KIND_BY_KEY.items():
    _PART[_key] = _part_of(_key, _kind)

_NOTES = frozenset({NOTE_OFF, NOTE_ON, _MODE})
"""What begins and ends notes goes first; most mode messages end them (MIDI 1.0, 4.2.1, p. 20)."""

_NEW_SEGMENT = _NOTES | {_PROGRAM}
_VALUES = frozenset({_PLAIN, _HALF, _BEND, _PRESSURE})
_CONTROLS = frozenset({_PLAIN, _HALF})
_BENDS = _VALUES - _CONTROLS
_NOTE_ONS = frozenset({NOTE_ON})
_REFUSED = frozenset({SYSEX, _PARAMETER})
_TRANSPORT = frozenset({START_KEY, CONTINUE_KEY, STOP_KEY})
_NAMES = {
    _PLAIN: "control", _HALF: "control", _BEND: "bend", _PRESSURE: "pressure",
    NOTE_ON: "note_on", _PARAMETER: "parameter", SYSEX: "sysex", REAL_TIME: "real_time",
    _SYSTEM: "system",
}  # fmt: skip


class Sender(Protocol):
    """What a wire sends for."""

    def leave(self, data: bytes, t_ns: int) -> None:
        """Its message begins to go over the wire now."""


class Waiting:
    """One message that waits."""

    __slots__ = (
        "data", "is_stale", "key", "lasting", "number", "part", "segment", "sender", "slot", "t_ns",
    )  # fmt: skip

    def __init__(self, sender: Sender, key: int, data: bytes, t_ns: int, lasting: bool) -> None:
        self.sender = sender
        self.key = key
        self.data = data
        self.t_ns = t_ns
        self.lasting = lasting
        """False where something that repeats for ever has sent it: no end waits for it."""
        self.part = _PART[key]
        # key pressure has a value for each key of the keyboard
        self.slot = key | (data[1] << 12 if data[0] & 0xF0 == 0xA0 else 0)
        self.number = self.segment = 0
        self.is_stale = False
        """Whether a newer value waits behind it."""

    @property
    def is_note(self) -> bool:
        """Whether it is a note-on or a note-off."""
        return self.part in (NOTE_ON, NOTE_OFF)


class _Channel:
    """What waits on one channel."""

    def __init__(self) -> None:
        self.queue: deque[Waiting] = deque()
        self.bytes = self.segment = 0
        self.last_note = self.note_bytes = 0
        """The number of the last note that waits, and what goes until then, itself included."""
        self.newest: dict[int, Waiting] = {}
        """The last one that waits for each value that can be overtaken."""
        self.selected = _NUMBERS[:2]
        self.lost: set[int] = set()
        """Numbers and coarse data entry that were refused: what needs them may not pass."""

    def fits(self, control: int) -> bool:
        """Whether all that a parameter message relies on has gone before it."""
        if control in _NUMBERS:
            return True
        needs = self.selected if control == _DATA_ENTRY else (*self.selected, _DATA_ENTRY)
        return self.lost.isdisjoint(needs)

    def select(self, control: int) -> None:
        """A parameter message has come: which pair of numbers counts from now on."""
        if control in _NUMBERS:
            self.selected = _NUMBERS[:2] if control < 100 else _NUMBERS[2:]


class Queue:
    """What waits for one wire that carries `rate` bytes a second."""

    def __init__(self, rate: int) -> None:
        self.rate = rate
        self.overtaken: Counter[str] = Counter()
        self.dropped: Counter[str] = Counter()
        self.lasting = 0
        """How many of those that wait an end has to wait for."""
        self.has_lost = False
        """Whether parameter messages were refused, so that others may have to be as well."""
        self._count = self._numbered = self._segments = self._stale = self._note_bytes = 0
        self._parts = [0] * (_PRESSURE + 1)
        self._urgent: deque[Waiting] = deque()
        self._sysex: deque[Waiting] = deque()
        self._channels = [_Channel() for _ in range(16)]
        self._notes: deque[Waiting] = deque()
        self._owed: dict[int, Waiting] = {}
        self._halves: set[int] = set()

    def __len__(self) -> int:
        return len(self._urgent) + self._count + len(self._owed)

    @property
    def real_time_waits(self) -> bool:
        """Whether the next message is a real-time one."""
        return bool(self._urgent) and self._urgent[0].part == REAL_TIME

    # ---- 14-bit pairs ----------------------------------------------------------------------------

    def see(self, key: int) -> None:
        """A message under this key is sent or comes to wait: both halves of a pair make a pair."""
        if _PART[key] == _HALF:
            self._halves.add(key)

    def declare_pair(self, coarse_key: int, fine_key: int) -> None:
        """A device has this pair."""
        self._halves |= {coarse_key, fine_key}

    def _is_half(self, item: Waiting) -> bool:
        """Whether it is half of a value of 14 bits: control N with N + 32."""
        return item.part == _HALF and item.key ^ 32 in self._halves

    # ---- in --------------------------------------------------------------------------------------

    def add(self, item: Waiting) -> None:
        """Let a message wait. Afterwards it may have taken another's place, or be gone."""
        self.see(item.key)
        if item.part <= _SYSTEM:
            if len(self._urgent) < ROOM or item.key in _TRANSPORT:
                self._append_urgent(item)
            else:
                self._refuse(item)
            return
        if item.part in _VALUES and self._overtakes(item):
            return
        if self._count >= ROOM and not self._make_room(item):
            self._refuse(item)
        elif not self._refused_with_others(item):
            self._append(item)

    def _append(self, item: Waiting) -> None:
        part = item.part
        self._count += 1
        self._parts[part] += 1
        self.lasting += item.lasting
        self._numbered += 1
        item.number = self._numbered
        item.is_stale = False
        if part == SYSEX:
            self._segments += 1
            self._sysex.append(item)
            return
        channel = self._channel(item)
        channel.queue.append(item)
        channel.bytes += len(item.data)
        if part in _NEW_SEGMENT:
            channel.segment += 1
        if part in _NOTES:
            self._notes.append(item)
            self._note_bytes += channel.bytes - channel.note_bytes
            channel.note_bytes, channel.last_note = channel.bytes, item.number
            self._hasten_notes()
        if part in _VALUES:
            self._append_value(item, channel)
        elif part == _MODE and item.data[1] == RESET_ALL_CONTROLLERS:
            for owed in list(self._owed.values()):
                if self._channel(owed) is channel:
                    self._forget_owed(owed.slot)

    def _append_value(self, item: Waiting, channel: _Channel) -> None:
        item.segment = self._segment(channel)
        older = channel.newest.get(item.slot)
        if older is not None and not self._is_half(older):
            older.is_stale = True
            self._stale += 1
        channel.newest[item.slot] = item
        self._forget_owed(item.slot)
        if item.part == _HALF and not item.key & 32:  # it sets the fine half to 0
            self._forget_owed(item.slot ^ 32)

    def _append_urgent(self, item: Waiting) -> None:
        """Real time before other system messages, but Start and Continue behind where to start."""
        self.lasting += item.lasting
        place = len(self._urgent)
        if item.part == REAL_TIME and item.key not in (START_KEY, CONTINUE_KEY):
            while place and self._urgent[place - 1].part == _SYSTEM:
                place -= 1
        self._urgent.insert(place, item)

    def _overtakes(self, item: Waiting) -> bool:
        """Let it take the place of an older value, if it may."""
        channel = self._channel(item)
        older = channel.newest.get(item.slot)
        if older is None or older.segment != self._segment(channel) or self._is_half(item):
            return False
        if item.part in _BENDS and channel.bytes * NS_PER_S < BEHIND_NS * self.rate:
            return False
        older.data, older.sender, older.t_ns = item.data, item.sender, item.t_ns
        self.lasting += item.lasting and not older.lasting
        older.lasting = older.lasting or item.lasting
        self.overtaken[_NAMES[item.part]] += 1
        return True

    # ---- when it is full -------------------------------------------------------------------------

    def _hasten_notes(self) -> None:
        """See that the last note is not too late, as far as stale values are in its way."""
        while self._stale and self._note_bytes * NS_PER_S > LATE_NS * self.rate:
            stale = self._oldest_stale(before_notes=True)
            if stale is None:
                break
            self._drop(stale)

    def _oldest_stale(self, before_notes: bool) -> Waiting | None:
        found = (
            item
            for channel in self._channels
            for item in channel.queue
            if item.is_stale and (item.number < channel.last_note or not before_notes)
        )
        return min(found, key=_number, default=None)

    def _make_room(self, item: Waiting) -> bool:
        """See that there is a place for it; False: it has to go itself."""
        stale = self._oldest_stale(before_notes=False) if self._stale else None
        if stale is not None:
            self._drop(stale)
            return True
        for parts in (_CONTROLS, _BENDS):
            victim = self._oldest(parts)
            if victim is not None:
                self._drop(victim)
                return True
            if item.part in parts:
                return False
        if item.part in _REFUSED:
            return False
        victim = self._oldest(_NOTE_ONS)
        if victim is not None:
            self._drop(victim)
        return True  # note-offs and the like always find a place

    def _oldest(self, parts: frozenset[int]) -> Waiting | None:
        if not any(self._parts[part] for part in parts):
            return None
        found = (
            item
            for channel in self._channels
            for item in channel.queue
            if item.part in parts and not self._is_half(item)
        )
        return min(found, key=_number, default=None)

    def _drop(self, item: Waiting) -> None:
        channel = self._channel(item)
        was_newest = channel.newest.get(item.slot) is item
        channel.queue.remove(item)
        if item.part in _NOTES:
            self._notes.remove(item)
        self._gone(item, channel)
        self.dropped[_NAMES[item.part]] += 1
        if was_newest:
            self._owe(item)

    def _refuse(self, item: Waiting) -> None:
        self.dropped[_NAMES[item.part]] += 1
        if item.part in _VALUES:
            self._owe(item)
        elif item.part == _PARAMETER:
            channel = self._channel(item)
            channel.select(item.data[1])
            channel.lost.add(item.data[1])
            self.has_lost = True

    def _refused_with_others(self, item: Waiting) -> bool:
        """Whether it has to go because what it belongs to had to."""
        if item.part == _PARAMETER:
            channel, control = self._channel(item), item.data[1]
            if not channel.fits(control):
                self._refuse(item)
                return True
            channel.select(control)
            channel.lost.discard(control)
            self.has_lost = any(other.lost for other in self._channels)
        elif item.part == _HALF and item.key & 32 and item.slot ^ 32 in self._owed:
            self._refuse(item)
            return True
        return False

    def _owe(self, item: Waiting) -> None:
        self._forget_owed(item.slot)
        self._owed[item.slot] = item
        self.lasting += item.lasting

    def _forget_owed(self, slot: int) -> None:
        item = self._owed.pop(slot, None)
        if item is not None:
            self.lasting -= item.lasting

    # ---- out -------------------------------------------------------------------------------------

    def take(self) -> Waiting:
        """Take out what goes next. IndexError where nothing waits."""
        if self._urgent:
            item = self._urgent.popleft()
            self.lasting -= item.lasting
            return item
        found = self._next()
        if found is None:
            item = self._owed.pop(next(iter(self._owed)))
            self.lasting -= item.lasting
            return item
        if found.part == SYSEX:
            self._gone(self._sysex.popleft(), None)
            return found
        channel = self._channel(found)
        channel.queue.popleft()
        if found.part in _NOTES:
            self._notes.popleft()
        self._gone(found, channel)
        return found

    def _next(self) -> Waiting | None:
        sysex = self._sysex[0] if self._sysex else None
        if self._notes:
            head = self._channel(self._notes[0]).queue[0]
            holds = sysex is not None and sysex.number < head.number and not self._is_long(sysex)
            return sysex if holds else head
        heads = [channel.queue[0] for channel in self._channels if channel.queue]
        if sysex is not None:
            heads.append(sysex)
        return min(heads, key=_number, default=None)

    def _is_long(self, item: Waiting) -> bool:
        return len(item.data) * NS_PER_S > LONG_NS * self.rate

    def take_of(self, sender: Sender) -> list[Waiting]:
        """Take out all that waits for one sender, in the order in which it would go."""
        everything = [self.take() for _ in range(len(self))]
        for item in everything:
            if item.sender is not sender:
                (self._append_urgent if item.part <= _SYSTEM else self._append)(item)
        return [item for item in everything if item.sender is sender]

    def put_back(self, items: Iterable[Waiting]) -> None:
        """Let what was taken out wait again, behind all that waits now."""
        for item in items:
            self.add(item)

    def _gone(self, item: Waiting, channel: _Channel | None) -> None:
        """Strike it from the counts."""
        self._count -= 1
        self._parts[item.part] -= 1
        self.lasting -= item.lasting
        self._stale -= item.is_stale
        if channel is not None:
            channel.bytes -= len(item.data)
            if item.number <= channel.last_note:
                channel.note_bytes -= len(item.data)
                self._note_bytes -= len(item.data)
            if channel.newest.get(item.slot) is item:
                del channel.newest[item.slot]

    def _channel(self, item: Waiting) -> _Channel:
        return self._channels[item.data[0] & 0x0F]

    def _segment(self, channel: _Channel) -> int:
        return channel.segment + self._segments


def _number(item: Waiting) -> int:
    return item.number
