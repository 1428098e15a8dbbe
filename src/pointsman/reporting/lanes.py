"""One lane: the values of one thing over time, in bounded memory, with exact extremes.

How this works. A lane keeps every value until it has `most` of them. Then it is *thinned*: time is
cut into spans of one length, and of each span the first, the lowest, the highest and the last value
stay, at their own times, and every one that is marked. So what is drawn after the thinning touches
the same highest and lowest points in each span as before. The spans are powers of two: thinned
again, a lane keeps just what it would have kept of all its values.
"""

from __future__ import annotations

from array import array
from collections.abc import Iterable, Iterator

OWN, HOME, TIMED = 1, 2, 4
"""Flags of a value: an entry sent it of its own accord; it puts the control home, and is marked;
it was sent when nothing had come."""

MOST_VALUES = 65_536
_KEPT_OF_A_SPAN = 4
_COLUMNS = ("_times", "_values", "_traces", "_flags")
_BLOCK = 256


class Lane:
    """Values over time: times in microseconds that never go down, with a trace and flags each."""

    def __init__(self, most: int = MOST_VALUES) -> None:
        self._times = array("q")
        self._values = array("i")
        self._traces = array("H")
        self._flags = array("B")
        self._new: list[tuple[int, int, int, int]] = []
        """What was added last: one call for many is faster than four for each."""
        self._before = 0
        self.span_us = 0
        """How long a span is of which only four values are kept; 0: all are."""
        self._most = most

    def __len__(self) -> int:
        return len(self._times) + len(self._new)

    @property
    def count(self) -> int:
        """How many values there were; more than are kept if the lane was thinned."""
        return self._before + len(self._new)

    @property
    def times(self) -> array[int]:
        """When each value came."""
        self._take_in()
        return self._times

    @property
    def values(self) -> array[int]:
        """The values."""
        self._take_in()
        return self._values

    @property
    def traces(self) -> array[int]:
        """The numbers of what made them."""
        self._take_in()
        return self._traces

    @property
    def flags(self) -> array[int]:
        """What else is known of them."""
        self._take_in()
        return self._flags

    @property
    def last(self) -> tuple[int, int, int, int] | None:
        """The newest value, with its time before it, its trace and its flags behind it; or None."""
        if self._new:
            return self._new[-1]
        if not self._times:
            return None
        return self._times[-1], self._values[-1], self._traces[-1], self._flags[-1]

    def add(self, t_us: int, value: int, trace: int = 0, flags: int = 0) -> None:
        """Add a value."""
        new = self._new
        new.append((t_us, value, trace, flags))
        if len(new) >= _BLOCK:
            self._take_in()
            if len(self._times) > self._most:
                self.thin(self._most // 2)
                self._most = max(self._most, 2 * len(self._times))  # where most are marked

    def replace(self, columns: Iterable[Iterable[int]]) -> None:
        """Have other values: times, values, traces and flags."""
        self._take_in()
        for name, column in zip(_COLUMNS, columns, strict=True):
            setattr(self, name, array(getattr(self, name).typecode, column))
        self._before = len(self._times)

    def _take_in(self) -> None:
        if self._new:
            times, values, traces, flags = zip(*self._new, strict=True)
            self._times.extend(times)
            self._values.extend(values)
            self._traces.extend(traces)
            self._flags.extend(flags)
            self._before += len(self._new)
            self._new.clear()

    def thin(self, most: int) -> None:
        """Keep about so many values at most, beside those that are marked."""
        self._take_in()
        if len(self.times) <= most:
            return
        count = self._before
        spans = max(1, most // _KEPT_OF_A_SPAN)
        length_us = self.times[-1] - self.times[0] + 1
        self.span_us = max(2 * self.span_us, 1 << (length_us // spans).bit_length())
        keep = [place for span in self._spans() for place in self._kept(span)]
        columns = [getattr(self, name) for name in _COLUMNS]
        self.replace([column[place] for place in keep] for column in columns)
        self._before = count

    def _spans(self) -> Iterator[range]:
        begin, span_us = 0, self.span_us
        number = self.times[0] // span_us
        for place, t_us in enumerate(self.times):
            if t_us // span_us != number:
                yield range(begin, place)
                begin, number = place, t_us // span_us
        yield range(begin, len(self.times))

    def _kept(self, span: range) -> list[int]:
        value = self.values.__getitem__
        kept = {span[0], min(span, key=value), max(span, key=value), span[-1]}
        flags = self.flags
        kept.update(place for place in span if flags[place] & HOME)
        return sorted(kept)


def share_out(lanes: list[Lane], most: int) -> None:
    """Thin lanes until all together keep about `most` values: the longest ones give way first."""
    left, waiting = most, sorted(lanes, key=len)
    for done, lane in enumerate(waiting):
        share = max(_KEPT_OF_A_SPAN, left // (len(waiting) - done))
        lane.thin(share)
        left -= min(len(lane), share)
