"""What is known of one output: what came in, what became of each note, what its synth was told."""

from __future__ import annotations

from bisect import bisect_right
from collections import deque
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import Any, TypeVar

from pointsman.chain import Entry
from pointsman.control_refs import ControlRef
from pointsman.device import Device
from pointsman.message import Kind
from pointsman.rig import OutputSpec, Rig

AnswerT = TypeVar("AnswerT")

MOST_NOTES = 5_000
MOST_SETTINGS = 2_000
"""Of more, the newest count: a synth that is silent is so at the end."""


@dataclass
class Tally:
    """How many of one kind, and when the last came, in nanoseconds."""

    count: int = 0
    last_ns: int = 0

    def add(self, t_ns: int) -> None:
        """One more."""
        self.count += 1
        self.last_ns = t_ns


@dataclass(slots=True)
class NoteIn:
    """One note-on of the input. `stopped` is the entry that let nothing of it through.

    Neither `sent` nor `stopped`: it was taken for a key that means something to Pointsman, or
    the song that played did not have the output. The channel is 0-15.
    """

    t_ns: int
    channel: int
    note: int
    sent: int = 0
    stopped: Entry | None = None
    pressed: bool = False


@dataclass(slots=True)
class NoteOut:
    """One note-on that left the chain, as it would reach the synth were the wire free.

    `by` has the entries that gave it its channel, its note and its velocity, where one did.
    `ended_ns` and `ender`: when its note-off followed, and the entry that made that, if one did.
    `cut_ns` and `cutter`: when All Notes Off or All Sound Off followed before that.
    `left_ns`: when it left over the paced wire; None: it never did.
    """

    t_ns: int
    channel: int
    note: int
    velocity: int
    by: dict[str, Entry] = field(default_factory=dict)
    ended_ns: int | None = None
    ender: Entry | None = None
    cut_ns: int | None = None
    cut: Told | None = None
    left_ns: int | None = None


@dataclass(slots=True)
class Told:
    """Something that a synth was told. `t_ns` is None for what came before the first message.

    `entry` made it, of `cause`, a message of the input; None where there was none, or where that
    is not known any more.
    """

    t_ns: int | None
    value: int
    entry: Entry | None = None
    cause: bytes | None = None


class Setting:
    """The values that a control has had, in order."""

    def __init__(self, control: ControlRef) -> None:
        self.control = control
        self.values: deque[Told] = deque(maxlen=MOST_SETTINGS)

    @property
    def now(self) -> Told:
        """The last one."""
        return self.values[-1]

    def at(self, t_ns: int) -> Told | None:
        """The one that stood at a time; None: none yet."""
        place = bisect_right(
            self.values, t_ns, key=lambda told: -1 if told.t_ns is None else told.t_ns
        )
        return self.values[place - 1] if place else None


Key = tuple[int, str]
"""A channel (0-15), and how a control is called inside: its number, or its name in the device."""


@dataclass
class Evidence:
    """Everything about one output. Times are nanoseconds of one clock; `now_ns` is the end."""

    rig: Rig
    output: str
    spec: OutputSpec
    begun_ns: int = 0
    now_ns: int = 0
    came: dict[Kind, Tally] = field(default_factory=dict)
    notes_in: deque[NoteIn] = field(default_factory=lambda: deque(maxlen=MOST_NOTES))
    notes_out: deque[NoteOut] = field(default_factory=lambda: deque(maxlen=MOST_NOTES))
    left: dict[Kind, Tally] = field(default_factory=dict)
    settings: dict[Key, Setting] = field(default_factory=dict)
    programs: dict[int, list[Told]] = field(default_factory=dict)
    entries: list[tuple[str | None, Entry]] = field(default_factory=list)
    """Those of the input's chain (None) and of the output's, in the order of a message."""
    broken: bool = True
    """Whether the clock was running when the last message came, and no Stop has."""
    taken: list[tuple[int, int]] = field(default_factory=list)
    """The channel (0-15) and number of the notes that sound in the end."""
    live: Live | None = None
    _answers: dict[object, Any] = field(default_factory=dict, repr=False)
    freed: Evidence | None = None
    """The same with the entries in that are bypassed; None where none is."""

    @property
    def device(self) -> Device | None:
        """The synth, as far as the rig describes it."""
        return self.spec.device

    @property
    def last_ns(self) -> int | None:
        """When the last message came; None: none has."""
        return max((tally.last_ns for tally in self.came.values()), default=None)

    def once(self, question: Callable[[Evidence], AnswerT]) -> AnswerT:
        """The answer to a question about all of it, found once: rules ask for every note."""
        if question not in self._answers:
            self._answers[question] = question(self)
        answer: AnswerT = self._answers[question]
        return answer

    def hears(self, word: str) -> bool:
        """Whether the device file says that the synth receives this kind of message."""
        device = self.device
        return device is None or device.receives is None or word in device.receives


@dataclass
class Live:
    """What a running service says beside what came: its answer to `status`, and who listens.

    `listeners` and `players` are how many are connected to the output's and to the input's port;
    None: they are no ports of our own, or nobody knows.
    """

    status: dict[str, Any]
    listeners: int | None = None
    players: int | None = None
    remarks: list[str] = field(default_factory=list)

    @property
    def input(self) -> dict[str, Any]:
        """What it says of the input."""
        found: dict[str, Any] = self.status["input"]
        return found

    def output(self, name: str) -> dict[str, Any]:
        """What it says of an output."""
        found: dict[str, Any] = self.status["outputs"].get(name, {})
        return found

    def fault(self, output: str | None, place: int) -> str:
        """Why an entry of an output's chain (None: the input's) has failed; "" if it has not."""
        status = self.status
        rows = status["input_entries"] if output is None else self.output(output).get("entries", [])
        return (rows[place]["fault"] or "") if place < len(rows) else ""


def total(tallies: Iterable[Tally]) -> int:
    """How many there are of several kinds together."""
    return sum(tally.count for tally in tallies)
