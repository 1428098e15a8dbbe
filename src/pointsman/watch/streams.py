"""What is known of one stream of messages: how many there are, what sounds, its clock."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable

from pointsman.message import (
    ACTIVE_SENSING_KEY,
    AFTER_NOTES,
    ALL_NOTES_OFF,
    ALL_SOUND_OFF,
    CLOCK_KEY,
    SONG_POSITION_KEY,
    SYSTEM_RESET_KEY,
    key_of,
)
from pointsman.transport import Transport, jitter_us
from pointsman.units import CLOCKS_PER_BAR, NS_PER_MS, NS_PER_S

_SLOT_NS = 100 * NS_PER_MS
_SLOTS = NS_PER_S // _SLOT_NS
_LATE_SLOTS = 2
"""A service hands its events on a little late: what is newer than that may not be here yet."""

CHANNEL_MESSAGES = range(0x80, 0xF0)


class Rate:
    """How many messages, and bytes, there were in the last second."""

    def __init__(self) -> None:
        self.total = 0
        self._slots: deque[list[int]] = deque(maxlen=_SLOTS + _LATE_SLOTS + 1)

    def add(self, t_ns: int, size: int) -> None:
        """One message of so many bytes."""
        self.total += 1
        slot = t_ns // _SLOT_NS
        slots = self._slots
        if slots and slots[-1][0] >= slot:
            slots[-1][1] += 1
            slots[-1][2] += size
        else:
            slots.append([slot, 1, size])

    def last_second(self, now_ns: int) -> tuple[int, int]:
        """Messages and bytes of the second that ended a moment before `now_ns`."""
        end = now_ns // _SLOT_NS - _LATE_SLOTS + 1
        found = [slot for slot in self._slots if end - _SLOTS <= slot[0] < end]
        return sum(slot[1] for slot in found), sum(slot[2] for slot in found)


class Stream:
    """The input, or one output."""

    def __init__(self) -> None:
        self.rate = Rate()
        self.transport = Transport()
        self.sounding: set[tuple[int, int]] = set()
        """What sounds: channel 1-16 and note."""
        self._sensed_ns: int | None = None
        self._summed = {CLOCK_KEY: 0, ACTIVE_SENSING_KEY: 0}

    def hear(self, t_ns: int, data: bytes) -> None:
        """Take in one message. Times never go down, but for what a service tells late."""
        self.rate.add(t_ns, len(data))
        status = data[0] if data else 0
        if status in CHANNEL_MESSAGES:
            if len(data) != 3:  # two bytes say nothing of notes, and others are no message
                return
            if status < AFTER_NOTES:
                self._note(status, data[1], data[2])
            elif status & 0xF0 == 0xB0 and data[1] in (ALL_SOUND_OFF, ALL_NOTES_OFF):
                channel = (status & 0x0F) + 1
                self.sounding = {note for note in self.sounding if note[0] != channel}
        elif status >= SONG_POSITION_KEY:
            self._system(status, data, t_ns)

    def _note(self, status: int, note: int, velocity: int) -> None:
        sounds = ((status & 0x0F) + 1, note)
        if status >= 0x90 and velocity:
            self.sounding.add(sounds)
        else:
            self.sounding.discard(sounds)

    def _system(self, status: int, data: bytes, t_ns: int) -> None:
        transport = self.transport
        if status in self._summed:
            self._summed[status] += 1
        if status == ACTIVE_SENSING_KEY:
            self._sensed_ns = t_ns
        elif status == SYSTEM_RESET_KEY:
            self.sounding.clear()
        else:
            transport.follow(key_of(data), data, max(t_ns, transport.last_clock_ns))

    def settle(self, sounding: Iterable[tuple[int, int]]) -> None:
        """Somebody who knows says what sounds."""
        self.sounding = set(sounding)

    def settle_song(self, playing: bool, bar: int | None) -> None:
        """Somebody who knows says where the song is: bars of 4/4, from 1."""
        transport = self.transport
        transport.playing = playing
        if bar is not None and bar != self.bar:
            transport.locate((bar - 1) * CLOCKS_PER_BAR + 1)

    @property
    def bar(self) -> int | None:
        """The bar of 4/4 that the song is in, from 1; None where it does not play."""
        transport = self.transport
        if not transport.playing or not transport.next_clock:
            return None
        return transport.position // CLOCKS_PER_BAR + 1

    def tempo(self, now_ns: int) -> tuple[float, dict[str, int] | None] | None:
        """Quarter notes a minute and the clock's jitter in us; None where no clock comes."""
        transport = self.transport
        if not transport.tempo or not transport.clock_runs(now_ns - _LATE_SLOTS * _SLOT_NS):
            return None
        return transport.tempo_per_minute, jitter_us(transport.recent_clocks())

    def is_sensed(self, now_ns: int) -> bool:
        """Whether active sensing comes; one every 300 ms at least (MIDI 1.0, 4.2.1, p. 33)."""
        return self._sensed_ns is not None and now_ns - self._sensed_ns < NS_PER_S

    def take_sums(self) -> dict[int, int]:
        """How many clocks and active sensings there were since the last time, by status byte."""
        sums = {status: count for status, count in self._summed.items() if count}
        self._summed = dict.fromkeys(self._summed, 0)
        return sums
