"""Device files: a YAML file that describes one synth, read and checked.

The rows of the published MIDI implementation chart (MIDI 1.0, 4.2.1, pp. A-7, A-8; RP-028) are
the model for what can be said here.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

from pydantic import BeforeValidator, ConfigDict, Field, WithJsonSchema, model_validator

from pointsman.control_refs import ControlRef, parse_sysex
from pointsman.controls import LAST_CONTROL
from pointsman.device import Device
from pointsman.errors import Problem
from pointsman.options import Channel, Context, NoteNumber, Value, Whole
from pointsman.rig_model import Part
from pointsman.validation import Report, check
from pointsman.yaml_tree import Node, read_tree

FourteenBit = Annotated[int, Whole(0, 16383, "a value")]
Cc = Annotated[int, Whole(0, LAST_CONTROL, "a control")]
Receives = Literal[
    "note", "velocity", "control", "bend", "program", "channel_pressure", "key_pressure",
    "sysex", "clock", "transport", "song_position", "song_select", "active_sensing",
]  # fmt: skip


class ControlPart(Part):
    """One control: how it is reached, where it rests, how far it goes."""

    cc: Annotated[Cc | None, Field(description="its control number")] = None
    fine: Annotated[Cc | None, Field(description="the fine half of a 14-bit pair, 32-63")] = None
    nrpn: Annotated[tuple[Value, Value] | None, Field(description="[coarse, fine]")] = None
    rpn: Annotated[tuple[Value, Value] | None, Field(description="[coarse, fine]")] = None
    sysex: Annotated[
        tuple[bytes, bytes] | None,
        BeforeValidator(parse_sysex),
        WithJsonSchema({"type": "string"}),
        Field(description="hex with {value} in it"),
    ] = None
    home: Annotated[FourteenBit | None, Field(description="the value it rests at")] = None
    range: Annotated[
        tuple[FourteenBit, FourteenBit] | None, Field(description="[lowest, highest]")
    ] = None
    about: Annotated[str, Field(description="what it does")] = ""

    @model_validator(mode="after")
    def _one_way(self) -> ControlPart:
        ways = [way for way in ("cc", "nrpn", "rpn", "sysex") if getattr(self, way) is not None]
        if len(ways) != 1:
            found = " and ".join(ways) or "none"
            raise ValueError(f"it is reached by {found}; write exactly one of cc, nrpn, rpn, sysex")
        if self.fine is not None and (self.cc is None or self.cc > 31 or self.fine != self.cc + 32):
            raise ValueError("'fine' does not go with 'cc'; write cc 0 to 31 and fine 32 above it")
        top = 127 if self.fine is None else 16383
        for what, value in (("home", self.home), *(("range", end) for end in self.range or ())):
            if value is not None and value > top:
                raise ValueError(f"'{what}' has {value} in it; write 0 to {top}")
        return self

    def ref(self, name: str, channel: int) -> ControlRef:
        """The control as plugins take it; `channel` (0-15) is the synth's."""
        parameter = None
        if self.nrpn or self.rpn:
            parameter = (self.rpn is not None, *(self.rpn or self.nrpn or (0, 0)))
        return ControlRef(
            name, self.cc, self.fine, parameter, self.sysex, channel, self.home, self.range
        )


class DevicePart(Part):
    """One synth."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    device: Annotated[str, Field(description="its name")]
    channel: Annotated[Channel | None, Field(description="its basic channel")] = None
    voices: Annotated[
        Annotated[int, Whole(1, 2048)] | None, Field(description="how many notes it plays at once")
    ] = None
    receives: Annotated[
        list[Receives] | None, Field(description="the kinds of message it hears; default all")
    ] = None
    notes: Annotated[
        tuple[NoteNumber, NoteNumber] | None, Field(description="its lowest and highest note")
    ] = None
    controls: dict[str, ControlPart] = Field(
        default_factory=dict, description="its controls by name"
    )


def load_device(
    path: Path, shown: str, middle_c_octave: int
) -> tuple[Device | None, list[Problem]]:
    """Read one device file; `shown` is its path as problems show it. OSError as `open` raises."""
    part, _, problems = read_device(path, shown, middle_c_octave)
    if part is None:
        return None, problems
    channel = (part.channel or 1) - 1
    controls = {name: control.ref(name, channel) for name, control in part.controls.items()}
    receives = None if part.receives is None else tuple(part.receives)
    return Device(part.device, part.channel, part.voices, receives, part.notes, controls), []


def read_device(
    path: Path, shown: str, middle_c_octave: int = 4
) -> tuple[DevicePart | None, Node | None, list[Problem]]:
    """The same as the file has it, remarks and all, with the tree that says where it stands."""
    root, problems = read_tree(path, shown)
    if root is None or problems:
        return None, root, problems
    report = Report(shown)
    if not root.is_map:
        report.add(root, (), "a device file is a mapping; begin it with device: NAME")
        return None, root, report.problems
    part = check(DevicePart, root, (), report, Context(None, middle_c_octave))
    return part, root, report.problems
