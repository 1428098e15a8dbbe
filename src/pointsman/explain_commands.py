"""The command `explain`: messages or a capture through a rig, and why a synth is silent."""

from __future__ import annotations

import argparse
import json
from pathlib import Path

from pointsman.errors import UsageError
from pointsman.rig import Rig
from pointsman.subcommands import CONTROL_SOCKET, DONE, Add

CAPTURES = (".tsv", ".mid")


def add_explain_commands(add: Add) -> None:
    """Add it to the command line."""
    explain = add(
        "explain",
        _explain,
        "show what every entry of every chain does to messages, or why a synth is silent",
        'pointsman explain harbour.yaml "control 74 127 channel 1" "wait 50ms" "note C4"',
        more="Messages are taken in order, by one engine that remembers, so that a note-off finds "
        "its note. Nothing is played.",
        examples=(
            "pointsman explain harbour.yaml rehearsal.tsv",
            "pointsman explain --why-silent tug",
            'pointsman explain harbour.yaml "B0 4A 7F" --json',
        ),
        exits={
            1: "nothing runs that could tell, or the capture is broken",
            2: "the rig is wrong, a message cannot be read, or there is no such output",
        },
        heeds=CONTROL_SOCKET,
        see=("docs/why-silent.md",),
    )
    explain.usage = (
        "pointsman explain [--json] RIG (MESSAGE… | CAPTURE)\n"
        "       pointsman explain [--json] [--socket PATH] [RIG [MESSAGE… | CAPTURE]] "
        "--why-silent OUTPUT"
    )
    rig = explain.add_argument("rig", metavar="RIG", help="the rig file")
    message = explain.add_argument(
        "message", metavar="MESSAGE", nargs="+",
        help='hex ("B0 4A 7F"), words, or "wait 50ms"; or one capture, a .tsv or .mid file',
    )  # fmt: skip
    rig.required = message.required = False  # an nargs for that could not stand behind an option
    explain.add_argument(
        "--why-silent", metavar="OUTPUT",
        help="say why this output's synth may be silent, from what is given, or else from the "
        "last minute of the running service",
    )  # fmt: skip
    explain.add_argument("--json", action="store_true", help="print it as JSON")
    explain.add_argument("--socket", metavar="PATH", type=Path, help="where the service listens")


def _explain(options: argparse.Namespace) -> int:
    if options.why_silent is not None:
        return _why_silent(options)
    if options.rig is None or not options.message:
        raise UsageError(
            'name a rig and what is to go through it, such as: explain harbour.yaml "note C4"; '
            "or ask why a synth is silent: explain --why-silent OUTPUT"
        )
    from pointsman.explain import as_data, explain, show
    from pointsman.rig_file import load_rig

    rig = load_rig(options.rig)
    path = _capture(options.message)
    if path is not None:
        return _explain_capture(rig, path, as_json=options.json)
    steps = explain(rig, options.message)
    print(json.dumps(as_data(steps), indent=2) if options.json else show(rig, steps))
    return DONE


def _explain_capture(rig: Rig, path: Path, *, as_json: bool) -> int:
    """As it is read, so that a long capture begins to show at once; as JSON a line a step."""
    from pointsman.explain import explain_capture, shown, step_data
    from pointsman.ports.files import read_messages

    steps = explain_capture(rig, read_messages(path))
    texts = (json.dumps(step_data(step)) for step in steps) if as_json else shown(rig, steps)
    for number, text in enumerate(texts):
        print(text if number or as_json else text.removeprefix("\n"))
    return DONE


def _why_silent(options: argparse.Namespace) -> int:
    from pointsman.explain import read_messages
    from pointsman.ports.files import read_messages as read_capture
    from pointsman.rig_file import load_rig
    from pointsman.why.judging import judge
    from pointsman.why.showing import as_data, show
    from pointsman.why.sources import from_messages, from_service

    rig = load_rig(options.rig) if options.rig is not None else None
    path = _capture(options.message or [])
    if rig is None or not options.message:
        evidence = from_service(options.why_silent, options.socket, rig)
    elif path is not None:
        evidence = from_messages(rig, options.why_silent, read_capture(path))
    else:
        evidence = from_messages(rig, options.why_silent, read_messages(rig, options.message))
    verdict = judge(evidence)
    print(json.dumps(as_data(verdict), indent=2) if options.json else show(verdict))
    return DONE


def _capture(texts: list[str]) -> Path | None:
    """The file, if the messages are one. UsageError where it is not there, or not alone."""
    names = [text for text in texts if text.lower().endswith(CAPTURES)]
    if not names:
        return None
    if len(texts) > 1:
        raise UsageError(f"{names[0]}: a capture stands alone; leave the other messages out")
    path = Path(names[0])
    if not path.is_file():
        raise UsageError(f"{path}: there is no such file; give a .mid or .tsv file")
    return path
