"""message_filter: lets kinds of message through, or keeps them out."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, model_validator

from pointsman.plugin import Flow, Kind, Plugin, PluginOptions, Step, hookimpl, kind_word, stateless

FilterKind = Literal[
    "note", "control", "program", "bend", "channel_pressure", "key_pressure", "sysex", "clock",
    "transport", "song_position", "song_select", "tune_request", "time_code", "active_sensing",
    "system_reset",
]  # fmt: skip


class MessageFilterOptions(PluginOptions):
    """What message_filter can be told: exactly one of the two lists."""

    pass_: Annotated[
        list[FilterKind] | None, Field(alias="pass", description="only these kinds go on")
    ] = None
    drop: Annotated[list[FilterKind] | None, Field(description="these kinds are dropped")] = None

    def passes(self, kind: Kind) -> bool:
        """Whether messages of this kind go on. Channel mode messages always do."""
        word = kind_word(kind)
        if kind is Kind.MODE:
            return True
        return word not in self.drop if self.drop is not None else word in (self.pass_ or ())

    def foresee(self, flow: Flow) -> list[Flow]:
        """What passes, passes as it is."""
        return [flow] if self.passes(flow.kind) else []

    @model_validator(mode="after")
    def _one_list(self) -> MessageFilterOptions:
        if (self.pass_ is None) == (self.drop is None):
            raise ValueError("it needs exactly one of 'pass' and 'drop'; write the one you mean")
        return self


class MessageFilter(Plugin[MessageFilterOptions]):
    """Lets kinds of message through, or keeps them out.

    Channel mode messages (All Notes Off and the like) have no word here and always pass: a
    filter must not keep a player's panic from the synth.
    """

    name = "message_filter"
    Options = MessageFilterOptions

    def step_for(self, kind: Kind, channel: int | None) -> Step | None:
        """What is dropped concerns us; what passes does not."""
        return None if self.options.passes(kind) else _drop


@stateless
def _drop(data: bytes, t_ns: int) -> None:
    return None


@hookimpl
def pointsman_plugins() -> list[type[MessageFilter]]:
    """Offer message_filter."""
    return [MessageFilter]
