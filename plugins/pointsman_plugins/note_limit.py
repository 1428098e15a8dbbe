"""note_limit: keeps a synth to the voices it has, and chooses which note gives way.

How this works. `_voices` holds what sounds, in the order in which it was struck; with the scope
`channel` there is one such set a channel, else one for the output. A note that had to give way,
or never sounded, is owed: its note-off is still to come and will be swallowed. A new note-on
for the same note cancels that, so that the next note-off is sure to end it. A note that is struck
again while it sounds is the same voice, and needs as many note-offs as it had strikes (MIDI 1.0,
4.2.1, p. A-4).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated, Literal, Self

from pydantic import Field

from pointsman.plugin import (
    Context,
    Emission,
    Host,
    OptionProblem,
    Plugin,
    PluginOptions,
    Whole,
    clears_notes,
    hookimpl,
    note_off,
)


class NoteLimitOptions(PluginOptions):
    """What note_limit can be told."""

    moves_nothing = True

    voices: Annotated[
        int | Literal["device"],
        Whole(1, 2048, words=("device",)),
        Field(description="how many notes may sound at once; device: as the device file says"),
    ]
    steal: Annotated[
        Literal["oldest", "newest", "lowest", "highest", "quietest", "none"],
        Field(description="which note gives way; none: the new note is left out instead"),
    ] = "oldest"
    scope: Annotated[
        Literal["channel", "output"],
        Field(description="whether each channel has its own voices, or all share them"),
    ] = "channel"

    def problems(self, context: Context) -> list[OptionProblem]:
        """`device` needs a device file that says how many voices there are."""
        if self.voices != "device" or (context.device and context.device.voices):
            return []
        what = "'device' needs a device file with 'voices' in it; write a number instead"
        return [OptionProblem(("voices",), what)]


Voices = dict[int, int]
"""The velocity of each sounding note, in the order in which they were struck.

A note is a number, channel * 128 + note."""

# `min` takes the first of equals, so among equals the oldest gives way.
_VICTIM: dict[str, Callable[[Voices], int]] = {
    "oldest": lambda voices: next(iter(voices)),
    "newest": lambda voices: next(reversed(voices)),
    "lowest": lambda voices: min(voices, key=lambda note: note & 0x7F),
    "highest": lambda voices: min(voices, key=lambda note: -(note & 0x7F)),
    "quietest": lambda voices: min(voices, key=voices.__getitem__),
}


class NoteLimit(Plugin[NoteLimitOptions]):
    """Keeps a synth to the voices it has, and chooses which note gives way."""

    name = "note_limit"
    Options = NoteLimitOptions

    def __init__(self, options: NoteLimitOptions, host: Host) -> None:
        super().__init__(options, host)
        device_voices = host.device.voices if host.device else None
        self._limit = (device_voices or 1) if options.voices == "device" else options.voices
        self._victim = _VICTIM.get(options.steal)
        shared: Voices = {}
        per_channel = options.scope == "channel"
        self._voices: list[Voices] = [{} if per_channel else shared for _ in range(16)]
        self._again: dict[int, int] = {}  # how often a sounding note was struck again
        self._owed: dict[int, int] = {}
        self._left: tuple[int, Voices, dict[int, int], dict[int, int]] = (-1, {}, {}, {})

    def on_note_on(self, data: bytes, t_ns: int) -> Emission:
        """Let the note sound, at the cost of another one if need be."""
        note = (data[0] & 0x0F) << 7 | data[1]
        voices = self._voices[note >> 7]
        if note in voices:  # the same voice, struck again: now the newest
            del voices[note]
            voices[note] = data[2]
            self._again[note] = self._again.get(note, 0) + 1
            return data
        if len(voices) < self._limit:
            voices[note] = data[2]
            self._owed.pop(note, None)
            return data
        if self._victim is None:
            self._owed[note] = self._owed.get(note, 0) + 1
            return None
        ends: list[bytes] = []
        while len(voices) >= self._limit:  # more than once only after a change of the limit
            victim = self._victim(voices)
            del voices[victim]
            strikes = self._owed[victim] = 1 + self._again.pop(victim, 0)
            ends += [note_off(victim >> 7, victim & 0x7F)] * strikes
        voices[note] = data[2]
        self._owed.pop(note, None)
        ends.append(data)
        return ends

    def on_note_off(self, data: bytes, t_ns: int) -> Emission:
        """End the note, or swallow the note-off of one that does not sound any more."""
        note = (data[0] & 0x0F) << 7 | data[1]
        voices = self._voices[note >> 7]
        if note in voices:
            again = self._again.pop(note, 0)
            if again > 1:
                self._again[note] = again - 1
            elif not again:
                del voices[note]
            return data
        owed = self._owed.pop(note, 0)
        if owed > 1:
            self._owed[note] = owed - 1
        return None if owed else data

    def on_mode(self, data: bytes, t_ns: int) -> Emission:
        """All Notes Off and All Sound Off end every note of their channel."""
        if clears_notes(data):
            self._forget(data[0] & 0x0F)
        return data

    def _forget(self, channel: int) -> None:
        for notes in (self._voices[channel], self._again, self._owed):
            for note in [note for note in notes if note >> 7 == channel]:
                del notes[note]

    def flush(self, t_ns: int) -> Emission:
        """Forget every note: the engine ends what sounds."""
        voices = {note: velocity for some in self._voices for note, velocity in some.items()}
        self._left = t_ns, voices, dict(self._again), dict(self._owed)
        for channel in range(16):
            self._forget(channel)
        return None

    def inherit(self, former: Self, t_ns: int) -> None:
        """What sounds has its voices still; if they are too many now, the next note ends some."""
        left_ns, voices, again, owed = former._left
        if left_ns == t_ns:
            for note, velocity in voices.items():
                self._voices[note >> 7][note] = velocity
            self._again, self._owed = again, owed


@hookimpl
def pointsman_plugins() -> list[type[NoteLimit]]:
    """Offer note_limit."""
    return [NoteLimit]
