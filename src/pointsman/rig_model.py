"""What a rig file may say, declared once: the checks, the schema and the docs come from here.

Chains and openings are lists of anything at this level: what stands in them depends on the plugin
and on the output's device, so `rig_file` reads them entry by entry.
"""

from __future__ import annotations

import re
from typing import Annotated, Any, Literal

from pydantic import (
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    ValidationInfo,
    WithJsonSchema,
    field_validator,
    model_validator,
)

from pointsman.control_refs import ControlRef
from pointsman.message import program_change
from pointsman.options import (
    SHOWN,
    Channel,
    Channels,
    Control,
    NoteNumber,
    Program,
    Time,
    Whole,
)
from pointsman.rig import Press
from pointsman.units import Duration, parse_duration

MIDDLE_C_OCTAVES = {"C3": 3, "C4": 4}
WIRE_RATES = {"din": 3125, "usb": None, "free": None}
"""Bytes a second by name. DIN: 31,250 baud and 10 bits a byte (CA-033, p. 2)."""

Wire = Annotated[
    int | Literal["din", "usb", "free"],
    Whole(1, 100_000_000, "a number of bytes per second", ("din", "usb", "free")),
]


def _read_span(value: object) -> Duration:
    duration = value if isinstance(value, Duration) else parse_duration(str(value))
    if duration.clocks is not None:
        raise ValueError(f"'{value}' depends on the tempo; write a time in ms or s, such as 5ms")
    return duration


Span = Annotated[Time, BeforeValidator(_read_span)]
"""A duration that cannot depend on the tempo."""

Items = Annotated[list[Any], BeforeValidator(lambda value: [] if value is None else value)]


class Part(BaseModel):
    """The base of every part of a rig: no key beside the declared ones."""

    model_config = ConfigDict(extra="forbid", frozen=True, arbitrary_types_allowed=True)


class InputPart(Part):
    """The one input."""

    port: Annotated[str, Field(description="the port to read; see docs/ports.md")]
    chain: Annotated[Items, Field(description="plugins before the split")] = []


class OutputPart(Part):
    """One output: a port, what is known of the synth behind it, and a chain."""

    port: Annotated[str, Field(description="the port to write; see docs/ports.md")]
    device: Annotated[
        str | None, Field(description="the synth's device file, relative to the rig file")
    ] = None
    wire: Annotated[Wire, Field(description="what carries the bytes, and how fast")] = "free"
    delay: Annotated[
        Span, Field(description="a constant delay, to line up slow and fast synths")
    ] = Duration("0ms")
    active_sensing: Annotated[
        Literal["drop", "pass"], Field(description="whether active sensing (FE) goes on")
    ] = "drop"
    opening: Annotated[Items, Field(description="messages sent when the port opens")] = []
    restore: Annotated[
        Literal["last", "opening", "none"],
        Field(description="what a port that comes back is sent"),
    ] = "last"
    chain: Annotated[Items, Field(description="the plugins, in order")] = []


Release = Literal["release", "none"]


class PressPart(Part):
    """A key or a switch of the input: a note, or a control, on a channel."""

    note: Annotated[NoteNumber | None, Field(description="a note-on of this key")] = None
    control: Annotated[
        Control | None, Field(description="a value of 64 and above of this control")
    ] = None
    channel: Channel

    @model_validator(mode="after")
    def _one_of_both(self) -> PressPart:
        if (self.note is None) == (self.control is None):
            raise ValueError(
                "it is a note or a control, one of both; write for example {note: C0, channel: 16}"
            )
        if self.control is not None:
            _plain(self.control)
        return self

    def press(self) -> Press:
        """What the engine takes."""
        number = self.control.cc if self.control else None
        return Press(self.channel - 1, self.note, number)


def _plain(control: ControlRef) -> None:
    if not control.is_plain:
        raise ValueError(f"'{control.name}' takes more than one message; write a control 0 to 119")


class SafetyPart(Part):
    """When to release: note-offs for what sounds, and home for every control that is away."""

    on_exit: Annotated[Release, Field(description="when Pointsman ends")] = "release"
    on_transport_stop: Annotated[Release, Field(description="when Stop comes in")] = "none"
    on_input_lost: Annotated[Release, Field(description="when the input vanishes")] = "release"
    longest_note: Annotated[
        Span, Field(description="a note that lasts longer is ended; 0s: no limit")
    ] = Duration("0s")
    panic: Annotated[
        PressPart | None, Field(description="the key or switch of the input that calls for silence")
    ] = None


