"""A YAML file as a tree whose every part knows its line and column.

YAML is read event by event, so that nothing is built that the text does not show: tags that make
objects are refused, a key given twice is found, aliases cannot multiply a small file into a huge
one, and plain words stay text (`on`, `010`, `12:30`) until something knows what they should be.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, NoReturn

import yaml

from pointsman.errors import Problem

MAX_BYTES = 1 << 20
MAX_DEPTH = 40
MAX_NODES = 200_000
"""Parts of the tree, aliases written out. A file of MAX_BYTES without aliases stays below it."""

_PLAIN_TAGS = tuple(
    f"tag:yaml.org,2002:{name}" for name in ("str", "int", "float", "bool", "null", "map", "seq")
)
_LOADER: Any = getattr(yaml, "CSafeLoader", yaml.SafeLoader)


class TreeError(Exception):
    """The file is no usable YAML; line and column count from 1."""

    def __init__(self, line: int, column: int, what: str) -> None:
        super().__init__(what)
        self.line, self.column, self.what = line, column, what


@dataclass(slots=True)
class Node:
    """One part of the file: a mapping, a list, or text (None where nothing is written)."""

    line: int
    column: int
    value: str | list[Node] | dict[str, Node] | None
    keys: dict[str, tuple[int, int]] = field(default_factory=dict)
    size: int = 1

    @property
    def is_map(self) -> bool:
        """Whether this is a mapping."""
        return isinstance(self.value, dict)

    def plain(self) -> Any:
        """The same as plain dicts, lists, text and None."""
        if isinstance(self.value, dict):
            return {key: node.plain() for key, node in self.value.items()}
        if isinstance(self.value, list):
            return [node.plain() for node in self.value]
        return self.value

    def child(self, step: str | int) -> Node | None:
        """The value under a key, or the item with a number from 0; None where there is none."""
        if isinstance(self.value, dict):
            return self.value.get(str(step))
        if isinstance(self.value, list) and isinstance(step, int) and step < len(self.value):
            return self.value[step]
        return None


def read_tree(path: Path, shown: str) -> tuple[Node | None, list[Problem]]:
    """Read a YAML file; `shown` is its path as the problems show it. OSError as `open` raises."""
    try:
        root, errors = _parse(_text(path))
    except TreeError as error:
        root, errors = None, [error]
    return root, [Problem(shown, error.line, error.column, "", error.what) for error in errors]


def _text(path: Path) -> str:
    with path.open("rb") as file:
        data = file.read(MAX_BYTES + 1)
    if len(data) > MAX_BYTES:
        raise TreeError(1, 1, "the file is larger than 1 MiB; a rig needs a few KiB")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        before = data[: error.start]
        line = before.count(b"\n") + 1
        column = error.start - before.rfind(b"\n")
        raise TreeError(line, column, "the file is not UTF-8 here; save it as UTF-8") from None


def _parse(text: str) -> tuple[Node, list[TreeError]]:
    try:
        builder = _Builder(yaml.parse(text, Loader=_LOADER))
        return builder.document(), builder.errors
    except yaml.MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        line, column = (mark.line + 1, mark.column + 1) if mark else (1, 1)
        raise TreeError(line, column, _syntax(error, text, line, column)) from None
    except yaml.YAMLError as error:
        raise TreeError(*_place_of_reader_error(error, text)) from None


def _syntax(error: yaml.MarkedYAMLError, text: str, line: int, column: int) -> str:
    rows = text.splitlines()
    if line <= len(rows) and rows[line - 1][column - 1 : column] == "\t":
        return "a tab stands here; indent with blanks"
    what = " ".join(str(error.problem or error.context).split())
    return f"this is not YAML: {what}; look at the indentation, colons and brackets here"


def _place_of_reader_error(error: yaml.YAMLError, text: str) -> tuple[int, int, str]:
    """Where a character stands that YAML does not allow; only the reader's errors lack a mark."""
    position = getattr(error, "position", 0) or 0
    before = text[:position]
    line, column = before.count("\n") + 1, position - before.rfind("\n")
    return line, column, "a character here is not allowed in YAML; take it out"


