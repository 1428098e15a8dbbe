"""The command capture."""

from __future__ import annotations

import argparse
import sys
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from pointsman.errors import UsageError, one_line
from pointsman.subcommands import CONTROL_SOCKET, DONE, NO_PORT_CODE, Add, time_ns

if TYPE_CHECKING:  # every command starts fast
    from pointsman.capture.sources import Source

SUFFIXES = (".tsv", ".mid")


def add_capture_commands(add: Add) -> None:
    """Add them to the command line; `add` takes a name, what it calls, a text and an example."""
    capture = add(
        "capture",
        _capture,
        "write what comes in to a file, until Ctrl-C: .tsv (everything) or .mid",
        "pointsman capture rehearsal.tsv --rig harbour.yaml",
        more="Without --rig, --input or --socket it takes what comes in to the service that runs "
        "here.",
        examples=('pointsman capture rehearsal.mid --input "Stage Sequencer" --for 10s',),
        exits={0: "captured, also where Ctrl-C or SIGTERM ended it", **NO_PORT_CODE},
        heeds=CONTROL_SOCKET,
        see=("docs/capture.md",),
    )
    capture.add_argument("file", metavar="FILE", type=Path, help="a .tsv or .mid file")
    place = capture.add_mutually_exclusive_group()
    place.add_argument(
        "--rig", metavar="RIG", help="the input of this rig, from its service if it runs"
    )
    place.add_argument("--input", metavar="PORT", help="this port, as a rig would name it")
    place.add_argument("--socket", metavar="PATH", type=Path, help="where the service listens")
    capture.add_argument(
        "--for", metavar="TIME", type=time_ns, dest="length", help="end by itself, such as 30s"
    )
    capture.add_argument("--force", action="store_true", help="replace a file that is there")


def _capture(options: argparse.Namespace) -> int:
    from pointsman.capture.files import open_capture
    from pointsman.capture.recording import Recording
    from pointsman.live.client import NoService
    from pointsman.progress import Progress
    from pointsman.signals import ENDING, taken

    path: Path = options.file
    if path.suffix.lower() not in SUFFIXES:
        raise UsageError(f"'{path}' is no .tsv or .mid file; give a name that ends so")
    if path.exists() and not options.force:
        raise UsageError(f"'{path}' is there already; give another name, or --force to replace it")
    source = _source(options)
    try:
        source.start()
    except NoService as error:
        hint = "" if options.socket else "; or name what to listen to: --input PORT or --rig RIG"
        raise NoService(f"{error}{hint}") from None
    try:
        heading = one_line(f"captured {datetime.now():%Y-%m-%d %H:%M}, {source.what}")
        file = open_capture(path, heading)
        recording = Recording(source, file, path, options.length)
        with taken(ENDING, recording.stop):
            print(f"Capturing {source.what}. Ctrl-C ends it.", file=sys.stderr)
            recording.run(Progress())
    finally:
        source.close()
    print(recording.summary())
    return DONE


def _source(options: argparse.Namespace) -> Source:
    """Where to capture from: the service that runs, or the port that was named."""
    from pointsman.capture.sources import PortSource, ServiceSource, input_rig, service_reads
    from pointsman.ports.resolve import is_file
    from pointsman.registry import load_plugins
    from pointsman.rig_file import load_rig_and_plugins

    if options.input is None and options.rig is None:
        return ServiceSource(options.socket)
    if options.rig is None:
        registry = load_plugins()
        rig = input_rig(options.input, registry)
    else:
        rig, registry = load_rig_and_plugins(options.rig)
        if service_reads(rig.input_port):
            return ServiceSource()
    if is_file(rig.input_port, rig.path.parent, options.file):
        raise UsageError(f"'{options.file}' is what is played here; capture to another file")
    return PortSource(rig, registry)
