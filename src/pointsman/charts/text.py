"""Charts as text: what was copied out of a manual, in whatever way its lines are laid out.

How this works. A line is tried, in this order, as
1. headings, after which the lines below are rows of that table;
2. a row of that table;
3. a line that names controls outright (CC 74, NRPN 1:8, B0 4A vv), one or several;
4. a row of the published chart (Pitch Bend x o);
5. a line with a bare number (74 Cutoff), where the chart is seen to be written so;
6. a title or a heading.
What is none of these is not understood, and said so. A name or a range that stands alone on the
next line belongs to the control before it.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from pointsman.charts import fields, layout
from pointsman.charts.chart import Chart, Fate, Line, Offer
from pointsman.charts.functions import Functions
from pointsman.charts.headings import Told
from pointsman.charts.layout import Heading, Part
from pointsman.charts.rows import keep_count, offer_all, read_row
from pointsman.charts.values import LONGEST, has_letters, plain, span

MOST_NAME_WORDS = 6
_RULE = re.compile(r"[\W_]*")
_SENTENCE = re.compile(
    r"(?:is|are|was|were|will|can|may|must|should|sends?|sets?|has|have|to|and|or|of|for|on|in|if"
    r"|when|messages?|numbers?|values?)\b(?!\s*$)",
    re.IGNORECASE,
)
_TITLE = re.compile(
    r"(.*?)\W*\b(?:midi\b|cc\b|control(?:ler)?s?\b(?!\s\d)|implementation\b|parameter\b)"
    r"(?=.*\b(?:list|chart|table|map|numbers|implementation|controllers|controls|assignments?)\b)",
    re.IGNORECASE,
)
_MORE = re.compile(r"(?:\b(?:range|values?|default|initial|init)\b)", re.IGNORECASE)


def read_text(chart: Chart, lines: Sequence[str], told: Told) -> None:
    """Read the lines of a text into the chart."""
    _Text(chart, lines, told).read()


class _Text:
    def __init__(self, chart: Chart, lines: Sequence[str], told: Told) -> None:
        self.chart = chart
        self.told = told
        self.functions = Functions(chart)
        filled = [(n, line) for n, line in enumerate(lines, 1) if line.strip()]
        self.lines = [Line(n, line.strip()) for n, line in filled]
        texts = (plain(line).rstrip() for _, line in filled)
        self.texts = [text if len(text) <= LONGEST else "" for text in texts]
        chart.lines = self.lines
        self.heading: Heading | None = None
        self.group = ""
        self.style = layout.style_of(self.texts)

    def read(self) -> None:
        place = 0
        while place < len(self.lines):
            place += self._read(place)

    def _read(self, place: int) -> int:
        """Read the line at `place`, and say how many lines belong to it."""
        line, text = self.lines[place], self.texts[place]
        if not text:
            line.is_now(Fate.NOT_UNDERSTOOD, f"longer than {LONGEST} characters")
            return 1
        if _RULE.fullmatch(text):
            line.is_now(Fate.HEADING, "a rule")
            return 1
        stacked = self._stacked(place)
        if stacked:
            return stacked
        heading = layout.heading_of(text, self.told)
        if heading is not None:
            self._headed(line, heading)
            return 1
        if self._table_row(line, text):
            return 1
        return self._loose(place)

    # ---- tables -------------------------------------------------------------------------------

    def _headed(self, line: Line, heading: Heading) -> None:
        self.heading = heading
        self.group = ""
        if heading.is_chart:
            self.style = self.style.in_chart()
        said = ", ".join(f"'{name}' = {role}" for name, role in heading.named())
        self.chart.columns.append(f"line {line.number}: {said}")
        line.is_now(Fate.HEADING, "headings")

    def _table_row(self, line: Line, text: str) -> bool:
        if self.heading is None or self.heading.is_chart:
            return False
        read = [
            read_row(self.chart, line, cells, self.heading.roles, self.group)
            for cells in self.heading.rows(text)
        ]
        return any(read)

    def _stacked(self, place: int) -> int:
        """A table whose cells stand below each other: how many lines it has, or 0."""
        heading = layout.stacked(self.texts[place : place + layout.MOST_STACKED], self.told)
        if heading is None:
            return 0
        read = height = len(heading.cells)
        while True:
            begin = place + read
            cells = [text.strip() for text in self.texts[begin : begin + height]]
            if len(cells) < height or not read_row(
                self.chart, self.lines[begin], cells, heading.roles, ""
            ):
                break
            self._belong(begin, height)
            read += height
        if read == height:
            return 0
        self._headed(self.lines[place], heading)
        self._belong(place, height)
        self.heading = None
        return read

    def _belong(self, place: int, count: int) -> None:
        for line in self.lines[place + 1 : place + count]:
            line.is_now(Fate.FACT, f"belongs to line {self.lines[place].number}")

    # ---- lines --------------------------------------------------------------------------------

    def _loose(self, place: int) -> int:
        """A line that is no row of a table."""
        line, text = self.lines[place], self.texts[place]
        parts = layout.outright(text)
        if not parts and self.functions.text(line, text):
            return 1
        parts = parts or self.style.bare(text)
        if parts:
            return self._parts(place, parts)
        self._words(line, text)
        return 1

    def _parts(self, place: int, parts: Sequence[Part]) -> int:
        """The controls that a line names; a name or range on the next line belongs to the last."""
        line, used = self.lines[place], 1
        for part in parts:
            before, after = part.before, part.after
            if part is parts[-1]:
                used, after = self._continued(place, part)
            self._offer(line, part, before, after)
        self._belong(place, used)
        return used

    def _continued(self, place: int, part: Part) -> tuple[int, str]:
        after, used = part.after, 1
        named = has_letters(part.before) or has_letters(fields.without_hex(after, part.number))
        while place + used < len(self.texts):
            text = self.texts[place + used]
            if not text or layout.outright(text) or layout.heading_of(text, self.told):
                break
            is_name = not named and has_letters(text) and not span(text)
            if not (_is_more(text) or (is_name and len(text.split()) <= MOST_NAME_WORDS)):
                break
            if is_name and (self.style.bare(text) or self.functions.heading(text)):
                break
            named = named or is_name
            after += f"  {text}"
            used += 1
        return used, after

    def _offer(self, line: Line, part: Part, before: str, after: str) -> None:
        if part.why_not:
            line.is_now(Fate.NOT_UNDERSTOOD, part.why_not)
            return
        count = len(part.reaches)
        before, after = keep_count(before, count), keep_count(after, count)
        found = fields.read(before, after, part.number)
        if _reads_like_a_sentence(found):
            line.is_now(Fate.NOT_UNDERSTOOD, f"{part.reaches[0]} in a sentence")
            return
        about = [*found.about, *(f"also {other}" for other in part.others)]
        remarks = [f"'{text}' not understood" for text in found.left]
        remarks += [f"also {other}" for other in part.others]
        offer = Offer(
            part.reaches[0], found.name, found.span, found.home, found.recognized, about,
            self.group, remarks,
        )  # fmt: skip
        offer_all(self.chart, line, part.reaches, offer)

    def _words(self, line: Line, text: str) -> None:
        """A title, a heading, or what nobody understands."""
        title = _TITLE.match(text.strip())
        if title and not self.chart.controls:
            name = fields.tidy(title[1].lstrip("# "))
            if 1 <= len(name.split()) <= 4 and not self.chart.name and has_letters(name):
                self.chart.name = name
            if len(text.split()) <= 8:
                line.is_now(Fate.HEADING, "title")
                return
        if self.functions.heading(text):
            if re.match(r"\W*(?:control|change)\b", text.strip(), re.IGNORECASE):
                self.style = self.style.in_chart()
            line.is_now(Fate.HEADING)
        elif text.lstrip().startswith("# "):
            line.is_now(Fate.HEADING)
        elif _is_heading(text):
            self.group = "" if line is self.lines[0] else fields.tidy(text)
            line.is_now(Fate.HEADING)


def _is_more(text: str) -> bool:
    """Whether a line is no more than a range or a value at rest."""
    words = _MORE.sub("", text)
    if words == text:
        found = span(text)
        return found is not None and not has_letters(re.sub(r"\bto\b", "", text))
    return not has_letters(re.sub(r"\b(?:to|is|off|on|max|min|cent(?:er|re))\b", "", words))


def _is_heading(text: str) -> bool:
    text = re.sub(r"^[\W\d]+", "", text.strip()).removesuffix(":")
    words = text.split()
    if not words or len(words) > 5 or ":" in text or text.endswith((".", ",", ";", "!", "?")):
        return False
    return words[0][:1].isupper() and has_letters(text) and not span(text)


def _reads_like_a_sentence(found: fields.Fields) -> bool:
    words = found.name.split()
    if len(words) > MOST_NAME_WORDS or (words and _SENTENCE.match(found.name)):
        return True
    return len(words) > 3 and re.search(r"[.!?](?:\s|$)", found.name) is not None
