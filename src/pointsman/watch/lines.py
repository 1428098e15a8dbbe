"""Rows as plain lines, one a message, and as JSON, one object a line."""

from __future__ import annotations

import json
from typing import Any

from pointsman.errors import one_line
from pointsman.message import kind_word
from pointsman.units import NS_PER_MS, NS_PER_S, NS_PER_US, seconds_text
from pointsman.watch.cells import pad, width
from pointsman.watch.filters import INPUT
from pointsman.watch.items import Heard, Row, Summed, Told
from pointsman.watch.setting import Setting
from pointsman.words import hex_text

_LONGEST_HEX = 12
_SHOWN_HEX = 8


def short_hex(data: bytes) -> str:
    """Bytes in hex; of a long message the first ones, and the last."""
    if len(data) <= _LONGEST_HEX:
        return hex_text(data)
    return f"{hex_text(data[:_SHOWN_HEX])} … {hex_text(data[-1:])}"


def tempo_text(tempo: float, jitter_us: dict[str, int] | Any) -> str:
    """Quarter notes a minute, and how far the clocks are from even ones."""
    if not jitter_us:
        return f"tempo {tempo:.1f}"
    p50, most = (jitter_us[part] * NS_PER_US / NS_PER_MS for part in ("p50", "max"))
    return f"tempo {tempo:.1f}, jitter {p50:.2f} ms, at most {most:.2f} ms"


def sum_text(row: Summed) -> str:
    """A sum in words."""
    text = f"{row.what} {row.count} times in {row.span_ns / NS_PER_S:.1f} s"
    return text if row.tempo is None else f"{text}, {tempo_text(row.tempo, row.jitter_us)}"


class Plain:
    """Lines for people: seconds, where, hex, words. What is no message begins with #."""

    def __init__(self) -> None:
        self._shown: dict[str | None, str] = {}
        self._width = 0

    def begin(self, setting: Setting) -> str:
        """The first line."""
        self._width = max(width(one_line(name)) for name in (INPUT, *setting.outputs))
        return f"# {one_line(setting.title)}"

    def line(self, row: Row | Summed) -> str:
        """One row."""
        if isinstance(row, Told):
            return f"# {one_line(row.text)}"
        if isinstance(row, Summed):
            return f"{seconds_text(row.t_ns)}  {self._where(row.output)}  {sum_text(row)}"
        event, words, by_itself = row
        channel = "" if words.channel is None else f" channel {words.channel}"
        where = self._where(event.output)
        said = f"{words.text}{channel}{'  by itself' if by_itself else ''}"
        return f"{seconds_text(event.t_ns)}  {where}  {short_hex(event.data):8}  {said}"

    def _where(self, output: str | None) -> str:
        if output not in self._shown:
            name = INPUT if output is None else one_line(output)
            self._shown[output] = pad(name, self._width)
        return self._shown[output]


class AsJson:
    """One JSON object a line."""

    def begin(self, setting: Setting) -> str:
        """The first line."""
        return json.dumps(setting.about)

    def line(self, row: Row | Summed) -> str:
        """One row."""
        return json.dumps(_data(row))


def _data(row: Row | Summed) -> dict[str, Any]:
    if isinstance(row, Told):
        what = {"lost": row.lost} if row.lost else {"says": row.text}
        return {"t": _seconds(row.t_ns), **what}
    if isinstance(row, Summed):
        return {
            "t": _seconds(row.t_ns),
            "output": row.output,
            "sum": row.what,
            "count": row.count,
            "seconds": round(row.span_ns / NS_PER_S, 3),
            "tempo": None if row.tempo is None else round(row.tempo, 2),
            "jitter_us": row.jitter_us,
        }
    return _message(row)


def _message(row: Heard) -> dict[str, Any]:
    event, words, _ = row
    found: dict[str, Any] = {
        "t": _seconds(event.t_ns),
        "output": event.output,
        "bytes": hex_text(event.data),
        "kind": None if words.kind is None else kind_word(words.kind),
        "channel": words.channel,
        "text": words.text,
    }
    if words.control is not None:
        found |= {"control": words.control, "value": words.value}
    return {**found, "due": True} if event.due else found


def _seconds(t_ns: int) -> float:
    return round(t_ns / NS_PER_S, 6)
