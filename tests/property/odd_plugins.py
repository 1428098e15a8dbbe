"""Plugins that no rig should have, to show that the engine holds its rules in spite of them."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

from pointsman.plugin import (
    Emission,
    Host,
    Kind,
    Plugin,
    PluginOptions,
    Step,
    TransportChange,
    note_on,
)
from pointsman.rig import EntrySpec


class Shifts(PluginOptions):
    """How a Drifter moves: one (semitones, channels) after the other, `None` to swallow."""

    moves: tuple[tuple[int, int] | None, ...]


class Drifter(Plugin[Shifts]):
    """Moves every note message, ons and offs alike, by another interval and channel than the last.

    It breaks the first thing that a plugin that moves notes must see to, remembering where each
    note went: only the engine's ledger can bring the note-offs where they belong.
    """

    name = "drifter"
    Options = Shifts

    def __init__(self, options: Shifts, host: Host) -> None:
        super().__init__(options, host)
        self._count = 0

    def _move(self, data: bytes, t_ns: int) -> Emission:
        move = self.options.moves[self._count % len(self.options.moves)]
        self._count += 1
        if move is None:
            return None
        semitones, channels = move
        channel = (data[0] + channels) & 0x0F
        return bytes(((data[0] & 0xF0) | channel, (data[1] + semitones) % 128, data[2]))

    on_note_on = on_note_off = _move


class Trouble(PluginOptions):
    """When a Troublemaker makes trouble, and which."""

    at: int
    what: str


class FailsToShow:
    """Something that cannot even be shown in an error text, or looked at."""

    def __repr__(self) -> str:
        raise RuntimeError("no text either")

    def __bool__(self) -> bool:
        raise RuntimeError("neither true nor false")


def _raises_midway() -> Iterator[bytes]:
    yield b"\x90\x01\x01"
    raise RuntimeError("half way")


class FailsToSay(Exception):
    """An error whose text cannot be had either."""

    def __str__(self) -> str:
        raise RuntimeError("no text either")


def _raise(error: BaseException) -> Emission:
    raise error


NONSENSE: dict[str, Callable[[], Any]] = {
    "raises": lambda: _raise(RuntimeError("on purpose")),
    "raises what cannot be shown": lambda: _raise(FailsToSay()),
    "tries to end the program": lambda: _raise(SystemExit(1)),
    "a number": lambda: 7,
    "true": lambda: True,
    "text": lambda: "90 3C 40",
    "numbers": lambda: [0x90, 0x3C, 0x40],
    "no bytes": lambda: b"",
    "too long": lambda: b"\x90\x3c\x40\x40",
    "too short": lambda: b"\x90\x3c",
    "a data byte above 127": lambda: b"\x90\x3c\x80",
    "no status": lambda: b"\x3c\x40",
    "undefined status": lambda: b"\xf4",
    "open sysex": lambda: b"\xf0\x7d\x01",
    "a bytearray": lambda: bytearray(b"\x90\x3c\x40"),
    "good and bad": lambda: [b"\x90\x01\x40", b"\x90\x01\xff"],
    "a list in a list": lambda: [[b"\x90\x01\x40"]],
    "a generator that raises": _raises_midway,
    "what cannot be shown": FailsToShow,
    "a list with None": lambda: [None],
}


class Troublemaker(Plugin[Trouble]):
    """Passes everything until its moment comes, and then returns nonsense or raises."""

    name = "troublemaker"
    Options = Trouble

    def __init__(self, options: Trouble, host: Host) -> None:
        super().__init__(options, host)
        self._left = options.at
        self.made = 0

    def step_for(self, kind: Kind, channel: int | None) -> Step | None:
        """Every message concerns it."""
        return self._pass

    def _pass(self, data: bytes, t_ns: int) -> Emission:
        self._left -= 1
        return data if self._left >= 0 else self._trouble()

    def _trouble(self) -> Emission:
        self.made += 1
        nonsense: Emission = NONSENSE[self.options.what]()
        return nonsense


class TimedTroublemaker(Troublemaker):
    """Makes its trouble in a timed call."""

    name = "timed_troublemaker"

    def __init__(self, options: Trouble, host: Host) -> None:
        super().__init__(options, host)
        host.at(options.at, lambda t_ns: self._trouble())

    def step_for(self, kind: Kind, channel: int | None) -> Step | None:
        """No message concerns it."""
        return None


class SongTroublemaker(Troublemaker):
    """Makes its trouble when the song starts, stops or moves, and again when it is to let go."""

    name = "song_troublemaker"

    def step_for(self, kind: Kind, channel: int | None) -> Step | None:
        """No message concerns it."""
        return None

    def on_transport(self, change: TransportChange, t_ns: int) -> Emission:
        """Make trouble."""
        self._left -= 1
        return None if self._left >= 0 else self._trouble()

    def flush(self, t_ns: int) -> Emission:
        """Make trouble here too."""
        return self._trouble()


class Holder(Plugin[Trouble]):
    """Adds a note of its own to every note, never ends it, and raises at last."""

    name = "holder"
    Options = Trouble

    def __init__(self, options: Trouble, host: Host) -> None:
        super().__init__(options, host)
        self._left = options.at
        host.at(options.at, lambda t_ns: note_on(4, 100, 64))

    def on_note_on(self, data: bytes, t_ns: int) -> Emission:
        """Play along, or raise."""
        self._left -= 1
        if self._left < 0:
            raise RuntimeError("enough")
        return [data, note_on(3, data[1], 100)]


def odd(plugin: type[Plugin[Any]], options: PluginOptions) -> EntrySpec:
    """An entry for one of these."""
    return EntrySpec(plugin, options, label=plugin.name)
