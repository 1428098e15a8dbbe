"""The commands `device import`, `device show` and `device check`."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pointsman.errors import Problem, RigError, warning
from pointsman.subcommands import DONE, WRONG, adding_to

if TYPE_CHECKING:
    from pointsman.device_file import DevicePart
    from pointsman.yaml_tree import Node


def add_device_commands(device: argparse.ArgumentParser) -> None:
    """Add the commands below `device`."""
    add = adding_to(device)

    imported = add(
        "import",
        _import,
        "make a device file from an implementation chart: CSV, TSV, or text from a manual",
        'pointsman device import tug.csv --column home="At power on" --out tug.yaml',
        more="The account of what became of each line goes to stderr, the device file to stdout or "
        "to FILE, which must not be there yet.",
        examples=("pointsman device import - < manual.txt > tug.yaml",),
        exits={
            1: "nothing in the chart was understood, a heading is not there, or it is no text",
            2: "the chart cannot be read, FILE is there already, or a role is unknown",
        },
        see=("docs/device-files.md",),
    )
    imported.add_argument("--json", action="store_true", help="print it as JSON")
    imported.add_argument("chart", metavar="CHART", help="the chart's file, or - to read stdin")
    imported.add_argument("--name", metavar="NAME", help="the synth's name; default as it says")
    imported.add_argument(
        "--column", metavar="ROLE=HEADING", type=_column, action="append", default=[],
        help="what a column is, by its heading or its number from 1: cc, name, low, high, range, "
        "home, about, ignore and more; see docs/device-files.md",
    )  # fmt: skip
    imported.add_argument(
        "--out", metavar="FILE", type=Path, help="write the device file there, and not below here"
    )

    for name, call, text in (
        ("show", _show, "show a device file as a table"),
        ("check", _check, "say whether a device file is right, and what is missing in it"),
    ):
        command = add(
            name, call, text, f"pointsman device {name} devices/tug.yaml",
            examples=(f"pointsman device {name} devices/tug.yaml --json",),
            exits={2: "the device file is wrong"},
            see=("docs/device-files.md",),
        )  # fmt: skip
        command.add_argument("--json", action="store_true", help="print it as JSON")
        command.add_argument("file", metavar="FILE", type=Path, help="the device file")


def _column(text: str) -> tuple[str, str]:
    from pointsman.charts.headings import check_role

    role, equals, heading = text.partition("=")
    if not (role and equals and heading):
        raise argparse.ArgumentTypeError(f"must be ROLE=HEADING, such as cc=Number, not '{text}'")
    try:
        check_role(role)
    except ValueError as error:
        raise argparse.ArgumentTypeError(str(error)) from None
    return role, heading


# ---- import --------------------------------------------------------------------------------------


def _import(options: argparse.Namespace) -> int:
    from pointsman.charts.reading import NothingFound, read_chart
    from pointsman.charts.report import account, as_data
    from pointsman.charts.writing import device_yaml
    from pointsman.whole_file import write_whole

    out: Path | None = options.out
    if out is not None and out.exists():
        print(f"{out}: is there already; name another file, or remove it first", file=sys.stderr)
        return WRONG
    try:
        data, shown = _chart(options.chart)
    except OSError as error:
        what = f"{options.chart}: cannot be read: {error.strerror or error}"
        print(f"{what}; give a chart's CSV, TSV or text file", file=sys.stderr)
        return WRONG
    try:
        chart = read_chart(data, shown, name=options.name, told=options.column)
    except NothingFound as error:
        if options.json:
            _print_json(as_data(error.chart, ""))
        else:
            print(account(error.chart, shown), file=sys.stderr)
        raise
    text = device_yaml(chart, shown)
    if out is not None:
        write_whole(out, text)
    if options.json:
        _print_json(as_data(chart, text))
        return DONE
    print(account(chart, shown), file=sys.stderr)
    if out is None:
        print(text, end="")
    else:
        print(f"Written to {out}. Go over it, then: pointsman device check {out}", file=sys.stderr)
    return DONE


def _chart(chart: str) -> tuple[bytes, str]:
    if chart == "-":
        return sys.stdin.buffer.read(), "-"
    return Path(chart).read_bytes(), chart


# ---- show and check ------------------------------------------------------------------------------


def _show(options: argparse.Namespace) -> int:
    from pointsman.device_report import device_data, show_device

    part, _ = _read(options.file)
    if options.json:
        _print_json(device_data(part))
    else:
        print(show_device(part))
    return DONE


def _check(options: argparse.Namespace) -> int:
    from pointsman.device_advice import advise_device

    shown = str(options.file)
    try:
        part, root = _read(options.file)
    except RigError as error:
        if options.json:
            _print_json(verdict(shown, error.problems, ()))
        raise
    warnings = advise_device(part, root, shown)
    if options.json:
        _print_json(verdict(shown, (), warnings))
        return DONE
    count = len(part.controls)
    print(f"{shown}: right. {part.device}: {count} control{'' if count == 1 else 's'}.")
    for problem in warnings:
        print(warning(problem))
    return DONE


def _read(path: Path) -> tuple[DevicePart, Node]:
    from pointsman.device_file import read_device

    shown = str(path)
    try:
        part, root, problems = read_device(path, shown)
    except OSError as error:
        what = f"cannot be read: {error.strerror or error}; give the path of a device file"
        raise RigError([Problem(shown, 1, 1, "", what)]) from None
    if part is None or root is None:
        raise RigError(problems)
    return part, root


def verdict(shown: str, problems: Sequence[Problem], warnings: Sequence[Problem]) -> dict[str, Any]:
    """What a check found, as plain data."""
    return {
        "file": shown,
        "right": not problems,
        "problems": [problem._asdict() for problem in problems],
        "warnings": [problem._asdict() for problem in warnings],
    }


def _print_json(data: Any) -> None:
    print(json.dumps(data, indent=2, ensure_ascii=False))
