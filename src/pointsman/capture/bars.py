"""Lays out a captured stream in a Standard MIDI File so that its bars are those of the clock.

How this works. The file has 1,000 ticks a clock. A *point* says which clock of the file comes at
which time; between two points the tempo is even. While a clock runs there is a point at every
quarter note; while none does, they go on at the last tempo, so events always have a place.

The first clock after Start or Continue must stand where the song says: for Start on a bar line.
What is before it is laid out anew then, from the first point that is not yet written, or from
the start of a song before this one: that stretch gets one tempo, which ends where it must. So one
to two bars are held back, and a file loses no more than that if the program is killed.

The tempo follows the clock within `NEAR_NS`, and prefers round figures: a clock jitters by about
as much, and a steady one makes one tempo rather than one a beat. Events keep their own times to the
nearest tick whatever the tempo is; only bar lines may be off by that much.
"""

from __future__ import annotations

from collections import deque
from typing import NamedTuple

from pointsman.io_smf import DEFAULT_DIVISION, SmfWriter
from pointsman.io_smf.items import TEMPO
from pointsman.message import (
    CLOCK_KEY,
    CLOCKS_PER_QUARTER,
    CONTINUE_KEY,
    FIRST_SYSTEM_STATUS,
    SONG_POSITION_KEY,
    START_KEY,
    STOP_KEY,
    song_position,
)
from pointsman.ports.files import is_meta
from pointsman.transport import Transport
from pointsman.units import CLOCKS_PER_BAR, parse_duration

TICKS_PER_CLOCK = DEFAULT_DIVISION // CLOCKS_PER_QUARTER

NEAR_NS = 1_000_000
"""How far a bar line may be from its clock, in nanoseconds: about what a clock jitters anyway."""

MOST_TEMPO_US = 0xFF_FFFF
"""Microseconds a quarter note are written in three bytes (Standard MIDI Files 1.0, p. 9)."""

SHORTEST_NS, LONGEST_NS = 60_000_000, 3_000_000_000
"""A quarter note where no clock runs: at 1,000 and at 20 a minute, whatever clocks there were."""

_NEAR_QUARTERS = 8
_MINUTE_US = 60_000_000
_QUARTER = parse_duration("1/4")


class Point(NamedTuple):
    """A time of the stream, and the clock of the file that it is."""

    t_ns: int
    clocks: int


