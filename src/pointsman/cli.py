"""The command line: reads arguments, calls what does the work, prints, and picks the exit code.

Modules that a command does not need are imported by it alone, so that each starts fast.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pointsman.errors import (
    InputFileError,
    MessageTextError,
    PointsmanError,
    PortLookupError,
    RigError,
    UsageError,
)
from pointsman.signals import Told, told_by, without_handlers
from pointsman.subcommands import (
    CONTROL_SOCKET,
    DONE,
    FAILED,
    NO_PORT_CODE,
    WRONG,
    Command,
    Formatter,
    adding_to,
    time_ns,
)

if TYPE_CHECKING:  # every command starts fast
    from pointsman.rig import Rig

NO_PORT = 3
INTERRUPTED = 130


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command; returns its exit code (docs/commands.md)."""
    try:
        with told_by(without_handlers()):
            options = _parser().parse_args(arguments)
            command: Command = options.command
            return command(options)
    except (RigError, MessageTextError, UsageError) as error:
        return _say(error, WRONG)
    except PortLookupError as error:
        return _say(error, NO_PORT)
    except BrokenPipeError:  # a reader that has gone away (`| head`) wants no more
        return DONE
    except PointsmanError as error:
        return _say(error, FAILED)
    except OSError as error:
        print(f"{error.filename or 'here'}: {error.strerror}", file=sys.stderr)
        return FAILED
    except Told as told:
        return told.code
    except KeyboardInterrupt:
        return INTERRUPTED
    finally:
        _flush()


def _say(error: Exception, code: int) -> int:
    print(error, file=sys.stderr)
    return code


def _flush() -> None:
    """Let a reader that has gone away be the end of it, not a traceback."""
    try:
        if sys.stdout is not None:  # as it is where the shell has closed it
            sys.stdout.flush()
    except OSError:  # also a terminal that was closed
        sys.stdout = open("/dev/null", "w")  # noqa: SIM115 - stays open until the process ends


# ---- the commands --------------------------------------------------------------------------------


def _run(options: argparse.Namespace) -> int:
    from pointsman.live.run import Wishes, reachable, run
    from pointsman.log import set_up_log
    from pointsman.rig_file import load_rig_and_plugins

    rig, registry = load_rig_and_plugins(options.rig)
    log = set_up_log()
    for trouble in registry.troubles:
        log.warning("plugin not loaded", why=str(trouble))
    refused: list[str] = []
    with reachable(options.socket, rig, refused) as control:
        wishes = Wishes(options.wait, options.watch, control, True, refused)
        fault = run(rig, registry, log, wishes)
    if fault:
        print(fault, file=sys.stderr)
        return FAILED
    return DONE


def _check(options: argparse.Namespace) -> int:
    from pointsman.advice import advise
    from pointsman.device_commands import verdict
    from pointsman.errors import warning
    from pointsman.rig_file import load_rig

    try:
        rig = load_rig(options.rig)
    except RigError as error:
        if options.json:
            _print_json(verdict(options.rig, error.problems, ()))
        raise
    warnings = advise(rig)
    if options.json:
        _print_json(verdict(options.rig, (), warnings))
        return DONE
    names = ", ".join(output.name for output in rig.outputs)
    print(f"{options.rig}: right. Input {rig.input_port}; outputs {names}.")
    for problem in warnings:
        print(warning(problem))
    return DONE


def _render(options: argparse.Namespace) -> int:
    from pointsman.progress import Counting, minutes
    from pointsman.render import render
    from pointsman.reporting.commands import drawings_of
    from pointsman.rig_file import load_rig
    from pointsman.whole_file import gathered

    drawings = drawings_of(options)
    rig = load_rig(options.rig)
    if not options.input.is_file():
        print(f"{options.input}: there is no such file; give a .mid or .tsv file", file=sys.stderr)
        return WRONG
    if options.compare is not None:
        if drawings:
            raise UsageError("--compare draws nothing; leave --report and --plot out")
        return _compare(options, rig)
    clock, tail_ns = not options.no_clock, options.tail
    listener = drawings.listen(rig, options.input.name) if drawings else None
    try:
        with (
            gathered(options.out, InputFileError) as folder,
            Counting(f"rendering {options.input}:", unit=minutes) as progress,
        ):
            rows = render(
                rig,
                options.input,
                folder,
                clock=clock,
                tail_ns=tail_ns,
                tell=progress.at,
                listener=listener,
            )
    except InputFileError:
        if drawings:  # what came before the fault is worth seeing
            drawings.write()
        raise
    drawn = drawings.write() if drawings else []
    if options.json:
        _print_json([row.as_dict() for row in rows])
        return DONE
    from pointsman.render_tables import show_rows

    print("\n\n".join([show_rows(rows), *drawn]))
    return DONE


def _compare(options: argparse.Namespace, after: Rig) -> int:
    from pointsman.compare.rigs import compare_rigs
    from pointsman.compare.view import show_comparison
    from pointsman.rig_file import load_rig

    found = compare_rigs(
        load_rig(options.compare),
        after,
        options.input,
        clock=not options.no_clock,
        tail_ns=options.tail,
        names=(Path(options.compare), Path(options.rig)),
    )
    if options.json:
        _print_json(found.as_dict())
    else:
        print(show_comparison(found, options.input))
    return DONE


