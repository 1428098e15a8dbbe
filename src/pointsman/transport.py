"""Where the song is: the clock, Start, Stop and Song Position as they came in.

How this works. A *clock* is one F8; 24 make a quarter note. After Start the next clock is
position 0, after Song Position and Continue it is the position that was set (MIDI 1.0, 4.2.1,
pp. 27-31). Clocks that come while the song is stopped measure tempo and advance nothing.
The clock *runs* while clocks keep coming, whether the song plays or not.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from enum import StrEnum
from itertools import pairwise

from pointsman.message import (
    CLOCK_KEY,
    CLOCKS_PER_QUARTER,
    CONTINUE_KEY,
    SONG_POSITION_KEY,
    START_KEY,
    STOP_KEY,
    song_position,
)
from pointsman.units import NS_PER_MS, NS_PER_S, NS_PER_US, Duration

DEFAULT_TEMPO = (NS_PER_S // 2, CLOCKS_PER_QUARTER)
"""The tempo where none was measured, 120 quarter notes a minute: a span, and its clocks."""

_STAMPS = CLOCKS_PER_QUARTER + 1
"""Tempo is the mean over a quarter note: one clock alone carries the sender's jitter."""

_SILENT_CLOCKS = 4
"""Clocks missing in a row before the clock counts as dead: no tempo change is that sudden."""

_FIRST_WAIT_NS = 500 * NS_PER_MS
"""How long after a lone first clock a second may follow (5 quarter notes a minute)."""


class TransportChange(StrEnum):
    """What happened to the song."""

    START = "start"
    CONTINUE = "continue"
    STOP = "stop"
    POSITION = "position"


class Transport:
    """The state of the song at the input; plugins read it and never change it."""

    def __init__(self) -> None:
        self.playing = False
        self.next_clock = 0
        self.clocks_seen = 0
        self.last_clock_ns = 0
        self.clock_dies_ns = 0
        """When the clock counts as dead unless another clock comes until then."""
        self.tempo: tuple[int, int] | None = None
        """The tempo as last measured: so many nanoseconds, and the clocks in them."""
        self._stamps: deque[int] = deque(maxlen=_STAMPS)

    @property
    def position(self) -> int:
        """The position of the last clock in the song, in clocks; -1 before the first one."""
        return self.next_clock - 1

    @property
    def tempo_per_minute(self) -> float:
        """The tempo as last measured, in quarter notes a minute; 120 where none was."""
        span_ns, clocks = self.tempo or DEFAULT_TEMPO
        return 60 * NS_PER_S * clocks / (span_ns * CLOCKS_PER_QUARTER) if span_ns else 0.0

    def recent_clocks(self) -> list[int]:
        """When the clocks of about the last quarter note came in, in nanoseconds."""
        return list(self._stamps)

    def clock_runs(self, t_ns: int) -> bool:
        """Whether clocks are coming in at `t_ns`."""
        return self.clocks_seen > 0 and t_ns <= self.clock_dies_ns

    def to_ns(self, duration: Duration) -> int:
        """A duration in nanoseconds at the tempo last measured."""
        if duration.clocks is None:
            return duration.ns
        return duration.to_ns(*(self.tempo or DEFAULT_TEMPO))

    def follow(self, key: int, data: bytes, t_ns: int) -> None:
        """Take one message with its key, whatever it is: what moves no song changes nothing."""
        if key == CLOCK_KEY:
            self.clock(t_ns)
        elif key == START_KEY:
            self.start()
        elif key == CONTINUE_KEY:
            self.resume()
        elif key == STOP_KEY:
            self.stop()
        elif key == SONG_POSITION_KEY:
            self.locate(song_position(data))

    def clock(self, t_ns: int) -> None:
        """Count one clock."""
        stamps = self._stamps
        if t_ns > self.clock_dies_ns:
            stamps.clear()
        stamps.append(t_ns)
        wait_ns = _FIRST_WAIT_NS  # after a first one, or the first after a death, at any tempo
        if len(stamps) > 1:
            span_ns, clocks = self.tempo = t_ns - stamps[0], len(stamps) - 1
            wait_ns = _SILENT_CLOCKS * span_ns // clocks
        elif self.tempo is not None:
            wait_ns = max(wait_ns, _SILENT_CLOCKS * self.tempo[0] // self.tempo[1])
        self.clock_dies_ns = t_ns + wait_ns
        self.clocks_seen += 1
        self.last_clock_ns = t_ns
        if self.playing:
            self.next_clock += 1

    def start(self) -> None:
        """Play from the beginning."""
        self.playing = True
        self.next_clock = 0

    def resume(self) -> None:
        """Play from where the song stands (Continue)."""
        self.playing = True

    def stop(self) -> None:
        """Stop where the song stands."""
        self.playing = False

    def locate(self, clocks: int) -> None:
        """Set the song position, in clocks."""
        self.next_clock = clocks


def jitter_us(stamps_ns: Sequence[int]) -> dict[str, int] | None:
    """How far clocks were from even ones: the median and the most, in microseconds."""
    if len(stamps_ns) < 3:
        return None
    spans = [after - before for before, after in pairwise(stamps_ns)]
    mean = sum(spans) / len(spans)
    off = sorted(abs(span - mean) / NS_PER_US for span in spans)
    half = len(off) // 2
    return {"p50": round((off[half] + off[~half]) / 2), "max": round(off[-1])}
