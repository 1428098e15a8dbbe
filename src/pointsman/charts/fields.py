"""What stands beside a control in a line of text: name, range, value at rest, o and x, remarks."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import NamedTuple

from pointsman.charts.values import (
    NUMBER,
    Span,
    has_letters,
    is_blank,
    is_switch,
    mark,
    rest_value,
    signed,
    span,
    spans,
)

_HOME = re.compile(
    r"[(\[]?\s*\b(?:default|def\.|dflt|initial|init|power[ -]?on|rests? at|home)\b(?:\s+value)?"
    rf"(?:\s+is)?\s*[:=]?\s*([+-]?{NUMBER}|off|on|max|min|cent(?:er|re))(?!\w)\s*[)\]]?",
    re.IGNORECASE,
)
_HEX_AGAIN = re.compile(
    r"\s*[(\[/=]?\s*(?:(?:0x|\$)?([0-9A-Fa-f]{2})[Hh]?\s*[)\]]|([0-9A-Fa-f]{2})[Hh]\b)"
)
_EDGE = " \t.,:;=-*•·|/"
_LEADERS = re.compile(r"(?:\s?[.·_]){4,}\s*|\s+:\s+|\s*->\s*|\s*=>\s*")
_CELLS = re.compile(r"\s{2,}|\t+|\s*\|\s*|\s*;\s+(?!\d)")
_MARKS = re.compile(r"(?<!\S)(\S{1,4})(?:\s+|\s*[/|:]\s*)(\S{1,4})(?!\S)")
_LISTED = re.compile(r"(?<![\w.~-])(\d{1,3})\s*[:=]\s*[A-Za-z]")
"""One value with its meaning: 0 = off, 127 = on."""

_ASKED = re.compile(r"\(\s*(?:yes\s*/\s*no|y\s*/\s*n|o\s*/\s*x)\s*\)", re.IGNORECASE)
_RANGE_WORD = re.compile(r"\b(?:range|values?|data)\b\s*[:=]?\s*$", re.IGNORECASE)


@dataclass
class Fields:
    """What was found beside a control; `left` are the words that nothing could be made of."""

    name: str = ""
    span: Span | None = None
    home: int | None = None
    transmitted: bool | None = None
    recognized: bool | None = None
    about: list[str] = field(default_factory=list)
    left: list[str] = field(default_factory=list)


class _Parted(NamedTuple):
    """A cell with a range among its words."""

    ahead: str
    span: Span | None
    behind: str


def cells_of(line: str) -> list[str]:
    """The cells of a line that is parted by bars, tabs, dots or two blanks."""
    return [cell for cell in (c.strip() for c in _CELLS.split(_LEADERS.sub("  ", line))) if cell]


def without_hex(text: str, number: int | None) -> str:
    """The text after a control's number, without the same in hex: ` (4AH) CUTOFF`."""
    match = _HEX_AGAIN.match(text)
    if match is None or number is None:
        return text
    again = match[1] or match[2]
    is_same = number in (int(again, 16), int(again) if again.isdecimal() else None)
    return text[match.end() :] if is_same else text


def read(before: str, after: str, number: int | None = None) -> Fields:
    """Read what stands before a control's number, and what stands after it.

    The words nearest before the number, or else the first after it, are the name.
    """
    found = Fields()
    ahead = [text for cell in cells_of(_take_home(found, before)) for text in _cell(found, cell)]
    after = _take_home(found, without_hex(after, number))
    after = _take_marks(found, after)
    behind = [text for cell in cells_of(after) for text in _cell(found, cell)]
    names = ahead[-1:] or behind[:1]
    found.name = "".join(names)
    found.about += [*ahead[:-1], *(behind if ahead else behind[1:])]
    return found


def tidy(text: str) -> str:
    """Words without the punctuation that parts them from others."""
    text = " ".join(text.strip(_EDGE).split())
    if text[:1] == "(" and text[-1:] == ")" and text.count("(") == 1:
        return text[1:-1].strip()
    if text.count("(") != text.count(")"):
        text = text.strip("()").strip(_EDGE)
    return text


def _take_home(found: Fields, text: str) -> str:
    match = _HOME.search(text)
    if match is None:
        return text
    found.home = rest_value(match[1])
    return f"{text[: match.start()]}  {text[match.end() :]}"


def _take_marks(found: Fields, text: str) -> str:
    """Two marks in a row are the columns Transmitted and Recognized; `(Yes/No)` asks for them."""
    text = _ASKED.sub("  ", text)
    for match in _MARKS.finditer(text):
        first, second = mark(match[1]), mark(match[2])
        if first is not None and second is not None:
            found.transmitted, found.recognized = first, second
            return f"{text[: match.start()]}  {text[match.end() :]}"
    return text


def _cell(found: Fields, cell: str) -> list[str]:
    """Take up one cell: a mark, a number, a range; what words there are is returned."""
    value = signed(cell)
    if is_blank(cell.strip("()")):
        return []
    if mark(cell) is not None:
        found.transmitted, found.recognized = found.recognized, mark(cell)
        return []
    if value is not None:
        _lone_number(found, value, cell)
        return []
    parted = _part(cell) if found.span is None else _Parted(cell, None, "")
    found.span = found.span or parted.span
    rest = signed(parted.behind)
    if rest is not None:
        _lone_number(found, rest, parted.behind)
    behind = "" if rest is not None else parted.behind
    texts = [text for text in (tidy(parted.ahead), tidy(behind)) if text]
    found.left += [text for text in texts if not has_letters(text)]
    return [text for text in texts if has_letters(text)]


def _lone_number(found: Fields, value: int, cell: str) -> None:
    """A number in a cell of its own, after a range that it lies in: where the control rests."""
    if found.span is not None and found.home is None and found.span.low <= value <= found.span.high:
        found.home = value
    else:
        found.left.append(cell)


def _part(cell: str) -> _Parted:
    """Take the range out of a cell: of `Cutoff 0-127`, but not of `Osc 1-2 mix`.

    Several ranges (`0-63 off, 64-127 on`) are zones of one, and stay as a remark.
    """
    if is_switch(cell):
        return _Parted("", span(cell), cell.strip("() "))
    listed = list(_LISTED.finditer(cell))
    if len(listed) > 1:
        values = [int(each[1]) for each in listed]
        start = listed[0].start()
        return _Parted(cell[:start], Span(min(values), max(values)), cell[start:])
    found = spans(cell)
    for start, end, each in found:
        ahead, behind = cell[:start], cell[end:]
        alone = not tidy(ahead) or ahead.rstrip()[-1:] in ("(", "[", ":", ",", "=")
        if alone or each.low <= 0 or not behind.strip(_EDGE + ")]"):
            if found[-1][2] is not each:
                return _Parted(_RANGE_WORD.sub("", ahead), span(cell[start:]), cell[start:])
            return _Parted(_RANGE_WORD.sub("", ahead), each, behind.lstrip(_EDGE + ")]"))
    return _Parted(cell, None, "")
