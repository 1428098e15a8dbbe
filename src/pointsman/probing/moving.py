"""sweep: a control moved slowly up and down while a note repeats, and put back.

How this works. Each control begins and ends its way at home, so that rounds join without a step.
Before it moves, the stage is told what puts it back (`Away`), so that it goes back however this
ends. What is louder the higher it is (volume, expression) begins low and stops at home.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from pointsman.control_refs import NRPN_LSB, NRPN_MSB, NULL, RPN_LSB, RPN_MSB, ControlRef
from pointsman.controls import NAME_BY_CONTROL
from pointsman.folding import folded
from pointsman.message import control_change, note_off, note_on
from pointsman.probing.homes import Home
from pointsman.probing.naming import NoName, read_name
from pointsman.probing.steps import Away, Play, Probe, PutBack, Save, Say, Timed, Witness
from pointsman.units import NS_PER_MS

STEP_NS = 20 * NS_PER_MS
"""Between two values: 50 a second, which any wire carries and no ear tells from a slide."""

NOTE_EVERY_NS = 500 * NS_PER_MS
NOTE_NS = 350 * NS_PER_MS

SKIPPED = {
    0: "bank select: it is silent, and the next program would be another one",
    32: "bank select: it is silent, and the next program would be another one",
    6: "data entry: it edits a parameter that nobody knows; name it with --nrpn",
    38: "data entry: it edits a parameter that nobody knows; name it with --nrpn",
    96: "data increment: it cannot be put back",
    97: "data decrement: it cannot be put back",
    98: "a parameter's number, no control; name it with --nrpn",
    99: "a parameter's number, no control; name it with --nrpn",
    100: "a parameter's number, no control",
    101: "a parameter's number, no control",
}
"""Controls that a sweep leaves out, and why: what they change could not be put back."""

LOUD = frozenset({7, 11, 39, 43})
"""Channel volume and expression, with their fine halves: never above home."""

WHISTLES = 71
"""Timbre, which is the resonance of a filter in most synths (common practice)."""


@dataclass(frozen=True, slots=True)
class Move:
    """One control that is to be moved between `low` and `high`, with its home."""

    ref: ControlRef
    low: int
    high: int
    home: Home
    known_as: str = ""
    """Its name in the device file."""

    @property
    def shown(self) -> str:
        """How it is called: by how it is reached, with a name where there is one."""
        ref = self.ref
        name = self.known_as
        if ref.cc is not None:
            pair = "" if ref.fine is None else f"/{ref.fine}"
            name = name or NAME_BY_CONTROL.get(ref.cc, "")
            text = f"control {ref.cc}{pair}"
        elif ref.parameter is not None:
            registered, coarse, fine = ref.parameter
            text = f"{'RPN' if registered else 'NRPN'} {coarse}:{fine}"
        else:
            text = "SysEx control"
        return f"{text} ({name})" if name else text

    @property
    def is_loud(self) -> bool:
        """Whether it is louder the higher it is."""
        return self.ref.cc in LOUD

    def way(self) -> tuple[int, ...]:
        """The values between which it moves in straight lines, in one round."""
        home = self.home.value
        if self.is_loud:
            top = min(self.high, home)
            return (min(self.low, top), top, min(self.low, top), home)
        return (home, self.high, self.low, home)

    def messages(self, channel: int, value: int) -> list[bytes]:
        """What sets it on `channel` (0-15)."""
        return self.ref.messages(channel, value)

    def back(self, channel: int) -> tuple[bytes, ...]:
        """What puts it home, and leaves no parameter selected that data entry would edit."""
        found = self.messages(channel, self.home.value)
        if self.ref.parameter is not None:
            msb, lsb = (RPN_MSB, RPN_LSB) if self.ref.parameter[0] else (NRPN_MSB, NRPN_LSB)
            found += [control_change(channel, msb, NULL), control_change(channel, lsb, NULL)]
        return tuple(found)


def values(way: Sequence[int], length_ns: int) -> list[tuple[int, int]]:
    """The way in steps of time: each value that is new, with when it is due.

    Each leg takes as much of the time as it has of the way; the last value comes by `length_ns`.
    """
    total = sum(abs(b - a) for a, b in pairwise(way))
    found = [(0, way[0])]
    if not total:
        return found
    begin_ns = 0
    for start, end in pairwise(way):
        leg_ns = length_ns * abs(end - start) // total
        for t_ns in range(STEP_NS, leg_ns, STEP_NS):
            value = start + (2 * (end - start) * t_ns + leg_ns) // (2 * leg_ns)
            if value != found[-1][1]:
                found.append((begin_ns + t_ns, value))
        begin_ns += leg_ns
        if end != found[-1][1]:
            found.append((begin_ns, end))
    return found


@dataclass(frozen=True, slots=True)
class SweepPlan:
    """What to move, and how. `channel` is 0-15; `times` is None: until the player goes on."""

    moves: tuple[Move, ...]
    channel: int
    note: int = 60
    velocity: int = 40
    round_ns: int = 6000 * NS_PER_MS
    times: int | None = None
    has_person: bool = True

    def round(self, move: Move) -> tuple[Timed, ...]:
        """One way up, down and home, under repeated notes; a value comes before its note."""
        events = [
            (t_ns, data)
            for t_ns, value in values(move.way(), self.round_ns)
            for data in move.messages(self.channel, value)
        ]
        for t_ns in range(0, self.round_ns - NOTE_NS, NOTE_EVERY_NS):
            events.append((t_ns, note_on(self.channel, self.note, self.velocity)))
            events.append((t_ns + NOTE_NS, note_off(self.channel, self.note)))
        return tuple(sorted(events, key=lambda event: event[0]))


HELP = (
    "When you hear what it does, type a name for it, or NAME, WHAT IT DOES, and Enter. "
    "Enter alone goes on, a minus (-) goes back, a dot (.) ends."
)

_ON, _BACK, _END = 1, -1, 0


def sweep(plan: SweepPlan) -> Probe[int]:
    """Move every control; how many were named."""
    return (yield from _Sweep(plan).run())


class _Sweep:
    def __init__(self, plan: SweepPlan) -> None:
        self._plan = plan
        self._named: dict[int, str] = {}

    def run(self) -> Probe[int]:
        plan, number = self._plan, 0
        if plan.has_person:
            yield Say(folded(HELP))
        while 0 <= number < len(plan.moves):
            move = plan.moves[number]
            yield Say(self._heading(move, number))
            yield Away(f"{move.shown} to {move.home.value}", move.back(plan.channel))
            way = yield from self._rounds(move, number)
            yield PutBack(f"{move.shown} to {move.home.value}")
            yield Say(f"  back to {move.home.value} ({move.home.why})")
            if way == _END:
                break
            number = max(number + way, 0)
        return len(self._named)

    def _heading(self, move: Move, number: int) -> str:
        low, high = min(move.way()), max(move.way())
        place = f"{number + 1}/{len(self._plan.moves)} " if len(self._plan.moves) > 1 else ""
        care = ", which may whistle: keep a hand on the volume" if move.ref.cc == WHISTLES else ""
        return f"{place}{move.shown}: {low} to {high}{care}"

    def _rounds(self, move: Move, number: int) -> Probe[int]:
        """Move it until the player, or the number of rounds, says what is next."""
        plan = self._plan
        play = Play(plan.round(move), plan.round_ns, until_line=plan.has_person)
        rounds = 0
        while True:
            witness: Witness = yield play
            if witness.no_more:
                return _END
            for _, line in witness.lines:
                way = yield from self._typed(move, number, line)
                if way is not None:
                    return way
            if not witness.lines:
                rounds += 1
                if rounds == plan.times:
                    return _ON

    def _typed(self, move: Move, number: int, line: str) -> Probe[int | None]:
        """What a typed line asks for; None: to go on with this one."""
        if line.strip() in ("", "-", "."):
            return {"": _ON, "-": _BACK, ".": _END}[line.strip()]
        known = move.known_as or self._named.get(number)
        if known:
            yield Say(f"  it is '{known}' in the file already; rename it there by hand")
            return None
        try:
            name, about = read_name(line)
        except NoName as error:
            yield Say(f"  {error}")
            return None
        done, told = yield Save(move, name, about)
        yield Say(f"  {told}")
        if not done:
            return None
        self._named[number] = name
        return _ON
