"""The commands that find out how a synth is set: find-channel and sweep."""

from __future__ import annotations

import argparse

from pointsman.subcommands import Add
from pointsman.units import parse_note

DEFAULT_VELOCITY = 40
"""Quiet, and yet no sound is left out that a synth plays at all (common practice: 64 is medium)."""


def add_probe_commands(add: Add) -> None:
    """Add them to the command line."""
    find = add(
        "find-channel",
        _find_channel,
        "find out which channel a synth hears, with a quiet note on each",
        "pointsman find-channel tug --rig harbour.yaml",
    )
    _add_common(find)
    find.add_argument(
        "--channels", metavar="LIST", type=_channels, help="try only these, such as 1-8 or 2,5,10"
    )
    find.add_argument(
        "--listen", metavar="PORT", help="where the synth's MIDI output comes in: it may answer"
    )
    meter = find.add_mutually_exclusive_group()
    meter.add_argument(
        "--meter", metavar="COMMAND", help="what prints the synth's level, a number a line"
    )
    meter.add_argument(
        "--audio", metavar="DEVICE", nargs="?", const="default",
        help="the ALSA sound device that the synth's sound comes in by",
    )  # fmt: skip
    find.add_argument(
        "--write", action="store_true", help="write the channel into its device file, unasked"
    )
    find.add_argument("--json", action="store_true", help="print what was found as JSON")


def _add_common(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "output", metavar="OUTPUT", help="an output of the rig, or a port as a rig names it"
    )
    parser.add_argument("--rig", metavar="RIG", help="the rig file that names the output")
    parser.add_argument("--note", metavar="NOTE", type=_note, help="what to play (C4)")
    parser.add_argument(
        "--velocity", metavar="N", type=_velocity, default=DEFAULT_VELOCITY,
        help=f"how hard, 1-127 ({DEFAULT_VELOCITY})",
    )  # fmt: skip
    parser.add_argument("--yes", action="store_true", help="the sound is turned down: do not ask")


def _find_channel(options: argparse.Namespace) -> int:
    from pointsman.probing.find_channel import find_channel

    return find_channel(options)


# ---- reading the arguments -----------------------------------------------------------------------


def _note(text: str) -> str:
    try:
        parse_note(text)
    except ValueError as error:
        raise argparse.ArgumentTypeError(str(error)) from None
    return text  # the rig may call middle C otherwise


def _velocity(text: str) -> int:
    return _number(text, "velocity", 1, 127)


def _channels(text: str) -> tuple[int, ...]:
    return tuple(numbers(text, "channel", 1, 16))


def numbers(text: str, what: str, low: int, high: int) -> list[int]:
    """Read a list such as `2,5,10-12`, in its order. ArgumentTypeError says what is wrong."""
    found: list[int] = []
    for part in text.split(","):
        first, dash, last = part.partition("-")
        begin = _number(first, what, low, high)
        end = _number(last, what, low, high) if dash else begin
        if end < begin:
            raise argparse.ArgumentTypeError(f"'{part}' runs downwards; write {end}-{begin}")
        found += range(begin, end + 1)
    return list(dict.fromkeys(found))


def _number(text: str, what: str, low: int, high: int) -> int:
    text = text.strip()
    if not (text.isascii() and text.isdecimal() and low <= int(text[:9]) <= high):
        raise argparse.ArgumentTypeError(f"'{text}' is no {what}; write {low} to {high}")
    return int(text)
