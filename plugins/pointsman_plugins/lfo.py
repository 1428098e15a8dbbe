"""lfo: moves a control up and down by itself, in a wave of some rate and depth.

How this works. `_Timed` and `_Counted` say how far the wave has come, in whole units of a period:
the one by time, for rates in Hz, ms or s, the other by MIDI clocks, for note values. The wave
itself is a pure function of that. Everything is counted in whole numbers, so nothing drifts.

Values are sent at whole intervals from the moment at which the wave last began or was moved: from
the start of the run, from a note-on that triggers it, from Start, or from Continue. At that very
moment the first one is sent. `_on` says whether the wave runs or is held at its end; `_timer` is
there while it runs.

An lfo that takes the place of another goes on from its place in the wave. Nothing is asked of the
song in `__init__`: an lfo may be made long before it is used. `_begin` is what comes first then.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction
from math import sin, tau
from random import Random
from typing import Annotated, Literal, Self

from pydantic import BeforeValidator, Field, PlainSerializer, WithJsonSchema

from pointsman.plugin import (
    DEFAULT_TEMPO,
    SHORTEST_INTERVAL_NS,
    SHOWN,
    Away,
    Channel,
    Context,
    Control,
    ControlReader,
    Duration,
    Emission,
    Flow,
    Host,
    Interval,
    Kind,
    OptionProblem,
    Plugin,
    PluginOptions,
    Step,
    Timer,
    Transport,
    TransportChange,
    Whole,
    flow_of,
    hookimpl,
    missing,
    parse_duration,
    read_on,
    resets_controls,
)

NS_PER_S = 1_000_000_000
PARTS_OF_A_CLOCK = 1 << 40
"""How finely the place between two clocks is told."""

SCALE = 10**12
"""Sine and random waves are rounded to so many parts, so that halves are halves when rounding."""

_HERTZ = re.compile(r"(\d+(?:\.\d+)?)\s*hz", re.IGNORECASE)


# ---- options -----------------------------------------------------------------------------------


@dataclass(frozen=True)
class Rate:
    """How long one period is: so many nanoseconds, or so many clocks."""

    text: str
    ns: Fraction = Fraction(0)
    clocks: Fraction | None = None

    def __str__(self) -> str:
        return self.text


def _read_rate(value: object) -> Rate:
    if isinstance(value, Rate):
        return value
    text = str(value).strip()
    if found := _HERTZ.fullmatch(text):
        hertz = Fraction(found[1])
        if not hertz:
            raise ValueError(f"'{text}' never moves; write for example 0.1Hz")
        rate = Rate(text, NS_PER_S / hertz)
    else:
        try:
            duration = parse_duration(text)
        except ValueError:
            wrong = missing(value) or f"'{text}' is no rate"
            raise ValueError(f"{wrong}; write for example 2Hz, 500ms, 1/4 or 1 bar") from None
        rate = Rate(text, Fraction(duration.ns), duration.clocks)
    if not rate.clocks and rate.ns < SHORTEST_INTERVAL_NS:
        raise ValueError(f"'{text}' is too fast; write 1ms, 1000Hz or slower")
    return rate


RateOption = Annotated[
    Rate,
    BeforeValidator(_read_rate),
    PlainSerializer(str),
    WithJsonSchema({"type": "string", SHOWN: "a rate such as 2Hz, or a duration"}),
]
TOP_SHOWN = "127 (16383 with 14 bits)"
Height = Annotated[int, Whole(0, 16383, "a value", top_shown=TOP_SHOWN)]


_JUMPS = {"sine": 0, "triangle": 0, "square": 2}
"""How often in a period a wave jumps; others do so once."""


class LfoOptions(PluginOptions):
    """What lfo can be told."""

    moves_nothing = True

    control: Annotated[Control, Field(description="the control that it moves")]
    channel: Annotated[Channel, Field(description="the channel on which it does")]
    wave: Annotated[
        Literal["sine", "triangle", "ramp_up", "ramp_down", "square", "random"],
        Field(description="its shape"),
    ] = "sine"
    rate: Annotated[RateOption, Field(description="how often, or how long one period is")]
    depth: Annotated[Height, Field(description="how far it goes to either side of the center")]
    center: Annotated[
        int | Literal["follow"],
        Whole(0, 16383, "a value", ("follow",), TOP_SHOWN),
        Field(description="around which value; follow: around the last value that came in"),
    ]
    phase: Annotated[
        float,
        Field(ge=0, le=1, allow_inf_nan=False, description="where in the period it begins"),
    ] = 0.0
    start: Annotated[
        Literal["free", "note", "once"],
        Field(
            description="free: it runs from the beginning; note: it starts (again) at each "
            "note-on; once: at each note-on one period, then it holds"
        ),
    ] = "free"
    interval: Annotated[
        Interval, Field(description="how often a value is sent, if it changed; at least 1ms")
    ] = Duration("10ms", ns=10_000_000)
    run: Annotated[
        Literal["always", "transport"],
        Field(description="transport: only from Start or Continue until Stop"),
    ] = "always"
    seed: Annotated[
        int, Whole(0, 999_999_999), Field(description="which values the random wave draws")
    ] = 0

    def adds(self) -> list[Flow]:
        """The control that it moves."""
        return [flow_of(message) for message in self.control.messages(self.channel - 1, 0)]

    def sends_per_second(self) -> float:
        """One value each interval, but no more often than the wave changes."""
        interval_ns = self.interval.to_ns(*DEFAULT_TEMPO)
        span_ns, clocks = DEFAULT_TEMPO
        period_ns = self.rate.ns
        if self.rate.clocks is not None:
            period_ns = self.rate.clocks * span_ns / clocks
        ways = {"sine": 4, "triangle": 4, "ramp_up": 2, "ramp_down": 2}
        values = ways.get(self.wave, 0) * self.depth + _JUMPS.get(self.wave, 1)
        return float(NS_PER_S * min(values / period_ns, Fraction(1, interval_ns)))

    def problems(self, context: Context) -> list[OptionProblem]:
        """Neither depth nor center may leave what the control can have."""
        top = self.control.top
        return [
            OptionProblem((name,), f"'{value}' is too high; write 0 to {top}")
            for name, value in (("depth", self.depth), ("center", self.center))
            if isinstance(value, int) and value > top
        ]


# ---- how far the wave has come -----------------------------------------------------------------


class _Timed:
    """By time. `per_ns` units go by in a nanosecond, and `period` in a period."""

    def __init__(self, period_ns: Fraction) -> None:
        self.period = period_ns.numerator
        self._per_ns = period_ns.denominator
        self.seek(0, 0)

    def seek(self, place: int, t_ns: int, *, at_next_clock: bool = False) -> None:
        """Be at `place` at that time."""
        self._place, self._from_ns = place, t_ns

    def place(self, t_ns: int) -> int:
        """The place at that time."""
        return self._place + (t_ns - self._from_ns) * self._per_ns


class _Counted:
    """By clocks while the clock runs, and between them and without them by the last tempo."""

    def __init__(self, period_clocks: Fraction, transport: Transport) -> None:
        self.per_clock = PARTS_OF_A_CLOCK * period_clocks.denominator
        self.period = PARTS_OF_A_CLOCK * period_clocks.numerator
        self._transport = transport
        self.seek(0, 0)

    def seek(self, place: int, t_ns: int, *, at_next_clock: bool = False) -> None:
        """Be at `place` at that time; or wait there for the next clock, if one is to come."""
        self._place, self._from_ns = place, t_ns
        self._seen = self._transport.clocks_seen
        self._waits = at_next_clock
        self._runs = self._transport.clock_runs(t_ns)
        self._mark = (self._seen + 1) * self.per_clock if at_next_clock else self._clock(t_ns)

    def place(self, t_ns: int) -> int:
        """The place at that time. To be asked oftener than a clock can die and come back."""
        if not self._runs and self._transport.clocks_seen > self._seen:
            if self._waits:
                self._runs = True
            else:
                self.seek(self._place + self._by_tempo(t_ns - self._from_ns), t_ns)
        elif self._runs and not self._transport.clock_runs(t_ns):
            self.seek(self._by_clock(t_ns), t_ns)
        if self._runs:
            return self._by_clock(t_ns)
        return self._place + self._by_tempo(t_ns - self._from_ns)

    def _by_clock(self, t_ns: int) -> int:
        passed = self._clock(t_ns) - self._mark
        return self._place + (max(passed, 0) if self._waits else passed)

    def _clock(self, t_ns: int) -> int:
        """All clocks so far, and the part of the next that has gone by."""
        transport = self._transport
        since_ns = t_ns - transport.last_clock_ns
        return transport.clocks_seen * self.per_clock + self._by_tempo(since_ns)

    def _by_tempo(self, passed_ns: int) -> int:
        span_ns, clocks = self._transport.tempo or DEFAULT_TEMPO
        return passed_ns * self.per_clock * clocks // max(span_ns, 1)


# ---- waves -------------------------------------------------------------------------------------

Wave = Callable[[int, int], tuple[int, int]]
"""From a place in the period, n/d from 0 to 1, to a height from -1 to 1, as such a fraction too."""


def _sine(n: int, d: int) -> tuple[int, int]:
    return round(sin(tau * (n / d)) * SCALE), SCALE


def _triangle(n: int, d: int) -> tuple[int, int]:
    if 4 * n < d:
        return 4 * n, d
    return (2 * d - 4 * n, d) if 4 * n < 3 * d else (4 * n - 4 * d, d)


_WAVES: dict[str, Wave] = {
    "sine": _sine,
    "triangle": _triangle,
    "ramp_up": lambda n, d: (2 * n - d, d),
    "ramp_down": lambda n, d: (d - 2 * n, d),
    "square": lambda n, d: (1 if 2 * n < d else -1, 1),
}


# ---- the plugin --------------------------------------------------------------------------------

Messages = tuple[bytes, ...]


class Lfo(Plugin[LfoOptions]):
    """Moves a control up and down by itself, in a wave of some rate and depth."""

    name = "lfo"
    Options = LfoOptions

    def __init__(self, options: LfoOptions, host: Host) -> None:
        super().__init__(options, host)
        self._ref = options.control
        self._channel = options.channel - 1
        self._status = 0xB0 | self._channel
        self._depth = options.depth
        self._fixed = None if options.center == "follow" else options.center
        self._wave = _WAVES.get(options.wave)
        self._reader = ControlReader([options.control])
        self.only_controls = self._reader.numbers
        clocks = options.rate.clocks
        self._phase = _Counted(clocks, host.transport) if clocks else _Timed(options.rate.ns)
        self._offset = int(Fraction(str(options.phase)) * self._phase.period)
        self._random = Random(options.seed)
        self._drawn: tuple[int, int] | None = None
        self._period = 0
        self._came: int | None = None
        self._sent: int | None = None
        self._moved = False
        self._on = False
        self._timer: Timer | None = None
        self._interval_ns = 0 if options.interval.clocks else options.interval.ns
        self._playing = False
        self._paused: int | None = None
        self._left: tuple[int, bool, int | None] = (-1, False, None)
        self._is_free = options.start == "free"
        self._is_once = options.start == "once"
        host.at(0, self._begin, endless=True)

    def step_for(self, kind: Kind, channel: int | None) -> Step | None:
        """Our control on our channel concerns us; notes do only where they trigger."""
        if kind is Kind.SYSEX:
            return self._sysex if self._reader.reads_sysex else None
        if channel != self._channel or (kind is Kind.NOTE_ON and self.options.start == "free"):
            return None
        return super().step_for(kind, channel)

    # ---- what comes in -------------------------------------------------------------------------

    def on_note_on(self, data: bytes, t_ns: int) -> Emission:
        """A note-on triggers: its first value goes before it."""
        return [*self._go(0, t_ns), data] if self._may_run() else data

    def _may_run(self) -> bool:
        """Asked of the song itself: at Stop an entry before us may send something first."""
        return self.options.run == "always" or self.host.transport.playing

    def on_control(self, data: bytes, t_ns: int) -> Emission:
        """A value of our control comes in: it passes, or is the new center."""
        if self._ref.is_plain and data[1] != self._ref.cc:
            return data
        found = self._reader.control(data)
        if found is None:
            return data
        moved = self._take(found[1], t_ns)
        if moved == found[1]:
            return data
        if self._ref.fine is None:  # of a parameter the stream has sent the number already
            return bytes((data[0], data[1], moved))
        return self._ref.messages(self._channel, moved)

    def _sysex(self, data: bytes, t_ns: int) -> Emission:
        found = self._reader.sysex(data)
        if found is None:
            return data
        moved = self._take(found[1], t_ns)
        return data if moved == found[1] else self._ref.messages(self._channel, moved)

    def _take(self, value: int, t_ns: int) -> int:
        """What goes on instead of a value that came in."""
        self._came = value
        if self._fixed is None and self._on and self._may_run():
            moved = self._value(t_ns)
            value = value if moved is None else moved
        self._sent = value
        self._moved = self._moved or value != self._came
        return value

    def on_mode(self, data: bytes, t_ns: int) -> Emission:
        """After Reset All Controllers it is unknown what the synth has."""
        if resets_controls(data):
            self._sent = None
        return data

    # ---- the song ------------------------------------------------------------------------------

    def on_transport(self, change: TransportChange, t_ns: int) -> Emission:
        """Start begins again, Continue and Song Position keep note values to the song."""
        if change is TransportChange.STOP:
            return self._song_stops(t_ns)
        if change is TransportChange.START:
            self._playing, self._paused = True, None
            if self._is_free or self._timer is not None:
                return self._go(0, t_ns, at_next_clock=True)
            return None
        if change is TransportChange.CONTINUE:
            if self._playing:
                return None  # redundant, and so without effect (MIDI 1.0, 4.2.1, p. 32)
            self._playing = True
        return self._song_is_elsewhere(t_ns) if self._playing else None

    def _song_stops(self, t_ns: int) -> Emission:
        self._playing = False
        if self.options.run == "always":
            return None
        if self._timer is not None:
            self._paused = self._phase.place(t_ns)
        self._rest()
        return self._put_back(self._center())

    def _song_is_elsewhere(self, t_ns: int) -> Emission:
        paused, self._paused = self._paused, None
        if self._is_free and isinstance(self._phase, _Counted):
            place = self.host.transport.next_clock * self._phase.per_clock
            return self._go(place, t_ns, at_next_clock=True)
        if paused is not None:
            return self._go(paused, t_ns)
        return self._go(0, t_ns) if self._is_free and self._timer is None else None

    # ---- the wave ------------------------------------------------------------------------------

    def _begin(self, t_ns: int) -> Emission:
        self._playing = self.host.transport.playing
        if self._timer is not None:
            return None
        if self._on:  # it was inherited
            return self._tick(t_ns)
        if not (self._is_free and self._may_run()):
            return None
        return self._song_is_elsewhere(t_ns) if self._playing else self._go(0, t_ns)

    def _go(self, place: int, t_ns: int, *, at_next_clock: bool = False) -> Messages:
        """Run from this place on; intervals count from now."""
        self._rest()
        self._on = True
        self._drawn = None
        self._phase.seek(place, t_ns, at_next_clock=at_next_clock)
        return self._tick(t_ns)

    def _rest(self) -> None:
        self._on = False
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None

    def _tick(self, t_ns: int) -> Messages:
        value = self._value(t_ns)
        self._timer = None
        if not self._is_once or self._phase.place(t_ns) < self._phase.period:
            interval_ns = self._interval_ns or self._clocked_interval_ns()
            self._timer = self.host.at(t_ns + interval_ns, self._tick, endless=True)
        self._moved = True
        return self._send(value)

    def _clocked_interval_ns(self) -> int:
        return max(self.host.transport.to_ns(self.options.interval), SHORTEST_INTERVAL_NS)

    def _put_back(self, value: int | None) -> Messages:
        """The control goes back to this value, if the wave has moved it."""
        if not self._moved:
            return ()
        self._moved = False
        return self._send(value)

    def _send(self, value: int | None) -> Messages:
        if value is None or value == self._sent:
            return ()
        self._sent = value
        if self._ref.is_plain:
            return (bytes((self._status, self._ref.cc or 0, value)),)
        messages = self._ref.messages(self._channel, value)
        return (*messages, *self._reader.reselect(self._channel, self._ref))

    def _value(self, t_ns: int) -> int | None:
        """center + depth * wave(phase), rounded half up; None while no center is known."""
        center = self._center()
        if center is None:
            return None
        part, whole = self._height(t_ns)
        twice = 2 * (center * whole + self._depth * part) + whole
        return min(max(twice // (2 * whole), 0), self._ref.top)

    def _center(self) -> int | None:
        """Around what it goes: `follow` begins at the device's home."""
        if self._fixed is not None:
            return self._fixed
        return self._ref.home if self._came is None else self._came

    def _height(self, t_ns: int) -> tuple[int, int]:
        """The wave's height as a part of a whole."""
        period = self._phase.period
        place = self._phase.place(t_ns)
        ended = self._is_once and place >= period
        periods, n = divmod((period if ended else place) + self._offset, period)
        if ended and not n:
            n = period  # held is the end of this period, not the beginning of another
        if self._wave is not None:
            return self._wave(n, period)
        if self._drawn is None or (periods != self._period and not self._is_once):
            self._period = periods
            self._drawn = round(self._random.uniform(-1, 1) * SCALE), SCALE
        return self._drawn

    def flush(self, t_ns: int) -> Emission:
        """Put the control back where it rests; what notes have triggered is over."""
        self._left = t_ns, self._on, self._paused
        if not self._is_free:
            self._rest()
            self._paused = None
        return self._put_back(self._resting())

    def _resting(self) -> int | None:
        """The value at which the control rests when the wave does not move it."""
        home = self._ref.home if self._fixed is not None else None
        return self._center() if home is None else home

    def inherit(self, former: Self, t_ns: int) -> None:
        """Go on in the wave where `former` was, if the same sets it going, and know its control."""
        read_on(self._reader, former._reader, [self._ref])
        if (former._ref, former._channel) == (self._ref, self._channel):
            self._came, self._sent = former._came, former._sent
        left_ns, was_on, paused = former._left
        if former.options.start != self.options.start or left_ns != t_ns:
            return
        if (former.options.wave, former.options.seed) == (self.options.wave, self.options.seed):
            self._random, self._drawn, self._period = former._random, former._drawn, former._period
        self._inherit_place(former, was_on, paused, t_ns)

    def _inherit_place(self, former: Self, was_on: bool, paused: int | None, t_ns: int) -> None:
        """Be as many periods on as the former wave; as it was, where the rate is the same."""
        was, now = former.options.rate, self.options.rate
        if (was.ns, was.clocks) == (now.ns, now.clocks):
            self._phase = former._phase
        elif self._is_free and now.clocks and self.host.transport.playing:
            return  # it is to begin on the bar, as ever: where the song is, not the former wave
        else:
            place = self._as_mine(former._phase.place(t_ns), former)
            self._phase.seek(place, t_ns)
        self._on = was_on
        self._paused = None if paused is None else self._as_mine(paused, former)
        if self._on and not self._may_run():
            self._on, self._paused = False, self._phase.place(t_ns)

    def _as_mine(self, place: int, former: Self) -> int:
        """A place in the former wave as one in this, so many periods on."""
        return place * self._phase.period // former._phase.period

    def away(self) -> list[Away]:
        """The control, while the wave moves it."""
        resting = self._resting()
        if not self._moved or resting is None or self._sent is None or self._sent == resting:
            return []
        return [(self._channel, self._ref.name, self._sent, resting)]

    def homes(self) -> list[bytes]:
        """What puts it back where it rests."""
        return [
            message
            for channel, _, _, home in self.away()
            for message in (
                *self._ref.messages(channel, home),
                *self._reader.reselect(channel, self._ref),
            )
        ]


@hookimpl
def pointsman_plugins() -> list[type[Lfo]]:
    """Offer lfo."""
    return [Lfo]