def _ports(options: argparse.Namespace) -> int:
    from pointsman.ports.listing import list_ports, show_ports

    found = list_ports()
    if options.json:
        _print_json(found.as_dict())
    else:
        print(show_ports(found))
    return DONE


def _plugins(options: argparse.Namespace) -> int:
    from pointsman.reference import plugin_page, plugins_data, plugins_table
    from pointsman.registry import load_plugins

    registry = load_plugins(options.folder)
    if options.name is None:
        print(
            json.dumps(plugins_data(registry), indent=2)
            if options.json
            else plugins_table(registry)
        )
        return DONE
    if options.name not in registry.plugins:
        from pointsman.options import suggest

        trouble = registry.trouble_for(options.name)
        why = str(trouble) if trouble else suggest(options.name, sorted(registry.plugins))
        print(f"there is no plugin '{options.name}'; {why}", file=sys.stderr)
        return WRONG
    if options.json:
        _print_json(plugins_data(registry)["plugins"][options.name])
    else:
        print(plugin_page(registry, options.name))
    return DONE


def _schema(options: argparse.Namespace) -> int:
    from pointsman.registry import load_plugins
    from pointsman.schema import device_schema, rig_schema

    _print_json(device_schema() if options.device else rig_schema(load_plugins(options.folder)))
    return DONE


def _demo(options: argparse.Namespace) -> int:
    from pointsman.demo import run_demo
    from pointsman.reporting.commands import drawings_of

    drawings = drawings_of(options)
    if drawings and options.live:
        raise UsageError("--report and --plot need the whole song at once; leave --live out")
    run_demo(options.out, live=options.live, to=dict(options.to), drawings=drawings)
    return DONE


def _no_command(options: argparse.Namespace) -> int:
    raise AssertionError("argparse asks for a command below this one")


def _print_json(data: Any) -> None:
    print(json.dumps(data, indent=2))


# ---- the arguments -------------------------------------------------------------------------------


