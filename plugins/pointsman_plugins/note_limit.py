"""note_limit: keeps a synth to the voices it has, and chooses which note gives way.

How this works. Each channel has steps of its own (`_Channel`). `_voices` holds what sounds, in the
order in which it was struck; with the scope `channel` there is one such set a channel, else one
that all channels share. A note that had to give way, or never sounded, is owed: its note-off is
still to come and will be swallowed. A new note-on for the same note cancels that, so that the next
note-off is sure to end it. A note that is struck again while it sounds is the same voice, and
needs as many note-offs as it had strikes (MIDI 1.0, 4.2.1, p. A-4).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated, Literal, Self

from pydantic import Field

from pointsman.plugin import (
    Context,
    Emission,
    Host,
    Kind,
    OptionProblem,
    Plugin,
    PluginOptions,
    Step,
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


class _Channel:
    """What becomes of the notes on one channel. All but the channel may be shared with others."""

    def __init__(
        self,
        channel: int,
        limit: int,
        victim: Callable[[Voices], int] | None,
        voices: Voices,
        again: dict[int, int],
        owed: dict[int, int],
    ) -> None:
        self._first = channel << 7
        self._limit = limit
        self._victim = victim
        self._voices = voices
        self._again = again
        self._owed = owed

    def on_note_on(self, data: bytes, t_ns: int) -> Emission:
        """Let the note sound, at the cost of another one if need be."""
        note = self._first + data[1]
        voices = self._voices
        if note in voices:  # the same voice, struck again: now the newest
            del voices[note]
            voices[note] = data[2]
            self._again[note] = self._again.get(note, 0) + 1
            return data
        if len(voices) >= self._limit:
            return self._choose(note, data)
        voices[note] = data[2]
        if self._owed:
            self._owed.pop(note, None)
        return data

    def _choose(self, note: int, data: bytes) -> Emission:
        """End another note for this one, or leave this one out."""
        voices = self._voices
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
        note = self._first + data[1]
        if note not in self._voices:
            return None if self._owed and _took_one(self._owed, note) else data
        if not (self._again and _took_one(self._again, note)):
            del self._voices[note]
        return data

    def on_mode(self, data: bytes, t_ns: int) -> Emission:
        """All Notes Off and All Sound Off end every note of their channel."""
        if clears_notes(data):
            self.forget()
        return data

    def forget(self) -> None:
        """Forget every note of the channel."""
        for notes in (self._voices, self._again, self._owed):
            for note in [note for note in notes if note & ~0x7F == self._first]:
                del notes[note]


def _took_one(counts: dict[int, int], note: int) -> bool:
    """Count one less of a note; False where there is none."""
    count = counts.pop(note, 0)
    if count > 1:
        counts[note] = count - 1
    return count > 0


class NoteLimit(Plugin[NoteLimitOptions]):
    """Keeps a synth to the voices it has, and chooses which note gives way."""

    name = "note_limit"
    Options = NoteLimitOptions

    def __init__(self, options: NoteLimitOptions, host: Host) -> None:
        super().__init__(options, host)
        device_voices = host.device.voices if host.device else None
        limit = (device_voices or 1) if options.voices == "device" else options.voices
        shared: Voices = {}
        per_channel = options.scope == "channel"
        self._voices: list[Voices] = [{} if per_channel else shared for _ in range(16)]
        self._again: dict[int, int] = {}  # how often a sounding note was struck again
        self._owed: dict[int, int] = {}
        self._channels = [
            _Channel(n, limit, _VICTIM.get(options.steal), voices, self._again, self._owed)
            for n, voices in enumerate(self._voices)
        ]
        self._left: tuple[int, Voices, dict[int, int], dict[int, int]] = (-1, {}, {}, {})

    def step_for(self, kind: Kind, channel: int | None) -> Step | None:
        """Each channel has its own steps, so that nothing is looked up twice."""
        if channel is None:
            return None
        step: Step | None = getattr(self._channels[channel], f"on_{kind.value}", None)
        return step

    def flush(self, t_ns: int) -> Emission:
        """Forget every note: the engine ends what sounds."""
        voices = {note: velocity for some in self._voices for note, velocity in some.items()}
        self._left = t_ns, voices, dict(self._again), dict(self._owed)
        for channel in self._channels:
            channel.forget()
        return None

    def inherit(self, former: Self, t_ns: int) -> None:
        """What sounds has its voices still; if they are too many now, the next note ends some."""
        left_ns, voices, again, owed = former._left
        if left_ns == t_ns:
            for note, velocity in voices.items():
                self._voices[note >> 7][note] = velocity
            self._again.update(again)
            self._owed.update(owed)


@hookimpl
def pointsman_plugins() -> list[type[NoteLimit]]:
    """Offer note_limit."""
    return [NoteLimit]
