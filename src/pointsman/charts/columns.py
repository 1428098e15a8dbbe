"""Charts in columns: CSV, TSV and the like, whatever the columns are called and in what order."""

from __future__ import annotations

import csv
import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from pointsman.charts import reach as reaches
from pointsman.charts.chart import Chart, Fate, Line, Offer
from pointsman.charts.fields import read as read_fields
from pointsman.charts.functions import Functions
from pointsman.charts.guessing import Guess
from pointsman.charts.headings import Told, role_of
from pointsman.charts.rows import Roles, offer_all, read_row
from pointsman.charts.values import LONGEST, is_blank, mark, plain, signed

DELIMITERS = "\t;,|"
MOST_COLUMNS = 200
MOST_LINES = 20
"""A quoted cell over more lines than this is a stray quotation mark."""

_CONTROL_LABEL = re.compile(r"(?:control(?:ler)?\s?)?(?:changes?)?\s*[:#]?\s*", re.IGNORECASE)


@dataclass
class Row:
    """One row: its line and its cells."""

    line: Line
    cells: list[str]


def delimiter_of(lines: Sequence[str], *, is_table: bool) -> str | None:
    """What parts the cells, or None when this is no table; `is_table`: its name says that it is."""
    best: tuple[float, str] | None = None
    for delimiter in DELIMITERS:
        counts = [len(row.cells) for row in rows_of(lines, delimiter) if any(row.cells)]
        wide = [count for count in counts if 2 <= count <= MOST_COLUMNS]
        if not wide:
            continue
        share = len(wide) / len(counts)
        alike = Counter(wide).most_common(1)[0][1] / len(counts)
        if (share >= 0.3 if is_table else alike >= 0.6) and (best is None or alike > best[0]):
            best = (alike, delimiter)
    return best[1] if best else None


def rows_of(lines: Sequence[str], delimiter: str) -> list[Row]:
    """The rows; one whose cells go over several lines counts as the first of them."""
    rows, longest = _rows(lines, delimiter, csv.QUOTE_MINIMAL)
    return rows if longest <= MOST_LINES else _rows(lines, delimiter, csv.QUOTE_NONE)[0]


def _rows(lines: Sequence[str], delimiter: str, quoting: Literal[0, 3]) -> tuple[list[Row], int]:
    """The rows, and over how many lines the longest goes."""
    rows: list[Row] = []
    reader = csv.reader((f"{line}\n" for line in lines), delimiter=delimiter, quoting=quoting)
    first = longest = 0
    while True:
        try:
            cells = next(reader)
        except StopIteration:
            return rows, longest
        except csv.Error:  # a cell without end
            cells, longest = [], MOST_LINES + 1
        text = " ".join(line.strip() for line in lines[first : reader.line_num])
        rows.append(
            Row(Line(first + 1, text), [plain(" ".join(c.split()))[:LONGEST] for c in cells])
        )
        longest = max(longest, reader.line_num - first)
        first = reader.line_num


def read_columns(chart: Chart, rows: Sequence[Row], told: Told) -> None:
    """Read a table, or several below each other, into the chart."""
    functions = Functions(chart)
    filled = [row for row in rows if any(cell.strip() for cell in row.cells)]
    chart.lines = [row.line for row in filled]
    heads = _head_rows(filled, told)
    if not heads:
        _Table(chart, functions, None, filled, told).read()
        return
    _title(filled[: heads[0]], functions)
    for head, following in zip(heads, [*heads[1:], len(filled)], strict=True):
        _Table(chart, functions, filled[head], filled[head + 1 : following], told).read()


def _head_rows(rows: Sequence[Row], told: Told) -> list[int]:
    """Which rows are headings: cells that name roles, and no number among them."""
    found = []
    for place, row in enumerate(rows):
        cells = [cell for cell in row.cells if cell.strip()]
        if len(cells) < 2 or any(_is_number(cell) for cell in cells):
            continue
        if sum(mark(cell) is not None for cell in cells) > 1:
            continue
        roles = {role_of(cell) for cell in cells} - {None}
        if len(roles) >= 2 or any(told.is_heading(cell) for cell in cells):
            found.append(place)
    if not found and len(rows) > 1 and _looks_headed(rows):
        found.append(0)
    return found


def _is_number(cell: str) -> bool:
    return signed(cell) is not None or reaches.numbers(cell) is not None


def _looks_headed(rows: Sequence[Row]) -> bool:
    """Whether the first row has no number, and most of the others have one: unknown headings."""
    numbered = [any(_is_number(cell) for cell in row.cells) for row in rows]
    return not numbered[0] and sum(numbered[1:]) * 2 >= len(rows) and len(rows[0].cells) > 1


