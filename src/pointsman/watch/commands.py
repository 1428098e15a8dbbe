"""The command watch: its arguments, what it watches, and how that is shown."""

from __future__ import annotations

import argparse
import os
import select
import signal
import sys
from pathlib import Path
from typing import TYPE_CHECKING, TextIO

from pointsman.errors import PointsmanError, UsageError, one_line
from pointsman.signals import ENDING, Told, told_by
from pointsman.subcommands import CONTROL_SOCKET, DONE, NO_PORT_CODE, Add

if TYPE_CHECKING:
    from pointsman.watch.attached import Attached
    from pointsman.watch.direct import Direct
    from pointsman.watch.filters import Filters
    from pointsman.watch.scene import Scene

LAST_WORDS_S = 0.5


def add_watch_commands(add: Add) -> None:
    """Add it to the command line; `add` takes a name, what it calls, a text and an example."""
    watch = add(
        "watch",
        _watch,
        "show what comes in and what goes out, live",
        "pointsman watch harbour.yaml --input file:set.mid --output tug",
        more="It watches the service that runs here. Where none does it reads the input itself, "
        "and with RIG shows what would be sent, and sends nothing.",
        examples=("pointsman watch --channel 5 --kind note", "pointsman watch --json | head"),
        exits={0: "ended by q, or the input has ended", **NO_PORT_CODE},
        heeds=CONTROL_SOCKET,
        see=("docs/watch.md",),
    )
    watch.add_argument(
        "rig",
        metavar="RIG",
        nargs="?",
        help="where nothing runs: show what this rig would send, and send nothing",
    )
    watch.add_argument(
        "--input", metavar="PORT", help="read this port, as a rig would name it, and no service"
    )
    watch.add_argument(
        "--output", metavar="NAME", action="append", default=[],
        help="only this output; 'input' is what comes in",
    )  # fmt: skip
    watch.add_argument(
        "--channel", metavar="N", type=_channel, action="append", default=[],
        help="only this channel, 1 to 16",
    )  # fmt: skip
    watch.add_argument(
        "--kind", metavar="KIND", action="append", default=[],
        help="only this kind of message: note, control, clock, …, as message_filter calls them",
    )  # fmt: skip
    watch.add_argument(
        "--control", metavar="NAME", action="append", default=[],
        help="only this control, by its name or its number",
    )  # fmt: skip
    watch.add_argument(
        "--all", action="store_true", help="clock and active sensing one by one, not summed up"
    )
    watch.add_argument("--lines", action="store_true", help="one line a message on a terminal, too")
    watch.add_argument("--json", action="store_true", help="print one JSON object a line")
    watch.add_argument("--socket", metavar="PATH", type=Path, help="where the service listens")


def _channel(text: str) -> int:
    from pointsman.options import as_int

    channel = as_int(text)
    if channel is None or not 1 <= channel <= 16:
        raise argparse.ArgumentTypeError(f"'{text}' is no channel; write 1 to 16")
    return channel


def _watch(options: argparse.Namespace) -> int:
    from pointsman.watch.lines import AsJson, Plain
    from pointsman.watch.scene import Scene
    from pointsman.watch.views import is_terminal, show_lines

    out = sys.stdout
    if out is None:
        raise PointsmanError("there is nowhere to write to; give watch a standard output")
    filters = _filters(options)  # before anything is opened
    try:
        # One that is ignored (`nohup`) stays so.
        with told_by(n for n in ENDING if signal.getsignal(n) is not signal.SIG_IGN):
            source = _source(options)
            try:
                scene = Scene(source.setting, filters)
                if is_terminal(out) and not (options.lines or options.json):
                    _on_terminal(source, scene)
                else:
                    out.reconfigure(errors="replace")  # type: ignore[union-attr]  # it is a file
                    show_lines(source, scene, AsJson() if options.json else Plain(), out)
            finally:
                source.close()
    except Told as told:
        _let_go(out)
        return told.code
    if source.fault:
        raise PointsmanError(source.fault)
    return DONE


def _let_go(out: TextIO) -> None:
    """Wait no longer for a reader who does not read: what was meant for it is dropped."""
    if not select.select([], [out], [], LAST_WORDS_S)[1]:
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, out.fileno())


def _on_terminal(source: Attached | Direct, scene: Scene) -> None:
    from pointsman.watch.screen import MARKED, PLAIN
    from pointsman.watch.terminal import Terminal
    from pointsman.watch.views import show_terminal

    style = PLAIN if os.environ.get("NO_COLOR") else MARKED
    out = sys.stdout
    out.flush()
    keys = -1 if sys.stdin is None else sys.stdin.fileno()
    with Terminal(out.fileno(), keys, out.encoding) as terminal:
        show_terminal(source, scene, terminal, style)
    print(_last_line(scene))


def _last_line(scene: Scene) -> str:
    """What is left on the terminal when the view is gone."""
    totals = [f"{name or 'input'} {s.rate.total}" for name, s in scene.streams.items()]
    lost = f"; {scene.lost} lost" if scene.lost else ""
    return one_line(f"Messages seen: {', '.join(totals)}{lost}.")


def _filters(options: argparse.Namespace) -> Filters:
    from pointsman.options import suggest
    from pointsman.watch.filters import KIND_WORDS, Filters

    for kind in options.kind:
        if kind not in KIND_WORDS:
            raise UsageError(f"there is no kind '{kind}'; {suggest(kind, list(KIND_WORDS))}")
    return Filters(
        tuple(options.output),
        tuple(options.channel),
        tuple(options.kind),
        tuple(options.control),
        options.all,
    )


def _source(options: argparse.Namespace) -> Attached | Direct:
    """The service that runs, else the input itself."""
    from pointsman.live.client import NobodyThere

    because = ""
    if options.input is None:
        from pointsman.watch.attached import Attached

        try:
            return Attached(options.socket, options.rig)
        except NobodyThere:
            if options.socket is not None:
                raise
            because = "; no service runs"
    elif options.socket is not None:
        raise UsageError("--input reads a port, and --socket a service; say one of them")
    from pointsman.watch.direct import open_direct

    return open_direct(options.rig, options.input, because)