class _Builder:
    """Builds the tree from events, with its own stack: no depth of nesting can exhaust ours."""

    def __init__(self, events: Iterator[Any]) -> None:
        self._events = events
        self._anchors: dict[str, Node] = {}
        self._open: list[tuple[Node, str | None, str | None]] = []
        self._root: Node | None = None
        self.errors: list[TreeError] = []

    def document(self) -> Node:
        documents = 0
        for event in self._events:
            if isinstance(event, yaml.DocumentStartEvent):
                documents += 1
                if documents > 1:
                    self._refuse(event, "a second document begins here; a rig is one document")
            elif isinstance(event, yaml.NodeEvent):
                self._node(event)
            elif isinstance(event, yaml.MappingEndEvent | yaml.SequenceEndEvent):
                self._end(event)
        if self._root is None:
            raise TreeError(1, 1, "the file is empty; see docs/rig-file.md for what a rig holds")
        return self._root

    def _node(self, event: Any) -> None:
        line, column = event.start_mark.line + 1, event.start_mark.column + 1
        if isinstance(event, yaml.AliasEvent):
            if event.anchor not in self._anchors:
                self._refuse(
                    event,
                    f"no anchor '&{event.anchor}' is complete before this alias; write it out",
                )
            self._add(event, self._anchors[event.anchor])
            return
        if event.tag and event.tag not in _PLAIN_TAGS and event.tag != "!":
            self._note(event, f"the tag '{event.tag}' is not allowed here; take it out")
        if isinstance(event, yaml.ScalarEvent):
            empty = event.implicit[0] and event.value in ("", "~", "null")
            node = Node(line, column, None if empty else event.value)
            if event.anchor:
                self._anchors[event.anchor] = node
            self._add(event, node)
            return
        if len(self._open) >= MAX_DEPTH:
            self._refuse(event, f"more than {MAX_DEPTH} levels of nesting; write it flatter")
        node = Node(line, column, {} if isinstance(event, yaml.MappingStartEvent) else [])
        self._open.append((node, None, event.anchor))

    def _end(self, event: Any) -> None:
        node, _, anchor = self._open.pop()
        if anchor:
            self._anchors[anchor] = node
        self._add(event, node)

    def _add(self, event: Any, node: Node) -> None:
        if not self._open:
            self._root = node
            return
        parent, key, anchor = self._open[-1]
        if isinstance(parent.value, list):
            parent.value.append(node)
        elif key is None:
            self._open[-1] = (parent, self._key(event, parent, node), anchor)
            return
        elif isinstance(parent.value, dict):
            parent.value[key] = node
            self._open[-1] = (parent, None, anchor)
        parent.size += node.size
        if parent.size > MAX_NODES:
            self._refuse(event, "aliases inside aliases make the file too large; write it out")

    def _key(self, event: Any, parent: Node, node: Node) -> str:
        if isinstance(node.value, list | dict):
            self._refuse(event, "a key must be a word or a number, not a list or a mapping")
        key = node.value if isinstance(node.value, str) else "null"
        if key in parent.keys:
            line, _ = parent.keys[key]
            self._note(node, f"the key '{key}' stands here twice, first in line {line}; keep one")
            return key
        parent.keys[key] = (node.line, node.column)
        return key

    def _note(self, at: Any, what: str) -> None:
        """A fault after which the rest can still be read."""
        self.errors.append(_error(at, what))

    def _refuse(self, event: Any, what: str) -> NoReturn:
        raise _error(event, what)


def _error(at: Any, what: str) -> TreeError:
    if isinstance(at, Node):
        return TreeError(at.line, at.column, what)
    return TreeError(at.start_mark.line + 1, at.start_mark.column + 1, what)
