"""A verdict for people, in lines that fit the terminal, and as plain data."""

from __future__ import annotations

import shutil
from textwrap import wrap

from pointsman.why.findings import Finding
from pointsman.why.judging import Verdict

NARROWEST, WIDEST = 40, 100


def as_data(verdict: Verdict) -> dict[str, object]:
    """The verdict as plain data, for JSON: the likeliest finding comes first."""
    return {
        "output": verdict.output,
        "came": verdict.came,
        "left": verdict.left,
        "remarks": verdict.remarks,
        "findings": [finding.as_dict() for finding in verdict.findings],
    }


def show(verdict: Verdict) -> str:
    """The verdict as text: what, then what shows it, the rig's line, and what to change."""
    width = min(max(shutil.get_terminal_size((WIDEST, 24)).columns, NARROWEST), WIDEST)
    heading = (
        f"Why {verdict.output} may be silent, the likeliest first. {verdict.came}; {verdict.left}."
    )
    lines = _wrapped(heading, "", "", width)
    for remark in verdict.remarks:
        lines += _wrapped(remark, "note: ", "      ", width)
    for number, finding in enumerate(verdict.findings, 1):
        lines += ["", *_finding(number, finding, width)]
    return "\n".join(lines)


def _finding(number: int, finding: Finding, width: int) -> list[str]:
    hang = " " * (len(str(number)) + 2)
    lines = _wrapped(finding.what, f"{number}. ", hang, width)
    rows = [("seen: ", finding.evidence), ("rig:  ", finding.line), ("do:   ", finding.change)]
    for head, text in rows:
        if text:
            lines += _wrapped(text, hang + head, hang + " " * len(head), width)
    for text in finding.look_at:
        lines += _wrapped(text, hang + "      - ", hang + "        ", width)
    return lines


def _wrapped(text: str, head: str, hang: str, width: int) -> list[str]:
    return wrap(
        text, width, initial_indent=head, subsequent_indent=hang,
        break_long_words=False, break_on_hyphens=False,
    )  # fmt: skip
