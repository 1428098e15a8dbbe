"""How a command is added to the command line: its help, its example, and what it calls."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from typing import Any

DONE, FAILED, WRONG = 0, 1, 2
Command = Callable[[argparse.Namespace], int]
Add = Callable[[str, Command, str, str], argparse.ArgumentParser]
"""Adds one command: name, what it calls, what it does in a few words, and an example."""


def adding_to(parser: argparse.ArgumentParser) -> Add:
    """What adds commands below a parser."""
    commands: Any = parser.add_subparsers(title="commands", metavar="COMMAND", required=True)

    def add(name: str, call: Command, text: str, example: str) -> argparse.ArgumentParser:
        command: argparse.ArgumentParser = commands.add_parser(
            name,
            help=text,
            description=text[:1].upper() + text[1:] + ".",
            epilog=f"example: {example}",
            formatter_class=argparse.RawDescriptionHelpFormatter,
        )
        command.set_defaults(command=call)
        return command

    return add


def time_ns(text: str) -> int:
    """A length of time as an option takes it, such as 2s or 250ms, in nanoseconds."""
    from pointsman.units import parse_duration

    try:
        duration = parse_duration(text)
    except ValueError as error:
        raise argparse.ArgumentTypeError(str(error)) from None
    if duration.clocks is not None:
        raise argparse.ArgumentTypeError(f"'{text}' depends on the tempo; write for example 2s")
    return duration.ns
