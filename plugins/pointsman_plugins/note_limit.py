"""note_limit: keeps a synth to the voices it has, and chooses which note gives way.

How this works. `_voices` holds what sounds, in the order in which it was struck; with the scope
`channel` there is one such set a channel, else one for the output. A note that had to give way,
or never sounded, is owed: its note-off is still to come and will be swallowed. A new note-on
for the same note cancels that, so that the next note-off is sure to end it.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated, Literal

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


class Voice:
    """One sounding note."""

    __slots__ = ("channel", "note", "strikes", "velocity")

    def __init__(self, channel: int, note: int, velocity: int) -> None:
        self.channel = channel
        self.note = note
        self.velocity = velocity
        self.strikes = 1


Voices = dict[int, Voice]
"""The sounding notes in the order in which they were struck, under channel * 128 + note."""

# `min` takes the first of equals, so among equals the oldest gives way.
_VICTIM: dict[str, Callable[[Voices], Voice]] = {
    "oldest": lambda voices: next(iter(voices.values())),
    "newest": lambda voices: next(reversed(voices.values())),
    "lowest": lambda voices: min(voices.values(), key=lambda voice: voice.note),
    "highest": lambda voices: min(voices.values(), key=lambda voice: -voice.note),
    "quietest": lambda voices: min(voices.values(), key=lambda voice: voice.velocity),
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
        self._owed: dict[int, int] = {}

    def on_note_on(self, data: bytes, t_ns: int) -> Emission:
        """Let the note sound, at the cost of another one if need be."""
        channel = data[0] & 0x0F
        key = channel << 7 | data[1]
        voices = self._voices[channel]
        known = voices.pop(key, None)
        if known is not None:  # the same voice, struck again: now the newest
            known.velocity = data[2]
            known.strikes += 1
            voices[key] = known
            return data
        if len(voices) < self._limit:
            self._begin(voices, key, data)
            return data
        if self._victim is None:
            self._owed[key] = self._owed.get(key, 0) + 1
            return None
        victim = self._victim(voices)
        stolen = victim.channel << 7 | victim.note
        del voices[stolen]
        self._owed[stolen] = victim.strikes
        self._begin(voices, key, data)
        return [note_off(victim.channel, victim.note), data]

    def _begin(self, voices: Voices, key: int, data: bytes) -> None:
        self._owed.pop(key, None)
        voices[key] = Voice(data[0] & 0x0F, data[1], data[2])

    def on_note_off(self, data: bytes, t_ns: int) -> Emission:
        """End the note, or swallow the note-off of one that does not sound any more."""
        channel = data[0] & 0x0F
        key = channel << 7 | data[1]
        if self._voices[channel].pop(key, None) is not None:
            return data
        owed = self._owed.get(key)
        if not owed:
            return data
        if owed > 1:
            self._owed[key] = owed - 1
        else:
            del self._owed[key]
        return None

    def on_mode(self, data: bytes, t_ns: int) -> Emission:
        """All Notes Off and All Sound Off end every note of their channel."""
        if clears_notes(data):
            self._forget(data[0] & 0x0F)
        return data

    def _forget(self, channel: int) -> None:
        for keys in (self._voices[channel], self._owed):
            for key in [key for key in keys if key >> 7 == channel]:
                del keys[key]

    def flush(self, t_ns: int) -> Emission:
        """Forget every note: the engine ends what sounds."""
        for channel in range(16):
            self._forget(channel)
        return None


@hookimpl
def pointsman_plugins() -> list[type[NoteLimit]]:
    """Offer note_limit."""
    return [NoteLimit]
