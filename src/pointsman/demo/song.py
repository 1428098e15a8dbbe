"""The tune of the demo, as one sequencer sends it: four bars for three synths down one cable.

Read it from the top: each track is a list of steps, sixteen to a bar. The sequencer does what
sequencers do, and that is what makes trouble:

- a control that is changed for one step stays where it is on the steps after;
- notes overlap, for more voices than a synth may have;
- clock goes to everyone;
- every track is on a channel of the sequencer's own, 1 to 3.

Run as a script it prints the tune as an event log: `python -m pointsman.demo.song`.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from typing import NamedTuple

from pointsman.message import CLOCK, START, STOP, control_change, note_off, note_on
from pointsman.units import NS_PER_MS, parse_note, seconds_text

BARS = 4
STEPS_PER_BAR = 16
STEP_NS = 125 * NS_PER_MS
CLOCKS_PER_STEP = 6
END_NS = BARS * STEPS_PER_BAR * STEP_NS

TUG, GULL, BUOY = 0, 1, 2  # the sequencer's channels 1, 2 and 3, as bytes have them

CUTOFF = 74
SWELL = 20
PITCH, DECAY, NOISE = 21, 75, 22


class Step(NamedTuple):
    """One step of a track: notes by name, how long (in steps), how hard, what is turned first."""

    notes: str
    length: float = 1.0
    velocity: int = 96
    controls: tuple[tuple[int, int], ...] = ()


REST = Step("")

# The bass: each note is held a little into the next. The cutoff is opened on the fifth step and
# closed on the thirteenth, and the sequencer never puts it back.
_BASS_BAR = [
    Step("C2", 1.2), REST, Step("C2", 1.2), REST,
    Step("G2", 2.4, 110, ((CUTOFF, 118),)), REST, Step("C2", 1.2), Step("D2", 1.2),
    Step("D#2", 2.4), REST, Step("D2", 1.2), REST,
    Step("C2", 2.4, 110, ((CUTOFF, 12),)), REST, Step("A#1", 1.2), Step("G1", 1.2),
]  # fmt: skip

# The pad: chords of four that overlap by two steps, so up to eight notes are held at once.
_PAD_CHORDS = ["C4 D#4 G4 A#4", "D4 F4 G#4 C5", "C4 D#4 G4 A#4", "B3 D4 F4 G#4"]

# The drums: one synth that has none. Pitch, decay and noise make three sounds of it, and each
# step turns only what its own sound needs.
KICK = Step("C2", 0.5, 120, ((PITCH, 10), (DECAY, 40)))
SNARE = Step("G2", 0.5, 100, ((NOISE, 90), (DECAY, 50)))
HAT = Step("C4", 0.25, 70, ((NOISE, 127), (DECAY, 5)))
BELL = Step("G4", 0.75, 90)
_DRUM_BAR = [
    KICK, REST, HAT, REST, SNARE, REST, HAT, BELL,
    KICK, REST, HAT, KICK, SNARE, REST, BELL, HAT,
]  # fmt: skip


def _pad_track() -> list[Step]:
    track = []
    for bar, chord in enumerate(_PAD_CHORDS):
        swell = ((SWELL, 110),) if bar == 0 else ()
        track += [Step(chord, STEPS_PER_BAR + 2, 80, swell)] + [REST] * (STEPS_PER_BAR - 1)
    return track


TRACKS = {TUG: _BASS_BAR * BARS, GULL: _pad_track(), BUOY: _DRUM_BAR * BARS}


def messages() -> list[tuple[int, bytes]]:
    """The whole tune in order: times in nanoseconds, and messages.

    Stop comes at the end of the fourth bar. The last pad chord is still held then, and this
    sequencer forgets to let it go: some do.
    """
    events = [*_clock()]
    for channel, track in TRACKS.items():
        for number, step in enumerate(track):
            events += _play(channel, number * STEP_NS, step)
    events = [event for event in events if event[0] < END_NS]
    events.sort(key=lambda event: event[0])  # equal times keep the order written
    return [*events, (END_NS, STOP)]


def _clock() -> Iterator[tuple[int, bytes]]:
    yield 0, START
    clocks = BARS * STEPS_PER_BAR * CLOCKS_PER_STEP
    for number in range(clocks):
        yield number * STEP_NS // CLOCKS_PER_STEP, CLOCK


def _play(channel: int, t_ns: int, step: Step) -> Iterator[tuple[int, bytes]]:
    for control, value in step.controls:
        yield t_ns, control_change(channel, control, value)
    for name in step.notes.split():
        note = parse_note(name)
        yield t_ns, note_on(channel, note, step.velocity)
        yield t_ns + int(step.length * STEP_NS), note_off(channel, note)


def main() -> None:
    """Print the tune as an event log."""
    for t_ns, data in messages():
        sys.stdout.write(f"{seconds_text(t_ns)}\t{data.hex(' ').upper()}\n")


if __name__ == "__main__":
    main()
