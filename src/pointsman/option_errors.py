"""The faults that pydantic finds in options, in a player's words: what is wrong; what is right."""

from __future__ import annotations

from typing import Any

from pointsman.options import missing, suggest

_NUMBER = ("no whole number", "write a number such as 1")
_LIST = ("no list", "write for example [1, 2]")
_MAPPING = ("no mapping", "write keys and values, for example {1: 5}")
_BOOL = ("neither true nor false", "write true or false")

# For pydantic's own types: what a wrong value is not, and what to write instead.
_WORDS = {
    "int_parsing": _NUMBER,
    "int_type": _NUMBER,
    "int_from_float": _NUMBER,
    "float_parsing": ("no number", "write a number such as 1.0"),
    "float_type": ("no number", "write a number such as 1.0"),
    "finite_number": ("no number to reckon with", "write a number such as 1.0"),
    "bool_parsing": _BOOL,
    "bool_type": _BOOL,
    "string_type": ("no text", "write one word, or a text in quotes"),
    "list_type": _LIST,
    "tuple_type": _LIST,
    "set_type": _LIST,
    "dict_type": _MAPPING,
    "model_type": _MAPPING,
    "model_attributes_type": _MAPPING,
}

_LIMITS = {
    "greater_than": ("gt", "above"),
    "greater_than_equal": ("ge", "at least"),
    "less_than": ("lt", "below"),
    "less_than_equal": ("le", "at most"),
}


def say(kind: str, detail: Any) -> str:
    """What is wrong with a value, and after a semicolon what would be right."""
    found, more = detail["input"], detail.get("ctx") or {}
    if kind == "missing":
        return f"'{detail['loc'][-1]}' is missing; add it"
    if kind == "value_error":
        return str(more["error"])
    if kind == "literal_error":
        return _not_among(found, more["expected"])
    if kind in ("too_long", "too_short"):
        return _wrong_length(more)
    if kind in _LIMITS:
        limit, words = _LIMITS[kind]
        return f"'{_shown(found)}' is out of range; write {words} {more[limit]}"
    if kind in _WORDS:
        not_this, instead = _WORDS[kind]
        wrong = missing(found) or f"{_named(found)} is {not_this}"
        return f"{wrong}; {instead}"
    return f"'{_shown(found)}' is wrong: {detail['msg'].lower()}; see the option's page in docs/"


def _named(found: object) -> str:
    return "this" if isinstance(found, dict | list) else f"'{_shown(found)}'"


def _not_among(found: object, expected: str) -> str:
    choices = [word.strip().strip("'") for word in expected.replace(" or ", ", ").split(",")]
    near = suggest(str(found), choices)
    instead = (
        near if near.startswith("did") else f"write {', '.join(choices[:-1])} or {choices[-1]}"
    )
    return f"{missing(found) or f'{_named(found)} is none of the choices'}; {instead}"


def _wrong_length(more: Any) -> str:
    least, most = more.get("min_length"), more.get("max_length")
    if least == 1:
        return "nothing stands here; write at least one"
    return f"{more.get('actual_length')} values stand here; write {most or least}"


def _shown(value: object) -> str:
    text = str(value)
    return text if len(text) <= 40 else text[:39] + "…"
