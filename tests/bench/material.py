"""What the benches play: a rig of any number of outputs, and a sequencer's messages.

The rig is a quay with one synth after the other, each with the same five transforms and settings
of its own. Every message goes to every output: nothing is sorted out early, so this is the dear
case. The messages are made by a seeded generator: four tracks on channels 1-4, sixteen steps to
the bar at 120 a minute, one message each millisecond.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import chain, islice
from pathlib import Path
from random import Random

from mido_script import Settings

from pointsman.message import CLOCK, START, STOP, control_change, note_off, note_on
from pointsman.rig import Rig
from pointsman.rig_file import load_rig
from pointsman.units import NS_PER_MS

Messages = list[tuple[bytes, int]]
"""Messages with their times in nanoseconds, as `receive` takes them."""

NAMES = (
    "tug", "gull", "buoy", "crane", "ferry", "heron", "pilot", "skiff",
    "tern", "winch", "barge", "eider", "cutter", "osprey", "anchor", "lantern",
)  # fmt: skip

TRACKS = 4
CUTOFF, BITE = 74, 71  # what single steps change
SWELLS = (1, 10, 11, 91)  # what moves all the time
HOMES = {CUTOFF: 64, BITE: 32}
VOICES = (1, 4, 2, 8)

# Five entries that are concerned with nothing that the mixes hold, each in its own way.
IDLE_ENTRIES = (
    "{plugin: message_filter, drop: [sysex]}",
    "{plugin: channel_remap, map: {16: 15}}",
    "{plugin: clock_filter}",
    "{plugin: note_limit, voices: 1, channels: [16]}",
    "{plugin: message_filter, drop: [tune_request, song_select]}",
)


def settings(number: int) -> Settings:
    """What output `number` (from 0) needs, as the mido script has it."""
    return Settings(
        channels={track: (track + TRACKS + number) % 16 for track in range(TRACKS)},
        scaled=CUTOFF,
        scale_to=(20 + number, 110 - number),
        homes=HOMES,
        voices=VOICES[number % 4],
        divide=2 if number % 4 == 2 else 1,
        clock=number % 4 != 1,
        transport=number % 4 != 3,
    )


def synths(outputs: int) -> dict[str, Settings]:
    """The settings of so many outputs, by name."""
    return {NAMES[number]: settings(number) for number in range(outputs)}


def rig_text(outputs: int, idle: int = 0) -> str:
    """The same as a rig file; `idle` entries that do not care stand at the end of each chain."""
    text = "rig: quay\ninput: {port: 'null:'}\nsafety: {on_exit: none}\noutputs:\n"
    return text + "".join(_output_text(*synth, idle) for synth in synths(outputs).items())


def _output_text(name: str, synth: Settings, idle: int) -> str:
    moves = ", ".join(f"{a + 1}: {b + 1}" for a, b in synth.channels.items())
    homes = ", ".join(f"{control}: {home}" for control, home in synth.homes.items())
    low, high = synth.scale_to
    words = {True: "pass", False: "drop"}
    entries = [
        f"{{plugin: channel_remap, map: {{{moves}}}}}",
        f"{{plugin: cc_scale, control: {synth.scaled}, to: [{low}, {high}]}}",
        f"{{plugin: cc_reset, controls: {{{homes}}}, when: [next_note, stop]}}",
        f"{{plugin: clock_filter, clock: {words[synth.clock]},"
        f" transport: {words[synth.transport]}, divide: {synth.divide}}}",
        f"{{plugin: note_limit, voices: {synth.voices}}}",
        *(IDLE_ENTRIES[number % len(IDLE_ENTRIES)] for number in range(idle)),
    ]
    lines = "".join(f"      - {entry}\n" for entry in entries)
    return f"  {name}:\n    port: 'null:'\n    chain:\n{lines}"


def make_rig(folder: Path, outputs: int, idle: int = 0) -> Rig:
    """Write the rig to `folder`, and load it as everybody's is."""
    path = folder / f"quay-{outputs}-{idle}.yaml"
    path.write_text(rig_text(outputs, idle), "utf-8")
    return load_rig(path)


