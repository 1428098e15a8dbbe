"""Notes that a synth does not take as its own: its channel, its range, what it receives."""

from __future__ import annotations

from pointsman.units import note_name
from pointsman.why import findings as weigh
from pointsman.why.blame import Blame, Say, by, numbers, set_when, told_at, value_at
from pointsman.why.evidence import Evidence, NoteOut
from pointsman.why.findings import place_of
from pointsman.why.settings import (
    BEND,
    BEND_CENTRE,
    BEND_RANGE,
    COARSE_TUNING,
    TUNING_CENTRE,
    USUAL_BEND_RANGE,
)


def other_channel(note: NoteOut, evidence: Evidence) -> Blame | None:
    """It leaves on another channel than its synth listens on."""
    device = evidence.device
    if device is None or device.channel is None or note.channel == device.channel - 1:
        return None
    return Blame("wrong_channel", weigh.WRONG_CHANNEL)


def say_channel(blame: Blame, notes: list[NoteOut], evidence: Evidence) -> Say:
    """Which channels those are."""
    assert evidence.device is not None
    left = numbers(note.channel + 1 for note in notes)
    entry = by(notes, "channel")
    came = numbers(note.channel + 1 for note in evidence.notes_in)
    return (
        f"the notes leave on channel {left}, and {evidence.device.device} listens on "
        f"{evidence.device.channel}",
        f"they came in on channel {came}",
        place_of(entry),
        f"send them to {evidence.device.channel}"
        + (
            f" in {entry.label}"
            if entry
            else f": channel_remap with map: {{{came}: {evidence.device.channel}}}"
        )
        + "; or, if the synth listens elsewhere now, correct channel: in the device file "
        f"(pointsman find-channel {evidence.output})",
    )


def _pitch(note: NoteOut, evidence: Evidence) -> tuple[float, str]:
    """The note as it would sound, in semitones, and what moves it most."""
    bend, tuning = value_at(evidence, note, BEND), value_at(evidence, note, COARSE_TUNING)
    reach = value_at(evidence, note, BEND_RANGE)
    bent = 0.0
    if bend is not None and evidence.hears("bend"):
        span = USUAL_BEND_RANGE if reach is None else reach
        bent = span * (bend - BEND_CENTRE) / BEND_CENTRE
    tuned = 0 if tuning is None else tuning - TUNING_CENTRE
    moved = BEND if abs(bent) > abs(tuned) else COARSE_TUNING
    return note.note + bent + tuned, moved if bent or tuned else ""


def out_of_range(note: NoteOut, evidence: Evidence) -> Blame | None:
    """Its synth does not have this note, or bend or tuning move it there."""
    device = evidence.device
    low, high = device.notes if device is not None and device.notes else (0, 127)
    if not low <= note.note <= high:
        return Blame("out_of_range", weigh.OUT_OF_RANGE)
    pitch, mover = _pitch(note, evidence)
    if low - 1 < pitch < high + 1:
        return None
    return Blame("bent_out_of_range", weigh.OUT_OF_RANGE, mover)


def say_range(blame: Blame, notes: list[NoteOut], evidence: Evidence) -> Say:
    """Which notes those are."""
    octave = evidence.rig.middle_c_octave
    device = evidence.device
    assert device is not None and device.notes is not None
    low, high = (note_name(note, octave) for note in device.notes)
    played = [note.note for note in notes]
    first, last = note_name(min(played), octave), note_name(max(played), octave)
    entry = by(notes, "note")
    return (
        f"the notes ({first} to {last}) are outside what {device.device} plays ({low} to {high})",
        "" if entry is None else f"{entry.label} has moved them",
        place_of(entry),
        (f"move them less in {entry.label}" if entry else "play there, or add a transpose")
        + "; note_range with outside: fold brings every note into reach",
    )


def say_bent(blame: Blame, notes: list[NoteOut], evidence: Evidence) -> Say:
    """What moves it, and how far."""
    mover = str(blame.key)
    told = told_at(evidence, notes[-1], mover)
    pitch, _ = _pitch(notes[-1], evidence)
    return (
        f"{mover} moves the notes out of what the synth plays",
        f"the last one, {note_name(notes[-1].note, evidence.rig.middle_c_octave)}, by "
        f"{pitch - notes[-1].note:+.0f} semitones; {set_when(told, evidence)}",
        place_of(told.entry) if told else "",
        f"send {mover} to its middle, and look at the bend range",
    )


def not_received(note: NoteOut, evidence: Evidence) -> Blame | None:
    """The device file says that its synth receives no notes."""
    return None if evidence.hears("note") else Blame("not_received", weigh.NOT_RECEIVED)


def say_received(blame: Blame, notes: list[NoteOut], evidence: Evidence) -> Say:
    """What it receives."""
    device = evidence.device
    assert device is not None
    return (
        f"{device.device} receives no notes, says its device file",
        f"receives: {', '.join(device.receives or ())}",
        "",
        "set the synth to receive notes (many have a mode that takes clock alone), and add note "
        "to receives: in the device file",
    )