def _parser() -> argparse.ArgumentParser:
    from pointsman import __version__

    parser = argparse.ArgumentParser(
        prog="pointsman",
        description="Route one MIDI input through chains of plugins to several outputs.",
        epilog="Begin with: pointsman demo, or with your own ports: pointsman init. What a command "
        "does and takes says its own help, such as: pointsman run --help\n\nsee: README.md, "
        "docs/README.md",
        formatter_class=Formatter,
    )
    parser.add_argument("--version", action="version", version=f"pointsman {__version__}")
    add = adding_to(parser)

    run = add(
        "run", _run, "run a rig until it is told to end", "pointsman run harbour.yaml",
        more="Ctrl-C and SIGTERM end it with the release: note-offs for what sounds, home for "
        "every control that is away. SIGHUP has it read its files again. Turn the volume down "
        "before you run a rig for the first time.",
        examples=("pointsman run harbour.yaml --wait --watch",),
        exits={
            0: "ended by Ctrl-C or SIGTERM, or because a file: input is over",
            **NO_PORT_CODE,
            130: "ended by Ctrl-C before it was ready; 143: by SIGTERM",
        },
        heeds={
            **CONTROL_SOCKET,
            "a .state file beside the control socket": (
                "what a run that is killed leaves sounding, for the next start to end"
            ),
        },
        see=("docs/on-stage.md", "docs/ports.md", "docs/cautions.md"),
    )  # fmt: skip
    run.add_argument("rig", metavar="RIG", help="the rig file")
    run.add_argument(
        "--wait", action="store_true", help="start though ports are missing; open them as they come"
    )
    run.add_argument("--watch", action="store_true", help="reload whenever the rig file changes")
    run.add_argument(
        "--socket", metavar="PATH", type=Path, help="where status, reload and panic reach it"
    )

    check = add(
        "check", _check, "say whether a rig is right", "pointsman check harbour.yaml",
        more="It reads the rig, its device files and its plugins, and opens no port. Each fault is "
        "a line with its place, what is wrong and what would be right; a line that says warning: "
        "is about what is allowed and will yet disappoint.",
        examples=("pointsman check harbour.yaml --json",),
        exits={0: "it is right; there may be warnings", 2: "the rig or a device file is wrong"},
        see=("docs/rig-file.md",),
    )  # fmt: skip
    check.add_argument("rig", metavar="RIG", help="the rig file")
    check.add_argument("--json", action="store_true", help="print the verdict as JSON")

    from pointsman.setup.commands import add_init_command

    add_init_command(add)

    from pointsman.device_commands import add_device_commands

    device = add(
        "device",
        _no_command,
        "make, show and check device files",
        "pointsman device show devices/tug.yaml",
        see=("docs/device-files.md",),
    )
    add_device_commands(device)

    from pointsman.service_commands import add_service_commands

    service = add(
        "service",
        _no_command,
        "have systemd run a rig from the moment the machine starts",
        "pointsman service unit harbour.yaml",
        see=("docs/small-computer.md",),
    )
    add_service_commands(service)

    from pointsman.live.commands import add_live_commands

    add_live_commands(add)

    from pointsman.capture.commands import add_capture_commands

    add_capture_commands(add)

    from pointsman.replay.commands import add_replay_commands

    add_replay_commands(add)
    from pointsman.page.commands import add_page_commands

    add_page_commands(add)
    from pointsman.probing.commands import add_probe_commands

    add_probe_commands(add)

    from pointsman.reporting.commands import add_report_options
    from pointsman.watch.commands import add_watch_commands

    add_watch_commands(add)

    render = add(
        "render",
        _render,
        "run a rig over a file in virtual time, and write what each output would be sent",
        "pointsman render harbour.yaml set.mid --out rendered",
        more="Each output gets a .tsv with everything and a .mid with all that such a file can "
        "hold; a table says what each entry of a chain did, and how full the wires were. A file "
        "gets its name when it is whole: what is interrupted leaves none behind.",
        examples=("pointsman render harbour.yaml set.tsv --out rendered --tail 2s --json",),
        exits={
            1: "INPUT is broken (what was rendered until there is kept), or DIR cannot be written",
            2: "the rig is wrong, or INPUT is not there",
        },
        see=("docs/commands.md#event-logs",),
    )
    render.add_argument("rig", metavar="RIG", help="the rig file")
    render.add_argument("input", metavar="INPUT", type=Path, help="a .mid or .tsv file")
    aim = render.add_mutually_exclusive_group(required=True)
    aim.add_argument("--out", metavar="DIR", type=Path, help="where to write")
    aim.add_argument(
        "--compare",
        metavar="BEFORE",
        help="write nothing; show what RIG would change compared with this rig",
    )
    render.add_argument(
        "--no-clock", action="store_true", help="play a .mid without Start, clock and Stop"
    )
    render.add_argument(
        "--tail", metavar="TIME", type=time_ns, help="go on so long after the last message"
    )
    add_report_options(render)
    render.add_argument("--json", action="store_true", help="print the table as JSON")

    from pointsman.explain_commands import add_explain_commands

    add_explain_commands(add)

    ports = add(
        "ports", _ports, "list the MIDI ports of this machine", "pointsman ports",
        more="Beside each stands what to write in a rig, so that the port is found again after a "
        "replug. Where there is no MIDI it says what is missing and how to get it.",
        examples=("pointsman ports --json",),
        see=("docs/ports.md",),
    )  # fmt: skip
    ports.add_argument("--json", action="store_true", help="print the list as JSON")

    demo = add(
        "demo", _demo, "show what a rig does, on an invented song", "pointsman demo",
        more="Four bars for three synths in a harbour, before and after, without any MIDI; or "
        "live, to real ports. Turn the volume down before you let it play.",
        examples=("pointsman demo --out harbour", "pointsman demo --live --to tug=null:"),
        exits=NO_PORT_CODE,
        see=("docs/cautions.md",),
    )  # fmt: skip
    demo.add_argument("--out", metavar="DIR", type=Path, help="keep the files of the demo there")
    demo.add_argument(
        "--live",
        action="store_true",
        help="play it in real time, to MIDI ports where there are any",
    )
    demo.add_argument(
        "--to", metavar="OUTPUT=PORT", type=_assignment, action="append", default=[],
        help="with --live, the port for one output, as a rig would name it",
    )  # fmt: skip
    add_report_options(demo)

    schema = add(
        "schema",
        _schema,
        "print the JSON schema of rig files",
        "pointsman schema > rig.schema.json",
        more="An editor that knows it completes keys and marks faults as you type. The options of "
        "every plugin that is there are in it.",
        examples=("pointsman schema --device > device.schema.json",),
        see=("docs/rig-file.md", "docs/device-files.md"),
    )
    schema.add_argument("--device", action="store_true", help="the schema of device files instead")
    _add_folder(schema)

    plugins = add(
        "plugins", _plugins, "list the plugins, or show one with its options",
        "pointsman plugins cc_reset",
        more="It says where each comes from, and what could not be loaded and why.",
        examples=("pointsman plugins --folder my-plugins --json",),
        exits={2: "there is no such plugin"},
        see=("docs/README.md", "docs/writing-a-plugin.md"),
    )  # fmt: skip
    plugins.add_argument("name", metavar="NAME", nargs="?", help="show this one")
    plugins.add_argument("--json", action="store_true", help="print it as JSON")
    _add_folder(plugins)

    from pointsman.completion import add_completion_command

    add_completion_command(add, parser)
    return parser


def _add_folder(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--folder", metavar="DIR", type=_folder, action="append", default=[],
        help="look for plugin files there too",
    )  # fmt: skip


def _folder(text: str) -> Path:
    path = Path(text)
    if not path.is_dir():
        raise argparse.ArgumentTypeError(f"there is no folder '{text}'")
    return path


def _assignment(text: str) -> tuple[str, str]:
    output, equals, port = text.partition("=")
    if not (output and equals and port):
        raise argparse.ArgumentTypeError(f"'{text}' is no OUTPUT=PORT; write like tug=null:")
    return output, port


if __name__ == "__main__":
    sys.exit(main())
