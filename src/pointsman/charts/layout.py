"""How a text is laid out: headings over columns, controls side by side, bare numbers."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from pointsman.charts import reach as reaches
from pointsman.charts.fields import cells_of, without_hex
from pointsman.charts.headings import ADDRESSES, Told, period_of, role_of
from pointsman.charts.reach import Reach
from pointsman.charts.rows import Roles
from pointsman.charts.values import NO, NUMBER, YES, has_letters, mark, number, signed, spans

MOST_HEADINGS = 200
MOST_STACKED = 12
_DIGIT = re.compile(r"\d")

FEW = 3
"""So many lines must be written alike before bare numbers are taken for controls."""

_ADDRESSES = {*ADDRESSES, "hex"}
_LABEL = re.compile(r"\s*(?:[•*·]\s*)?(?:control(?:ler)?\s?change|control|change)?s?\s*", re.I)
_LIST = rf"#?{NUMBER}(?:\s*[,/&]\s*{NUMBER})*(?:-{NUMBER})?"
_BARE = re.compile(rf"({_LIST})(?![\w.-]\w|\s*[-~]\s*\d|\w)\s*[):.=-]?\s*(.*)", re.DOTALL)
_TRAILING = re.compile(r"\s*([^\W\d].*?)\s+(\d{1,3})\s*")
_HEX_FIRST = re.compile(r"\s*(?:0[xX][0-9A-Fa-f]{1,2}|[0-9A-Fa-f]{2}[Hh])\b")
_NUMBERED = re.compile(r"\s*\d{1,2}[.)]\s+[A-Z]")
_MARK = rf"((?:{'|'.join(sorted(map(re.escape, YES | NO), key=len, reverse=True))}|-)(?:\s?\*\d?)?)"
_PAIR = rf"((?:N?RPN\s?)?{NUMBER}\s?[/,:.]\s?{NUMBER})"
_IN_ROW = {
    "name": r"(\S.*?)",
    "about": r"(.*)",
    "range": r"([+-]?\d\w*\s*(?:-|to|\.\.+|~|/)\s*[+-]?\d\w*|off\s?/\s?on|on\s?/\s?off)",
    "nrpn": _PAIR,
    "rpn": _PAIR,
    "transmitted": _MARK,
    "recognized": _MARK,
    "group": r"(\S+)",
    "sysex": r"(F0(?:\s\S{1,7})+?\sF7)",
}
_CC = rf"((?:(?:CC|NRPN|RPN)\s?#?\s?)?{NUMBER}(?:\s?[/,]\s?{NUMBER})?(?:\s?\(\w{{1,4}}\))?)"
_VALUE = r"([+-]?\w+)"
_MAYBE = frozenset({"home", "range", "about", "low", "high", "fine"})


@dataclass(frozen=True)
class Part:
    """Controls that a line names, with what stands before and after their numbers."""

    reaches: tuple[Reach, ...]
    before: str
    after: str
    others: tuple[Reach, ...] = ()
    why_not: str = ""

    @property
    def number(self) -> int | None:
        """The number of its first control change."""
        return self.reaches[0].cc if self.reaches else None


class Heading:
    """A line of headings: which column is what, and how to part a row below it."""

    def __init__(self, cells: Sequence[str], roles: Sequence[str | None]) -> None:
        self.cells = tuple(cells)
        self.width = period_of(cells)
        first = _once(roles[: self.width])
        self.by_column = {place: role for place, role in enumerate(first) if role}
        wanted = {p: role for p, role in self.by_column.items() if role != "ignore"}
        self.roles = Roles(wanted)
        self.is_chart = "recognized" in wanted.values() and not _ADDRESSES & set(wanted.values())
        side_by_side = first * (len(cells) // self.width)
        self._patterns = [
            re.compile(_row_pattern(columns), re.IGNORECASE) for columns in (side_by_side, first)
        ]

    def named(self) -> list[tuple[str, str]]:
        """The headings with their roles."""
        return [(self.cells[place], role) for place, role in self.by_column.items()]

    def rows(self, text: str) -> list[list[str]]:
        """The rows that stand in a line: one, or several where tables stand side by side."""
        cells = cells_of(text)
        if len(cells) not in (len(self.cells), self.width):
            joined = " ".join(cells)
            matches = [pattern.fullmatch(joined) for pattern in self._patterns]
            match = matches[0] or matches[1]
            cells = [cell or "" for cell in match.groups()] if match else []
        return [cells[n : n + self.width] for n in range(0, len(cells), self.width)]


def _row_pattern(roles: Sequence[str | None]) -> str:
    """A pattern for rows with single blanks; cells may be missing where that can be told."""
    maybe = {*_MAYBE, *(_ADDRESSES if len(_ADDRESSES.intersection(roles)) > 1 else ())}
    pattern = ""
    for place, role in enumerate(roles):
        default = _CC if role in _ADDRESSES else _VALUE
        cell = _IN_ROW.get(role or "", default)
        gap = r"\s+" if place else ""
        pattern += f"(?:{gap}{cell})?" if place and role in maybe else f"{gap}{cell}"
    return pattern


def heading_of(text: str, told: Told) -> Heading | None:
    """The headings that a line consists of, or None when it is no line of headings."""
    if len(text) > MOST_HEADINGS or (_DIGIT.search(text) and not told.pairs):
        return None
    cells = cells_of(text)
    for parted in (cells, _parted(text, (3, 2, 1)), _parted(text, (1, 2, 3))):
        roles = [role_of(cell) for cell in parted]
        roles = [told.places(parted).get(place, role) for place, role in enumerate(roles)]
        known = {role for role in roles if role}
        by_mark = {"transmitted", "recognized"} <= known
        if len(parted) >= 2 and len(known) >= 2 and (known & _ADDRESSES or by_mark):
            if None in roles and parted is not cells:
                continue
            if not any(signed(cell) is not None for cell in parted):
                return Heading(parted, roles)
    return None


def _once(roles: Sequence[str | None]) -> list[str | None]:
    """A second `Controller` is the name where there is none; other second ones are remarks."""
    seen: set[str] = set()
    once: list[str | None] = []
    for role in roles:
        if role in seen:
            role = "name" if role == "cc" and "name" not in {*roles, *once} else "about"
        once.append(role)
        seen.update([role] if role else [])
    return once


def _parted(text: str, sizes: Sequence[int]) -> list[str]:
    """A line of headings with single blanks, parted into headings of so many words each."""
    words, cells = text.split(), []
    while words:
        known = (n for n in sizes if n <= len(words) and role_of(" ".join(words[:n])))
        count = next(known, 1)
        cells.append(" ".join(words[:count]))
        words = words[count:]
    return cells


def stacked(texts: Sequence[str], told: Told) -> Heading | None:
    """Headings that stand below each other, one a line, with numbers in the same order below."""
    cells: list[str] = []
    roles: list[str] = []
    for text in texts:
        cell = text.strip()
        role = told.places([cell]).get(0) or role_of(cell)
        if role is None or role in roles or len(cells_of(text)) != 1:
            break
        cells.append(cell)
        roles.append(role)
    if len(cells) < 2 or not _ADDRESSES & set(roles):
        return None
    return Heading(cells, roles)


def outright(text: str) -> list[Part]:
    """The controls that a line names outright."""
    found = reaches.find(text)
    if not found:
        return []
    groups = [[found[0]]]
    for each in found[1:]:  # two numbers with no word between them are two ways to one control
        if has_letters(text[groups[-1][-1].end : each.start]):
            groups.append([each])
        else:
            groups[-1].append(each)
    starts = [group[0].start for group in groups]
    ends = [group[-1].end for group in groups]
    names_first = has_letters(text[: starts[0]])
    parts = []
    before = text[: starts[0]]
    for place, group in enumerate(groups):
        between = text[ends[place] : starts[place + 1] if place + 1 < len(groups) else None]
        after, ahead = _split(between) if names_first and place + 1 < len(groups) else (between, "")
        reach = next((each for each in group if each.reaches), group[0])
        others = tuple(r for each in group if each is not reach for r in each.reaches)
        parts.append(Part(reach.reaches, before, after, others, reach.why_not))
        before = ahead
    return parts


def _split(between: str) -> tuple[str, str]:
    """What stands between two numbers: the end of the one control, and the name of the next."""
    cells = cells_of(between)
    return "  ".join(cells[:-1]), cells[-1] if cells else ""


# ---- bare numbers ------------------------------------------------------------------------------


@dataclass(frozen=True)
class Style:
    """In which ways the lines of a text use bare numbers for controls."""

    leading: bool = False
    side_by_side: bool = False
    after_name: bool = False
    alone: bool = False
    trailing: bool = False

    def in_chart(self) -> Style:
        """The same below the headings of a chart, where bare numbers are controls."""
        return replace(self, leading=True)

    def bare(self, text: str) -> list[Part]:
        """The controls of a line with bare numbers."""
        cells = cells_of(text)
        leading = _leading(text)
        if leading and not has_letters(without_hex(leading.after, leading.number)):
            return [leading] if self.alone and number(text) is not None else []
        if leading and (self.leading or _is_confirmed(text, leading)):
            beside = [_leading(cell) for cell in cells]
            texts = [part for part in beside if part and has_letters(part.after)]
            if len(texts) > 1 and len(texts) == len(cells):
                return texts
            if self.side_by_side and (pairs := _pairs(cells)):
                return pairs
            return [leading]
        if self.after_name and _is_after_name(cells):
            found = reaches.numbers(cells[1])
            assert found is not None
            return [Part(found.reaches, cells[0], "  ".join(cells[2:]), (), found.why_not)]
        last = _TRAILING.fullmatch(text)
        if self.trailing and last:
            found = reaches.numbers(last[2])
            return [Part(found.reaches, last[1], "", (), found.why_not)] if found else []
        return []


def style_of(texts: Sequence[str]) -> Style:
    """Look at all lines for the ways in which they use numbers."""
    outright_lines = sum(bool(reaches.find(text)) for text in texts)
    leading = [part for part in map(_leading, texts) if part and _has_name(part)]
    pairs = [pair for pair in (_pairs(cells_of(text)) for text in texts) if pair]
    seconds = [part.reaches for pair in pairs for part in pair]
    after_name = [cells for cells in map(cells_of, texts) if _is_after_name(cells)]
    plain_numbers = outright_lines == 0
    trailing = [match[2] for match in map(_TRAILING.fullmatch, texts) if match]
    alone = [
        t.strip() for t, below in pairwise(texts) if number(t) is not None and has_letters(below)
    ]
    return Style(
        plain_numbers and len(leading) >= FEW and _differ([part.reaches for part in leading]),
        len(pairs) >= 2 and _differ(seconds),
        plain_numbers and len(after_name) >= FEW and _differ([cells[1] for cells in after_name]),
        plain_numbers and len(alone) >= FEW and _differ(alone),
        plain_numbers and len(trailing) * 3 > len(texts) * 2 and _differ(trailing),
    )


def _differ(found: Sequence[object]) -> bool:
    """Whether numbers name things: then few of them come twice."""
    counts = Counter(found)
    return sum(count == 1 for count in counts.values()) * 10 >= len(found) * 8


def _leading(text: str) -> Part | None:
    """A bare number at the beginning of a line: `74 (4AH) CUTOFF`, `Control 7 o o Volume`."""
    label = _LABEL.match(text)
    assert label is not None
    match = _BARE.match(text, label.end())
    if match is None or _NUMBERED.match(text):
        return None
    found = reaches.numbers(match[1])
    if found is None or not (found.reaches or found.why_not):
        return None
    return Part(found.reaches, "", match[2], (), found.why_not)


def _has_name(part: Part) -> bool:
    return has_letters(part.after)


def _is_confirmed(text: str, part: Part) -> bool:
    """Whether the number is in hex, or stands there once more in hex: 4AH, 74 (4AH)."""
    return bool(_HEX_FIRST.match(text)) or without_hex(part.after, part.number) != part.after


def _pairs(cells: Sequence[str]) -> list[Part]:
    """`7  Volume  74  Cutoff`: numbers and names by turns."""
    if len(cells) < 4 or len(cells) % 2:
        return []
    parts = []
    for cell, name in zip(cells[::2], cells[1::2], strict=True):
        found = reaches.numbers(cell)
        if found is None or not found.reaches or not has_letters(name):
            return []
        parts.append(Part(found.reaches, "", name))
    return parts


def _is_after_name(cells: Sequence[str]) -> bool:
    """`Cutoff  74  0-127`: a name, a number, and perhaps more."""
    if len(cells) < 2 or not has_letters(cells[0]) or mark(cells[0]) is not None:
        return False
    found = reaches.numbers(cells[1])
    return found is not None and bool(found.reaches) and not spans(cells[1])
