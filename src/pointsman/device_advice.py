"""Advice on a device file: what is allowed in it, and will yet be missed by a rig that uses it."""

from __future__ import annotations

from collections.abc import Iterator

from pointsman.advice import UNLISTED
from pointsman.controls import CONTROL_BY_NAME, NAME_BY_CONTROL
from pointsman.device_file import ControlPart, DevicePart
from pointsman.device_report import way
from pointsman.errors import Problem
from pointsman.validation import Origin
from pointsman.yaml_tree import Node


def advise_device(part: DevicePart, root: Node, shown: str) -> list[Problem]:
    """What to say of a device file that is right, in the order of its lines."""
    origin = Origin(shown, root, ())
    found = [origin.problem(place, what) for place, what in (*_synth(part), *_controls(part))]
    return sorted(found, key=lambda problem: (problem.line, problem.column))


Remark = tuple[tuple[str | int, ...], str]


def _synth(part: DevicePart) -> Iterator[Remark]:
    if part.channel is None:
        yield (), "no channel: a rig cannot be checked for reaching it; add channel: 1 to 16"
    if part.voices is None:
        yield (), "no voices: note_limit cannot take voices: device; add voices: NUMBER"
    if part.notes is not None and part.notes[0] > part.notes[1]:
        yield ("notes",), f"the lowest note is above the highest; write {[*reversed(part.notes)]}"
    heard = part.receives
    if heard is not None:
        if "clock" not in heard:
            what = "it ignores clock, and a rig that sends it clock gets a warning"
            yield ("receives",), f"{what}; add clock if it follows one"
        if part.controls and "control" not in heard:
            what = "it has controls, and does not receive control; add control"
            yield ("receives",), what
        if "velocity" in heard and "note" not in heard:
            yield ("receives",), "it receives velocity, and no note; add note"
    if not part.controls:
        yield (), "no controls: a rig can name none; add controls:"


def _controls(part: DevicePart) -> Iterator[Remark]:
    first: dict[str, str] = {}
    for name, control in part.controls.items():
        place = ("controls", name)
        reached = way(control)
        if reached in first:
            yield place, f"{reached} has the name '{first[reached]}' already; keep one of the two"
        first.setdefault(reached, name)
        for inner, what in (*_rest(control), *_number(control)):
            yield (*place, *inner), what
        known = CONTROL_BY_NAME.get(name)
        if known is not None and known != control.cc:
            what = f"elsewhere '{name}' is control {known}, and here it is {reached}"
            yield place, f"{what}; name it otherwise, or mind the difference"


def _rest(control: ControlPart) -> Iterator[Remark]:
    if control.range is not None and control.range[0] > control.range[1]:
        low, high = control.range
        yield ("range",), f"it runs downwards; write [{high}, {low}]"
    elif control.range is not None and control.home is not None:
        low, high = control.range
        if not low <= control.home <= high:
            what = f"it rests at {control.home}, outside its range of {low} to {high}"
            yield ("home",), f"{what}; change the one or the other"
    if control.home is None and control.cc not in UNLISTED:
        yield (), "no home: nothing can put it back by itself; add home: VALUE"


def _number(control: ControlPart) -> Iterator[Remark]:
    if control.cc in UNLISTED:
        known = NAME_BY_CONTROL[control.cc]
        what = f"control {control.cc} is {known}, which belongs to programs, NRPNs and RPNs"
        yield (), f"{what}; leave it alone between them"
