"""What a player who knows Python would write with mido: five small jobs in a row for each synth.

It is the measure for the engine, so it is written straight and nothing in it is slow on purpose: a
message is copied only where it changes, and a job that has nothing to do hands it on as it came.
It has no ledger, no counts, no rig file, no timers and no plugins.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

from mido import Message

TRANSPORT = ("start", "continue", "stop", "songpos")


class Job(Protocol):
    """One thing to do for one synth."""

    def process(self, msg: Message, now_ns: int) -> list[Message]:
        """What goes on in place of `msg`."""
        ...


class ChannelRemap:
    """Moves messages to the channel that the synth hears. Channels are 0-15, as mido has them."""

    def __init__(self, channels: dict[int, int]) -> None:
        self.channels = channels

    def process(self, msg: Message, now_ns: int) -> list[Message]:
        if hasattr(msg, "channel") and msg.channel in self.channels:
            return [msg.copy(channel=self.channels[msg.channel])]
        return [msg]


class ControlScale:
    """Brings one control into another range."""

    def __init__(self, control: int, low: int, high: int) -> None:
        self.control = control
        self.low = low
        self.high = high

    def process(self, msg: Message, now_ns: int) -> list[Message]:
        if msg.type == "control_change" and msg.control == self.control:
            value = int(self.low + (self.high - self.low) * msg.value / 127 + 0.5)
            return [msg.copy(value=value)]
        return [msg]


class ControlReset:
    """Puts a control that was turned for one step home before the next note, and at Stop."""

    def __init__(self, homes: dict[int, int], window_ns: int = 20_000_000) -> None:
        self.homes = homes
        self.window_ns = window_ns
        # For each channel and control that is away: when it was turned, and its first note.
        self.turned_ns: dict[tuple[int, int], int] = {}
        self.owner_ns: dict[tuple[int, int], int] = {}

    def process(self, msg: Message, now_ns: int) -> list[Message]:
        if msg.type == "control_change" and msg.control in self.homes:
            place = (msg.channel, msg.control)
            self.owner_ns.pop(place, None)
            if msg.value == self.homes[msg.control]:
                self.turned_ns.pop(place, None)
            else:
                self.turned_ns[place] = now_ns
        elif msg.type == "note_on" and msg.velocity > 0:
            places = [(msg.channel, control) for control in self.homes]
            return [*self.go_home([p for p in places if not self.belongs(p, now_ns)]), msg]
        elif msg.type == "stop":
            return [*self.go_home(sorted(self.turned_ns)), msg]
        return [msg]

    def belongs(self, place: tuple[int, int], now_ns: int) -> bool:
        """Whether a note that starts now is one that the control was turned for."""
        turned_ns = self.turned_ns.get(place)
        if turned_ns is None:
            return True
        if now_ns - turned_ns <= self.window_ns:
            self.owner_ns.setdefault(place, now_ns)
            return True
        owner_ns = self.owner_ns.get(place)
        return owner_ns is not None and now_ns - owner_ns <= self.window_ns

    def go_home(self, places: list[tuple[int, int]]) -> list[Message]:
        found = []
        for channel, control in places:
            del self.turned_ns[channel, control]
            home = self.homes[control]
            found.append(Message("control_change", channel=channel, control=control, value=home))
        return found


class ClockFilter:
    """Keeps clock or transport from a synth, or gives it only every so many clocks."""

    def __init__(self, clock: bool, transport: bool, divide: int) -> None:
        self.clock = clock
        self.transport = transport
        self.divide = divide
        self.count = 0

    def process(self, msg: Message, now_ns: int) -> list[Message]:
        if msg.type == "clock":
            self.count += 1
            return [msg] if self.clock and (self.count - 1) % self.divide == 0 else []
        if msg.type in TRANSPORT:
            if msg.type == "start":
                self.count = 0
            elif msg.type == "songpos":
                self.count = 6 * msg.pos
            return [msg] if self.transport else []
        return [msg]


class NoteLimit:
    """Keeps each channel to the voices that the synth has; the oldest note gives way."""

    def __init__(self, voices: int) -> None:
        self.voices = voices
        self.sounding: dict[int, list[int]] = {}
        self.stolen: set[tuple[int, int]] = set()

    def process(self, msg: Message, now_ns: int) -> list[Message]:
        if msg.type == "note_on" and msg.velocity > 0:
            return self.begin(msg)
        if msg.type in ("note_on", "note_off"):
            return self.end(msg)
        return [msg]

    def begin(self, msg: Message) -> list[Message]:
        sounding = self.sounding.setdefault(msg.channel, [])
        first = []
        if msg.note in sounding:
            sounding.remove(msg.note)
        elif len(sounding) >= self.voices:
            oldest = sounding.pop(0)
            self.stolen.add((msg.channel, oldest))
            first = [Message("note_off", channel=msg.channel, note=oldest)]
        sounding.append(msg.note)
        self.stolen.discard((msg.channel, msg.note))
        return [*first, msg]

    def end(self, msg: Message) -> list[Message]:
        sounding = self.sounding.get(msg.channel, [])
        if msg.note in sounding:
            sounding.remove(msg.note)
        elif (msg.channel, msg.note) in self.stolen:
            self.stolen.remove((msg.channel, msg.note))
            return []
        return [msg]


@dataclass(frozen=True)
class Settings:
    """What one synth needs."""

    channels: dict[int, int]
    scaled: int
    scale_to: tuple[int, int]
    homes: dict[int, int]
    voices: int
    divide: int = 1
    clock: bool = True
    transport: bool = True

    def jobs(self) -> list[Job]:
        """The five jobs, in the order in which they are done."""
        return [
            ChannelRemap(self.channels),
            ControlScale(self.scaled, *self.scale_to),
            ControlReset(self.homes),
            ClockFilter(self.clock, self.transport, self.divide),
            NoteLimit(self.voices),
        ]


Send = Callable[[str, list[int], int], object]
"""A way out: a synth's name, the bytes of one message as mido gives them, and when."""


class Splitter:
    """The whole script: bytes in from one port, bytes out to the port of each synth."""

    def __init__(self, synths: dict[str, Settings], send: Send) -> None:
        self.synths = {name: settings.jobs() for name, settings in synths.items()}
        self.send = send

    def receive(self, data: bytes, now_ns: int) -> None:
        """Take one message; `from_bytes` is the shortest way to one that mido has."""
        msg = Message.from_bytes(data)
        if msg.type in ("active_sensing", "reset"):
            return
        for name, jobs in self.synths.items():
            messages = [msg]
            for job in jobs:
                messages = [out for one in messages for out in job.process(one, now_ns)]
            for out in messages:
                self.send(name, out.bytes(), now_ns)
