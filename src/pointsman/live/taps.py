"""The stream of events as JSON lines: what came in, and what became of it.

A line for each message that came in:
`{"t": 1.25, "in": "90 3C 64", "out": {"tug": ["94 3C 64"], "gull": []}, "did": [...]}`, and one for
what was sent, or done, because its time had come: the same with `"due": true` in place of `"in"`.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from typing import Any

from pointsman.plugin import messages_of
from pointsman.units import NS_PER_S
from pointsman.words import hex_text

Event = tuple[Any, ...]
"""`("in", t_ns, data)`, `("out", t_ns, output, data)`, `("lost", count)`, or
`("did", t_ns, output or None, "file:line", label, data or None, out)`: an entry has changed or
dropped `data` (None: it acted by itself), and `out`, None, a message or a list, came of it."""

_DIGITS = 6


def lines(events: Iterable[Event]) -> list[bytes]:
    """The events of a batch, in order, as lines that end with a line feed.

    A batch holds whole messages: all that came of one stands in the same batch.
    """
    found: list[dict[str, Any]] = []
    message: dict[str, Any] | None = None
    message_ns = 0
    due: dict[str, Any] | None = None
    due_ns = 0
    for event in events:
        kind = event[0]
        if kind == "lost":
            found.append({"lost": event[1]})
            message = due = None
            continue
        t_ns: int = event[1]
        if kind == "in":
            message, message_ns, due = _line(t_ns, {"in": hex_text(event[2])}), t_ns, None
            found.append(message)
        elif message is not None and t_ns == message_ns:
            _add(message, event)
        else:
            if due is None or t_ns != due_ns:
                due, due_ns = _line(t_ns, {"due": True}), t_ns
                early = message is not None and t_ns < message_ns  # it goes first, and went first
                found.insert(len(found) - 1 if early else len(found), due)
            _add(due, event)
    return [_text(line) for line in found]


def lost_line(count: int) -> bytes:
    """What a reader is told that could not keep up."""
    return _text({"lost": count})


def _line(t_ns: int, what: dict[str, Any]) -> dict[str, Any]:
    return {"t": round(t_ns / NS_PER_S, _DIGITS), **what, "out": {}, "did": []}


def _add(line: dict[str, Any], event: Event) -> None:
    if event[0] == "out":
        _, _, output, data = event
        line["out"].setdefault(output, []).append(hex_text(data))
        return
    _, _, output, place, label, data, out = event
    if output is not None:
        line["out"].setdefault(output, [])
    line["did"].append(
        {
            "output": output,
            "entry": f"{place} {label}",
            "took": None if data is None else hex_text(data),
            "made": [hex_text(message) for message in messages_of(out)],
        }
    )


def _text(line: dict[str, Any]) -> bytes:
    return json.dumps(line).encode() + b"\n"
