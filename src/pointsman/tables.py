"""Plain text tables for the terminal."""

from __future__ import annotations

from collections.abc import Sequence


def table(heads: Sequence[str], rows: Sequence[Sequence[object]]) -> str:
    """Rows under heads, in columns as wide as they need; numbers stand to the right."""
    texts = [[_text(cell) for cell in row] for row in rows]
    widths = [max(len(head), *(len(row[i]) for row in texts), 0) for i, head in enumerate(heads)]
    right = [
        bool(rows) and all(isinstance(row[i], int | float) for row in rows)
        for i in range(len(heads))
    ]
    lines = [_line(heads, widths, right), _line(["-" * width for width in widths], widths, right)]
    return "\n".join([*lines, *(_line(row, widths, right) for row in texts)])


def _text(cell: object) -> str:
    return "-" if cell is None else str(cell)


def _line(cells: Sequence[str], widths: Sequence[int], right: Sequence[bool]) -> str:
    padded = [
        cell.rjust(width) if to_right else cell.ljust(width)
        for cell, width, to_right in zip(cells, widths, right, strict=True)
    ]
    return "  ".join(padded).rstrip()
