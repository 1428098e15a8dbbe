"""The command replay."""

from __future__ import annotations

import argparse
import re
import sys
from pathlib import Path

from pointsman.errors import UsageError
from pointsman.signals import ENDED_BY
from pointsman.subcommands import DONE, FAILED, NO_PORT_CODE, Add, time_ns
from pointsman.units import NS_PER_S, span

_CLOCK = re.compile(r"(?:(\d+):)?(\d{1,2}):(\d{2})")


def add_replay_commands(add: Add) -> None:
    """Add it to the command line; `add` takes a name, what it calls, a text and an example."""
    replay = add(
        "replay",
        _replay,
        "play a captured .tsv or .mid, through a rig or straight to one port",
        "pointsman replay set.tsv harbour.yaml",
        more="However it ends, nothing is left sounding and pedals are up.",
        examples=('pointsman replay set.mid --to "Tug Box" --from 1:30',),
        exits=NO_PORT_CODE,
        see=("docs/capture.md", "docs/cautions.md"),
    )
    replay.add_argument("file", metavar="FILE", type=Path, help="a .tsv or .mid file")
    replay.add_argument(
        "rig", metavar="RIG", nargs="?", help="the rig to play it through, in place of its input"
    )
    replay.add_argument("--to", metavar="PORT", help="or the port to send it to, as a rig names it")
    replay.add_argument(
        "--from", metavar="TIME", type=_place, dest="place", help="begin there, such as 1:30 or 90s"
    )


def _replay(options: argparse.Namespace) -> int:
    from pointsman.ports.files import FilePorts
    from pointsman.progress import Progress
    from pointsman.registry import load_plugins
    from pointsman.replay.playing import also_played, plain_rig, replay
    from pointsman.rig_file import load_rig_and_plugins

    path: Path = options.file
    problem = FilePorts().problem(str(path), is_input=True)
    if problem:
        raise UsageError(problem)
    if not path.is_file():
        raise UsageError(f"{path}: there is no such file; give a .mid or .tsv file")
    if (options.rig is None) == (options.to is None):
        raise UsageError("say where to play it: a rig, or a port with --to PORT")
    if options.rig is None:
        registry = load_plugins()
        rig = plain_rig(options.to, registry)
    else:
        rig, registry = load_rig_and_plugins(options.rig)
    for line in also_played(rig, registry):
        print(line, file=sys.stderr)
    ended = replay(path, rig, registry, Progress(), options.place)
    how_far = f"{ended.received} messages, {span(ended.played_ns / NS_PER_S)}"
    if ended.fault:
        print(ended.fault, file=sys.stderr)
        return FAILED
    if ended.signal is not None:
        print(f"{path}: broken off after {how_far}; what sounded is released.")
        return ENDED_BY + ended.signal
    print(f"{path}: {how_far}.")
    return DONE


def _place(text: str) -> int:
    """A place in a file: `90s`, `1:30` or `1:02:30`, in nanoseconds."""
    found = _CLOCK.fullmatch(text)
    if found is None:
        return time_ns(text)
    hours, minutes, seconds = (int(part or 0) for part in found.groups())
    return ((hours * 60 + minutes) * 60 + seconds) * NS_PER_S
