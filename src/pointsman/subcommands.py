"""How a command is added to the command line, and what its `--help` says, on every page alike:
what it does, its options, examples, exit codes, the files and variables it heeds, where to read on.
"""

from __future__ import annotations

import argparse
import textwrap
from collections.abc import Callable, Mapping, Sequence
from typing import Any

DONE, FAILED, WRONG = 0, 1, 2
Command = Callable[[argparse.Namespace], int]

EXIT_CODES: Mapping[int, str] = {
    0: "done",
    1: "it failed while it ran; one line says why",
    2: "the command line is wrong, or a file that was to be read",
    130: "ended by Ctrl-C before it could finish; 143: by SIGTERM",
}
"""What the codes of every command mean, where it does not say more of one."""

NO_PORT_CODE: Mapping[int, str] = {3: "a port is missing, or several match"}

CONTROL_SOCKET: Mapping[str, str] = {
    "$POINTSMAN_SOCKET": "where the control socket is, unless --socket says it",
    "$XDG_RUNTIME_DIR/pointsman/control.sock, /run/pointsman/control.sock": (
        "where it is otherwise; see docs/control-socket.md"
    ),
}
"""What commands heed that talk to a running service."""

_MANUAL = "docs/commands.md"


class Add:
    """Adds commands below a parser, one a call."""

    def __init__(self, parser: argparse.ArgumentParser) -> None:
        self._below = parser.prog.partition(" ")[2]
        self._commands: Any = parser.add_subparsers(
            title="commands", metavar="COMMAND", required=True
        )

    def __call__(
        self,
        name: str,
        call: Command,
        text: str,
        example: str,
        /,
        *,
        more: str = "",
        examples: Sequence[str] = (),
        exits: Mapping[int, str] = {},
        heeds: Mapping[str, str] = {},
        see: Sequence[str] = (),
    ) -> argparse.ArgumentParser:
        """Add `name`, which runs `call`; `text` says in a few words what it does.

        `more` are further sentences, `examples` further examples, `exits` the exit codes that mean
        something else than in `EXIT_CODES`, or that are not there; `heeds` the files and variables
        that it heeds, `see` the pages to read on, beside its section of the manual.
        """
        section = f"{_MANUAL}#{f'{self._below} {name}'.strip().replace(' ', '-')}"
        command: argparse.ArgumentParser = self._commands.add_parser(
            name,
            help=text,
            description=f"{text[:1].upper()}{text[1:]}.\n\n{more}".strip(),
            epilog=_epilog([example, *examples], {**EXIT_CODES, **exits}, heeds, [section, *see]),
            formatter_class=Formatter,
        )
        command.set_defaults(command=call)
        return command


def adding_to(parser: argparse.ArgumentParser) -> Add:
    """What adds commands below a parser."""
    return Add(parser)


def _epilog(
    examples: Sequence[str], exits: Mapping[int, str], heeds: Mapping[str, str], see: Sequence[str]
) -> str:
    first, *others = examples
    parts = ["\n".join([f"example: {first}", *(f"     or: {each}" for each in others)])]
    parts.append(_listed("exit codes", {f"{code:3}": exits[code] for code in sorted(exits)}))
    if heeds:
        parts.append(_listed("files and environment", heeds))
    parts.append(f"see: {', '.join(see)}")
    return "\n\n".join(parts)


def _listed(title: str, entries: Mapping[str, str]) -> str:
    lines = [f"  {key}  {what}" if len(key) < 4 else f"  {key}\n      {what}"
             for key, what in entries.items()]  # fmt: skip
    return "\n".join([f"{title}:", *lines])


class Formatter(argparse.HelpFormatter):
    """Wraps sentences to the width of the terminal, and leaves lists and examples as they are."""

    def _fill_text(self, text: str, width: int, indent: str) -> str:
        return "\n\n".join(self._part(part, width, indent) for part in text.split("\n\n"))

    def _part(self, part: str, width: int, indent: str) -> str:
        first = part.partition("\n")[0]
        if first.startswith("example: ") or first.endswith(":"):
            return textwrap.indent(part, indent)
        filled = textwrap.wrap(part, width, break_long_words=False, break_on_hyphens=False)
        return textwrap.indent("\n".join(filled), indent)


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
