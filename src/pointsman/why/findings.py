"""Findings, their weights, and how much of a silence each explains.

How this works. A *weight* (0-100) says how surely a fact keeps a note from sounding, if it is so
for that note. Facts further up the way of a message weigh more: what has not arrived cannot be too
quiet. A *share* (0-1) says of how many notes it is so; late notes count more than early ones, since
a synth that is silent is so now. A score is made of both, and findings are told by their scores.

A fact that does not hold for every note does not explain silence: the others would be heard. So the
share is taken to a power, `AFTER_ALL` for facts about notes that leave, `AT_ALL` for notes that the
chain stops: an output is often meant to get only its part of what comes.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from pointsman.chain import Entry
from pointsman.units import NS_PER_S
from pointsman.why.evidence import Evidence, NoteIn, NoteOut

# Weights. They are judgements of ours, not measurements; docs/why-silent.md explains them.
PORT_GONE = 100
INPUT_GONE = 99
NOT_IN_SONG = 98
SWALLOWED = 97
NO_LISTENER = 96
NOTHING_CAME = 95
NO_NOTES_CAME = 92
NOTES_STOPPED = 88
CUT_OFF = 86
WRONG_CHANNEL = 85
VOLUME_OFF = 84
NOT_RECEIVED = 82
OUT_OF_RANGE = 80
WIRE_FULL = 78
TOO_SHORT = 76
TOO_QUIET = 74
PORT_FAILS = 72
CLOCK_BROKE_OFF = 70
NOTES_CEASED = 68
SILENT_END = 66
OTHER_PROGRAM = 60
ENTRY_FAILED = 56
ALL_WELL = 50
PROGRAM_CHANGED = 46
AT_AN_END = 44
FAINT = 42
NO_CLOCK = 30
ONCE_GONE = 20
HARMLESS_END = 10

A_BIT_MORE = 3
"""What a cause weighs more than the weightiest of what it brings about."""

HALF_LIFE_NS = 5 * NS_PER_S
"""A note that came so long before the last one counts half."""

AFTER_ALL = 4
AT_ALL = 8

LEAST_SCORE = 8
"""Findings below are not told."""


@dataclass(frozen=True)
class Finding:
    """One reason why a synth may be silent. `kind` is its name for scripts.

    `what` says it in one line, `evidence` what shows it, `line` is the `path:line` of the rig that
    does it ("" where none does), and `change` what to do.
    """

    kind: str
    score: float
    what: str
    evidence: str
    line: str
    change: str
    look_at: tuple[str, ...] = ()
    """What only a look at the synth can tell."""

    def as_dict(self) -> dict[str, object]:
        """The same as plain data, for JSON."""
        return {
            "kind": self.kind,
            "score": round(self.score, 1),
            "what": self.what,
            "evidence": self.evidence,
            "line": self.line or None,
            "change": self.change,
            "look_at": list(self.look_at),
        }


def recency(notes: Iterable[NoteIn | NoteOut], last_ns: int) -> float:
    """Notes by number, those that came long before `last_ns` for less."""
    return sum(math.exp2((note.t_ns - last_ns) / HALF_LIFE_NS) for note in notes)


def share_out(notes: Iterable[NoteOut], evidence: Evidence) -> float:
    """Of how many of the notes that leave this is so, from 0 to 1."""
    left = evidence.notes_out
    if not left:
        return 0.0
    return recency(notes, left[-1].t_ns) / recency(left, left[-1].t_ns)


def place_of(entry: Entry | None) -> str:
    """Where an entry stands."""
    if entry is None:
        return ""
    origin = entry.spec.origin
    return f"{entry.file if origin is None else origin.path}:{entry.line}"


def output_line(evidence: Evidence) -> str:
    """Where the output stands in its rig, or song."""
    spec = evidence.spec
    return f"{evidence.rig.path if spec.origin is None else spec.origin.path}:{spec.line}"


def bypass_command(entry: Entry, evidence: Evidence) -> str:
    """What leaves an entry out while the rig plays; with --off it puts it in again."""
    of_input = any(entry is other for name, other in evidence.entries if name is None)
    where = "--input" if of_input else evidence.output
    return f'pointsman bypass {where} "{entry.label}"'


def of_all(count: int, whole: int, what: str = "notes") -> str:
    """How many of how many."""
    if count == whole:
        return f"the only {what.removesuffix('s')}" if whole == 1 else f"all {whole} {what}"
    return f"{count} of {whole} {what}"


def ago(t_ns: int | None, evidence: Evidence) -> str:
    """When something was, for a person."""
    if t_ns is None:
        return "before the first message"
    seconds = (evidence.now_ns - t_ns) / NS_PER_S
    if evidence.live is None:
        return f"at {t_ns / NS_PER_S:.3f} s"
    return f"{seconds:.1f} s ago" if seconds < 10 else f"{seconds:.0f} s ago"
