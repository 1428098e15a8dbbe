"""From a YAML tree to a checked model: pydantic finds the faults, this module says where and what.

Every fault becomes one `Problem` with the line and column of the part that has to be mended, in
words that name what would be right.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from types import UnionType
from typing import Any, TypeVar, Union, get_args, get_origin

from pydantic import BaseModel, ValidationError

from pointsman.errors import Problem
from pointsman.options import Context, suggest
from pointsman.yaml_tree import Node

ModelT = TypeVar("ModelT", bound=BaseModel)
Place = tuple[str | int, ...]


class Report:
    """Collects the problems of one file."""

    def __init__(self, path: str) -> None:
        self.path = path
        self.problems: list[Problem] = []

    def add(
        self, root: Node, place: Sequence[str | int], what: str, *, at_key: bool = False
    ) -> None:
        """Note a fault at `place`, counted from `root`; `at_key`: the key itself is wrong."""
        line, column = locate(root, place, at_key=at_key)
        self.problems.append(Problem(self.path, line, column, show_place(place), what))


def locate(root: Node, place: Sequence[str | int], *, at_key: bool = False) -> tuple[int, int]:
    """The line and column of a part of the tree, or of the nearest part around it."""
    node = root
    for depth, step in enumerate(place):
        last = depth == len(place) - 1
        if last and at_key and str(step) in node.keys:
            return node.keys[str(step)]
        below = node.child(step)
        if below is None:
            return node.keys.get(str(step), (node.line, node.column))
        if last and below.value is None and str(step) in node.keys:
            return node.keys[str(step)]
        node = below
    return node.line, node.column


def show_place(place: Sequence[str | int]) -> str:
    """A place as a reader follows it: `outputs.bass.chain[2].voices`, items counted from 1."""
    text = ""
    for step in place:
        if isinstance(step, int):
            text += f"[{step + 1}]"
        else:
            text += f".{step}" if text else step
    return text


def check(
    model: type[ModelT],
    root: Node,
    place: Place,
    report: Report,
    context: Context,
    data: Any = None,
    also_known: Iterable[str] = (),
) -> ModelT | None:
    """Validate the part of `root` at `place`; None and problems in `report` when it is wrong.

    `data` stands in for the part where it has been taken apart already; `also_known` are keys
    that are read elsewhere, for suggestions.
    """
    node = root
    for step in place:
        node = node.child(step) or node
    try:
        return model.model_validate(node.plain() if data is None else data, context=context)
    except ValidationError as error:
        for detail in error.errors(include_url=False):
            _add(model, root, place, report, detail, also_known)
        return None


def _add(
    model: type[BaseModel],
    root: Node,
    place: Place,
    report: Report,
    detail: Any,
    also_known: Iterable[str],
) -> None:
    kind, loc = detail["type"], detail["loc"]
    at_key = kind == "extra_forbidden" or "[key]" in loc
    inner = tuple(step for step in loc if step != "[key]")
    if kind == "missing":
        report.add(root, (*place, *inner[:-1]), f"'{inner[-1]}' is missing; add it")
        return
    if kind == "extra_forbidden":
        owner = _model_at(model, inner[:-1])
        known = [field.alias or name for name, field in owner.model_fields.items()]
        what = f"unknown key; {suggest(str(inner[-1]), sorted([*known, *also_known]))}"
    else:
        what = _what(kind, detail)
    report.add(root, (*place, *inner), what, at_key=at_key)


def _model_at(model: type[BaseModel], place: Sequence[str | int]) -> type[BaseModel]:
    """The model of a part inside another: followed through fields, lists and mappings."""
    found: Any = model
    for step in place:
        if _is_model(found):
            fields = {field.alias or name: field for name, field in found.model_fields.items()}
            found = fields[str(step)].annotation if step in fields else found
        else:
            found = _item_type(found)
        found = _only_model(found)
    return found if _is_model(found) else model


def _item_type(annotation: Any) -> Any:
    arguments = getattr(annotation, "__args__", ())
    return (
        arguments[-1] if arguments and arguments[-1] is not Ellipsis else (arguments or (None,))[0]
    )


def _only_model(annotation: Any) -> Any:
    """Of a union such as `Model | None`, the model."""
    if get_origin(annotation) not in (Union, UnionType):
        return annotation
    return next((option for option in get_args(annotation) if _is_model(option)), annotation)


def _is_model(found: Any) -> bool:
    return isinstance(found, type) and issubclass(found, BaseModel)


_WORDS = {
    "int_parsing": "must be a whole number",
    "int_type": "must be a whole number",
    "int_from_float": "must be a whole number",
    "float_parsing": "must be a number",
    "float_type": "must be a number",
    "bool_parsing": "must be true or false",
    "bool_type": "must be true or false",
    "string_type": "must be text",
    "list_type": "must be a list, such as [1, 2]",
    "tuple_type": "must be a list, such as [1, 2]",
    "set_type": "must be a list, such as [1, 2]",
    "dict_type": "must be a mapping, such as {1: 5}",
    "model_type": "must be a mapping with keys and values",
    "model_attributes_type": "must be a mapping with keys and values",
}


def _what(kind: str, detail: Any) -> str:
    found, more = detail["input"], detail.get("ctx") or {}
    if kind == "value_error":
        return str(more["error"]).replace("not 'None'", "and nothing is written here")
    shown = "" if isinstance(found, dict | list) else f", not '{_shown(found)}'"
    if found is None:
        shown = ", and nothing is written here"
    if kind == "literal_error":
        choices = [
            word.strip().strip("'") for word in more["expected"].replace(" or ", ", ").split(",")
        ]
        near = suggest(str(found), choices)
        hint = f"; {near}" if near.startswith("did") else ""
        return f"must be one of {', '.join(choices)}{shown}{hint}"
    if kind in ("too_long", "too_short"):
        wanted = more.get("max_length") or more.get("min_length")
        return f"must have {wanted} items, not {more.get('actual_length')}"
    if kind in _WORDS:
        return _WORDS[kind] + shown
    text = detail["msg"].replace("Input should", "must", 1)
    text = text.replace("must be a valid", "must be a", 1)
    return f"{text[:1].lower()}{text[1:]}{shown}"


def _shown(value: object) -> str:
    text = str(value)
    return text if len(text) <= 40 else text[:39] + "…"
