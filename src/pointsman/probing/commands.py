"""The commands that find out how a synth is set: find-channel and sweep."""

from __future__ import annotations

import argparse

from pointsman.controls import LAST_CONTROL
from pointsman.subcommands import Add
from pointsman.units import NS_PER_S, parse_duration, parse_note

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

    sweep = add(
        "sweep",
        _sweep,
        "move controls slowly while a note repeats, to hear which one does what",
        "pointsman sweep tug --rig harbour.yaml --controls 70-79",
    )
    _add_common(sweep)
    what = sweep.add_mutually_exclusive_group(required=True)
    what.add_argument("--control", metavar="CONTROL", help="one control, by number or name")
    what.add_argument(
        "--controls", metavar="LIST", type=_controls, help="several, such as 70-79 or 1,74,80-95"
    )
    what.add_argument(
        "--nrpn", metavar="PAIR", type=_pair, help="NRPN coarse:fine, such as 1:8 or 1:0-15"
    )
    what.add_argument("--name", metavar="NAME", help="a control of the device file, by its name")
    sweep.add_argument(
        "--channel", metavar="N", type=_channel, help="1-16 (the device file's, else 1)"
    )
    sweep.add_argument("--range", metavar="LOW-HIGH", type=_span, help="how far to move it")
    sweep.add_argument("--home", metavar="VALUE", type=_value, help="what to put it back to")
    sweep.add_argument(
        "--time", metavar="TIME", type=_time, default=6 * NS_PER_S, help="one way up and down (6s)"
    )
    sweep.add_argument(
        "--times", metavar="N", type=_times,
        help="how often, before the next (until Enter; without a terminal once)",
    )  # fmt: skip
    sweep.add_argument(
        "--device", metavar="FILE", help="the device file, for names (the rig's, else a new one)"
    )


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


def _sweep(options: argparse.Namespace) -> int:
    from pointsman.probing.sweep import sweep_controls

    return sweep_controls(options)


# ---- reading the arguments -----------------------------------------------------------------------


def _note(text: str) -> str:
    try:
        parse_note(text)
    except ValueError as error:
        raise argparse.ArgumentTypeError(str(error)) from None
    return text  # the rig may call middle C otherwise


def _velocity(text: str) -> int:
    return _number(text, "velocity", 1, 127)


def _channel(text: str) -> int:
    return _number(text, "channel", 1, 16)


def _times(text: str) -> int:
    return _number(text, "number of times", 1, 1000)


def _value(text: str) -> int:
    return _number(text, "value", 0, 16383)


def _span(text: str) -> tuple[int, int]:
    low, dash, high = text.partition("-")
    if not dash:
        raise argparse.ArgumentTypeError(f"'{text}' is no range; write LOW-HIGH, such as 20-100")
    first, last = _value(low), _value(high)
    return min(first, last), max(first, last)


def _time(text: str) -> int:
    try:
        duration = parse_duration(text)
    except ValueError as error:
        raise argparse.ArgumentTypeError(str(error)) from None
    if duration.clocks is not None or not NS_PER_S <= duration.ns <= 600 * NS_PER_S:
        raise argparse.ArgumentTypeError(
            f"'{text}' is no time from 1s to 600s; write for example 6s"
        )
    return duration.ns


def _controls(text: str) -> tuple[int, ...]:
    return tuple(numbers(text, "control", 0, LAST_CONTROL))


def _pair(text: str) -> tuple[tuple[int, int], ...]:
    coarse, colon, fine = text.partition(":")
    if not colon:
        raise argparse.ArgumentTypeError(f"'{text}' is no NRPN; write coarse:fine, such as 1:8")
    first = _number(coarse, "coarse number", 0, 127)
    return tuple((first, second) for second in numbers(fine, "fine number", 0, 127))


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
