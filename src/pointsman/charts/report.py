"""The account of an import: which column was what, and what became of every line."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from typing import Any

from pointsman.charts.chart import Chart, Fate, Line
from pointsman.tables import table

WIDEST = 58


def account(chart: Chart, shown: str) -> str:
    """Every line of the chart with what became of it, and the count."""
    rows = [(line.number, _shortened(line.text), _became(line)) for line in chart.lines]
    return "\n".join(
        [f"{shown}:", *(f"  {said}" for said in chart.columns), "",
         table(("line", "text", "what became of it"), rows), "", summary(chart)]
    )  # fmt: skip


def summary(chart: Chart) -> str:
    """The count, in one line."""
    counts = Counter(line.fate for line in chart.lines)
    said = [f"{_count(len(chart.controls), 'control')} in {_count(counts[Fate.CONTROL], 'line')}"]
    said += [_count(counts[fate], word) for fate, word in _WORDS if counts[fate]]
    without = sum(control.home is None for control in chart.controls)
    homes = f" Without home yet: {without}." if without else ""
    return f"{chart.name}: {', '.join(said)}.{homes}"


_WORDS = (
    (Fate.FACT, "other fact"),
    (Fate.HEADING, "heading"),
    (Fate.LEFT_OUT, "left out"),
    (Fate.NOT_UNDERSTOOD, "not understood"),
)


def _count(number: int, word: str) -> str:
    plural = "s" if word in ("other fact", "heading", "control", "line") and number != 1 else ""
    return f"{number} {word}{plural}"


def as_data(chart: Chart, text: str) -> dict[str, Any]:
    """The same as plain data, with the device file's text."""
    return {
        "device": chart.name,
        "columns": chart.columns,
        "lines": [
            {"line": line.number, "text": line.text, "fate": line.fate.value, "what": line.what}
            for line in chart.lines
        ],
        "controls": len(chart.controls),
        "yaml": text,
    }


def _became(line: Line) -> str:
    return "; ".join(_said(line))


def _said(line: Line) -> Iterator[str]:
    if line.fate in (Fate.LEFT_OUT, Fate.NOT_UNDERSTOOD):
        yield f"{line.fate.value.upper()}" + (f": {line.what[0]}" if line.what else "")
        yield from line.what[1:]
    elif line.fate is Fate.HEADING:
        yield line.what[0] if line.what else "heading"
    else:
        yield from line.what


def _shortened(text: str) -> str:
    text = " ".join(text.split())
    return text if len(text) <= WIDEST else text[: WIDEST - 1] + "…"
