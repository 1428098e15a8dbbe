"""The commands that talk to a running service: status, reload, panic, song, bypass."""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path
from typing import Any

from pointsman.errors import PointsmanError, UsageError
from pointsman.live.outcomes import outcome
from pointsman.subcommands import CONTROL_SOCKET, DONE, Add

_EXITS = {1: "no service can be reached, or it refuses; one line says which"}


def add_live_commands(add: Add) -> None:
    """Add them to the command line; `add` takes a name, what it calls, a text and an example."""
    status = add(
        "status", _status, "show how a running service is", "pointsman status",
        more="Trouble first, then ports, what sounds, which controls are away from home, what each "
        "entry has done, and how fast and how steady it all is.",
        examples=("pointsman status --line", "pointsman status --json"),
        exits=_EXITS, heeds=CONTROL_SOCKET, see=("docs/control-socket.md",),
    )  # fmt: skip
    form = status.add_mutually_exclusive_group()
    form.add_argument("--json", action="store_true", help="print it as JSON")
    form.add_argument("--line", action="store_true", help="print one line, for a log")

    reload = add(
        "reload", _reload, "have a running service take up its changed rig", "pointsman reload",
        more="Notes that sound end where they began, and what has not changed goes on. A faulty "
        "rig changes nothing.",
        exits={1: "the rig is faulty, or no service can be reached; one line says which"},
        heeds=CONTROL_SOCKET, see=("docs/on-stage.md",),
    )  # fmt: skip
    panic = add(
        "panic",
        _panic,
        "silence everything: note-offs, All Notes Off, All Sound Off, controls home",
        "pointsman panic",
        more="It acts at once, and the rig plays on from there.",
        exits={1: "no service can be reached; one line says why"},
        heeds=CONTROL_SOCKET, see=("docs/on-stage.md",),
    )  # fmt: skip
    song = add(
        "song", _song, "change to another song of the rig", "pointsman song storm",
        more="At once, or at the next bar, as the rig says.",
        examples=("pointsman song 0",),
        exits={**_EXITS, 2: "there is no such song; the nearest is named"},
        heeds=CONTROL_SOCKET, see=("docs/songs.md",),
    )  # fmt: skip
    song.add_argument("song", metavar="SONG", help="its name, or its number from 1; 0: the rig")

    bypass = add(
        "bypass",
        _bypass,
        "leave an entry of a chain out, or put it in again",
        'pointsman bypass tug "one voice"',
        more="It stays so until it is put in again with --off, or the rig is loaded anew. What the "
        "entry holds is released first.",
        examples=("pointsman bypass tug 3 --off", "pointsman bypass --input 1"),
        exits={**_EXITS, 2: "there is no such output or entry; the nearest is named"},
        heeds=CONTROL_SOCKET,
        see=("docs/on-stage.md",),
    )
    bypass.add_argument("output", metavar="OUTPUT", nargs="?", help="the output")
    bypass.add_argument("entry", metavar="ENTRY", help="its label, or its number from 1")
    bypass.add_argument("--input", action="store_true", help="an entry of the input's chain")
    bypass.add_argument("--off", action="store_true", help="put it in again")
    for command in (status, reload, panic, song, bypass):
        command.add_argument(
            "--socket", metavar="PATH", type=Path, help="where the service listens"
        )


def _status(options: argparse.Namespace) -> int:
    from pointsman.live.status_view import show_status, status_line

    answer = _ask(options, {"do": "status"})
    if options.json:
        del answer["ok"]
        print(json.dumps(answer, indent=2))
        return DONE
    try:
        print(status_line(answer) if options.line else show_status(answer))
    except (AttributeError, KeyError, TypeError, ValueError):
        raise PointsmanError(
            "the service is of another version and tells its status otherwise; "
            "restart it, or print what it says with --json"
        ) from None
    return DONE


def _reload(options: argparse.Namespace) -> int:
    for line in _do(options, {"do": "reload"}).get("warnings", ()):
        print(line)
    return DONE


def _panic(options: argparse.Namespace) -> int:
    _do(options, {"do": "panic"})
    return DONE


def _song(options: argparse.Namespace) -> int:
    _do(options, {"do": "song", "song": _name_or_number(options.song)})
    return DONE


def _bypass(options: argparse.Namespace) -> int:
    if options.input == (options.output is not None):
        raise UsageError(
            "name the output and the entry, such as: pointsman bypass tug 2; "
            "or, for the input's chain, the entry alone with --input"
        )
    entry = _name_or_number(options.entry)
    request = {"do": "bypass", "output": options.output, "entry": entry, "on": not options.off}
    _do(options, request)
    return DONE


def _name_or_number(text: str) -> str | int:
    return int(text) if text.isascii() and text.isdecimal() and len(text) < 10 else text


def _do(options: argparse.Namespace, request: dict[str, Any]) -> dict[str, Any]:
    """Have it done, and say so."""
    answer = _ask(options, request)
    print(outcome(request, answer))
    return answer


def _ask(options: argparse.Namespace, request: dict[str, Any]) -> dict[str, Any]:
    """The answer, if it is yes. UsageError for words that the rig does not know."""
    from pointsman.live.client import ask

    answer = ask(request, options.socket)
    if answer.get("ok"):
        return answer
    for line in answer.get("problems", ()):
        print(line, file=sys.stderr)
    error = outcome(request, answer)
    raise UsageError(error) if answer.get("wrong") else PointsmanError(error)
