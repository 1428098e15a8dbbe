"""What a render did, as tables."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from pointsman.tables import table
from pointsman.units import NS_PER_MS
from pointsman.wire import WireFigures

if TYPE_CHECKING:  # `status` shows wires, and need not wait for all that `render` imports
    from pointsman.render import EntryRow, OutputRow

_HEADS = ("output", "in", "out", "notes", "voices", "wire", "worst second")
_WIRE_HEADS = ("wire of", "offered", "notes wait", "clock waits", "overtaken", "dropped")
_ENTRY_HEADS = ("output", "entry", "changed", "dropped", "added", "")

_Cells = Sequence[tuple[object, ...]]


def show_rows(rows: Sequence[OutputRow]) -> str:
    """One row an output, then each paced wire, then what each entry of a chain did."""
    outputs: _Cells = [
        (r.output, r.received, r.sent, r.notes, r.most_voices, *map(_percent, _loads(r)))
        for r in rows
    ]
    wires = show_wires({row.output: row.wire for row in rows if row.wire})
    entries: _Cells = [(row.output, *_entry_cells(entry)) for row in rows for entry in row.entries]
    parts = [table(_HEADS, outputs), wires, table(_ENTRY_HEADS, entries) if entries else ""]
    return "\n\n".join(part for part in parts if part)


def show_wires(wires: Mapping[str, WireFigures]) -> str:
    """How the paced wires have done, by output; nothing if there is none."""
    rows = [_wire_cells(name, wire) for name, wire in wires.items()]
    return table(_WIRE_HEADS, rows) if rows else ""


def _loads(row: OutputRow) -> tuple[float | None, float | None]:
    return row.wire_load, row.wire_worst_second


def _percent(part: float | None) -> str | None:
    return None if part is None else f"{part:.1%}"


def _wire_cells(output: str, wire: WireFigures) -> tuple[object, ...]:
    waits = (wire.longest_note_wait_ns, wire.longest_clock_wait_ns)
    losses = (wire.overtaken, wire.dropped)
    return (
        output,
        _percent(wire.offered),
        *(f"{ns / NS_PER_MS:.2f} ms" for ns in waits),
        *(_counts(counts) for counts in losses),
    )


def _counts(counts: Mapping[str, int]) -> str:
    """How many of each kind: "3 control, 1 bend"."""
    return ", ".join(f"{count} {kind}" for kind, count in sorted(counts.items())) or "0"


def _entry_cells(entry: EntryRow) -> tuple[object, ...]:
    fault = f"bypassed: {entry.fault}" if entry.fault else ""
    return entry.label, entry.changed, entry.dropped, entry.added, fault