def _title(rows: Sequence[Row], functions: Functions) -> None:
    """What stands above the headings: the synth's name, a title."""
    for row in rows:
        cells = [cell for cell in row.cells if cell]
        if functions.cells(row.line, cells[0], cells[1] if len(cells) > 1 else ""):
            continue
        functions.heading(" ".join(cells))
        row.line.is_now(Fate.HEADING)


class _Table:
    """One table: a row of headings, or none, and what stands below it."""

    def __init__(
        self, chart: Chart, functions: Functions, head: Row | None, body: Sequence[Row], told: Told
    ) -> None:
        self.chart = chart
        self.functions = functions
        self.head = head
        self.body = body
        self.told = told
        self.group = ""

    def read(self) -> None:
        headings = self.head.cells if self.head else []
        width = max([len(headings), *(len(row.cells) for row in self.body), 0])
        headings = headings + [""] * (width - len(headings))
        guess = Guess(headings, [row.cells for row in self.body], self.told)
        guessed = guess.blocks()
        self._say_columns(headings, guessed, guess)
        blocks = [
            Roles({place: role for place, role in roles.items() if role != "ignore"})
            for roles in guessed
        ]
        hexed = [column for roles in guessed for column in guess.hex_columns(roles)]
        for row in self.body:
            for column in hexed:
                if column < len(row.cells) and row.cells[column]:
                    row.cells[column] += "H"
            self._row(row, blocks)

    def _say_columns(
        self, headings: Sequence[str], blocks: Sequence[Mapping[int, str]], guess: Guess
    ) -> None:
        said, unused = [], []
        known = {column: role for roles in blocks for column, role in roles.items()}
        for column, heading in enumerate(headings):
            name = f"'{heading}'" if heading else f"column {column + 1}"
            if column in known:
                said.append(f"{name} = {known[column]}")
            elif heading or guess.says_something(column):
                unused.append(name)
        where = f"line {self.head.line.number}" if self.head else "no headings"
        more = f"; not used: {', '.join(unused)}" if unused else ""
        self.chart.columns.append(f"{where}: {', '.join(said) or 'no column known'}{more}")
        if self.head:
            self.head.line.is_now(Fate.HEADING, "headings")

    # ---- the rows ------------------------------------------------------------------------------

    def _row(self, row: Row, blocks: Sequence[Roles]) -> None:
        cells, line = row.cells, row.line
        read = [read_row(self.chart, line, cells, roles, self.group) for roles in blocks]
        if any(read) or self._chart_row(row, blocks[0]):
            return
        words = [cell for cell in cells if not is_blank(cell)]
        if not words:
            line.is_now(Fate.HEADING, "nothing in it")
        elif self.functions.heading(" ".join(words)):
            line.is_now(Fate.HEADING)
        elif len(words) == 1 and len(words[0].split()) <= 5:
            self.group = words[0]
            line.is_now(Fate.HEADING)
        else:
            line.is_now(Fate.NOT_UNDERSTOOD, "no control number in it")

    def _chart_row(self, row: Row, roles: Roles) -> bool:
        """A row of the published chart: what stands before the marks is its label."""
        marks = [c for c, role in roles.by_column.items() if role in ("transmitted", "recognized")]
        if not marks:
            words = [cell for cell in row.cells if not is_blank(cell)]
            return len(words) == 2 and self.functions.cells(row.line, *words)
        before, after = row.cells[: min(marks)], row.cells[max(marks) + 1 :]
        label = " ".join(cell for cell in before if not is_blank(cell))
        recognized = roles.text(row.cells, "recognized")
        if self._chart_control(row.line, label, recognized, after):
            return True
        return bool(label) and self.functions.cells(row.line, label, recognized)

    def _chart_control(self, line: Line, label: str, recognized: str, after: Sequence[str]) -> bool:
        """`Control Change 7, o, o, Volume`."""
        rest = label[_CONTROL_LABEL.match(label).end() :]  # type: ignore[union-attr]
        match = re.match(r"\d{1,3}(?:\s*[,/&-]\s*\d{1,3})*(?!\S)", rest)
        found = reaches.numbers(match[0]) if match else next(iter(reaches.find(label)), None)
        if found is None:
            return False
        if not found.reaches:
            line.is_now(Fate.NOT_UNDERSTOOD, found.why_not)
            return True
        named = rest[match.end() :] if match else label[found.end :]
        fields = read_fields("", "  ".join([named, *after]))
        offer = Offer(
            found.reaches[0], fields.name, fields.span, fields.home, mark(recognized),
            fields.about, self.group, [f"'{text}' not understood" for text in fields.left],
        )  # fmt: skip
        offer_all(self.chart, line, found.reaches, offer)
        return True
