"""From a YAML tree to a checked model: pydantic finds the faults, this module says where and what.

Every fault becomes one `Problem` with the line and column of the part that has to be mended, in
words that name what would be right.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from types import UnionType
from typing import Any, NamedTuple, TypeVar, Union, get_args, get_origin

from pydantic import BaseModel, ValidationError

from pointsman.errors import Problem
from pointsman.option_errors import say
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


class Origin(NamedTuple):
    """Where a part of a rig stands: the file as problems show it, its tree, and the place in it."""

    path: str
    root: Node
    place: Place

    def problem(self, place: Place, what: str) -> Problem:
        """Something to say of this part, or of what is at `place` within it."""
        report = Report(self.path)
        report.add(self.root, (*self.place, *place), what, at_key=not place)
        return report.problems[0]


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
    data = node.plain() if data is None else data
    try:
        checked = model.model_validate(data, context=context)
    except ValidationError as error:
        for detail in error.errors(include_url=False):
            _add(model, root, place, report, detail, also_known)
        return None
    _find_twins(checked, data, root, place, report, context)
    return checked


def _find_twins(
    checked: BaseModel, data: Any, root: Node, place: Place, report: Report, context: Context
) -> None:
    """Note keys of a mapping that are written differently and mean the same."""
    for name, field in type(checked).model_fields.items():
        shown = field.alias or name
        written, read = data.get(shown), getattr(checked, name)
        if not (isinstance(read, dict) and isinstance(written, dict)) or len(read) == len(written):
            continue
        seen: dict[object, str] = {}
        for key, value in written.items():
            one = type(checked).model_validate(
                {**data, (field.alias or name): {key: value}}, context=context
            )
            meant = next(iter(getattr(one, name)))
            if meant in seen:
                what = f"'{key}' is the same as '{seen[meant]}'; keep one of them"
                report.add(root, (*place, shown, key), what, at_key=True)
            seen.setdefault(meant, key)


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
    inner = _in_the_file(root, place, tuple(step for step in loc if step != "[key]"))
    if kind == "missing":
        last = f"item {inner[-1] + 1}" if isinstance(inner[-1], int) else f"'{inner[-1]}'"
        report.add(root, (*place, *inner[:-1]), f"{last} is missing; add it")
        return
    if kind == "extra_forbidden":
        owner = _model_at(model, inner[:-1])
        known = [field.alias or name for name, field in owner.model_fields.items()]
        what = f"unknown key; {suggest(str(inner[-1]), sorted([*known, *also_known]))}"
    else:
        what = say(kind, detail)
    report.add(root, (*place, *inner), what, at_key=at_key)


def _in_the_file(root: Node, place: Place, inner: Place) -> Place:
    """Leave out numbers of items where the file has one value and no list."""
    node: Node | None = root
    for step in place:
        node = node.child(step) if node else None
    found: list[str | int] = []
    for step in inner:
        if isinstance(step, int) and node is not None and not isinstance(node.value, list):
            continue
        found.append(step)
        node = node.child(step) if node else None
    return tuple(found)


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
