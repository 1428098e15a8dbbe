"""Changes to the text of a device file that leave everything else in it as it is, remarks and all.

Text is put in at places that the tree knows, and never written anew from what was read. Then the
new text is read, and taken only if it says the old things and the wanted one.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

from pointsman.control_refs import ControlRef
from pointsman.device_file import read_device
from pointsman.errors import PointsmanError
from pointsman.whole_file import draft, place
from pointsman.yaml_tree import Node

_TOKEN = re.compile(r'"[^"]*"|\'[^\']*\'|[^\s,#}\]]+')
Change = Callable[[list[str], Node], None]
"""Changes the lines of a text (without their ends), by the tree of what they were."""


class DeviceTextError(PointsmanError):
    """The file cannot be changed by us; the text says what to write by hand."""


def control_line(
    name: str, ref: ControlRef, home: int | None, span: tuple[int, int], about: str, remark: str
) -> str:
    """A control as a device file has it."""
    parts = []
    if ref.cc is not None:
        parts.append(f"cc: {ref.cc}" + (f", fine: {ref.fine}" if ref.fine is not None else ""))
    elif ref.parameter is not None:
        registered, coarse, fine = ref.parameter
        parts.append(f"{'rpn' if registered else 'nrpn'}: [{coarse}, {fine}]")
    elif ref.sysex is not None:
        before, after = (part.hex(" ").upper() for part in ref.sysex)
        parts.append(f'sysex: "{before} {{value}} {after}"')
    if home is not None:
        parts.append(f"home: {home}")
    parts.append(f"range: [{span[0]}, {span[1]}]")
    if about:
        parts.append(f"about: {json.dumps(about, ensure_ascii=not about.isprintable())}")
    return f"{name}: {{{', '.join(parts)}}}" + (f"  # {remark}" if remark else "")


def set_channel(path: Path, channel: int) -> None:
    """Write `channel: N` (1-16) into a device file. DeviceTextError where that cannot be done."""

    def change(lines: list[str], root: Node) -> None:
        node = root.child("channel")
        if node is not None and isinstance(node.value, str):
            row, at = node.line - 1, node.column - 1
            found = _TOKEN.match(lines[row], at)
            end = found.end() if found else at
            lines[row] = f"{lines[row][:at]}{channel}{lines[row][end:]}"
        elif node is not None:
            line, column = root.keys["channel"]
            lines[line - 1] = re.sub(r":", f": {channel}", lines[line - 1][column - 1 :], count=1)
        else:
            line = (root.child("device") or root).line
            lines.insert(line, f"{_indent(root)}channel: {channel}")

    _edit(path, change, {"channel": str(channel)}, f"channel: {channel}")


def add_control(path: Path, name: str, line: str) -> None:
    """Add a control, written as `control_line` does, to a device file."""

    def change(lines: list[str], root: Node) -> None:
        node = root.child("controls")
        if node is None:
            lines += [f"{_indent(root)}controls:", f"{_indent(root)}  {line}"]
        elif isinstance(node.value, dict) and node.keys:
            lines.insert(_last_line(node), f"{_indent(node)}{line}")
        else:  # `controls: {}`
            row = root.keys["controls"][0]
            lines[row - 1] = re.sub(r"\s*\{\s*\}", "", lines[row - 1])
            lines.insert(row, f"{_indent(root)}  {line}")

    _edit(path, change, {"controls": {name: ...}}, line)


def new_device(path: Path, name: str, channel: int | None) -> None:
    """Begin a device file, and the folder for it. FileExistsError where there is one."""
    path.parent.mkdir(parents=True, exist_ok=True)
    said = f"channel: {channel}\n" if channel else ""
    with path.open("x", encoding="utf-8") as file:
        file.write(f"device: {json.dumps(name, ensure_ascii=not name.isprintable())}\n{said}")


def _indent(node: Node) -> str:
    """What stands before the keys of a mapping."""
    return " " * (min(column for _, column in node.keys.values()) - 1)


def _last_line(node: Node) -> int:
    """The last line on which a part of this one begins."""
    below = node.value.values() if isinstance(node.value, dict) else node.value
    if isinstance(below, str | None):
        return node.line
    return max([node.line, *(line for line, _ in node.keys.values()), *map(_last_line, below)])


def _edit(path: Path, change: Change, wanted: dict[str, Any], by_hand: str) -> None:
    """Change a file as a whole or not at all; a file behind a link stays behind it."""
    shown, path = str(path), path.resolve()
    sorry = f"{shown}: cannot be changed here; write it by hand: {by_hand}"
    part, root, problems = read_device(path, shown)
    if part is None or root is None or problems:
        raise DeviceTextError(f"{problems[0]}" if problems else sorry)
    text = path.read_bytes().decode("utf-8")
    newline = "\r\n" if "\r\n" in text else "\n"
    lines = text.removesuffix("\n").removesuffix("\r").split(newline)
    change(lines, root)
    try:
        with draft(path, newline.join(lines) + newline) as beside:
            new_part, new_root, _ = read_device(beside, shown)
            if new_part is None or new_root is None or not _is_so(root, new_root, wanted):
                raise DeviceTextError(sorry)
            place(beside, path, over=True)
    except OSError as error:
        raise DeviceTextError(f"{shown}: {error.strerror}; write it by hand: {by_hand}") from None


def _is_so(old: Node, new: Node, wanted: dict[str, Any]) -> bool:
    """Whether the new text says all that the old one did, and what is wanted, and no more."""
    before, after = old.plain(), new.plain()
    for key, value in wanted.items():
        if isinstance(value, dict):
            names = [name for name in value if name not in (before.get(key) or {})]
            rest = {k: v for k, v in (after.get(key) or {}).items() if k not in names}
            if not names or rest != (before.get(key) or {}):
                return False
            if not set(names) <= set(after.get(key) or {}):
                return False
        elif after.get(key) != value:
            return False
        before.pop(key, None)
        after.pop(key, None)
    return bool(before == after)
