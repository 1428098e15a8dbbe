"""What a probe asks of the world, one step after the other, and what it is told back.

A probe is a generator: it yields steps and is sent what came of each (`Play` a `Witness`, `Ask` a
bool, the rest None). It opens nothing and reads no clock, so it is played as well by a test as
by `stage.py`. Times are whole nanoseconds from the beginning of the step.
"""

from __future__ import annotations

from collections.abc import Callable, Generator
from dataclasses import dataclass
from typing import Any, TypeVar

ResultT = TypeVar("ResultT")

Timed = tuple[int, bytes]


@dataclass(frozen=True, slots=True)
class Say:
    """Show a line, now."""

    text: str


@dataclass(frozen=True, slots=True)
class Ask:
    """A question that yes or no answers; Enter alone says `default`."""

    question: str
    default: bool


@dataclass(frozen=True, slots=True)
class Play:
    """Send `events` at their times, show `marks` at theirs, and watch for `length_ns`.

    With `until_line` a line that is typed ends it: what sounds then is ended as well.
    """

    events: tuple[Timed, ...]
    length_ns: int
    marks: tuple[tuple[int, str], ...] = ()
    until_line: bool = False


@dataclass(frozen=True, slots=True)
class Witness:
    """What was noticed while a step was played, each with its time.

    `lines` are those that were typed, `heard` the messages of the synth's own output, `levels`
    what a meter said.
    """

    lines: tuple[tuple[int, str], ...] = ()
    heard: tuple[Timed, ...] = ()
    levels: tuple[tuple[int, float], ...] = ()
    no_more: bool = False
    """The person has gone: Ctrl-D, or the terminal was closed."""


@dataclass(frozen=True, slots=True)
class Away:
    """From now on `back` puts something back that is to be moved, however this ends."""

    what: str
    back: tuple[bytes, ...]


@dataclass(frozen=True, slots=True)
class PutBack:
    """Send what the `Away` of this name asks for, and forget it."""

    what: str


@dataclass(frozen=True, slots=True)
class Save:
    """Write a control into the device file under a name. Told back: whether it is, and a line."""

    control: Any
    name: str
    about: str = ""


Step = Say | Ask | Play | Away | PutBack | Save
Probe = Generator[Step, Any, ResultT]


def perform(probe: Probe[ResultT], do: Callable[[Step], Any]) -> ResultT:
    """Have every step done, and what came of it told back; the probe's result."""
    reply: Any = None
    while True:
        try:
            step = probe.send(reply)
        except StopIteration as end:
            found: ResultT = end.value
            return found
        reply = do(step)
