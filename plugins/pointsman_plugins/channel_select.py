"""channel_select: a control's value picks the channel of what follows, from step to step.

How this works. `_channel` is the channel that was picked last, or the default. A note goes there,
and is remembered with it in `_held`, so that its note-off and its key pressure go there too
whatever is picked in the meantime. Everything else that moves goes to `_channel` as it comes.
"""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import BeforeValidator, Field, WithJsonSchema

from pointsman.plugin import (
    REST_OF_ENTRY,
    Channel,
    Context,
    Control,
    ControlReader,
    Emission,
    Flow,
    HeldNotes,
    Host,
    Kind,
    OptionProblem,
    Plugin,
    PluginOptions,
    Step,
    Whole,
    clears_notes,
    hookimpl,
    note_off,
    read_on,
)

BANK_SELECT = frozenset({0, 32})
"""Both halves belong to the program change after them (MIDI 1.0, 4.2.1, p. 13)."""

Movable = Literal["control", "bend", "channel_pressure", "key_pressure", "program"]
Picked = Annotated[int, Whole(0, 16383, "a value")]


def _read_to(value: object) -> object:
    """`direct` is the map of each value from 1 to 16 to the channel of that number."""
    if value == "direct":
        return {channel: channel for channel in range(1, 17)}
    if isinstance(value, str):
        raise ValueError(
            f"'{value}' is neither a mapping nor direct; write direct, or values and channels, "
            "for example {0: 1, 64: 5}"
        )
    return value


To = Annotated[
    dict[Picked, Channel],
    BeforeValidator(_read_to),
    WithJsonSchema(
        {
            "anyOf": [
                {
                    "type": "object",
                    "additionalProperties": {"type": "integer", "minimum": 1, "maximum": 16},
                },
                {"enum": ["direct"]},
            ]
        }
    ),
]


class ChannelSelectOptions(PluginOptions):
    """What channel_select can be told."""

    control: Annotated[Control, Field(description="the control that picks; it does not go on")]
    from_channel: Annotated[Channel, Field(description="the channel on which it all comes in")]
    to: Annotated[
        To,
        Field(
            min_length=1,
            description="for each value the channel that it picks; direct: values 1 to 16 pick "
            "the channel of that number",
        ),
    ]
    default: Annotated[
        int | Literal["stay"],
        Whole(1, 16, "a channel", ("stay",)),
        Field(description="the channel until one is picked; stay: the one it comes in on"),
    ] = "stay"
    also: Annotated[
        list[Movable],
        Field(description="what moves to the picked channel beside notes"),
    ] = []  # noqa: RUF012 - pydantic copies it

    picks_one = True

    def foresee(self, flow: Flow) -> list[Flow]:
        """What moves may go to each of the channels; the control that picks goes nowhere."""
        if flow.channel != self.from_channel - 1:
            return [flow]
        if flow.kind is Kind.CONTROL and flow.control is not None:
            if flow.control in (self.control.cc, self.control.fine):
                return []
            moves = ("program" if flow.control in BANK_SELECT else "control") in self.also
        else:
            moves = flow.kind is Kind.NOTE_ON or flow.kind.value in self.also
        if not moves:
            return [flow]
        default = self.from_channel if self.default == "stay" else self.default
        channels = dict.fromkeys((default, *self.to.values()))
        return [flow._replace(channel=channel - 1) for channel in channels]

    def problems(self, context: Context) -> list[OptionProblem]:
        """The control must be able to have each of the values."""
        top = self.control.top
        return [
            OptionProblem(
                ("to", str(value)),
                f"'{value}' is more than this control can be; write 0 to {top}",
            )
            for value in self.to
            if value > top
        ]


Picking = tuple[int | None, int]
"""The value that picked, None if it was one of another control; the channel (0-15) it picked."""


