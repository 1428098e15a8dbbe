"""What is due later: timed calls, by time or by MIDI clocks.

How this works. A `Timer` waits either for a time or for a number of clocks. Those that wait for
a time are in one heap, ordered by time and then by the order in which they were set. Those that
wait for clocks are in a second heap, ordered by the clock they wait for; they are called just
before that clock. When the clock dies, they fall back to the last measured tempo, so that
nothing waits for ever. A cancelled timer stays in its heap until it comes to the top, or until the
heap has doubled: then all cancelled ones are thrown out.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from heapq import heapify, heappop, heappush
from itertools import count

from pointsman.transport import Transport
from pointsman.units import Duration

Call = Callable[[int], None]

NEVER_NS = 1 << 63
"""Later than any time: 292 years in nanoseconds."""

_ROOM = 64
"""So many timers may wait before anybody looks for cancelled ones."""


class Timer:
    """One timed call that can be cancelled."""

    __slots__ = ("call", "endless", "fallback_ns", "live", "rest_ns", "wanted")

    def __init__(self, call: Call, endless: bool = False) -> None:
        self.call = call
        self.endless = endless
        self.live = True
        self.fallback_ns = 0
        self.rest_ns = 0
        self.wanted = 0

    def cancel(self) -> None:
        """Make sure that the call is not made; harmless when it has been."""
        self.live = False


class Schedule:
    """The timers of one engine. It reads no clock: the engine tells it the time, as `now_ns`."""

    def __init__(self, transport: Transport) -> None:
        self._transport = transport
        self._order = count()
        self.now_ns = NEVER_NS
        """NEVER_NS before the engine has begun, and after its end."""
        self.timed: list[tuple[int, int, Timer]] = []
        self.counted: list[tuple[int, int, Timer]] = []
        self._endless = False
        self._room = _ROOM

    def at(self, due_ns: int, call: Call, *, endless: bool = False) -> Timer:
        """Call at `due_ns`, or next of all where that time has passed.

        `endless` marks what repeats for ever: an end does not wait for it, nor for anything that
        its calls set. TypeError where the time is no whole number, so that a plugin's slip stays
        with the plugin.
        """
        if type(due_ns) is not int:
            raise TypeError(f"a time must be whole nanoseconds, not {due_ns!r}")
        timer = Timer(call, endless or self._endless)
        heappush(self.timed, (due_ns, next(self._order), timer))
        if len(self.timed) > self._room:
            self._throw_out_cancelled()
        return timer

    def after(self, duration: Duration, t_ns: int, call: Call) -> Timer:
        """Call `duration` after `t_ns`.

        Whole clocks are counted while the clock runs, and a fraction of a clock is timed after
        them; while the clock does not run, the last measured tempo gives the time. A wait that
        began before the clock did is counted from its first clock on.
        """
        timer = Timer(call, self._endless)
        timer.fallback_ns = t_ns + self._transport.to_ns(duration)
        if duration.clocks is not None and duration.clocks >= 1:
            whole = int(duration.clocks)
            timer.wanted = self._transport.clocks_seen + whole
            if duration.clocks != whole:
                rest = Duration(duration.text, clocks=duration.clocks - whole)
                timer.rest_ns = self._transport.to_ns(rest)
        if timer.wanted and self._transport.clock_runs(t_ns):
            heappush(self.counted, (timer.wanted, next(self._order), timer))
        else:
            heappush(self.timed, (timer.fallback_ns, next(self._order), timer))
        if len(self.timed) + len(self.counted) > self._room:
            self._throw_out_cancelled()
        return timer

    @property
    def begun(self) -> bool:
        """Whether it has been told any time, and will be told more."""
        return self.now_ns != NEVER_NS

    @property
    def next_due_ns(self) -> int | None:
        """When the next call is due, or None. Waiting clocks count as due when the clock dies."""
        self._drop_cancelled()
        due_ns = self.timed[0][0] if self.timed else None
        if self.counted:
            dies_ns = self._transport.clock_dies_ns + 1
            due_ns = dies_ns if due_ns is None else min(due_ns, dies_ns)
        return due_ns

    @property
    def is_endless(self) -> bool:
        """Whether the call that is being made repeats for ever."""
        return self._endless

    @property
    def idle(self) -> bool:
        """Whether nothing is due but what repeats for ever."""
        return not any(t.live and not t.endless for _, _, t in (*self.timed, *self.counted))

    def run_until(self, t_ns: int) -> None:
        """Make every call that is due at or before `t_ns`, in order, at its own time.

        What was set for a time that had passed is called now: time never goes down.
        """
        while (due_ns := self.next_due_ns) is not None and due_ns <= t_ns:
            if self.timed and self.timed[0][0] == due_ns:
                timer = heappop(self.timed)[2]
                if due_ns > self.now_ns or not self.begun:
                    self.now_ns = due_ns
                self._call(timer, self.now_ns)
            else:
                self._clock_died(due_ns)

    def before_clock(self, t_ns: int) -> None:
        """Make the calls that wait for the clock that comes at `t_ns`; call it before counting."""
        if self.timed and not self._transport.clock_runs(t_ns):
            self._clock_begins()
        counted = self.counted
        wanted = self._transport.clocks_seen + 1
        while counted and counted[0][0] <= wanted:
            timer = heappop(counted)[2]
            if not timer.live:
                continue
            if timer.rest_ns:
                heappush(self.timed, (t_ns + timer.rest_ns, next(self._order), timer))
            else:
                self._call(timer, t_ns)

    def _call(self, timer: Timer, t_ns: int) -> None:
        """Make one call; what an endless one sets in it is endless, too."""
        timer.live = False
        self._endless = timer.endless
        try:
            timer.call(t_ns)
        finally:
            self._endless = False

    def take_all(self) -> Iterator[Timer]:
        """Empty the schedule, giving what was in it in order; what waits for clocks comes last."""
        timed, counted = sorted(self.timed), sorted(self.counted)
        self.timed.clear()
        self.counted.clear()
        for _, _, timer in (*timed, *counted):
            if timer.live:
                timer.live = False
                yield timer

    def adopt(self, other: Schedule) -> None:
        """Take over everything that waits in another schedule of the same engine, in its order."""
        for mine, others in ((self.timed, other.timed), (self.counted, other.counted)):
            for due, _, timer in sorted(others):
                heappush(mine, (due, next(self._order), timer))
            others.clear()

    def take(self, chosen: Callable[[Call], bool]) -> Iterator[Timer]:
        """Take out the calls by time that are `chosen`, in the order in which they are due."""
        for _, _, timer in sorted(self.timed):
            if timer.live and chosen(timer.call):
                timer.live = False
                yield timer

    def _throw_out_cancelled(self) -> None:
        for heap in (self.timed, self.counted):
            heap[:] = [item for item in heap if item[2].live]
            heapify(heap)
        self._room = max(_ROOM, 2 * (len(self.timed) + len(self.counted)))

    def _drop_cancelled(self) -> None:
        for heap in (self.timed, self.counted):
            while heap and not heap[0][2].live:
                heappop(heap)

    def _clock_begins(self) -> None:
        """Let those that wait for clocks, and were timed for want of any, count from now on."""
        seen = self._transport.clocks_seen
        waiting = [item for item in self.timed if item[2].live and item[2].wanted > seen]
        if waiting:
            self.timed = [item for item in self.timed if item not in waiting]
            heapify(self.timed)
            for _, order, timer in waiting:
                heappush(self.counted, (timer.wanted, order, timer))

    def _clock_died(self, t_ns: int) -> None:
        """Give those that wait for clocks the time that the last tempo makes of it."""
        for _, order, timer in self.counted:
            self.timed.append((max(t_ns, timer.fallback_ns), order, timer))
        self.counted.clear()
        heapify(self.timed)
