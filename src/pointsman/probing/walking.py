"""A note on channel after channel; on which it sounded is judged from what was noticed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import chain

from pointsman.message import note_off, note_on
from pointsman.probing.steps import Play, Witness
from pointsman.units import NS_PER_MS


@dataclass(frozen=True, slots=True)
class Pace:
    """How long the note lasts, the silence after each, and the silence before the first."""

    note_ns: int
    gap_ns: int
    lead_ns: int = 0


QUICK = Pace(200 * NS_PER_MS, 250 * NS_PER_MS)
"""For a synth that answers by MIDI."""

SLOW = Pace(700 * NS_PER_MS, 600 * NS_PER_MS, 1000 * NS_PER_MS)
"""For a person, and for a meter: a sound has time to begin, and to die away."""

REACTION_NS = 200 * NS_PER_MS
"""Nobody presses a key sooner after a sound: what comes sooner belongs to the note before.

Simple reactions to a sound take 140-160 ms at the least (common knowledge of such tests, from
memory), and MIDI, synth and terminal add to that."""

_BEFORE_NS = 250 * NS_PER_MS
_AFTER_NS = 250 * NS_PER_MS
"""A meter may be late by so much, and says how loud it was so long before a note."""


@dataclass(frozen=True, slots=True)
class Slot:
    """One note of a walk: its channel (1-16), when it begins and ends, when the next one begins."""

    channel: int
    on_ns: int
    off_ns: int
    end_ns: int


def slots_of(channels: Sequence[int], pace: Pace) -> tuple[Slot, ...]:
    """When the note is played on each channel."""
    span_ns = pace.note_ns + pace.gap_ns
    starts = (pace.lead_ns + n * span_ns for n in range(len(channels)))
    return tuple(
        Slot(channel, on_ns, on_ns + pace.note_ns, on_ns + span_ns)
        for channel, on_ns in zip(channels, starts, strict=True)
    )


def walk(slots: Sequence[Slot], note: int, velocity: int) -> Play:
    """The note on each channel of the slots, which are shown as they come."""
    events = chain.from_iterable(
        (
            (slot.on_ns, note_on(slot.channel - 1, note, velocity)),
            (slot.off_ns, note_off(slot.channel - 1, note)),
        )
        for slot in slots
    )
    marks = tuple((slot.on_ns, f"  channel {slot.channel}") for slot in slots)
    return Play(tuple(events), slots[-1].end_ns, marks)


def answered(slots: Sequence[Slot], note: int, witness: Witness) -> dict[int, set[int]]:
    """On which channels (1-16) the note came back, for each channel it was played on.

    A note-on of the very note counts, while it is that channel's turn.
    """
    found: dict[int, set[int]] = {}
    for t_ns, data in witness.heard:
        if data[0] & 0xF0 != 0x90 or data[1] != note or not data[2]:
            continue
        for slot in slots:
            if slot.on_ns <= t_ns < slot.end_ns:
                found.setdefault(slot.channel, set()).add((data[0] & 0x0F) + 1)
    return found


def pressed(slots: Sequence[Slot], witness: Witness) -> list[int]:
    """The channels at which a person pressed Enter, in order."""
    found = []
    for t_ns, _ in witness.lines:
        before = [slot.channel for slot in slots if slot.on_ns + REACTION_NS <= t_ns]
        if before:
            found.append(before[-1])
    return list(dict.fromkeys(found))


def loud(slots: Sequence[Slot], witness: Witness) -> list[int] | None:
    """The channels at which the level rose, in order; None where the meter said nothing.

    The unit is the meter's own (volts, decibels): a rise counts if it is more than twice what the
    level wanders while nothing plays, and at least a quarter of the largest rise.
    """
    levels = witness.levels
    silent = [level for t_ns, level in levels if t_ns < slots[0].on_ns]
    rises: dict[int, float] = {}
    for slot in slots:
        before = [level for t, level in levels if slot.on_ns - _BEFORE_NS <= t < slot.on_ns]
        during = [level for t, level in levels if slot.on_ns <= t < slot.off_ns + _AFTER_NS]
        if before and during:
            rises[slot.channel] = max(during) - max(before)
    if not silent or not rises:
        return None
    noise = max(silent) - min(silent)
    least = max(2 * noise, max(rises.values()) / 4)
    return [channel for channel, rise in rises.items() if rise > 0 and rise >= least > 0]
