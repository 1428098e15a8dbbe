"""Text for YAML files that we write for people: names, strings and comments, each safe where it is.

What is plain enough stands as it is; the rest is quoted.
"""

from __future__ import annotations

import json
import re

LONGEST_COMMENT = 300

_PLAIN = re.compile(r"[A-Za-z][A-Za-z0-9 _/+().-]*")
_SPECIAL = frozenset(["y", "n", "yes", "no", "on", "off", "true", "false", "null"])
"""Words that YAML 1.1 takes for something else; this reader does not, others may."""


def scalar(text: str) -> str:
    """A word or a name, quoted only where it must be."""
    plain = _PLAIN.fullmatch(text) and text.lower() not in _SPECIAL and text == text.strip()
    return text if plain else quoted(text)


def quoted(text: str) -> str:
    """A text in double quotes; what cannot be shown is written by its number (YAML 1.1, 5.6)."""
    return f'"{"".join(map(_shown, text))}"'


def _shown(character: str) -> str:
    if not character.isprintable():
        return f"\\U{ord(character):08X}"
    return json.dumps(character, ensure_ascii=False)[1:-1]


def comment(text: str) -> str:
    """Text for a comment: one line, and not endless."""
    line = "".join(c if c.isprintable() else " " for c in text)
    return line if len(line) <= LONGEST_COMMENT else line[: LONGEST_COMMENT - 1] + "…"
