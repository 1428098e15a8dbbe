"""clock_filter: keeps clock or transport from a synth, or makes it slower, faster or steadier.

How this works. Where a clock is only dropped, divided or passed, nothing here knows the tempo. To
`multiply` and to `smooth`, `_Grid` estimates from the clocks that come here where they belong and
how far apart they are. From that the plugin reckons when each clock, and each of those that it
adds, is to leave, and they wait for it in `_waiting`, in order, with one timer for the first.

Three rules keep the synth's place in the song right, whatever the estimate says: no clock leaves
before the one that it was made for came in; what a clock adds leaves before the next clock; and
all that waits leaves just before Start, Continue, Stop and Song Position.
"""

from __future__ import annotations

from collections import deque
from typing import Annotated, Literal, Self

from pydantic import AfterValidator, Field, WithJsonSchema

from pointsman.plugin import (
    DEFAULT_TEMPO,
    SHOWN,
    Context,
    Duration,
    Emission,
    Flow,
    Host,
    Kind,
    OptionProblem,
    Plugin,
    PluginOptions,
    Step,
    Time,
    Timer,
    TransportChange,
    Whole,
    hookimpl,
    stateless,
)

_TRANSPORT = frozenset({Kind.START, Kind.CONTINUE, Kind.STOP, Kind.SONG_POSITION})
_CLOCK = b"\xf8"
_SONG_PLACES = 1 << 14
"""Song Position counts so many places (14 bits; MIDI 1.0, 4.2.1, p. 27)."""

NS_PER_MS = 1_000_000
LONGEST_SMOOTH_NS = 50 * NS_PER_MS
"""What is later than this is heard as late playing, and no longer as an uneven clock."""


# ---- options -----------------------------------------------------------------------------------


def _short(time: Duration) -> Duration:
    if time.clocks is not None or time.ns > LONGEST_SMOOTH_NS:
        wrong = "longer than 50ms" if time.clocks is None else "no time in milliseconds"
        raise ValueError(f"'{time}' is {wrong}; write 0ms to 50ms")
    return time


class ClockFilterOptions(PluginOptions):
    """What clock_filter can be told."""

    clock: Annotated[
        Literal["pass", "drop"], Field(description="whether the clock (F8) goes on")
    ] = "pass"
    transport: Annotated[
        Literal["pass", "drop"],
        Field(description="whether Start, Continue, Stop and Song Position go on"),
    ] = "pass"
    divide: Annotated[
        int,
        Whole(1, 9999),
        Field(description="only every so many clocks goes on, the first one too"),
    ] = 1
    multiply: Annotated[
        int,
        Whole(1, 4),
        Field(description="so many clocks go on for each one that comes in, evenly spaced"),
    ] = 1
    smooth: Annotated[
        Time,
        AfterValidator(_short),
        WithJsonSchema({"type": "string", SHOWN: "a time, 0ms to 50ms"}),
        Field(
            description="how uneven a clock it makes even: each leaves half that time after its "
            "place, and never later than that time after it came"
        ),
    ] = Duration("0ms")

    def problems(self, context: Context) -> list[OptionProblem]:
        """One entry divides or multiplies."""
        if self.divide == 1 or self.multiply == 1:
            return []
        what = (
            f"'{self.multiply}' stands beside divide: {self.divide}; take one of them out, or "
            "write two entries, the one that divides first"
        )
        return [OptionProblem(("multiply",), what)]

    def foresee(self, flow: Flow) -> list[Flow]:
        """Clock and transport that are not dropped pass, and so does all else."""
        dropped = (flow.kind is Kind.CLOCK and self.clock == "drop") or (
            flow.kind in _TRANSPORT and self.transport == "drop"
        )
        return [] if dropped else [flow]


# ---- where clocks belong -----------------------------------------------------------------------

_FINE = 16
"""Places and distances are kept in so many bits below a nanosecond, in whole numbers."""

_MEMORY = 24
"""On how many clocks the estimate rests at most: a quarter note, as the tempo elsewhere does."""

_SURE = 8
"""From so many clocks on, the estimate is good enough to tell that a clock is off."""

_JUMP = 4
"""So many clocks in a row off to one side are another tempo, and fewer a sender's hiccup."""