class ChannelSelect(Plugin[ChannelSelectOptions]):
    """A control's value picks the channel of what follows, from step to step."""

    name = "channel_select"
    Options = ChannelSelectOptions

    def __init__(self, options: ChannelSelectOptions, host: Host) -> None:
        super().__init__(options, host)
        self._from = options.from_channel - 1
        self._default = self._from if options.default == "stay" else options.default - 1
        self._channel = self._default
        self._picked: Picking | None = None
        self._left: tuple[int, Picking | None] = (-1, None)
        self._reader = ControlReader([options.control])
        self._also: frozenset[str] = frozenset(options.also)
        self._moves_controls = Kind.CONTROL in self._also
        self._moves_banks = Kind.PROGRAM in self._also
        self._held: HeldNotes[int] = HeldNotes()

    def step_for(self, kind: Kind, channel: int | None) -> Step | None:
        """Only the one channel concerns us, and a SysEx control, which has none."""
        if kind is Kind.SYSEX:
            return self._on_picking_sysex if self._reader.reads_sysex else None
        if channel != self._from:
            return None
        if kind in (Kind.BEND, Kind.CHANNEL_PRESSURE, Kind.PROGRAM):
            return self._follow if kind in self._also else None
        if kind is Kind.KEY_PRESSURE and kind not in self._also:
            return None
        if kind is Kind.CONTROL and self.options.control.is_plain and not self._also:
            return self._on_picking_control
        return super().step_for(kind, channel)

    def _on_picking_control(self, data: bytes, t_ns: int) -> Emission:
        """The short way for a plain control where no other control moves."""
        if data[1] != self.options.control.cc:
            return data
        self._pick(data[2])
        return None

    def on_control(self, data: bytes, t_ns: int) -> Emission:
        """Pick and swallow, or treat it as the other controls."""
        found = self._reader.control(data)
        if found is not None:
            self._pick(found[1])
            return None
        if data[1] in REST_OF_ENTRY and self._picks_by_parameter():
            return None
        moves = self._moves_banks if data[1] in BANK_SELECT else self._moves_controls
        return self._to(self._channel, data) if moves else data

    def _on_picking_sysex(self, data: bytes, t_ns: int) -> Emission:
        found = self._reader.sysex(data)
        if found is None:
            return data
        self._pick(found[1])
        return None

    def _pick(self, value: int) -> None:
        channel = self.options.to.get(value)
        if channel is not None:
            self._channel = channel - 1
            self._picked = value, self._channel

    def _picks_by_parameter(self) -> bool:
        """Whether the stream has the NRPN or RPN selected that picks."""
        parameter = self.options.control.parameter
        return parameter is not None and self._reader.selected(self._from) == parameter

    def on_note_on(self, data: bytes, t_ns: int) -> Emission:
        """A note goes to the picked channel."""
        self._held.begin(data, self._channel)
        return self._to(self._channel, data)

    def on_note_off(self, data: bytes, t_ns: int) -> Emission:
        """Its note-off goes where it went."""
        channel = self._held.end(data)
        return self._to(self._channel if channel is None else channel, data)

    def on_key_pressure(self, data: bytes, t_ns: int) -> Emission:
        """So does its pressure."""
        channel = self._held.newest(data)
        return self._to(self._channel if channel is None else channel, data)

    def on_mode(self, data: bytes, t_ns: int) -> Emission:
        """Mode messages stay; what they end here is ended where it went, by note-offs.

        An All Notes Off over there would also end what others play on that channel.
        """
        if not clears_notes(data):
            return data
        elsewhere = self._held.take(self._from, lambda channel: channel != self._from)
        if not elsewhere:
            return data
        return [*(note_off(channel, note) for note, channel in elsewhere), data]

    def flush(self, t_ns: int) -> Emission:
        """Begin again at the default channel; the engine ends what sounds."""
        self._held.let_go(t_ns)
        self._left = t_ns, self._picked
        self._channel, self._picked = self._default, None
        return None

    def inherit(self, former: Self, t_ns: int) -> None:
        """What was picked stays picked, if it can still be; held notes keep their channel.

        The value that picked counts first: it may pick another channel now.
        """
        if former._from != self._from:
            return
        self._held.inherit(former._held, t_ns)
        read_on(self._reader, former._reader, [self.options.control])
        left_ns, picked = former._left
        if picked is None or left_ns != t_ns:
            return
        value, channel = picked
        if channel + 1 in self.options.to.values():
            self._channel = channel
            self._picked = None, channel
        if value is not None and former.options.control == self.options.control:
            self._pick(value)

    def _follow(self, data: bytes, t_ns: int) -> Emission:
        return self._to(self._channel, data)

    def _to(self, channel: int, data: bytes) -> bytes:
        if channel == self._from:
            return data
        return bytes((data[0] & 0xF0 | channel,)) + data[1:]


@hookimpl
def pointsman_plugins() -> list[type[ChannelSelect]]:
    """Offer channel_select."""
    return [ChannelSelect]
