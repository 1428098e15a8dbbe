"""The command line: reads arguments, calls what does the work, prints, and picks the exit code.

Modules that a command does not need are imported by it alone, so that each starts fast.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from pointsman.errors import (
    MessageTextError,
    PointsmanError,
    PortLookupError,
    RigError,
    UsageError,
)
from pointsman.subcommands import DONE, FAILED, WRONG, Command, adding_to

NO_PORT = 3
INTERRUPTED = 130


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command; returns its exit code (docs/commands.md)."""
    options = _parser().parse_args(arguments)
    command: Command = options.command
    try:
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
    from pointsman.render import render
    from pointsman.rig_file import load_rig

    rig = load_rig(options.rig)
    if not options.input.is_file():
        print(f"{options.input}: there is no such file; give a .mid or .tsv file", file=sys.stderr)
        return WRONG
    rows = render(rig, options.input, options.out, clock=not options.no_clock, tail_ns=options.tail)
    if options.json:
        _print_json([row.as_dict() for row in rows])
        return DONE
    from pointsman.report import show_rows

    print(show_rows(rows))
    return DONE


def _explain(options: argparse.Namespace) -> int:
    from pointsman.explain import as_data, explain, show
    from pointsman.rig_file import load_rig

    rig = load_rig(options.rig)
    steps = explain(rig, options.message)
    if options.json:
        _print_json(as_data(steps))
    else:
        print(show(rig, steps))
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

    run_demo(options.out, live=options.live, to=dict(options.to))
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
        epilog="Begin with: pointsman demo",
    )
    parser.add_argument("--version", action="version", version=f"pointsman {__version__}")
    add = adding_to(parser)

    run = add("run", _run, "run a rig until it is told to end", "pointsman run harbour.yaml")
    run.add_argument("rig", metavar="RIG", help="the rig file")
    run.add_argument(
        "--wait", action="store_true", help="start though ports are missing; open them as they come"
    )
    run.add_argument("--watch", action="store_true", help="reload whenever the rig file changes")
    run.add_argument(
        "--socket", metavar="PATH", type=Path, help="where status, reload and panic reach it"
    )

    check = add("check", _check, "say whether a rig is right", "pointsman check harbour.yaml")
    check.add_argument("rig", metavar="RIG", help="the rig file")
    check.add_argument("--json", action="store_true", help="print the verdict as JSON")

    from pointsman.device_commands import add_device_commands

    device = add(
        "device",
        _no_command,
        "make, show and check device files",
        "pointsman device show devices/tug.yaml",
    )
    add_device_commands(device)

    from pointsman.service_commands import add_service_commands

    service = add(
        "service",
        _no_command,
        "have systemd run a rig from the moment the machine starts",
        "pointsman service unit harbour.yaml",
    )
    add_service_commands(service)

    from pointsman.live.commands import add_live_commands

    add_live_commands(add)

    from pointsman.probing.commands import add_probe_commands

    add_probe_commands(add)

    render = add(
        "render",
        _render,
        "run a rig over a file in virtual time, and write what each output would be sent",
        "pointsman render harbour.yaml set.mid --out rendered",
    )
    render.add_argument("rig", metavar="RIG", help="the rig file")
    render.add_argument("input", metavar="INPUT", type=Path, help="a .mid or .tsv file")
    render.add_argument("--out", metavar="DIR", type=Path, required=True, help="where to write")
    render.add_argument(
        "--no-clock", action="store_true", help="play a .mid without Start, clock and Stop"
    )
    render.add_argument(
        "--tail", metavar="TIME", type=_time, help="go on so long after the last message"
    )
    render.add_argument("--json", action="store_true", help="print the table as JSON")

    explain = add(
        "explain",
        _explain,
        "show what every entry of every chain does to messages",
        'pointsman explain harbour.yaml "control 74 127 channel 1" "wait 50ms" "note C4"',
    )
    explain.add_argument("rig", metavar="RIG", help="the rig file")
    explain.add_argument(
        "message", metavar="MESSAGE", nargs="+", help='hex ("B0 4A 7F"), words, or "wait 50ms"'
    )
    explain.add_argument("--json", action="store_true", help="print it as JSON")

    ports = add("ports", _ports, "list the MIDI ports of this machine", "pointsman ports")
    ports.add_argument("--json", action="store_true", help="print the list as JSON")

    demo = add("demo", _demo, "show what a rig does, on an invented song", "pointsman demo")
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

    schema = add(
        "schema",
        _schema,
        "print the JSON schema of rig files",
        "pointsman schema > rig.schema.json",
    )
    schema.add_argument("--device", action="store_true", help="the schema of device files instead")
    _add_folder(schema)

    plugins = add(
        "plugins", _plugins, "list the plugins, or show one with its options",
        "pointsman plugins cc_reset",
    )  # fmt: skip
    plugins.add_argument("name", metavar="NAME", nargs="?", help="show this one")
    plugins.add_argument("--json", action="store_true", help="print it as JSON")
    _add_folder(plugins)
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


def _time(text: str) -> int:
    from pointsman.units import parse_duration

    try:
        duration = parse_duration(text)
    except ValueError as error:
        raise argparse.ArgumentTypeError(str(error)) from None
    if duration.clocks is not None:
        raise argparse.ArgumentTypeError(f"'{text}' depends on the tempo; write for example 2s")
    return duration.ns


if __name__ == "__main__":
    sys.exit(main())
