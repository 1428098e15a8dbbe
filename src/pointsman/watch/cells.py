"""Text as a terminal counts it: in cells, of which a character takes none, one or two."""

from __future__ import annotations

from unicodedata import category, east_asian_width

ELLIPSIS = "…"


def width(text: str) -> int:
    """How many cells a printable text takes (Unicode UAX #11; marks and format characters none)."""
    return len(text) if text.isascii() else sum(map(_cells, text))


def _cells(character: str) -> int:
    if category(character) in ("Mn", "Me", "Cf"):
        return 0
    return 2 if east_asian_width(character) in "WF" else 1


def clip(text: str, cells: int) -> str:
    """The text, with an ellipsis for what does not fit into so many cells."""
    if width(text) <= cells:
        return text
    if cells < 1:
        return ""
    room, kept = cells - 1, []
    for character in text:
        room -= _cells(character)
        if room < 0:
            break
        kept.append(character)
    return "".join(kept) + ELLIPSIS


def pad(text: str, cells: int, *, right: bool = False) -> str:
    """The text, clipped or filled with blanks to so many cells; `right`: it stands to the right."""
    text = clip(text, cells)
    blanks = " " * (cells - width(text))
    return blanks + text if right else text + blanks
