"""Names for controls, as a player types them in a hurry."""

from __future__ import annotations

import re

_NAME = re.compile(r"[a-z][a-z0-9_]*")
_LONGEST = 40
_TAKEN = frozenset(["y", "n", "yes", "no", "on", "off", "true", "false", "null"])
"""Words that other readers of YAML take for something else."""


class NoName(ValueError):
    """A text that is no name; the text says what would be right."""


def read_name(line: str) -> tuple[str, str]:
    """Read `NAME` or `NAME, WHAT IT DOES`: the name as device files have it, and the rest.

    Capitals become small, blanks and hyphens underscores. Raises NoName.
    """
    first, _, about = line.partition(",")
    name = re.sub(r"[\s-]+", "_", first.strip().lower())
    if not _NAME.fullmatch(name) or name in _TAKEN or len(name) > _LONGEST:
        shown = first.strip()[:_LONGEST]
        raise NoName(f"'{shown}' is no name; write letters, digits and _, such as cutoff")
    return name, "".join(c for c in about.strip() if c.isprintable())
