"""What the options of `init` have said already, so that it need not be asked.

Options about one output are written NAME=VALUE. `--output` comes first in importance: it names
the outputs and their order; whatever else speaks of an output that is not there is refused.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterable
from dataclasses import dataclass, field
from difflib import get_close_matches

from pointsman.errors import UsageError

Pair = tuple[str, str]


@dataclass(frozen=True)
class Given:
    """The answers so far, as they were written; `outputs` are the ports by the outputs' names."""

    input: str | None = None
    outputs: dict[str, str] = field(default_factory=dict)
    plays: dict[str, str] = field(default_factory=dict)
    hears: dict[str, str] = field(default_factory=dict)
    voices: dict[str, str] = field(default_factory=dict)
    wires: dict[str, str] = field(default_factory=dict)
    devices: dict[str, str] = field(default_factory=dict)
    no_clock: frozenset[str] = frozenset()


def given(options: argparse.Namespace) -> Given:
    """Gather the options; UsageError where one comes twice, or speaks of no output."""
    found = Given(
        options.input,
        _once("--output", options.output),
        _once("--from", options.plays),
        _once("--channel", options.channel),
        _once("--voices", options.voices),
        _once("--wire", options.wire),
        _once("--device", options.device),
        frozenset(options.no_clock),
    )
    for option, names in (
        ("--from", found.plays),
        ("--channel", found.hears),
        ("--voices", found.voices),
        ("--wire", found.wires),
        ("--device", found.devices),
        ("--no-clock", found.no_clock),
    ):
        _known(option, names, list(found.outputs))
    return found


def _once(option: str, pairs: Iterable[Pair]) -> dict[str, str]:
    found: dict[str, str] = {}
    for name, value in pairs:
        if name in found:
            raise UsageError(f"{option} names '{name}' twice; leave one out")
        found[name] = value
    return found


def _known(option: str, names: Iterable[str], outputs: list[str]) -> None:
    for name in names:
        if name in outputs:
            continue
        near = get_close_matches(name, outputs, n=1)
        right = f"did you mean '{near[0]}'?" if near else f"name it: --output {name}=PORT"
        raise UsageError(f"{option}: there is no output '{name}'; {right}")
