"""What may be wrong before a note comes to a chain: the input, and the notes that do not come."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

from pointsman.message import Kind
from pointsman.units import NS_PER_S
from pointsman.why import findings as weigh
from pointsman.why.evidence import Evidence, total
from pointsman.why.findings import Finding, ago

CLOCKWORK = (Kind.CLOCK, Kind.ACTIVE_SENSING)
_TRANSPORT = (Kind.START, Kind.CONTINUE, Kind.STOP, Kind.SONG_POSITION, *CLOCKWORK)

BROKEN_NS = 2 * NS_PER_S
"""A clock that ran and is silent for so long without Stop has been cut off."""

PAUSE_NS = 4 * NS_PER_S
PAUSES = 3
"""Notes have ceased if the pause is this long, and so many times the longest that there was."""


def input_gone(evidence: Evidence) -> Iterator[Finding]:
    """The port that should bring everything is not there."""
    live = evidence.live
    if live is None or live.input["state"] == "open":
        return
    port = live.input["port"]
    how = "lost" if live.input["state"] == "lost" else "not there"
    yield Finding(
        "input_gone",
        weigh.INPUT_GONE,
        f"the input's port '{port}' is {how}, so nothing comes in",
        live.input.get("trouble") or _last(evidence),
        "",
        "plug the sequencer in again, it goes on by itself; or name another port: pointsman ports",
    )


def nothing_came(evidence: Evidence) -> Iterator[Finding]:
    """Nothing at all, or no notes, or none any more."""
    came = evidence.came
    if evidence.notes_in:
        yield from _ceased(evidence)
        return
    notes = "no note has come in"
    if not came:
        yield Finding(
            "nothing_came",
            weigh.NOTHING_CAME,
            "nothing at all has come in",
            f"0 messages in {_span(evidence)}{_unconnected(evidence)}{_malformed(evidence)}",
            "",
            f"check the cable from the sequencer to '{evidence.rig.input_port}', that its MIDI "
            "output is on, and that it is this port: pointsman ports",
        )
    elif set(came) <= set(_TRANSPORT):
        clocks = total(came[kind] for kind in CLOCKWORK if kind in came)
        yield Finding(
            "clock_only",
            weigh.NO_NOTES_CAME,
            f"{notes}, only clock and transport",
            f"{clocks} clocks in {_span(evidence)}, the last {_last(evidence)}",
            "",
            "let the sequencer send notes: is the track muted, has it a channel and this output, "
            "is the pattern empty?",
        )
    else:
        kinds = ", ".join(f"{tally.count} {_word(kind)}" for kind, tally in came.items())
        yield Finding(
            "no_notes",
            weigh.NO_NOTES_CAME,
            notes,
            f"{kinds} in {_span(evidence)}, the last {_last(evidence)}",
            "",
            "let the sequencer send notes: is the track muted, or sent elsewhere?",
        )


def _ceased(evidence: Evidence) -> Iterator[Finding]:
    last_ns = evidence.last_ns
    assert last_ns is not None
    if evidence.broken and evidence.now_ns - last_ns >= BROKEN_NS:
        yield Finding(
            "broke_off",
            weigh.CLOCK_BROKE_OFF,
            "everything has ceased to come in, in the middle of the song",
            f"the clock ran, no Stop came, and the last message came {ago(last_ns, evidence)}",
            "",
            "check the cable from the sequencer, and its power",
        )
        return
    times = [note.t_ns for note in evidence.notes_in]
    pause_ns = last_ns - times[-1]
    longest_ns = max((after - before for before, after in pairwise(times)), default=0)
    if pause_ns >= max(PAUSE_NS, PAUSES * longest_ns):
        since = [kind for kind, tally in evidence.came.items() if tally.last_ns > times[-1]]
        others = [_word(kind) for kind in since if kind is not Kind.NOTE_OFF]
        yield Finding(
            "notes_ceased",
            weigh.NOTES_CEASED,
            "notes have ceased to come in, though other messages go on",
            f"the last of {len(times)} notes came {ago(times[-1], evidence)}; since then only "
            + ", ".join(others),
            "",
            "see whether the sequencer has muted the track or gone to an empty pattern",
        )


def _word(kind: Kind) -> str:
    return kind.value.replace("_", " ")


def _span(evidence: Evidence) -> str:
    return f"{(evidence.now_ns - evidence.begun_ns) / NS_PER_S:.0f} s"


def _last(evidence: Evidence) -> str:
    return ago(evidence.last_ns, evidence) if evidence.last_ns is not None else "nothing has come"


def _unconnected(evidence: Evidence) -> str:
    players = evidence.live.players if evidence.live else None
    return "; nothing is connected to it" if players == 0 else ""


def _malformed(evidence: Evidence) -> str:
    count = evidence.live.input["malformed"] if evidence.live else 0
    return f"; {count} since the start were no whole MIDI messages" if count else ""
