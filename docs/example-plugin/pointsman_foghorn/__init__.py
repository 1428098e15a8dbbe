"""foghorn: every note is answered from below, later and quieter.

How this works. Each note-on asks the host for its first answer; each answer asks for the next. An
answer is a short note of its own: its note-off is timed with it, so it needs no memory of what is
held, and a Stop or an end in between leaves nothing hanging.
"""

from __future__ import annotations

from functools import partial
from typing import Annotated

from pydantic import Field

from pointsman.plugin import (
    Duration,
    Emission,
    Plugin,
    PluginOptions,
    Time,
    Whole,
    hookimpl,
    note_off,
    note_on,
)


class FoghornOptions(PluginOptions):
    """What foghorn can be told."""

    after: Annotated[Time, Field(description="how long until the answer, and between answers")]
    answers: Annotated[int, Whole(1, 16), Field(description="how many answers a note gets")] = 2
    length: Annotated[Time, Field(description="how long an answer sounds")] = Duration(
        "50ms", ns=50_000_000
    )
    semitones: Annotated[
        int, Whole(-48, 48), Field(description="how far above the note the answer lies")
    ] = -12
    fade: Annotated[
        float, Field(gt=0, le=1, description="each answer's velocity, as a part of the last one's")
    ] = 0.6


class Foghorn(Plugin[FoghornOptions]):
    """Answers every note from below, later and quieter.

    Answers that would leave the range of notes, or be too quiet to hear, are left out.
    """

    name = "foghorn"
    Options = FoghornOptions

    def on_note_on(self, data: bytes, t_ns: int) -> Emission:
        """Let the note pass, and have it answered."""
        note = data[1] + self.options.semitones
        if 0 <= note <= 127:
            self._plan(data[0] & 0x0F, note, data[2], self.options.answers, t_ns)
        return data

    def _plan(self, channel: int, note: int, velocity: int, left: int, t_ns: int) -> None:
        quieter = int(velocity * self.options.fade)
        if left and quieter:
            answer = partial(self._answer, channel, note, quieter, left - 1)
            self.host.after(self.options.after, t_ns, answer)

    def _answer(self, channel: int, note: int, velocity: int, left: int, t_ns: int) -> Emission:
        self.host.after(self.options.length, t_ns, lambda _: note_off(channel, note))
        self._plan(channel, note, velocity, left, t_ns)
        return note_on(channel, note, velocity)


@hookimpl
def pointsman_plugins() -> list[type[Foghorn]]:
    """Offer foghorn."""
    return [Foghorn]
