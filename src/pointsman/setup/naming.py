"""Names for outputs: what to suggest for a port, and what a rig takes."""

from __future__ import annotations

import re
from collections.abc import Collection
from pathlib import PurePath

from pointsman.ports.names import read_wanted, without_numbers

FALLBACK = "synth"
LONGEST = 24
"""Letters of a suggestion: tables and log lines have to stay readable."""

_NAMELESS = frozenset({"null", "serial"})
"""Kinds of port whose address says nothing of a synth."""

_NOISE = frozenset({"midi", "port", "usb", "interface", "out", "output"})
"""Words that are in the names of ports and say nothing of the synth behind."""


def suggest_name(port: str, taken: Collection[str] = ()) -> str:
    """A name for the output on this port: lower case, none that is `taken`."""
    stem = _stem(port)
    number, name = 1, stem
    while name in taken:
        number += 1
        name = f"{stem}-{number}"
    return name


def _stem(port: str) -> str:
    scheme, colon, address = port.partition(":")
    if colon and scheme in _NAMELESS:
        return FALLBACK
    if colon and scheme == "file":
        text = PurePath(address).stem
    elif colon and scheme == "virtual":
        text = address
    else:  # the client's name; that of its port mostly says the same again
        text = without_numbers(read_wanted(port).name).partition(":")[0]
    words = re.findall(r"\w+", text.casefold().replace("_", " "))
    kept = [word for word in words if word not in _NOISE] or words
    name = ""
    for word in kept:
        longer = f"{name}-{word}" if name else word[:LONGEST]
        if len(longer) > LONGEST:
            break
        name = longer
    return name or FALLBACK
