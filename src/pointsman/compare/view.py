"""A comparison as tables for the terminal: counts for every output, then the first differences."""

from __future__ import annotations

from pathlib import Path

from pointsman.compare.matching import Difference, Sort
from pointsman.compare.rigs import OutputComparison, RigComparison
from pointsman.tables import table
from pointsman.units import NS_PER_MS, NS_PER_S

SHOWN = 10
"""Differences that are shown of each output."""

SMALL_NS = 2 * NS_PER_MS
"""What moves by less nobody hears: it is counted, and shown only if there is nothing else."""

_HEADS = ("output", "same", "only before", "only after", "changed", "other time", "other order", "")
_SORTS = (Sort.ONLY_BEFORE, Sort.ONLY_AFTER, Sort.CHANGED, Sort.MOVED, Sort.ORDER)


def show_comparison(found: RigComparison, source: Path) -> str:
    """Everything that a player wants to know first."""
    before, after = found.before.path, found.after.path
    heading = f"{source} through {before} (before) and {after} (after):"
    if found.is_same:
        return f"{heading} no difference."
    counts = table(_HEADS, [_row(found, output) for output in found.outputs])
    both = [output for output in found.outputs if output.in_before and output.in_after]
    parts = [_firsts(found, output) for output in both if output.found.differences]
    return "\n\n".join([heading, counts, *parts])


def _row(found: RigComparison, output: OutputComparison) -> tuple[object, ...]:
    remarks = []
    if not (output.in_before and output.in_after):
        remarks.append(f"only in {found.side(before=output.in_before).path}")
    if output.later_ns:
        remarks.append(f"all of it {_later(output.later_ns)}")
    if furthest_ns := output.found.furthest_ns:
        remarks.append(f"moved by up to {_ms(furthest_ns)}")
    return (
        output.output,
        output.found.same,
        *(output.found.count(sort) for sort in _SORTS),
        ", ".join(remarks),
    )


def _firsts(found: RigComparison, output: OutputComparison) -> str:
    """The first differences of an output that somebody may hear."""
    differences = output.found.differences
    heard = [d for d in differences if not _is_small(d)] or differences
    rows = [_cells(found, output.output, difference) for difference in heard[:SHOWN]]
    first = f", the first {SHOWN}" if len(heard) > SHOWN else ""
    number = "1 difference" if len(heard) == 1 else f"{len(heard)} differences"
    left_out = len(differences) - len(heard)
    remark = f", {left_out} that moved by less than {_ms(SMALL_NS)} aside" if left_out else ""
    heads = ("seconds", "before", "after")
    return f"{output.output}: {number}{remark}{first}\n{table(heads, rows)}"


def _is_small(difference: Difference) -> bool:
    before, after = difference.before, difference.after
    if difference.sort is not Sort.MOVED or before is None or after is None:
        return False
    return abs(after[0] - before[0]) < SMALL_NS


def _cells(found: RigComparison, output: str, difference: Difference) -> tuple[str, str, str]:
    before, after = difference.before, difference.after
    when = f"{difference.t_ns / NS_PER_S:.3f}"
    before_words = "-" if before is None else found.before.words(output, before[1])
    if before is not None and after is not None:
        if difference.sort is Sort.MOVED:
            return when, before_words, f"the same, {_later(after[0] - before[0])}"
        if difference.sort is Sort.ORDER:
            return when, f"first {before_words}", f"first {found.after.words(output, after[1])}"
    return when, before_words, "-" if after is None else found.after.words(output, after[1])


def _later(way_ns: int) -> str:
    return f"{_ms(abs(way_ns))} {'later' if way_ns > 0 else 'earlier'}"


def _ms(ns: int) -> str:
    ms = ns / NS_PER_MS
    return f"{ms:.2f} ms" if ms < 10 else f"{ms:.0f} ms"
