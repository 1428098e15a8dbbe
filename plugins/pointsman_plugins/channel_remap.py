"""channel_remap: moves messages from one channel to another, or to several.

How this works. Every channel has a *way*, the step that takes its messages where they go. After
`inherit` notes may be held that went another way: then each key has its own, which its next note-on
renews, and a note-off and key pressure go the way of their note-on. So notes that are held while a
rig changes are let go where they went, for the entries further on as well.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated, Literal, Self

from pydantic import Field

from pointsman.plugin import (
    NOTE_KINDS,
    Channel,
    Channels,
    Emission,
    Flow,
    Host,
    Kind,
    Made,
    Plugin,
    PluginOptions,
    Step,
    hookimpl,
    stateless,
    to_channel,
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


class ChannelRemap(Plugin[ChannelRemapOptions]):
    """Moves messages from one channel to another, or to several."""

    name = "channel_remap"
    Options = ChannelRemapOptions

    def __init__(self, options: ChannelRemapOptions, host: Host) -> None:
        super().__init__(options, host)
        others = _drop if options.others == "drop" else _stay
        self._ways = [
            _way(channel, options.map[channel]) if channel in options.map else others
            for channel in range(1, 17)
        ]
        self._ways_of_keys: list[Step] | None = None

    def step_for(self, kind: Kind, channel: int | None) -> Step | None:
        """Only channels that move or are dropped concern us; system messages have none."""
        if channel is None:
            return None
        if self._ways_of_keys is not None and kind in NOTE_KINDS:
            return self._begin if kind is Kind.NOTE_ON else self._follow
        way = self._ways[channel]
        return None if way is _stay else way

    def _begin(self, data: bytes, t_ns: int) -> Made:
        assert self._ways_of_keys is not None
        way = self._ways_of_keys[_key(data)] = self._ways[data[0] & 0x0F]
        return way(data, t_ns)

    def _follow(self, data: bytes, t_ns: int) -> Made:
        assert self._ways_of_keys is not None
        return self._ways_of_keys[_key(data)](data, t_ns)

    def inherit(self, former: Self, t_ns: int) -> None:
        """Notes that are held are let go on the channels to which they went."""
        ways = [way for way in former._ways for _ in range(128)]
        self._ways_of_keys = former._ways_of_keys or ways


def _key(note: bytes) -> int:
    return (note[0] & 0x0F) << 7 | note[1]


@stateless
def _drop(data: bytes, t_ns: int) -> None:
    return None


@stateless
def _stay(data: bytes, t_ns: int) -> bytes:
    return data


def _way(channel: int, targets: Sequence[int]) -> Step:
    """The step that moves messages of `channel` to these channels (all 1-16)."""
    moves = [to_channel(target - 1) for target in targets]

    @stateless
    def copy(data: bytes, t_ns: int) -> Emission:
        return [move(data, t_ns) for move in moves]

    if len(moves) > 1:
        return copy
    return _stay if targets[0] == channel else moves[0]


@hookimpl
def pointsman_plugins() -> list[type[ChannelRemap]]:
    """Offer channel_remap."""
    return [ChannelRemap]
