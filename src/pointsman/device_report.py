"""What a device file says, as a table for the terminal or as plain data."""

from __future__ import annotations

from typing import Any

from pointsman.device_file import ControlPart, DevicePart
from pointsman.tables import table
from pointsman.units import note_name

_HEADS = ("control", "reached by", "range", "home", "about")


def show_device(part: DevicePart) -> str:
    """The synth, and below it its controls."""
    heard = "everything" if part.receives is None else ", ".join(part.receives) or "nothing"
    facts = [
        ("device", part.device),
        ("channel", part.channel),
        ("voices", part.voices),
        ("receives", heard),
        ("notes", None if part.notes is None else _notes(*part.notes)),
    ]
    width = max(len(name) for name, _ in facts)
    lines = [f"{name.ljust(width)}  {_shown(value)}" for name, value in facts]
    rows = [_row(name, control) for name, control in part.controls.items()]
    controls = table(_HEADS, rows) if rows else "It lists no controls."
    return "\n".join([*lines, "", controls])


def device_data(part: DevicePart) -> dict[str, Any]:
    """The same as plain data, in the words of the device file."""
    return {
        "device": part.device,
        "channel": part.channel,
        "voices": part.voices,
        "receives": part.receives,
        "notes": part.notes,
        "controls": {name: _control_data(control) for name, control in part.controls.items()},
    }


def way(control: ControlPart) -> str:
    """How a control is reached, in the words of the device file."""
    if control.cc is not None:
        return f"cc {control.cc}" + (f", fine {control.fine}" if control.fine is not None else "")
    for kind, pair in (("nrpn", control.nrpn), ("rpn", control.rpn)):
        if pair is not None:
            return f"{kind} {pair[0]} {pair[1]}"
    return f"sysex {_message(control)}"


def _row(name: str, control: ControlPart) -> tuple[object, ...]:
    low_high = None if control.range is None else f"{control.range[0]} to {control.range[1]}"
    return name, way(control), low_high, control.home, control.about


def _notes(low: int, high: int) -> str:
    return f"{low} to {high} ({note_name(low)} to {note_name(high)}, where C4 is 60)"


def _shown(value: object) -> str:
    return "not said" if value is None else str(value)


def _message(control: ControlPart) -> str:
    before, after = control.sysex or (b"", b"")
    return f"{before.hex(' ')} {{value}} {after.hex(' ')}".upper().replace("{VALUE}", "{value}")


def _control_data(control: ControlPart) -> dict[str, Any]:
    data = control.model_dump(exclude_none=True, exclude={"sysex"}, exclude_defaults=True)
    if control.sysex is not None:
        data["sysex"] = _message(control)
    return data
