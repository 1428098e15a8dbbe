"""A synth, a person and a meter that exist in virtual time: a probe is played to them."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import Any

from pointsman.probing.steps import (
    Ask,
    Away,
    Play,
    Probe,
    PutBack,
    ResultT,
    Save,
    Say,
    Timed,
    Witness,
    perform,
)
from pointsman.probing.undo import Undo

MS = 1_000_000
METER_EVERY_NS = 50 * MS


@dataclass
class Synth:
    """Sounds on some channels (1-16); may send what it plays, and say who it is."""

    hears: frozenset[int] = frozenset()
    sends_on: int | None = None
    reply: bytes | None = None
    loops: bool = False
    deaf_to_notes: frozenset[int] = frozenset()

    def answer(self, data: bytes) -> list[bytes]:
        """What comes back for a message."""
        if self.loops:
            return [data]
        if data[0] == 0xF0:
            return [self.reply] if self.reply else []
        if self.plays(data) and self.sends_on is not None:
            return [bytes((0x90 | self.sends_on - 1, *data[1:]))]
        return []

    def plays(self, data: bytes) -> bool:
        """Whether a message makes it sound."""
        is_note = data[0] & 0xF0 == 0x90 and data[2] > 0
        return is_note and (data[0] & 0x0F) + 1 in self.hears and data[1] not in self.deaf_to_notes


@dataclass
class World:
    """Performs the steps, and keeps what was sent and said.

    `reacts_ns` is how long the person takes to press Enter, None where they hear nothing. They
    answer a question truthfully, unless `answers` has something else for them to say first.
    """

    synth: Synth
    reacts_ns: int | None = 300 * MS
    release_ns: int = 100 * MS
    answers: list[bool] = field(default_factory=list)
    typed: Callable[[Play], Iterable[tuple[int, str]]] = lambda play: ()
    noise: Callable[[int], float] | None = None
    """The level of silence by time, for a meter; None: there is none."""
    sent: list[Timed] = field(default_factory=list)
    said: list[str] = field(default_factory=list)
    asked: list[str] = field(default_factory=list)
    saved: list[Save] = field(default_factory=list)
    undo: Undo = field(default_factory=Undo)
    now_ns: int = 0
    _sounded: bool = False

    def perform(self, probe: Probe[ResultT]) -> ResultT:
        """Play it to its end."""
        return perform(probe, self.do)

    def do(self, step: Any) -> Any:
        """One step; what came of it."""
        match step:
            case Say(text):
                self.said.append(text)
            case Ask(question, _):
                self.asked.append(question)
                return self.answers.pop(0) if self.answers else self._sounded
            case Play():
                return self._play(step)
            case Away(what, back):
                self.undo.away(what, back)
            case PutBack(what):
                for data in self.undo.back(what):
                    self._send(self.now_ns, data)
                self.undo.done(what)
            case Save():
                self.saved.append(step)
                return True, f"saved {step.name}"
        return None

    def _send(self, t_ns: int, data: bytes) -> None:
        self.undo.sending(data)
        self.undo.sent(data)
        self.sent.append((t_ns, data))

    def _play(self, play: Play) -> Witness:
        lines = sorted(self.typed(play))
        end_ns = lines[0][0] if play.until_line and lines else play.length_ns
        heard: list[Timed] = []
        sounds: list[int] = []
        for t_ns, data in play.events:
            if t_ns > end_ns:
                break
            self._send(self.now_ns + t_ns, data)
            heard += [(t_ns + 2 * MS, answer) for answer in self.synth.answer(data)]
            if self.synth.plays(data):
                sounds.append(t_ns)
        if play.until_line and lines:
            for data in self.undo.silence():
                self._send(self.now_ns + end_ns, data)
        self._sounded = bool(sounds)
        if self.reacts_ns is not None:
            lines += [(t_ns + self.reacts_ns, "") for t_ns in sounds]
        levels = self._levels(play, sounds) if self.noise else []
        self.now_ns += end_ns
        return Witness(tuple(lines), tuple(heard), tuple(levels))

    def _levels(self, play: Play, sounds: list[int]) -> list[tuple[int, float]]:
        assert self.noise is not None
        found = []
        for t_ns in range(0, play.length_ns, METER_EVERY_NS):
            level = self.noise(t_ns)
            for on_ns in sounds:
                off_ns = on_ns + 700 * MS
                if on_ns <= t_ns:
                    late = max(t_ns - off_ns, 0) / self.release_ns
                    level = max(level, self.noise(t_ns) + 40 * max(0.0, 1 - late))
            found.append((t_ns, level))
        return found


def sounding(log: Iterable[Timed]) -> dict[tuple[int, int], int]:
    """Notes (channel, number) that are on at the end of a log."""
    on: dict[tuple[int, int], int] = {}
    for _, data in log:
        key = (data[0] & 0x0F, data[1])
        if data[0] & 0xF0 == 0x90 and data[2]:
            on[key] = data[2]
        elif data[0] & 0xE0 == 0x80:
            on.pop(key, None)
    return on
