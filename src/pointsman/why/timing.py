"""Notes that come too late, end too soon, or are cut off."""

from __future__ import annotations

from collections import Counter

from pointsman.chain import Entry
from pointsman.message import ALL_SOUND_OFF
from pointsman.units import NS_PER_MS, NS_PER_S
from pointsman.why import findings as weigh
from pointsman.why.blame import Blame, Say
from pointsman.why.evidence import Evidence, NoteOut
from pointsman.why.findings import place_of
from pointsman.words import describe

TOO_SHORT_NS = 5 * NS_PER_MS
LATE_NS = 250 * NS_PER_MS
CUT_NS = 60 * NS_PER_MS
"""All Notes Off so soon after a note leaves too little of it to be heard."""


def late(note: NoteOut, evidence: Evidence) -> Blame | None:
    """It waits for the wire, or for the delay."""
    spec = evidence.spec
    if spec.wire_rate is None and not spec.delay_ns:
        return None
    late_ns = (evidence.now_ns if note.left_ns is None else note.left_ns) - note.t_ns
    if late_ns < LATE_NS:
        return None
    by_delay = note.left_ns is not None and late_ns <= spec.delay_ns + LATE_NS
    return Blame("delay" if by_delay else "wire_full", weigh.WIRE_FULL)


def say_late(blame: Blame, notes: list[NoteOut], evidence: Evidence) -> Say:
    """How long, and what fills the wire."""
    waits = [note.left_ns - note.t_ns for note in notes if note.left_ns is not None]
    never = len(notes) - len(waits)
    kinds = sorted(evidence.left.items(), key=lambda item: -item[1].count)[:3]
    most = ", ".join(f"{tally.count} {kind.value.replace('_', ' ')}" for kind, tally in kinds)
    waited = f"they waited up to {max(waits) / NS_PER_S:.1f} s" if waits else "they wait still"
    return (
        f"the wire to {evidence.output} is full, and the notes wait for it",
        f"{waited}"
        + (f", {never} have not left yet" if never and waits else "")
        + f"; it was sent {most}",
        place_of(_busiest(evidence)),
        "send less: cc_thin, a slower lfo, clock only where it is needed; or a wire of its own",
    )


def say_delay(blame: Blame, notes: list[NoteOut], evidence: Evidence) -> Say:
    """How much later."""
    return (
        f"everything for {evidence.output} is sent {evidence.spec.delay_ns / NS_PER_S:g} s later",
        "",
        "",
        "write a shorter delay: it is there to line up synths, and counts in milliseconds",
    )


def _busiest(evidence: Evidence) -> Entry | None:
    """The entry that adds the most messages by itself."""
    return max((e for _, e in evidence.entries if e.added), key=lambda e: e.added, default=None)


def short(note: NoteOut, evidence: Evidence) -> Blame | None:
    """Its note-off follows at once."""
    if note.ended_ns is None or note.ended_ns - note.t_ns >= TOO_SHORT_NS:
        return None
    return Blame("too_short", weigh.TOO_SHORT)


def say_short(blame: Blame, notes: list[NoteOut], evidence: Evidence) -> Say:
    """How long they last, and who ends them."""
    longest_ms = max((n.ended_ns or n.t_ns) - n.t_ns for n in notes) / NS_PER_MS
    enders = Counter(n.ender.label for n in notes if n.ender is not None)
    entry = next((n.ender for n in reversed(notes) if n.ender is not None), None)
    return (
        "each note ends as soon as it has begun",
        f"they last {longest_ms:.1f} ms at most, too short for a sound to rise"
        + (f"; {enders.most_common(1)[0][0]} ends them" if enders else ""),
        place_of(entry),
        f"see {entry.label}" if entry else "give the notes a length (gate) in the sequencer",
    )


def cut(note: NoteOut, evidence: Evidence) -> Blame | None:
    """All Notes Off or All Sound Off follows at once."""
    if note.cut_ns is None or note.cut_ns - note.t_ns > CUT_NS:
        return None
    return Blame("cut_off", weigh.CUT_OFF)


def say_cut(blame: Blame, notes: list[NoteOut], evidence: Evidence) -> Say:
    """Which, and where it comes from."""
    cut = notes[-1].cut
    assert cut is not None and cut.t_ns is not None
    name = "All Sound Off" if cut.value == ALL_SOUND_OFF else "All Notes Off"
    source = f"{cut.entry.label} sends it" if cut.entry else "it comes from the input"
    if cut.entry is None and cut.cause is not None and cut.cause[0] & 0xF0 != 0xB0:
        source = f"it comes of {describe(cut.cause, None, evidence.rig.middle_c_octave)}"
    return (
        f"{name} follows right behind the notes",
        f"{(cut.t_ns - notes[-1].t_ns) / NS_PER_MS:.1f} ms after the last one; {source}",
        place_of(cut.entry),
        "have the sequencer send no All Notes Off while it plays; message_filter lets them pass "
        "always, since a panic must reach the synth",
    )
