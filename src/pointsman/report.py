"""What a render did, as a table."""

from __future__ import annotations

from collections.abc import Sequence

from pointsman.render import EntryRow, OutputRow
from pointsman.tables import table

_HEADS = ("output", "in", "out", "notes", "voices", "wire", "worst second")


def show_rows(rows: Sequence[OutputRow]) -> str:
    """One row an output, then what each entry of its chain did."""
    top = table(
        _HEADS,
        [
            (r.output, r.received, r.sent, r.notes, r.most_voices, *map(_percent, _loads(r)))
            for r in rows
        ],
    )
    entries = [(row.output, *_cells(entry)) for row in rows for entry in row.entries]
    if not entries:
        return top
    heads = ("output", "entry", "changed", "dropped", "added", "")
    return f"{top}\n\n{table(heads, entries)}"


def _loads(row: OutputRow) -> tuple[float | None, float | None]:
    return row.wire_load, row.wire_worst_second


def _percent(part: float | None) -> str | None:
    return None if part is None else f"{part:.1%}"


def _cells(entry: EntryRow) -> tuple[object, ...]:
    fault = f"bypassed: {entry.fault}" if entry.fault else ""
    return entry.label, entry.changed, entry.dropped, entry.added, fault
