"""What a client may ask for: one JSON object a line (docs/control-socket.md)."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any, NamedTuple

from pointsman.errors import PointsmanError, one_line
from pointsman.options import suggest

LONGEST_LINE = 1 << 16
"""Bytes of one request."""

_KEYS: Mapping[str, tuple[str, ...]] = {
    "status": (),
    "reload": (),
    "panic": (),
    "song": ("song",),
    "bypass": ("output", "entry", "on"),
    "pulse": (),
    "recent": ("piece",),
    "sent": ("output",),
    "tap": ("did",),
}
"""What can be asked for, each with its keys."""

_SHOWN = 60


class RequestError(PointsmanError):
    """A request that cannot be understood; the text says what would be right."""


class Request(NamedTuple):
    """What is asked for, and the arguments in the order of their keys."""

    do: str
    arguments: tuple[Any, ...] = ()


def read_request(line: bytes) -> Request:
    """Read one line. Raises RequestError."""
    try:
        asked = json.loads(line)
    except (ValueError, RecursionError):
        right = 'write one JSON object a line, such as {"do": "status"}'
        raise RequestError(f"{_shown(line)} is not JSON; {right}") from None
    if not isinstance(asked, dict):
        raise RequestError(
            f'{_shown(line)} is no JSON object; write for example {{"do": "status"}}'
        )
    do = asked.pop("do", None)
    if not isinstance(do, str) or do not in _KEYS:
        what = "there is no 'do'" if do is None else f"unknown request {_quoted(do)}"
        raise RequestError(f"{what}; {suggest(str(do), list(_KEYS))}")
    for key in asked:
        if key not in _KEYS[do]:
            right = suggest(key, ["do", *_KEYS[do]])
            raise RequestError(f"unknown key {_quoted(key)} of '{do}'; {right}")
    return Request(do, _ARGUMENTS[do](asked) if do in _ARGUMENTS else ())


def _song(asked: dict[str, Any]) -> tuple[Any, ...]:
    return (_name_or_number(asked.get("song"), "song"),)


def _bypass(asked: dict[str, Any]) -> tuple[Any, ...]:
    if "output" not in asked:
        raise RequestError("'output' is missing; name one, or write null for the input's chain")
    output, on = asked["output"], asked.get("on", True)
    if not isinstance(output, str | None):
        raise RequestError("'output' is a name, or null for the input's chain")
    if not isinstance(on, bool):
        raise RequestError("'on' is true, to leave the entry out, or false, to put it in again")
    return output, _name_or_number(asked.get("entry"), "entry"), on


def _tap(asked: dict[str, Any]) -> tuple[Any, ...]:
    did = asked.get("did", True)
    if not isinstance(did, bool):
        raise RequestError("'did' is true, to be told what each entry did, or false")
    return (did,)


def _recent(asked: dict[str, Any]) -> tuple[Any, ...]:
    piece = asked.get("piece")
    if piece is None or (isinstance(piece, int) and not isinstance(piece, bool) and piece >= 0):
        return (piece,)
    raise RequestError(
        f"'piece' is a number, the 'next' of the answer before, not {_quoted(piece)}; "
        "leave it out to begin with the oldest"
    )


def _sent(asked: dict[str, Any]) -> tuple[Any, ...]:
    output = asked.get("output")
    if not isinstance(output, str):
        raise RequestError("'output' is missing; give its name")
    return (output,)


_ARGUMENTS = {"song": _song, "bypass": _bypass, "recent": _recent, "sent": _sent, "tap": _tap}


def _name_or_number(value: Any, key: str) -> str | int:
    if value is None:
        raise RequestError(f"'{key}' is missing; give its name or its number")
    if isinstance(value, str) or (isinstance(value, int) and not isinstance(value, bool)):
        return value
    raise RequestError(f"'{key}' is a name or a number, not {_quoted(value)}")


def _quoted(value: Any) -> str:
    text = repr(value)
    return one_line(text if len(text) <= _SHOWN else f"{text[:_SHOWN]}…")


def _shown(line: bytes) -> str:
    return _quoted(line.decode("utf-8", "replace").strip())
