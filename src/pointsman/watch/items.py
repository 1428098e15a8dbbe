"""What a source hands to a view, in order, and the rows that a view makes of it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import NamedTuple

from pointsman.watch.reading import Words
from pointsman.watch.setting import Setting


class Event(NamedTuple):
    """A message that came in (`output` is None) or went out; times are from the run's begin.

    `due`: nothing came at that very time; the time for it had come.
    """

    t_ns: int
    output: str | None
    data: bytes
    due: bool = False


@dataclass(frozen=True, slots=True)
class Lost:
    """So many events did not get here."""

    count: int


class Remark(NamedTuple):
    """Something that the player should know."""

    text: str


class Now(NamedTuple):
    """What sounds, by output, as (channel 1-16, note); where the song is, if it is known.

    `bar` counts from 1 in bars of 4/4; None where the song does not play or has not started.
    """

    sounding: Mapping[str, frozenset[tuple[int, int]]]
    playing: bool | None = None
    bar: int | None = None


Item = Event | Lost | Remark | Now | Setting
"""A `Setting`: from now on it is this that is watched. Times may begin anew."""


class Heard(NamedTuple):
    """A row: one message in words. `by_itself`: no message made it, its time had come."""

    event: Event
    words: Words
    by_itself: bool = False


class Told(NamedTuple):
    """A row: a remark, or a loss (`lost` is not 0)."""

    t_ns: int
    text: str
    lost: int = 0


@dataclass(frozen=True, slots=True)
class Summed:
    """A line in place of many: clocks, or active sensing, of the last `span_ns`."""

    t_ns: int
    output: str | None
    what: str
    count: int
    span_ns: int
    tempo: float | None = None
    jitter_us: Mapping[str, int] | None = None


Row = Heard | Told
