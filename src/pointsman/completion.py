"""Completion for the shell: what Tab offers after `pointsman`.

shtab makes the scripts from the parser itself, so that no command or option is forgotten. What an
argument takes is told by its name in the help: RIG is completed with rig files, OUTPUT with the
outputs of the running service and of the rigs in the folder, and so on.
"""

from __future__ import annotations

import argparse
import re
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from types import ModuleType
from typing import Any

from pointsman.errors import PointsmanError
from pointsman.subcommands import DONE, Add

SHELLS = ("bash", "zsh", "fish")
NAMES = ("outputs", "songs")
MOST_FILES = 50
"""How many files of a folder are looked at: Tab must not hang in a folder full of them."""

_PLAIN = re.compile(r"[^\s\"'\\$`!*?\[\](){}<>|;&#~]+")
"""Names that a shell takes as they are; others would have to be quoted, and are not offered."""


def add_completion_command(add: Add, parser: argparse.ArgumentParser) -> None:
    """Add it to the command line that `parser` is."""
    completion = add(
        "completion", lambda options: _completion(options, parser),
        "print a script that has the shell complete commands, options, files and names",
        "pointsman completion bash",
        more="Put it where your shell looks for such scripts; the page below says where. With "
        "outputs or songs it prints the names that it would offer: those of the running service, "
        "and of the rigs in this folder.",
        examples=('eval "$(pointsman completion bash)"', "pointsman completion outputs"),
        exits={1: "shtab is not installed, which makes the scripts; one line says how to get it"},
        see=("docs/shell-completion.md",),
    )  # fmt: skip
    completion.add_argument(
        "what", metavar="SHELL", choices=(*SHELLS, *NAMES),
        help=f"{', '.join(SHELLS)}; or {' or '.join(NAMES)}, to print names",
    )  # fmt: skip


def _completion(options: argparse.Namespace, parser: argparse.ArgumentParser) -> int:
    if options.what in NAMES:
        for name in known_names(options.what, Path()):
            print(name)
    else:
        print(script(parser, options.what))
    return DONE


def _shtab() -> ModuleType:
    try:
        import shtab
    except ImportError:
        raise PointsmanError(
            "shtab is not installed, which makes the script; install it into Pointsman's "
            "environment: pip install 'pointsman[completion]'"
        ) from None
    return shtab


# ---- the scripts ---------------------------------------------------------------------------------


def script(parser: argparse.ArgumentParser, shell: str) -> str:
    """The script for one of `SHELLS`. PointsmanError where shtab is missing."""
    shtab = _shtab()
    files, folders = shtab.FILE, shtab.DIRECTORY
    by_name = {
        "RIG": shtab.glob("*.yaml", "*.yml"),
        "INPUT": shtab.glob("*.mid", "*.tsv"),
        "OUTPUT": _names_for("outputs"),
        "SONG": _names_for("songs"),
        "DIR": folders,
        "FILE": files,
        "CHART": files,
    }
    for action in _actions(parser):
        if isinstance(action.metavar, str) and action.metavar in by_name:
            action.complete = by_name[action.metavar]  # type: ignore[attr-defined]
        elif action.type is Path:
            action.complete = files  # type: ignore[attr-defined]
    return str(shtab.complete(parser, shell=shell))


def _names_for(what: str) -> dict[str, Any]:
    """Has the shell ask us: with the very command that is being typed, where it tells."""
    ask = f"completion {what} 2>/dev/null"
    function = f"_pointsman_{what}"
    words = f'compgen -W "$("${{COMP_WORDS[0]}}" {ask})" -- "$1"'
    return {
        "bash": function,
        "zsh": f"($(pointsman {ask}))",
        "fish": f"(pointsman {ask})",
        "preamble": {"bash": f"{function}() {{\n  {words}\n}}\n"},
    }


def _actions(parser: argparse.ArgumentParser) -> Iterator[argparse.Action]:
    for action in parser._actions:
        yield action
        if isinstance(action, argparse._SubParsersAction):
            for command in action.choices.values():
                yield from _actions(command)


# ---- names ---------------------------------------------------------------------------------------


def known_names(what: str, folder: Path) -> list[str]:
    """The `outputs` or `songs` of the running service, then of the rigs in a folder; each once.

    Whatever cannot be read is left out: nobody wants an error message from Tab.
    """
    found = [*_of_service(what), *_of_folder(what, folder)]
    return [name for name in dict.fromkeys(found) if _PLAIN.fullmatch(name)]


def _of_service(what: str) -> list[str]:
    from pointsman.live.client import ask

    with suppress(PointsmanError, OSError):
        answer = ask({"do": "status"})
        names = answer.get(what)
        return [str(name) for name in names] if isinstance(names, list | dict) else []
    return []


def _of_folder(what: str, folder: Path) -> Iterator[str]:
    from pointsman.yaml_tree import read_tree

    files = sorted([*folder.glob("*.yaml"), *folder.glob("*.yml")])
    for path in files[:MOST_FILES]:
        with suppress(OSError):
            root, _ = read_tree(path, str(path))
            node = root.child("outputs") if root else None
            if root and node and what == "songs":
                songs = root.child("songs")
                node = songs.child("rigs") if songs else None
            if node and isinstance(node.value, dict):
                yield from node.value