_SILENT = 4
"""Clocks missing in a row before the clock counts as dead, as for the song itself."""

_FIRST_WAIT_NS = 500 * NS_PER_MS
"""How long after a lone first clock a second may follow."""


class _Grid:
    """Where the last clock belonged, and how far clocks are apart.

    This is the growing-memory g-h filter, a second-order loop: each clock moves the place by g,
    and the distance by h, of what it was off from where the last estimate had put it, with

        g = 2 (2n - 1) / (n (n + 1)),  h = 6 / (n (n + 1))

    at the n-th clock. Until n reaches the memory that is the line of least squares through all
    clocks so far; from there on n stands still, and old clocks fade away. The formulas are those
    of E. Brookner, Tracking and Kalman Filtering Made Easy, 1998, section 1.2.10 (from memory; a
    test holds them against a least-squares fit).

    A clock counts as off by no more than the jitter that is expected. `_JUMP` in a row beyond
    that begin the estimate anew, from themselves. And while clocks are off to one side on the
    mean, as in a ramp of the tempo, the memory shortens.
    """

    def __init__(self) -> None:
        self._place = 0
        self._distance = (DEFAULT_TEMPO[0] << _FINE) // DEFAULT_TEMPO[1]
        self._clocks = 0
        self._last_ns = 0
        self._recent: deque[int] = deque(maxlen=_JUMP + 1)
        self._lean = 0  # how far clocks have been off on the mean
        self._strays = 0  # so many in a row were off: late ones above 0, early ones below

    @property
    def place_ns(self) -> int:
        """Where the last clock belonged."""
        return self._place >> _FINE

    @property
    def distance_ns(self) -> int:
        """How far clocks are apart."""
        return self._distance >> _FINE

    def begin_phase(self) -> None:
        """The next clock is in its place wherever it comes; how far they are apart is as before."""
        self._recent.clear()
        self._lean = self._strays = 0

    def clock(self, t_ns: int, width_ns: int) -> None:
        """A clock comes in; jitter of `width_ns` from end to end is expected (0: not known)."""
        if t_ns - self._last_ns > self._patience_ns():
            self._clocks = 0
            self.begin_phase()
        self._last_ns = t_ns
        is_first = not self._recent
        self._recent.append(t_ns)
        if is_first:
            self._place = t_ns << _FINE
            self._clocks = max(self._clocks, 1)
            return
        off = self._off(t_ns)
        if self._clocks >= _SURE:
            # Jitter of more than half the distance cannot be told from another clock.
            limit = min((width_ns << _FINE) or self._distance // 8, self._distance // 2)
            if self._has_jumped(off, limit):
                self._begin_anew()
                return
            off = max(-limit, min(off, limit))
            self._lean += (off - self._lean) // 8
            if abs(self._lean) > limit // 4:
                self._clocks = max(self._clocks - 3, _SURE)
        self._move(off)

    def _off(self, t_ns: int) -> int:
        return (t_ns << _FINE) - self._place - self._distance

    def _move(self, off: int) -> None:
        n = self._clocks = min(self._clocks + 1, _MEMORY)
        parts = n * (n + 1)
        self._place += self._distance + off * 2 * (2 * n - 1) // parts
        self._distance = max(self._distance + off * 6 // parts, 0)

    def _has_jumped(self, off: int, limit: int) -> bool:
        """Whether this clock is the last of so many that were off to the same side."""
        if abs(off) <= limit:
            self._strays = 0
        elif off > 0:
            self._strays = max(self._strays, 0) + 1
        else:
            self._strays = min(self._strays, 0) - 1
        return abs(self._strays) >= _JUMP

    def _begin_anew(self) -> None:
        first_ns, *others = self._recent
        self._lean = self._strays = 0
        self._place, self._clocks = first_ns << _FINE, 1
        for t_ns in others:
            self._move(self._off(t_ns))

    def _patience_ns(self) -> int:
        wait_ns = _SILENT * self.distance_ns
        return wait_ns if self._clocks > 1 else max(wait_ns, _FIRST_WAIT_NS)


# ---- the plugin --------------------------------------------------------------------------------


class ClockFilter(Plugin[ClockFilterOptions]):
    """Keeps clock or transport from a synth, or gives it a slower, faster or steadier clock."""

    name = "clock_filter"
    Options = ClockFilterOptions

    def __init__(self, options: ClockFilterOptions, host: Host) -> None:
        super().__init__(options, host)
        self._next = 0
        self._grid = _Grid()
        self._width_ns = options.smooth.ns
        self._waiting: deque[int] = deque()
        self._timer: Timer | None = None

    def step_for(self, kind: Kind, channel: int | None) -> Step | None:
        """Only what is kept out, or not passed as it comes, concerns us."""
        if kind is Kind.CLOCK:
            return self._step_for_clock()
        if kind in _TRANSPORT and self.options.transport == "drop":
            return _drop
        if kind is Kind.SONG_POSITION and self.options.multiply > 1:
            return self._relocate
        return None

    def _step_for_clock(self) -> Step | None:
        if self.options.clock == "drop":
            return _drop
        if self._width_ns or self.options.multiply > 1:
            return self._retime
        return self._thin if self.options.divide > 1 else None

    def _thin(self, data: bytes, t_ns: int) -> Emission:
        """Let every Nth clock pass: by its place in the song, evenly on while that is stopped."""
        transport = self.host.transport
        place = transport.position if transport.playing else self._next
        self._next = place + 1
        return data if place % self.options.divide == 0 else None

    # ---- clocks that leave at another time, or that are added -----------------------------------

    def _retime(self, data: bytes, t_ns: int) -> Emission:
        """Reckon when the clock is to leave, and those that are added."""
        grid = self._grid
        grid.clock(t_ns, self._width_ns)
        if self._thin(data, t_ns) is None:
            return None
        due_ns = t_ns
        if self._width_ns:  # a late one is overdue when it comes, and leaves at once
            due_ns = min(grid.place_ns + self._width_ns // 2, t_ns + self._width_ns)
        waiting, times = self._waiting, self.options.multiply
        for n in range(len(waiting) - 1, -1, -1):
            if waiting[n] <= due_ns:
                break
            waiting[n] = due_ns  # just before it: a synth must not lose its place
        waiting.append(due_ns)
        if times > 1:
            waiting.extend(due_ns + n * grid.distance_ns // times for n in range(1, times))
        return self._send_due(t_ns, data)

    def _send_due(self, t_ns: int, clock: bytes = _CLOCK) -> Emission:
        """Send what is due, and wait for the rest."""
        waiting = self._waiting
        count = 0
        while waiting and waiting[0] <= t_ns:
            waiting.popleft()
            count += 1
        if self._timer is not None:
            self._timer.cancel()
        self._timer = self.host.at(waiting[0], self._send_due) if waiting else None
        return clock if count == 1 else [clock] * count or None

    def _send_all(self, t_ns: int) -> Emission:
        """Send what waits at once."""
        if not self._waiting:
            return None
        self._waiting = deque([t_ns] * len(self._waiting))
        return self._send_due(t_ns)

    @stateless
    def _relocate(self, data: bytes, t_ns: int) -> Emission:
        """A synth that gets more clocks is further on in its song."""
        place = (data[1] | data[2] << 7) * self.options.multiply % _SONG_PLACES
        return bytes((data[0], place & 0x7F, place >> 7))

    # ---- the song, and an end --------------------------------------------------------------------

    def on_transport(self, change: TransportChange, t_ns: int) -> Emission:
        """Each clock stays on its side of Start, Continue, Stop and Song Position."""
        if change in (TransportChange.START, TransportChange.CONTINUE):
            self._grid.begin_phase()
        return self._send_all(t_ns)

    def flush(self, t_ns: int) -> Emission:
        """No clock is lost."""
        return self._send_all(t_ns)

    def inherit(self, former: Self, t_ns: int) -> None:
        """Clocks that come while the song is stopped are counted on, and the tempo is known."""
        self._next = former._next
        self._grid = former._grid


@stateless
def _drop(data: bytes, t_ns: int) -> None:
    return None


@hookimpl
def pointsman_plugins() -> list[type[ClockFilter]]:
    """Offer clock_filter."""
    return [ClockFilter]
