"""bar_gate: lets notes sound only in chosen bars of a cycle of bars.

How this works. A note-on asks which bar the song is in. That is the place of the last clock; or,
where no clock has come since the song was set going, the place of the clock to come. When the
clock dies in mid-song the place goes on at the last measured tempo, so that a gate that happens
to be closed does not stay closed. While the song is stopped nothing is gated.

When the song has entered a bar that may play, one draw decides for the whole bar. Bars in which no
note came are caught up with, so that which bars play depends on the seed and not on the notes.

Each held note is remembered with whether it passed, so that its note-off shares its fate.
"""

from __future__ import annotations

import re
from fractions import Fraction
from random import Random
from typing import Annotated, Self

from pydantic import BeforeValidator, Field, PlainSerializer, WithJsonSchema

from pointsman.plugin import (
    CLOCKS_PER_QUARTER,
    SHOWN,
    Context,
    Duration,
    Emission,
    HeldNotes,
    Host,
    OptionProblem,
    Plugin,
    PluginOptions,
    TransportChange,
    Whole,
    clears_notes,
    hookimpl,
    missing,
)

CLOCKS_PER_WHOLE_NOTE = 4 * CLOCKS_PER_QUARTER

SHORTEST_CLOCK_NS = 2_000_000
"""Clocks that come closer, 1,250 quarter notes a minute, are a burst and tell no tempo."""

_METER = re.compile(r"([1-9]\d?)/(1|2|4|8|16|32|64)")


def _read_meter(value: object) -> Duration:
    """A meter as the length of its bar."""
    if isinstance(value, Duration):
        return value
    text = str(value)
    found = _METER.fullmatch(text.strip())
    if not found:
        wrong = missing(value) or f"'{text}' is no meter"
        raise ValueError(f"{wrong}; write for example 4/4, 3/4 or 7/8")
    clocks = Fraction(CLOCKS_PER_WHOLE_NOTE * int(found[1]), int(found[2]))
    if clocks.denominator != 1:
        raise ValueError(
            f"a bar of '{text}' has {float(clocks)} clocks, and they must be whole; "
            "write for example 4/4, 3/4 or 7/8"
        )
    return Duration(text.strip(), clocks=clocks)


Meter = Annotated[
    Duration,
    BeforeValidator(_read_meter),
    PlainSerializer(str),
    PlainSerializer(str),
    WithJsonSchema({"type": "string", SHOWN: "a meter"}),
]


class BarGateOptions(PluginOptions):
    """What bar_gate can be told."""

    moves_nothing = True

    play: Annotated[
        list[Annotated[int, Whole(1, 999, "a bar")]],
        Field(min_length=1, description="the bars of the cycle in which notes sound"),
    ] = [2]  # noqa: RUF012 - pydantic copies it
    of: Annotated[
        int, Whole(1, 999, "a number of bars"), Field(description="how many bars the cycle has")
    ] = 2
    meter: Annotated[Meter, Field(description="what a bar is: 3/4, 7/8 and so on")] = Duration(
        "4/4", clocks=Fraction(CLOCKS_PER_WHOLE_NOTE)
    )
    chance: Annotated[
        float,
        Field(
            ge=0,
            le=1,
            allow_inf_nan=False,
            description="how likely a bar that may play does play: from 0 (never) to 1 (always)",
        ),
    ] = 1.0
    seed: Annotated[
        int,
        Whole(0, 999_999_999),
        Field(description="which bars chance chooses: another number, other bars"),
    ] = 0

    def problems(self, context: Context) -> list[OptionProblem]:
        """Every bar that plays must be in the cycle."""
        return [
            OptionProblem(
                ("play", number),
                f"'{bar}' is no bar of a cycle of {self.of}; write 1 to {self.of}, or another 'of'",
            )
            for number, bar in enumerate(self.play)
            if bar > self.of
        ]


