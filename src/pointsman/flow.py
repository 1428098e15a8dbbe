"""What can stand at a place in a chain, as far as a rig's text tells: for advice, not for sound."""

from __future__ import annotations

from typing import NamedTuple

from pointsman.message import KIND_BY_KEY, Kind, channel_of_key, key_of


class Flow(NamedTuple):
    """Messages of one kind, on one channel (0-15; None for system messages).

    `control` is the number of a control change; None is any that no entry of the chain names.
    `low` and `high` are the lowest and highest note of note-ons (their note-offs and key pressure
    go with them); None is whatever comes in.
    """

    kind: Kind
    channel: int | None = None
    control: int | None = None
    low: int | None = None
    high: int | None = None


def flow_of(message: bytes) -> Flow:
    """The flow that one legal message belongs to."""
    key = key_of(message)
    kind = KIND_BY_KEY[key]
    control = message[1] if kind is Kind.CONTROL else None
    note = message[1] if kind is Kind.NOTE_ON else None
    return Flow(kind, channel_of_key(key), control, note, note)
