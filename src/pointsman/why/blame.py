"""What the rules about notes that leave have in common: blame, and small words.

A rule looks at one note and says whether that is the reason for it (`Blame`), and if so under which
key: notes that are blamed under one key make one finding.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass

from pointsman.chain import Entry
from pointsman.why.evidence import Evidence, NoteOut, Told
from pointsman.why.findings import ago
from pointsman.words import describe, hex_text


@dataclass(frozen=True)
class Blame:
    """What one note is blamed on: notes of one key, kind and weight make one finding."""

    kind: str
    weight: float
    key: object = None


Rule = Callable[[NoteOut, Evidence], Blame | None]

Say = tuple[str, str, str, str]
"""What it is, what shows it, which line does it, and what to change."""

Words = Callable[[Blame, list[NoteOut], Evidence], Say]


def by(notes: list[NoteOut], what: str) -> Entry | None:
    """The entry that gave the last of the notes its channel, note or velocity."""
    return notes[-1].by.get(what)


def numbers(found: Iterable[int]) -> str:
    """Numbers once each, in order."""
    return ", ".join(map(str, sorted(set(found))))


def told_at(evidence: Evidence, note: NoteOut, name: str) -> Told | None:
    """What had been set of a control by its name in the device when a note left."""
    setting = evidence.settings.get((note.channel, name))
    return setting.at(note.t_ns) if setting else None


def value_at(evidence: Evidence, note: NoteOut, name: str) -> int | None:
    """The value of that."""
    told = told_at(evidence, note, name)
    return told.value if told else None


def set_when(told: Told | None, evidence: Evidence) -> str:
    """When something was set, and by what."""
    if told is None:
        return ""
    when = f"set {ago(told.t_ns, evidence)}"
    cause = told.cause
    if cause is not None:
        words = describe(cause, None, evidence.rig.middle_c_octave)
        return f"{when} by {hex_text(cause)} of the input ({words})"
    return f"{when} by {told.entry.label}" if told.entry else when
