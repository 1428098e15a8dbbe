"""The small things that stand in charts: numbers, ranges, yes and no, and names."""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass

LONGEST = 500
"""Of longer lines and cells the rest is not looked at."""

TOP = 127
TOP_14 = 16383
CENTRE, CENTRE_14 = 64, 8192

_HEX = r"0[xX][0-9A-Fa-f]{1,2}|\$[0-9A-Fa-f]{1,2}|[0-9][0-9A-Fa-f]?[Hh]|[A-Fa-f][0-9A-Fa-f][Hh]"
NUMBER = rf"(?:{_HEX}|\d{{1,5}})"
"""A number as manuals write it: 74, 4AH, 0x4A or $4A."""

_SIGNED = rf"(?:[+-]\s?\d{{1,5}}|{NUMBER})"
_BETWEEN = r"\s*(?:-+|~|\.{2,3}|\b(?:to|bis)\b|\bthru\b|\bthrough\b)\s*"
SPAN = re.compile(rf"(?<![\w.+#-])({_SIGNED}){_BETWEEN}({_SIGNED})(?!\w|-\d|\.\d)", re.IGNORECASE)
"""A range such as 0-127, -64..+63, 0 to 127 or 00H-7FH."""

_HEX_SPAN = re.compile(r"(?<![\w.+#-])([0-9A-F]{2})\s?-\s?([0-9A-F][A-F])(?!\w)")
"""00-7F: hex without a mark, seen by its letter."""

_PERCENT = re.compile(r"\s*%")
_NUMBER_ONLY = re.compile(NUMBER)
_SWITCH = re.compile(
    r"[(\[]?\s*(?:(?:0\s*[:=]?\s*)?off\s*[/,|-]\s*(?:127\s*[:=]?\s*)?on|on\s*/\s*off"
    r"|0\s*(?:/|,|or|&|and)\s*127)\s*[)\]]?",
    re.IGNORECASE,
)
_WORDS = {
    "off": 0, "none": 0, "min": 0, "minimum": 0, "zero": 0,
    "on": TOP, "max": TOP, "maximum": TOP, "full": TOP,
    "center": CENTRE, "centre": CENTRE, "centred": CENTRE, "centered": CENTRE, "middle": CENTRE,
}  # fmt: skip

YES = frozenset(["o", "○", "◯", "●", "yes", "y", "✓", "✔", "√"])
NO = frozenset(["x", "×", "✕", "✗", "✘", "no", "n"])
"""Version 1 of the published chart writes o and x (MIDI 1.0, 4.2.1, pp. A-7, A-8), version 2
Yes and No (RP-028)."""

_DASHES = str.maketrans(
    {
        **dict.fromkeys("‐‑‒–—―−﹣－", "-"),
        **dict.fromkeys("\u00a0\u2002\u2003\u2007\u2009\u202f\u3000", " "),
        **dict.fromkeys("│┃║¦｜", "|"),
        **dict.fromkeys("～〜", "~"),
        "…": "...",
        "（": "(",
        "）": ")",
        "：": ":",
        "＋": "+",
    }
)


def plain(text: str) -> str:
    """The text with typographic dashes, blanks and bars as the keyboard has them."""
    return text.translate(_DASHES)


def number(text: str) -> int | None:
    """A number that stands alone: 74, 4AH, 0x4A or $4A; else None."""
    text = text.strip()
    if not _NUMBER_ONLY.fullmatch(text):
        return None
    if text[:2].lower() == "0x":
        return int(text[2:], 16)
    if text.startswith("$"):
        return int(text[1:], 16)
    return int(text[:-1], 16) if text[-1] in "hH" else int(text)


def signed(text: str) -> int | None:
    """The same, with a sign if need be."""
    text = text.strip()
    if text[:1] in "+-":
        digits = text[1:].strip()
        if not (digits.isdecimal() and digits.isascii() and len(digits) < 6):
            return None
        return -int(digits) if text[0] == "-" else int(digits)
    return number(text)


@dataclass(frozen=True)
class Span:
    """A range as the chart has it, not yet fitted to MIDI values."""

    low: int
    high: int
    percent: bool = False

    def __str__(self) -> str:
        return f"{self.low} to {self.high}" + (" %" if self.percent else "")


def spans(text: str) -> list[tuple[int, int, Span]]:
    """Every range in a text: where it begins, where it ends, and what it is."""
    found = []
    for match in SPAN.finditer(text):
        low, high = signed(match[1]), signed(match[2])
        if low is not None and high is not None:
            percent = _PERCENT.match(text, match.end())
            end = percent.end() if percent else match.end()
            found.append((match.start(), end, Span(low, high, bool(percent))))
    if not found:
        for match in _HEX_SPAN.finditer(text):
            found.append((*match.span(), Span(int(match[1], 16), int(match[2], 16))))
    return found


def is_switch(text: str) -> bool:
    """Whether a cell says that a control is a switch: Off/On, 0/127, 0=off, 127=on."""
    return bool(_SWITCH.fullmatch(text.strip()))


def span(text: str) -> Span | None:
    """The range that a text is about, when it is about one.

    `0-63 off, 64-127 on` and other lists of zones are the range from the lowest to the highest.
    """
    if is_switch(text):
        return Span(0, TOP)
    found = [each for _, _, each in spans(text)]
    if not found:
        return None
    lows, highs = [each.low for each in found], [each.high for each in found]
    return Span(min(lows), max(highs), found[0].percent)


def rest_value(text: str) -> int | None:
    """A value to rest at: a number, or a word such as off, max or centre; else None."""
    text = text.strip().strip("()[]").strip()
    value = signed(text)
    if value is not None:
        return value
    if text.lower() in _WORDS:
        return _WORDS[text.lower()]
    parts = re.fullmatch(rf"({_SIGNED})\s*(?:[(\[=:,].*|%?)", text)
    return signed(parts[1]) if parts and "%" not in text else None


def mark(text: str) -> bool | None:
    """Yes or no as charts write it (o, x, Yes, No, Y, N), footnotes aside; else None."""
    word = re.sub(r"[\s(]*\*\s?\d{0,2}\)?$|[()\[\].]", "", text.strip()).lower()
    if word in YES:
        return True
    return False if word in NO else None


_STARS = re.compile(r"\*{3,}|-{2,}|_{2,}")


def is_blank(text: str) -> bool:
    """Whether a cell says that there is nothing to say: empty, a dash, stars."""
    text = text.strip()
    return text in ("", "-", "/", "n/a", "N/A", "?", ".") or bool(_STARS.fullmatch(text))


def word(text: str) -> str:
    """A name as a device file has it: lower-case words with underscores; maybe empty."""
    text = text.replace("ß", "ss").replace("&", " and ").replace("+", " plus ")
    ascii_text = unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode()
    return "_".join(re.findall(r"[a-z0-9]+", ascii_text.lower()))


def has_letters(text: str) -> bool:
    """Whether a text has a word in it."""
    return any(letter.isalpha() for letter in text)
