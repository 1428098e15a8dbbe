"""channel_remap: moves messages from one channel to another, or to several."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated, Literal

from pydantic import Field

from pointsman.plugin import (
    Channel,
    Channels,
    Emission,
    Flow,
    Kind,
    Plugin,
    PluginOptions,
    Step,
    hookimpl,
    stateless,
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

    def foresee(self, flow: Flow) -> list[Flow]:
        """The channels to which a message goes."""
        if flow.channel is None:
            return [flow]
        stay = () if self.others == "drop" else (flow.channel + 1,)
        targets = self.map.get(flow.channel + 1, stay)
        return [flow._replace(channel=target - 1) for target in targets]


# What each byte becomes on each channel: only a status byte below F0 has one in it.
_TO_CHANNEL = [
    bytes(byte & 0xF0 | channel if 0x80 <= byte < 0xF0 else byte for byte in range(256))
    for channel in range(16)
]


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
        return _move([target - 1 for target in targets])


@stateless
def _drop(data: bytes, t_ns: int) -> None:
    return None


def _move(targets: Sequence[int]) -> Step:
    """The step that moves messages to these channels (0-15)."""
    tables = [_TO_CHANNEL[target] for target in targets]
    table = tables[0]

    @stateless
    def move(data: bytes, t_ns: int) -> Emission:
        return data.translate(table)

    @stateless
    def copy(data: bytes, t_ns: int) -> Emission:
        return [data.translate(table) for table in tables]

    return move if len(tables) == 1 else copy


@hookimpl
def pointsman_plugins() -> list[type[ChannelRemap]]:
    """Offer channel_remap."""
    return [ChannelRemap]