# ---- what the sequencer sends --------------------------------------------------------------------

STEP_MS = 125
CLOCK_SLOTS = (0, 21, 42, 63, 83, 104)  # six clocks a step, to the millisecond
OFF_SLOT = 90  # when the notes of a step end


class _Track:
    """One track: steps of one to three notes, of which every other turns a control first."""

    def __init__(self, channel: int, random: Random) -> None:
        self.channel = channel
        self.random = random
        self.held: list[int] = []

    def begin(self) -> list[bytes]:
        """What starts a step: a control for this step alone, then its notes."""
        random, channel = self.random, self.channel
        found = []
        if random.random() < 0.5:
            control = random.choice((CUTOFF, BITE))
            found.append(control_change(channel, control, random.randrange(128)))
        free = [note for note in range(36, 84) if note not in self.held]
        notes = random.sample(free, random.choice((1, 1, 2, 3)))
        self.held += notes
        return found + [note_on(channel, note, random.randint(40, 127)) for note in notes]

    def end(self) -> list[bytes]:
        """What ends a step: its notes, but now and then one is held into the next."""
        kept = 1 if self.random.random() < 0.3 else 0
        ended, self.held = self.held[kept:], self.held[:kept]
        return [note_off(self.channel, note) for note in ended]

    def motion(self) -> bytes:
        """What fills the time between: slow controls, bends and pressure."""
        random, channel = self.random, self.channel
        what, value = random.random(), random.randrange(128)
        if what < 0.7:
            return control_change(channel, random.choice(SWELLS), value)
        if what < 0.85:
            return bytes((0xE0 | channel, random.randrange(128), value))
        return bytes((0xD0 | channel, value))


def _step(tracks: list[_Track], random: Random, clock: bool) -> Iterator[bytes]:
    """One step: 125 messages, one each millisecond."""
    waiting = [message for track in tracks for message in track.begin()]
    for slot in range(STEP_MS):
        if slot == OFF_SLOT:
            waiting += [message for track in tracks for message in track.end()]
        if clock and slot in CLOCK_SLOTS:
            yield CLOCK
        elif waiting:
            yield waiting.pop(0)
        else:
            yield random.choice(tracks).motion()


def play(seconds: int, seed: int = 1, *, clock: bool = True) -> Iterator[tuple[bytes, int]]:
    """The realistic mix: 1,000 messages a second, with `clock` as part of them."""
    random = Random(seed)
    tracks = [_Track(channel, random) for channel in range(TRACKS)]
    count = seconds * 1000 // STEP_MS
    steps = chain.from_iterable(_step(tracks, random, clock) for _ in range(count))
    messages = chain((START,), steps, (STOP,)) if clock else steps
    for number, data in enumerate(messages):
        yield data, number * NS_PER_MS


def mixes(count: int) -> dict[str, Messages]:
    """Each mix by its name, with so many messages, one each millisecond."""
    whole = [data for data, _ in islice(play(20 * count // 1000 + 1), 10 * count)]
    notes = [data for data in whole if 0x80 <= data[0] < 0xA0]
    random = Random(2)
    controls = [
        control_change(
            random.randrange(TRACKS),
            random.choice((CUTOFF, BITE, *SWELLS)),
            random.randrange(128),
        )
        for _ in range(count)
    ]
    kinds = {"realistic": whole, "notes": notes, "controls": controls, "clock": [CLOCK] * count}
    return {
        name: [(data, number * NS_PER_MS) for number, data in enumerate(kind[:count])]
        for name, kind in kinds.items()
    }


_KINDS = (
    ("notes", 0x80, 0xA0), ("controls", 0xB0, 0xC0), ("bends", 0xE0, 0xF0),
    ("pressure", 0xD0, 0xE0), ("clock", 0xF8, 0xF9), ("transport", 0xFA, 0xFD),
)  # fmt: skip


def shares(messages: Messages) -> str:
    """What a mix consists of, in words."""
    counts = {
        name: sum(low <= data[0] < high for data, _ in messages) for name, low, high in _KINDS
    }
    return ", ".join(
        f"{name} {count / len(messages):.0%}" for name, count in counts.items() if count
    )
