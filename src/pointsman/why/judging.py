"""The judgement: every rule is asked, and its findings are told by their scores."""

from __future__ import annotations

from dataclasses import dataclass, field

from pointsman.why import findings as weigh
from pointsman.why.arriving import input_gone, nothing_came
from pointsman.why.evidence import Evidence, NoteOut, total
from pointsman.why.findings import LEAST_SCORE, Finding, ago, of_all, output_line, share_out
from pointsman.why.leaving import left_wrong
from pointsman.why.standing import clock_missing, failed_entries, other_program, port_gone
from pointsman.why.stopping import all_stopped, stopped

ENOUGH = 3
"""How steeply a few notes that are well make it likely that the synth hears all it needs."""

LOOK_AT = (
    "the sound: volume knob, mixer channel and its mute, audio cable, headphones in the socket",
    "the MIDI cable: it goes into IN, not OUT or THRU; a 3.5 mm plug has two wirings, Type A and "
    "Type B, and the wrong one is silent",
    "the receive channel, an own setting on many synths, shown only by power-on tricks: "
    "pointsman find-channel {output}",
    "the receive mode: one that takes clock alone, or notes switched off",
    "a pattern of its own: an old one that plays along, or a sequencer that waits for Start",
    "local control and the program: whether it sounds from its own keys",
)
"""What can only be seen at the synth; the wirings are those of the published RP-054."""


@dataclass
class Verdict:
    """All findings about one output, the likeliest first."""

    output: str
    findings: list[Finding]
    came: str
    left: str
    remarks: list[str] = field(default_factory=list)

    @property
    def first(self) -> Finding:
        """The likeliest."""
        return self.findings[0]


def judge(evidence: Evidence) -> Verdict:
    """Say why the synth of an output may be silent, in order of likelihood."""
    leaving, healthy = left_wrong(evidence)
    symptoms = [*stopped(evidence), *leaving]
    found = [
        *port_gone(evidence),
        *input_gone(evidence),
        *nothing_came(evidence),
        *symptoms,
        *failed_entries(evidence, symptoms, _cured(evidence, symptoms)),
        *other_program(evidence),
        *clock_missing(evidence),
        *_all_well(evidence, healthy),
    ]
    found = sorted(
        (finding for finding in found if finding.score >= LEAST_SCORE),
        key=lambda finding: -finding.score,
    )
    if not found:
        found = [_undecided(evidence)]
    return Verdict(
        evidence.output, found, _came(evidence), _left(evidence),
        evidence.live.remarks if evidence.live else [],
    )  # fmt: skip


def _cured(evidence: Evidence, symptoms: list[Finding]) -> list[Finding]:
    """What would not be so, or much less so, if the bypassed entries were in."""
    freed = evidence.freed
    if freed is None:
        return []
    left: dict[str, float] = {}
    for finding in (*stopped(freed), *left_wrong(freed)[0]):
        left[finding.kind] = max(left.get(finding.kind, 0.0), finding.score)
    return [finding for finding in symptoms if left.get(finding.kind, 0.0) < finding.score / 2]


def _all_well(evidence: Evidence, healthy: list[NoteOut]) -> list[Finding]:
    if not healthy:
        return []
    share = share_out(healthy, evidence)
    score = weigh.ALL_WELL * (1 - (1 - share) ** ENOUGH) * (1 - all_stopped(evidence))
    return [_well(evidence, healthy, score)]


def _well(evidence: Evidence, healthy: list[NoteOut], score: float) -> Finding:
    channels = ", ".join(str(channel + 1) for channel in sorted({n.channel for n in healthy}))
    hardest = max(note.velocity for note in healthy)
    return Finding(
        "all_well",
        score,
        "all is well on our side; look at the synth and what is behind it",
        f"{of_all(len(healthy), len(evidence.notes_out))} left well, on channel {channels}, "
        f"with velocities up to {hardest}, the last {ago(healthy[-1].t_ns, evidence)}",
        output_line(evidence),
        "look at these, in this order",
        tuple(text.format(output=evidence.output) for text in LOOK_AT),
    )


def _undecided(evidence: Evidence) -> Finding:
    """Nothing is strong enough to be told: part of the notes is stopped, part of them is well."""
    return Finding(
        "undecided",
        0.0,
        "nothing that we see explains silence by itself",
        _left(evidence),
        output_line(evidence),
        "play a few notes that should sound, and ask again",
    )


def _came(evidence: Evidence) -> str:
    return _counts(len(evidence.notes_in), total(evidence.came.values()), "came in")


def _left(evidence: Evidence) -> str:
    whole = total(evidence.left.values())
    return _counts(len(evidence.notes_out), whole, f"left for {evidence.output}")


def _counts(notes: int, whole: int, what: str) -> str:
    others = whole - notes
    return (
        f"{notes} note{'' if notes == 1 else 's'} and "
        f"{others} other message{'' if others == 1 else 's'} {what}"
    )
