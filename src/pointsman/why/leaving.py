"""Notes that leave for the synth, and that it yet may not play: every rule about them is asked."""

from __future__ import annotations

from collections import defaultdict

from pointsman.why import findings as weigh
from pointsman.why import levels, reaching, timing
from pointsman.why.blame import Blame, Rule, Words
from pointsman.why.evidence import Evidence, NoteOut
from pointsman.why.findings import Finding, ago, of_all, output_line, share_out

RULES: dict[str, tuple[Rule, Words]] = {
    "wrong_channel": (reaching.other_channel, reaching.say_channel),
    "out_of_range": (reaching.out_of_range, reaching.say_range),
    "velocity": (levels.quiet, levels.say_quiet),
    "volume": (levels.volume, levels.say_volume),
    "extreme": (levels.extreme, levels.say_extreme),
    "wire_full": (timing.late, timing.say_late),
    "too_short": (timing.short, timing.say_short),
    "cut_off": (timing.cut, timing.say_cut),
    "not_received": (reaching.not_received, reaching.say_received),
    "bent_out_of_range": (lambda note, evidence: None, reaching.say_bent),
    "delay": (lambda note, evidence: None, timing.say_delay),
}
"""Each rule with the words for what it blames; some blame under two kinds."""


def left_wrong(evidence: Evidence) -> tuple[list[Finding], list[NoteOut]]:
    """Findings about notes that leave, and the notes that no weighty one is about."""
    blamed: defaultdict[Blame, list[NoteOut]] = defaultdict(list)
    healthy = []
    for note in evidence.notes_out:
        blames = [blame for rule, _ in RULES.values() if (blame := rule(note, evidence))]
        for blame in blames:
            blamed[blame].append(note)
        if not any(blame.weight > weigh.ALL_WELL for blame in blames):
            healthy.append(note)
    return [_finding(blame, notes, evidence) for blame, notes in blamed.items()], healthy


def _finding(blame: Blame, notes: list[NoteOut], evidence: Evidence) -> Finding:
    what, shows, line, change = RULES[blame.kind][1](blame, notes, evidence)
    score = blame.weight * share_out(notes, evidence) ** weigh.AFTER_ALL
    count = of_all(len(notes), len(evidence.notes_out))
    shown = f"{count} that left, the last {ago(notes[-1].t_ns, evidence)}"
    return Finding(
        blame.kind, score, what, f"{shown}; {shows}" if shows else shown,
        line or output_line(evidence), change,
    )  # fmt: skip
