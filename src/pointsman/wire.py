"""A paced wire: messages go out no faster than a cable carries them (10 bits a byte on DIN).

How this works. A message for an idle wire leaves at once, at the time at which its first byte
begins. Any other waits in the `Queue`, which knows what goes next, and the schedule calls when
the wire is free. Times inside are nanoseconds * bytes a second, whole numbers, so that nothing
drifts at any speed: a byte takes `NS_PER_S` of them, and a time that leaves here is rounded up.

A message that is being sent is not split, but system exclusive: a real-time message may stand
inside it (MIDI 1.0, 4.2.1, p. 30), and leaves there at the next byte. The rest of the system
exclusive message then takes so much longer.

No clock is read here and nothing sleeps; one wire may serve several outputs.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import asdict, dataclass

from pointsman.schedule import Schedule, Timer
from pointsman.units import NS_PER_S
from pointsman.wire_queue import NOTE_OFF, NOTE_ON, REAL_TIME, SYSEX, Queue, Sender, Waiting

_BYTE = NS_PER_S
"""What one byte takes, in nanoseconds * bytes a second."""


@dataclass(frozen=True)
class WireFigures:
    """How a wire has done. Loads are parts of what it carries; waits are in nanoseconds.

    A wait is from when a message came to the wire until its first byte began. `offered` is the
    load of the second in which most came, `last_second` that of the last whole second.
    """

    rate: int
    load: float
    worst_second: float
    last_second: float
    offered: float
    longest_note_wait_ns: int
    longest_clock_wait_ns: int
    waiting: int
    overtaken: dict[str, int]
    dropped: dict[str, int]

    def as_dict(self) -> dict[str, object]:
        """The same as plain data, for JSON."""
        return asdict(self)


class _Seconds:
    """Bytes, by whole seconds."""

    def __init__(self) -> None:
        self.total = self.worst = self._second = self._now = self._before = 0

    def add(self, count: int, t_ns: int) -> None:
        """So many bytes more. Times never go down."""
        second = t_ns // NS_PER_S
        if second != self._second:
            self._before = self._now if second == self._second + 1 else 0
            self._second, self._now = second, 0
        self.total += count
        self._now += count
        if self._now > self.worst:
            self.worst = self._now

    def last(self, t_ns: int) -> int:
        """How many there were in the last second that was over at `t_ns`."""
        ago = t_ns // NS_PER_S - self._second
        return (self._before, self._now, 0)[min(ago, 2)]


class Wire:
    """One wire that carries `rate` bytes a second. `schedule` calls when it is free again."""

    def __init__(self, rate: int, schedule: Schedule) -> None:
        self.rate = rate
        self.queue = Queue(rate)
        self._schedule = schedule
        self._free = 0
        """When the last byte of what is being sent is over."""
        self._splits = 0
        """Where the bytes of what is being sent begin that may still be parted; see `_gap`."""
        self._timer: Timer | None = None
        self._due = 0
        self._carried, self._offered = _Seconds(), _Seconds()
        self._longest_note_ns = self._longest_clock_ns = 0

    # ---- in --------------------------------------------------------------------------------------

    def offer(self, sender: Sender, key: int, data: bytes, t_ns: int) -> None:
        """Take a message that is to go at `t_ns`, or as soon as its turn comes."""
        self._offered.add(len(data), t_ns)
        queue, now = self.queue, t_ns * self.rate
        if now >= self._free and not queue and not queue.has_lost:
            queue.see(key)
            self._splits = now
            self._free = now + len(data) * _BYTE
            if data[0] != 0xF0:
                self._splits = self._free
            self._carried.add(len(data), t_ns)
            sender.leave(data, t_ns)
        else:
            queue.add(Waiting(sender, key, data, t_ns, not self._schedule.is_endless))
            self._time_next(now)

    def declare_pairs(self, pairs: Iterable[tuple[int, int]]) -> None:
        """These controls, by their keys, are the halves of 14-bit values."""
        for coarse_key, fine_key in pairs:
            self.queue.declare_pair(coarse_key, fine_key)

    # ---- out -------------------------------------------------------------------------------------

    def _gap(self, now: int) -> int:
        """The first time from `now` on at which the byte that is being sent is over."""
        bytes_begun = max(0, -(-(now - self._splits) // _BYTE))
        return min(self._splits + bytes_begun * _BYTE, self._free)

    def _time_next(self, now: int) -> None:
        """Have `_turn` called when the next message can begin."""
        queue = self.queue
        if not queue:
            return
        due = self._free
        if self._splits < due and queue.real_time_waits:
            due = self._gap(now)
        timer = self._timer
        if timer is None or due < self._due:
            if timer is not None:
                timer.cancel()
            self._due = due
            timer = self._timer = self._schedule.at(-(-due // self.rate), self._turn)
        timer.endless = not queue.lasting

    def _turn(self, t_ns: int) -> None:
        """The wire is free, or a gap in what it carries has come."""
        self._timer = None
        begins = max(self._due, t_ns * self.rate - self.rate + 1)  # as exact as it was due
        item = self.queue.take()
        size = len(item.data)
        if begins < self._free:  # inside system exclusive
            self._splits = begins + _BYTE
            self._free += _BYTE
        else:
            self._free = begins + size * _BYTE
            self._splits = begins if item.part == SYSEX else self._free
        self._carried.add(size, t_ns)
        self._note_wait(item, t_ns)
        self._time_next(begins)
        item.sender.leave(item.data, t_ns)

    def _note_wait(self, item: Waiting, t_ns: int) -> None:
        wait_ns = t_ns - item.t_ns
        if item.part == REAL_TIME:
            self._longest_clock_ns = max(self._longest_clock_ns, wait_ns)
        elif item.part in (NOTE_OFF, NOTE_ON):
            self._longest_note_ns = max(self._longest_note_ns, wait_ns)

    def send_all_of(self, sender: Sender, t_ns: int) -> None:
        """Send what waits for one sender at once, in order: its way out is about to end."""
        for item in self.queue.take_of(sender):
            self._free = max(self._free, t_ns * self.rate) + len(item.data) * _BYTE
            self._splits = self._free
            self._carried.add(len(item.data), t_ns)
            self._note_wait(item, t_ns)
            item.sender.leave(item.data, t_ns)
        self.time_again(t_ns)

    def hush(self, sender: Sender, t_ns: int) -> list[Waiting]:
        """Of what waits for one sender leave its note-offs alone, ahead of all that will come.

        Note-ons are gone. The rest is returned; it may be put back behind what comes meanwhile.
        """
        taken = self.queue.take_of(sender)
        self.queue.put_back(item for item in taken if item.part == NOTE_OFF)
        ons = sum(item.part == NOTE_ON for item in taken)
        if ons:
            self.queue.dropped["note_on"] += ons
        self.time_again(t_ns)
        return [item for item in taken if not item.is_note]

    def put_back(self, items: Iterable[Waiting], t_ns: int) -> None:
        """Let what was taken out wait again, behind all that waits now."""
        self.queue.put_back(items)
        self._time_next(t_ns * self.rate)

    def time_again(self, t_ns: int) -> None:
        """Have it called again when there is room: the schedule, or the pace, is another."""
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
        self._time_next(t_ns * self.rate)

    def change_rate(self, rate: int, t_ns: int) -> None:
        """Carry so many bytes a second from now on."""
        if rate == self.rate:
            return
        self._free = -(-self._free // self.rate) * rate
        self._splits = self._free
        self.rate = self.queue.rate = rate
        self.time_again(t_ns)

    # ---- how it has done -------------------------------------------------------------------------

    def figures(self, t_ns: int) -> WireFigures:
        """What it has carried and who had to wait, from time 0 until `t_ns`."""
        per_second = self.rate
        length_ns = max(t_ns, self._free // per_second, NS_PER_S)
        return WireFigures(
            rate=self.rate,
            load=self._carried.total * NS_PER_S / per_second / length_ns,
            worst_second=self._carried.worst / per_second,
            last_second=self._carried.last(t_ns) / per_second,
            offered=self._offered.worst / per_second,
            longest_note_wait_ns=self._longest_note_ns,
            longest_clock_wait_ns=self._longest_clock_ns,
            waiting=len(self.queue),
            overtaken=dict(self.queue.overtaken),
            dropped=dict(self.queue.dropped),
        )