class BarLayout:
    """Takes the messages of one stream in order, and writes what a file may hold."""

    def __init__(self, writer: SmfWriter) -> None:
        self._writer = writer
        self._transport = Transport()
        self._held: deque[tuple[int, bytes]] = deque()
        self._points: deque[Point] = deque()
        self._origin_ns = 0
        self._count = 0  # clocks since the last point
        self._fixed = 0  # the last point that stands where a song wants it
        self._phase: int | None = None  # the place in its bar, in clocks, that the next clock has
        self._tempo_us = _MINUTE_US // 120  # what holds in a file that says none

    def take(self, t_ns: int, data: bytes) -> bool:
        """Take a message, or a meta event (FF, type, payload); False if no file can hold it."""
        status = data[0]
        if status <= FIRST_SYSTEM_STATUS or is_meta(data):
            self._go_on(t_ns)
            if not self._points:
                runs = self._transport.clock_runs(t_ns)
                self._begin(self._transport.last_clock_ns if runs else t_ns)
            self._held.append((t_ns, data))
            return True
        self._follow(status, data, t_ns)
        return False

    def _follow(self, status: int, data: bytes, t_ns: int) -> None:
        transport = self._transport
        if status == CLOCK_KEY:
            self._clock(t_ns)
        elif status == START_KEY:
            transport.start()
            self._phase = 0
        elif status == CONTINUE_KEY:
            transport.resume()
            self._phase = transport.next_clock % CLOCKS_PER_BAR
        elif status == STOP_KEY:
            transport.stop()
        elif status == SONG_POSITION_KEY:
            transport.locate(song_position(data))

    def close(self, t_ns: int) -> None:
        """Write what is held back, and end the file at `t_ns`."""
        self._go_on(t_ns)
        while len(self._points) > 1:
            self._write_first()
        for at_ns, data in self._held:
            self._put(at_ns, data)
        self._held.clear()
        self._writer.close(max(t_ns - self._origin_ns, 0) if self._points else 0)

    # ---- points ------------------------------------------------------------------------------

    def _begin(self, t_ns: int) -> None:
        self._origin_ns = t_ns
        self._points.append(Point(t_ns, 0))
        self._count = 0

    def _clock(self, t_ns: int) -> None:
        ran = self._transport.clock_runs(t_ns)
        self._go_on(t_ns)
        self._count += 1
        place = self._place(t_ns, ran)
        quarter_ns = self._quarter_ns()
        self._transport.clock(t_ns)
        phase, self._phase = self._phase, None
        if phase is not None:
            self._align(t_ns, place, phase, quarter_ns)
        elif self._points and (not ran or self._count == CLOCKS_PER_QUARTER):
            self._add(Point(t_ns, place))

    def _place(self, t_ns: int, ran: bool) -> int:
        """Which clock of the file this one is, if nothing says otherwise."""
        if not self._points:
            return 0
        last = self._points[-1]
        if ran:
            return last.clocks + self._count
        return last.clocks + (t_ns - last.t_ns) * CLOCKS_PER_QUARTER // self._quarter_ns()

    def _quarter_ns(self) -> int:
        return min(max(self._transport.to_ns(_QUARTER), SHORTEST_NS), LONGEST_NS)

    def _go_on(self, t_ns: int) -> None:
        """Where no clock runs, have points at the last tempo until now."""
        if not self._points or self._transport.clock_runs(t_ns):
            return
        last, quarter_ns = self._points[-1], self._quarter_ns()
        quarters = (t_ns - last.t_ns) // quarter_ns
        far = max(quarters - _NEAR_QUARTERS, 0)  # a night of silence is one stretch
        for number in range(far or 1, quarters + 1):
            t_ns = last.t_ns + number * quarter_ns
            self._add(Point(t_ns, last.clocks + number * CLOCKS_PER_QUARTER))

    def _align(self, t_ns: int, place: int, phase: int, quarter_ns: int) -> None:
        """Have the clock of this time, naturally at `place`, at `phase` of a bar."""
        if not self._points:
            self._begin(t_ns - phase * quarter_ns // CLOCKS_PER_QUARTER)
            place = phase
        wanted = place + (phase - place + CLOCKS_PER_BAR // 2) % CLOCKS_PER_BAR
        wanted -= CLOCKS_PER_BAR // 2
        if wanted != place and t_ns > self._points[0].t_ns:
            while len(self._points) > 1 and self._points[-1].clocks > self._fixed:
                self._points.pop()
            place = wanted if wanted > self._points[-1].clocks else wanted + CLOCKS_PER_BAR
        self._add(Point(t_ns, place))
        self._fixed = self._points[-1].clocks

    def _add(self, point: Point) -> None:
        """A new last point; what is more than two bars ahead of it is written, up to one bar."""
        points, last = self._points, self._points[-1]
        self._count = 0
        if point.t_ns <= last.t_ns or point.clocks <= last.clocks:
            return
        points.append(point)
        if point.clocks - points[0].clocks > 2 * CLOCKS_PER_BAR:
            while point.clocks - points[0].clocks > CLOCKS_PER_BAR and len(points) > 1:
                self._write_first()

    # ---- the file ----------------------------------------------------------------------------

    def _write_first(self) -> None:
        """Write what lies between the first two points."""
        mean_us = self._mean_us()
        first = self._points.popleft()
        end = self._points[0]
        clocks = end.clocks - first.clocks
        ticks = self._writer.ticks
        length_ns = end.t_ns - self._origin_ns - ticks.ns(first.clocks * TICKS_PER_CLOCK)
        tempo_us = self._choose(length_ns, clocks, mean_us)
        if tempo_us != self._tempo_us:
            self._tempo_us = tempo_us
            tempo = TEMPO + tempo_us.to_bytes(3, "big")
            self._writer.meta(first.clocks * TICKS_PER_CLOCK, first.t_ns - self._origin_ns, tempo)
        end_ns = ticks.ns(end.clocks * TICKS_PER_CLOCK)  # where the file has the second point
        while self._held and self._held[0][0] - self._origin_ns < end_ns:
            self._put(*self._held.popleft())

    def _mean_us(self) -> float:
        """The tempo from the first to the last point: what one late clock does is small in it."""
        first, last = self._points[0], self._points[-1]
        return _tempo_us(last.t_ns - first.t_ns, last.clocks - first.clocks)

    def _choose(self, length_ns: int, clocks: int, mean_us: float) -> int:
        """The tempo for so many clocks in that time: the one that holds, a round one, or exact."""
        round_ones = [
            round(_MINUTE_US / a_minute)
            for digits in range(3)
            if (a_minute := round(_MINUTE_US / mean_us, digits)) > 0
        ]
        for tempo_us in (self._tempo_us, *round_ones):
            if abs(tempo_us * 1000 * clocks // CLOCKS_PER_QUARTER - length_ns) <= NEAR_NS:
                return min(max(tempo_us, 1), MOST_TEMPO_US)
        return min(max(round(_tempo_us(length_ns, clocks)), 1), MOST_TEMPO_US)

    def _put(self, t_ns: int, data: bytes) -> None:
        file_ns = max(t_ns - self._origin_ns, 0)
        if data[0] > FIRST_SYSTEM_STATUS:
            self._writer.meta(None, file_ns, data)
        else:
            self._writer.write(file_ns, data)


def _tempo_us(length_ns: int, clocks: int) -> float:
    return length_ns * CLOCKS_PER_QUARTER / (clocks * 1000)