class BarGate(Plugin[BarGateOptions]):
    """Lets notes sound only in chosen bars of a cycle of bars."""

    name = "bar_gate"
    Options = BarGateOptions

    def __init__(self, options: BarGateOptions, host: Host) -> None:
        super().__init__(options, host)
        self._bar_clocks = int(options.meter.clocks or CLOCKS_PER_WHOLE_NOTE)
        self._may_play = [bar in options.play for bar in range(1, options.of + 1)]
        self._random = Random(options.seed)
        self._bar = -1
        self._open = False
        self._set_going = False
        self._set_ns = 0
        self._set_at_clock = 0
        self._held: HeldNotes[bool] = HeldNotes()

    def on_transport(self, change: TransportChange, t_ns: int) -> Emission:
        """Keep to the song: Start begins it, Song Position relocates it, Continue goes on."""
        transport = self.host.transport
        if change is TransportChange.STOP:
            if self._set_going:
                self._look(t_ns)
            self._set_going = False
            return None
        if change is TransportChange.CONTINUE and self._set_going:
            return None  # redundant, and so without effect (MIDI 1.0, 4.2.1, p. 32)
        self._set_ns = t_ns
        self._set_at_clock = transport.clocks_seen
        self._set_going = transport.playing
        bar = transport.next_clock // self._bar_clocks
        if change is TransportChange.START or bar != self._bar:
            self._bar = bar - 1
        return None

    def on_note_on(self, data: bytes, t_ns: int) -> Emission:
        """A note sounds in an open bar."""
        passes = not self.host.transport.playing or self._look(t_ns)
        self._held.begin(data, passes)
        return data if passes else None

    def on_note_off(self, data: bytes, t_ns: int) -> Emission:
        """A note-off shares the fate of its note."""
        return None if self._held.end(data) is False else data

    def on_mode(self, data: bytes, t_ns: int) -> Emission:
        """All Notes Off and All Sound Off clear their channel: no note-off is swallowed any more.

        Those of notes that passed must still pass, as a synth need not obey All Notes Off.
        """
        if clears_notes(data):
            self._held.take(data[0] & 0x0F, lambda passed: not passed)
        return data

    def flush(self, t_ns: int) -> Emission:
        """Forget every note: the engine ends what sounds."""
        self._held.let_go(t_ns)
        return None

    def inherit(self, former: Self, t_ns: int) -> None:
        """Know which notes were let pass; keep what the bar and the cycle have drawn.

        Another meter has other bars, and another seed chooses others: those draw anew.
        """
        self._held.inherit(former._held, t_ns)
        self._set_going = former._set_going
        self._set_ns, self._set_at_clock = former._set_ns, former._set_at_clock
        was, now = former.options, self.options
        if was.seed != now.seed:
            return
        self._random = former._random
        if was.meter.clocks != now.meter.clocks or former._bar < 0:
            return
        self._bar = former._bar
        had_drawn = former._may_play[self._bar % was.of]
        self._open = self._may_play[self._bar % now.of] and (
            former._open if had_drawn else self._draw()
        )

    def _look(self, t_ns: int) -> bool:
        """Whether the bar that the song is in plays."""
        bar = self._place(t_ns) // self._bar_clocks
        if bar != self._bar:
            for entered in range(self._bar + 1, bar + 1) if bar > self._bar else (bar,):
                self._open = self._may_play[entered % self.options.of] and self._draw()
            self._bar = bar
        return self._open

    def _draw(self) -> bool:
        return self._random.random() < self.options.chance

    def _place(self, t_ns: int) -> int:
        """Where the song is, in clocks."""
        transport = self.host.transport
        if transport.clocks_seen == self._set_at_clock:
            place, since_ns = transport.next_clock, self._set_ns
        else:
            place, since_ns = transport.position, transport.last_clock_ns
        bar_ns = transport.to_ns(self.options.meter)
        if transport.clock_runs(t_ns) or bar_ns < self._bar_clocks * SHORTEST_CLOCK_NS:
            return place
        return place + (t_ns - since_ns) * self._bar_clocks // bar_ns


@hookimpl
def pointsman_plugins() -> list[type[BarGate]]:
    """Offer bar_gate."""
    return [BarGate]
