"""Notes that come in and go no further: which entry stops them, and why it does."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Iterator
from typing import Any

from pointsman.chain import Entry
from pointsman.units import note_name
from pointsman.why import findings as weigh
from pointsman.why.evidence import Evidence, NoteIn
from pointsman.why.findings import Finding, ago, bypass_command, of_all, place_of, recency


def all_stopped(evidence: Evidence) -> float:
    """How much of a silence is explained by notes that go no further, from 0 to 1."""
    notes = evidence.notes_in
    if not notes:
        return 0.0
    last_ns = notes[-1].t_ns
    through = recency((note for note in notes if note.sent), last_ns) / recency(notes, last_ns)
    return float((1 - through) ** weigh.AT_ALL)


def stopped(evidence: Evidence) -> Iterator[Finding]:
    """One finding for each entry that lets notes through no further."""
    notes = evidence.notes_in
    if not notes:
        return
    last_ns = notes[-1].t_ns
    whole = recency(notes, last_ns)
    by_entry: defaultdict[int, list[NoteIn]] = defaultdict(list)
    pressed: list[NoteIn] = []
    entries: dict[int, Entry] = {}
    for note in notes:
        if note.pressed:
            pressed.append(note)
        elif not note.sent and note.stopped is not None:
            by_entry[id(note.stopped)].append(note)
            entries[id(note.stopped)] = note.stopped
    factor = all_stopped(evidence)
    for key, mine in by_entry.items():
        entry = entries[key]
        what, change = _why(entry, mine, evidence)
        yield Finding(
            "stopped_" + (entry.name if entry.name in _WORDS else "entry"),
            weigh.NOTES_STOPPED * factor * recency(mine, last_ns) / whole,
            what,
            f"{of_all(len(mine), len(notes))} that came stopped there, "
            f"the last {ago(mine[-1].t_ns, evidence)}; {_channels(mine)}",
            place_of(entry),
            change,
        )
    if pressed:
        yield Finding(
            "panic_key",
            weigh.CUT_OFF * recency(pressed, last_ns) / whole,
            "a note that is played is the panic key of the rig, and silences everything",
            f"{of_all(len(pressed), len(notes))} did, the last {ago(pressed[-1].t_ns, evidence)}",
            "",
            "take another key for panic (under safety:), or none",
        )


def _channels(notes: Iterable[NoteIn]) -> str:
    counts = Counter(note.channel + 1 for note in notes)
    numbers = ", ".join(str(channel) for channel in sorted(counts))
    return f"on channel{'s' if len(counts) > 1 else ''} {numbers}"


Why = Callable[[Entry, list[NoteIn], Evidence], tuple[str, str]]


def _why(entry: Entry, notes: list[NoteIn], evidence: Evidence) -> tuple[str, str]:
    words = _WORDS.get(entry.name)
    what, change = words(entry, notes, evidence) if words else _any(entry, evidence)
    if entry.channels is not None and words is not None:
        acts_on = ", ".join(str(channel + 1) for channel in sorted(entry.channels))
        change += f"; or see its channels: ({acts_on})"
    return what, change


def _any(entry: Entry, evidence: Evidence) -> tuple[str, str]:
    return (
        f"the entry {entry.label} lets no notes through",
        "see what it is told in the rig, or leave it out: " + bypass_command(entry, evidence),
    )


def _filter(entry: Entry, notes: list[NoteIn], evidence: Evidence) -> tuple[str, str]:
    passes: list[str] | None = _options(entry).pass_
    right = "take note out of drop:" if passes is None else "add note to pass:"
    return f"{entry.label} filters notes out", right


def _remap(entry: Entry, notes: list[NoteIn], evidence: Evidence) -> tuple[str, str]:
    known = ", ".join(str(channel) for channel in sorted(_options(entry).map))
    return (
        f"the notes come {_channels(notes)}, which {entry.label} does not let through",
        f"have the sequencer send on channel {known}, or add the channel to map:, or others: pass",
    )


def _range(entry: Entry, notes: list[NoteIn], evidence: Evidence) -> tuple[str, str]:
    octave = evidence.rig.middle_c_octave
    options = _options(entry)
    low, high = note_name(options.low, octave), note_name(options.high, octave)
    return (
        f"the notes ({_span(notes, octave)}) are outside what {entry.label} lets through "
        f"({low} to {high})",
        "play there, transpose before it, widen low: and high:, or write outside: fold",
    )


def _transpose(entry: Entry, notes: list[NoteIn], evidence: Evidence) -> tuple[str, str]:
    octave = evidence.rig.middle_c_octave
    return (
        f"{entry.label} moves the notes ({_span(notes, octave)}) by "
        f"{_options(entry).semitones:+d}, which is beyond any note that there is",
        "write fewer semitones:",
    )


def _gate(entry: Entry, notes: list[NoteIn], evidence: Evidence) -> tuple[str, str]:
    options = _options(entry)
    bars = ", ".join(map(str, options.play))
    chance = f" with a chance of {options.chance:g}" if options.chance < 1 else ""
    return (
        f"{entry.label} lets notes sound only in bar {bars} of {options.of}{chance}",
        "play in those bars, or write more of them in play:",
    )


def _limit(entry: Entry, notes: list[NoteIn], evidence: Evidence) -> tuple[str, str]:
    octave = evidence.rig.middle_c_octave
    held = ", ".join(f"{note_name(n, octave)} on channel {c + 1}" for c, n in evidence.taken[:4])
    return (
        f"all voices of {entry.label} are taken by notes that nobody ends"
        + (f" ({held})" if held else ""),
        "let the held note go, or: pointsman panic; write steal: oldest, or a note_guard before it",
    )


_WORDS: dict[str, Why] = {
    "message_filter": _filter,
    "channel_remap": _remap,
    "note_range": _range,
    "transpose": _transpose,
    "bar_gate": _gate,
    "note_limit": _limit,
}
"""What shipped plugins stop, in words; another plugin is only named."""


def _options(entry: Entry) -> Any:
    return entry.spec.options


def _span(notes: Iterable[NoteIn], octave: int) -> str:
    numbers = sorted({note.note for note in notes})
    low, high = note_name(numbers[0], octave), note_name(numbers[-1], octave)
    return low if low == high else f"{low} to {high}"
