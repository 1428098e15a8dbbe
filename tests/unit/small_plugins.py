"""Plugins for the tests of chains, each with one habit."""

from __future__ import annotations

from typing import ClassVar

from pointsman.plugin import Emission, Kind, Plugin, PluginOptions, Step


class Returning(PluginOptions):
    """What a Speaker returns, in hex, messages parted by commas; empty for an empty list."""

    says: str


class Speaker(Plugin[Returning]):
    """Answers every control with what it was told to."""

    name = "speaker"
    Options = Returning

    def on_control(self, data: bytes, t_ns: int) -> Emission:
        """Say it."""
        if self.options.says in ("the same", "none"):
            return data if self.options.says == "the same" else None
        messages = [bytes.fromhex(text) for text in self.options.says.split(",") if text]
        return messages[0] if len(messages) == 1 else messages


class Up(Plugin[PluginOptions]):
    """Moves every note up by one; asked kind by kind, it notes what it was asked."""

    name = "up"
    asked: ClassVar[list[tuple[Kind, int | None]]] = []

    def step_for(self, kind: Kind, channel: int | None) -> Step | None:
        """Note-ons concern it."""
        self.asked.append((kind, channel))
        return self._up if kind is Kind.NOTE_ON else None

    @staticmethod
    def _up(data: bytes, t_ns: int) -> Emission:
        return bytes((data[0], data[1] + 1, data[2]))


class Raises(Plugin[PluginOptions]):
    """Raises at every control."""

    name = "raises"

    def on_control(self, data: bytes, t_ns: int) -> Emission:
        """Raise."""
        raise ZeroDivisionError("by nought")
