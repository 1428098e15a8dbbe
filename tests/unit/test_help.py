"""Every command's `--help` is a page that a player can live with: nothing in it is left out.

The parser itself is walked, so that a command that comes later is held to the same.
"""

from __future__ import annotations

import argparse
import re
import shlex
from collections.abc import Iterator
from pathlib import Path

import pytest

from pointsman.cli import _parser

ROOT = Path(__file__).parents[2]
PARSER = _parser()
_EXAMPLE = re.compile(r"^(?:example| +or): ((?:sudo \.venv/bin/)?pointsman .*)$", re.MULTILINE)


def _below(parser: argparse.ArgumentParser) -> Iterator[argparse.ArgumentParser]:
    for action in parser._actions:
        if isinstance(action, argparse._SubParsersAction):
            for command in action.choices.values():
                yield command
                yield from _below(command)


COMMANDS = [pytest.param(command, id=command.prog) for command in _below(PARSER)]


@pytest.fixture(autouse=True)
def wide(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "80")


def test_the_walk_finds_commands_below_commands() -> None:
    progs = {command.prog for command in _below(PARSER)}
    assert {"pointsman run", "pointsman device import", "pointsman service install"} <= progs


@pytest.mark.parametrize("command", COMMANDS)
def test_it_says_what_it_does_in_whole_sentences(command: argparse.ArgumentParser) -> None:
    assert command.description
    assert re.match(r"[A-Z].*\.$", command.description, re.DOTALL)
    text = " ".join(command.description.split())
    assert text in " ".join(command.format_help().split())


@pytest.mark.parametrize("command", COMMANDS)
def test_every_option_and_argument_says_what_it_is(command: argparse.ArgumentParser) -> None:
    for action in command._actions:
        if isinstance(action, argparse._SubParsersAction):  # each of them says it itself
            continue
        assert action.help, f"{command.prog}: {action.option_strings or action.dest}"
        if action.nargs != 0 and action.choices is None:
            assert action.metavar, f"{command.prog}: {action.option_strings or action.dest}"


@pytest.mark.parametrize("command", COMMANDS)
def test_its_examples_are_commands_that_it_takes(command: argparse.ArgumentParser) -> None:
    examples = _EXAMPLE.findall(command.format_help())
    assert examples
    for example in examples:
        words = shlex.split(re.split(r" [<>|] ?", example)[0])
        line = words[words.index(next(w for w in words if w.endswith("pointsman"))) + 1 :]
        assert " ".join(["pointsman", *line]).startswith(command.prog)
        if command.prog == "pointsman plugins":
            line = [word for word in line if word not in ("--folder", "my-plugins")]
        PARSER.parse_args(line)  # exits where it does not take them


@pytest.mark.parametrize("command", COMMANDS)
def test_it_lists_its_exit_codes(command: argparse.ArgumentParser) -> None:
    listed = command.format_help().partition("\nexit codes:\n")[2].partition("\n\n")[0]
    codes = [int(code) for code in re.findall(r"^ +(\d+)  \S", listed, re.MULTILINE)]
    assert codes == sorted(codes)
    assert {0, 1, 2, 130} <= set(codes) <= {0, 1, 2, 3, 130}


@pytest.mark.parametrize("command", COMMANDS)
def test_the_pages_that_it_names_are_there(command: argparse.ArgumentParser) -> None:
    (line,) = re.findall(r"^see: (.*)$", command.format_help(), re.MULTILINE)
    pages = line.split(", ")
    assert pages[0].startswith("docs/commands.md#")
    for page in pages:
        path, _, section = page.partition("#")
        text = (ROOT / path).read_text("utf-8")
        heads = re.findall(r"^#+ (.*)$", text, re.MULTILINE)
        anchors = {re.sub(r"[^\w-]", "", head.lower().replace(" ", "-")) for head in heads}
        assert not section or section in anchors, page


@pytest.mark.parametrize("command", COMMANDS)
def test_what_talks_to_a_service_names_the_variable(command: argparse.ArgumentParser) -> None:
    options = [option for action in command._actions for option in action.option_strings]
    if "--socket" in options:
        assert "$POINTSMAN_SOCKET" in command.format_help()


@pytest.mark.parametrize("command", [PARSER, *(c.values[0] for c in COMMANDS)])
def test_sentences_fit_a_narrow_terminal(
    command: argparse.ArgumentParser, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "40")
    text = command.format_help().partition("\n\n")[2].partition("\npositional")[0]
    text = text.partition("\noptions:")[0]
    assert max(map(len, text.splitlines())) <= 40
