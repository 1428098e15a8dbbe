"""Which controls a sweep is to move, from what a player asks for and a device file says."""

from __future__ import annotations

import argparse
from collections.abc import Callable, Iterator
from dataclasses import replace
from difflib import get_close_matches

from pointsman.control_refs import ControlRef
from pointsman.controls import CONTROL_BY_NAME, LAST_CONTROL
from pointsman.device import Device
from pointsman.errors import UsageError
from pointsman.options import as_int
from pointsman.probing.homes import home_of
from pointsman.probing.moving import SKIPPED, Move

Last = Callable[[int], int | None]
"""What a running service sent a control (0-119) last, where that is known."""


def choose(
    options: argparse.Namespace, device: Device | None, last: Last
) -> tuple[tuple[Move, ...], list[str]]:
    """The moves, and lines about what is left out. UsageError where nothing is left."""
    left_out: list[str] = []
    moves = []
    for ref, known_as in _wanted(options, device):
        why = SKIPPED.get(ref.cc) if ref.cc is not None else None
        if why is None:
            moves.append(_move(ref, known_as, options, last))
        else:
            left_out.append(f"left out: control {ref.cc}, {why}")
    if not moves:
        raise UsageError("; ".join(left_out))
    return tuple(moves), left_out


def _wanted(options: argparse.Namespace, device: Device | None) -> Iterator[tuple[ControlRef, str]]:
    if options.controls:
        for number in options.controls:
            yield _by_number(number, device)
    elif options.nrpn:
        for coarse, fine in options.nrpn:
            yield _known(ControlRef("", parameter=(False, coarse, fine)), device)
    elif options.name is not None:
        yield _by_name(options.name, device)
    else:
        number = as_int(options.control)
        if number is None:
            yield _by_name(options.control, device)
        elif 0 <= number <= LAST_CONTROL:
            yield _by_number(number, device)
        else:
            raise UsageError(
                f"--control {number}: "
                + ("a channel mode message, which sweep never sends" if number < 128 and number > 0
                   else "no control")
                + f"; write 0 to {LAST_CONTROL}, or a name"
            )  # fmt: skip


def _by_number(number: int, device: Device | None) -> tuple[ControlRef, str]:
    return _known(ControlRef(str(number), cc=number), device)


def _known(ref: ControlRef, device: Device | None) -> tuple[ControlRef, str]:
    """The control of the device that is reached so, with its name; else the bare one."""
    for name, known in device.controls.items() if device else ():
        if known.parameter == ref.parameter and known.cc == ref.cc and known.sysex is None:
            return known, name
    return ref, ""


def _by_name(name: str, device: Device | None) -> tuple[ControlRef, str]:
    if device is not None and name in device.controls:
        return device.controls[name], name
    if name in CONTROL_BY_NAME:
        return _by_number(CONTROL_BY_NAME[name], device)
    near = get_close_matches(name, [*(device.controls if device else ()), *CONTROL_BY_NAME], n=1)
    right = f"did you mean '{near[0]}'?" if near else "write a name of the device file, or a number"
    raise UsageError(f"'{name}' is no control; {right}")


def _move(ref: ControlRef, known_as: str, options: argparse.Namespace, last: Last) -> Move:
    low, high = sorted(options.range or ref.range or (0, ref.top))
    for what, value in (("--range", high), ("--home", options.home or 0)):
        if value > ref.top:
            raise UsageError(f"{what}: {value} is too much for this control; write 0 to {ref.top}")
    sent = last(ref.cc) if ref.is_plain and ref.cc is not None else None
    home = home_of(ref, told=options.home, last=sent)
    return Move(replace(ref, name=known_as or ref.name), low, high, home, known_as)