Meter = Annotated[
    str,
    BeforeValidator(lambda value: str(value)),
    WithJsonSchema({"type": "string", SHOWN: "a meter"}),
]
_METER = re.compile(r"([1-9]\d?)/(1|2|4|8|16|32)")
_WHOLE_NOTE = 96


class ChoosePart(Part):
    """A control of the input whose value chooses a song."""

    control: Annotated[Control, Field(description="value 1 is the first song, 0 the rig itself")]
    channel: Channel

    @field_validator("control")
    @classmethod
    def _is_plain(cls, control: ControlRef) -> ControlRef:
        _plain(control)
        return control


class SongsPart(Part):
    """Rigs that this rig can change to while it plays, and what chooses them."""

    rigs: Annotated[
        dict[str, str],
        Field(min_length=1, description="each song with its rig file, relative to this one"),
    ]
    program_channel: Annotated[
        Channel | None,
        Field(description="program changes on it choose: program 1 is the first song"),
    ] = None
    control: Annotated[ChoosePart | None, Field(description="a control whose value chooses")] = None
    change: Annotated[
        Literal["now", "bar"],
        Field(description="bar: at the next bar, while the transport runs"),
    ] = "now"
    meter: Annotated[Meter, Field(description="what a bar is: 3/4, 7/8 and so on")] = "4/4"

    @field_validator("meter")
    @classmethod
    def _is_meter(cls, meter: str) -> str:
        if not _METER.fullmatch(meter):
            raise ValueError(f"'{meter}' is no meter; write for example 4/4, 3/4 or 7/8")
        return meter

    @property
    def bar_clocks(self) -> int:
        """The length of a bar in clocks."""
        beats, unit = (int(part) for part in self.meter.split("/"))
        return beats * _WHOLE_NOTE // unit


class PluginsPart(Part):
    """Where else to look for plugins."""

    folders: Annotated[
        list[str], Field(description="folders of plugin files, relative to the rig file")
    ] = []


Chains = Annotated[
    dict[str, Items], Field(description="chains by name; `- use: NAME` puts one into a chain")
]
Include = Annotated[
    tuple[str, ...],
    BeforeValidator(lambda value: value if isinstance(value, list) else [value]),
    WithJsonSchema({"anyOf": [{"type": "string"}, {"type": "array", "items": {"type": "string"}}]}),
    Field(description="files whose named chains can be used, relative to this file"),
]


class IncludedPart(Part):
    """A file that a rig includes: named chains, and further files."""

    chains: Chains = {}
    include: Include = ()


class RigPart(Part):
    """A rig: one input, several outputs, and a chain of plugins on each."""

    rig: Annotated[str, Field(description="a name, for logs and pages")] = ""
    middle_c: Annotated[Literal["C4", "C3"], Field(description="which name note 60 has")] = "C4"
    input: InputPart
    outputs: Annotated[dict[str, OutputPart], Field(description="the outputs by name")]
    safety: SafetyPart = SafetyPart()
    songs: SongsPart | None = None
    plugins: PluginsPart = PluginsPart()
    chains: Chains = {}
    include: Include = ()


class EntryPart(Part):
    """What every entry of a chain may say beside the options of its plugin."""

    plugin: Annotated[str, Field(description="which plugin")]
    label: Annotated[str | None, Field(description="a name to show")] = None
    channels: Annotated[
        Channels | None, Field(description="the channels it acts on; all else passes untouched")
    ] = None
    bypass: Annotated[bool, Field(description="leave this entry out for now")] = False


class UsePart(Part):
    """The place in a chain where a named chain is put in."""

    use: Annotated[str, Field(description="the name of a chain under chains:")]


class ProgramOpening(Part):
    """A program change that is sent when the port opens."""

    program: Annotated[Program, Field(description="the program, counted from 1")]
    channel: Channel

    def messages(self) -> list[bytes]:
        """The program change as bytes."""
        return [program_change(self.channel - 1, self.program - 1)]


class ControlOpening(Part):
    """A control change that is sent when the port opens."""

    control: Control
    value: Annotated[int, Whole(0, 16383, "a value")]
    channel: Channel

    @field_validator("value")
    @classmethod
    def _within(cls, value: int, info: ValidationInfo) -> int:
        control = info.data.get("control")
        if control is not None and value > control.top:
            raise ValueError(f"'{value}' is out of range; write 0 to {control.top}")
        return value

    def messages(self) -> list[bytes]:
        """The messages that set the control."""
        return self.control.messages(self.channel - 1, self.value)
