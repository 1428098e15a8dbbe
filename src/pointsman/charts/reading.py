"""From the bytes of a chart to what was found in it, whichever way it is laid out."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import PurePath

from pointsman.charts.chart import Chart, Fate
from pointsman.charts.columns import delimiter_of, read_columns, rows_of
from pointsman.charts.headings import Told
from pointsman.charts.text import read_text
from pointsman.errors import InputFileError

MAX_BYTES = 256 << 10
_TABLES = frozenset({".csv", ".tsv", ".tab"})
_FOREIGN = (
    (b"%PDF", "a PDF; select its chart, copy the text into a .txt file and import that"),
    (b"PK\x03\x04", "a workbook; save the sheet with the chart as CSV and import that"),
    (b"\xd0\xcf\x11\xe0", "a workbook; save the sheet with the chart as CSV and import that"),
)


def read_chart(
    data: bytes, shown: str, *, name: str | None = None, told: Sequence[tuple[str, str]] = ()
) -> Chart:
    """Read a chart; `shown` is its path, `told` are pairs of a role and a heading.

    Raises InputFileError for what is no chart, or for a heading that is not in it.
    """
    text, remark = _decode(data, shown)
    lines = [_printable(line) for line in text.split("\n")]
    path = PurePath(shown)
    is_table = path.suffix.lower() in _TABLES
    delimiter = delimiter_of(lines, is_table=is_table)
    ways = [None] if delimiter is None else [delimiter] if told else [None, delimiter]
    charts = [_read_as(lines, way, told) for way in (reversed(ways) if is_table else ways)]
    chart, unused = max(charts, key=lambda read: _worth(read[0]))
    for role, wanted in unused:
        headings = "; ".join(chart.columns) or "it has no headings"
        what = f"no column is headed '{wanted}', which is to be the {role}"
        raise InputFileError(f"{shown}: {what}; {headings}")
    chart.name = name or chart.name or _from_path(path)
    if remark:
        chart.columns.insert(0, remark)
    if chart.is_empty:
        what = "nothing in it was understood; say which column is what with --column cc=HEADING"
        raise NothingFound(f"{shown}: {what}", chart)
    return chart


class NothingFound(InputFileError):
    """Not one line was understood; `chart` has the fate of each."""

    def __init__(self, text: str, chart: Chart) -> None:
        self.chart = chart
        super().__init__(text)


def _read_as(
    lines: Sequence[str], delimiter: str | None, pairs: Sequence[tuple[str, str]]
) -> tuple[Chart, list[tuple[str, str]]]:
    chart, told = Chart(), Told(pairs)
    if delimiter is None:
        read_text(chart, lines, told)
    else:
        read_columns(chart, rows_of(lines, delimiter), told)
    chart.finish()
    return chart, told.unused()


def _worth(chart: Chart) -> tuple[int, int]:
    """How much was understood, to choose between two ways of reading."""
    lost = sum(line.fate is Fate.NOT_UNDERSTOOD for line in chart.lines)
    named = sum("no name there" not in control.remarks for control in chart.controls)
    return len(chart.controls) + named + len(chart.hears), -lost


def _decode(data: bytes, shown: str) -> tuple[str, str]:
    """The text, and what had to be guessed to read it."""
    if len(data) > MAX_BYTES:
        raise InputFileError(f"{shown}: larger than 256 KiB; copy only its chart")
    for begin, what in _FOREIGN:
        if data.startswith(begin):
            raise InputFileError(f"{shown}: this is {what}")
    text, remark = _text(data)
    if not text.strip():
        raise InputFileError(f"{shown}: the file is empty; copy the chart into it")
    if "\0" in text:
        raise InputFileError(f"{shown}: this is no text; give CSV, TSV, or text from the manual")
    return text.replace("\r\n", "\n").replace("\r", "\n"), remark


def _text(data: bytes) -> tuple[str, str]:
    try:
        if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
            return data.decode("utf-16"), ""
        return data.decode("utf-8-sig"), ""
    except UnicodeDecodeError:
        return data.decode("cp1252", "replace"), "not UTF-8: read as Windows-1252"


def _printable(line: str) -> str:
    """The line without what a terminal or a YAML file cannot show."""
    return "".join(c if c.isprintable() or c == "\t" else " " for c in line)


def _from_path(path: PurePath) -> str:
    words = path.stem.replace("_", " ").replace("-", " ").split()
    return " ".join(word[:1].upper() + word[1:] for word in words) or "Unnamed"
