"""channel_remap: moves messages from one channel to another, or to several."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated, Literal

from pydantic import Field

from pointsman.plugin import (
    Channel,
    Channels,
    Emission,
    Kind,
    Plugin,
    PluginOptions,
    Step,
    hookimpl,
)


class ChannelRemapOptions(PluginOptions):
    """What channel_remap can be told."""

    map: Annotated[
        dict[Channel, Channels],
        Field(description="for each channel that comes in, the channel or channels it goes to"),
    ]
    others: Annotated[
        Literal["pass", "drop"], Field(description="what becomes of channels not in the map")
    ] = "pass"


class ChannelRemap(Plugin[ChannelRemapOptions]):
    """Moves messages from one channel to another, or to several."""

    name = "channel_remap"
    Options = ChannelRemapOptions

    def step_for(self, kind: Kind, channel: int | None) -> Step | None:
        """Only channels that move or are dropped concern us; system messages have none."""
        if channel is None:
            return None
        targets = self.options.map.get(channel + 1)
        if targets is None:
            return _drop if self.options.others == "drop" else None
        if targets == (channel + 1,):
            return None
        return _move(kind, channel, [target - 1 for target in targets])


def _drop(data: bytes, t_ns: int) -> None:
    return None


def _move(kind: Kind, channel: int, targets: Sequence[int]) -> Step:
    """The step that moves messages of one kind; it changes the status byte and nothing else."""

    def heads(data: bytes) -> list[bytes]:
        return [bytes(((data[0] & 0xF0) | target,)) for target in targets]

    if kind is Kind.NOTE_OFF:  # also a note-on with velocity 0, so the status byte varies

        def move_off(data: bytes, t_ns: int) -> Emission:
            return [head + data[1:] for head in heads(data)]

        return move_off

    status = _STATUS[kind]
    ready = [bytes((status | target,)) for target in targets]
    if len(ready) == 1:
        head = ready[0]

        def move(data: bytes, t_ns: int) -> Emission:
            return head + data[1:]

        return move

    def copy(data: bytes, t_ns: int) -> Emission:
        tail = data[1:]
        return [head + tail for head in ready]

    return copy


_STATUS = {
    Kind.NOTE_ON: 0x90,
    Kind.KEY_PRESSURE: 0xA0,
    Kind.CONTROL: 0xB0,
    Kind.MODE: 0xB0,
    Kind.PROGRAM: 0xC0,
    Kind.CHANNEL_PRESSURE: 0xD0,
    Kind.BEND: 0xE0,
}


@hookimpl
def pointsman_plugins() -> list[type[ChannelRemap]]:
    """Offer channel_remap."""
    return [ChannelRemap]
